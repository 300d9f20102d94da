"""Keys under a passphrase, and the authority's files: made whole or not at all, never overwritten, never shared."""

import shutil
import subprocess
from datetime import timedelta
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from testbench.certificate import authority as ca
from testbench.certificate import pkcs12
from testbench.certificate.anchors import anchors_of
from testbench.certificate.authority import Why
from testbench.certificate.keyring import Authority, load_person_key, make_authority
from testbench.certificate.keys import load_station_key, make_station_key
from testbench.certificate.passphrases import FromLines, FromSystem
from testbench.certificate.signing import seal
from testbench.certificate.verify import verify
from testbench.errors import AuthorityRefusedError, KeyFileError, PassphraseMissingError, PassphraseWrongError

WORKS = "Harrow Lane Valve Works"
SECRET = "correct horse battery"  # of these tests only


@pytest.fixture
def ask(authority: SimpleNamespace) -> Any:
    return authority.ask


@pytest.fixture
def own(authority: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Authority:
    """A copy of the works' keys that a test may change."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    shutil.copytree(authority.folder, tmp_path / "works")
    return Authority(tmp_path / "works" / "home" / "keys")


# PKCS#12 ----------------------------------------------------------------------------------------


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
@pytest.mark.parametrize("secret", [SECRET, "Schlüssel für Bänke €"])
def test_encryption_and_mac_both_cost_a_guesser_six_hundred_thousand_rounds(
    at: Any, tmp_path: Path, secret: str
) -> None:
    """Outside source: openssl pkcs12 -info, which also opens the file."""
    key = ca.new_key()
    path = tmp_path / "key.p12"
    path.write_bytes(pkcs12.packed("root", key, ca.root_certificate(key, WORKS, at), [], secret))
    (tmp_path / "secret").write_text(f"{secret}\n")
    command = ["openssl", "pkcs12", "-info", "-noout", "-in", str(path), "-passin", f"file:{tmp_path / 'secret'}"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    assert "MAC: sha256, Iteration 600000" in said
    assert said.count("PBES2, PBKDF2, AES-256-CBC, Iteration 600000, PRF hmacWithSHA256") == 2
    assert pkcs12.unpacked(path.read_bytes(), secret, "key")[0].private_numbers() == key.private_numbers()


def test_a_wrong_passphrase_opens_nothing(authority: SimpleNamespace) -> None:
    """The sentence does not say which of the two it is, because nobody can know."""
    path = authority.keys / "station.p12"
    with pytest.raises(PassphraseWrongError) as refusal:
        load_station_key(authority.keys, FromLines(StringIO("something else\n")))
    assert str(refusal.value) == f"Key {path} does not open: the passphrase is wrong, or the file was changed."


@pytest.mark.parametrize("mode", [0o640, 0o604])
def test_a_packed_key_that_others_can_read_is_refused(own: Authority, ask: Any, mode: int) -> None:
    """A passphrase is a second lock, not the only one."""
    path = own.keys / "station.p12"
    path.chmod(mode)
    with pytest.raises(KeyFileError) as refusal:
        load_station_key(own.keys, ask)
    assert str(refusal.value) == f"Station key {path}: group or others can use it (mode 0{mode:o})."


# Passphrases ------------------------------------------------------------------------------------


def test_a_passphrase_comes_from_the_file_that_the_environment_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The environment holds a name, never the passphrase."""
    path = tmp_path / "secret"
    path.write_text("one line\nand another\n")
    path.chmod(0o600)
    monkeypatch.setenv("TESTBENCH_PASSPHRASE_FILE", str(path))
    assert FromSystem().known("the key") == "one line"
    path.chmod(0o644)
    with pytest.raises(PassphraseMissingError) as refusal:
        FromSystem().known("the key")
    assert str(refusal.value) == (
        f"Passphrase of the key cannot be used: group or others can read {path} (mode 0644); allowed is mode 0600."
    )


def test_a_passphrase_comes_from_the_service_managers_credentials(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """systemd.exec(5), LoadCredential: a file of that name in $CREDENTIALS_DIRECTORY."""
    monkeypatch.delenv("TESTBENCH_PASSPHRASE_FILE", raising=False)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "testbench-passphrase").write_text("from the system\n")
    (tmp_path / "testbench-passphrase").chmod(0o400)
    assert FromSystem().known("the key") == "from the system"


def test_without_a_terminal_nobody_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """The recorder's child must end with a sentence, not wait for ever."""
    monkeypatch.delenv("TESTBENCH_PASSPHRASE_FILE", raising=False)
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    monkeypatch.setattr("sys.stdin", StringIO())
    with pytest.raises(PassphraseMissingError) as refusal:
        FromSystem().known("the key")
    assert str(refusal.value) == (
        "Passphrase of the key cannot be used: there is no terminal to ask at; allowed is the file that "
        "TESTBENCH_PASSPHRASE_FILE names, the system's credential testbench-passphrase, a terminal."
    )


@pytest.mark.parametrize(("length", "good"), [(11, False), (12, True)])
def test_a_new_passphrase_has_twelve_characters(length: int, good: bool) -> None:
    """House decision, on both sides of it."""
    lines = FromLines(StringIO("x" * length + "\n"))
    if good:
        assert lines.chosen("the root") == "x" * length
        return
    with pytest.raises(PassphraseMissingError) as refusal:
        lines.chosen("the root")
    assert str(refusal.value) == (
        "Passphrase of the root cannot be used: 11 characters are too few; allowed is 12 characters or more."
    )


# Making -----------------------------------------------------------------------------------------


def test_every_private_key_is_its_owners_alone(authority: SimpleNamespace) -> None:
    """Whatever ends in .p12, in the home and with the root."""
    packed = list(authority.folder.rglob("*.p12"))
    assert sorted(path.stem for path in packed) == [
        "Mara_Quill-aa518b52", "Tobin_Ashe-7e85d2ef", "issuing", "root", "station",
    ]  # fmt: skip
    assert {path.stat().st_mode & 0o777 for path in packed} == {0o600}
    assert {path.parent.stat().st_mode & 0o777 for path in packed} == {0o700}


def test_the_root_does_not_lie_in_the_home(tmp_path: Path, at: Any, ask: Any) -> None:
    """Who takes the bench must not have the root."""
    keys = tmp_path / "home" / "keys"
    with pytest.raises(AuthorityRefusedError) as refusal:
        make_authority(keys, tmp_path / "home" / "root", WORKS, at, ask)
    assert str(refusal.value) == (
        f"Folder of the root: found {tmp_path / 'home' / 'root'}; allowed one outside the home, on its own medium."
    )
    assert not keys.exists()


def test_an_authority_is_made_once(own: Authority, tmp_path: Path, at: Any, ask: Any) -> None:
    """A second root would make every certificate of the first look foreign."""
    before = {path: path.read_bytes() for path in own.keys.rglob("*") if path.is_file()}
    with pytest.raises(AuthorityRefusedError, match="found one that exists"):
        make_authority(own.keys, tmp_path / "other", WORKS, at, ask)
    assert {path: path.read_bytes() for path in own.keys.rglob("*") if path.is_file()} == before


def test_a_home_without_an_authority_says_so(tmp_path: Path) -> None:
    """And what makes one."""
    with pytest.raises(AuthorityRefusedError) as refusal:
        Authority(tmp_path)
    assert str(refusal.value) == (
        f"Authority {tmp_path / 'authority'}: found none; allowed one made by 'testbench keys init'."
    )


@pytest.mark.parametrize("name", ["", "   ", "x" * 65, "two\nlines"])
def test_a_name_that_cannot_stand_in_a_certificate_is_refused(own: Authority, at: Any, ask: Any, name: str) -> None:
    """X.509 allows 64 characters for a common name (RFC 5280, appendix A.1)."""
    with pytest.raises(AuthorityRefusedError) as refusal:
        own.issue_person(name, WORKS, at, ask)
    assert str(refusal.value) == f"Name of a person: found '{name}'; allowed 1 to 64 printable characters."


# Replacing --------------------------------------------------------------------------------------


def test_what_the_old_station_key_sealed_stays_valid(own: Authority, unsealed: bytes, at: Any, ask: Any) -> None:
    """Rotation with overlap: both certificates count, both are listed; the old one lies there, its key does not."""
    old = load_station_key(own.keys, ask)
    before = seal(unsealed, old, at)
    own.issue_station("B1", WORKS, at + timedelta(days=700), ask, plain=False)
    new = load_station_key(own.keys, ask)
    after = seal(unsealed, new, at + timedelta(days=701))
    anchors = anchors_of(own.keys, (), (), ())
    assert new.fingerprint != old.fingerprint
    assert [verify(data, anchors).signatures[0].trusted for data in (before, after)] == [True, True]
    assert [path.name for path in own.keys.glob("station*.p12")] == ["station.p12"]
    assert (own.keys / f"station-cert-{old.fingerprint[:12]}.pem").exists()
    states = [entry.state(at + timedelta(days=701)) for entry in own.register.entries if entry.role == "station"]
    assert states == ["due for renewal", "in force"]


def test_a_persons_old_key_is_destroyed_as_well(own: Authority, at: Any, ask: Any) -> None:
    """Its certificate stays beside the new one."""
    old = load_person_key(own.keys, "Mara Quill", ask)
    own.issue_person("Mara Quill", WORKS, at, ask)
    assert load_person_key(own.keys, "Mara Quill", ask).fingerprint != old.fingerprint
    people = sorted(path.name for path in (own.keys / "people").glob("Mara*"))
    assert people == [
        f"Mara_Quill-aa518b52-cert-{old.fingerprint[:12]}.pem", "Mara_Quill-aa518b52-cert.pem",
        "Mara_Quill-aa518b52.p12",
    ]  # fmt: skip


def test_a_new_issuing_authority_leaves_the_old_one_revoking(
    own: Authority, unsealed: bytes, at: Any, ask: Any
) -> None:
    """Certificates of both lead to the root; each has its own list."""
    old, root_dir = load_person_key(own.keys, "Mara Quill", ask), own.keys.parents[1] / "root"
    before = len(own.revocation_lists())
    own.renew_issuing(root_dir, WORKS, at + timedelta(days=30), ask)
    own.issue_station("B1", WORKS, at + timedelta(days=30), ask, plain=False)
    station = load_station_key(own.keys, ask)
    assert station.chain != old.chain
    assert len(own.revocation_lists()) == before + 1
    own.revoke("Mara Quill", Why.KEY_COMPROMISE, at + timedelta(days=31), ask, None)
    anchors = anchors_of(own.keys, (), (), ())
    later = at + timedelta(days=31)
    assert verify(seal(unsealed, station, later), anchors).signatures[0].trusted
    found = verify(seal(unsealed, old, later), anchors)
    assert (found.trusted, found.reasons[-1]) == (
        False, "The certificate of Mara Quill is not made for this signature.",
    )  # fmt: skip


# Revoking ---------------------------------------------------------------------------------------


def test_what_is_not_there_cannot_be_revoked(own: Authority, at: Any, ask: Any) -> None:
    """The sentence lists what is."""
    with pytest.raises(AuthorityRefusedError) as refusal:
        own.revoke("Nobody", Why.SUPERSEDED, at, ask, None)
    assert str(refusal.value) == (
        "Certificate: found 'Nobody'; allowed Certificate root, Certificate authority, Station seal, bench B1, "
        "Mara Quill, Tobin Ashe."
    )


def test_only_the_root_revokes_an_authority(own: Authority, at: Any, ask: Any) -> None:
    """And nobody revokes the root: it is replaced."""
    with pytest.raises(AuthorityRefusedError, match="only the root revokes an authority"):
        own.revoke("Certificate authority", Why.KEY_COMPROMISE, at, ask, None)
    with pytest.raises(AuthorityRefusedError, match="found the root"):
        own.revoke("Certificate root", Why.KEY_COMPROMISE, at, ask, None)


def test_a_wrong_passphrase_revokes_nothing(own: Authority, at: Any) -> None:
    """Nothing half-done: neither the register nor a list has changed."""
    before = {path: path.read_bytes() for path in own.folder.iterdir()}
    with pytest.raises(PassphraseWrongError):
        own.revoke("Mara Quill", Why.KEY_COMPROMISE, at, FromLines(StringIO("wrong\n")), None)
    assert {path: path.read_bytes() for path in own.folder.iterdir()} == before
    assert Authority(own.keys).register.find("Mara Quill", Why.SUPERSEDED).revoked is None


def test_the_old_key_file_is_never_overwritten(tmp_path: Path, at: Any) -> None:
    """Making a plain key twice is refused as before."""
    make_station_key(tmp_path, "B1", WORKS, at)
    with pytest.raises(KeyFileError):
        make_station_key(tmp_path, "B1", WORKS, at)
