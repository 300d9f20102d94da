"""What a customer gets: its commands are run as they stand there, its page is looked at by other programs."""

import re
import shutil
import subprocess
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from testbench.certificate.customer import export_for_customer
from testbench.certificate.keys import fingerprint_of, grouped
from testbench.certificate.signing import seal


@pytest.fixture
def handed(authority: SimpleNamespace, bench: SimpleNamespace, at: datetime, tmp_path: Path) -> Path:
    """The folder that a customer gets."""
    export_for_customer(authority.made, bench.works, "A4", at, tmp_path / "handed")
    return tmp_path / "handed"


def test_root_lists_and_page_are_handed_over_and_no_key(handed: Path, authority: SimpleNamespace) -> None:
    """Everything is public."""
    assert sorted(path.name for path in handed.iterdir()) == [
        "how-to-check.pdf", "how-to-check.txt", "issuing.crl", "root-cert.pem", "root.crl",
    ]  # fmt: skip
    assert not any(b"PRIVATE" in path.read_bytes() for path in handed.iterdir())
    text = (handed / "how-to-check.txt").read_text()
    assert grouped(fingerprint_of(authority.made.root)) in text
    assert "valid until 2046-11-25; revocation lists made on 2026-11-25, the next is due by 2026-12-30" in text
    assert "{" not in re.sub(r"\$\(\(.*?\)\)", "", text)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
@pytest.mark.parametrize("which", ["sealed", "locked"])
def test_the_openssl_commands_of_the_page_work(
    handed: Path, authority: SimpleNamespace, unsealed: bytes, locked: bytes, at: datetime, which: str
) -> None:
    """Run by a shell as they stand on the page, with the numbers that the first of them prints."""
    document = locked if which == "locked" else seal(unsealed, authority.station, at)
    (handed / "FILE.pdf").write_bytes(document)
    text = (handed / "how-to-check.txt").read_text()
    first, *others = [
        line.strip() for line in text.splitlines() if line.startswith(("    grep", "    (head", "    tail"))
    ]
    cms = next(line.strip() for line in text.splitlines() if line.startswith("    openssl"))
    shown = subprocess.run(["bash", "-c", first], cwd=handed, capture_output=True, text=True, check=True).stdout
    zero, b, c, d = re.findall(r"\d+", shown)
    assert (zero, int(c) + int(d)) == ("0", len(document))
    named = "; ".join(others).replace("head -c B", "head -c $B").replace("tail -c D", "tail -c $D")
    then = f"B={b}; C={c}; D={d}; {named}; {cms} -attime {int(at.timestamp())}"
    said = subprocess.run(["bash", "-c", then], cwd=handed, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
    assert "CMS Verification successful" in said.stderr


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_page_is_one_sheet_with_all_three_ways(
    authority: SimpleNamespace, bench: SimpleNamespace, at: datetime, tmp_path: Path, paper: str
) -> None:
    """Outside source: pdftotext and pdfinfo of poppler."""
    export_for_customer(authority.made, bench.works, paper, at, tmp_path)
    page = str(tmp_path / "how-to-check.pdf")
    text = subprocess.run(["pdftotext", "-layout", page, "-"], capture_output=True, text=True, check=True).stdout
    assert [heading for heading in ("1. With testbench", "2. With a PDF reader", "3. With openssl") if heading in text]
    assert grouped(fingerprint_of(authority.made.root))[:39] in text
    assert "Local codes and the purchaser's engineer prevail." in text
    assert "Pages:           1" in subprocess.run(["pdfinfo", page], capture_output=True, text=True, check=True).stdout


def test_the_page_is_the_same_for_the_same_authority(
    handed: Path, authority: SimpleNamespace, bench: SimpleNamespace, at: datetime, tmp_path: Path
) -> None:
    """Written again over itself, for lists are renewed."""
    before = {path.name: path.read_bytes() for path in handed.iterdir()}
    export_for_customer(authority.made, bench.works, "A4", at, handed)
    assert {path.name: path.read_bytes() for path in handed.iterdir()} == before
