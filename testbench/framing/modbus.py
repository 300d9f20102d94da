"""Modbus, the reading half: functions 3 and 4, on a serial line (RTU), over TCP, and RTU through a serial server.

There is no way to build a query that writes. An answer counts only if unit, function, length and checksum are those
that the query demands; on TCP the transaction number as well.

Sources, from memory: MODBUS Application Protocol Specification V1.1b3 (6.3, 6.4, 7: functions and exceptions), MODBUS
over Serial Line V1.02 (2.5.1 frame, 6.2.2 CRC), MODBUS Messaging on TCP/IP Implementation Guide V1.0b (3.1.3 header).
"""

import struct
from dataclasses import dataclass
from enum import IntEnum

from testbench.framing.checksums import crc16
from testbench.framing.exchange import Exchange, Judged
from testbench.framing.readings import Found, Reading, Rejected, RejectReason
from testbench.framing.registers import RegisterMap

MOST_REGISTERS = 125
LONGEST_FRAME = 256
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}


class Function(IntEnum):
    """What may be asked; both only read."""

    HOLDING_REGISTERS = 3
    INPUT_REGISTERS = 4


@dataclass(frozen=True, slots=True)
class ReadQuery:
    """A block of registers of one unit.

    Args:
        unit: address of the device, 1 to 247 on a serial line.
        function: which registers.
        address: of the first register as it goes over the wire, counted from 0.
        count: registers, 1 to 125.
    """

    unit: int
    function: Function
    address: int
    count: int

    def pdu(self) -> bytes:
        """Function code and block."""
        return struct.pack(">BHH", Function(self.function), self.address, self.count)

    def rtu(self) -> bytes:
        """The frame for a serial line: unit, PDU, CRC with its low byte first."""
        body = bytes([self.unit]) + self.pdu()
        return body + crc16(body).to_bytes(2, "little")

    def tcp(self, transaction: int) -> bytes:
        """The frame for TCP: transaction, protocol 0, length, unit, PDU."""
        return struct.pack(">HHHB", transaction, 0, 6, self.unit) + self.pdu()

    def wrong(self, unit: int, function: int) -> tuple[RejectReason, str] | None:
        """Why an answer from a unit to a function cannot be to this query."""
        if unit != self.unit:
            return RejectReason.FOREIGN_UNIT, f"unit {unit}, asked was {self.unit}"
        if function & 0x7F != self.function:
            return RejectReason.FOREIGN_FUNCTION, f"function {function}, asked was {self.function}"
        return None


@dataclass(frozen=True, slots=True)
class Block:
    """A query and what its registers mean."""

    query: ReadQuery
    registers: RegisterMap

    def answer(self, pdu: bytes, raw: bytes) -> Found:
        """Read the PDU of an answer whose unit, function and checksum are right.

        Args:
            pdu: function code and what follows.
            raw: the whole frame, kept where the answer is rejected.
        """
        if pdu[0] & 0x80:
            if len(pdu) != 2:
                return Rejected(raw, RejectReason.WRONG_LENGTH, f"an exception of {len(pdu)} bytes")
            name = EXCEPTIONS.get(pdu[1], "no exception of the standard")
            return Rejected(raw, RejectReason.EXCEPTION, f"exception {pdu[1]}: {name}")
        asked = 2 * self.query.count
        if len(pdu) != 2 + asked or pdu[1] != asked:
            return Rejected(raw, RejectReason.WRONG_LENGTH, f"{len(pdu) - 2} bytes of registers, asked were {asked}")
        found = self.registers.read(struct.unpack(f">{self.query.count}H", pdu[2:]))
        return found if isinstance(found, Reading) else Rejected(raw, *found)

    def judge_rtu(self, data: bytes, over: bool) -> Judged | None:  # noqa: FBT001 - a Judge's own arguments
        """Decide on the bytes of an RTU answer. Its length follows from the query, never from a pause.

        Bytes that cannot be our answer are waited out, because where they end is not known.
        """
        length = self._rtu_length(data)
        if length is not None and len(data) >= length:
            frame = data[:length]
            if crc16(frame):  # over a sound frame with its own CRC it is 0
                return Judged(Rejected(frame, RejectReason.CHECKSUM), length)
            return Judged(self.answer(frame[1:-2], frame), length)
        return Judged(self._rtu_remainder(data), len(data)) if over else None

    def _rtu_length(self, data: bytes) -> int | None:
        if len(data) < 3 or self.query.wrong(data[0], data[1]):
            return None
        if data[1] & 0x80:
            return 5
        return 5 + data[2] if data[2] == 2 * self.query.count else None

    def _rtu_remainder(self, data: bytes) -> Rejected:
        wrong = self.query.wrong(data[0], data[1]) if len(data) >= 2 else None
        asked = 2 * self.query.count
        if wrong is None and len(data) >= 3 and not data[1] & 0x80 and data[2] != asked:
            wrong = RejectReason.WRONG_LENGTH, f"{data[2]} bytes of registers, asked were {asked}"
        return Rejected(data, *(wrong or (RejectReason.CUT, f"{len(data)} bytes")))

    def rtu(self, *, marked: bool = False, echoed: bool = False) -> Exchange:
        """The conversation on a serial line, or through a serial server."""
        return Exchange(self.query.rtu(), self.judge_rtu, LONGEST_FRAME, marked=marked, echoed=echoed)


class TcpConversation:
    """Modbus over TCP: an answer counts only under the transaction number of its query.

    The number alone is not trusted: devices exist that put the newest number on a late answer.
    """

    _HEADER = 7
    _LENGTHS = range(3, 255)  # of unit and PDU

    def __init__(self, block: Block) -> None:
        self._block = block
        self._held, self._stray = bytearray(), bytearray()
        self._transaction = 0
        self._open = False
        self.broken = False

    def reset(self) -> None:
        """Start as after connecting."""
        self._held.clear()
        self._stray.clear()
        self._open = self.broken = False

    def resume(self, query: bytes) -> None:
        """Let the next query carry this one's transaction number."""
        self._transaction = int.from_bytes(query[:2]) - 1

    def ask(self) -> bytes:
        """Open an exchange under the next transaction number."""
        self._transaction = (self._transaction + 1) & 0xFFFF
        self._open = True
        return self._block.query.tcp(self._transaction)

    def feed(self, data: bytes) -> Found | None:
        """Take bytes; the answer to the open query, as soon as they settle it."""
        self._held += data
        answer: Found | None = None
        while len(self._held) >= self._HEADER and not self.broken:
            transaction, protocol, length = struct.unpack(">HHH", self._held[:6])
            if protocol != 0 or length not in self._LENGTHS:
                self.broken = True
                answer = answer or self._breaks()
            elif len(self._held) < 6 + length:
                break
            else:
                frame = bytes(self._held[: 6 + length])
                del self._held[: 6 + length]
                if self._open and transaction == self._transaction:
                    self._open = False
                    answer = self._answer(frame)
                else:
                    self._stray += frame
        return answer

    def _breaks(self) -> Rejected | None:
        """Where a query is open it is answered by this; where none is, the driver sees ``broken``."""
        was_open, self._open = self._open, False
        return Rejected(bytes(self._held), RejectReason.BROKEN_STREAM) if was_open else None

    def _answer(self, frame: bytes) -> Found:
        wrong = self._block.query.wrong(frame[6], frame[7])
        return Rejected(frame, *wrong) if wrong else self._block.answer(frame[7:], frame)

    def give_up(self) -> Rejected:
        """Close the exchange. Half a frame stays held: its rest will come and must not be taken for a beginning."""
        self._open = False
        raw = bytes(self._held)
        return Rejected(raw, RejectReason.CUT if raw else RejectReason.NO_ANSWER)

    def unasked(self) -> Rejected | None:
        """Answers to earlier queries, or to none."""
        if not self._stray:
            return None
        raw = bytes(self._stray)
        self._stray.clear()
        return Rejected(raw, RejectReason.LATE)
