"""The one part of a file that no signature covers: its own value, between the two signed ranges.

A station writes it in one way: ``<``, the envelope in capital hexadecimal digits, noughts up to the room, ``>``. A PDF
reader takes many more for the same string (ISO 32000-1, 7.3.4.3, from memory: digits of either case, white space
between them, a missing last digit is nought), so each of those would be a change that nobody's reader shows.
"""

import re
from collections.abc import Callable

import pytest
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature, encode_dss_signature

from testbench.certificate.seals import reader_of
from testbench.certificate.signing import ORDER
from testbench.certificate.stamping import envelope_of
from testbench.certificate.verify import verify


def hole(data: bytes, last: bool) -> tuple[int, int]:
    """Where the value of the first or last signature lies, brackets included."""
    found = list(re.finditer(rb"/ByteRange\s*\[\s*\d+ (\d+) (\d+)", data))[-1 if last else 0]
    return int(found[1]), int(found[2])


def small_digits(value: bytes) -> bytes:
    return value.lower()


def one_small_digit(value: bytes) -> bytes:
    at = next(index for index, digit in enumerate(value) if digit in b"ABCDEF")
    return value[:at] + value[at : at + 1].lower() + value[at + 1 :]


def space_before(value: bytes) -> bytes:
    return b" " + value[:-2] + b">"


def space_within(value: bytes) -> bytes:
    return value[:100] + b" " + value[100:-2] + b">"


def space_for_the_last_digit(value: bytes) -> bytes:
    return value[:-2] + b" >"


def newline_for_the_last_digit(value: bytes) -> bytes:
    return value[:-2] + b"\n>"


def zero_byte_for_the_last_digit(value: bytes) -> bytes:
    return value[:-2] + b"\0>"


def odd_number_of_digits(value: bytes) -> bytes:
    return value[:-2] + b">\n"


def ended_early(value: bytes) -> bytes:
    return value[:-3] + b"> >"


def comment_behind(value: bytes) -> bytes:
    return value[:-3] + b">%\n"


def other_padding(value: bytes) -> bytes:
    return value[:-3] + b"FF>"


def other_padding_in_half_a_byte(value: bytes) -> bytes:
    return value[:-2] + b"1>"


def other_padding_at_its_begin(value: bytes) -> bytes:
    room = len(value) - 1 - len(value[:-1].rstrip(b"0"))
    at = len(value) - 1 - room + 2
    return value[:at] + b"1" + value[at + 1 :]


WAYS = (
    small_digits, one_small_digit, space_before, space_within, space_for_the_last_digit, newline_for_the_last_digit,
    zero_byte_for_the_last_digit, odd_number_of_digits, ended_early, comment_behind, other_padding,
    other_padding_in_half_a_byte, other_padding_at_its_begin,
)  # fmt: skip


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize(("which", "last"), [("sealed", True), ("locked", False), ("locked", True)])
def test_the_value_of_a_signature_is_written_in_one_way(
    way: Callable[[bytes], bytes], which: str, last: bool, sealed: bytes, locked: bytes
) -> None:
    """A station's seal, the operator's signature under the reviewer's, the reviewer's: the same length, one change."""
    data = {"sealed": sealed, "locked": locked}[which]
    first, second = hole(data, last)
    changed = data[:first] + way(data[first:second]) + data[second:]
    assert changed != data
    assert len(changed) == len(data)
    assert verify(data, ()).intact
    found = verify(changed, ())
    assert (found.intact, found.number) == (False, "")


def test_the_twin_of_a_value_is_a_change(sealed: bytes) -> None:
    """With (r, s) also (r, n - s) is right (ECDSA; from memory, and seen here): we write the lower one only."""
    seal = reader_of(sealed).embedded_signatures[0]
    r, s = decode_dss_signature(seal.signer_info["signature"].native)
    seal.signer_info["signature"] = encode_dss_signature(r, ORDER - s)
    first, second = hole(sealed, last=True)
    digits = envelope_of(seal, None).ljust((second - first - 2) // 2, b"\0").hex().upper().encode()
    twin = sealed[: first + 1] + digits + sealed[second - 1 :]
    assert (twin == sealed, len(twin) == len(sealed)) == (False, True)
    found = verify(twin, ())
    assert (found.intact, found.reasons[0]) == (False, "Its content was changed after it was sealed.")
