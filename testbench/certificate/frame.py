"""What stands on every sheet: running head, foot with page x of y, the word across a specimen; and the sheets' flow."""

from collections.abc import Sequence
from dataclasses import dataclass

from testbench.certificate.languages import Words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.certificate.table import Block

FOOT = 9.0
"""Room for the line with the page number [pt]."""
RUNNING_HEAD = 24.0
SLANT, ROWS_APART = 52, 1.75
"""Of the word across a specimen: degrees, and from row to row in sizes of its letters."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What a document repeats on each of its sheets."""

    title: str
    number: str
    serial: str
    """Or the order, the shift: what the document is about."""
    word: str
    colour: str
    software: str
    specimen: str
    """The sentence that marks a specimen; empty where it is none."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page: its blocks from the top down, and what stands on its bottom margin."""

    frame: Frame
    blocks: tuple[Block, ...]
    first: bool
    """Of its document: then it needs no running head."""
    closing: Block | None = None


def flow(pen: Pen, frame: Frame, blocks: Sequence[Block], closing: Block, ending: int = 0) -> list[Sheet]:
    """As many sheets as needed; the closing block stands on the last, and the blocks at the end with it if they can.

    Args:
        pen: of the document.
        frame: what each sheet repeats.
        blocks: from the top down.
        closing: stands on the bottom margin.
        ending: how many of the last blocks are not parted by the end of a page, where one page holds them.
    """
    full = pen.top - pen.bottom - FOOT - 5
    tail = sum(block.height for block in blocks[len(blocks) - ending :]) + closing.height
    sheets: list[list[Block]] = [[]]
    left = full
    for index, block in enumerate(blocks):
        ends = index == len(blocks) - ending and left < tail <= full - RUNNING_HEAD
        if (block.height > left or ends) and sheets[-1]:
            sheets.append([])
            left = full - RUNNING_HEAD - (block.again.height if block.again else 0)
        sheets[-1].append(block)
        left -= block.height
    if closing.height > left:
        sheets.append([])
    last = len(sheets) - 1
    return [Sheet(frame, tuple(sheet), n == 0, closing if n == last else None) for n, sheet in enumerate(sheets)]


def paint(pen: Pen, sheets: Sequence[Sheet], words: Words, total: int | None = None) -> bytes:
    """Draw the sheets, numbered through, of ``total`` where more follow, and give the finished document."""
    for number, sheet in enumerate(sheets, start=1):
        pen.plates = sheet.frame.specimen != ""
        pen.tags.begin_page()
        with pen.tags.artifact():
            _specimen(pen, sheet.frame, words)
            top = pen.top if sheet.first else _running_head(pen, sheet.frame)
        for block in sheet.blocks:
            if block is sheet.blocks[0] and block.again is not None:
                with pen.tags.artifact():
                    block.again.draw(top)
                top -= block.again.height
            block.draw(top)
            top -= block.height
        if sheet.closing is not None:
            sheet.closing.draw(pen.bottom + FOOT + sheet.closing.height)
        with pen.tags.artifact():
            _foot(pen, sheet.frame, words, number, total or len(sheets))
        pen.tags.end_page()
        pen.canvas.showPage()
    return pen.finished()


def _running_head(pen: Pen, frame: Frame) -> float:
    y = pen.top - 9
    third = (pen.right - pen.left) / 3
    title = f"{frame.title} {frame.number}"
    pen.text(pen.left, y, title, STRONG, pen.fitted(title, STRONG, 8.5, 1.3 * third))
    middle = pen.fitted(frame.serial, STRONG, 8.5, third)
    pen.text((pen.left + pen.right) / 2 + 0.2 * third, y, frame.serial, STRONG, middle, align="centre")
    pen.text(pen.right, y, frame.word, BOLD, 8.5, colour=frame.colour, align="right")
    pen.rule(y - 5, 1.2, pen.layout.colours.ink)
    return pen.top - RUNNING_HEAD


def _foot(pen: Pen, frame: Frame, words: Words, page: int, pages: int) -> None:
    small, label = pen.layout.sizes.small, pen.layout.colours.label
    y = pen.bottom - 4
    pen.text(pen.left, y, f"{frame.number} · {frame.software}", REGULAR, small, colour=label)
    key = "foot.end" if page == pages else "foot.page"
    pen.text(pen.right, y, words(key, page=page, pages=pages), STRONG, small, align="right")
    if frame.specimen:
        pen.text((pen.left + pen.right) / 2, y, frame.specimen, STRONG, small, align="centre")


def _specimen(pen: Pen, frame: Frame, words: Words) -> None:
    """The word across the whole page, as outlines below what is printed: it hides nothing, and no cut avoids it."""
    if not frame.specimen:
        return
    canvas, size, word = pen.canvas, pen.layout.sizes.specimen, words("specimen.word")
    canvas.saveState()
    canvas.translate(pen.width / 2, pen.height / 2)
    canvas.rotate(SLANT)
    pen.ink(pen.layout.colours.specimen)
    canvas.setLineWidth(0.8)
    for row in (-1, 0, 1):
        outline = canvas.beginText(-pen.width_of(word, BOLD, size) / 2, (row * ROWS_APART - 0.33) * size)
        outline.setFont(BOLD, size)
        outline.setTextRenderMode(1)
        outline.textOut(word)
        canvas.drawText(outline)
    canvas.restoreState()
