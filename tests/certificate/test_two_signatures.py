"""Operator and reviewer: who may sign when, and what is left open in between; judged by programs that are not ours."""

import re
import shutil
import subprocess
from dataclasses import replace
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from asn1crypto import x509
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko_certvalidator import ValidationContext

from testbench.certificate.content import IssueFacts
from testbench.certificate.issue import unsealed_document
from testbench.certificate.signing import certify, lock, seal
from testbench.certificate.verify import in_words, verify
from testbench.errors import SignatureRefusedError

needs_nss = pytest.mark.skipif(
    shutil.which("pdfsig") is None or shutil.which("certutil") is None, reason="poppler-utils or libnss3-tools missing"
)


def test_operator_then_reviewer_lock_the_document(locked: bytes, authority: SimpleNamespace, accepted: Any) -> None:
    """Both known, nothing may change any more."""
    found = verify(locked, authority.anchors)
    assert (found.intact, found.trusted, found.follows, found.complete, found.reasons) == (True, True, True, True, ())
    assert [(one.field, one.signer, one.level) for one in found.signatures] == [
        ("Operator", "Mara Quill, Harrow Lane Valve Works", "B-B"),
        ("Reviewer", "Tobin Ashe, Harrow Lane Valve Works", "B-B"),
    ]
    assert found.record_sha256 == accepted.sha256


def test_an_operator_alone_is_not_enough(certified: bytes, authority: SimpleNamespace) -> None:
    """Intact, and said to be unfinished; never trusted."""
    found = verify(certified, authority.anchors)
    assert (found.intact, found.trusted, found.complete) == (True, False, False)
    assert found.reasons == ("The reviewer has not signed yet.",)
    assert in_words(found)[0] == (
        "NOT REVIEWED YET: C-B1-2026-0001 for valve HL-4-0117, verdict accepted. "
        "Nothing was changed since the operator signed it."
    )


def test_both_fields_are_there_before_the_first_signature(certified: bytes) -> None:
    """The reviewer's carries FieldMDP All and P = 1 (ISO 32000-2, 12.7.5.5)."""
    with pikepdf.open(BytesIO(certified)) as pdf:
        fields = {str(one.T): one for one in pdf.Root.AcroForm.Fields}
        assert sorted(fields) == ["Operator", "Reviewer"]
        assert "/V" not in fields["Reviewer"]
        assert (fields["Reviewer"].Lock.Action, fields["Reviewer"].Lock.P) == ("/All", 1)
        assert pdf.Root.Perms.DocMDP.Reference[0].TransformParams.P == 2


def test_the_library_agrees(locked: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """Outside source: pyHanko's own validation, root trusted."""
    root = x509.Certificate.load(authority.made.root)
    said = []
    for one in PdfFileReader(BytesIO(locked)).embedded_signatures:
        context = ValidationContext(trust_roots=[root], allow_fetching=False, moment=at)
        status = validate_pdf_signature(one, context)
        said.append((one.field_name, status.bottom_line, status.coverage.name, status.modification_level.name))
    assert said == [
        ("Operator", True, "ENTIRE_REVISION", "FORM_FILLING"), ("Reviewer", True, "ENTIRE_FILE", "NONE"),
    ]  # fmt: skip


@needs_nss
@pytest.mark.parametrize(("which", "total"), [("locked", 1), ("certified", 1)])
def test_pdfsig_trusts_both_under_the_root(
    which: str, total: int, authority: SimpleNamespace, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Outside source: pdfsig of poppler with the root in an NSS store. Its exit code says nothing, its words do."""
    file, store = tmp_path / "file.pdf", f"sql:{tmp_path}"
    file.write_bytes(request.getfixturevalue(which))
    subprocess.run(["certutil", "-N", "-d", store, "--empty-password"], check=True)
    root = str(authority.root_dir / "root-cert.pem")
    subprocess.run(["certutil", "-A", "-d", store, "-n", "root", "-t", "CT,CT,CT", "-i", root], check=True)
    command = ["pdfsig", "-nssdir", store, str(file)]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    signatures = 2 if which == "locked" else 1
    assert said.count("Signature Validation: Signature is Valid.") == signatures
    assert said.count("Certificate Validation: Certificate is Trusted.") == signatures
    assert said.count("  - Total document signed") == total


@pytest.mark.skipif(shutil.which("mutool") is None, reason="mupdf-tools is not installed")
def test_mutool_sees_no_edit_after_the_reviewer(locked: bytes, tmp_path: Path) -> None:
    """Outside source: mutool; it has no trust store and says so."""
    (tmp_path / "file.pdf").write_bytes(locked)
    command = ["mutool", "sign", "-v", str(tmp_path / "file.pdf")]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    reviewer, operator = said.split("Verifying signature")[1:]
    assert "cn=Tobin Ashe" in reviewer
    assert "The document is unchanged since signing." in reviewer
    assert "cn=Mara Quill" in operator
    assert "The signature is valid but there have been edits since signing." in operator


def test_the_file_stays_pdf_1_7_and_archived(locked: bytes) -> None:
    """Two signatures with elliptic-curve keys and a locked field: no /Version 2.0, PDF/A part 3 in the metadata."""
    with pikepdf.open(BytesIO(locked)) as pdf:
        assert "/Version" not in pdf.Root
        assert pdf.pdf_version == "1.7"
        assert pdf.open_metadata(update_docinfo=False).pdfa_status == "3B"
        assert [int(one.get("/F", 0)) & 4 for one in pdf.Root.AcroForm.Fields] == [4, 4]  # printed: ISO 19005-3, 6.3.2


def test_each_signature_lies_on_the_line_that_names_its_signer(
    bench: SimpleNamespace, authority: SimpleNamespace, at: datetime, tmp_path: Path
) -> None:
    """Outside source: the word boxes of poppler. The name stands in its field, the other's does not."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, people=True))
    facts = IssueFacts(bench.works, at, "Mara Quill; Tobin Ashe", "A1B2", run.signed, bench.checkpoint)
    page = unsealed_document(run.record, run.sha256, run.traces, facts, "Letter")
    data = lock(certify(page, authority.operator, at), authority.reviewer, at)
    assert verify(data, authority.anchors).intact
    for field, name, other in (("Operator", "Mara", "Tobin"), ("Reviewer", "Tobin", "Mara")):
        assert name in words_in(data, field, tmp_path)
        assert other not in words_in(data, field, tmp_path)
    sealed = seal(page, authority.station, at)
    assert words_in(sealed, "StationSeal", tmp_path)[:2] == ["Sealed", "by"]


def words_in(data: bytes, field: str, folder: Path) -> list[str]:
    """The words whose middle lies in the rectangle of a field."""
    with pikepdf.open(BytesIO(data)) as pdf:
        (widget,) = (one for one in pdf.Root.AcroForm.Fields if str(one.T) == field)
        x0, y0, x1, y1 = map(float, widget.Rect)
        height = float(pdf.pages[0].mediabox[3])
    (folder / "page.pdf").write_bytes(data)
    command = ["pdftotext", "-bbox", str(folder / "page.pdf"), "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    shape = r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)</word>'
    found = [(*(float(edge) for edge in box[:4]), box[4]) for box in re.findall(shape, said)]
    return [
        word for left, top, right, bottom, word in found
        if x0 < (left + right) / 2 < x1 and y0 < height - (top + bottom) / 2 < y1
    ]  # fmt: skip


def test_the_signed_page_looks_as_the_unsigned_one(unsealed_for_persons: bytes, locked: bytes, tmp_path: Path) -> None:
    """The fields draw nothing: pixel for pixel, as poppler draws them."""
    drawn = []
    for name, data in (("before", unsealed_for_persons), ("after", locked)):
        (tmp_path / f"{name}.pdf").write_bytes(data)
        command = ["pdftoppm", "-r", "100", str(tmp_path / f"{name}.pdf"), str(tmp_path / name)]
        subprocess.run(command, check=True)
        drawn.append((tmp_path / f"{name}-1.ppm").read_bytes())
    assert drawn[0] == drawn[1]


# Refused ----------------------------------------------------------------------------------------


def test_the_operator_does_not_review_the_own_test(certified: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """Two roles, two persons; a second certificate of the same person changes nothing."""
    renewed = replace(authority.reviewer, signer=authority.operator.signer)
    with pytest.raises(SignatureRefusedError) as refusal:
        lock(certified, renewed, at)
    assert str(refusal.value) == (
        "Signature Reviewer: Mara Quill, Harrow Lane Valve Works, who signed as operator; allowed is another person."
    )


def test_nobody_reviews_what_no_operator_signed(unsealed: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """Neither an unsigned document nor a sealed one."""
    for document in (unsealed, seal(unsealed, authority.station, at)):
        with pytest.raises(SignatureRefusedError) as refusal:
            lock(document, authority.reviewer, at)
        assert str(refusal.value) == (
            "Signature Reviewer: no operator has signed; allowed is one reviewer, after the operator."
        )


def test_a_locked_document_takes_no_third_signature(locked: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """The library would let it happen and then call the first two failed."""
    with pytest.raises(SignatureRefusedError, match="it is signed already"):
        lock(locked, authority.station, at)
    with pytest.raises(SignatureRefusedError) as refusal:
        certify(locked, authority.operator, at)
    assert str(refusal.value) == ("Signature Operator: the document is signed already; allowed is the first signature.")


def test_the_reviewer_may_sign_an_hour_later(certified: bytes, authority: SimpleNamespace, at: datetime) -> None:
    """The marks of when a revision was written are no change of the document."""
    later = lock(certified, authority.reviewer, at + timedelta(hours=1))
    found = verify(later, authority.anchors)
    assert found.trusted
    assert [one.at for one in found.signatures] == ["2026-11-25T10:02:03+00:00", "2026-11-25T11:02:03+00:00"]
