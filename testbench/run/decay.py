"""What the pressure of a hold did by itself: the monitor, the gate before it, and the verdict where it is allowed.

Everything follows from a stage's requirement, its marks and samples, and the facts of the run, so that it can be worked
out again from the record alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

import numpy as np

from testbench.metrology.closed_volume import ClosedVolume, pressure_per_kelvin_in_place
from testbench.metrology.decay import (
    BlankRuns,
    Compliance,
    DecayDecision,
    DecayRate,
    NextStep,
    Warming,
    bend_matters,
    blank_runs,
    decay_rate,
    decide_decay,
    objection,
)
from testbench.metrology.resolvability import Setup, noise_in, resolvability
from testbench.metrology.signal import Values, resolution_of
from testbench.metrology.slope_interval import NORMAL_TWO_SIDED, HoldSlope, hold_slope
from testbench.metrology.uncertainty import rounded
from testbench.metrology.water import ATMOSPHERE_PA, is_liquid, water
from testbench.procedure.criteria import Decay, LargestLeakageRate
from testbench.procedure.requirements import StageRequirement
from testbench.procedure.stages import PumpDuringHold
from testbench.quantities import LeakageRate, Pressure, Temperature, Volume
from testbench.run.bleeding import compliance_in_place, compliance_in_words, in_ml_per
from testbench.run.hold import largest_step
from testbench.run.observations import Drawn
from testbench.run.record import BlankRun, ChannelRecord, DecayMonitor, RunRecord, WaterTemperature
from testbench.run.samples import TICKS_PER_S, Trace, to_ticks

LEAST_BLANKS = 2
LEAST_SAMPLES = 3
PUMP_MAKES_UP = "The pump made up during the hold: its pressure shows nothing of a leakage."


@dataclass(frozen=True, slots=True)
class Gate:
    """Whether a decay can decide the limit of a stage, said before its hold."""

    decides: bool
    """Whether it may and can: then nothing need be collected."""
    seconds: int
    """How long the hold must last for it [s]; 0 where it does not decide."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Decayed:
    """What a hold amounts to."""

    slope: HoldSlope
    """In the channel's unit."""
    compliance: Compliance | None
    blank: BlankRuns | None
    rate: DecayRate | None
    """None without C."""
    gate: Gate | None
    """None where the stage has no limit."""
    decision: DecayDecision | None
    """None where the decay does not decide."""
    warming: Warming | None = None
    """What the temperature of the water did; None where it is not known, or blank runs tell the drift."""


@dataclass(frozen=True, slots=True)
class Basis:
    """What a decay in one stage is judged on, besides marks and samples."""

    required: StageRequirement
    channel: ChannelRecord
    """For the fluid of the stage."""
    on: date
    blanks: tuple[BlankRun, ...] = ()
    cavity: Volume | None = None
    water_temperature: Temperature | None = None

    @classmethod
    def of(cls, required: StageRequirement, record: RunRecord) -> "Basis":
        """For a stage of a run."""
        return cls(
            required,
            record.channel.for_fluid(required.fluid),
            date.fromisoformat(record.started[:10]),
            record.blanks,
            record.valve.cavity,
            record.water_temperature,
        )

    @property
    def criterion(self) -> LargestLeakageRate | None:
        """The limit, where the stage has one."""
        return next((one for one in self.required.criteria if isinstance(one, LargestLeakageRate)), None)

    @property
    def isolated(self) -> bool:
        """Whether the body is closed in during the hold."""
        return self.required.pump_during_hold is PumpDuringHold.ISOLATED

    @property
    def longest_hold_s(self) -> int:
        """The longest hold that a decay may take [s]; the required one in any case."""
        rule = None if self.criterion is None else self.criterion.decay
        return max(self.required.hold_s, 0 if rule is None else rule.longest_hold_s)

    @property
    def water_only_m3_per_pa(self) -> float | None:
        """C of the water alone; None where cavity or temperature are not known."""
        if self.cavity is None or self.water_temperature is None or self.required.fluid != "water":
            return None
        body, pressure = ClosedVolume(float(self.cavity.exact)), self.required.required
        return body.compliance_m3_per_pa(water(self.water_temperature, pressure), float(pressure.exact) + ATMOSPHERE_PA)

    def compliance(self, drawn: tuple[Drawn, ...], trace: Trace) -> Compliance | None:
        """C in place; None where it was not measured."""
        return compliance_in_place(drawn, trace, self.channel, self.required) if drawn else None

    def compliance_in_words(self, found: Compliance) -> str:
        """C with U, and whether it is air or a flexible rig."""
        said = compliance_in_words(found, self.channel.scale.unit)
        water_only = self.water_only_m3_per_pa
        if water_only is None or not found.is_air_or_flexible(water_only):
            return f"{said}."
        return (
            f"{said}, {found.ratio(water_only):.1f} times that of the water alone: air or a flexible rig. Vent again."
        )

    def fitting_blanks(self) -> tuple[BlankRun, ...]:
        """The blank runs that the drift of this stage may be taken from."""
        rule = None if self.criterion is None else self.criterion.decay
        return () if rule is None else fitting(self.blanks, self.required, rule, self.on)

    def drift(self) -> BlankRuns | None:
        """The bench's own drift; None where too few blank runs fit."""
        found = self.fitting_blanks()
        if len(found) < LEAST_BLANKS:
            return None
        rates = [float(one.slope_per_min.exact) / 60 for one in found]
        return blank_runs(rates, [float(one.half_width_per_min.exact) / 60 / NORMAL_TWO_SIDED for one in found])

    # Before the hold -----------------------------------------------------------------------------

    def gate(self, hold_since: int, trace: Trace, compliance: Compliance | None) -> Gate | None:
        """Whether a decay can decide the limit; None where there is no limit, or the pump makes up.

        Args:
            hold_since: when the pressure was declared steady [ticks].
            trace: the samples up to then.
            compliance: C in place.
        """
        criterion = self.criterion
        if criterion is None or not self.isolated:
            return None
        if (obstacle := self._obstacle(criterion, compliance)) is not None:
            return Gate(decides=False, seconds=0, sentence=self._collect(criterion, obstacle))
        assert compliance is not None
        steady = trace.between(hold_since - to_ticks(self.required.stabilization.window_s), hold_since)
        if len(steady) < LEAST_SAMPLES:
            return Gate(decides=False, seconds=0, sentence=self._collect(criterion, "its noise is not known"))
        pa, step = float(Pressure.factor(self.channel.scale.unit)), self._step(trace, hold_since)
        found = resolvability(
            criterion.limit,
            Setup(
                compliance,
                noise_in(_seconds(steady), self.channel.scale.pressures(steady.counts) * pa, step * pa),
                Warming(0.0),  # what temperature does is in the blank runs
                self.drift(),
                self.water_only_m3_per_pa,
            ),
            pressure=self.required.required,
            longest_hold_s=self.longest_hold_s,
        )
        seconds = 0 if found.seconds is None or not found.decidable else math.ceil(found.seconds)
        return Gate(found.decidable, seconds, found.sentence)

    def _obstacle(self, criterion: LargestLeakageRate, compliance: Compliance | None) -> str | None:
        if self.required.fluid != "water":
            return "the test is not with water"
        if criterion.decay is None:
            return "the procedure has the leakage collected"
        if compliance is None:
            return "C was not measured in place"
        if self.water_only_m3_per_pa is None:
            missing = "cavity" if self.cavity is None else "water_temperature"
            return f"air could not be told from water ({missing} is not given)"
        drift = self.drift()
        if drift is None:
            return f"of blank runs {len(self.fitting_blanks())} fit, {LEAST_BLANKS} are needed for the drift"
        # What is taken off must not be larger than what is to be found.
        taken_off = LeakageRate(Fraction(abs(drift.mean_pa_per_s) * compliance.m3_per_pa), criterion.limit.unit)
        if taken_off > criterion.limit:
            return f"the bench's own drift looks like {taken_off.text_beside(criterion.limit)}"
        return None

    @staticmethod
    def _collect(criterion: LargestLeakageRate, obstacle: str) -> str:
        limit = criterion.in_words(criterion.limit)
        return f"Pressure decay cannot decide {limit} on this bench: {obstacle}; collect the leakage."

    def _step(self, trace: Trace, until: int) -> float:
        """The smallest step of a reading, as the whole stage up to then shows it, in the channel's unit."""
        scale, counts = self.channel.scale, trace.counts[trace.at <= until]
        step = min(largest_step(self.channel, self.required), resolution_of(counts.astype(np.float64), 1.0))
        return step * float(scale.per_count * scale.gain_at(Fraction(int(counts[-1]))))

    # After the hold ------------------------------------------------------------------------------

    def decayed(
        self, hold: Trace, trace: Trace, drawn: tuple[Drawn, ...], measured: WaterTemperature | None = None
    ) -> Decayed | None:
        """What a hold amounts to; None where the pump made up, or there are too few samples.

        Args:
            hold: the samples of the hold.
            trace: all samples of the stage.
            drawn: the volumes drawn off before it.
            measured: the temperature of the water in the stage. It explains the drift for the monitor, where no blank
                runs do; a verdict rests on blank runs alone.
        """
        if not self.isolated or len(hold) < LEAST_SAMPLES or hold.at[-1] <= hold.at[0]:
            return None
        pressures = self.channel.scale.pressures(hold.counts)
        slope = hold_slope(_seconds(hold), pressures, resolution=self._step(trace, int(hold.at[-1])))
        compliance, blank = self.compliance(drawn, trace), self.drift()
        warming = None if blank is not None else self.warming(hold, compliance, measured)
        rate = None if compliance is None else self._rate(slope, compliance, blank, warming)
        gate = self.gate(int(hold.at[0]), trace, compliance)
        decision = None
        if gate is not None and gate.decides:
            assert rate is not None
            assert compliance is not None
            decision = self._decision(slope, rate, compliance, gate)
        return Decayed(slope, compliance, blank, rate, gate, decision, warming)

    def warming(self, hold: Trace, compliance: Compliance | None, measured: WaterTemperature | None) -> Warming | None:
        """What the water's temperature did to the pressure in a hold; None where that cannot be told."""
        if measured is None or compliance is None or self.cavity is None or self.required.fluid != "water":
            return None
        readings = np.array([one for one in measured.readings if hold.at[0] <= one[0] <= hold.at[-1]], dtype=np.int64)
        if len(readings) < LEAST_SAMPLES:
            return None
        if not is_liquid(measured.at(0)):
            return None
        per_count = float(Temperature.factor(measured.unit)) / 10**measured.decimals
        kelvin = readings[:, 1] * per_count
        found = hold_slope((readings[:, 0] - hold.at[0]) / TICKS_PER_S, kelvin, resolution=per_count)
        properties = water(measured.at(0), self.required.required)
        beta, beta_u = pressure_per_kelvin_in_place(properties, float(self.cavity.exact), compliance.m3_per_pa)
        # What is not known of β counts as if the temperature's rate were not known so well.
        unsure = abs(found.per_s * beta_u / beta) if beta else 0.0
        return Warming(beta, found.per_s, math.hypot(found.standard_uncertainty, unsure))

    def _rate(
        self, slope: HoldSlope, compliance: Compliance, blank: BlankRuns | None, warming: Warming | None
    ) -> DecayRate:
        pa = float(Pressure.factor(self.channel.scale.unit))
        unit = "mL/h" if self.criterion is None else self.criterion.limit.unit
        return decay_rate(
            slope.per_s * pa, slope.standard_uncertainty * pa, compliance, warming=warming, blank=blank, unit=unit
        )

    def _decision(self, slope: HoldSlope, rate: DecayRate, compliance: Compliance, gate: Gate) -> DecayDecision:
        assert self.criterion is not None
        lowest = Pressure.of(slope.lowest, self.channel.scale.unit)
        least = self.required.required + self.channel.guard_band(self.required)
        water_only = self.water_only_m3_per_pa
        ratio = None if water_only is None else compliance.ratio(water_only)
        limit, rule = self.criterion.limit, self.required.decision_rule
        swing = self._swing(slope, compliance, limit.unit)
        against = objection(rate, slope, lowest, least, ratio, bent=bend_matters(rate, slope, swing, limit, rule))
        if against is None and slope.record.span_s < gate.seconds:
            short = f"the hold lasted {slope.record.span_s:.1f} s, {gate.seconds} s are needed"
            against = short, NextStep.EXTEND
        return decide_decay(rate, limit, against, rule)

    def _swing(self, slope: HoldSlope, compliance: Compliance, unit: str) -> LeakageRate:
        """How far the rate at either end of the hold lies from the mean."""
        pa_per_s = abs(slope.bow) * slope.record.span_s * float(Pressure.factor(self.channel.scale.unit))
        return LeakageRate(Fraction(compliance.m3_per_pa * pa_per_s), unit)

    def monitor(self, found: Decayed | None) -> DecayMonitor:
        """The same for the record."""
        if found is None:
            return DecayMonitor(sentence=PUMP_MAKES_UP if not self.isolated else "The hold has too few samples.")
        unit, slope, c, rate = self.channel.scale.unit, found.slope, found.compliance, found.rate
        water_only = self.water_only_m3_per_pa
        return DecayMonitor(
            slope_per_min=exact_text(slope.per_s * 60, unit),
            half_width_per_min=exact_text(slope.half_width * 60, unit),
            method=slope.method,
            curved=slope.curved,
            flagged=slope.record.flagged,
            compliance="" if c is None else f"{in_ml_per(unit, c.m3_per_pa):.6g} mL/{unit}",
            compliance_uncertainty="" if c is None else f"{in_ml_per(unit, 2 * c.standard_uncertainty):.6g} mL/{unit}",
            air_ratio="" if c is None or water_only is None else f"{c.ratio(water_only):.6g}",
            blanks=0 if found.blank is None else found.blank.runs,
            rate="" if rate is None else rate_text(rate.rate),
            uncertainty="" if rate is None else rate_text(expanded(rate)),
            dominant="" if rate is None else str(rate.dominant),
            gate="" if found.gate is None else found.gate.sentence,
            sentence=self._sentence(found),
        )

    def _sentence(self, found: Decayed) -> str:
        unit, slope, rate = self.channel.scale.unit, found.slope, found.rate
        per_min, half = slope.per_s * 60, slope.half_width * 60
        straight = ", not in a straight line" if slope.curved else ""
        change, doubt = rounded(per_min, half)
        said = f"The pressure changed by {'+' * (per_min > 0)}{change} ± {doubt} {unit}/min (95 %){straight}."
        if found.compliance is None or rate is None:
            return f"{said} C was not measured."
        said = f"{said} {compliance_in_words(found.compliance, unit)}"
        water_only = self.water_only_m3_per_pa
        if water_only is not None and found.compliance.is_air_or_flexible(water_only):
            return f"{said}: air or a flexible rig, so that no leakage is concluded."
        leakage, u = rounded(rate.rate.to(rate.rate.unit), expanded(rate).to(rate.rate.unit))
        drift = "drift not known" if found.warming is None else "the water's change of temperature taken off"
        drift = drift if found.blank is None else f"drift of {found.blank.runs} blank runs taken off"
        return f"{said}; Q = {leakage} {rate.rate.unit} with U = {u} {rate.rate.unit}, {drift}."


def expanded(rate: DecayRate) -> LeakageRate:
    """U of a rate, k = 2."""
    return rate.standard_uncertainty * 2


def rate_text(rate: LeakageRate) -> str:
    """A rate in its own unit, as exactly as it was computed."""
    return exact_text(rate.to(rate.unit), rate.unit)


def exact_text(size: float, unit: str) -> str:
    """A number that was computed, with the 15 digits that it has, as a plain decimal text with its unit."""
    return f"{Decimal(f'{size:.15g}'):f} {unit}"


def fitting(blanks: Sequence[BlankRun], required: StageRequirement, rule: Decay, on: date) -> tuple[BlankRun, ...]:
    """The blank runs at about a stage's pressure, with its fluid, and not too old on that day."""
    factor = Fraction(rule.blank_pressure_factor)
    return tuple(
        blank
        for blank in blanks
        if blank.fluid == required.fluid
        and required.required <= blank.pressure * factor
        and blank.pressure <= required.required * factor
        and 0 <= (on - date.fromisoformat(blank.at[:10])).days <= rule.blank_days
    )


def _seconds(part: Trace) -> Values:
    """Times since the first sample [s]."""
    since: Values = (part.at - part.at[0]).astype(np.float64)
    return since / TICKS_PER_S
