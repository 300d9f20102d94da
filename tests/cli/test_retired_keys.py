"""The key that a station had before its authority: destroyed, superseded, and what its works can say against it."""

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from testbench.certificate import pkcs12
from testbench.certificate.keys import read_certificate
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import WithdrawnListRefusedError
from testbench.instruments.clocks import SystemClock
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

ROOT, ISSUING = "the root's phrase", "the issuing phrase"


def said(home: Home, *words: object, told: tuple[str, ...] = ()) -> Result:
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)], input="\n".join((*told, "")))


def founded(home: Home) -> Result:
    words = ("keys", "init", "--root-dir", home.folder.parent / "root", "--station-without-passphrase")
    return said(home, *words, "--passphrase-stdin", told=(ROOT, ISSUING))


def later(monkeypatch: pytest.MonkeyPatch) -> None:
    """The examples end seconds from now; the authority is founded after them."""
    now = SystemClock().utc
    monkeypatch.setattr(SystemClock, "utc", lambda self: now() + timedelta(hours=2))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    """A bench with a page from before its authority, and two runs more; the key and certificate of then lie apart."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    made = make_home(tmp_path / "home")
    with open_store(made) as store:
        for number in ("0117", "0118", "0119"):
            keep_closed(store, *example_run("", valve(f"HL-4-{number}", "NPS 4")))
    issue_document(made, "B1-000001")
    apart = tmp_path / "apart"
    apart.mkdir()
    for name in ("station-key.pem", "station-cert.pem"):
        shutil.copy(made.keys / name, apart / name)
    later(monkeypatch)
    assert founded(made).exit_code == 0
    return made


def page(home: Home, number: int = 1) -> Path:
    (found,) = home.certificates.glob(f"C-B1-00000{number}_*.pdf")
    return found


def forged(home: Home) -> Path:
    """A page that somebody sealed with a copy of the old key, after it was replaced."""
    other = Home(home.folder.parent / "other")
    shutil.copytree(home.folder, other.folder)
    shutil.rmtree(other.keys / "authority")
    for path in other.keys.glob("station*"):
        path.unlink()
    for path in (home.folder.parent / "apart").iterdir():
        shutil.copy(path, other.keys / path.name)
    issue_document(other, "B1-000002")
    return page(other, 2)


def entry(home: Home) -> dict[str, str]:
    found = json.loads(said(home, "keys", "show", "--json").output)
    (own,) = [one for one in found if one["issuer"] == one["fingerprint"] and one["role"] == "station"]
    return own


def verified(home: Home, document: Path) -> tuple[int, str]:
    found = said(home, "certificate", "verify", document)
    return found.exit_code, found.output


def test_no_retired_key_stays_and_it_is_said(home: Home) -> None:
    """Of the old key the certificate stays, which is enough for what it sealed."""
    private = [path.name for path in home.keys.rglob("*") if path.is_file() and b"PRIVATE" in path.read_bytes()]
    assert sorted(private) == ["ledger.pem", "station-key.pem"]
    old = read_certificate(home.folder.parent / "apart" / "station-cert.pem")
    assert old in [read_certificate(path) for path in home.keys.glob("station-cert-*.pem")]
    assert verified(home, page(home))[0] == 0
    told = said(home, "keys", "renew", "station", "--station-without-passphrase", "--passphrase-stdin", told=(ISSUING,))
    assert told.output.splitlines()[-1] == (
        "The private key that was replaced is destroyed here; its certificate stays, for what it signed. Destroy "
        "copies of the key, in backups and on tokens, as well."
    )


def test_what_the_old_key_seals_after_it_was_replaced_is_refused_here(home: Home) -> None:
    """Before: good. After, with a copy of the key from a backup: revoked."""
    assert "revocation   revoked on " in verified(home, page(home))[1]
    code, told = verified(home, forged(home))
    assert code == 3
    assert told.startswith("REVOKED: C-B1-000002 for valve HL-4-0118, verdict accepted.")
    assert "The certificate of Station seal, bench B1 was revoked on " in told


def test_a_page_that_a_rig_dated_ahead_of_the_clock_stays_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a demonstration: its test ended a day from now; what is dated after the newest page is still refused."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    made, now = make_home(tmp_path / "home"), SystemClock().utc
    with open_store(made) as store, monkeypatch.context() as patched:
        patched.setattr(SystemClock, "utc", lambda self: now() + timedelta(days=1))
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
        issue_document(made, "B1-000001")
        dated = SystemClock().utc()
    assert founded(made).exit_code == 0
    assert verified(made, page(made))[0] == 0
    since = datetime.fromisoformat(entry(made)["revoked"])
    assert timedelta(0) < since - dated < timedelta(hours=1)


def test_a_lost_one_counts_for_nothing_here_and_at_a_customers(home: Home) -> None:
    """By its serial number, though it was superseded; the signed list tells whoever named it with --signer."""
    (line,) = [one for one in said(home, "keys", "show").output.splitlines() if one.endswith("signed by itself")]
    assert "(superseded)" in line
    revoked = said(home, "keys", "revoke", entry(home)["serial"], "--reason", "key-lost")
    assert revoked.exit_code == 0, revoked.output
    assert "(keyCompromise), signed by itself" in revoked.output
    assert "No revocation list can name it." in revoked.output
    code, told = verified(home, page(home))
    assert (code, told.split(":")[0]) == (3, "REVOKED")

    listed = home.folder.parent / "withdrawn.json"
    assert said(home, "certificate", "list", "--withdrawn", "--export", listed).exit_code == 0
    signer = ("--signer", home.folder.parent / "apart" / "station-cert.pem")
    root = ("--root", home.keys / "authority" / "root-cert.pem")
    words = ("certificate", "verify", page(home), *signer)
    assert without_home(*words).exit_code == 0
    with_list = without_home(*words, *root, "--withdrawn", listed)
    assert with_list.exit_code == 3
    assert with_list.output.startswith("REVOKED: ")


def test_a_list_signed_with_the_lost_key_is_refused(home: Home) -> None:
    """Whoever has the key could clear every page; what the authority's station signed counts."""
    said(home, "keys", "revoke", entry(home)["serial"], "--reason", "key-lost")
    good, bad = (home.folder.parent / name for name in ("good.json", "bad.json"))
    said(home, "certificate", "list", "--withdrawn", "--export", good)
    other = forged(home).parents[1]
    assert said(Home(other), "certificate", "list", "--withdrawn", "--export", bad).exit_code == 0
    signer = ("--signer", home.folder.parent / "apart" / "station-cert.pem")
    root = ("--root", home.keys / "authority" / "root-cert.pem")
    lists = ("--withdrawn", bad, "--withdrawn", good)
    words = ("certificate", "verify", page(home), *signer, *root, *lists)
    refused = without_home(*words).exception
    assert isinstance(refused, WithdrawnListRefusedError)
    assert str(refused).startswith(
        f"{bad} is no list of withdrawn documents that counts here: The certificate of Station seal, bench B1 was "
        "revoked on "
    )


def test_a_key_that_an_older_version_left_is_shown_and_destroyed(home: Home) -> None:
    """As that version named it."""
    (certificate,) = home.keys.glob("station-cert-*.pem")
    left = home.keys / certificate.name.replace("cert", "key")
    shutil.copy(home.folder.parent / "apart" / "station-key.pem", left)
    assert said(home, "keys", "show").output.splitlines()[-1] == (
        f"A private key that was replaced lies here still: {left}. 'testbench keys renew station' destroys it."
    )
    said(home, "keys", "renew", "station", "--station-without-passphrase", "--passphrase-stdin", told=(ISSUING,))
    assert not left.exists()
