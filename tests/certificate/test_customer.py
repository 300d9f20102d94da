"""What a customer gets: its commands are run as they stand there, its page is looked at by other programs."""

import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from testbench.certificate import authority as ca
from testbench.certificate import pkcs12
from testbench.certificate.authority import Why
from testbench.certificate.customer import HandOver, export_for_customer
from testbench.certificate.data import how_to_check
from testbench.certificate.keyring import Authority
from testbench.certificate.keys import fingerprint_of, grouped, load_station_key, read_certificate
from testbench.certificate.languages import languages
from testbench.certificate.pkcs12 import unpacked
from testbench.certificate.signing import seal
from testbench.certificate.withdrawn import signed_list
from testbench.errors import LanguageUnknownError
from testbench.station.withdrawals import Withdrawal

LANGUAGES = languages()


@pytest.fixture
def own(authority: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Authority:
    """A copy of the authority, to revoke in."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    shutil.copytree(authority.folder, tmp_path / "works")
    return Authority(tmp_path / "works" / "home" / "keys")


@pytest.fixture
def over(authority: SimpleNamespace, bench: SimpleNamespace, at: datetime) -> HandOver:
    """What bench B1 hands over, in English."""
    return HandOver(bench.works, "B1", signed_list((), "B1", at, authority.station), at, "A4", "en")


@pytest.fixture
def handed(authority: SimpleNamespace, over: HandOver, tmp_path: Path) -> Path:
    """The folder that a customer gets."""
    export_for_customer(authority.made, over, tmp_path / "handed")
    return tmp_path / "handed"


def commands(folder: Path, way: int) -> list[str]:
    """The commands of a way, as they stand in the text."""
    parts = re.split(r"(?m)^\d\. .*$", (folder / "how-to-check.txt").read_text())
    return [line.strip() for line in parts[way].splitlines() if line.startswith("    ")]


def test_root_lists_and_page_are_handed_over_and_no_key(handed: Path, authority: SimpleNamespace) -> None:
    """Everything is public."""
    assert sorted(path.name for path in handed.iterdir()) == [
        "how-to-check.pdf", "how-to-check.txt", "issuing-B1.crl", "root-cert.pem", "root.crl", "withdrawn-B1.json",
    ]  # fmt: skip
    assert not any(b"PRIVATE" in path.read_bytes() for path in handed.iterdir())
    text = (handed / "how-to-check.txt").read_text()
    assert grouped(fingerprint_of(authority.made.root)) in text
    flowing = " ".join(text.split())
    assert (
        "valid until 2046-11-25; revocation lists of 2026-11-25, the next is due by 2026-12-30; list of withdrawn and "
        "replaced documents of 2026-11-25"
    ) in flowing
    assert not re.search(r"\{\w+\}", text)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
@pytest.mark.parametrize("which", ["sealed", "locked"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_the_openssl_commands_of_the_page_work_as_they_stand(
    over: HandOver,
    authority: SimpleNamespace,
    unsealed: bytes,
    locked: bytes,
    tmp_path: Path,
    which: str,
    language: str,
) -> None:
    """Pasted into a shell, and nothing is filled in: the page's numbers and the day of signing come out of the file."""
    export_for_customer(authority.made, replace(over, language=language), tmp_path)
    document = locked if which == "locked" else seal(unsealed, authority.station, over.at)
    (tmp_path / "FILE.pdf").write_bytes(document)
    pasted = "\n".join(commands(tmp_path, 3))
    for shell in ("bash", "dash"):
        said = subprocess.run([shell], input=pasted, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert said.returncode == 0, said.stderr
        assert "CMS Verification successful" in said.stderr
        assert said.stdout.startswith("Nothing appended\n")
        signer = "Tobin Ashe" if which == "locked" else "Station seal, bench B1"
        told = [line for line in said.stdout.splitlines() if line.startswith("subject=")]
        assert any(signer in line for line in told)
        assert any("Certificate authority" in line for line in told)
        assert said.stdout.count("No Revoked Certificates.") == 2


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
@pytest.mark.parametrize("what", ["Station seal, bench B1", "Certificate authority"])
def test_the_openssl_commands_show_what_was_revoked_at_another_bench(
    over: HandOver, own: Authority, authority: SimpleNamespace, unsealed: bytes, tmp_path: Path, what: str
) -> None:
    """A page of one bench, a hand-over written last by another: the list of either bench and of the root is shown."""
    export_for_customer(own, over, tmp_path)
    (tmp_path / "FILE.pdf").write_bytes(seal(unsealed, authority.station, over.at))
    gone = own.revoke(
        what, Why.KEY_COMPROMISE, over.at + timedelta(days=1), authority.ask, own.keys.parents[1] / "root"
    )
    name = "issuing.crl" if what.startswith("Station") else "root.crl"
    shutil.copy(own.folder / name, tmp_path / name.replace("issuing", "issuing-B1"))
    shutil.copy(own.folder / "issuing.crl", tmp_path / "issuing-B2.crl")
    said = subprocess.run(
        ["dash"], input="\n".join(commands(tmp_path, 3)), cwd=tmp_path, capture_output=True, text=True, check=False
    )
    serial = gone.serial.upper()
    assert re.search(rf"serial=0?{serial}\n", said.stdout)
    assert re.search(rf"Serial Number: 0?{serial}\n", said.stdout)
    assert [line for line in said.stdout.splitlines() if line.endswith(".crl")] == [
        "issuing-B1.crl", "issuing-B2.crl", "root.crl",
    ]  # fmt: skip


def test_a_list_whose_signer_was_revoked_is_taken_out(
    over: HandOver, own: Authority, authority: SimpleNamespace, at: datetime, tmp_path: Path
) -> None:
    """It would end the pasted command for every page; the page no longer names it, and the output says so."""
    lost, folder = authority.station, tmp_path / "handed"
    own.issue_station("B1", "Harrow Lane Valve Works", at, authority.ask, plain=False)
    station = load_station_key(own.keys, authority.ask)
    export_for_customer(own, replace(over, bench="B3", withdrawn=signed_list((), "B3", at, lost)), folder)
    serial = next(one.serial for one in own.register.entries if one.fingerprint == lost.fingerprint)
    own.revoke(serial, Why.KEY_COMPROMISE, at + timedelta(hours=1), authority.ask, None)
    later = at + timedelta(hours=2)
    exported = export_for_customer(own, replace(over, withdrawn=signed_list((), "B1", later, station)), folder)
    assert exported.left_out == [(
        folder / "withdrawn-B3.json",
        f"The certificate of Station seal, bench B1 was revoked on {at:%Y-%m-%d} (keyCompromise)",
    )]  # fmt: skip
    assert sorted(path.name for path in folder.glob("withdrawn-*")) == ["withdrawn-B1.json"]
    assert "withdrawn-B3.json" not in (folder / "how-to-check.txt").read_text()


def test_the_roots_of_time_stamps_are_handed_over(over: HandOver, own: Authority, tmp_path: Path) -> None:
    """After a lost key only pages with an earlier time stamp count, which nobody can check without that root."""
    shutil.copy(own.folder / "issuing-cert.pem", own.keys / "stamp-root.pem")
    shutil.copy(own.folder / "root-cert.pem", own.keys / "stamp-root-2.pem")
    written = export_for_customer(own, over, tmp_path).written
    assert {tmp_path / "stamp-root-B1.pem", tmp_path / "stamp-root-B1-2.pem"} <= {*written}
    assert read_certificate(tmp_path / "stamp-root-B1-2.pem") == own.root
    (command,) = commands(tmp_path, 1)
    assert command.endswith(
        "--withdrawn withdrawn-B1.json --stamp-root stamp-root-B1-2.pem --stamp-root stamp-root-B1.pem"
    )


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
@pytest.mark.parametrize("change", ["appended", "flipped"])
def test_the_openssl_commands_find_a_change(
    handed: Path, authority: SimpleNamespace, unsealed: bytes, at: datetime, change: str
) -> None:
    """One that follows the signed bytes, which openssl itself does not see, and one within them."""
    document = bytearray(seal(unsealed, authority.station, at))
    if change == "appended":
        document += b"more"
    else:
        document[5000] ^= 1
    (handed / "FILE.pdf").write_bytes(document)
    pasted = "\n".join(commands(handed, 3))
    said = subprocess.run(["bash"], input=pasted, cwd=handed, capture_output=True, text=True, check=False)
    assert ("SOMETHING WAS APPENDED" in said.stdout) is (change == "appended")
    assert ("CMS Verification successful" in said.stderr) is (change == "appended")


@pytest.mark.parametrize("withdrawn", [False, True])
def test_the_command_of_our_own_tool_works_as_it_stands(
    over: HandOver, authority: SimpleNamespace, unsealed: bytes, accepted: object, tmp_path: Path, withdrawn: bool
) -> None:
    """With no home, in the folder of the hand-over; a document on the signed list is told."""
    gone = Withdrawal(
        number="C-B1-2026-0001", serial="HL-4-0117", run="B1-2026-0001", record_sha256=accepted.sha256,  # type: ignore[attr-defined]
        files=("0" * 64,), why="the heat number was misread", by="Tobin Ashe", person="",
        at="2026-11-25T11:00:00+00:00",
    )  # fmt: skip
    listed = signed_list((gone,) if withdrawn else (), "B1", over.at, authority.station)
    export_for_customer(authority.made, replace(over, withdrawn=listed), tmp_path)
    (tmp_path / "FILE.pdf").write_bytes(seal(unsealed, authority.station, over.at))
    (command,) = commands(tmp_path, 1)
    assert command == (
        "testbench certificate verify FILE.pdf --root root-cert.pem --crl issuing-B1.crl --crl root.crl "
        "--withdrawn withdrawn-B1.json"
    )
    ours = f'testbench() {{ "{sys.executable}" -P -m testbench "$@"; }}\n'
    told = {**os.environ, "XDG_DATA_HOME": "/nowhere", "PYTHONPATH": str(Path(__file__).parents[2])}
    said = subprocess.run(
        ["bash"], input=ours + command, cwd=tmp_path, capture_output=True, text=True, check=False, env=told
    )
    assert said.returncode == (5 if withdrawn else 0), said.stderr
    assert said.stdout.startswith("WITHDRAWN: C-B1-2026-0001 was withdrawn" if withdrawn else "INTACT: ")


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_page_is_one_sheet_with_all_three_ways(
    over: HandOver, authority: SimpleNamespace, tmp_path: Path, paper: str, language: str
) -> None:
    """Outside source: pdftotext and pdfinfo of poppler. Nothing runs into the closing lines."""
    export_for_customer(authority.made, replace(over, paper=paper, language=language), tmp_path)
    page = str(tmp_path / "how-to-check.pdf")
    text = subprocess.run(["pdftotext", "-layout", page, "-"], capture_output=True, text=True, check=True).stdout
    told = how_to_check(language)
    flowing = " ".join(text.split())
    assert all(way.heading in flowing for way in told.way)
    assert grouped(fingerprint_of(authority.made.root))[:39] in text
    assert told.closing.rpartition(". ")[2] in flowing
    assert "Pages:           1" in subprocess.run(["pdfinfo", page], capture_output=True, text=True, check=True).stdout
    boxes = subprocess.run(["pdftotext", "-bbox", page, "-"], capture_output=True, text=True, check=True).stdout
    tops = sorted({float(found) for found in re.findall(r'yMin="([\d.]+)"', boxes)})
    assert min(b - a for a, b in pairwise(tops) if b - a > 0.5) > 4, "lines overlap"


def test_every_language_of_the_pages_has_this_one_and_the_same_commands() -> None:
    """A further language is a further file; what is pasted does not depend on it."""
    english = how_to_check("en")
    assert {"en", "de", "es"} <= set(LANGUAGES)
    for language in LANGUAGES:
        told = how_to_check(language)
        assert [way.commands for way in told.way] == [way.commands for way in english.way]
        for one, other in zip(_texts(told), _texts(english), strict=True):
            assert set(re.findall(r"\{\w+\}", one)) == set(re.findall(r"\{\w+\}", other))


@pytest.mark.parametrize(
    ("language", "three", "five"),
    [
        ("en", "or a signature is still missing", "withdrawn, replaced, recalled or in question, and why"),
        ("de", "oder eine Unterschrift fehlt noch", "zurückgezogen, ersetzt, zurückgerufen oder in Frage, und warum"),
        ("es", "o falta aún una firma", "retirado, sustituido, revocado o en cuestión, y por qué"),
    ],
)
def test_the_page_tells_what_each_exit_code_means(language: str, three: str, five: str) -> None:
    """As the help of the command has them."""
    said = how_to_check(language).way[0].after
    assert f"{three}. 4: " in said
    assert f"5: {five}. 6: " in said


def _texts(told: object) -> list[str]:
    shown = told.model_dump()  # type: ignore[attr-defined]
    ways = [way[part] for way in shown.pop("way") for part in ("heading", "text", "after")]
    return [*shown.values(), *ways]


def test_a_language_that_is_not_there_writes_nothing(
    over: HandOver, authority: SimpleNamespace, tmp_path: Path
) -> None:
    """And says which are."""
    with pytest.raises(LanguageUnknownError) as refusal:
        export_for_customer(authority.made, replace(over, language="fr"), tmp_path / "handed")
    assert str(refusal.value) == (
        "There is no reports/how-to-check-fr.toml, the page for customers; at hand are de, en, es."
    )
    assert refusal.value.remedy == (
        "Name one of them with --out-language, or copy reports/how-to-check-en.toml to that name and translate its "
        "texts."
    )
    assert not (tmp_path / "handed").exists()


def test_the_page_is_the_same_for_the_same_authority(handed: Path, authority: SimpleNamespace, over: HandOver) -> None:
    """Written again over itself, for lists are renewed."""
    before = {path.name: path.read_bytes() for path in handed.iterdir()}
    export_for_customer(authority.made, over, handed)
    assert {path.name: path.read_bytes() for path in handed.iterdir()} == before


def test_two_benches_write_into_one_folder_and_the_page_names_every_list(
    handed: Path, authority: SimpleNamespace, over: HandOver
) -> None:
    """Lists bear the bench's name; a certificate of either is checked with the same command."""
    export_for_customer(authority.made, replace(over, bench="B2"), handed)
    (command,) = commands(handed, 1)
    assert command.partition("root-cert.pem ")[2] == (
        "--crl issuing-B1.crl --crl issuing-B2.crl --crl root.crl --withdrawn withdrawn-B1.json "
        "--withdrawn withdrawn-B2.json"
    )


def test_what_lies_there_under_the_name_of_the_roots_list_is_replaced_unless_newer(
    handed: Path, authority: SimpleNamespace, over: HandOver
) -> None:
    """A newer list of this root is another bench's; a list of another root, and a damaged file, are not."""
    listed, kept = handed / "root.crl", (handed / "root.crl").read_bytes()
    for other in (b"damaged", _list_of(ca.new_key(), over.at)):
        listed.write_bytes(other)
        export_for_customer(authority.made, over, handed)
        assert listed.read_bytes() == kept
    (path,) = authority.root_dir.glob("*.p12")
    key, *_ = unpacked(path.read_bytes(), authority.ask.secret, "root")
    newer = _list_of(key, over.at)
    listed.write_bytes(newer)
    written = export_for_customer(authority.made, over, handed).written
    assert listed.read_bytes() == newer
    assert listed not in written


def _list_of(key: object, at: datetime) -> bytes:
    issuer = ca.Issuer(key, ca.root_certificate(key, "Harrow Lane Valve Works", at))  # type: ignore[arg-type]
    return ca.revocation_list(issuer, ca.Role.ROOT, [], 99, at).public_bytes(Encoding.DER)
