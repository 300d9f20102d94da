"""Lines of text, sent unasked or for a query: the parts of a line, and rules that keep a damaged line from fitting."""

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.framing import ascii_grammar as grammar
from testbench.framing.checksums import ChecksumKind
from testbench.framing.exchange import Conversation, Exchange, line_judge
from testbench.framing.lines import LONGEST, GrammarFramer
from testbench.framing.readings import Meaning
from testbench.framing.units import unit_of_value
from testbench.procedure.valve import Text, Value
from testbench.station.pace import SerialPace, marks_damage
from testbench.station.serial_settings import SerialSettings

Wire = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[\x00-\x7f]+$")]
"""Bytes that go over the wire, ASCII."""
Delimiter = Annotated[str, Field(min_length=1, max_length=2, pattern=r"^[\x00-\x7f]+$")]
Decimals = Annotated[int, Field(ge=0, le=6)]
BadMeaning = Literal[Meaning.OVER_RANGE, Meaning.UNDER_RANGE, Meaning.FAULT]


class NumberPart(Value):
    """A value of the line. The first one is the channel's reading."""

    part: Literal["number"]
    name: Text = "pressure"
    decimals: Decimals
    whole_digits: Annotated[int, Field(ge=1, le=9)]
    fewest_whole_digits: Annotated[int, Field(ge=1, le=9)] | None = None
    """Only where leading zeros are left out."""
    sign: grammar.Sign = grammar.Sign.REQUIRED
    decimal_mark: Literal[".", ",", ""] = "."
    """Empty where the point is not sent: ``+025013`` with 2 decimals is 250.13."""
    padded: bool = False
    """Leading zeros come as blanks: the width is fixed all the same."""

    def built(self) -> grammar.Number:
        """The part of the grammar."""
        return grammar.Number(
            self.decimals, self.whole_digits, self.fewest_whole_digits,
            self.sign, self.decimal_mark.encode(), self.padded,
        )  # fmt: skip


class TextPart(Value):
    """Bytes that are always there."""

    part: Literal["unit", "separator", "text"]
    text: Wire

    def built(self) -> grammar.Literal:
        """The part of the grammar."""
        return grammar.Literal(self.text.encode())


class StatusPart(Value):
    """A code that says how good the reading is; a code that is not listed makes the line no reading."""

    part: Literal["status"]
    codes: Annotated[dict[Wire, Meaning], Field(min_length=1)]

    @field_validator("codes")
    @classmethod
    def _of_one_length(cls, codes: dict[str, Meaning]) -> dict[str, Meaning]:
        if len({len(code) for code in codes}) > 1:
            raise ValueError(f"found codes {', '.join(map(repr, codes))}, all must have one length")
        if Meaning.GOOD not in codes.values():
            raise ValueError("found no code that means good, so no line could be a reading; list it")
        return codes

    def built(self) -> grammar.Status:
        """The part of the grammar."""
        return grammar.Status({code.encode(): meaning for code, meaning in self.codes.items()})


class ChecksumPart(Value):
    """Hexadecimal digits over the bytes before them."""

    part: Literal["checksum"]
    kind: ChecksumKind
    skip_first: Annotated[int, Field(ge=0, le=32)] = 0
    """Bytes at the beginning of the line that it does not cover."""
    skip_last: Annotated[int, Field(ge=0, le=32)] = 0
    """Bytes just before it that it does not cover, such as a ``*``."""
    low_byte_first: bool = False
    """How the two bytes of a CRC-16 are written."""
    small_letters: bool = False
    """Whether its digits are ``a`` to ``f``; without it ``A`` to ``F``."""

    def built(self) -> grammar.Checksum:
        """The part of the grammar."""
        return grammar.Checksum(self.kind, self.skip_first, self.skip_last, self.low_byte_first, self.small_letters)


LinePart = Annotated[NumberPart | TextPart | StatusPart | ChecksumPart, Field(discriminator="part")]


class _AsciiSettings(SerialSettings):
    """What a line consists of and how it ends."""

    delimiter: Delimiter = "\r\n"
    parts: Annotated[tuple[LinePart, ...], Field(min_length=1, max_length=32)]
    instead: Annotated[dict[Wire, BadMeaning], Field(default_factory=dict)]
    """Whole lines that come in place of a reading, and what they mean."""
    lost_digits_may_pass: bool = False
    """Accepts that a line of varying width without a checksum is still a number when it lost a digit on the way."""

    @field_validator("delimiter")
    @classmethod
    def _two_different(cls, delimiter: str) -> str:
        if len(set(delimiter)) < len(delimiter):
            raise ValueError(f"found {delimiter!r}, two bytes of a delimiter must differ")
        return delimiter

    @model_validator(mode="after")
    def _readable(self) -> Self:
        for problem in self._problems():
            raise ValueError(problem)
        return self

    def _problems(self) -> Iterator[str]:
        numbers = [part for part in self.parts if isinstance(part, NumberPart)]
        checksums = [part for part in self.parts if isinstance(part, ChecksumPart)]
        if not numbers:
            yield "parts: found no number, at least one is needed"
        if len(checksums) > 1:
            yield f"parts: found {len(checksums)} checksums, at most one is allowed"
        if len({part.name for part in numbers}) < len(numbers):
            yield "parts: found two numbers of one name; give each a name of its own"
        yield from _number_problems(numbers)
        if any(self.delimiter[-1] in text for text in self._bytes_of_a_line()):
            yield f"parts: found {self.delimiter[-1]!r}, which ends the line, within a part; choose another delimiter"
        if not self._unambiguous():
            yield "parts: found digits that vary in number directly before other digits; put a separator between them"
        if any(part.built().varies for part in numbers) and not checksums and not self.lost_digits_may_pass:
            yield (
                "parts: found a number of varying width and no checksum, so a line that lost a digit is still one; "
                "let the instrument send all digits, or a checksum, or accept it with lost_digits_may_pass = true"
            )

    def _bytes_of_a_line(self) -> Iterator[str]:
        """All that may stand within a line."""
        yield from self.instead
        for part in self.parts:
            match part:
                case TextPart():
                    yield part.text
                case StatusPart():
                    yield from part.codes
                case NumberPart():
                    yield "0123456789+-" + part.decimal_mark + " " * part.padded
                case ChecksumPart():
                    yield "0123456789ABCDEFabcdef"

    def _unambiguous(self) -> bool:
        """Whether it is clear where digits of varying number end."""
        for before, after in zip(self.parts, self.parts[1:], strict=False):
            open_ended = isinstance(before, NumberPart) and before.built().varies and before.decimals == 0
            if open_ended and not _begins_without_digit(after):
                return False
        return True

    def grammar(self) -> grammar.LineGrammar:
        """The exact form of a line."""
        instead = {line.encode(): Meaning(meaning) for line, meaning in self.instead.items()}
        return grammar.LineGrammar(tuple(part.built() for part in self.parts), instead)

    @property
    def decimals(self) -> dict[str, int]:
        """What a count of each value is, by the value's name."""
        return {part.name: part.decimals for part in self.parts if isinstance(part, NumberPart)}

    def pressure_unit(self, index: int) -> str | None:
        """The pressure unit that the line names for one of its values, from 0; None where it names none."""
        said = [part for part in self.parts if isinstance(part, NumberPart | TextPart)]
        return unit_of_value([part.text if isinstance(part, TextPart) else None for part in said], index)


def _number_problems(numbers: list[NumberPart]) -> Iterator[str]:
    for part in numbers:
        fewest = part.fewest_whole_digits
        if fewest is not None and part.padded:
            yield f"parts: found padded and fewest_whole_digits for {part.name!r}; padding alone says that digits vary"
        if fewest is not None and fewest > part.whole_digits:
            allowed = f"at most its whole_digits = {part.whole_digits} is allowed"
            yield f"parts: found fewest_whole_digits = {fewest} for {part.name!r}, {allowed}"


def _begins_without_digit(part: NumberPart | TextPart | StatusPart | ChecksumPart) -> bool:
    match part:
        case NumberPart():
            return part.sign is grammar.Sign.REQUIRED and not part.padded
        case TextPart():
            return not part.text[0].isdigit()
        case StatusPart():
            return not any(code[0].isdigit() for code in part.codes)
        case ChecksumPart():
            return False


class AsciiLineSettings(_AsciiSettings):
    """An instrument that sends lines of its own accord."""

    protocol: Literal["ascii-line"]

    def framer(self) -> GrammarFramer:
        """The decoder."""
        form = self.grammar()
        longest = max(LONGEST, form.width + len(self.delimiter))
        return GrammarFramer(form, self.delimiter.encode(), longest, marked=marks_damage(self))


class AsciiPromptSettings(_AsciiSettings, SerialPace):
    """An instrument that sends one line for each query."""

    protocol: Literal["ascii-prompt"]
    query: Wire
    """The bytes that ask, with whatever ends them."""

    def conversation(self) -> Conversation:
        """The decoder."""
        form, delimiter = self.grammar(), self.delimiter.encode()
        return Exchange(
            self.query.encode(), line_judge(form.read, delimiter), max(LONGEST, form.width + len(delimiter)),
            marked=marks_damage(self), echoed=self.echoed,
        )  # fmt: skip
