"""A revoked station seals nothing more: neither a page nor a list, which every check would refuse."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from testbench.certificate import pkcs12
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import IssuerRevokedError, KeyRevokedError
from testbench.instruments.clocks import SystemClock
from testbench.procedure.valve import Order
from testbench.procedure_files.order_files import order_text
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

ROOT, ISSUING, STATION = "the root's phrase", "the issuing phrase", "the station's phrase"
SEALS = (
    ("certificate", "issue", "B1-000002"),
    ("certificate", "issue", "--order", "HL-2041"),
    ("certificate", "lot", "HL-2041"),
    ("certificate", "shift", "--since", "2020-01-01T00:00", "--until", "2020-01-02T00:00", "--name", "early"),
    ("certificate", "replace", "C-B1-000001", "--why", "the heat number was read again", "--by", "Tobin Ashe"),
    ("certificate", "list", "--withdrawn", "--export", "{out}"),
    ("keys", "export", "--for-customer", "{out}"),
)


def said(home: Home, *words: object, told: tuple[str, ...] = ()) -> Result:
    out = str(home.folder.parent / "out")
    told_words = [str(word).replace("{out}", out) for word in words]
    return CliRunner().invoke(cli, [*told_words, "--home", str(home.folder)], input="\n".join((*told, "")))


def keys(home: Home, *words: object, told: tuple[str, ...] = ()) -> Result:
    return said(home, "keys", *words, "--passphrase-stdin", told=told)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    """A works with an authority, whose station key lies under a passphrase; a page, and a run that has none."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    monkeypatch.setattr("sys.stdin", None)
    made = make_home(tmp_path / "home")
    assert keys(made, "init", "--root-dir", tmp_path / "root", told=(ROOT, ISSUING, STATION)).exit_code == 0
    valves = tuple(valve(f"HL-4-{number}", "NPS 4") for number in ("0117", "0118"))
    order = Order(number="HL-2041", customer="Ellery Water Board", procedure="waterworks-swing-check", valves=valves)
    (made.folder / "orders" / "order.toml").write_text(order_text(order))
    with open_store(made) as store:
        for one in valves:
            keep_closed(store, *example_run("", one))
    secret = tmp_path / "secret"
    secret.write_text(f"{STATION}\n")
    secret.chmod(0o600)
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("TESTBENCH_PASSPHRASE_FILE", str(secret))
        issue_document(made, "B1-000001")
    return made


def revoked(home: Home, reason: str) -> None:
    done = keys(home, "revoke", "Station seal, bench B1", "--reason", reason, told=(ISSUING,))
    assert done.exit_code == 0, done.exception


@pytest.mark.parametrize("reason", [("key-lost", "keyCompromise"), ("replaced", "superseded")])
@pytest.mark.parametrize("words", SEALS)
def test_what_would_seal_refuses_and_asks_nobody(home: Home, words: tuple[str, ...], reason: tuple[str, str]) -> None:
    """Where a passphrase were asked for, the sentence would be that there is no terminal to ask at."""
    revoked(home, reason[0])
    before = sorted(home.certificates.iterdir())
    refusal = said(home, *words).exception
    assert isinstance(refusal, KeyRevokedError)
    assert str(refusal) == (
        "Station seal, bench B1 signs nothing more: the certificate of Station seal, bench B1 was revoked on "
        f"{SystemClock().utc():%Y-%m-%d} ({reason[1]})."
    )
    assert refusal.remedy == ("Make the station a new key with 'testbench keys renew station'. Nothing was written.")
    assert sorted(home.certificates.iterdir()) == before
    assert not (home.folder.parent / "out").exists()


@pytest.mark.parametrize(
    ("name", "anew"), [("Station seal, bench B1", "renew station"), ("Tobin Ashe", 'issue "Tobin Ashe"')]
)
def test_whose_key_was_lost_is_told_what_to_do(home: Home, name: str, anew: str) -> None:
    """Only then: a key that was replaced undoes nothing that it signed."""
    assert keys(home, "issue", "Tobin Ashe", told=(ISSUING, "Tobin Ashe's phrase")).exit_code == 0
    done = keys(home, "revoke", name, "--reason", "key-lost", told=(ISSUING,))
    assert done.output.partition("\n")[2] == (
        "Pages that it signed without an earlier time stamp count no more: verify calls them REVOKED. If it is the key "
        f"in use, make a new one with 'testbench keys {anew}'; then replace each page with 'testbench certificate "
        "replace NUMBER', and give customers the new lists: testbench keys export.\n"
    )
    assert keys(home, "issue", "Mara Quill", told=(ISSUING, "Mara Quill's phrase")).exit_code == 0
    left = keys(home, "revoke", "Mara Quill", "--reason", "left", told=(ISSUING,))
    assert len(left.output.splitlines()) == 1


def test_a_station_that_was_revoked_is_renewed_not_revoked_again(home: Home) -> None:
    """The sentence says that it was, and what makes a new key."""
    revoked(home, "key-lost")
    refusal = keys(home, "revoke", "Station seal, bench B1", "--reason", "key-lost", told=(ISSUING,)).exception
    assert str(refusal) == (
        f"Certificate: found 'Station seal, bench B1', which was revoked on {SystemClock().utc():%Y-%m-%d} "
        "(keyCompromise); allowed Certificate root, Certificate authority, bench B1; 'testbench keys renew station' "
        "makes a new one."
    )


def test_the_recorders_child_refuses_as_well(home: Home) -> None:
    """It issues as this does; the document stays owed."""
    revoked(home, "key-lost")
    with pytest.raises(KeyRevokedError):
        issue_document(home, "B1-000002")


def test_a_new_key_seals_again(home: Home) -> None:
    """What the remedy names."""
    revoked(home, "key-lost")
    renewed = keys(home, "renew", "station", "--station-without-passphrase", told=(ISSUING,))
    assert renewed.exit_code == 0, renewed.exception
    for words in SEALS:
        done = said(home, *words)
        assert done.exit_code == 0, (words, done.exception)
        if words[:2] == ("certificate", "list"):
            (home.folder.parent / "out").unlink()
    for page in home.certificates.glob("*.pdf"):
        checked = said(home, "certificate", "verify", page)
        assert ("REVOKED: " in checked.output) is page.name.startswith("C-B1-000001_"), checked.output
        assert ("INTACT: " in checked.output) is not page.name.startswith("C-B1-000001_")


def test_a_station_under_a_revoked_authority_seals_nothing(home: Home) -> None:
    """A new station key under it would not help: the remedy names both steps."""
    words = ("Certificate authority, bench B1", "--reason", "key-lost", "--root-dir", home.folder.parent / "root")
    assert keys(home, "revoke", *words, told=(ROOT,)).exit_code == 0
    refusal = said(home, *SEALS[0]).exception
    assert isinstance(refusal, IssuerRevokedError)
    assert str(refusal) == (
        "Station seal, bench B1 signs nothing more: the certificate of Certificate authority, bench B1 was revoked on "
        f"{SystemClock().utc():%Y-%m-%d} (keyCompromise)."
    )
    root = ("--root-dir", home.folder.parent / "root")
    assert keys(home, "renew", "issuing", *root, told=(ROOT, ISSUING)).exit_code == 0
    assert keys(home, "renew", "station", "--station-without-passphrase", told=(ISSUING,)).exit_code == 0
    assert said(home, *SEALS[0]).exit_code == 0
