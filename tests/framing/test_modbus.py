"""Modbus frames: the specification's examples, every cut, and everything that is no answer to the query.

Examples, from memory: MODBUS Application Protocol Specification V1.1b3, 6.3 (registers 108 to 110) and 6.4 (register
9). Frames are built by pymodbus 3.16.1 as well, which shares no code with this program.
"""

import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
    ReadInputRegistersResponse,
)

from testbench.framing.checksums import crc16
from testbench.framing.modbus import EXCEPTIONS, Block, Function, ReadQuery, TcpConversation
from testbench.framing.readings import Reading, Rejected, RejectReason
from testbench.framing.registers import RegisterMap, RegisterType, RegisterValue

HOLDING, INPUT = Function.HOLDING_REGISTERS, Function.INPUT_REGISTERS
UINT = RegisterType.UINT16
BLOCK = Block(ReadQuery(17, HOLDING, 107, 3), RegisterMap(tuple(RegisterValue(at, UINT) for at in range(3))))
ANSWER_PDU = bytes.fromhex("0306022B00000064")
VALUES = Reading(555, (0, 100))


def rtu(unit: int, pdu: bytes) -> bytes:
    body = bytes([unit]) + pdu
    return body + crc16(body).to_bytes(2, "little")


def asked(**settings: bool):
    conversation = BLOCK.rtu(**settings)
    conversation.ask()
    return conversation


def test_the_example_of_function_3():
    """Registers 108 to 110, addressed 107, hold 555, 0 and 100."""
    assert BLOCK.query.pdu() == bytes.fromhex("03006B0003")
    assert BLOCK.answer(ANSWER_PDU, b"") == VALUES


def test_the_example_of_function_4():
    """Register 9, addressed 8, holds 10."""
    block = Block(ReadQuery(1, INPUT, 8, 1), RegisterMap((RegisterValue(0, UINT),)))
    assert block.query.pdu() == bytes.fromhex("0400080001")
    assert block.answer(bytes.fromhex("0402000A"), b"") == Reading(10)


@given(
    unit=st.integers(1, 247),
    function=st.sampled_from([HOLDING, INPUT]),
    address=st.integers(0, 65410),
    count=st.integers(1, 125),
    transaction=st.integers(1, 65535),
)
def test_queries_against_an_independent_implementation(unit, function, address, count, transaction):
    """The very bytes that pymodbus sends, on a serial line and over TCP."""
    kind = ReadHoldingRegistersRequest if function is HOLDING else ReadInputRegistersRequest
    theirs = kind(address=address, count=count, dev_id=unit, transaction_id=transaction)
    query = ReadQuery(unit, function, address, count)
    assert query.rtu() == FramerRTU(DecodePDU(False)).buildFrame(theirs)
    assert query.tcp(transaction) == FramerSocket(DecodePDU(False)).buildFrame(theirs)


@given(registers=st.lists(st.integers(0, 65535), min_size=1, max_size=125), function=st.sampled_from([HOLDING, INPUT]))
def test_answers_of_an_independent_implementation_are_read(registers, function):
    """Any length that the protocol allows."""
    kind = ReadHoldingRegistersResponse if function is HOLDING else ReadInputRegistersResponse
    values = RegisterMap(tuple(RegisterValue(at, UINT) for at in range(len(registers))))
    block = Block(ReadQuery(17, function, 0, len(registers)), values)
    expected = Reading(registers[0], tuple(registers[1:]))
    theirs = kind(registers=registers, dev_id=17, transaction_id=1)
    serial, tcp = block.rtu(), TcpConversation(block)
    serial.ask(), tcp.ask()
    assert serial.feed(FramerRTU(DecodePDU(True)).buildFrame(theirs)) == expected
    assert tcp.feed(FramerSocket(DecodePDU(True)).buildFrame(theirs)) == expected


@pytest.mark.parametrize("function", [0, 1, 2, 5, 6, 15, 16, 22, 23, 43])
def test_no_query_can_write(function: int):
    """Every other function of the standard is refused before a byte is made."""
    with pytest.raises(ValueError, match="is not a valid Function"):
        ReadQuery(1, function, 0, 1).pdu()


def test_an_answer_cut_at_every_byte_gives_the_same():
    """In two portions, and byte by byte."""
    frame = rtu(17, ANSWER_PDU)
    for cut in range(len(frame)):
        conversation = asked()
        assert conversation.feed(frame[:cut]) is None
        assert conversation.feed(frame[cut:]) == VALUES
        assert conversation.unasked() is None
    conversation = asked()
    assert [conversation.feed(frame[place : place + 1]) for place in range(len(frame))] == [None] * 10 + [VALUES]


def test_an_answer_that_breaks_off_at_any_byte_is_no_value():
    """What is there is kept; an empty line says that nothing came."""
    frame = rtu(17, ANSWER_PDU)
    for cut in range(1, len(frame)):
        conversation = asked()
        conversation.feed(frame[:cut])
        assert conversation.give_up() == Rejected(frame[:cut], RejectReason.CUT, f"{cut} bytes")
    assert asked().give_up() == Rejected(b"", RejectReason.NO_ANSWER)


@pytest.mark.parametrize(
    ("frame", "reason", "detail"),
    [
        (rtu(18, ANSWER_PDU), RejectReason.FOREIGN_UNIT, "unit 18, asked was 17"),
        (rtu(17, b"\x04" + ANSWER_PDU[1:]), RejectReason.FOREIGN_FUNCTION, "function 4, asked was 3"),
        (rtu(17, b"\x03\x04\x02\x2b\x00\x00"), RejectReason.WRONG_LENGTH, "4 bytes of registers, asked were 6"),
        (rtu(17, b"\x03\x08" + bytes(8)), RejectReason.WRONG_LENGTH, "8 bytes of registers, asked were 6"),
        (b"\x00" + rtu(17, ANSWER_PDU), RejectReason.FOREIGN_UNIT, "unit 0, asked was 17"),  # noise before it
    ],
)
def test_what_cannot_be_our_answer_is_waited_out_and_named(frame: bytes, reason: RejectReason, detail: str):
    """Where such bytes end is not known, so they are judged when the time is over."""
    conversation = asked()
    assert conversation.feed(frame) is None
    assert conversation.give_up() == Rejected(frame, reason, detail)


def test_no_flipped_bit_makes_a_value():
    """Each of the 88 bits of the answer."""
    frame = rtu(17, ANSWER_PDU)
    for bit in range(8 * len(frame)):
        changed = bytearray(frame)
        changed[bit // 8] ^= 1 << bit % 8
        conversation = asked()
        found = conversation.feed(bytes(changed)) or conversation.give_up()
        assert isinstance(found, Rejected)


@pytest.mark.parametrize("code", [*EXCEPTIONS, 9])
def test_an_exception_is_named(code: int):
    """Exception answers as pymodbus builds them; V1.1b3, 7, lists the codes."""
    name = EXCEPTIONS.get(code, "no exception of the standard")
    theirs = ExceptionResponse(3, exception_code=code, device_id=17)
    frame = FramerRTU(DecodePDU(True)).buildFrame(theirs)
    assert asked().feed(frame) == Rejected(frame, RejectReason.EXCEPTION, f"exception {code}: {name}")


def test_our_own_query_is_not_taken_for_an_answer():
    """A two-wire adapter that hears itself: named as an echo, at every cut."""
    query = BLOCK.query.rtu()
    for cut in range(len(query) + 1):
        conversation = asked()
        found = conversation.feed(query[:cut]) or conversation.feed(query[cut:]) or conversation.give_up()
        assert found == Rejected(query, RejectReason.ECHO)


def test_an_expected_echo_is_checked_and_taken_off():
    """At every cut of echo and answer."""
    stream = BLOCK.query.rtu() + rtu(17, ANSWER_PDU)
    for cut in range(len(stream)):
        conversation = asked(echoed=True)
        assert conversation.feed(stream[:cut]) is None
        assert conversation.feed(stream[cut:]) == VALUES


def test_an_echo_that_differs_means_that_two_spoke_at_once():
    """And whatever follows is no value."""
    query = bytearray(BLOCK.query.rtu())
    query[3] ^= 1
    conversation = asked(echoed=True)
    assert conversation.feed(bytes(query) + rtu(17, ANSWER_PDU)) == Rejected(bytes(query), RejectReason.ECHO_SPOILT)
    assert conversation.unasked() == Rejected(rtu(17, ANSWER_PDU), RejectReason.LATE)


def test_an_expected_echo_that_stays_out_or_stays_alone():
    """No answer after the echo, half an echo, nothing at all."""
    query = BLOCK.query.rtu()
    for came, reason in ((query, RejectReason.NO_ANSWER), (query[:3], RejectReason.CUT), (b"", RejectReason.NO_ANSWER)):
        conversation = asked(echoed=True)
        assert conversation.feed(came) is None
        assert conversation.give_up() == Rejected(came, reason)


@pytest.mark.parametrize("place", range(11))
def test_a_byte_with_a_parity_error_spoils_the_answer(place: int):
    """Marked by the kernel; the frame is whole and its CRC right, and still it is no value."""
    frame = rtu(17, ANSWER_PDU)
    raw = frame[:place] + b"\xff\x00" + frame[place:]
    for cut in range(len(raw)):
        conversation = asked(marked=True)
        found = conversation.feed(raw[:cut]) or conversation.feed(raw[cut:])
        assert found == Rejected(frame, RejectReason.DAMAGED)


def test_a_sound_ff_in_a_register_survives_the_marks():
    """The kernel doubles it; 65535 and 255 arrive, however the doubled bytes are cut."""
    frame = rtu(17, bytes.fromhex("0306FFFF00FFFF00"))
    raw = frame.replace(b"\xff", b"\xff\xff")
    for cut in range(len(raw)):
        conversation = asked(marked=True)
        assert (conversation.feed(raw[:cut]) or conversation.feed(raw[cut:])) == Reading(65535, (255, 65280))


def test_bytes_without_end_fill_no_memory():
    """Another unit's chatter: at most one frame's worth is kept of a query."""
    conversation = asked()
    found = conversation.feed(b"\x55" * 1000)
    assert found == Rejected(b"\x55" * 256, RejectReason.TOO_LONG)


def test_bytes_before_a_query_do_not_become_its_answer():
    """A whole and sound answer that came before we asked is an answer to somebody else."""
    conversation = BLOCK.rtu()
    frame = rtu(17, ANSWER_PDU)
    assert conversation.feed(frame) is None
    assert conversation.unasked() == Rejected(frame, RejectReason.LATE)
    conversation.ask()
    assert conversation.give_up() == Rejected(b"", RejectReason.NO_ANSWER)


# Over TCP ---------------------------------------------------------------------------------------


def tcp(transaction: int, pdu: bytes = ANSWER_PDU, unit: int = 17, protocol: int = 0) -> bytes:
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1, unit) + pdu


def test_over_tcp_an_answer_cut_at_every_byte_gives_the_same():
    """A stream has no frames; lengths make them."""
    frame = tcp(1)
    for cut in range(len(frame)):
        conversation = TcpConversation(BLOCK)
        conversation.ask()
        assert conversation.feed(frame[:cut]) is None
        assert conversation.feed(frame[cut:]) == VALUES


@given(cuts=st.lists(st.integers(0, 51), max_size=8), transactions=st.permutations([1, 1, 2]))
def test_over_tcp_only_the_answer_with_the_right_number_counts(cuts, transactions):
    """Late, doubled and wanted answers in any order and in any portions: one value, the rest thrown away."""
    stream = b"".join(tcp(number, struct.pack(">BB3H", 3, 6, number, 0, 0)) for number in transactions)
    conversation = TcpConversation(BLOCK)
    conversation.ask()
    conversation.give_up()
    conversation.ask()
    places = [0, *sorted(cuts), len(stream)]
    found = [conversation.feed(stream[a:b]) for a, b in pairwise(places)]
    assert [item for item in found if item is not None] == [Reading(2, (0, 0))]
    stray = conversation.unasked()
    assert stray is not None
    assert len(stray.raw) == 2 * len(tcp(1))


def test_over_tcp_half_a_late_answer_does_not_spoil_the_next():
    """Given up in the middle of a frame: its rest is thrown away when it comes."""
    conversation = TcpConversation(BLOCK)
    conversation.ask()
    conversation.feed(tcp(1)[:5])
    assert conversation.give_up() == Rejected(tcp(1)[:5], RejectReason.CUT)
    conversation.ask()
    assert conversation.feed(tcp(1)[5:] + tcp(2)) == VALUES
    assert conversation.unasked() == Rejected(tcp(1), RejectReason.LATE)


@pytest.mark.parametrize(
    ("frame", "reason", "detail"),
    [
        (tcp(1, unit=18), RejectReason.FOREIGN_UNIT, "unit 18, asked was 17"),
        (tcp(1, b"\x04" + ANSWER_PDU[1:]), RejectReason.FOREIGN_FUNCTION, "function 4, asked was 3"),
        (tcp(1, ANSWER_PDU[:-2]), RejectReason.WRONG_LENGTH, "4 bytes of registers, asked were 6"),
        (tcp(1, ANSWER_PDU + b"\x00\x00"), RejectReason.WRONG_LENGTH, "8 bytes of registers, asked were 6"),
        (tcp(1, b"\x03\x04" + ANSWER_PDU[2:]), RejectReason.WRONG_LENGTH, "6 bytes of registers, asked were 6"),
        (tcp(1, b"\x83\x02"), RejectReason.EXCEPTION, "exception 2: illegal data address"),
        (tcp(1, b"\x83\x02\x00"), RejectReason.WRONG_LENGTH, "an exception of 3 bytes"),
    ],
)
def test_over_tcp_the_wrong_answer_is_named(frame: bytes, reason: RejectReason, detail: str):
    """The right number alone makes no value."""
    conversation = TcpConversation(BLOCK)
    conversation.ask()
    assert conversation.feed(frame) == Rejected(frame, reason, detail)


@pytest.mark.parametrize("start", [b"\x00\x01\x00\x01\x00\x05\x11", b"\x00\x01\x00\x00\x00\x02\x11", b"HTTP/1.1"])
def test_over_tcp_a_stream_that_is_no_modbus_is_given_up(start: bytes):
    """Another protocol number or an impossible length: where the next frame begins is lost for ever."""
    conversation = TcpConversation(BLOCK)
    conversation.ask()
    assert conversation.feed(start) == Rejected(start, RejectReason.BROKEN_STREAM)
    assert conversation.broken
    conversation.reset()
    assert not conversation.broken


def test_over_tcp_numbers_begin_again_after_65535():
    """Sixteen bits."""
    conversation = TcpConversation(BLOCK)
    queries = [conversation.ask() for _ in range(65537)]
    assert queries[65534][:2] == b"\xff\xff"
    assert queries[65535][:2] == b"\x00\x00"
    assert queries[65536] == queries[0]
