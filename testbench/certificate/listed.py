"""The list that a lot certificate or shift summary encloses: read, and held against what is printed.

The printed rows are read from the pages' own drawing orders, so that a page which shows other rows than its list is
found. That every row of the list is there, in its order and with nothing between two of a page, is what is checked.
"""

import json
import re
from collections.abc import Iterator, Sequence
from io import BytesIO
from typing import Any

from testbench.certificate.attach import SUMMARY, record_name
from testbench.run.record import canonical, sha256
from testbench.station.summed_up import SummedUp, faults_of_list

_CODES = re.compile(rb"<([0-9A-Fa-f]+)> <([0-9A-Fa-f]+)>")


def faults_of_summary(files: dict[str, bytes], subject: str, data: bytes) -> Iterator[SummedUp | str]:
    """Take a list and its records out of the attached files.

    Args:
        files: what is attached; what belongs to a summary is taken out.
        subject: what the metadata state.
        data: the whole file.

    Yields:
        The list first, then every fault.
    """
    attached = files.pop(SUMMARY)
    found = SummedUp.model_validate_json(attached)
    yield found
    if canonical(found) != attached:
        yield "The attached list is not as a station writes it."
    if found.code != subject:
        yield "Page and attached list state different facts."
    yield from faults_of_list(found)
    for row in found.rows:
        record = files.pop(record_name(row.run), None) if row.run else None
        if record is not None and (sha256(record), json.loads(record)["run"]) != (row.record_sha256, row.run):
            yield f"The attached record of run {row.run} is not the one that is listed."
    if not _stands_on(pages_of(data), [_squeezed("".join(row.printed)) for row in found.rows]):
        yield "The printed rows are not those of the attached list."


def _stands_on(pages: Sequence[str], rows: Sequence[str]) -> bool:
    """Whether every row stands on the pages, one after the other."""
    waiting = list(rows)
    for page in pages:
        at = page.find(waiting[0]) if waiting else -1
        while waiting and at >= 0 and page.startswith(waiting[0], at):
            at += len(waiting.pop(0))
    return not waiting


def _squeezed(text: str) -> str:
    """Without spaces: where a line was broken is not told."""
    return "".join(text.split())


def pages_of(data: bytes) -> list[str]:
    """The text of each page in the order in which it is drawn, without spaces."""
    import pikepdf

    with pikepdf.open(BytesIO(data)) as pdf:
        return [_text_of(page) for page in pdf.pages]


def _text_of(page: Any) -> str:
    import pikepdf

    letters = {str(name): _letters(font) for name, font in page.Resources.Font.items()}
    told, face = [], ""
    for order in pikepdf.parse_content_stream(page, "Tf Tj"):
        if str(order.operator) == "Tf":
            face = str(order.operands[0])
        else:
            told += [letters[face].get(code, "\N{REPLACEMENT CHARACTER}") for code in bytes(order.operands[0])]
    return _squeezed("".join(told))


def _letters(font: Any) -> dict[int, str]:
    """What a face's codes stand for."""
    if "/ToUnicode" not in font:
        return {code: chr(code) for code in range(32, 127)}
    told = bytes(font.ToUnicode.read_bytes()).partition(b"beginbfchar")[2]
    return {int(code, 16): bytes.fromhex(text.decode()).decode("utf-16-be") for code, text in _CODES.findall(told)}
