"""Two benches of one works under one root: a customer needs that root only, and one can fall without the other."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from cryptography.x509 import CRLNumber, load_der_x509_crl

from testbench.certificate import pkcs12
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import AuthorityRefusedError, PassphraseWrongError
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

ROOT, FIRST, SECOND = "the root's phrase", "first issuing phrase", "second issuing phrase"


def said(home: Home, *words: object, told: tuple[str, ...] = ()) -> Result:
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)], input="\n".join((*told, "")))


def bench(folder: Path, name: str) -> Home:
    """A bench of the works with one closed run."""
    made = make_home(folder)
    settings = folder / "bench.toml"
    settings.write_text(re.sub(r'(?m)^name = "B1"', f'name = "{name}"', settings.read_text()))
    with open_store(made) as store:
        record, traces = example_run("", valve(f"HL-4-{name}", "NPS 4"))
        keep_closed(store, record.model_copy(update={"bench": name}), traces)
    return made


def init(home: Home, root: Path, *told: str) -> Result:
    words = ("keys", "init", "--root-dir", root, "--station-without-passphrase", "--passphrase-stdin")
    return said(home, *words, told=told)


def crl(root: Path) -> tuple[int, set[int]]:
    """Number of the root's list, and the serial numbers on it."""
    found = load_der_x509_crl((root / "root.crl").read_bytes())
    number = found.extensions.get_extension_for_class(CRLNumber).value.crl_number
    return number, {one.serial_number for one in found}


@pytest.fixture
def works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Home, Home, Path]:
    """The first bench has made the root, the second has joined it."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    monkeypatch.delenv("TESTBENCH_PASSPHRASE_FILE", raising=False)
    one, two, root = bench(tmp_path / "one", "B1"), bench(tmp_path / "two", "B2"), tmp_path / "root"
    assert init(one, root, ROOT, FIRST).exit_code == 0
    joined = init(two, root, ROOT, SECOND)
    assert joined.exit_code == 0, joined.exception
    there, *_ = joined.output.splitlines()
    (shown,) = [line for line in joined.output.splitlines() if line.startswith("  root ")]
    assert there == f"{root} holds a root, which this bench is to join: {shown.split(maxsplit=1)[1]}"
    return one, two, root


def checked(tmp_path: Path, page: Path, handed: Path) -> Result:
    """By a customer with a folder of root and lists, and no home."""
    lists = [word for path in sorted(handed.glob("*.crl")) for word in ("--crl", path)]
    return without_home("certificate", "verify", page, "--root", handed / "root-cert.pem", *lists)


def test_one_root_is_enough_and_one_bench_falls_alone(works: tuple[Home, Home, Path], tmp_path: Path) -> None:
    """Both pages are good; the first bench revokes the stolen second one's authority, and only its pages fall."""
    one, two, root = works
    first, second = issue_document(one, "B1-000001").path, issue_document(two, "B2-000001").path
    handed = tmp_path / "handed"
    for home in works[:2]:
        assert said(home, "keys", "export", "--for-customer", handed).exit_code == 0
    for page in (first, second):
        good = checked(tmp_path, page, handed)
        assert good.exit_code == 0, good.output
        assert "  revocation   not revoked as of " in good.output

    words = ("keys", "revoke", "Certificate authority, bench B2", "--reason", "key-lost", "--passphrase-stdin")
    before, listed = crl(root)
    assert listed == set()
    revoked = said(one, *words, "--root-dir", root, told=(ROOT,))
    assert revoked.exit_code == 0, revoked.exception
    number, listed = crl(root)
    assert (number, len(listed)) == (before + 1, 1)
    assert said(one, "keys", "export", "--for-customer", handed).exit_code == 0
    assert checked(tmp_path, first, handed).exit_code == 0
    fallen = checked(tmp_path, second, handed)
    assert fallen.exit_code == 3
    assert fallen.output.startswith("REVOKED: C-B2-000001 ")
    assert "The certificate of Certificate authority, bench B2 was revoked on " in fallen.output

    # the second bench's own copies are older: neither its hand-over nor the next list makes anything good again
    assert said(two, "keys", "export", "--for-customer", handed).exit_code == 0
    assert checked(tmp_path, second, handed).exit_code == 3
    assert said(two, "keys", "crl", "--root-dir", root, "--passphrase-stdin", told=(SECOND, ROOT)).exit_code == 0
    assert crl(root) == (number + 1, listed)
    (authority,) = [line for line in said(two, "keys", "show").output.splitlines() if line.startswith("issuing")]
    assert "(keyCompromise)" in authority


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_openssl_agrees_on_both_and_on_the_fall(works: tuple[Home, Home, Path]) -> None:
    """Outside source: openssl verify -crl_check_all with both issuing lists and the root's."""
    one, two, root = works
    lists = [home.keys / "authority" / "issuing.crl" for home in (one, two)]

    def judged(home: Home) -> str:
        told = ["openssl", "verify", "-crl_check_all", "-CAfile", str(root / "root-cert.pem")]
        told += ["-untrusted", str(home.keys / "station-chain.pem")]
        pems = home.folder.parent / f"{home.folder.name}.pem"
        pems.write_bytes(b"".join(
            subprocess.run(["openssl", "crl", "-inform", "DER", "-in", path], capture_output=True, check=True).stdout
            for path in (*lists, root / "root.crl")
        ))  # fmt: skip
        found = subprocess.run(
            [*told, "-CRLfile", str(pems), str(home.keys / "station-cert.pem")],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        return found.stdout + found.stderr

    assert [judged(home).strip().endswith(": OK") for home in (one, two)] == [True, True]
    words = ("keys", "revoke", "Certificate authority, bench B2", "--reason", "ended", "--passphrase-stdin")
    assert said(two, *words, "--root-dir", root, told=(ROOT,)).exit_code == 0
    assert judged(one).strip().endswith(": OK")
    assert "certificate revoked" in judged(two)


def test_a_copy_of_the_root_that_is_behind_catches_up(works: tuple[Home, Home, Path], tmp_path: Path) -> None:
    """The number never falls, and what this bench knows to be revoked stays so."""
    one, _, root = works
    shutil.copytree(root, tmp_path / "copy")
    words = ("keys", "revoke", "Certificate authority, bench B1", "--reason", "replaced", "--passphrase-stdin")
    assert said(one, *words, "--root-dir", root, told=(ROOT,)).exit_code == 0
    told = (FIRST, ROOT)
    assert said(one, "keys", "crl", "--root-dir", tmp_path / "copy", "--passphrase-stdin", told=told).exit_code == 0
    newest, older = crl(tmp_path / "copy"), crl(root)
    assert newest == (older[0] + 1, older[1])


def test_a_root_from_before_it_had_a_register_gets_one(works: tuple[Home, Home, Path], tmp_path: Path) -> None:
    """By the bench that has it; until then no other can join, for its numbers would not be known."""
    one, _, root = works
    for name in ("issued.json", "root.crl"):
        (root / name).unlink()
    three = bench(tmp_path / "three", "B3")
    refused = init(three, root, ROOT, "third issuing phrase").exception
    assert isinstance(refused, AuthorityRefusedError)
    assert str(refused) == (
        f"Register of the root {root / 'issued.json'}: found none; allowed one that 'testbench keys crl --root-dir' "
        "writes at the bench that has this root."
    )
    assert not (three.keys / "authority").exists()
    assert said(one, "keys", "crl", "--root-dir", root, "--passphrase-stdin", told=(FIRST, ROOT)).exit_code == 0
    assert init(three, root, ROOT, "third issuing phrase").exit_code == 0


def test_a_wrong_passphrase_joins_nothing(works: tuple[Home, Home, Path], tmp_path: Path) -> None:
    """Neither home nor root has changed."""
    root, three = works[2], bench(tmp_path / "three", "B3")
    before = {path.name: path.read_bytes() for path in root.iterdir()}
    assert isinstance(init(three, root, "something else", "third issuing phrase").exception, PassphraseWrongError)
    assert not (three.keys / "authority").exists()
    assert {path.name: path.read_bytes() for path in root.iterdir()} == before


def test_two_benches_of_one_name_do_not_share_a_root(works: tuple[Home, Home, Path], tmp_path: Path) -> None:
    """They would number their documents alike; one that is made anew revokes the old one first."""
    one, _, root = works
    again = bench(tmp_path / "again", "B1")
    refused = init(again, root, ROOT, "third issuing phrase").exception
    assert str(refused) == (
        "Issuing authority under this root: found 'Certificate authority, bench B1'; allowed a bench of another name, "
        "or this authority revoked before its bench is made anew."
    )
    words = ("keys", "revoke", "Certificate authority, bench B1", "--reason", "ended", "--passphrase-stdin")
    assert said(one, *words, "--root-dir", root, told=(ROOT,)).exit_code == 0
    assert init(again, root, ROOT, "third issuing phrase").exit_code == 0


def test_another_root_is_not_taken_for_this_one(works: tuple[Home, Home, Path], tmp_path: Path) -> None:
    """The wrong medium."""
    other = bench(tmp_path / "other", "B9")
    assert init(other, tmp_path / "other-root", ROOT, FIRST).exit_code == 0
    words = ("keys", "crl", "--root-dir", tmp_path / "other-root", "--passphrase-stdin")
    refused = said(works[0], *words, told=(FIRST, ROOT)).exception
    assert isinstance(refused, AuthorityRefusedError)
    assert re.fullmatch(
        rf"Root in {tmp_path / 'other-root'}: found (\w{{4}} ){{4}}…; allowed that of this bench, (\w{{4}} ){{4}}…\.",
        str(refused),
    )
