"""An order summed up: each serial number once, by its newest run."""

from testbench.procedure.valve import Order
from testbench.station.lot import lot_of
from testbench.station.searching import FoundRun


def found(run: str, serial: str, verdict: str = "accepted", document: str = "", origin: str = "live") -> FoundRun:
    return FoundRun(
        run=run, started="2026-11-20T08:30:00.000+00:00", serial=serial, order="HL-2041", product="SC-4",
        procedure="waterworks-swing-check", standard="AWWA C508 2017", verdict=verdict, ended="completed", reason="",
        stages="", operator="Mara Quill", bench="B1", origin=origin, record_sha256="", document=document,
    )  # fmt: skip


ORDER = Order.model_validate({
    "number": "HL-2041",
    "customer": "Ellery Water Board",
    "procedure": "waterworks-swing-check",
    "valves": [
        {"serial": serial, "type": "swing-check", "size": "NPS 4", "rated": "250 psi", "seat": "metal"}
        for serial in ("HL-2", "HL-1", "HL-3")
    ],
})


def test_the_newest_run_tells_and_all_are_counted():
    """In the order's own sequence; capitals make no other valve; what it does not name comes last."""
    runs = [
        found("B1-4", "hl-1", document="/srv/bench1/certificates/C-B1-4_hl-1.pdf"), found("B1-3", "HL-9", "void"),
        found("B1-2", "HL-1", "rejected"), found("B1-1", "HL-2", "rejected", origin="simulated"),
    ]  # fmt: skip
    lot = lot_of("HL-2041", ORDER, runs)
    assert [(line.serial, line.verdict, line.runs, line.document, line.specimen) for line in lot.lines] == [
        ("HL-2", "rejected", 1, "", True), ("hl-1", "accepted", 2, "C-B1-4", False), ("HL-3", "to do", 0, "", False),
        ("HL-9", "void", 1, "", False),
    ]  # fmt: skip
    assert lot.counts == {"accepted": 1, "rejected": 1, "inconclusive": 0, "void": 1, "recalled": 0, "to do": 1}


def test_an_order_that_is_not_on_file_any_more():
    lot = lot_of("HL-2041", None, [found("B1-1", "HL-2")])
    assert (lot.customer, lot.procedures, len(lot.lines)) == ("", ("waterworks-swing-check",), 1)
    assert lot_of("HL-9", None, []).lines == ()


def test_a_recalled_run_and_a_withdrawn_document_are_said():
    """An acceptance that its works does not stand by is none."""
    runs = [found("B1-2", "HL-1", document="/srv/C-B1-2_HL-1.pdf")]
    (line,) = lot_of("HL-9", None, runs, {"B1-2": ("RC-B1-000001",)}, {"C-B1-2"}).lines
    assert (line.verdict, line.document) == ("recalled", "C-B1-2 withdrawn")
