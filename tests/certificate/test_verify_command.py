"""``testbench certificate verify`` for somebody who holds only the PDF."""

import gc
import json
import os
import re
import subprocess
import sys
from datetime import datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace

import pikepdf
import pytest
from click.testing import CliRunner, Result
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from testbench.certificate.keys import grouped, load_station_key, make_station_key, read_certificate
from testbench.certificate.signing import seal
from testbench.certificate.verify import ASK_FOR_THE_ORIGINAL, REWRITTEN, in_words, verify
from testbench.cli.certificate import command
from testbench.errors import TrustFileError
from testbench.procedure_files.loader import bench_template
from testbench.run.record import sha256
from testbench.wiring import Home, open_store
from tests.without_home import NO_HOME


@pytest.fixture
def file(tmp_path: Path, sealed: bytes) -> Path:
    path = tmp_path / "certificate.pdf"
    path.write_bytes(sealed)
    return path


def run(file: Path, *options: str, home: Path | None) -> Result:
    told = ["--home", str(home)] if home else []
    return CliRunner(env=NO_HOME).invoke(command, ["verify", str(file), *told, *options])


def at_works(keys: Path) -> Path:
    """The home that has these keys, with records that know none of the pages."""
    if not (keys.parent / "bench.toml").exists():
        (keys.parent / "bench.toml").write_text(bench_template())
        open_store(Home(keys.parent), make=True).close()
    return keys.parent


def test_intact_with_a_known_signer_exits_with_zero(file: Path, keys: Path, tmp_path: Path, accepted: object) -> None:
    """The customer names the works' certificate; no home is needed."""
    found = run(file, "--signer", str(keys / "station-cert.pem"), home=None)
    assert found.exit_code == 0
    assert found.output == (
        "INTACT: C-B1-2026-0001 for valve HL-4-0117, verdict accepted. Nothing was changed since it was sealed.\n"
        "SPECIMEN: simulated, replayed, or its procedure was not adopted. It certifies nothing.\n"
        "  judged again the attached readings give the same verdict and values\n"
        "  printed      as drawn anew from the attached record, byte for byte\n"
        "  sealed by    Station seal, bench B1, Harrow Lane Valve Works\n"
        "  sealed at    2026-11-25T10:02:03+00:00 by the station's own clock\n"
        f"  fingerprint  {grouped(load_station_key(keys).fingerprint)}\n"
        "  revocation   pinned by its own certificate, which is looked up in no list\n"
        f"  record       {accepted.sha256}\n"  # type: ignore[attr-defined]
        "  signed       by nobody; the operator is named, not authenticated\n"
        "  released     by nobody; its record owes no release, for its operator was not authenticated\n"
        "  ledger       B1 1234 7e6c dbc4 c553 4a27, key 5647 5AA7 5463 474C\n"
    )


def test_garbage_is_looked_for_again_when_the_command_is_done(file: Path, keys: Path) -> None:
    """Whoever calls a command within a longer program gets back what it had."""
    assert run(file, home=at_works(keys)).exit_code == 0
    assert gc.isenabled()


def test_the_benchs_own_seal_is_known_in_its_home(file: Path, keys: Path) -> None:
    """At the works the home's certificate is trusted without being named."""
    assert run(file, home=at_works(keys)).exit_code == 0


def test_intact_with_an_unknown_signer_exits_with_three(file: Path, tmp_path: Path) -> None:
    """Neither accepted silently nor called changed."""
    found = run(file, home=None)
    assert found.exit_code == 3
    assert found.output.startswith("UNKNOWN SIGNER: C-B1-2026-0001 for valve HL-4-0117, verdict accepted.")
    assert "Compare the fingerprint with the one that the works publishes" in found.output


def test_changed_exits_with_one_and_says_why(file: Path, keys: Path) -> None:
    """One added line is enough."""
    file.write_bytes(file.read_bytes() + b"\n")
    found = run(file, home=at_works(keys))
    assert found.exit_code == 1
    assert found.output == (
        "CHANGED or unreadable: this is not the document that was sealed.\n"
        "  Something was added to the file after it was sealed.\n"
        f"{ASK_FOR_THE_ORIGINAL}\n"
    )


def test_facts_come_as_json(file: Path, keys: Path) -> None:
    """For a program that files certificates."""
    found = json.loads(run(file, "--json", home=at_works(keys)).output)
    assert (found["intact"], found["trusted"], found["specimen"], found["reasons"]) == (True, True, True, [])
    assert (found["number"], found["serial"], found["verdict"]) == ("C-B1-2026-0001", "HL-4-0117", "accepted")
    assert found["fingerprint"] == load_station_key(keys).fingerprint


def test_a_file_that_is_no_pdf_exits_with_one(tmp_path: Path) -> None:
    """Plain words, no stack of calls."""
    path = tmp_path / "letter.txt"
    path.write_text("Dear Sir")
    found = run(path, home=tmp_path)
    assert found.exit_code == 1
    assert "The file does not begin as a PDF." in found.output


def test_a_customer_with_the_root_needs_nothing_else(
    authority: SimpleNamespace, unsealed: bytes, tmp_path: Path, at: object
) -> None:
    """What ``keys export`` hands over: root and revocation lists."""
    path = tmp_path / "certificate.pdf"
    path.write_bytes(seal(unsealed, authority.station, at))  # type: ignore[arg-type]
    folder = authority.keys / "authority"
    named = ["--root", str(folder / "root-cert.pem"), "--crl", str(folder / "issuing.crl")]
    found = run(path, *named, "--crl", str(folder / "root.crl"), home=None)
    assert found.exit_code == 0
    assert "  revocation   not revoked as of 2026-11-25" in found.output
    assert run(path, home=None).exit_code == 3
    assert run(path, home=at_works(authority.keys)).exit_code == 0


def test_a_verdict_that_does_not_follow_exits_with_four(
    authority: SimpleNamespace, unsealed: bytes, tmp_path: Path, at: object
) -> None:
    """Sealed by the right key, over a record that was changed before."""
    out = BytesIO()
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        data = (
            pdf.attachments["record.json"].get_file().read_bytes().replace(b'"seen":"no leakage"', b'"seen":"leakage"')
        )
        pdf.docinfo["/Subject"] = re.sub("[0-9a-f]{64}", sha256(data), str(pdf.docinfo["/Subject"]))
        pdf.attachments["record.json"] = pikepdf.AttachedFileSpec(pdf, data, filename="record.json")
        pdf.save(out)
    path = tmp_path / "certificate.pdf"
    path.write_bytes(seal(out.getvalue(), authority.station, at))  # type: ignore[arg-type]
    found = run(path, home=at_works(authority.keys))
    assert found.exit_code == 4
    assert found.output.startswith("DOES NOT FOLLOW: C-B1-2026-0001 for valve HL-4-0117, verdict accepted.")


def test_a_page_that_prints_something_else_exits_with_six(
    authority: SimpleNamespace, unsealed: bytes, tmp_path: Path, at: object
) -> None:
    """Whoever signed it: the difference is named, on the terminal and in JSON."""
    out = BytesIO()
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        page = pdf.pages[0].obj
        page.Contents = pikepdf.Stream(pdf, page.Contents.read_bytes().replace(b"(507.3)", b"(527.3)"))
        pdf.save(out)
    path = tmp_path / "certificate.pdf"
    path.write_bytes(seal(out.getvalue(), authority.station, at))  # type: ignore[arg-type]
    for home in (at_works(authority.keys), None):
        found = run(path, home=home)
        assert found.exit_code == 6
        assert found.output.startswith(
            "DOES NOT PRINT ITS RECORD: C-B1-2026-0001 for valve HL-4-0117, verdict accepted."
        )
        assert "  Page 1: it shows “527.3”, where its record gives “507.3”.\n" in found.output
    told = json.loads(run(path, "--json", home=at_works(authority.keys)).output)
    assert (told["intact"], told["follows"], told["prints"], told["printed"], told["trusted"]) == (
        True, True, False, "", False,
    )  # fmt: skip


def test_a_root_that_is_no_certificate_is_refused(file: Path, tmp_path: Path) -> None:
    """Named wrongly is not the same as unknown."""
    path = tmp_path / "root.pem"
    path.write_text("no certificate")
    found = run(file, "--root", str(path), home=None)
    assert isinstance(found.exception, TrustFileError)
    assert str(found.exception) == (
        f"Root certificate {path}: it holds something else; needed is a certificate, PEM or DER."
    )
    assert found.exception.remedy == (
        "Check the name of the file, or get it from the works anew: 'testbench keys export' writes it there."
    )


@pytest.mark.parametrize(
    ("option", "what", "needed"),
    [
        ("--root", "Root certificate", "a certificate, PEM or DER"),
        ("--crl", "Revocation list", "a revocation list, DER or PEM"),
        ("--stamp-root", "Root certificate of the time-stamp authority", "a certificate, PEM or DER"),
    ],
)
def test_a_file_that_is_not_there_is_refused(file: Path, tmp_path: Path, option: str, what: str, needed: str) -> None:
    """A name typed wrongly."""
    found = run(file, option, "roof.pem", home=None)
    assert str(found.exception) == f"{what} roof.pem: there is no such file; needed is {needed}."


def test_a_root_counts_in_either_form(file: Path, keys: Path, tmp_path: Path) -> None:
    """As openssl writes them: PEM, or DER."""
    path = tmp_path / "station.der"
    path.write_bytes(read_certificate(keys / "station-cert.pem"))
    assert run(file, "--root", str(path), home=None).exit_code == 0


def test_a_list_in_any_form_is_heeded_or_refused_never_passed_over(
    authority: SimpleNamespace, unsealed: bytes, tmp_path: Path, at: datetime
) -> None:
    """PEM, as openssl crl writes it, says the same as DER; junk says nothing and is refused."""
    path, folder = tmp_path / "certificate.pdf", authority.keys / "authority"
    path.write_bytes(seal(unsealed, authority.station, at))
    found = x509.load_der_x509_crl((folder / "issuing.crl").read_bytes())
    pem = tmp_path / "issuing.pem"
    pem.write_bytes(found.public_bytes(serialization.Encoding.PEM))
    root = ("--root", str(folder / "root-cert.pem"))
    told = run(path, *root, "--crl", str(pem), home=None)
    assert (told.exit_code, "  revocation   not revoked as of 2026-11-25" in told.output) == (0, True)
    pem.write_bytes(b"no list")
    told = run(path, *root, "--crl", str(pem), home=None)
    assert (
        str(told.exception)
        == f"Revocation list {pem}: it holds something else; needed is a revocation list, DER or PEM."
    )


def test_what_a_stranger_wrote_moves_no_cursor(tmp_path: Path, unsealed: bytes, at: datetime) -> None:
    """A name in a stranger's certificate that clears the screen and writes INTACT in its place."""
    keys = tmp_path / "keys"
    make_station_key(keys, "B1", "\x1b[2JINTACT\r\n\u202e\u2028\x9b1m", at)
    path = tmp_path / "certificate.pdf"
    path.write_bytes(seal(unsealed, load_station_key(keys), at))
    found = run(path, home=None)
    assert found.exit_code == 6  # the page names another signer
    assert "B1, \\u001b[2JINTACT\\r\\n\\u202e\\u2028\\u009b1m\n" in found.output
    as_json = run(path, "--json", home=None)
    for told in (found.output, as_json.output):
        assert all(line.isprintable() for line in told.split("\n"))
    assert "INTACT\r\n\u202e\u2028\x9b1m" in json.loads(as_json.output)["signer"]


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """In a process of its own, for it would wait for ever."""
    os.mkfifo(tmp_path / "pipe.pdf")
    command_line = [sys.executable, "-P", "-m", "testbench", "certificate", "verify", str(tmp_path / "pipe.pdf")]
    found = subprocess.run(command_line, capture_output=True, text=True, timeout=60, check=False)
    assert found.returncode == 1
    assert found.stdout == (
        "CHANGED or unreadable: this is not the document that was sealed.\n"
        "  The file cannot be opened: it is no regular file; save the document to a file, then name that.\n"
        f"{ASK_FOR_THE_ORIGINAL}\n"
    )


def test_a_copy_that_another_program_wrote_is_called_that(file: Path) -> None:
    """Opened and saved by a library for PDF."""
    with pikepdf.open(file, allow_overwriting_input=True) as pdf:
        pdf.save(file, linearize=True)
    judged = verify(file, ())
    assert judged.reasons[0] == REWRITTEN
    assert in_words(judged)[-1] == ASK_FOR_THE_ORIGINAL


def test_the_name_of_an_attached_file_is_one_line(tmp_path: Path, unsealed: bytes, keys: Path, at: datetime) -> None:
    """A stranger's file called as a line of ours."""
    out = tmp_path / "named.pdf"
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        body = pdf.make_indirect(pikepdf.Stream(pdf, b"x"))
        spec = pikepdf.Dictionary(Type=pikepdf.Name.Filespec, EF=pikepdf.Dictionary(F=body))
        names = pdf.Root.Names.EmbeddedFiles.Names
        names.extend([pikepdf.String("zz\nINTACT: all is well"), pdf.make_indirect(spec)])
        pdf.save(out)
    out.write_bytes(seal(out.read_bytes(), load_station_key(keys), at))
    found = run(out, home=tmp_path / "none")
    assert "  Files are attached that do not belong to the document: zz\\nINTACT: all is well.\n" in found.output
