"""What the rig can be told, one JSON object a line, and what it answers.

These are the hands and eyes of a person at the bench: they turn valves and look. ``state`` alone tells what no person
could see.
"""

from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter, ValidationError

from testbench.errors import BenchError, RigBusyError, RigCommandError
from testbench.procedure.valve import Value
from testbench.rig.physics import Leak, MountedValve, RigPhysics
from testbench.rig.transmitter import Fault
from testbench.rig.valves import ORDERED

SAFE_PSI = 5.0
"""Above this nothing is mounted, drained or opened, not even in a simulation."""

Share = Annotated[float, Field(ge=0, lt=1)]
Rate = Annotated[float, Field(ge=0)]


class Mount(Value):
    """Put a valve on. An unknown serial number needs a size and is tight unless leaks are given."""

    command: Literal["mount"]
    serial: Annotated[str, Field(min_length=1)]
    nps: str | None = None
    shell_leak_ml_h: Rate | None = None
    """At 250 psi."""
    seat_leak_ml_h: Rate | None = None
    """At 250 psi."""
    leaks_at: str | None = None
    trapped: Annotated[tuple[Share, ...], Field(min_length=1)] | None = None


class Fill(Value):
    """Turn the water supply on or off."""

    command: Literal["fill"]
    on: bool = True


class Vent(Value):
    """Turn the vent at the highest point."""

    command: Literal["vent"]
    position: Literal["open", "closed"]


class Pump(Value):
    """Run the pump up to a set pressure, or stop it."""

    command: Literal["pump"]
    on: bool = True
    set_psi: Annotated[float, Field(gt=0, le=5000)] | None = None


class Isolate(Value):
    """Close (on) or open (off) the valve between pump and bench."""

    command: Literal["isolate"]
    on: bool = True


class Release(Value):
    """Turn the release valve."""

    command: Literal["release"]
    position: Literal["open", "closed"]


class Relief(Value):
    """Set the relief valve."""

    command: Literal["relief"]
    set_psi: Annotated[float, Field(gt=0, le=5000)]


class DrainInlet(Value):
    """Close the disc, drain the inlet and leave it open."""

    command: Literal["drain_inlet"]


class Dry(Value):
    """Wipe the outside dry."""

    command: Literal["dry"]


class DrawOff(Value):
    """Draw so much off at the burette, and close it."""

    command: Literal["draw_off"]
    ml: Annotated[float, Field(gt=0, le=100)]


class Vessel(Value):
    """Put the vessel under the open inlet, or take it away and read it."""

    command: Literal["vessel"]
    position: Literal["under", "away"]


class Look(Value):
    """Look at the valve."""

    command: Literal["look"]


class SetFault(Value):
    """Break the transmitter or its cable, or mend it with ``none``."""

    command: Literal["fault"]
    kind: Fault


class Shift(Value):
    """Let one of the transmitters read so much too much."""

    command: Literal["shift"]
    value: Annotated[int, Field(ge=1, le=4)]
    """Which value of the line, from 1."""
    psi: Annotated[float, Field(ge=-5000, le=5000)]


class ShowState(Value):
    """Tell everything."""

    command: Literal["state"]


class Quit(Value):
    """End the rig."""

    command: Literal["quit"]


AnyCommand = (
    Mount
    | Fill
    | Vent
    | Pump
    | Isolate
    | Release
    | Relief
    | DrainInlet
    | Dry
    | DrawOff
    | Vessel
    | Look
    | SetFault
    | Shift
    | ShowState
    | Quit
)
_COMMANDS: TypeAdapter[AnyCommand] = TypeAdapter(Annotated[AnyCommand, Field(discriminator="command")])
_NAMES = (
    "mount, fill, vent, pump, isolate, release, relief, drain_inlet, dry, draw_off, vessel, look, fault, shift, "
    "state, quit"
)
Facts = dict[str, Any]


def read_command(line: bytes) -> AnyCommand:
    """One line from the control socket.

    Raises:
        RigCommandError: it is no command.
    """
    try:
        return _COMMANDS.validate_json(line)
    except ValidationError as refusal:
        first = refusal.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        found = f"{place}: {first['msg']}" if place else line[:80].decode(errors="replace").strip()
        raise RigCommandError(f"'{found}'", _NAMES) from refusal


def refusal(error: BenchError) -> Facts:
    """The answer to what cannot be done."""
    return {"done": False, "error": type(error).__name__, "sentence": str(error), "remedy": error.remedy}


def handles(rig: RigPhysics) -> Facts:
    """How everything that a hand can turn stands; part of every answer."""
    return {
        "serial": rig.valve.serial if rig.valve else None,
        "side": rig.side,
        "supply": rig.supply_on,
        "vent": "open" if rig.vent_open else "closed",
        "release": "open" if rig.release_open else "closed",
        "isolated": rig.isolated,
        "pump_psi": rig.pump_psi,
        "vessel": "away" if rig.vessel_ml is None else "under",
        "burette": "open" if rig.drawing_ml > 0 else "closed",
    }


def carry_out(rig: RigPhysics, command: AnyCommand) -> Facts:
    """Do what the hands do; gives what is new to know.

    Raises:
        RigBusyError: it would be dangerous or makes no sense now.
        SizeUnknownError: the rig has no body of this size.
    """
    match command:
        case Vent() | Release() | Fill() | Pump() | Isolate() | Relief():
            _turn(rig, command)
        case Mount():
            _check_released(rig, "mount a valve")
            rig.mount(_valve_for(command))
        case DrainInlet():
            _check_mounted(rig, "drain the inlet")
            _check_released(rig, "drain the inlet")
            rig.drain_inlet()
        case Dry():
            rig.dry_outside()
        case DrawOff(ml=volume):
            _check_mounted(rig, "draw off")
            rig.draw_off(volume)
        case Vessel(position="under"):
            rig.put_vessel()
        case Vessel():
            return {"collected_ml": _take_vessel(rig)}
        case _:
            return _tell(rig, command)
    return {}


def _turn(rig: RigPhysics, command: Vent | Release | Fill | Pump | Isolate | Relief) -> None:
    match command:
        case Vent(position=position):
            if position == "open":
                _check_released(rig, "open the vent")
            rig.set_vent(is_open=position == "open")
        case Release(position=position):
            rig.release_open = position == "open"
        case Fill(on=on):
            _check_mounted(rig, "fill")
            rig.supply_on = on
        case Pump(on=on, set_psi=set_psi):
            rig.pump_psi = _pump_setting(set_psi) if on else None
        case Isolate(on=on):
            rig.isolated = on
        case Relief(set_psi=set_psi):
            rig.relief_psi = set_psi


def _tell(rig: RigPhysics, command: AnyCommand) -> Facts:
    match command:
        case Look():
            _check_mounted(rig, "look at a valve")
            return dict(rig.look())
        case ShowState():
            return {
                "at_s": rig.at_s,
                "psi": rig.psi,
                "water_ml": rig.water_ml,
                "air_ml": rig.air_ml,
                "relief_psi": rig.relief_psi,
                "ventings": rig.ventings,
            }
        case _:
            return {}


def _take_vessel(rig: RigPhysics) -> float:
    if rig.vessel_ml is None:
        raise RigBusyError("take the vessel away", "no vessel is under the inlet")
    return rig.take_vessel()


def _check_mounted(rig: RigPhysics, doing: str) -> None:
    if rig.valve is None:
        raise RigBusyError(doing, "no valve is mounted")


def _check_released(rig: RigPhysics, doing: str) -> None:
    if rig.psi > SAFE_PSI:
        raise RigBusyError(doing, f"the pressure is {rig.psi:.1f} psi, above {SAFE_PSI:.0f} psi")


def _pump_setting(set_psi: float | None) -> float:
    if set_psi is None:
        raise RigCommandError("'pump' without 'set_psi'", "pump with a set pressure in psi")
    return set_psi


def _valve_for(mount: Mount) -> MountedValve:
    known = ORDERED.get(mount.serial)
    if known is None and mount.nps is None:
        raise RigCommandError(f"'mount {mount.serial}' without 'nps'", f"{', '.join(ORDERED)} and others by their size")
    valve = known or MountedValve(mount.serial, mount.nps or "")
    return MountedValve(
        serial=mount.serial,
        nps=mount.nps or valve.nps,
        shell_leak=valve.shell_leak if mount.shell_leak_ml_h is None else Leak(mount.shell_leak_ml_h),
        seat_leak=valve.seat_leak if mount.seat_leak_ml_h is None else Leak(mount.seat_leak_ml_h),
        leaks_at=mount.leaks_at or valve.leaks_at,
        trapped=mount.trapped or valve.trapped,
    )
