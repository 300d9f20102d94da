"""The signatures on a page: attached, held against its record, and missed where they are owed."""

import json
from collections.abc import Callable
from io import BytesIO
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest

from testbench.certificate.content import IssueFacts, content_of
from testbench.certificate.data import statements
from testbench.certificate.issue import sealed_document, unsealed_document
from testbench.certificate.keys import StationKey, grouped, load_station_key
from testbench.certificate.languages import words
from testbench.certificate.signing import seal
from testbench.certificate.verify import in_words, verify
from testbench.procedure.valve import WitnessPoint
from testbench.run.attendance import Attendance, Attendee
from testbench.run.record import canonical
from testbench.run.signature import Meaning


@pytest.fixture(scope="module")
def key(keys: Any) -> StationKey:
    return load_station_key(keys)


@pytest.fixture(scope="module")
def people(bench: SimpleNamespace) -> Any:
    """The accepted NPS 4 valve, performed by Mara Quill and released by Tobin Ashe."""
    return bench.tell(bench.replace(bench.accepted_nps_4, people=True))


def page(bench: SimpleNamespace, run: Any, key: StationKey, at: Any, signed: Any = None) -> bytes:
    return sealed_document(
        run.record, run.sha256, run.traces, works=bench.works, paper="A4", key=key, at=at,
        signed=run.signed if signed is None else signed,
    )  # fmt: skip


def reasons(data: bytes, key: StationKey) -> tuple[str, ...]:
    return verify(data, [key.certificate]).reasons


def test_the_page_names_who_signed_and_verify_says_so(
    bench: SimpleNamespace, people: Any, key: StationKey, at: Any
) -> None:
    """Printed name, role, when, meaning, method; with the local time of the signer."""
    facts = IssueFacts(bench.works, at, key.signer, grouped(key.fingerprint), people.signed)
    closing = dict(content_of(people.record, people.sha256, people.traces, facts, words()).closing)
    assert closing["Performed by"] == "Mara Quill, operator, 2026-11-25 09:20:40 +01:00, by PIN"
    assert closing["Released by"] == "Tobin Ashe, reviewer, 2026-11-25 09:28:40 +01:00, by password"
    assert "Tested by" not in closing
    found = verify(page(bench, people, key, at), [key.certificate])
    assert (found.intact, found.trusted) == (True, True)
    clock = "clock not set since 2026-11-25T05:58:12.004Z"
    assert found.signed == (
        f"performed by Mara Quill, operator, 2026-11-25T08:20:40.321Z, by PIN; {clock}",
        f"released by Tobin Ashe, reviewer, 2026-11-25T08:28:40.321Z, by password; {clock}",
    )
    assert f"  signed       {found.signed[0]}" in in_words(found)


def test_the_signatures_lie_beside_the_record(bench: SimpleNamespace, people: Any, key: StationKey, at: Any) -> None:
    """Each as the canonical JSON that the bench keeps."""
    with pikepdf.open(BytesIO(page(bench, people, key, at))) as pdf:
        files = {name: file.get_file().read_bytes() for name, file in pdf.attachments.items()}
    assert files["signature-01-performed.json"] == canonical(people.signed[0])
    assert files["signature-02-released.json"] == canonical(people.signed[1])


def test_without_people_the_page_says_named_not_authenticated(
    bench: SimpleNamespace, accepted: Any, key: StationKey, at: Any
) -> None:
    """And is intact: nothing is owed."""
    found = verify(page(bench, accepted, key, at), [key.certificate])
    assert (found.trusted, found.signed) == (True, ())
    assert in_words(found)[-2:] == [
        "  signed       by nobody; the operator is named, not authenticated",
        "  released     by nobody; its record owes no release, for its operator was not authenticated",
    ]


def test_a_signature_of_another_run_is_found(bench: SimpleNamespace, people: Any, key: StationKey, at: Any) -> None:
    """Copied as it is, or given the other's number: the hash of the record does not fit."""
    other = bench.tell(bench.replace(bench.accepted_nps_8, people=True))
    said = "The signature of Tobin Ashe was made under another record."
    assert reasons(page(bench, people, key, at, (people.signed[0], other.signed[1])), key) == (said,)
    renamed = other.signed[1].model_copy(update={"subject_id": people.record.run})
    assert reasons(page(bench, people, key, at, (people.signed[0], renamed)), key) == (said,)
    readings = people.signed[1].model_copy(update={"trace_sha256": other.signed[1].trace_sha256})
    assert reasons(page(bench, people, key, at, (people.signed[0], readings)), key) == (
        "The signature of Tobin Ashe was made under other readings.",
    )


def test_a_certificate_owes_both_signatures_and_a_report_one(
    bench: SimpleNamespace, people: Any, key: StationKey, at: Any
) -> None:
    """Where the operator was authenticated."""
    assert reasons(page(bench, people, key, at, people.signed[:1]), key) == ("It is not signed as released.",)
    assert reasons(page(bench, people, key, at, people.signed[1:]), key) == ("It is not signed as performed.",)
    report = bench.tell(bench.replace(bench.rejected_nps_6, people=True))
    assert reasons(page(bench, report, key, at), key) == ()
    assert reasons(page(bench, report, key, at, ()), key) == ("It is not signed as performed.",)


def test_the_tester_never_releases(bench: SimpleNamespace, people: Any, key: StationKey, at: Any) -> None:
    """Also where a bench would have let it pass; and nobody else performs."""
    own = bench.signed_by(people.record, "quill", "Mara Quill", Meaning.RELEASED, 9)
    assert reasons(page(bench, people, key, at, (people.signed[0], own)), key) == (
        "Its operator has reviewed or released it.",
    )
    other = bench.signed_by(people.record, "venn", "Orla Venn", Meaning.PERFORMED, 1)
    assert reasons(page(bench, people, key, at, (other, people.signed[1])), key) == (
        "It is signed as performed by another than the operator of its record.",
    )


def test_the_printed_name_is_that_of_the_operator(
    bench: SimpleNamespace, people: Any, key: StationKey, at: Any
) -> None:
    """The page prints names, not ids; and nobody releases under a name that looks like the operator's."""
    forged = people.signed[0].model_copy(update={"printed_name": "Ada Forged"})
    assert reasons(page(bench, people, key, at, (forged, people.signed[1])), key) == (
        "It is signed as performed by Ada Forged, but its record names Mara Quill as the operator.",
    )
    alike = people.signed[1].model_copy(update={"printed_name": "MARA QUILL"})
    assert reasons(page(bench, people, key, at, (people.signed[0], alike)), key) == (
        "It is signed as released by MARA QUILL, as its operator is named.",
    )


def resealed(bench: SimpleNamespace, run: Any, key: StationKey, at: Any, change: Callable[[Any], None]) -> bytes:
    facts = IssueFacts(bench.works, at, key.signer, grouped(key.fingerprint), run.signed)
    out = BytesIO()
    with pikepdf.open(BytesIO(unsealed_document(run.record, run.sha256, run.traces, facts, "A4"))) as pdf:
        change(pdf)
        pdf.save(out)
    return seal(out.getvalue(), key, at)


@pytest.mark.parametrize(
    "change",
    [lambda data: data.replace(b'"Tobin Ashe"', b'"Tobin  Ashe"').replace(b":", b": ", 1), lambda data: b"{}",
     lambda data: json.dumps(json.loads(data) | {"more": 1}).encode()],
)  # fmt: skip
def test_a_signature_that_is_none_makes_the_page_unreadable(
    bench: SimpleNamespace, people: Any, key: StationKey, at: Any, change: Callable[[bytes], bytes]
) -> None:
    """Not in its canonical form, not whole, or with more in it."""
    name = "signature-02-released.json"

    def exchange(pdf: Any) -> None:
        data = change(pdf.attachments[name].get_file().read_bytes())
        pdf.attachments[name] = pikepdf.AttachedFileSpec(pdf, data, filename=name)

    assert not verify(resealed(bench, people, key, at, exchange), [key.certificate]).intact


def test_witness_points_are_printed(bench: SimpleNamespace, people: Any, key: StationKey, at: Any) -> None:
    """Who attended, for whom, and how notice stood; or that nobody did."""
    point = WitnessPoint(
        stage="shell test", point="witness point", party="Ellery Water Board", notify="its desk", notice_days=5
    )
    notice = "no notice to its desk is on the order; 5 days are agreed"
    ines = Attendee(name="Ines Marlow", party="Ellery Water Board")
    facts = IssueFacts(bench.works, at, key.signer, grouped(key.fingerprint), ())

    def course(*attended: Attendee) -> str:
        kept = Attendance(point=point, notice=notice, attended=attended)
        stages = (people.record.stages[0].model_copy(update={"attendance": kept}), *people.record.stages[1:])
        record = people.record.model_copy(update={"stages": stages})
        return content_of(record, people.sha256, people.traces, facts, words()).course[0]

    said = "Shell test, attempt 1: witness point of Ellery Water Board, "
    assert course(ines) == f"{said}attended by Ines Marlow, Ellery Water Board; {notice}."
    assert course() == f"{said}did not attend; {notice}."


def test_every_meaning_has_a_statement() -> None:
    """And none is there that nobody can sign."""
    assert set(statements()) == set(Meaning)
