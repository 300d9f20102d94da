"""A signature binds exactly one record and its readings; its id is a UUID of version 7."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.run.signature import Signature, trace_sha256, uuid7

DIGEST = st.binary(min_size=32, max_size=32).map(bytes.hex)


def test_the_example_of_the_standard():
    """RFC 9562, appendix A.6: 2022-02-22 14:22:22.00 −05:00, rand_a CC3, rand_b 18C4DC0C0C07398F."""
    assert uuid7(0x017F22E279B0, 0xCC3 << 62 | 0x18C4DC0C0C07398F) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


@given(st.lists(st.tuples(st.integers(0, 2**48 - 1), st.integers(0, 2**74 - 1)), min_size=2))
def test_ids_of_later_milliseconds_sort_behind(made):
    """RFC 9562, section 5.7: version and variant at their places, the time in front."""
    ids = [uuid7(*one) for one in made]
    assert all(found[14] == "7" and found[19] in "89ab" for found in ids)
    assert [found[:13] for found in sorted(ids)] == [uuid7(*one)[:13] for one in sorted(made)]


def test_the_trace_hash_is_defined_to_the_byte():
    """SHA-256 over the hashes as ASCII, each with a line feed."""
    one, two = "a" * 64, "b" * 64
    assert trace_sha256([one, two]) == hashlib.sha256(b"a" * 64 + b"\n" + b"b" * 64 + b"\n").hexdigest()
    assert trace_sha256([]) == hashlib.sha256(b"").hexdigest()


@given(st.lists(DIGEST, min_size=2, max_size=6, unique=True))
def test_another_order_or_another_trace_is_another_hash(hashes):
    """Readings cannot be exchanged between the stages."""
    assert trace_sha256(hashes) != trace_sha256(hashes[::-1])
    assert trace_sha256(hashes) != trace_sha256(hashes[:-1])


def signed(**other) -> Signature:
    facts = {
        "id": uuid7(1, 1), "person": "quill", "printed_name": "Mara Quill", "role": "operator", "meaning": "performed",
        "statement": "I performed this run.", "signed_at": "2026-11-25T08:00:00.000Z", "utc_offset_minutes": 60,
        "clock_status": "not set", "bench": "B1", "method": "PIN", "subject": "run", "subject_id": "B1-000001",
        "record_sha256": "0" * 64,
    }  # fmt: skip
    return Signature.model_validate(facts | other)


def test_what_came_later_is_left_out_of_an_old_signature():
    """The ledger's head has a place and no bytes where there is no ledger."""
    assert "ledger_seq" not in signed().model_dump()
    assert signed(ledger_seq=7, ledger_head="f" * 64).model_dump()["ledger_seq"] == 7


@pytest.mark.parametrize("wrong", [{"id": "1"}, {"record_sha256": "0"}, {"statement": ""}, {"meaning": "seen"}])
def test_a_signature_without_its_parts_is_none(wrong):
    """Who, what, when and what of: nothing may be missing."""
    with pytest.raises(ValueError, match=next(iter(wrong))):
        signed(**wrong)
