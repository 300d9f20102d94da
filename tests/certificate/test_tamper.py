"""Every way we know to change a sealed document, each judged right; and two intact ones."""

import re
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pypdf import PdfWriter

from testbench.certificate.content import IssueFacts
from testbench.certificate.issue import sealed_document, unsealed_document
from testbench.certificate.keys import StationKey, grouped, load_station_key, make_station_key
from testbench.certificate.signing import seal
from testbench.certificate.verify import LARGEST_FILE, Signature, Verification, verify

CHANGED = "Its content was changed after it was sealed."
ADDED = "Something was added to the file after it was sealed."
NO_SEAL = "It carries no seal."


@pytest.fixture(scope="session")
def key(keys: Path) -> StationKey:
    return load_station_key(keys)


def judged(data: bytes, key: StationKey) -> Verification:
    return verify(data, [key.certificate])


def hole(data: bytes) -> tuple[int, int]:
    """Where the signature's value lies, brackets included."""
    import re

    found = re.search(rb"/ByteRange\s*\[\s*\d+ (\d+) (\d+)", data)
    assert found is not None
    return int(found[1]), int(found[2])


# Intact -----------------------------------------------------------------------------------------


def test_a_sealed_document_is_intact_and_its_signer_known(
    sealed: bytes, key: StationKey, accepted: Any, bench: SimpleNamespace
) -> None:
    """Everything that is stated comes from the attached record."""
    assert judged(sealed, key) == Verification(
        intact=True, trusted=True, specimen=True, reasons=(), signer=key.signer, fingerprint=key.fingerprint,
        number="C-B1-2026-0001", serial="HL-4-0117", verdict="accepted", record_sha256=accepted.sha256,
        sealed_at="2026-11-25T10:02:03+00:00", checkpoint=bench.checkpoint.text, follows=True, rejudged="accepted",
        prints=True, printed="as drawn anew from the attached record, byte for byte", signatures=(
            Signature(
                "StationSeal", key.signer, key.fingerprint, "2026-11-25T10:02:03+00:00", "B-B", "", trusted=True,
                revocation="pinned by its own certificate, which is looked up in no list",
            ),
        ),
    )  # fmt: skip


def test_intact_is_not_trusted_without_the_signers_certificate(sealed: bytes) -> None:
    """Who sealed it is another question than whether it was changed."""
    found = verify(sealed, [])
    assert (found.intact, found.trusted, found.number) == (True, False, "C-B1-2026-0001")
    assert found.reasons == ("The seal is none that was named as trusted.",)


def test_another_key_with_the_same_names_is_an_unknown_signer(
    bench: SimpleNamespace, accepted: Any, key: StationKey, tmp_path: Path, at: Any
) -> None:
    """A certificate is pinned by its bytes; anybody can write the same names."""
    make_station_key(tmp_path, "B1", bench.works.name, at)
    forger = load_station_key(tmp_path)
    assert forger.signer == key.signer
    data = sealed_document(
        accepted.record, accepted.sha256, accepted.traces, works=bench.works, paper="A4", key=forger, at=at
    )
    found = judged(data, key)
    assert (found.intact, found.trusted) == (True, False)


# Changed ----------------------------------------------------------------------------------------


def flipped_bit_in_the_page(data: bytes) -> bytes:
    page = max(re.finditer(rb"stream\n.*?endstream", data, re.DOTALL), key=lambda found: len(found[0]))
    at = page.start() + 200
    return data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :]


def flipped_digit_in_the_signature(data: bytes) -> bytes:
    at = hole(data)[0] + 900
    return data[:at] + (b"0" if data[at : at + 1] != b"0" else b"1") + data[at + 1 :]


def appended_bytes(data: bytes) -> bytes:
    return data + b"\n% one more line\n"


def appended_newline(data: bytes) -> bytes:
    return data + b"\n"


def prepended_bytes(data: bytes) -> bytes:
    return b"%!\n" + data


def _updated(data: bytes, change: Callable[[Any], None]) -> bytes:
    writer = IncrementalPdfFileWriter(BytesIO(data))
    change(writer)
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def added_annotation(data: bytes) -> bytes:
    def change(writer: Any) -> None:
        page = writer.root["/Pages"]["/Kids"][0]
        box = generic.DictionaryObject({
            generic.pdf_name("/Type"): generic.pdf_name("/Annot"),
            generic.pdf_name("/Subtype"): generic.pdf_name("/Square"),
            generic.pdf_name("/Rect"): generic.ArrayObject([generic.NumberObject(n) for n in (50, 700, 300, 760)]),
        })
        page["/Annots"] = generic.ArrayObject([*page.get("/Annots", []), writer.add_object(box)])
        writer.update_container(page)

    return _updated(data, change)


def changed_title(data: bytes) -> bytes:
    def change(writer: Any) -> None:
        info = writer.trailer["/Info"]
        info["/Title"] = generic.TextStringObject("Another certificate")
        writer.update_container(info)

    return _updated(data, change)


def replaced_attachment(data: bytes) -> bytes:
    def change(writer: Any) -> None:
        names = writer.root["/Names"]["/EmbeddedFiles"]["/Names"]
        stream = names[[str(one) for one in names].index("record.json") + 1].get_object()["/EF"]["/F"]
        stream._data = stream.data.replace(b'"accepted"', b'"rejected"')
        stream._encoded_data = None
        writer.update_container(stream)

    return _updated(data, change)


def updated_by_pypdf(data: bytes) -> bytes:
    writer = PdfWriter(BytesIO(data), incremental=True)
    writer.add_attachment("note.txt", b"all fine")
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def rewritten_by_pikepdf(data: bytes) -> bytes:
    out = BytesIO()
    with pikepdf.open(BytesIO(data)) as pdf:
        pdf.save(out)
    return out.getvalue()


def cut_back_to_the_unsigned_file(data: bytes) -> bytes:
    return data[: data.index(b"%%EOF\n") + 6]


def cut_short(data: bytes) -> bytes:
    return data[:-40]


def signed_range_that_spares_the_page(data: bytes) -> bytes:
    first, second = hole(data)
    return data.replace(f" {first} {second} ".encode(), f" {first} {second - 1} ".encode(), 1)


@pytest.mark.parametrize(
    ("tamper", "reason"),
    [
        (flipped_bit_in_the_page, CHANGED),
        (flipped_digit_in_the_signature, None),
        (appended_bytes, ADDED),
        (appended_newline, ADDED),
        (prepended_bytes, "The file does not begin as a PDF."),
        (added_annotation, ADDED),
        (changed_title, ADDED),
        (replaced_attachment, ADDED),
        (updated_by_pypdf, ADDED),
        (rewritten_by_pikepdf, None),
        (cut_back_to_the_unsigned_file, NO_SEAL),
        (cut_short, None),
        (signed_range_that_spares_the_page, None),
    ],
    ids=lambda found: getattr(found, "__name__", ""),
)
def test_a_changed_document_is_not_intact(
    sealed: bytes, key: StationKey, tamper: Callable[[bytes], bytes], reason: str | None
) -> None:
    """Whatever was changed, by whatever tool: not intact, not trusted, a reason, and no fact stated."""
    data = tamper(sealed)
    assert data != sealed
    found = judged(data, key)
    assert (found.intact, found.trusted, found.number, found.serial, found.verdict) == (False, False, "", "", "")
    assert found.reasons
    assert reason is None or reason in found.reasons


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_no_single_bit_can_be_changed(sealed: bytes, key: StationKey, data: st.DataObject) -> None:
    """Any bit of the file, in the page, the record, the cross-references or the signature's own value."""
    at = data.draw(st.integers(0, len(sealed) - 1))
    bit = data.draw(st.integers(0, 7))
    changed = sealed[:at] + bytes([sealed[at] ^ (1 << bit)]) + sealed[at + 1 :]
    assert not judged(changed, key).intact


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_no_bit_of_the_signatures_value_can_be_changed(sealed: bytes, key: StationKey, data: st.DataObject) -> None:
    """The envelope of the signature is not signed; it is compared with the only one that a station writes."""
    first, second = hole(sealed)
    at = data.draw(st.integers(first, second - 1))
    bit = data.draw(st.integers(0, 7))
    changed = sealed[:at] + bytes([sealed[at] ^ (1 << bit)]) + sealed[at + 1 :]
    assert not judged(changed, key).intact


@given(data=st.binary(max_size=400))
def test_no_input_makes_the_verifier_fail(data: bytes, key: StationKey) -> None:
    """Every exception of a parser means: not intact."""
    for found in (judged(data, key), judged(b"%PDF-1.7\n" + data, key)):
        assert not found.intact
        assert found.reasons


def test_a_huge_file_is_not_looked_at(tmp_path: Path, key: StationKey) -> None:
    """The size is limited before anything is parsed."""
    file = tmp_path / "huge.pdf"
    with file.open("wb") as out:
        out.truncate(LARGEST_FILE + 1)
    found = verify(file, [key.certificate])
    assert found.reasons == ("The file is larger than 20 MiB and was not looked at.",)


def test_a_missing_file_is_not_intact(tmp_path: Path, key: StationKey) -> None:
    """Nothing is raised; the reason says why."""
    found = verify(tmp_path / "none.pdf", [key.certificate])
    assert found == Verification(False, False, False, ("The file cannot be opened: No such file or directory.",))


# Sealed by the right key, but wrong in itself -----------------------------------------------------


def resealed(accepted: Any, bench: SimpleNamespace, key: StationKey, at: Any, change: Callable[[Any], None]) -> bytes:
    """A document whose content was changed before it was sealed with the station's own key."""
    facts = IssueFacts(bench.works, at, key.signer, grouped(key.fingerprint))
    drawn = unsealed_document(accepted.record, accepted.sha256, accepted.traces, facts, "A4")
    out = BytesIO()
    with pikepdf.open(BytesIO(drawn)) as pdf:
        change(pdf)
        pdf.save(out)
    return seal(out.getvalue(), key, at)


def test_a_record_unlike_the_printed_hash_is_found(
    bench: SimpleNamespace, accepted: Any, key: StationKey, at: Any
) -> None:
    """The hash is taken again from the attached bytes."""

    def change(pdf: Any) -> None:
        data = pdf.attachments["record.json"].get_file().read_bytes().replace(b'"Mara Quill"', b'"Someone"')
        pdf.attachments["record.json"] = pikepdf.AttachedFileSpec(pdf, data, filename="record.json")

    found = judged(resealed(accepted, bench, key, at, change), key)
    assert found.reasons == ("The attached record is not the one whose hash the file states.",)


def test_readings_unlike_the_record_are_found(bench: SimpleNamespace, accepted: Any, key: StationKey, at: Any) -> None:
    """A trace is hashed as decoded integers, as the store does."""
    name = "trace-01-shell-test-attempt-1.csv"

    def change(pdf: Any) -> None:
        data = pdf.attachments[name].get_file().read_bytes()
        lines = data.splitlines(keepends=True)
        pdf.attachments[name] = pikepdf.AttachedFileSpec(pdf, b"".join(lines[:-1]), filename=name)

    found = judged(resealed(accepted, bench, key, at, change), key)
    assert found.reasons == (f"The readings {name} are not those of the record.",)


def test_missing_and_foreign_attachments_are_found(
    bench: SimpleNamespace, accepted: Any, key: StationKey, at: Any
) -> None:
    """Exactly the record and its traces are attached."""

    def change(pdf: Any) -> None:
        del pdf.attachments["trace-02-seat-test-attempt-1.csv"]
        pdf.attachments["note.txt"] = pikepdf.AttachedFileSpec(pdf, b"fine", filename="note.txt")

    assert judged(resealed(accepted, bench, key, at, change), key).reasons == (
        "The readings trace-02-seat-test-attempt-1.csv are not attached.",
        "Files are attached that do not belong to the document: note.txt.",
    )


def test_a_bomb_among_the_attachments_is_refused(
    bench: SimpleNamespace, accepted: Any, key: StationKey, at: Any
) -> None:
    """A small file that unpacks to more than 64 MiB is not unpacked."""

    def change(pdf: Any) -> None:
        pdf.attachments["note.txt"] = pikepdf.AttachedFileSpec(pdf, bytes(65 * 1024 * 1024), filename="note.txt")

    data = resealed(accepted, bench, key, at, change)
    assert len(data) < LARGEST_FILE
    assert not judged(data, key).intact
