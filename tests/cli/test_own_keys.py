"""Operator and reviewer sign a certificate with keys of their own, tied to who they are in the register of people."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.certificate import pkcs12
from testbench.certificate.anchors import anchors_of
from testbench.certificate.keyring import load_person_key
from testbench.certificate.passphrases import FromLines
from testbench.certificate.verify import verify
from testbench.cli.main import cli
from testbench.errors import NotSignedError, PassphraseMissingError, PersonKeyError
from testbench.instruments.clocks import SystemClock
from testbench.run.record import RunRecord
from testbench.wiring import Home, make_home, open_store
from tests.records.make import STARTED, example_run, opening_of, valve
from tests.without_home import without_home

PASSWORD, PIN = "the tide at Port Ellery", "7394"
SECRETS = {name: f"a passphrase that only {name} knows" for name in ("root", "issuing", "quill", "ashe", "again")}


def said(home: Home, *words: str | Path, told: tuple[str, ...] = ()):
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)], input="\n".join((*told, "")))


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Home:
    """A works with an authority, a registered operator and reviewer with keys, and a run that waits for signatures."""
    home = make_home(tmp_path_factory.mktemp("made") / "home")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pkcs12, "ROUNDS", 1000)
        people = ("people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", "--role", "reviewer")
        assert said(home, *people, "--secret-stdin", told=(PASSWORD,)).exit_code == 0
        people = ("people", "add", "quill", "--name", "Mara Quill", "--role", "operator", "--by", "ashe")
        assert said(home, *people, "--secret-stdin", told=(PASSWORD, PIN)).exit_code == 0
        root = home.folder.parent / "root"
        words = ("keys", "init", "--root-dir", root, "--station-without-passphrase", "--passphrase-stdin")
        assert said(home, *words, told=(SECRETS["root"], SECRETS["issuing"])).exit_code == 0
        for person, name in (("quill", "Mara Quill"), ("ashe", "Tobin Ashe")):
            told = said(home, *_issue(name), told=(SECRETS["issuing"], SECRETS[person]))
            assert told.output.splitlines()[-1] == f"The ledger ties this key to '{person}'."
    record, traces = example_run("", valve("HL-4-0117", "NPS 4"))
    owing = RunRecord.model_validate(record.model_dump() | {"operator_id": "quill"})
    with open_store(home) as store:
        run = store.begin_run(opening_of(owing), STARTED)
        store.seal(owing.model_copy(update={"run": run}), traces)
    bench = home.folder / "bench.toml"
    bench.write_text(f'certificates_signed_by = "persons"\n{bench.read_text()}')
    assert _sign(home, "quill", "performed", PIN).exit_code == 0
    return home


@pytest.fixture
def home(made, tmp_path, monkeypatch) -> Home:
    """A copy of it."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


def _issue(name: str) -> tuple[str, ...]:
    return ("keys", "issue", name, "--passphrase-stdin")


def _sign(home: Home, person: str, meaning: str, secret: str):
    words = ("sign", "B1-000001", "--as", person, "--meaning", meaning, "--secret-stdin")
    return said(home, *words, told=(secret,))


def issued(home: Home, *told: str):
    return said(home, "certificate", "issue", "B1-000001", "--passphrase-stdin", told=told)


def pages(home: Home) -> list[str]:
    return [path.name for path in home.certificates.iterdir()]


def test_operator_certifies_and_reviewer_locks(home):
    """After the release, with both passphrases; everybody can see who: in the page, and from the root alone."""
    released = _sign(home, "ashe", "released", PASSWORD)
    assert (released.exit_code, pages(home)) == (0, [])
    done = issued(home, SECRETS["quill"], SECRETS["ashe"])
    assert done.exit_code == 0, done.exception
    (page,) = home.certificates.glob("*.pdf")
    told = said(home, "certificate", "verify", page)
    assert told.exit_code == 0, told.output
    assert told.output.splitlines()[0].startswith("INTACT: C-B1-000001 for valve HL-4-0117, verdict accepted.")
    assert [line.split()[:3] for line in told.output.splitlines() if line.startswith(("  operator", "  reviewer"))] == [
        ["operator", "Mara", "Quill,"], ["reviewer", "Tobin", "Ashe,"],
    ]  # fmt: skip
    root = home.keys / "authority" / "root-cert.pem"
    nobody = without_home("certificate", "verify", page, "--root", root)
    assert nobody.exit_code == 0
    assert said(home, "ledger", "verify").exit_code == 0


def test_nothing_is_written_before_the_release(home):
    """Whoever has both passphrases: the record's signature comes first."""
    assert isinstance(issued(home, SECRETS["quill"], SECRETS["ashe"]).exception, NotSignedError)
    assert pages(home) == []


def test_after_a_release_it_names_the_command(home):
    """As the last line."""
    told = _sign(home, "ashe", "released", PASSWORD)
    owed = (
        "The certificate of run B1-000001 is owed: operator and reviewer unlock their keys at one terminal with "
        "'testbench certificate issue B1-000001'."
    )
    assert (told.exit_code, told.output.splitlines()[-1]) == (0, owed)
    assert pages(home) == []


def test_a_release_at_the_desk_names_it_as_well(home):
    """Beside who has signed."""
    told = said(home, "review", "release", "B1-000001", "--as", "ashe", "--secret-stdin", told=(PASSWORD,))
    assert told.exit_code == 0, told.output
    assert "'testbench certificate issue B1-000001'" in told.output
    assert pages(home) == []


@pytest.mark.parametrize("told", [(), ("quill",), ("ashe", "quill"), ("quill", "quill")])
def test_nobody_signs_without_both_passphrases(home, told):
    """Nor with each other's; nothing is written, and the right ones still do it."""
    _sign(home, "ashe", "released", PASSWORD)
    assert issued(home, *(SECRETS[name] for name in told)).exit_code == 1
    assert pages(home) == []
    assert issued(home, SECRETS["quill"], SECRETS["ashe"]).exit_code == 0


def test_a_recorder_that_nobody_sits_at_leaves_it_owed(home, monkeypatch):
    """As its child does: the page waits, with the reason."""
    import io

    from testbench.custody import issue_document

    _sign(home, "ashe", "released", PASSWORD)
    monkeypatch.setattr("sys.stdin", io.StringIO())
    with pytest.raises(PassphraseMissingError, match=r"Mara_Quill.*\.p12 cannot be used: there is no terminal"):
        issue_document(home, "B1-000001")


def test_only_the_key_that_the_ledger_ties_counts(home):
    """One put in its place by hand, under the same name and of the same authority, does not."""
    _sign(home, "ashe", "released", PASSWORD)
    kept = home.keys / "people"
    aside = shutil.copytree(kept, home.folder / "aside")
    assert said(home, "keys", "renew", "Mara Quill", "--passphrase-stdin",
                told=(SECRETS["issuing"], SECRETS["again"])).exit_code == 0  # fmt: skip
    (name,) = [path.name for path in aside.glob("Mara*.p12")]
    newer = (kept / name).read_bytes()
    shutil.copy(aside / name, kept / name)
    refusal = issued(home, SECRETS["quill"], SECRETS["ashe"]).exception
    assert isinstance(refusal, PersonKeyError)
    assert str(refusal) == (
        "'quill' cannot sign with a key of their own: the key that lies here is not the one that the ledger ties to "
        "this person."
    )
    (kept / name).write_bytes(newer)
    assert issued(home, SECRETS["again"], SECRETS["ashe"]).exit_code == 0


def test_a_person_without_a_key_is_named(home, monkeypatch):
    """Nothing else signs in the place of a person."""
    _sign(home, "ashe", "released", PASSWORD)
    monkeypatch.setattr("testbench.signers.PERSON_KEY", "backup")
    refusal = issued(home, SECRETS["quill"], SECRETS["ashe"]).exception
    assert str(refusal) == "'quill' cannot sign with a key of their own: the ledger ties no key to this person."


def test_a_revoked_key_is_not_even_asked_for(home):
    """Refused before anybody gives a passphrase; a new one signs."""
    _sign(home, "ashe", "released", PASSWORD)
    revoked = said(home, "keys", "revoke", "Mara Quill", "--reason", "key-lost", "--passphrase-stdin",
                   told=(SECRETS["issuing"],))  # fmt: skip
    assert revoked.exit_code == 0
    refusal = issued(home).exception
    assert isinstance(refusal, PersonKeyError)
    today = SystemClock().utc().date()
    assert str(refusal) == (
        f"'quill' cannot sign with a key of their own: the certificate of Mara Quill was revoked on {today} "
        "(keyCompromise)."
    )
    assert pages(home) == []
    again = said(home, "keys", "renew", "Mara Quill", "--passphrase-stdin", told=(SECRETS["issuing"],)).exception
    assert str(again) == (
        f"Certificate: found 'Mara Quill', which was revoked on {today} (keyCompromise); allowed Certificate root, "
        "Certificate authority, bench B1, Station seal, bench B1, Tobin Ashe; 'testbench keys issue \"Mara Quill\"' "
        "makes a new one."
    )
    assert said(home, *_issue("Mara Quill"), told=(SECRETS["issuing"], SECRETS["again"])).exit_code == 0
    assert issued(home, SECRETS["again"], SECRETS["ashe"]).exit_code == 0


def test_a_name_that_nobody_has_here_is_tied_to_nobody(home):
    """A certificate all the same: another bench of the works may know the person."""
    told = said(home, *_issue("Jonah Reed"), told=(SECRETS["issuing"], SECRETS["again"]))
    assert told.output.splitlines()[-1] == (
        "Nobody is registered under the name Jonah Reed: the key is tied to no person of this bench."
    )


def test_who_signs_the_page_in_the_place_of_another_is_said(home):
    """Both keys are of the works, but the operator's is not that of who performed the run."""
    import io

    from testbench.certificate.content import IssueFacts
    from testbench.certificate.hands import of_persons
    from testbench.certificate.issue import unsealed_document
    from testbench.run.record import canonical, sha256

    _sign(home, "ashe", "released", PASSWORD)
    assert said(home, *_issue("Jonah Reed"), told=(SECRETS["issuing"], SECRETS["again"])).exit_code == 0
    keys = [
        load_person_key(home.keys, name, FromLines(io.StringIO(f"{SECRETS[secret]}\n")))
        for name, secret in (("Jonah Reed", "again"), ("Tobin Ashe", "ashe"))
    ]
    anchors, at = anchors_of(home.keys, (), (), ()), SystemClock().utc()
    with open_store(home) as store:
        record, traces = store.load("B1-000001")
        signed = store.signatures_of("B1-000001")
    hands = of_persons(*keys, anchors)
    facts = IssueFacts(home.bench().works, at, hands.signer, hands.fingerprint, signed)
    page = unsealed_document(record, sha256(canonical(record)), traces, facts, "A4")
    found = verify(hands.sign(page, at), anchors)
    assert (found.intact, found.trusted) == (True, False)
    assert found.reasons == ("It is signed as performed by Mara Quill, but the key is that of Jonah Reed.",)


def test_a_rejection_report_is_sealed_by_the_station(home):
    """Nobody releases it."""
    record, traces = example_run("", valve("HL-6-0118", "NPS 6"), caught="60 mL")
    assert record.verdict == "rejected"
    with open_store(home) as store:
        run = store.begin_run(opening_of(record), STARTED)
        store.seal(record.model_copy(update={"run": run}), traces)
    told = json.loads(said(home, "certificate", "issue", run, "--json").output)
    assert verify(Path(told["document"]), ()).signatures[0].field == "StationSeal"


def test_what_they_signed_is_replaced_by_their_keys_as_well(home):
    """The password of who replaces it first, then both passphrases."""
    _sign(home, "ashe", "released", PASSWORD)
    assert issued(home, SECRETS["quill"], SECRETS["ashe"]).exit_code == 0
    words = ("certificate", "replace", "C-B1-000001", "--why", "The address was misspelt", "--by", "ashe", "--json")
    done = said(home, *words, "--secret-stdin", told=(PASSWORD, SECRETS["quill"], SECRETS["ashe"]))
    assert done.exit_code == 0, done.exception
    told = json.loads(done.output)
    assert told["number"] == "C-B1-000001-2"
    found = verify(Path(told["document"]), anchors_of(home.keys, (), (), ()))
    assert (found.trusted, [one.field for one in found.signatures]) == (True, ["Operator", "Reviewer"])
    assert found.replaces.startswith("C-B1-000001, withdrawn on ")
