"""The works' certificates and revocation lists, read by openssl."""

import shutil
import subprocess
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from cryptography import x509

from testbench.certificate import authority as ca
from testbench.certificate.authority import Role, Subject, Why

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")


def openssl(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["openssl", *arguments], capture_output=True, text=True, check=False)


def text_of(path: Path) -> str:
    return openssl("x509", "-in", str(path), "-noout", "-text").stdout


def test_the_root_signs_certificates_and_lists_and_nothing_else(authority: SimpleNamespace) -> None:
    """RFC 5280, 4.2.1.3 and 4.2.1.9: keyCertSign and cRLSign, a path of one authority below it (outside: openssl)."""
    shown = text_of(authority.root_dir / "root-cert.pem")
    assert "Subject: O = Harrow Lane Valve Works, OU = root, CN = Certificate root" in shown
    assert "CA:TRUE, pathlen:1" in shown
    assert "X509v3 Key Usage: critical\n                Certificate Sign, CRL Sign\n" in shown
    assert "Not Before: Nov 24 10:02:03 2026 GMT" in shown
    assert "Not After : Nov 25 10:02:03 2046 GMT" in shown


def test_the_issuing_authority_can_make_no_other_authority(authority: SimpleNamespace) -> None:
    """A path length of 0 (RFC 5280, 4.2.1.9)."""
    shown = text_of(authority.keys / "authority" / "issuing-cert.pem")
    assert "CA:TRUE, pathlen:0" in shown
    assert "Certificate Sign, CRL Sign" in shown
    assert "Not After : Nov 25 10:02:03 2036 GMT" in shown


@pytest.mark.parametrize("who", ["station-cert.pem", "people/Mara_Quill-aa518b52-cert.pem"])
def test_a_station_or_person_signs_documents_for_two_years(authority: SimpleNamespace, who: str) -> None:
    """digitalSignature with contentCommitment, and the purpose of RFC 9336 (1.3.6.1.5.5.7.3.36)."""
    shown = text_of(authority.keys / who)
    assert "CA:FALSE" in shown
    assert "X509v3 Key Usage: critical\n                Digital Signature, Non Repudiation\n" in shown
    assert "1.3.6.1.5.5.7.3.36" in shown
    assert "Not After : Nov 24 10:02:03 2028 GMT" in shown


def test_the_chain_holds_and_a_list_breaks_it(authority: SimpleNamespace, tmp_path: Path) -> None:
    """Outside source: openssl verify, with and without a revocation list."""
    folder, at = authority.keys / "authority", authority.made.register.entries[0].since
    when = ["-attime", str(int(at.timestamp()) + 200_000)]
    chain = ["-CAfile", str(folder / "root-cert.pem"), "-untrusted", str(folder / "issuing-cert.pem"), *when]
    leaf = str(authority.keys / "station-cert.pem")
    assert openssl("verify", *chain, leaf).stdout == f"{leaf}: OK\n"
    issuer = unlocked(authority)
    serial = x509.load_pem_x509_certificate(Path(leaf).read_bytes()).serial_number
    for revoked, said in (((), "OK"), ((ca.Revoked(serial, at, Why.KEY_COMPROMISE),), "certificate revoked")):
        made = ca.revocation_list(issuer, Role.ISSUING, revoked, 7, at + timedelta(days=1))
        path = tmp_path / "list.pem"
        path.write_bytes(made.public_bytes(ca_encoding()))
        found = openssl("verify", "-crl_check", "-CRLfile", str(path), *chain, leaf)
        assert said in found.stdout + found.stderr


def test_a_list_says_who_why_and_until_when_it_counts(authority: SimpleNamespace, at: Any, tmp_path: Path) -> None:
    """RFC 5280, 5: number, reason, next update after 35 days (outside: openssl crl)."""
    made = ca.revocation_list(unlocked(authority), Role.ISSUING, [ca.Revoked(0xABC, at, Why.SUPERSEDED)], 7, at)
    (tmp_path / "list").write_bytes(made.public_bytes(ca_encoding()))
    shown = openssl("crl", "-in", str(tmp_path / "list"), "-noout", "-text").stdout
    assert "Serial Number: 0ABC" in shown
    assert "Superseded" in shown
    assert "X509v3 CRL Number: \n                7" in shown
    assert "Next Update: Dec 30 10:02:03 2026 GMT" in shown


def test_nothing_outlives_its_issuer(authority: SimpleNamespace) -> None:
    """A certificate made in the last year of the authority ends with it."""
    issuer = unlocked(authority)
    end = issuer.certificate.not_valid_after_utc
    late = ca.certificate_for(
        Subject(Role.PERSON, "Mara Quill", "Works"), ca.new_key().public_key(), issuer, end - timedelta(days=9)
    )
    assert late.not_valid_after_utc == end


def unlocked(authority: SimpleNamespace) -> ca.Issuer:
    from testbench.certificate.pkcs12 import unpacked

    path = authority.keys / "authority" / "issuing.p12"
    key, certificate, _ = unpacked(path.read_bytes(), authority.ask.secret, str(path))
    return ca.Issuer(key, certificate)


def ca_encoding() -> Any:
    from cryptography.hazmat.primitives.serialization import Encoding

    return Encoding.PEM
