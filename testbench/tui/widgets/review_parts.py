"""The parts of a run's page below its verdict, as text and tables."""

from collections.abc import Iterator

from rich.table import Table
from rich.text import Text

from testbench.station.review_models import AttemptPage, RunPage, SaidLine
from testbench.tui.palette import CAUTION, DIM, SKY, VERMILLION, WHITE, YELLOW

MARKS = {
    "conforms": ("✓", SKY),
    "does not conform": ("✗", VERMILLION),
    "within the guard band": ("?", YELLOW),
    "accepted": ("✓", SKY),
    "rejected": ("✗", VERMILLION),
    "inconclusive": ("?", YELLOW),
    "void": ("∅", VERMILLION),
}


def facts(page: RunPage) -> Text:
    """What the run is, and what of it wants a look of its own."""
    text = Text()
    text.append(f"{page.reason}\n", style="bold")
    for attempt in page.attempts:
        for one in attempt.findings:
            if one.conformity != "conforms":
                text.append(f"{attempt.stage}, attempt {attempt.attempt}: {one.sentence}\n", style=f"bold {VERMILLION}")
    text.append(f"{page.customer}   {page.procedure}\n")
    text.append(
        f"performed by {page.operator}, {page.started[:19]} to {page.ended[:19]} UTC, testbench {page.software}\n"
    )
    text.append(f"record {page.record_sha256}\n", style=DIM)
    if page.remarks:
        text.append(f" To look at: {'; '.join(page.remarks)}. ", style=CAUTION)
    else:
        text.append("Clean: nothing wants a look of its own.", style=SKY)
    for sentence in page.again.sentences:
        text.append(f"\n Decided now: {sentence} ", style=CAUTION)
    for number in page.nonconformities:
        text.append(f"\n Nonconformity {number} ", style=CAUTION)
    return text


def attempt_title(attempt: AttemptPage) -> Text:
    """Stage, attempt, verdict."""
    mark, colour = MARKS.get(attempt.verdict, ("·", WHITE))
    text = Text(f"{mark} ", style=f"bold {colour}")
    text.append(f"{attempt.stage}, attempt {attempt.attempt}: {attempt.ended}, {attempt.verdict} {attempt.reason}")
    return text


def findings(attempt: AttemptPage) -> Table:
    """Each criterion against its limit."""
    table = _table("", "criterion", "", "measured", "U (k = 2)", "limit", "required")
    for one in attempt.findings:
        mark, colour = MARKS.get(one.conformity, ("·", WHITE))
        cells = (one.criterion, one.conformity, one.measured, one.uncertainty, one.limit, one.required)
        table.add_row(Text(mark, style=f"bold {colour}"), *map(Text, cells))
    return table


def words(attempt: AttemptPage) -> Text:
    """The findings in words, and what was seen beside the criteria."""
    text = Text()
    for one in attempt.findings:
        _, colour = MARKS.get(one.conformity, ("·", WHITE))
        text.append(f"{one.sentence}\n", style="" if one.conformity == "conforms" else f"bold {colour}")
    return text.append("\n".join(attempt.beside), style=DIM)


def tables(page: RunPage) -> Iterator[tuple[str, Table | Text]]:
    """Instruments, earlier runs, what was signed and said, events; each with its title."""
    instruments = _table("", "channel", "instrument", "calibration", "range", "U", "state that day")
    for one in page.instruments:
        mark, colour = ("✓", SKY) if one.good else ("✗", VERMILLION)
        cells = (one.tag, f"{one.instrument}, {one.serial}", one.calibration, one.range, one.uncertainty, one.state)
        instruments.add_row(Text(mark, style=f"bold {colour}"), *map(Text, cells))
    yield "Instruments", instruments
    yield "Earlier runs of this valve", _said(page.earlier)
    yield "Signed and said", _said(page.said)
    events = _table("s", "event", "")
    for event in page.events:
        events.add_row(Text(f"{event.at_s:.1f}"), Text(event.event), Text(event.sentence))
    yield "Events", events if page.events else Text("none", style=DIM)


def _said(lines: tuple[SaidLine, ...]) -> Table | Text:
    if not lines:
        return Text("none", style=DIM)
    table = _table("", "", "", "")
    for line in lines:
        grave = "bold " + VERMILLION if "DOES NOT" in line.note else ""
        table.add_row(Text(line.at[:19]), Text(line.who), Text(line.what), Text(line.note, style=grave))
    return table


def _table(*headers: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=any(headers), header_style=DIM)
    for header in headers:
        table.add_column(header, overflow="fold")
    return table
