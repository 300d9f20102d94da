"""A document with everything that may be attached: it agrees, it follows, and what was exchanged is found.

Two channels of which the deciding one is asked for its readings, people who signed, the checkpoint of the ledger.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from io import BytesIO
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from pikepdf import pdfa

from testbench.certificate import signing
from testbench.certificate.checking import verify_apart
from testbench.certificate.content import IssueFacts
from testbench.certificate.hands import Hands, of_persons, of_station
from testbench.certificate.issue import sealed_document, unsealed_document
from testbench.certificate.signing import certify, lock
from testbench.certificate.verify import in_words, verify
from testbench.run.record import TraceReference, canonical, sha256
from testbench.run.samples import Trace
from tests.certificate.test_tampering_two_signatures import ADDED, exchanged

NAMES = [
    "ledger-checkpoint.json", "page.json", "record.json", "signature-01-performed.json", "signature-02-released.json",
    "trace-01-shell-test-attempt-1-beside-1.csv", "trace-01-shell-test-attempt-1.csv",
    "trace-02-seat-test-attempt-1-beside-1.csv", "trace-02-seat-test-attempt-1.csv",
]  # fmt: skip


@pytest.fixture(scope="module")
def whole(bench: SimpleNamespace) -> Any:
    """The accepted NPS 4 valve with everything; the transmitter answers in 30 ms."""
    return bench.tell(bench.replace(bench.accepted_nps_4, compared=True, people=True, answered_in=300))


@pytest.fixture(scope="module")
def page(whole: Any, bench: SimpleNamespace, authority: SimpleNamespace, at: datetime) -> bytes:
    """Its certificate before anybody sealed or locked it."""
    return drawn_for(of_station(authority.station), whole, bench, at)


@pytest.fixture(scope="module")
def performed(whole: Any, bench: SimpleNamespace, authority: SimpleNamespace, at: datetime) -> bytes:
    """Certified by the operator, open for the reviewer."""
    hands = of_persons(authority.operator, authority.reviewer, authority.anchors)
    return certify(drawn_for(hands, whole, bench, at), authority.operator, at)


def drawn_for(hands: Hands, whole: Any, bench: SimpleNamespace, at: datetime) -> bytes:
    """The page that names those who are to sign it."""
    facts = IssueFacts(bench.works, at, hands.signer, hands.fingerprint, whole.signed, bench.checkpoint)
    return unsealed_document(whole.record, whole.sha256, whole.traces, facts, "A4")


def test_everything_attached_is_within_the_archive_profile(page: bytes) -> None:
    """ISO 19005-3, 6.8: each with its media type and its relationship. Outside source: pikepdf's validator."""
    report = pdfa.validate_written(BytesIO(page), "3b")
    assert (report.verdict, report.findings) == ("pass", [])
    with pikepdf.open(BytesIO(page)) as pdf:
        assert sorted(pdf.attachments) == NAMES
        assert {str(spec.UF) for spec in pdf.Root.AF} == set(NAMES)
        assert {str(spec.AFRelationship) for spec in pdf.Root.AF} == {"/Data"}


@pytest.mark.parametrize("sealed_by", ["station", "operator and reviewer"])
def test_a_document_with_everything_is_good_here_and_apart(
    sealed_by: str, page: bytes, performed: bytes, bench: SimpleNamespace, authority: SimpleNamespace, at: datetime
) -> None:
    """The child says the same to the last word: who signed, how far the ledger had come, that the verdict follows."""
    if sealed_by == "station":
        data = signing.seal(page, authority.station, at)
    else:
        data = lock(performed, authority.reviewer, at)
    found = verify(data, authority.anchors)
    assert verify_apart(data, authority.anchors) == found
    assert (found.intact, found.trusted, found.follows, found.complete, found.reasons) == (True, True, True, True, ())
    assert [one.split(",")[0] for one in found.signed] == ["performed by Mara Quill", "released by Tobin Ashe"]
    assert found.checkpoint == bench.checkpoint.text
    lines = [line[:15].strip() for line in in_words(found)]
    assert lines[-4:] == ["record", "signed", "signed", "ledger"]


@pytest.mark.parametrize("name", NAMES)
def test_a_reviewer_can_exchange_nothing_that_is_attached(
    name: str, performed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """In one revision with the reviewer's own true signature."""
    writer = signing._writer(performed)
    exchanged(writer, name, b"0", b"1")
    data = signing._signed(writer, authority.reviewer, at, "Reviewer", {}, signing.ROOM)
    found = verify(data, authority.anchors)
    assert not found.intact
    assert ADDED in found.reasons


# Judged again from every channel and every query --------------------------------------------------


def far_off(trace: Trace) -> Trace:
    """The second transmitter read 20 psi more."""
    (beside,) = trace.beside
    return replace(trace, beside=(replace(beside, counts=beside.counts + 2000),))


def silent(trace: Trace) -> Trace:
    """The second transmitter said nothing."""
    return replace(trace, beside=(Trace.of([]),))


def asked_long_before(trace: Trace) -> Trace:
    """Each reading may have been taken a minute before it came."""
    return replace(trace, asked=trace.at - 600_000)


@pytest.mark.parametrize("change", [far_off, silent, asked_long_before])
def test_findings_that_the_other_channel_or_the_queries_do_not_bear_out_do_not_follow(
    bench: SimpleNamespace, authority: SimpleNamespace, at: datetime, change: Callable[[Trace], Trace]
) -> None:
    """Whoever holds the station's key can put a finding under readings that do not give it."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, compared=True, answered_in=300))
    traces = tuple(map(change, run.traces))
    stages = tuple(_referring(stage, trace) for stage, trace in zip(run.record.stages, traces, strict=True))
    record = run.record.model_copy(update={"stages": stages})
    data = sealed_document(
        record, sha256(canonical(record)), traces, works=bench.works, paper="A4", key=authority.station, at=at
    )
    found = verify(data, authority.anchors)
    assert (found.intact, found.trusted, found.follows, found.rejudged) == (True, True, False, "inconclusive")
    assert found.reasons == (
        "The attached readings, judged again, do not give what is printed: they give inconclusive.",
    )


def _referring(stage: Any, trace: Trace) -> Any:
    """The stage under the hashes of other readings, its finding as it was."""
    own, *others = (TraceReference(samples=len(one), sha256=one.sha256()) for one in (trace, *trace.beside))
    beside = tuple(one.model_copy(update={"trace": other}) for one, other in zip(stage.beside, others, strict=True))
    return stage.model_copy(update={"trace": own, "beside": beside})
