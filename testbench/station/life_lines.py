"""The life of a valve in lines of text: the same for the command line and for a screen. Decides nothing."""

from collections.abc import Iterator
from dataclasses import dataclass

from testbench.run.nonconformity import Attached, Closed, Disposed, Nonconformity, Noted, Retested, Reworked, What
from testbench.run.recall import RecallLine
from testbench.station.life import RunOfValve, ValvePage


@dataclass(frozen=True, slots=True)
class Part:
    """Lines that belong together, and what they tell of."""

    lines: tuple[str, ...]
    run: RunOfValve | None = None
    nonconformity: Nonconformity | None = None


def parts_of(page: ValvePage) -> Iterator[Part]:
    """The page from its orders down: runs, nonconformities, recalls."""
    yield Part((f"Valve {page.serial}", *_orders(page)))
    for run in page.runs:
        yield Part(run_lines(run), run=run)
    if not page.runs:
        yield Part(("Not tested yet.",))
    for found in page.nonconformities:
        yield Part(nonconformity_lines(found), nonconformity=found)
    for line in page.recalls:
        yield Part((_recall(line),))


def _orders(page: ValvePage) -> Iterator[str]:
    for order in page.orders:
        yield f"Order {order.order} for {order.customer} (theirs: {order.customer_order}), {order.procedure}"
        yield f"  {order.valve}; {order.product}, drawing {order.drawing}; {order.heat_numbers}"
    if not page.orders:
        yield "On no order that is on file."
    yield from (f"REFUSED {one}" for one in page.refused)


def run_lines(run: RunOfValve) -> tuple[str, ...]:
    """A run as a person reads it."""
    origin = "" if run.origin == "live" else f" ({run.origin})"
    verdict = run.verdict if run.verdict != "void" else f"void ({run.ended})"
    recalled = f"  RECALLED by {', '.join(run.recalled_by)}" if run.recalled_by else ""
    documents = {
        f"  {one.kind}: {one.file}": f"  WITHDRAWN: {one.withdrawn}" if one.withdrawn else "" for one in run.documents
    }
    return (
        f"Run {run.run}  {run.started[:16]}{origin}: {verdict}. {run.reason}{recalled}",
        f"  {run.stages}",
        *(f"  {one.meaning} by {one.name} at {one.at[:16]}" for one in run.signatures),
        *(line for pair in documents.items() for line in pair if line),
    )


def _recall(line: RecallLine) -> str:
    state = "in force" if line.lifted is None else f"lifted on {line.lifted.at[:10]}: {line.lifted.why}"
    named = ", ".join(run.run for run in line.recall.runs)
    return f"Recall {line.recall.number} of {named}: {line.recall.why.rstrip('.')}; {state}"


def nonconformity_lines(found: Nonconformity) -> tuple[str, ...]:
    """A nonconformity as a person reads it."""
    opened = found.opened
    return (
        f"{found.number}: {found.standing}" + ("  (of a trial: SPECIMEN)" if opened.specimen else ""),
        f"  {opened.serial}: {opened.valve}; order {opened.order} for {opened.customer}",
        f"  run {opened.run}: {opened.verdict or 'void'}. {opened.reason}",
        *(f"  leaked at {place}" for place in opened.where),
        *(f"  {finding}" for finding in opened.findings),
        *([f"  {opened.why}"] if opened.why else []),
        *(f"  {entry.at[:16]}  {entry.by}: {_said(entry.what)}" for entry in found.entries),
    )


def _said(what: What) -> str:
    match what:
        case Noted():
            return f"note: {what.text}"
        case Attached():
            return f"attachment {what.attachment}: {what.name}, {what.media_type}, {what.size} bytes, {what.sha256}"
        case Disposed():
            granted = f", granted by {what.authority} ({what.reference})" if what.authority else ""
            return f"disposition: {what.disposition}{granted}. {what.why}"
        case Reworked():
            return f"rework: {what.done} Disturbed: {', '.join(what.disturbed)}."
        case Retested():
            return f"retest in run {what.run}: {what.verdict or 'void'}. {what.reason}"
        case Closed():
            return f"closed: {what.why}"
        case _:
            return "opened"
