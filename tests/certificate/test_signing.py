"""The seal, judged by programs that are not ours: poppler's pdfsig and openssl."""

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from testbench.certificate.keys import load_station_key
from testbench.certificate.verify import verify

needs_pdfsig = pytest.mark.skipif(shutil.which("pdfsig") is None, reason="poppler-utils is not installed")
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")


def byte_range(data: bytes) -> tuple[int, int, int, int]:
    found = re.search(rb"/ByteRange\s*\[\s*(\d+) (\d+) (\d+) (\d+)", data)
    assert found is not None
    first, length, second, rest = (int(number) for number in found.groups())
    return first, length, second, rest


@needs_pdfsig
def test_pdfsig_calls_the_signature_valid_and_the_whole_document_signed(sealed: bytes, tmp_path: Path) -> None:
    """Outside source: pdfsig of poppler."""
    file = tmp_path / "certificate.pdf"
    file.write_bytes(sealed)
    said = subprocess.run(["pdfsig", "-nocert", str(file)], capture_output=True, text=True, check=False).stdout
    assert "Signature Validation: Signature is Valid." in said
    assert "Total document signed" in said
    assert "Not total" not in said
    assert "Signature Type: ETSI.CAdES.detached" in said
    assert "Signature Field Name: StationSeal" in said
    assert said.count("Signature #") == 1


@needs_openssl
def test_openssl_agrees_on_the_signed_bytes(sealed: bytes, keys: Path, tmp_path: Path) -> None:
    """Outside source: openssl cms over the bytes that /ByteRange names."""
    first, length, second, rest = byte_range(sealed)
    (tmp_path / "content").write_bytes(sealed[first:length] + sealed[second : second + rest])
    (tmp_path / "cms.der").write_bytes(bytes.fromhex(sealed[length + 1 : second - 1].decode()).rstrip(b"\0"))
    command = [
        "openssl", "cms", "-verify", "-binary", "-inform", "DER", "-in", str(tmp_path / "cms.der"),
        "-content", str(tmp_path / "content"), "-CAfile", str(keys / "station-cert.pem"), "-purpose", "any",
        "-partial_chain", "-no_check_time", "-out", str(tmp_path / "out"),
    ]  # fmt: skip
    said = subprocess.run(command, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
    assert "successful" in said.stderr.lower()


def test_sealing_leaves_the_drawn_file_as_it_was(sealed: bytes) -> None:
    """The signed revision is appended: cut after the first end mark stands the unsigned file, PDF 1.7 in both."""
    assert sealed.startswith(b"%PDF-1.7")
    end = sealed.index(b"%%EOF\n") + 6
    assert sealed[:end].count(b"%%EOF") == 1
    assert sealed.count(b"%%EOF") == 2
    root = PdfReader(_file(sealed)).trailer["/Root"]
    assert "/Version" not in root  # an elliptic-curve key would raise it to 2.0 if the library had its way
    assert list(root["/Extensions"]) == ["/ESIC"]


def test_the_seal_certifies_and_forbids_every_change(sealed: bytes) -> None:
    """DocMDP with P = 1."""
    root = PdfReader(_file(sealed)).trailer["/Root"]
    reference = root["/Perms"]["/DocMDP"]["/Reference"][0]
    assert reference["/TransformMethod"] == "/DocMDP"
    assert reference["/TransformParams"]["/P"] == 1


def test_the_signing_time_is_the_stations_clock(sealed: bytes, keys: Path, at: Any) -> None:
    """Not the clock of the computer that happens to draw."""
    judged = verify(sealed, [load_station_key(keys).certificate])
    assert judged.sealed_at == at.isoformat() == "2026-11-25T10:02:03+00:00"


def _file(data: bytes) -> Any:
    from io import BytesIO

    return BytesIO(data)
