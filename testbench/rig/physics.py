"""The rig as physics: a pump, a supply, a vent, a release valve, a relief valve, and a valve body full of water.

Pure: no clock, no port, no randomness. ``RigPhysics.step`` takes a piece of time; the hands of the operator are plain
attributes. Volumes in mL, pressures in psi gauge, flows in mL/s.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from testbench.rig.body import ATMOSPHERE_PSI, Body

ML_H_PER_ML_S = 3600.0
NEARLY_NO_PSI = 0.5
"""Below this an open vent lets air and water out freely instead of blowing."""
WET_ML = 0.05
"""Water on the outside that can be seen."""
DRIP_ML_S = 1 / 16 / 30
"""A drop in half a minute can be seen."""


@dataclass(frozen=True, slots=True)
class Leak:
    """A small hole: its flow grows with the square root of the pressure."""

    ml_per_h: float = 0.0
    at_psi: float = 250.0

    @property
    def strength(self) -> float:
        """Flow at 1 psi [mL/s]."""
        return self.ml_per_h / ML_H_PER_ML_S / math.sqrt(self.at_psi)


@dataclass(frozen=True, slots=True)
class MountedValve:
    """A valve as it really is. Nobody at the bench knows this."""

    serial: str
    nps: str
    shell_leak: Leak = Leak()
    leaks_at: str = "cover joint"
    seat_leak: Leak = Leak()
    trapped: tuple[float, ...] = (0.0005,)
    """Share of the cavity in which air stays after each venting; the last counts for all later ones."""


@dataclass(frozen=True, slots=True)
class RigSettings:
    """What the rig is built of. The numbers are assumptions of a usual small rig."""

    substep_s: float = 0.02
    pump_ml_s: float = 5.0
    """Largest flow of the air-driven pump."""
    pump_ml_s_per_psi: float = 0.08
    """How its flow falls towards the set pressure."""
    supply_ml_s: float = 400.0
    supply_psi: float = 45.0
    release_ml_s: float = 5.0
    """Flow of the release valve at 1 psi; grows with the square root."""
    vent_ml_s: float = 800.0
    """The same of the vent: wide enough that the supply raises no pressure while it is open."""
    relief_psi: float = 545.0
    relief_ml_s_per_psi: float = 1.0
    drift_k_per_min: float = 0.001
    """Warming of body and water."""
    heating_k_per_psi: float = 1e-4
    """Water warms when it is compressed (isentropic, 25 mK at 250 psi) ..."""
    heating_decay_s: float = 40.0
    """... and gives that warmth to the body."""
    dissolving_s: float = 1000.0
    """Time in which trapped air dissolves under pressure."""
    bubbling_s: float = 3.0
    """How long water still brings bubbles after it reaches the vent."""
    drain_s: float = 4.0
    """Time in which water runs down the open inlet."""
    burette_ml_s: float = 0.2
    """Flow of the metering valve at the burette."""
    clinging_ml: float = 6.0
    """What stays in the inlet after draining and drips out later."""
    outlet_share: float = 0.5
    """The outlet chamber's share of the cavity."""


class Side(StrEnum):
    """What is under pressure."""

    SHELL = "shell"
    """Both chambers, through the inlet; the disc hangs free."""
    SEAT = "seat"
    """The outlet chamber; the disc is closed and the inlet open."""


class RigPhysics:
    """The state of the rig and what a moment does to it."""

    def __init__(self, settings: RigSettings | None = None) -> None:
        self.settings = settings or RigSettings()
        self.valve: MountedValve | None = None
        self.side = Side.SHELL
        # The operator's hands.
        self.supply_on = False
        self.vent_open = True
        self.release_open = True
        self.isolated = False
        self.pump_psi: float | None = None
        self.relief_psi = self.settings.relief_psi
        # What is inside.
        self.at_s = 0.0
        self.psi = 0.0
        self.water_ml = 0.0
        self.air_ml = 0.0
        self.warmer_k = 0.0
        self.heated_k = 0.0
        self.ventings = 0
        self.overflow_s = 0.0
        # What comes out.
        self.outside_ml = 0.0
        self.inlet_ml = 0.0
        self.vessel_ml: float | None = None
        self.drawing_ml = 0.0
        """What still goes to the burette before it is closed."""
        self._body = Body.of("6")
        self._chamber = self._body

    # The operator's hands ------------------------------------------------------------------------

    def mount(self, valve: MountedValve) -> None:
        """Put a dry valve on the rig, vent and release open, pump and supply off.

        Raises:
            SizeUnknownError: the rig has no body of this size.
        """
        self._body = Body.of(valve.nps)
        self.valve = valve
        self.supply_on, self.pump_psi, self.isolated = False, None, False
        self.vent_open = self.release_open = True
        self._enclose(Side.SHELL, share=1.0, water_ml=0.0)
        self.outside_ml = self.inlet_ml = self.drawing_ml = 0.0
        self.vessel_ml = None
        self.ventings = 0

    def drain_inlet(self) -> None:
        """Close the disc, drain the inlet chamber and leave it open; the outlet chamber keeps its water."""
        share = self.settings.outlet_share
        if self.side is Side.SHELL:
            self._enclose(Side.SEAT, share=share, water_ml=self.water_ml * share)
            self.inlet_ml = self.settings.clinging_ml if self.water_ml > 0 else 0.0

    def set_vent(self, *, is_open: bool) -> None:
        """Turn the vent; opening it anew is another venting."""
        if is_open and not self.vent_open:
            self.ventings += 1
            self.overflow_s = 0.0
        self.vent_open = is_open

    def draw_off(self, volume_ml: float) -> None:
        """Open the burette until so much has come out, then close it."""
        self.drawing_ml = volume_ml

    def put_vessel(self) -> None:
        """Put the empty vessel under the open inlet."""
        self.vessel_ml = 0.0

    def take_vessel(self) -> float:
        """Take the vessel away; gives what it holds [mL]."""
        caught = self.vessel_ml or 0.0
        self.vessel_ml = None
        return caught

    def dry_outside(self) -> None:
        """Wipe the valve dry."""
        self.outside_ml = 0.0

    # What a person sees --------------------------------------------------------------------------

    @property
    def dripping_ml_s(self) -> float:
        """Flow out of the open inlet [mL/s]."""
        return self.inlet_ml / self.settings.drain_s if self.side is Side.SEAT else 0.0

    def look(self) -> dict[str, str]:
        """What a person sees who walks round the valve."""
        wet = self.outside_ml > WET_ML
        vent = "closed"
        if self.vent_open:
            vent = "solid" if self.overflow_s >= self.settings.bubbling_s else "bubbles"
        return {
            "shell": "wet" if wet else "dry",
            "where": self.valve.leaks_at if wet and self.valve else "",
            "seat": "dripping" if self.dripping_ml_s > DRIP_ML_S else "dry",
            "vent": vent,
        }

    @property
    def trapped_share(self) -> float:
        """Share of the cavity in which this venting leaves air."""
        assert self.valve is not None
        return self.valve.trapped[min(self.ventings, len(self.valve.trapped) - 1)]

    # Time ----------------------------------------------------------------------------------------

    def step(self, dt_s: float) -> None:
        """Let time pass [s]. Cut into substeps; each is implicit, so that a stiff body cannot make it swing."""
        if self.valve is not None:
            count = max(1, math.ceil(dt_s / self.settings.substep_s - 1e-9))
            for _ in range(count):
                self._substep(dt_s / count)
        self.at_s += dt_s

    def _substep(self, dt_s: float) -> None:
        assert self.valve is not None
        settings, before = self.settings, self.psi
        self.warmer_k += settings.drift_k_per_min / 60 * dt_s
        self.heated_k /= 1 + dt_s / settings.heating_decay_s
        if self.vent_open and self.psi < NEARLY_NO_PSI:
            self._fill(dt_s)
        else:
            self._squeeze(dt_s)
        self.heated_k += settings.heating_k_per_psi * (self.psi - before)
        self._leak(dt_s)

    def _fill(self, dt_s: float) -> None:
        """The vent is open: water drives the air out, but not the last of it."""
        assert self.valve is not None
        pocket_ml = self._chamber.volume_ml * self.trapped_share
        full = self._chamber.water_beside(pocket_ml, **self._warmth)
        inflow = (self.settings.supply_ml_s if self.supply_on else 0.0) + self._pump_flow(0.0)[0]
        self.psi = 0.0
        if inflow > 0 and self.water_ml + inflow * dt_s >= full:
            self.overflow_s += dt_s
        elif inflow == 0:
            self.overflow_s = 0.0
        self.water_ml = min(self.water_ml + inflow * dt_s, max(self.water_ml, full))
        self.air_ml = self._chamber.air_beside(self.water_ml, **self._warmth)

    def _squeeze(self, dt_s: float) -> None:
        """The cavity is closed: flows change its water, and its pressure follows."""
        if self.psi > 0:
            strength = self.psi / (self.psi + ATMOSPHERE_PSI)  # near atmosphere the water takes up no more air
            self.air_ml /= 1 + dt_s / self.settings.dissolving_s * strength
        flow, slope = self._net_flow()
        drawn = min(self.drawing_ml, self.settings.burette_ml_s * dt_s) if self.psi > 0 else 0.0
        self.drawing_ml -= drawn
        self.water_ml -= drawn
        compliance = self._chamber.compliance(self.water_ml, self.air_ml, self.psi)
        reached = self.psi + flow * dt_s / (compliance - slope * dt_s)
        if self.psi <= self.relief_psi < reached:
            # The relief valve opens within the step: without it a stiff body would shoot past what it lets stand.
            lift = self.settings.relief_ml_s_per_psi
            flow, slope = flow + lift * (self.relief_psi - self.psi), slope - lift
        self.water_ml += flow * dt_s / (1 - slope * dt_s / compliance)
        warmth = self._warmth
        self.psi = self._chamber.pressure(self.water_ml, self.air_ml, **warmth)
        if self.psi < 0 and (self.vent_open or self.release_open):
            # An open way lets water in or out until the pressure is that of the atmosphere.
            self.psi = 0.0
            self.water_ml = self._chamber.water_beside(self.air_ml, **warmth)

    def _net_flow(self) -> tuple[float, float]:
        """Flow into the cavity [mL/s] and how it changes with pressure [mL/s/psi]."""
        assert self.valve is not None
        settings, psi = self.settings, self.psi
        flow, slope = self._pump_flow(psi)
        if self.supply_on and psi < settings.supply_psi:
            per_psi = settings.supply_ml_s / settings.supply_psi
            flow, slope = flow + per_psi * (settings.supply_psi - psi), slope - per_psi
        if psi > self.relief_psi:
            flow -= settings.relief_ml_s_per_psi * (psi - self.relief_psi)
            slope -= settings.relief_ml_s_per_psi
        if psi > 0:
            open_ways = settings.release_ml_s * self.release_open + settings.vent_ml_s * self.vent_open
            out = (open_ways + self.valve.shell_leak.strength + self._seat_strength) * math.sqrt(psi)
            # The chord instead of the tangent: an emptying cavity then comes to rest at no pressure, never below.
            flow, slope = flow - out, slope - out / psi
        return flow, slope

    def _pump_flow(self, psi: float) -> tuple[float, float]:
        if self.pump_psi is None or self.isolated or psi >= self.pump_psi:
            return 0.0, 0.0
        falling = self.settings.pump_ml_s_per_psi * (self.pump_psi - psi)
        if falling < self.settings.pump_ml_s:
            return falling, -self.settings.pump_ml_s_per_psi
        return self.settings.pump_ml_s, 0.0

    @property
    def _seat_strength(self) -> float:
        assert self.valve is not None
        return self.valve.seat_leak.strength if self.side is Side.SEAT else 0.0

    def _leak(self, dt_s: float) -> None:
        """Bring what leaks out to where it can be seen."""
        assert self.valve is not None
        root = math.sqrt(self.psi) if self.psi > 0 else 0.0
        self.outside_ml += self.valve.shell_leak.strength * root * dt_s
        if self.side is Side.SEAT:
            self.inlet_ml += self._seat_strength * root * dt_s
            drips = min(self.inlet_ml, self.dripping_ml_s * dt_s)
            self.inlet_ml -= drips
            if self.vessel_ml is not None:
                self.vessel_ml += drips

    # The cavity ----------------------------------------------------------------------------------

    def _enclose(self, side: Side, *, share: float, water_ml: float) -> None:
        self.side = side
        self._chamber = self._body.part(share)
        self.psi = self.heated_k = self.overflow_s = 0.0
        self.water_ml = water_ml
        self.air_ml = self._chamber.air_beside(water_ml, **self._warmth)

    @property
    def _warmth(self) -> dict[str, float]:
        return {"body_k": self.warmer_k, "water_k": self.warmer_k + self.heated_k}
