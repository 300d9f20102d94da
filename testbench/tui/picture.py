"""Everything that the widgets show, worked out from the newest update. Functions only."""

import math

from testbench.run.machine import Phase
from testbench.station.messages import ChannelBeside, StageView, Update
from testbench.tui.conversation import Conversation, Mode
from testbench.tui.trace_memory import TraceMemory, joined
from testbench.tui.widgets.findings import Found, FoundLine
from testbench.tui.widgets.guidance import Advice
from testbench.tui.widgets.status import Status
from testbench.tui.widgets.trace import Line, Trace
from testbench.tui.words import Heard, clock, short

SMALLEST = (80, 24)
"""Columns and rows; in a smaller window the instruction would lose its end."""
LARGE_FROM_COLUMNS, LARGE_FROM_ROWS = 110, 34
"""From here on the large type is used; the stylesheet does the same by its classes."""
ROWS_TAKEN_LARGE, ROWS_TAKEN_SMALL = 6 + 12 + 3 + 2, 4 + 6 + 2 + 2
"""Band, numbers, keys and status, as the stylesheet has them."""
LEAST_TRACE_ROWS = 5
LEAST_FINDING_ROWS = 7
WINDOW_S = 120.0
"""How much of the past is shown outside the hold."""
BRIDGED_S = 1.0
"""Columns without a sample are bridged over this long; a longer silence stays empty."""
_ZOOMED = {Phase.STABILIZING, Phase.HOLDING, Phase.OBSERVING}
_CRAMPED = {Phase.PRESSURIZING, Phase.STABILIZING, Phase.BLEEDING, Phase.HOLDING}
"""Here the trace needs the room more than the words."""


def shows_findings(update: Update | None) -> bool:
    """Whether a stage or the run has come to its end and there is something to read."""
    if update is None or update.run is None:
        return False
    return not update.run.open or (update.stage is not None and update.stage.phase is Phase.CLOSED)


def shows_trace(update: Update | None) -> bool:
    """Whether the trace is worth its room: while a stage is under way, except while it is being filled."""
    if update is None or update.stage is None or shows_findings(update):
        return False
    return update.stage.phase is not Phase.FILLING


def advice(update: Update | None, talk: Conversation, heard: Heard, size: tuple[int, int]) -> Advice:
    """Instruction and cautions, with the rows that the phase can spare for them."""
    if update is None or heard.gone:
        wait = "Waiting for the recorder."
        known = () if update is None else update.cautions
        return Advice(wait, known, talk.said)
    if size[0] < SMALLEST[0] or size[1] < SMALLEST[1]:
        return Advice(f"Make the window larger: at least {SMALLEST[0]} × {SMALLEST[1]}.", update.cautions, talk.said, 1)
    phase = update.stage.phase if update.stage is not None else None
    spare = spare_rows(size) - len(update.cautions)
    if talk.mode is not Mode.WATCHING:
        return Advice("", update.cautions if update.stage is not None else (), talk.said, 4)
    if shows_findings(update):
        spare -= LEAST_FINDING_ROWS
    elif phase in _CRAMPED:
        spare -= LEAST_TRACE_ROWS
    return Advice(update.instruction, update.cautions, talk.said, max(2, spare))


def spare_rows(size: tuple[int, int]) -> int:
    """Rows of a screen (columns, rows) that are left between the numbers and the keys."""
    columns, rows = size
    large = columns >= LARGE_FROM_COLUMNS and rows >= LARGE_FROM_ROWS
    return rows - (ROWS_TAKEN_LARGE if large else ROWS_TAKEN_SMALL)


def trace(update: Update | None, memory: TraceMemory, columns: int) -> Trace:
    """The trace of the moment: the whole hold while holding, else the last two minutes."""
    if update is None or update.stage is None:
        return Trace((), (), zoomed=False, caption="")
    stage = update.stage
    decimals = update.signal.decimals
    if stage.phase is Phase.HOLDING:
        since = update.at_s - stage.phase_s
        until = since + max(float(stage.hold_s), stage.phase_s)
        raster = since
        caption = f"hold of {clock(stage.hold_s)}"
    else:
        # It fills from the left, then moves.
        first = memory.points[0][0] if memory.points else update.at_s
        since = max(update.at_s - WINDOW_S * (1 - 1 / columns), first)
        until, raster = since + WINDOW_S, 0.0
        caption = f"{clock(WINDOW_S)} wide"
    step = (until - since) / columns
    found = joined(memory.columns(since, until, columns, raster), math.ceil(BRIDGED_S / step))
    return Trace(tuple(found), _lines(stage, decimals), zoomed=stage.phase in _ZOOMED, caption=caption)


def _lines(stage: StageView, decimals: int) -> tuple[Line, ...]:
    limit = Line(stage.acceptance_limit, short(stage.acceptance_limit, decimals), "limit")
    upper = Line(stage.upper_limit, short(stage.upper_limit, decimals), "upper")
    if stage.phase in {Phase.DEPRESSURIZING, Phase.RELEASING_TO_VENT}:
        return (Line(stage.acceptance_limit, short(stage.acceptance_limit, decimals), ""),
                Line(stage.safe_below, short(stage.safe_below, decimals), "safe"))  # fmt: skip
    return (limit, upper)


def findings(update: Update | None) -> Found:
    """The reasons of a verdict: of the whole run once it is closed, else of the stage."""
    if update is None or update.run is None:
        return Found("", ())
    run, stage = update.run, update.stage
    if not run.open:
        lines = tuple(FoundLine(one.state, one.stage, one.sentence) for one in run.stages)
        return Found(run.sentence, lines, run.document)
    if stage is None:
        return Found("", ())
    if stage.finding is None:
        return Found(stage.reason or "The stage is void.", ())
    # What decided against the valve comes first: the list may be longer than the room.
    decisions = stage.decisions or ("",) * len(stage.finding.criteria)
    judged = sorted(
        zip(stage.finding.criteria, decisions, strict=True), key=lambda pair: pair[0].conformity == "conforms"
    )
    lines = tuple(
        FoundLine(one.conformity, one.criterion.replace("-", " "), f"{one.sentence} {decision}".strip())
        for one, decision in judged
    )
    return Found(f"The {stage.stage} is {stage.finding.verdict}.", lines)


def asked_limit(update: Update | None) -> str:
    """What is asked of the collected leakage."""
    if update is None or update.stage is None:
        return ""
    return next((one.words for one in update.stage.criteria if one.kind == "largest-leakage-rate"), "")


def _beside(channel: ChannelBeside) -> str:
    """Another pressure channel, small: it decides nothing, and what is wrong with it is said in a notice."""
    signal = channel.signal
    if signal.pressure is None:
        return f"{channel.tag} no reading"
    return f"{channel.tag} {signal.pressure:.{signal.decimals}f} {signal.unit}"


def status(update: Update | None) -> Status:
    """Bench, run, time, and the newest notice."""
    if update is None:
        return Status("", "live", "")
    run = update.run
    parts = [f"bench {update.bench}", *(_beside(channel) for channel in update.beside)]
    if run is not None:
        parts += [run.run, f"{run.order} {run.customer}", run.serial, run.operator]
    if update.water_degc is not None:
        parts.append(f"water {update.water_degc:.1f} °C")
    notice = update.notices[-1] if update.notices else None
    time_of_day = update.utc[11:19]
    return Status(
        "   ".join(parts), update.origin, f"{time_of_day} UTC",
        notice.sentence if notice else "", grave=notice.grave if notice else False,
    )  # fmt: skip
