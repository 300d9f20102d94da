"""Pages of a reviewer, frozen, and a desk that gives them out.

The picture of a run's page in ``reports/samples/review.png`` is drawn from them:

    python tests/tui/review_scenes.py reports/samples/review.png
"""

import asyncio
import math
import sys

from textual.widgets import DataTable, Static

from testbench.errors import BenchError
from testbench.run.nonconformity import Entry, folded
from testbench.run.recall import Recall, RecalledRun, RecallLine
from testbench.station.board import BoardLine
from testbench.station.life import DocumentLine, OrderOfValve, RunOfValve, SignatureLine, ValvePage
from testbench.station.review_models import (
    Again,
    AttemptPage,
    BoardPage,
    Done,
    DrawnTrace,
    EventLine,
    FindingLine,
    InstrumentLine,
    Limit,
    Offer,
    QueueLine,
    QueuePage,
    RunPage,
    SaidLine,
)
from testbench.tui.review import ReviewApp
from testbench.tui.widgets.said_line import SaidLine as SaidAtTheFoot

STATEMENT = (
    "I have reviewed the record of run {run} on valve HL-4-0117, verdict: accepted, and release its certificate. "
    "I did not perform this run."
)


def line(number, serial, order, verdict="accepted", **more) -> QueueLine:
    facts = {
        "run": f"B1-{number:06d}", "serial": serial, "order": order, "operator": "Mara Quill", "verdict": verdict,
        "reason": "", "started": f"2026-11-2{number}T08:30:00.000+00:00", "origin": "live",
        "waits_for": "reviewed" if verdict == "rejected" else "released", "opened": False,
    }  # fmt: skip
    return QueueLine.model_validate(facts | more)


LINES = (
    line(1, "HL-4-0117", "HL-2041", opened=True),
    line(2, "HL-6-0118", "HL-2041", "rejected"),
    line(3, "HL-6-0121", "HL-2042", opened=True),
    line(4, "HL-8-0119", "HL-2042", returned="Ines Marlow to Mara Quill: Which vessel?"),
)


def queue(order="", after="") -> QueuePage:
    lines = tuple(one for one in LINES if order in {"", one.order} and one.run > after)
    return QueuePage(reviewer="Tobin Ashe", lines=lines, orders={"HL-2041": 2, "HL-2042": 2})


def trace(top: float, limit: float, upper: float) -> DrawnTrace:
    """Raised in 10 s, settled, held for 61 s, released."""
    points = []
    for tick in range(1130):
        at = tick / 10
        raised = top * min(1.0, at / 10, max(0.0, (110 - at) / 4))
        points.append((at, round(raised - 0.004 * at + 0.04 * math.sin(tick * 1.7), 2)))
    limits = (Limit(at=limit, name="acceptance limit"), Limit(at=upper, name="upper limit"))
    return DrawnTrace(unit="psi", points=tuple(points), limits=limits, hold=(41.0, 102.0), gaps=())


def found(criterion, conformity="conforms", sentence="", **texts) -> FindingLine:
    facts = dict.fromkeys(("required", "measured", "limit", "uncertainty"), "")
    return FindingLine(criterion=criterion, conformity=conformity, sentence=sentence, **(facts | texts))


def attempts(rejected: bool) -> tuple[AttemptPage, ...]:
    channel = found(
        "instrument", sentence="Channel PT-101: calibration SCL-26-0411 in date, range covered, zero checked."
    )
    shell = (
        channel,
        found("hold", sentence="Held 61.0 s, never below 500 psi plus U = 1 psi.", required="500 psi",
              measured="509.46 psi", limit="550 psi", uncertainty="1 psi"),
        found("no-visible-leakage", sentence="No leakage was seen (body and cover, cover joint).", measured="none seen",
              limit="none", required="no visible leakage: body and cover, cover joint"),
    )  # fmt: skip
    caught = (
        ("23.56 fl_oz/h", "0.79 fl_oz/h", "does not conform")
        if rejected
        else ("0.79 fl_oz/h", "0.20 fl_oz/h", "conforms")
    )
    outcome = "above the limit" if rejected else "within the limit"
    seat = (
        channel,
        found("hold", sentence="Held 61.0 s, never below 250 psi plus U = 1 psi.", required="250 psi",
              measured="259.45 psi", limit="275 psi", uncertainty="1 psi"),
        found("largest-leakage-rate", caught[2], f"6 mL in 31.0 s is {caught[0]}; 6 fl_oz/h is allowed: {outcome}.",
              required="collected leakage", measured=caught[0], limit="6 fl_oz/h", uncertainty=caught[1]),
    )  # fmt: skip
    stages = (("shell test", shell, trace(510, 501, 550), "accepted"),
              ("seat test", seat, trace(260, 251, 275), "rejected" if rejected else "accepted"))  # fmt: skip
    beside = ("The pressure changed by -0.2580 ± 0.0063 psi/min (95 %). C was not measured.",)
    return tuple(
        AttemptPage(stage=stage, attempt=1, ended="completed", verdict=verdict, reason="", findings=findings,
                    trace=drawn, beside=beside)
        for stage, findings, drawn, verdict in stages
    )  # fmt: skip


def page(run: str, rejected: bool, **more) -> RunPage:
    no_release = f"Run {run} cannot be released: its verdict is rejected." if rejected else ""
    facts = {
        "run": run, "serial": "HL-6-0118" if rejected else "HL-4-0117",
        "valve": "swing-check NPS 6 (DN 150), metal seat",
        "order": "HL-2041", "customer": "Ellery Water Board", "procedure": "AWWA C508, waterworks-swing-check 2",
        "operator": "Mara Quill", "operator_id": "quill", "started": "2026-11-20T08:30:00.000+00:00",
        "ended": "2026-11-20T08:50:00.000+00:00", "software": "0.1.0", "specimen": False,
        "verdict": "rejected" if rejected else "accepted",
        "reason": "The seat test was rejected." if rejected else "Every demanded stage was accepted.",
        "record_sha256": "8c09853dcf5a6b66" * 4, "attempts": attempts(rejected),
        "events": (EventLine(at_s=41.0, event="steady", sentence="Steady; the hold of 60 s begins."),
                   EventLine(at_s=113.0, event="released", sentence="Pressure released.")),
        "instruments": (InstrumentLine(
            tag="PT-101", instrument="pressure transmitter 0–1000 psi", serial="T-0042", range="0.0 psi to 1000.0 psi",
            calibration="SCL-26-0411, Saltmarsh Calibration Laboratory, 2026-06-02 to 2027-06-01",
            uncertainty="U = 1.00 psi (k = 2)", state="in date on 2026-11-20, range covered, zero passed", good=True),),
        "earlier": (), "nonconformities": (),
        "said": (SaidLine(at="2026-11-20T08:55:00.000Z", who="Mara Quill, operator", what="performed", note=""),),
        "again": Again(same=True, verdict="rejected" if rejected else "accepted", sentences=()),
        "remarks": ("its verdict is rejected",) if rejected else (),
        "waits_for": "reviewed" if rejected else "released",
        "offers": (Offer(act="released", why_not=no_release, statement=STATEMENT.format(run=run)),
                   Offer(act="reviewed", statement=STATEMENT.format(run=run)), Offer(act="returned"),
                   Offer(act="nonconformity")),
    }  # fmt: skip
    return RunPage.model_validate(facts | more)


def accepted_page(run: str) -> RunPage:
    return page(run, rejected=False)


def rejected_page(run: str, *, same=True, **more) -> RunPage:
    if not same:
        sentences = ("accepted: Every demanded stage was accepted.",)
        more["again"] = Again(same=False, verdict="accepted", sentences=sentences)
    return page(run, rejected=True, **more)


NUMBER = "N-B1-000001"
OPENED = {
    "step": "opened", "run": "B1-000002", "record_sha256": "8c09853dcf5a6b66" * 4, "serial": "HL-6-0118",
    "order": "HL-2041", "customer": "Ellery Water Board", "valve": "swing-check NPS 6 (DN 150), metal seat",
    "verdict": "rejected", "reason": "The seat test was rejected.", "where": ("seat test: open inlet",),
    "findings": ("seat test: 6 mL in 31.0 s is 23.56 fl_oz/h; 6 fl_oz/h is allowed: above the limit.",),
    "origin": "live", "specimen": False,
}  # fmt: skip


def entry(number=NUMBER, by="recorder", **what) -> Entry:
    return Entry.model_validate({"number": number, "at": "2026-11-20T08:50:00.000Z", "by": by, "what": what})


def run_of_valve(run, verdict, **more) -> RunOfValve:
    facts = {
        "run": run, "started": "2026-11-20T08:30:00.000+00:00", "order": "HL-2041", "origin": "live",
        "verdict": verdict, "ended": "completed", "stages": f"shell test accepted, seat test {verdict}",
        "reason": f"The seat test was {verdict}.", "documents": (), "recalled_by": (),
        "signatures": (SignatureLine(meaning="performed", name="Mara Quill", at="2026-11-20T08:55:00.000Z"),),
    }  # fmt: skip
    return RunOfValve.model_validate(facts | more)


def life(*entries: Entry) -> ValvePage:
    """Rejected, then accepted; its first certificate is replaced, the second run recalled."""
    replaced = DocumentLine(
        kind="certificate", file="C-B1-000003_HL-6-0118.pdf", issued="2026-11-20", sha256="0" * 64,
        withdrawn="C-B1-000003 was replaced by C-B1-000003-2 on 2026-11-21 by Ines Marlow: The heat number was wrong.",
    )  # fmt: skip
    recall = Recall(
        number="RC-B1-000001", of="calibration", subject="SCL-26-0411", detail="", why="Out of tolerance.",
        at="2026-11-24T10:00:00.000Z", by="Tobin Ashe", by_id="ashe",
        runs=(RecalledRun(run="B1-000003", serial="HL-6-0118", order="HL-2041", verdict="accepted",
                          why="measured on SCL-26-0411", documents=("C-B1-000003",), record_sha256="0" * 64),),
    )  # fmt: skip
    facts = {
        "serial": "HL-6-0118",
        "orders": (OrderOfValve(
            order="HL-2041", customer="Ellery Water Board", customer_order="EWB-77", procedure="waterworks-swing-check",
            valve="swing-check NPS 6 (DN 150), metal seat", product="SC-6", drawing="D-114",
            heat_numbers="body H7781"),),
        "runs": (run_of_valve("B1-000002", "rejected"),
                 run_of_valve("B1-000003", "accepted", documents=(replaced,), recalled_by=("RC-B1-000001",))),
        "nonconformities": folded(entries or (entry(**OPENED),)),
        "recalls": (RecallLine(recall=recall),),
    }  # fmt: skip
    return ValvePage.model_validate(facts)


def order_line(order, **counts) -> BoardLine:
    facts = dict.fromkeys(("valves", "to_do", "accepted", "rejected", "inconclusive", "void", "released"), 0)
    told = {"order": order, "customer": "Ellery Water Board", "procedure": "waterworks-swing-check"}
    return BoardLine.model_validate(facts | told | counts)


COUNTED = {"valves": 9, "to_do": 1, "accepted": 5, "rejected": 1, "inconclusive": 1, "void": 1, "released": 3,
           "recalled": 2}  # fmt: skip
BOARD = BoardPage(lines=(order_line("HL-2041", **COUNTED), order_line("HL-2042", valves=2, accepted=2)))


class FakeDesk:
    """Gives pages out, notes what is asked, refuses where a test says so."""

    def __init__(self):
        self.asked, self.acts, self.pages = [], [], {}
        self.refusal: BenchError | None = None
        self.refusal_of_page: BenchError | None = None
        self.entries, self.orders = [entry(**OPENED)], BOARD

    def queue(self, order="", after=""):
        self.asked.append(("queue", order, after))
        return queue(order, after)

    def page(self, run):
        if self.refusal_of_page:
            raise self.refusal_of_page
        self.asked.append(("page", run))
        return self.pages.get(run) or (rejected_page if run == "B1-000002" else accepted_page)(run)

    def statement(self, runs):
        return tuple(f"I release {run}." for run in runs)

    def life(self, serial):
        self.asked.append(("life", serial))
        return life(*self.entries)

    def board(self):
        return self.orders

    def act(self, act):
        if self.refusal:
            raise self.refusal
        self.acts.append(act)
        if act.act == "entered":
            self.entries.append(entry(act.number, "Tobin Ashe", **act.facts))
            return Done(sentences=(f"{act.number} is {act.step}.",))
        runs = getattr(act, "runs", ()) or (act.run,)
        documents = tuple(f"C-{run}.pdf" for run in runs) if act.act == "released" else ()
        return Done(sentences=tuple(f"{run} is {act.act}." for run in runs), documents=documents)


class Hands:
    """Keys, and what stands on the screen after everything under way has ended."""

    def __init__(self, desk: FakeDesk, pilot):
        self.desk, self.pilot, self.app = desk, pilot, pilot.app

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.app.workers.wait_for_complete()
        await self.pilot.pause()
        await self.app.workers.wait_for_complete()
        await self.pilot.pause()

    async def type(self, text: str) -> None:
        await self.press(*("space" if sign == " " else sign for sign in text))

    @property
    def said(self) -> str:
        return self.app.screen.query_one(SaidAtTheFoot).said

    def cells(self, column: int) -> list[str]:
        table = self.app.screen.query_one(DataTable)
        return [str(table.get_row_at(row)[column]) for row in range(table.row_count)]

    def text(self) -> str:
        return "\n".join(str(one.content) for one in self.app.screen.query(Static))


async def svg_of(size=(132, 48)) -> str:
    """The page of a rejected run as Textual's SVG."""
    app = ReviewApp(FakeDesk())
    async with app.run_test(size=size) as pilot:
        for keys in ((), ("down", "enter")):
            await pilot.press(*keys)
            await app.workers.wait_for_complete()
            await pilot.pause()
        return app.export_screenshot()


if __name__ == "__main__":
    from tui_scenes import png_of

    png_of(asyncio.run(svg_of()), sys.argv[1])
