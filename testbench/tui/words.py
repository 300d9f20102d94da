"""What the large type says: state, pressure, time. Functions of an update and of what the link says, nothing else."""

import math
from dataclasses import dataclass, replace

from testbench.run.machine import Phase
from testbench.station.messages import StageView, Update
from testbench.tui.conversation import Mode
from testbench.tui.palette import SKY, VERMILLION, WHITE, YELLOW

SILENT_AFTER_S = 1.0
"""A recorder that says nothing for this long is not believed any more; it speaks several times a second."""
AGE_FROM_S = 0.5


@dataclass(frozen=True, slots=True)
class Band:
    """The state in a word, a shape and a fill."""

    word: str
    shape: str
    fill: str
    beside: tuple[str, ...] = ()
    """One or two short words at the right: the stage."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """The number and what it is measured against; or why there is none."""

    caption: str
    number: str
    unit: str
    missing: str = ""
    """Set where the number is blanked: what is wrong, in block type."""
    why: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside the pressure: a time, a rate, or which valve it is."""

    caption: str
    number: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Heard:
    """How the link stands."""

    connected: bool
    silent_s: float
    """Since the newest update [s]."""

    @property
    def gone(self) -> bool:
        """Whether what is shown can no longer be believed."""
        return not self.connected or self.silent_s > SILENT_AFTER_S


_PHASES = {
    Phase.FILLING: ("Filling", "fill", SKY),
    Phase.PRESSURIZING: ("Pressurizing", "up", SKY),
    Phase.STABILIZING: ("Stabilizing", "settle", SKY),
    Phase.BLEEDING: ("Measure C", "fill", SKY),
    Phase.HOLDING: ("Holding", "hold", YELLOW),
    Phase.OBSERVING: ("Observe", "look", WHITE),
    Phase.RELEASING_TO_VENT: ("Release to vent", "down", SKY),
    Phase.DEPRESSURIZING: ("Depressurizing", "down", SKY),
}
_FOUND = {
    "accepted": ("Accepted", "accepted", SKY),
    "rejected": ("Rejected", "rejected", VERMILLION),
    "inconclusive": ("Inconclusive", "undecided", WHITE),
    "void": ("Void", "void", VERMILLION),
}
_ASKING = {
    Mode.VALVE: Band("Choose", "choose", WHITE, ("next", "valve")),
    Mode.OPERATOR: Band("Choose", "choose", WHITE, ("next", "valve")),
    Mode.VOLUME: Band("Volume", "fill", WHITE),
    Mode.PIN: Band("PIN", "choose", WHITE, ("who", "are you")),
    Mode.UNSIGNED: Band("Choose", "choose", WHITE, ("which", "run")),
    Mode.ATTENDING: Band("Choose", "choose", WHITE, ("who", "attends")),
}
_ENDED = {"stopped": "Stopped", "tripped": "Tripped", "lost": "Signal lost"}


def band(update: Update | None, heard: Heard, mode: Mode) -> Band:
    """The state band."""
    if update is None or heard.gone:
        return Band("No recorder", "warning", VERMILLION) if heard.gone else Band("Connecting", "settle", WHITE)
    if update.signal.state == "lost":
        return Band("No signal", "warning", VERMILLION, _stage_words(update.stage))
    if mode in _ASKING:
        return replace(asking := _ASKING[mode], beside=asking.beside or _stage_words(update.stage))
    if update.run is not None and not update.run.open:
        return Band(*_FOUND[update.run.verdict or "void"], (update.run.serial,))
    if update.run is None or update.stage is None:
        return Band("Ready", "choose", WHITE)
    return _stage_band(update.stage)


def _stage_band(stage: StageView) -> Band:
    beside = _stage_words(stage)
    note = f"attempt {stage.attempt}" if stage.attempt > 1 else ""
    if stage.phase is Phase.CLOSED:
        return Band(*_FOUND[stage.finding.verdict if stage.finding else "void"], beside, note)
    if stage.ended in _ENDED:
        return Band(_ENDED[stage.ended], "down", VERMILLION, beside, note)
    return Band(*_PHASES[stage.phase], beside, note)


def _stage_words(stage: StageView | None) -> tuple[str, ...]:
    return tuple(stage.stage.split(" ")[:2]) if stage is not None else ()


def reading(update: Update | None, heard: Heard) -> Reading:
    """The pressure; blank as soon as it is not known."""
    if heard.gone:
        silent = "" if update is None else f" {heard.silent_s:.0f} s"
        why = "The recorder does not answer; what was recorded is kept. The screen tries again by itself."
        return Reading("pressure not known", "", "", f"No recorder{silent}", why)
    if update is None:
        return Reading("", "", "")
    signal = update.signal
    caption, detail = _against(update)
    age = None if signal.age_s is None else signal.age_s + heard.silent_s
    if signal.state != "good" or signal.pressure is None:
        since = "" if age is None else f" {age:.1f} s"
        return Reading(caption, "", signal.unit, f"No reading{since}", signal.sentence, detail)
    late = f"last reading {age:.1f} s ago   " if age is not None and age > AGE_FROM_S else ""
    number = f"{signal.pressure:.{signal.decimals}f}"
    return Reading(caption, number, signal.unit, detail=late + detail)


def _against(update: Update) -> tuple[str, str]:
    stage, unit, decimals = update.stage, update.signal.unit, update.signal.decimals
    if stage is None or stage.phase is Phase.CLOSED:
        return unit, ""
    low, high = short(stage.acceptance_limit, decimals), short(stage.upper_limit, decimals)
    if stage.phase in {Phase.DEPRESSURIZING, Phase.RELEASING_TO_VENT}:
        caption = f"{unit}  safe below {short(stage.safe_below, decimals)}"
    elif stage.phase is Phase.FILLING:
        caption = f"{unit}  vent open"
    elif stage.phase is Phase.BLEEDING:
        caption = f"{unit}  drawn down"
    elif stage.phase is Phase.PRESSURIZING:
        caption = f"{unit}  to {low}–{high}"
    else:
        caption = f"{unit}  keep {low}–{high}"
    return caption, _detail(stage, unit, decimals)


def _detail(stage: StageView, unit: str, decimals: int) -> str:
    parts = [f"required {short(stage.required, decimals)} {unit}"]
    if stage.lowest_in_hold is not None:
        parts.append(f"lowest in the hold {stage.lowest_in_hold:.{decimals}f}")
    if stage.restarts:
        parts.append(f"hold begun again {stage.restarts} ×")
    if stage.change_per_min is not None and stage.phase in {Phase.STABILIZING, Phase.HOLDING}:
        parts.append(f"change {stage.change_per_min:+.1f} {unit}/min")
    return "   ".join(parts)


def beside(update: Update | None, heard: Heard, mode: Mode) -> Beside:
    """What stands beside the pressure."""
    if update is None or heard.gone:
        return Beside("", "")
    if update.run is None or mode in {Mode.VALVE, Mode.OPERATOR}:
        return Beside("", "", update.instruction)
    stage, run = update.stage, update.run
    valve = Beside("", run.serial, run.valve)
    if stage is None or not run.open:
        return valve
    if stage.phase is Phase.STABILIZING:
        return _steadiness(stage, update.signal.unit)
    return _time(stage) if stage.phase is Phase.HOLDING else valve


def _time(stage: StageView) -> Beside:
    if stage.collecting_s is not None:
        return Beside("collect", clock(stage.collect_left_s or 0.0), _hold_left(stage))
    if stage.collect_left_s:
        return Beside("drain", clock(stage.collect_left_s), _hold_left(stage))
    return Beside("time left", clock(stage.hold_left_s or 0.0), f"of {clock(stage.hold_s)}")


def _hold_left(stage: StageView) -> str:
    return f"hold {clock(stage.hold_left_s or 0.0)} left of {clock(stage.hold_s)}"


def _steadiness(stage: StageView, unit: str) -> Beside:
    limit = short(stage.change_limit_per_min, 1)
    bound = stage.change_bound_per_min
    # Rounded up: the number shown never claims to be steadier than it is.
    shown = "––" if bound is None else f"{math.ceil(bound * 10) / 10:.1f}"
    return Beside(f"change ≤{limit}", shown, f"{unit}/min, uncertainty included")


def clock(seconds: float) -> str:
    """Minutes and seconds, rounded up: 0:00 is shown only when nothing is left."""
    whole = math.ceil(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def short(number: float, decimals: int) -> str:
    """A limit without the zeros at its end."""
    text = f"{number:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
