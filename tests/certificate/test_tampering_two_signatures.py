"""The tamper suite of a document with two signatures: two intact, twelve changed, and what an insider could try."""

import json
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields

from testbench.certificate import pkcs12, signing
from testbench.certificate.facts import DocumentFacts
from testbench.certificate.keyring import Authority, load_person_key
from testbench.certificate.keys import StationKey
from testbench.certificate.signing import lock, seal
from testbench.certificate.verify import in_words, verify
from testbench.run.record import sha256

CHANGED = "Its content was changed after it was sealed."
ADDED = "Something was added to the file after it was sealed."
OTHERS = "It carries other signatures or fields than the one station seal, or an operator's and a reviewer's."


def updated(data: bytes, change: Callable[[Any], None]) -> bytes:
    """A revision more, as any program of today writes it."""
    writer = IncrementalPdfFileWriter(BytesIO(data))
    change(writer)
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def white_box(writer: Any) -> None:
    """Paint over the page."""
    page = writer.root["/Pages"]["/Kids"][0]
    paint = generic.StreamObject(stream_data=b"1 g 50 700 200 60 re f")
    old = page.raw_get("/Contents")
    contents = list(old) if isinstance(old, generic.ArrayObject) else [old]
    page["/Contents"] = generic.ArrayObject([*contents, writer.add_object(paint)])
    writer.update_container(page)


def annotation(writer: Any, **more: Any) -> None:
    """A square on the page."""
    page = writer.root["/Pages"]["/Kids"][0]
    told = {"/Type": "/Annot", "/Subtype": "/Square", **more}
    box = generic.DictionaryObject({generic.pdf_name(key): _value(value) for key, value in told.items()})
    box[generic.pdf_name("/Rect")] = generic.ArrayObject([generic.NumberObject(n) for n in (50, 700, 300, 760)])
    page["/Annots"] = generic.ArrayObject([*page.get("/Annots", []), writer.add_object(box)])
    writer.update_container(page)


def _value(value: Any) -> Any:
    return generic.pdf_name(value) if isinstance(value, str) else value


def attachment(writer: Any) -> None:
    """Another record in place of the first."""
    exchanged(writer, "record.json", b'"accepted"', b'"rejected"')


def exchanged(writer: Any, name: str, old: bytes, new: bytes) -> None:
    """Other bytes in an attached file."""
    names = writer.root["/Names"]["/EmbeddedFiles"]["/Names"]
    stream = names[[str(one) for one in names].index(name) + 1].get_object()["/EF"]["/F"]
    assert old in stream.data
    stream._data = stream.data.replace(old, new)
    stream._encoded_data = None
    writer.update_container(stream)


def title(writer: Any) -> None:
    """Another title; the library's difference analysis lets it pass."""
    info = writer.trailer["/Info"]
    info["/Title"] = generic.TextStringObject("Another certificate")
    writer.update_container(info)


def bit_in_the_page(data: bytes) -> bytes:
    """The longest stream is what is drawn."""
    page = max(re.finditer(rb"stream\n.*?endstream", data, re.DOTALL), key=lambda found: len(found[0]))
    return _one_bit_at(data, page.start() + 200)


def bit_in_the_objects(data: bytes) -> bytes:
    """The catalogue and the pages lie in a stream of objects."""
    return _one_bit_at(data, data.index(b"stream\n", data.index(b"/ObjStm")) + 200)


def _one_bit_at(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :]


def digit_in_the_first_signature(data: bytes) -> bytes:
    at = int(re.search(rb"/ByteRange\s*\[\s*\d+ (\d+)", data)[1]) + 900  # type: ignore[index]
    return data[:at] + (b"0" if data[at : at + 1] != b"0" else b"1") + data[at + 1 :]


def rewritten_by_qpdf(data: bytes) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        old, new = Path(folder) / "old.pdf", Path(folder) / "new.pdf"
        old.write_bytes(data)
        subprocess.run(["qpdf", "--object-streams=generate", str(old), str(new)], check=True)
        return new.read_bytes()


def rewritten_by_pikepdf(data: bytes) -> bytes:
    out = BytesIO()
    with pikepdf.open(BytesIO(data)) as pdf:
        pdf.save(out)
    return out.getvalue()


def cut_back(data: bytes) -> bytes:
    return data[: data.index(b"%%EOF\n") + 6]


TAMPERED = {
    "one bit in the page stream": (bit_in_the_page, CHANGED),
    "one bit in the objects": (bit_in_the_objects, None),
    "one digit in the first signature": (digit_in_the_first_signature, None),
    "bytes after the end": (lambda data: data + b"\n% more\n", ADDED),
    "white box painted over": (lambda data: updated(data, white_box), ADDED),
    "annotation added": (lambda data: updated(data, annotation), ADDED),
    "attachment replaced": (lambda data: updated(data, attachment), ADDED),
    "title changed": (lambda data: updated(data, title), ADDED),
    "rewritten by qpdf": (rewritten_by_qpdf, None),
    "rewritten by pikepdf": (rewritten_by_pikepdf, None),
    "cut back to the unsigned file": (cut_back, "It carries no seal."),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_whatever_is_done_to_a_locked_document_is_found(name: str, locked: bytes, authority: SimpleNamespace) -> None:
    """Ten of the twelve of the list, and one more; the other two follow. Nothing is stated of such a file."""
    tamper, reason = TAMPERED[name]
    if tamper is rewritten_by_qpdf and shutil.which("qpdf") is None:
        pytest.skip("qpdf is not installed")
    found = verify(tamper(locked), authority.anchors)
    assert (found.intact, found.trusted, found.number, found.verdict) == (False, False, "", "")
    assert reason in {None, *found.reasons}
    assert found.reasons


def test_a_seal_with_an_annotation_on_top_is_found(unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """The eleventh: certified with P = 1."""
    found = verify(updated(seal(unsealed, authority.station, at), annotation), authority.anchors)
    assert (found.intact, found.reasons[0]) == (False, ADDED)


def third_signature(locked: bytes, key: StationKey, at: datetime) -> bytes:
    """Our own functions refuse; this goes around them."""
    writer = signing._writer(locked)
    fields.append_signature_field(writer, fields.SigFieldSpec("Third"))
    return signing._signed(writer, key, at, "Third", {})


def test_a_third_signature_is_found(locked: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """The twelfth; pdfsig calls all three valid."""
    found = verify(third_signature(locked, authority.station, at), authority.anchors)
    assert not found.intact
    assert OTHERS in found.reasons


def test_the_two_intact_ones_are_called_so(
    locked: bytes, unsealed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """Fourteen of fourteen."""
    for data in (locked, seal(unsealed, authority.station, at)):
        found = verify(data, authority.anchors)
        assert (found.intact, found.trusted, found.follows) == (True, True, True)


# More, by people with a key ---------------------------------------------------------------------


def test_the_reviewers_revision_cut_off_is_not_a_reviewed_document(
    locked: bytes, certified: bytes, authority: SimpleNamespace
) -> None:
    """What remains is intact, and waits for its reviewer."""
    cut = locked[: len(certified)]
    assert cut == certified
    assert not verify(cut, authority.anchors).trusted


@pytest.mark.parametrize("change", [title, annotation, attachment, white_box])
def test_a_reviewer_cannot_change_what_the_operator_signed(
    certified: bytes, authority: SimpleNamespace, at: datetime, change: Callable[[Any], None]
) -> None:
    """The change and the reviewer's true signature in one revision."""
    writer = signing._writer(certified)
    change(writer)
    data = signing._signed(writer, authority.reviewer, at, "Reviewer", {}, signing.ROOM)
    found = verify(data, authority.anchors)
    assert not found.intact
    assert ADDED in found.reasons


@pytest.mark.parametrize("change", [title, annotation])
def test_a_revision_slipped_in_between_is_found(
    certified: bytes, authority: SimpleNamespace, at: datetime, change: Callable[[Any], None]
) -> None:
    """A reviewer who did not look signs it."""
    found = verify(lock(updated(certified, change), authority.reviewer, at), authority.anchors)
    assert not found.intact
    assert ADDED in found.reasons


@pytest.mark.parametrize("renewed", [False, True])
def test_one_person_in_both_roles_is_found(
    certified: bytes, authority: SimpleNamespace, at: datetime, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    renewed: bool,
) -> None:  # fmt: skip
    """With one certificate, or with two while one replaces the other. Our own functions refuse; this goes around."""
    key = authority.operator
    if renewed:
        monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
        shutil.copytree(authority.folder, tmp_path / "works")
        keys = tmp_path / "works" / "home" / "keys"
        Authority(keys).issue_person("Mara Quill", "Harrow Lane Valve Works", at, authority.ask)
        key = load_person_key(keys, "Mara Quill", authority.ask)
        assert key.fingerprint != authority.operator.fingerprint
    data = signing._signed(signing._writer(certified), key, at, "Reviewer", {}, signing.ROOM)
    found = verify(data, authority.anchors)
    assert found.reasons == ("One person has signed twice, as operator and as reviewer.",)


def test_a_person_alone_cannot_seal_for_the_station(unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """It would spare the reviewer."""
    found = verify(seal(unsealed, authority.operator, at), authority.anchors)
    assert (found.intact, found.trusted) == (True, False)
    assert "The certificate of Mara Quill is not made for this signature." in found.reasons


def test_the_station_is_no_reviewer(certified: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """A machine reviews nothing."""
    found = verify(lock(certified, authority.station, at), authority.anchors)
    assert (found.intact, found.trusted) == (True, False)


def test_a_reviewers_field_without_its_lock_is_found(unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """The field was prepared otherwise: nothing would forbid later changes."""
    writer = signing._writer(unsealed)
    fields.append_signature_field(writer, fields.SigFieldSpec("Reviewer"))
    told = {"certify": True, "docmdp_permissions": fields.MDPPerm.FILL_FORMS}
    fields.append_signature_field(writer, fields.SigFieldSpec("Operator"))
    first = signing._signed(writer, authority.operator, at, "Operator", told)
    both = lock(first, authority.reviewer, at)
    assert "The seal does not forbid later changes." in verify(both, authority.anchors).reasons


def test_an_operator_who_allows_annotations_is_found(unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """P = 3 instead of 2."""
    writer = signing._writer(unsealed)
    fields.append_signature_field(
        writer,
        fields.SigFieldSpec(
            "Reviewer", field_mdp_spec=fields.FieldMDPSpec(fields.FieldMDPAction.ALL),
            doc_mdp_update_value=fields.MDPPerm.NO_CHANGES,
        ),
    )  # fmt: skip
    told = {"certify": True, "docmdp_permissions": fields.MDPPerm.ANNOTATE}
    fields.append_signature_field(writer, fields.SigFieldSpec("Operator"))
    first = signing._signed(writer, authority.operator, at, "Operator", told)
    assert "The seal does not forbid later changes." in verify(first, authority.anchors).reasons


DRAWS = b"0 0 400 8 re f"


@pytest.mark.parametrize("change", ["moved", "grown", "another page", "draws", "hidden", "no appearance", "invisible"])
def test_a_field_that_does_not_lie_on_its_line_is_found(
    unsealed: bytes, authority: SimpleNamespace, at: datetime, change: str
) -> None:
    """Made so by whoever holds the station's key: a click on one line would show the signature of another."""
    writer = signing._writer(unsealed)
    _, box = signing.place_of(writer.prev, signing.FIELD)
    box = {"moved": (box[0], box[1] + 8.1, box[2], box[3] + 8.1), "grown": (0, 0, 500, 800)}.get(change, box)
    spec = fields.SigFieldSpec(signing.FIELD, box=None if change == "invisible" else box)
    fields.append_signature_field(writer, spec)
    field = writer.root["/AcroForm"]["/Fields"][0]
    if change == "another page":
        field[generic.pdf_name("/P")] = generic.IndirectObject(1, 0, writer)
    if change == "draws":
        look = generic.StreamObject(dict_data=dict(field["/AP"]["/N"]), stream_data=DRAWS)
        field["/AP"][generic.pdf_name("/N")] = writer.add_object(look)
    if change == "hidden":
        field[generic.pdf_name("/F")] = generic.NumberObject(134)
    if change == "no appearance":
        del field["/AP"]
    told = {"certify": True, "docmdp_permissions": fields.MDPPerm.NO_CHANGES}
    data = signing._signed(writer, authority.station, at, signing.FIELD, told, signing.ROOM)
    found = verify(data, authority.anchors)
    assert not found.intact
    assert "The field of the signature StationSeal does not lie on the line that names its signer." in found.reasons


def test_the_value_of_another_documents_signature_is_found(
    unsealed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """Both were sealed by the same key, a second apart."""
    one, two = (seal(unsealed, authority.station, at + timedelta(seconds=n)) for n in (0, 1))
    first, second = (int(found) for found in re.search(rb"/ByteRange\s*\[\s*0 (\d+) (\d+)", one).groups())  # type: ignore[union-attr]
    assert len(one) == len(two)
    found = verify(one[:first] + two[first:second] + one[second:], authority.anchors)
    assert not found.intact


def test_what_was_signed_by_another_key_under_the_same_certificate_is_found(
    unsealed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """The certificate is public, the key is not."""
    from testbench.certificate.authority import new_key

    real = authority.station
    forged = seal(unsealed, StationKey(new_key(), real.certificate, real.signer, real.chain), at)
    assert verify(forged, authority.anchors).reasons == ("The seal's signature is wrong.",)


# The verdict must follow ------------------------------------------------------------------------


def with_record(unsealed: bytes, change: Callable[[dict[str, Any]], None], verdict: str = "") -> bytes:
    """An unsigned document whose record was changed, hash and facts made to fit."""
    out = BytesIO()
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        record = json.loads(pdf.attachments["record.json"].get_file().read_bytes())
        change(record)
        data = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        pdf.attachments["record.json"] = pikepdf.AttachedFileSpec(pdf, data, filename="record.json")
        facts = DocumentFacts.read(str(pdf.docinfo["/Subject"]))
        assert facts is not None
        told = DocumentFacts(facts.number, facts.serial, verdict or facts.verdict, sha256(data), facts.specimen)
        pdf.docinfo["/Subject"] = told.text
        pdf.save(out)
    return out.getvalue()


def turned(record: dict[str, Any]) -> None:
    record["verdict"] = "rejected"


def loosened(record: dict[str, Any]) -> None:
    """A leakage that was too much is called little: the finding no longer fits the collection."""
    record["stages"][1]["collections"][0]["volume"] = "9 mL"


def longer_asked(record: dict[str, Any]) -> None:
    for stage in (record["stages"][0]["requirement"], record["requirements"]["stages"][0]):
        stage["hold_s"] = 3600


def unobserved(record: dict[str, Any]) -> None:
    record["stages"][0]["observations"] = []


@pytest.mark.parametrize(
    ("change", "verdict", "given"),
    [(turned, "rejected", "accepted"), (loosened, "", "rejected"), (longer_asked, "", "inconclusive"),
     (unobserved, "", "inconclusive")],
    ids=lambda value: getattr(value, "__name__", value),
)  # fmt: skip
def test_a_verdict_that_does_not_follow_is_said_although_the_seal_is_right(
    unsealed: bytes, authority: SimpleNamespace, at: datetime, change: Any, verdict: str, given: str
) -> None:
    """Whoever holds the station's key can seal a lie; the readings tell."""
    found = verify(seal(with_record(unsealed, change, verdict), authority.station, at), authority.anchors)
    assert (found.intact, found.prints, found.follows, found.rejudged) == (True, False, False, given)
    assert found.reasons[-1:] == (
        f"The attached readings, judged again, do not give what is printed: they give {given}.",
    )
    assert in_words(found)[0].startswith("DOES NOT FOLLOW: C-B1-2026-0001 for valve HL-4-0117, verdict ")


def test_a_record_of_a_later_form_is_not_called_false(
    unsealed: bytes, authority: SimpleNamespace, at: datetime
) -> None:
    """An older program cannot judge it, and says that."""
    newer = with_record(unsealed, lambda record: record.update(format=2))
    found = verify(seal(newer, authority.station, at), authority.anchors)
    assert (found.intact, found.follows, found.rejudged) == (True, False, "")
    assert found.reasons == ("Its record has a form that this version cannot judge again.",)
