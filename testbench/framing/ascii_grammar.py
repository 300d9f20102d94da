"""The exact form of a line of text, built from named parts.

A line is a reading only if every one of its bytes fits. Digits are fixed in number unless the settings say otherwise;
where they vary and no checksum is sent, a line that lost a digit on the way still fits, and nothing here can tell.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

from testbench.framing.checksums import ChecksumKind
from testbench.framing.readings import Found, Meaning, Rejected, RejectReason, reading


class Sign(StrEnum):
    """Whether a number carries a sign."""

    REQUIRED = "required"
    OPTIONAL = "optional"
    NONE = "none"


_SIGN = {Sign.REQUIRED: b"[+-]", Sign.OPTIONAL: b"[+-]?", Sign.NONE: b""}


@dataclass(frozen=True, slots=True)
class Number:
    """A value: sign, whole digits, decimals."""

    decimals: int
    whole_digits: int
    fewest_whole_digits: int | None = None
    """Where the number of whole digits varies; None: it does not."""
    sign: Sign = Sign.REQUIRED
    decimal_mark: bytes = b"."
    """Empty where the decimal point is not sent."""
    padded: bool = False
    """Whether leading zeros are sent as blanks, so that the width is fixed although the digits vary."""

    @property
    def width(self) -> int:
        """Bytes at most."""
        point = len(self.decimal_mark) if self.decimals else 0
        return (self.sign is not Sign.NONE) + self.whole_digits + point + self.decimals

    @property
    def varies(self) -> bool:
        """Whether numbers of different widths fit."""
        fewer = self.fewest_whole_digits not in {None, self.whole_digits}
        return not self.padded and (fewer or self.sign is Sign.OPTIONAL)

    def pattern(self) -> bytes:
        """The regular expression of the number, in one group."""
        decimals = b"%b[0-9]{%d}" % (re.escape(self.decimal_mark), self.decimals) if self.decimals else b""
        fewest = self.fewest_whole_digits or self.whole_digits
        digits = self._padded() if self.padded else b"%b[0-9]{%d,%d}" % (_SIGN[self.sign], fewest, self.whole_digits)
        return b"(" + digits + decimals + b")"

    def _padded(self) -> bytes:
        """Blanks, sign and whole digits, in as many alternatives as there can be digits: all of one width."""
        forms = []
        for digits in range(1, self.whole_digits + 1):
            blanks = self.whole_digits - digits
            if self.sign is not Sign.NONE:
                forms.append(b" {%d}[+-][0-9]{%d}" % (blanks, digits))
            if self.sign is not Sign.REQUIRED:
                forms.append(b" {%d}[0-9]{%d}" % (blanks + (self.sign is Sign.OPTIONAL), digits))
        return b"(?:" + b"|".join(forms) + b")"

    def counts(self, found: bytes) -> int:
        """The number as counts of its last digit."""
        return int(found.replace(self.decimal_mark, b""))


@dataclass(frozen=True, slots=True)
class Literal:
    """Bytes that are always there: a unit, a separator, a name."""

    text: bytes

    @property
    def width(self) -> int:
        """Bytes."""
        return len(self.text)

    def pattern(self) -> bytes:
        """The regular expression of the bytes."""
        return re.escape(self.text)


@dataclass(frozen=True, slots=True)
class Status:
    """A field with a code that says how good the reading is. All codes have one length."""

    codes: Mapping[bytes, Meaning]

    @property
    def width(self) -> int:
        """Bytes at most."""
        return max(map(len, self.codes))

    def pattern(self) -> bytes:
        """The regular expression of all codes, in one group."""
        return b"(" + b"|".join(re.escape(code) for code in self.codes) + b")"


@dataclass(frozen=True, slots=True)
class Checksum:
    """Hexadecimal digits over the bytes of the line before them."""

    kind: ChecksumKind
    skip_first: int = 0
    """Bytes at the beginning of the line that it does not cover."""
    skip_last: int = 0
    """Bytes just before it that it does not cover."""
    low_byte_first: bool = False
    """How the two bytes of a CRC-16 are written."""
    small_letters: bool = False
    """Whether its digits are ``a`` to ``f``; without it ``A`` to ``F``."""

    @property
    def width(self) -> int:
        """Bytes."""
        return self.kind.hex_digits

    def pattern(self) -> bytes:
        """The regular expression of the digits, in one group."""
        return b"([0-9%b]{%d})" % (b"a-f" if self.small_letters else b"A-F", self.kind.hex_digits)

    def fits(self, line: bytes, start: int, digits: bytes) -> bool:
        """Whether digits at a place of a line are the checksum of the bytes before them."""
        expected = self.kind.of(line[self.skip_first : start - self.skip_last])
        if self.low_byte_first:
            expected = int.from_bytes(expected.to_bytes(self.kind.hex_digits // 2, "big"), "little")
        return int(digits, 16) == expected


Part = Number | Literal | Status | Checksum


@dataclass(frozen=True)
class LineGrammar:
    """The parts of a line in their order, without its delimiter.

    Args:
        parts: what a line consists of.
        instead: whole lines that come in place of a reading, such as ``OVER``, and what they mean.
    """

    parts: Sequence[Part]
    instead: Mapping[bytes, Meaning] = field(default_factory=dict)

    @property
    def width(self) -> int:
        """Bytes at most."""
        return max(sum(part.width for part in self.parts), *map(len, self.instead), 0)

    @cached_property
    def _pattern(self) -> re.Pattern[bytes]:
        return re.compile(b"".join(part.pattern() for part in self.parts))

    @cached_property
    def _groups(self) -> tuple[Number | Status | Checksum, ...]:
        return tuple(part for part in self.parts if not isinstance(part, Literal))

    def read(self, line: bytes) -> Found:
        """Match a whole line: every value of it, or none."""
        if line in self.instead:
            return _bad_status(line, line, self.instead[line]) or Rejected(line, RejectReason.NOT_A_NUMBER)
        match = self._pattern.fullmatch(line)
        if match is None:
            return Rejected(line, RejectReason.NOT_A_NUMBER)
        counts: list[int] = []
        bad: Rejected | None = None
        for group, part in enumerate(self._groups, 1):
            found = match[group]
            if isinstance(part, Status):
                bad = bad or _bad_status(line, found, part.codes[found])
            elif isinstance(part, Number):
                counts.append(part.counts(found))
            elif not part.fits(line, match.start(group), found):
                return Rejected(line, RejectReason.CHECKSUM)
        return bad or reading(counts)


def _bad_status(line: bytes, code: bytes, meaning: Meaning) -> Rejected | None:
    reason = meaning.reason
    return None if reason is None else Rejected(line, reason, f"status {code.decode('latin-1')!r}")


def plain(decimals: int, whole_digits: int) -> LineGrammar:
    """The grammar of ``+0250.13``: a sign, and digits whose number is fixed."""
    return LineGrammar((Number(decimals, whole_digits),))
