"""What ISO/IEC 17025:2017, 7.8.2 and EN 10204:2004 ask of a page, item by item, against pages as they are drawn.

The sense of the items is from memory; the table stands in DEVELOPERS.md, and this test reads it there.
"""

import re
import string
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts, content_of
from testbench.certificate.data import layout
from testbench.certificate.languages import words
from testbench.certificate.page import draw
from testbench.procedure.stages import StageName
from testbench.procedure.valve import CertificateType
from testbench.run.mentioned import Mentioned
from testbench.run.nonconformity import Disposition, Part, Standing
from testbench.run.record import EarlierRun, Origin, Verdict, canonical, sha256
from testbench.run.signature import Meaning

BOOK = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
ITEMS = [f"7.8.2.1 {letter}" for letter in string.ascii_lowercase[:16]] + ["7.8.2.2", "2.1", "2.2", "3.1", "3.2"]
ITEMS.insert(14, "earlier")


def rows() -> dict[str, tuple[str, ...]]:
    """Item → the texts that must stand on the page."""
    table = BOOK.split("<!-- coverage -->")[1].split("\n\n")[0]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.strip().splitlines()[2:]]
    return {item: tuple(re.findall(r"`([^`]+)`", texts)) for item, _, _, texts in cells}


def told(
    bench: SimpleNamespace, run: Any, kind: str | None, signed: Any = None, language: str = "en",
    nonconformities: tuple[Mentioned, ...] = (),
) -> str:  # fmt: skip
    asked = None if kind is None else CertificateType(kind)
    record = run.record.model_copy(update={"certificate_type": asked})
    at = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
    people = run.signed if signed is None else signed
    facts = IssueFacts(bench.works, at, "Station seal", "A1B2", people, nonconformities=nonconformities)
    found = content_of(record, sha256(canonical(record)), run.traces, facts, words(language))
    pages = PdfReader(BytesIO(draw(found, layout(), words(language), "A4"))).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


CLOSED_BY_RETEST = Mentioned(
    number="N-B1-000001", run="B1-2026-0000", standing=Standing.PASSED, disposition=Disposition.REWORK,
    worked_on=(Part.SEAT,), retest="B1-2026-0001", retest_verdict=Verdict.ACCEPTED,
)  # fmt: skip


def retested(run: Any) -> Any:
    """The same run with an earlier one that was rejected."""
    earlier = EarlierRun(run="B1-2026-0000", record_sha256="0" * 64, verdict=Verdict.REJECTED, reason="Leakage.")
    record = run.record.model_copy(update={"earlier": (earlier,)})
    return SimpleNamespace(record=record, traces=run.traces, signed=run.signed)


@pytest.fixture(scope="module")
def live(bench: SimpleNamespace) -> Any:
    return bench.tell(bench.replace(bench.accepted_nps_4, origin=Origin.LIVE, people=True))


def test_the_table_names_every_item() -> None:
    """a to p, the paragraph on the customer's data, and the four types."""
    assert list(rows()) == ITEMS
    assert all(rows().values())


@pytest.mark.parametrize("item", ITEMS)
def test_an_item_stands_on_the_page(bench: SimpleNamespace, live: Any, item: str) -> None:
    """Each of its texts; a page of the type of EN 10204, or of a valve that was rejected before, where the item is."""
    run, known = (retested(live), (CLOSED_BY_RETEST,)) if item == "earlier" else (live, ())
    page = told(bench, run, item if item in set(CertificateType) else None, nonconformities=known)
    assert [text for text in rows()[item] if text not in page] == []


def test_a_missing_item_would_be_seen(bench: SimpleNamespace, live: Any) -> None:
    """The texts of a type are not there unless the order asks for it."""
    page = told(bench, live, None)
    assert all(any(text not in page for text in rows()[kind]) for kind in CertificateType)
    assert "EN 10204" not in page


# EN 10204 ---------------------------------------------------------------------------------------


def test_31_that_nobody_validated_says_that_it_is_none(bench: SimpleNamespace, live: Any) -> None:
    """Only whoever released the run, who never performed it, counts."""
    performed = [one for one in live.signed if one.meaning is Meaning.PERFORMED]
    page = told(bench, live, "3.1", performed)
    assert "Nobody has validated it: as it stands this page is no inspection certificate." in page
    assert "Validated by" not in page
    assert "inspection certificate 3.1 (EN 10204:2004); this page is none, see EN 10204" in page


def test_32_without_a_witness_says_so_where_it_is_named_first(bench: SimpleNamespace, live: Any) -> None:
    """Whoever reads the head alone is not told that it is one; with the witness, and for 3.1, nothing is held back."""
    reserve = "this page is none, see EN 10204"
    witness = bench.signed_by(live.record, "vane", "Orla Vane", Meaning.WITNESSED, 20)
    assert f"inspection certificate 3.2 (EN 10204:2004); {reserve}" in told(bench, live, "3.2")
    assert reserve not in told(bench, live, "3.2", (*live.signed, witness))
    assert reserve not in told(bench, live, "3.1")


def test_32_names_the_witness_who_signed(bench: SimpleNamespace, live: Any) -> None:
    """That this is the purchaser's inspector the page cannot show, and says so."""
    witness = bench.signed_by(live.record, "vane", "Orla Vane", Meaning.WITNESSED, 20)
    page = told(bench, live, "3.2", (*live.signed, witness))
    assert "Attended and signed by Orla Vane. That this is the purchaser's inspector" in page
    assert "No inspector of the purchaser has signed" not in page


@pytest.mark.parametrize("language", ["en", "de", "es"])
@pytest.mark.parametrize("kind", list(CertificateType))
def test_a_rejected_valve_gets_none_of_them(bench: SimpleNamespace, kind: CertificateType, language: str) -> None:
    """The page names what the order asks for, and declares nothing."""
    run = bench.tell(bench.replace(bench.rejected_nps_6, origin=Origin.LIVE, people=True))
    page, said = told(bench, run, kind, language=language), words(language)
    named = said("document.value", type=said(f"document.type_{kind.replace('.', '')}"))
    assert said("document.rejected", type=named) in page
    assert said(f"document.says_{kind.replace('.', '')}", validated="", inspected="").split(":")[0] not in page


def test_tests_that_the_order_left_out_are_named(bench: SimpleNamespace, live: Any) -> None:
    """An exclusion from the method is told (7.8.2.1 n)."""
    asked = live.record.requirements.model_copy(update={"left_out": (StageName.BACKSEAT,)})
    record = live.record.model_copy(update={"requirements": asked})
    page = told(bench, SimpleNamespace(record=record, traces=live.traces, signed=live.signed), None)
    assert "Left to the order, and not asked for: backseat test." in page
