"""The key of the ledger, and the checkpoint that a document carries."""

import json
from io import BytesIO

import pikepdf
import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pypdf import PdfReader

from testbench.certificate.attach import CHECKPOINT
from testbench.certificate.content import IssueFacts
from testbench.certificate.issue import unsealed_document
from testbench.certificate.keys import grouped, load_station_key
from testbench.certificate.ledger_key import (
    KEY_FILE,
    is_signed,
    load_ledger_key,
    make_ledger_key,
    public_part,
    signed,
)
from testbench.certificate.signing import seal
from testbench.certificate.verify import in_words, verify
from testbench.errors import KeyFileError

# RFC 8032, 7.1, TEST 2 and TEST 3: secret key, public key, message, signature. (Typed from the RFC.)
RFC_8032 = [
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
            "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
            "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
]


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_signatures_are_those_of_rfc_8032(secret, public, message, signature):
    """The library signs as the RFC's own examples say, and refuses them over another message."""
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert public_part(key) == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    with pytest.raises(InvalidSignature):
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), b"other")


def test_a_checkpoint_is_good_until_a_single_digit_of_it_changes(bench):
    """Bench, number, head, time, key and signature are all bound."""
    good = bench.checkpoint
    assert is_signed(good)
    other = public_part(Ed25519PrivateKey.from_private_bytes(bytes(32)))
    changes = {
        "bench": "B2", "n": 1235, "head": good.head[::-1], "at": good.at + 1, "key": other,
        "signature": good.signature[:-1] + ("0" if good.signature[-1] != "0" else "1"),
    }  # fmt: skip
    assert set(changes) == set(type(good).model_fields) - {"v"}
    for name, value in changes.items():
        assert not is_signed(good.model_copy(update={name: value})), name


def test_a_checkpoint_that_names_another_key_was_signed_by_another_key(bench):
    """Whoever signs with a key of his own cannot name that of the bench."""
    thief = Ed25519PrivateKey.from_private_bytes(bytes(32))
    forged = signed(thief, bench="B1", n=1234, head="0" * 64, at=0)
    assert is_signed(forged)
    assert not is_signed(forged.model_copy(update={"key": bench.checkpoint.key}))


def test_the_key_is_its_owners_alone_and_never_overwritten(tmp_path):
    """Mode 0600; a second making is refused."""
    public = make_ledger_key(tmp_path)
    assert (tmp_path / KEY_FILE).stat().st_mode & 0o777 == 0o600
    assert public_part(load_ledger_key(tmp_path / KEY_FILE)) == public
    with pytest.raises(KeyFileError, match="it exists already and is not overwritten"):
        make_ledger_key(tmp_path)
    (tmp_path / KEY_FILE).chmod(0o640)
    with pytest.raises(KeyFileError) as refusal:
        load_ledger_key(tmp_path / KEY_FILE)
    assert str(refusal.value) == f"Station key {tmp_path / KEY_FILE}: group or others can use it (mode 0640)."


def test_another_kind_of_key_is_refused(tmp_path, keys):
    """The station key in its place would sign what it should not."""
    (tmp_path / KEY_FILE).write_bytes((keys / "station-key.pem").read_bytes())
    (tmp_path / KEY_FILE).chmod(0o600)
    with pytest.raises(KeyFileError, match="it holds another kind of key than Ed25519"):
        load_ledger_key(tmp_path / KEY_FILE)


def test_a_document_carries_its_checkpoint_printed_and_whole(sealed, keys, bench):
    """The line for people, the JSON for programs; the check says both."""
    judged = verify(sealed, [load_station_key(keys).certificate])
    assert (judged.intact, json.loads(judged.checkpoint)) == (True, bench.checkpoint.model_dump())
    assert "  ledger       B1 1234 7e6c dbc4 c553 4a27, key 5647 5AA7 5463 474C" in in_words(judged)
    assert "B1 1234 7e6c dbc4 c553 4a27 (bench, entries, head" in PdfReader(BytesIO(sealed)).pages[0].extract_text()


def test_a_document_whose_checkpoint_is_not_signed_is_not_good(accepted, bench, keys, at):
    """Even where the station itself sealed it."""
    key = load_station_key(keys)
    facts = IssueFacts(bench.works, at, key.signer, grouped(key.fingerprint), checkpoint=bench.checkpoint)
    drawn = unsealed_document(accepted.record, accepted.sha256, accepted.traces, facts, "A4")
    out = BytesIO()
    with pikepdf.open(BytesIO(drawn)) as pdf:
        forged = bench.checkpoint.model_copy(update={"n": 1})
        old = pdf.attachments[CHECKPOINT]
        pdf.attachments[CHECKPOINT] = pikepdf.AttachedFileSpec(pdf, forged.text.encode(), filename=old.filename)
        pdf.save(out)
    judged = verify(seal(out.getvalue(), key, at), [key.certificate])
    assert judged.reasons == ("The attached checkpoint of the ledger is not signed by the key that it names.",)
    assert (judged.intact, judged.checkpoint) == (False, "")
