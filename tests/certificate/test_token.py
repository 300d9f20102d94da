"""The station key on a token: SoftHSM in place of a card, judged as any other key."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from datetime import datetime
from io import StringIO
from pathlib import Path
from types import SimpleNamespace

import pytest

from testbench.certificate import pkcs12
from testbench.certificate.anchors import anchors_of
from testbench.certificate.content import IssueFacts
from testbench.certificate.hands import of_station
from testbench.certificate.issue import unsealed_document
from testbench.certificate.keyring import Authority
from testbench.certificate.keys import load_station_key
from testbench.certificate.passphrases import FromLines
from testbench.certificate.signing import seal
from testbench.certificate.verify import verify
from testbench.errors import KeyFileError, TokenFailedError

WORKS = "Harrow Lane Valve Works"
MODULE = Path("/usr/lib/softhsm/libsofthsm2.so")
pytestmark = pytest.mark.skipif(
    not MODULE.exists() or shutil.which("pkcs11-tool") is None, reason="softhsm2 or opensc is not installed"
)


@pytest.fixture(scope="module")
def token(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A token with a P-256 pair that was made on it, and one of another curve. SoftHSM reads its settings once."""
    folder = tmp_path_factory.mktemp("token")
    (folder / "tokens").mkdir()
    (folder / "softhsm2.conf").write_text(f"directories.tokendir = {folder / 'tokens'}\nlog.level = ERROR\n")
    os.environ["SOFTHSM2_CONF"] = str(folder / "softhsm2.conf")
    tool = ["pkcs11-tool", "--module", str(MODULE)]
    make = ["softhsm2-util", "--init-token", "--free", "--label", "bench B1", "--pin", "4711", "--so-pin", "4712"]
    subprocess.run(make, check=True, capture_output=True)
    for number, (label, curve) in enumerate((("station", "EC:prime256v1"), ("other", "EC:secp384r1"))):
        pair = ["--login", "--pin", "4711", "--keypairgen", "--key-type", curve, "--label", label, "--id", f"0{number}"]
        subprocess.run([*tool, "--token-label", "bench B1", *pair], check=True, capture_output=True)
    yield {"module": str(MODULE), "token": "bench B1", "key": "station"}
    del os.environ["SOFTHSM2_CONF"]


@pytest.fixture
def own(authority: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Authority:
    """A copy of the works' keys that a test may change."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    shutil.copytree(authority.folder, tmp_path / "works")
    return Authority(tmp_path / "works" / "home" / "keys")


def lines(*told: str) -> FromLines:
    return FromLines(StringIO("".join(f"{line}\n" for line in told)))


def test_a_document_is_sealed_by_a_key_that_never_leaves_its_token(
    own: Authority, token: dict[str, str], bench: SimpleNamespace, authority: SimpleNamespace, at: datetime
) -> None:
    """The home holds names only; the certificate was made for the public half."""
    own.move_station_to_token(token, "B1", WORKS, at, lines("4711", authority.ask.secret))
    assert not (own.keys / "station.p12").exists()
    assert not (own.keys / "station-key.pem").exists()
    key = load_station_key(own.keys, lines("4711"))
    assert key.signer == "Station seal, bench B1, Harrow Lane Valve Works"
    again = load_station_key(own.keys, lines("4711"))  # a batch loads it for each document
    run, hands = bench.tell(bench.accepted_nps_4), of_station(key)
    facts = IssueFacts(bench.works, at, hands.signer, hands.fingerprint)
    page = unsealed_document(run.record, run.sha256, run.traces, facts, "A4")
    found = verify(seal(page, again, at), anchors_of(own.keys, (), (), ()))
    for one in (key, again):
        one.key.close()  # type: ignore[attr-defined]
    assert (found.intact, found.trusted, found.follows) == (True, True, True)
    # outside source: pkcs11-tool says what the token lets out
    shown = subprocess.run(
        ["pkcs11-tool", "--module", str(MODULE), "--token-label", "bench B1", "--login", "--pin", "4711", "-O"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert "sensitive, always sensitive, never extractable, local" in shown


@pytest.mark.parametrize(
    ("change", "pin", "said"),
    [
        ({"token": "bench B9"}, "4711", "Token bench B9: no key 'station' could be opened ("),
        ({"key": "nobody"}, "4711", "Token bench B1: no key 'nobody' could be opened ("),
        ({"key": "other"}, "4711", "Token bench B1: it holds another kind of key than ECDSA P-256."),
        ({"module": "/nowhere.so"}, "4711", "Token bench B1: no key 'station' could be opened ("),
        ({}, "0000", "Token bench B1: no key 'station' could be opened (PinIncorrect)."),
    ],
)
def test_a_token_that_does_not_answer_changes_nothing(
    own: Authority, token: dict[str, str], authority: SimpleNamespace, at: datetime,
    change: dict[str, str], pin: str, said: str,
) -> None:  # fmt: skip
    """The station keeps the key that it has."""
    before = sorted(path.name for path in own.keys.iterdir())
    with pytest.raises(TokenFailedError) as refusal:
        own.move_station_to_token(token | change, "B1", WORKS, at, lines(pin, authority.ask.secret))
    assert str(refusal.value).startswith(said)
    assert sorted(path.name for path in own.keys.iterdir()) == before
    assert load_station_key(own.keys, authority.ask).fingerprint == authority.station.fingerprint


def test_a_file_that_names_no_token_is_refused(tmp_path: Path) -> None:
    """Which file, and what it lacks."""
    (tmp_path / "token.toml").write_text('module = "x"\n')
    with pytest.raises(KeyFileError) as refusal:
        load_station_key(tmp_path, lines("4711"))
    assert str(refusal.value) == (f"Station key {tmp_path / 'token.toml'}: it does not name module, token and key.")
