"""The station key: made once, readable by its owner alone, named by its fingerprint."""

import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from testbench.certificate.keys import grouped, load_station_key, make_station_key, read_certificate
from testbench.errors import KeyFileError

AT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def test_a_key_is_made_for_its_owner_alone(tmp_path: Path) -> None:
    """Mode 0600 from the first moment; the folder is closed to others as well."""
    folder = tmp_path / "keys"
    fingerprint = make_station_key(folder, "B1", "Harrow Lane Valve Works", AT)
    assert (folder / "station-key.pem").stat().st_mode & 0o777 == 0o600
    assert folder.stat().st_mode & 0o777 == 0o700
    key = load_station_key(folder)
    assert (key.fingerprint, key.signer) == (fingerprint, "Station seal, bench B1, Harrow Lane Valve Works")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_openssl_reads_key_and_certificate(tmp_path: Path) -> None:
    """P-256, ten years, for signatures only (outside source: the openssl program)."""
    fingerprint = make_station_key(tmp_path, "B1", "Harrow Lane Valve Works", AT)
    shown = subprocess.run(
        ["openssl", "x509", "-in", str(tmp_path / "station-cert.pem"), "-noout", "-text", "-fingerprint", "-sha256"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert "NIST CURVE: P-256" in shown
    assert "Digital Signature, Non Repudiation" in shown
    assert "Not After : Nov 25 08:00:00 2036 GMT" in shown
    assert fingerprint.upper() in shown.replace(":", "")


def test_an_existing_key_is_never_overwritten(tmp_path: Path) -> None:
    """A second key would make every document of the first look foreign."""
    make_station_key(tmp_path, "B1", "Harrow Lane Valve Works", AT)
    before = (tmp_path / "station-key.pem").read_bytes()
    with pytest.raises(KeyFileError) as refusal:
        make_station_key(tmp_path, "B1", "Harrow Lane Valve Works", AT)
    path = tmp_path / "station-cert.pem"
    assert str(refusal.value) == f"Station key {path}: it exists already and is not overwritten."
    assert (tmp_path / "station-key.pem").read_bytes() == before


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o620])
def test_a_key_that_others_can_use_is_refused(tmp_path: Path, mode: int) -> None:
    """Whoever can read the key can seal."""
    make_station_key(tmp_path, "B1", "Harrow Lane Valve Works", AT)
    path = tmp_path / "station-key.pem"
    path.chmod(mode)
    with pytest.raises(KeyFileError) as refusal:
        load_station_key(tmp_path)
    assert str(refusal.value) == f"Station key {path}: group or others can use it (mode 0{mode:o})."
    assert refusal.value.remedy == "Run 'testbench init' to make a key, or set its permissions to 0600."


def test_a_missing_key_or_certificate_is_refused(tmp_path: Path) -> None:
    """Nothing is sealed with half a key."""
    with pytest.raises(KeyFileError) as refusal:
        load_station_key(tmp_path)
    assert str(refusal.value) == f"Station key {tmp_path / 'station-key.pem'}: it is missing."
    make_station_key(tmp_path, "B1", "Harrow Lane Valve Works", AT)
    (tmp_path / "station-cert.pem").unlink()
    with pytest.raises(KeyFileError) as refusal:
        load_station_key(tmp_path)
    assert str(refusal.value) == f"Station key {tmp_path / 'station-cert.pem'}: the certificate is missing."


def test_a_damaged_or_foreign_file_is_refused(tmp_path: Path) -> None:
    """Key and certificate must belong together."""
    one, two = tmp_path / "one", tmp_path / "two"
    make_station_key(one, "B1", "Harrow Lane Valve Works", AT)
    make_station_key(two, "B1", "Harrow Lane Valve Works", AT)
    (one / "station-cert.pem").write_bytes((two / "station-cert.pem").read_bytes())
    with pytest.raises(KeyFileError, match=re.escape("it does not belong to station-cert.pem beside it")):
        load_station_key(one)
    (two / "station-cert.pem").write_text("no certificate")
    with pytest.raises(KeyFileError, match="it holds no certificate"):
        read_certificate(two / "station-cert.pem")
    (two / "station-key.pem").write_text("no key")
    with pytest.raises(KeyFileError, match="it holds no private key that can be read"):
        load_station_key(two)


def test_a_works_name_of_sixty_characters_fits_the_certificate(tmp_path: Path) -> None:
    """X.509 allows 64 characters for an organization."""
    make_station_key(tmp_path, "B" * 20, "Ä" * 60, AT)
    assert load_station_key(tmp_path).signer == f"Station seal, bench {'B' * 20}, {'Ä' * 60}"


def test_a_fingerprint_is_grouped_for_reading_aloud() -> None:
    """Groups of four can be compared over the telephone."""
    assert grouped("0a1b2c3d4e5f") == "0A1B 2C3D 4E5F"
