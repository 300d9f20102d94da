"""The queue and the page of a run as plain lines."""

from collections.abc import Iterator

from testbench.cli.output import counted
from testbench.station.review_models import AttemptPage, QueuePage, RunPage


def queue_lines(page: QueuePage) -> Iterator[str]:
    """A line for each run, and how many wait in all."""
    for line in page.lines:
        mark = "opened" if line.opened else ""
        yield (
            f"{line.run}  {line.started[:16]}  {line.serial:<20} {line.order:<12} {line.verdict:<13}"
            f"{line.waits_for:<10} {mark:<7} {line.operator}"
        )
        if line.returned:
            yield f"    returned by {line.returned}"
        if line.answered:
            yield f"    answered by {line.answered}"
    if not page.lines:
        yield "Nothing waits."
        return
    waits, listed = "waits" if page.total == 1 else "wait", len(page.lines)
    yield f"{counted(page.total, 'run')} {waits}; {listed} {'is' if listed == 1 else 'are'} listed."


def page_lines(page: RunPage) -> Iterator[str]:
    """The page of a run, its readings aside."""
    specimen = "  SPECIMEN" if page.specimen else ""
    yield f"{page.run}  {page.serial}  {page.verdict.upper()}{specimen}"
    yield f"{page.reason}"
    yield f"{page.valve}; order {page.order}, {page.customer}; {page.procedure}"
    yield f"performed by {page.operator}, {page.started} to {page.ended}, testbench {page.software}"
    yield f"record {page.record_sha256}"
    same = "The same" if page.again.same else "DIFFERS"
    yield f"Decided again from its samples: {same}. {' '.join(page.again.sentences)}".rstrip()
    for attempt in page.attempts:
        yield from _attempt_lines(attempt)
    yield "Instruments"
    for one in page.instruments:
        yield f"  {one.tag}, {one.instrument}, {one.serial}: {one.calibration}; {one.range}; {one.uncertainty}"
        yield f"    {'' if one.good else 'NOT GOOD: '}{one.state}"
    yield "Events"
    for event in page.events:
        yield f"  {event.at_s:8.1f} s  {event.sentence}"
    yield from _said_lines(page)
    for number in page.nonconformities:
        yield f"Nonconformity {number}"
    yield f"To look at: {'; '.join(page.remarks)}." if page.remarks else "Clean: nothing wants a look of its own."
    for offer in page.offers:
        yield f"  {offer.act}: {offer.why_not or 'may be done'}"


def _said_lines(page: RunPage) -> Iterator[str]:
    for title, lines in (("Earlier runs of this valve", page.earlier), ("Signed and said", page.said)):
        yield title
        for line in lines:
            yield f"  {line.at}  {line.who}: {line.what}. {line.note}".rstrip().replace("    ", "  ")
        if not lines:
            yield "  none"


def _attempt_lines(attempt: AttemptPage) -> Iterator[str]:
    yield f"{attempt.stage}, attempt {attempt.attempt}: {attempt.ended}, {attempt.verdict} {attempt.reason}".rstrip()
    for found in attempt.findings:
        yield f"  {found.conformity:<22} {found.criterion}: {found.sentence}"
    for sentence in attempt.beside:
        yield f"  {'':<22} {sentence}"
