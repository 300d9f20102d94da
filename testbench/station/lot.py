"""An order summed up from its runs: one line for each serial number. A function of values; it certifies nothing."""

from collections import Counter
from collections.abc import Container, Iterable
from dataclasses import dataclass

from testbench.procedure.serials import compared
from testbench.procedure.valve import Order
from testbench.run.record import Origin
from testbench.station.searching import FoundRun
from testbench.station.withdrawals import number_of

TO_DO = "to do"
RECALLED = "recalled"
STATES = ("accepted", "rejected", "inconclusive", "void", RECALLED, TO_DO)


@dataclass(frozen=True, slots=True)
class LotLine:
    """One serial number as its newest run left it."""

    serial: str
    product: str
    verdict: str
    """Of the newest run; void, recalled, or to do."""
    runs: int
    run: str
    """The newest."""
    day: str
    document: str
    """Number of the newest document of that run, and whether it was withdrawn; empty where there is none."""
    specimen: bool
    """Whether that run was none of a real valve: simulated or replayed."""


@dataclass(frozen=True, slots=True)
class Lot:
    """All lines of an order, as they stand on it; serial numbers that it does not name come last."""

    order: str
    customer: str
    customer_order: str
    procedures: tuple[str, ...]
    lines: tuple[LotLine, ...]

    @property
    def counts(self) -> dict[str, int]:
        """How many valves stand how."""
        found = Counter(line.verdict for line in self.lines)
        return {state: found[state] for state in STATES}


def lot_of(
    number: str,
    order: Order | None,
    runs: Iterable[FoundRun],
    recalled: Container[str] = (),
    withdrawn: Container[str] = (),
) -> Lot:
    """Sum an order up.

    Args:
        number: of the order.
        order: as it is on file; None where it is not there any more.
        runs: its runs, newest first.
        recalled: the runs that a recall in force names.
        withdrawn: numbers of documents that no longer count.
    """
    newest: dict[str, FoundRun] = {}
    count = Counter[str]()
    for run in runs:
        key = compared(run.serial)
        newest.setdefault(key, run)
        count[key] += 1
    on_file = {compared(valve.serial): valve for valve in order.valves} if order else {}
    lines = [
        _line(newest[key], count[key], recalled, withdrawn)
        if key in newest
        else LotLine(valve.serial, valve.product, TO_DO, 0, "", "", "", specimen=False)
        for key, valve in on_file.items()
    ]
    others = sorted(newest.keys() - on_file.keys())
    lines += [_line(newest[key], count[key], recalled, withdrawn) for key in others]
    procedures = {run.procedure: None for run in newest.values()} | ({order.procedure: None} if order else {})
    return Lot(
        number,
        order.customer if order else "",
        order.customer_order if order else "",
        tuple(sorted(name for name in procedures if name)),
        tuple(lines),
    )


def _line(run: FoundRun, runs: int, recalled: Container[str], withdrawn: Container[str]) -> LotLine:
    document = number_of(run.document)
    document += " withdrawn" if document in withdrawn else ""
    verdict = RECALLED if run.run in recalled else run.verdict
    return LotLine(
        run.serial, run.product, verdict, runs, run.run, run.started[:10], document,
        specimen=run.origin != Origin.LIVE.value,
    )  # fmt: skip
