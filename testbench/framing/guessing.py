"""What a stream of unknown bytes may be: lines of text in one form, or a Modbus conversation. Says how sure it is.

Pure. Nothing found here is used without a person's word: it is a proposal for bench.toml.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from testbench.framing.checksums import ChecksumKind, crc16
from testbench.framing.units import pressure_unit_in, unit_of_value

LEAST_LINES = 3
SURE_LINES = 20
_TOKEN = re.compile(rb"(?P<blanks> *)(?P<sign>[+-]?)(?P<whole>[0-9]+)(?:(?P<mark>[.,])(?P<decimals>[0-9]+))?")
_DELIMITERS = (b"\r\n", b"\n\r", b"\n", b"\r")
_EXPONENT = re.compile(rb"[0-9][.,]?[Ee][+-]?[0-9]")
_TEXT = frozenset(range(32, 127)) | {9, 10, 13}


@dataclass(frozen=True, slots=True)
class Guess:
    """A proposal."""

    settings: dict[str, Any]
    """Of the line, as bench.toml has them, without port and baud; empty where nothing is proposed."""
    sure: str
    """sure, likely, doubtful or none."""
    why: str
    unit: str | None = None
    """The pressure unit that the lines name for their first value."""


_NO_EXPONENTS = (
    "lines have numbers in exponent notation, such as {!r}, which an ascii-line does not take; let the instrument send "
    "plain decimals, or ask it with protocol scpi where it answers queries"
)


def share_of_text(data: bytes) -> float:
    """How much of some bytes is plain text; a wrong baud rate gives less than half."""
    return sum(byte in _TEXT for byte in data) / len(data) if data else 0.0


def guess(data: bytes) -> Guess:
    """Propose settings for bytes that arrived unasked."""
    if not data:
        return Guess({}, "none", "nothing arrives; it may be polled, and nothing was sent to find out")
    frames = modbus_frames(data)
    if frames >= 2:
        return Guess({}, "none", f"{frames} sound Modbus frames pass by: another master polls this line")
    if share_of_text(data) < 0.9:
        return Guess({}, "none", "bytes arrive, but they are no text: wrong baud rate or framing, or another protocol")
    delimiter = max(_DELIMITERS, key=lambda found: (data.count(found), len(found)))
    lines = data.split(delimiter)[1:-1]  # the first and the last may be cut
    if len(lines) < LEAST_LINES:
        return Guess({}, "none", f"{len(lines)} whole lines, {LEAST_LINES} are needed: listen longer")
    return _guess_lines(lines, delimiter)


def modbus_frames(data: bytes) -> int:
    """How many sound queries and answers of functions 3 and 4 stand in some bytes."""
    found = at = 0
    while at + 5 <= len(data):
        lengths = (8, 5 + data[at + 2]) if data[at + 1] in {3, 4} else (5,) if data[at + 1] in {0x83, 0x84} else ()
        length = next((size for size in lengths if at + size <= len(data) and not crc16(data[at : at + size])), 0)
        found += bool(length)
        at += length or 1
    return found


def _guess_lines(lines: Sequence[bytes], delimiter: bytes) -> Guess:
    checksum = _checksum_of(lines)
    digits = 0 if checksum is None else ChecksumKind(checksum["kind"]).hex_digits
    bodies = [line[: len(line) - digits] for line in lines]
    shape, fitting = Counter(map(_shape, bodies)).most_common(1)[0]
    alike = [line for line, body in zip(lines, bodies, strict=True) if _shape(body) == shape]
    if not any(isinstance(part, tuple) for part in shape):
        return Guess({}, "none", f"lines arrive without a number in them, such as {alike[0]!r}")
    alike_bodies = [line[: len(line) - digits] for line in alike]
    if all(map(_EXPONENT.search, alike_bodies)):
        return Guess({}, "none", f"{fitting} of {len(lines)} {_NO_EXPONENTS.format(alike[-1].decode('latin-1'))}")
    parts, open_question = _parts(alike_bodies)
    said = [part.get("text") for part in parts if part["part"] != "status"]
    parts += [checksum] if checksum else []
    settings: dict[str, Any] = {"protocol": "ascii-line", "delimiter": delimiter.decode("latin-1"), "parts": parts}
    varies = any("fewest_whole_digits" in part or part.get("sign") == "optional" for part in parts)
    if varies and checksum is None:
        settings["lost_digits_may_pass"] = True
    sure = "doubtful" if fitting < len(lines) * 0.95 else "sure" if fitting >= SURE_LINES else "likely"
    if sure == "sure" and (open_question or (varies and checksum is None)):
        sure = "likely"
    why = f"{fitting} of {len(lines)} lines have the form of {alike[-1].decode('latin-1')!r}"
    why += f", their {checksum['kind']} checksum fits" if checksum else ""
    why += "; the number of digits varies, so a line that lost one still fits" if varies and not checksum else ""
    return Guess(settings, sure, why + open_question, unit_of_value(said, 0))


Shape = tuple[bytes | tuple[str, int], ...]


def _shape(body: bytes) -> Shape:
    """Texts as they are, numbers by their decimal mark and decimals."""
    return tuple(
        _letters(part) if isinstance(part, bytes) else ((part["mark"] or b"").decode(), len(part["decimals"] or b""))
        for part in _split(body)
    )


def _letters(text: bytes) -> bytes:
    """A text whose single capital letter, standing alone, may be a status."""
    return re.sub(rb"(?<![A-Za-z])[A-Z](?![A-Za-z])", b"\x01", text)


def _checksum_of(lines: Sequence[bytes]) -> dict[str, Any] | None:
    """The checksum that nearly all lines end in; a few may have been damaged on the way."""
    for kind in ChecksumKind:
        for skip_last in (0, 1):
            if sum(_ends_in(line, kind, skip_last) for line in lines) >= 0.9 * len(lines):
                return {"part": "checksum", "kind": kind.value} | ({"skip_last": 1} if skip_last else {})
    return None


def _ends_in(line: bytes, kind: ChecksumKind, skip_last: int) -> bool:
    covered, digits = line[: -kind.hex_digits - skip_last], line[-kind.hex_digits :]
    return bool(covered and re.fullmatch(rb"[0-9A-F]+", digits)) and kind.of(covered) == int(digits, 16)


def _parts(bodies: Sequence[bytes]) -> tuple[list[dict[str, Any]], str]:
    """The parts of lines that all have one shape, and what only the manual can say."""
    parts: list[dict[str, Any]] = []
    question, numbers = "", 0
    for column in zip(*map(_split, bodies), strict=True):
        if isinstance(column[0], re.Match):
            numbers += 1
            parts.append(_number([found for found in column if isinstance(found, re.Match)], numbers))
            continue
        texts = Counter(found for found in column if isinstance(found, bytes))
        if len(texts) == 1:
            text = column[0].decode("latin-1")
            parts.append({"part": "unit" if pressure_unit_in(text) else "text", "text": text})
        else:
            usual = texts.most_common(1)[0][0]
            codes = {text.decode("latin-1"): "good" if text == usual else "fault" for text in texts}
            parts.append({"part": "status", "codes": codes})
            question = "; which of its status codes are good stands in the instrument's manual"
    return parts, question


def _split(body: bytes) -> list[bytes | re.Match[bytes]]:
    found: list[bytes | re.Match[bytes]] = []
    at = 0
    for token in _TOKEN.finditer(body):
        found += [body[at : token.start()]] if token.start() > at else []
        found.append(token)
        at = token.end()
    return found + ([body[at:]] if at < len(body) else [])


def _number(tokens: Sequence[re.Match[bytes]], place: int) -> dict[str, Any]:
    signs = {token["sign"] != b"" for token in tokens}
    wholes, widths = {len(token["whole"]) for token in tokens}, {len(token[0]) for token in tokens}
    padded = len(widths) == 1 and any(token["blanks"] for token in tokens)
    sign = "optional" if len(signs) > 1 else "required" if True in signs else "none"
    mark, decimals = tokens[0]["mark"] or b"", len(tokens[0]["decimals"] or b"")
    part: dict[str, Any] = {
        "part": "number",
        "name": "pressure" if place == 1 else f"value {place}",
        "sign": sign,
        "whole_digits": widths.pop() - (sign != "none") - len(mark) - decimals if padded else max(wholes),
        "decimals": decimals,
    }
    if mark == b",":
        part["decimal_mark"] = ","
    if padded:
        part["padded"] = True
    elif len(wholes) > 1:
        part["fewest_whole_digits"] = min(wholes)
    return part
