"""Words and numbers → pages. One question first: number, serial number and verdict stand in the top fifth.

A page is a stack of blocks that know their height. Plots shrink, within limits, so that a run of two stages fits one
page; what still does not fit flows onto the next page, and the closing block stands on the bottom margin of the last.
"""

from dataclasses import dataclass

from testbench.certificate import qr
from testbench.certificate.blocks import evidence_blocks, head_blocks, stage_block
from testbench.certificate.content import Content
from testbench.certificate.data import Layout
from testbench.certificate.languages import Words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.certificate.table import Block
from testbench.run.record import Verdict

FOOT = 9.0
"""Room for the line with the page number [pt]."""
RUNNING_HEAD = 24.0
CLOSING_LINE = 8.3
"""So that five facts stand beside the QR code, which takes that height anyway [pt]."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The blocks of one page."""

    blocks: tuple[Block, ...]


def draw(content: Content, layout: Layout, words: Words, paper: str) -> bytes:
    """Draw a document.

    Args:
        content: its words and numbers.
        layout: sizes and colours.
        words: labels of the plots and the page.
        paper: ``"A4"`` or ``"Letter"``.

    Returns:
        An unsigned PDF 1.7; the same bytes for the same content.

    Raises:
        GlyphMissingError: a text holds a character that cannot be printed.
    """
    pen = Pen(layout, paper, content.dated, words.language)
    closing = _closing_block(pen, content)
    sheets = _sheets(pen, content, words, closing)
    canvas = pen.canvas
    canvas.setTitle(f"{content.title} {content.facts.number}")
    canvas.setAuthor(content.works.name)
    canvas.setSubject(content.facts.text)
    canvas.setCreator(content.software)
    canvas.setViewerPreference("DisplayDocTitle", "true")
    for index, sheet in enumerate(sheets):
        top = pen.top if index == 0 else _running_head(pen, content)
        for block in sheet.blocks:
            block.draw(top)
            top -= block.height
        if index == len(sheets) - 1:
            closing.draw(pen.bottom + FOOT + closing.height)
        _foot(pen, content, words, index + 1, len(sheets))
        _specimen(pen, content, words)
        canvas.showPage()
    return pen.finished()


# Flow -------------------------------------------------------------------------------------------


def _sheets(pen: Pen, content: Content, words: Words, closing: Block) -> list[Sheet]:
    """One page with the highest plots that fit; else as many pages as needed, plots at a comfortable height."""
    plots = pen.layout.plot
    room = pen.top - pen.bottom - FOOT - closing.height

    def stack(plot_height: float) -> list[Block]:
        stages = [stage_block(pen, stage, words, plot_height) for stage in content.stages]
        return [*head_blocks(pen, content, words), *stages, *evidence_blocks(pen, content, words)]

    blocks = stack(plots.lowest)
    spare = room - sum(block.height for block in blocks)
    if spare < 0:
        return _flow(pen, stack(plots.comfortable), closing.height)
    height = min(plots.highest, plots.lowest + spare / max(len(content.stages), 1))
    return [Sheet(tuple(stack(height)))]


def _flow(pen: Pen, blocks: list[Block], closing: float) -> list[Sheet]:
    full = pen.top - pen.bottom - FOOT - 5
    sheets: list[list[Block]] = [[]]
    left = full
    for block in blocks:
        if block.height > left and sheets[-1]:
            sheets.append([])
            left = full - RUNNING_HEAD
        sheets[-1].append(block)
        left -= block.height
    if closing > left:
        sheets.append([])
    return [Sheet(tuple(sheet)) for sheet in sheets]


# On every page ----------------------------------------------------------------------------------


def _running_head(pen: Pen, content: Content) -> float:
    facts = content.facts
    y = pen.top - 9
    pen.text(pen.left, y, f"{content.title} {facts.number}", STRONG, 8.5)
    pen.text((pen.left + pen.right) / 2, y, facts.serial, STRONG, 8.5, align="centre")
    pen.text(pen.right, y, content.verdict_word, BOLD, 8.5, colour=_colour(pen, content.verdict), align="right")
    pen.rule(y - 5, 1.2, pen.layout.colours.ink)
    return pen.top - RUNNING_HEAD


def _foot(pen: Pen, content: Content, words: Words, page: int, pages: int) -> None:
    small, label = pen.layout.sizes.small, pen.layout.colours.label
    y = pen.bottom - 4
    pen.text(pen.left, y, f"{content.facts.number} · {content.software}", REGULAR, small, colour=label)
    pen.text(
        pen.right,
        y,
        words("foot.end" if page == pages else "foot.page", page=page, pages=pages),
        STRONG,
        small,
        align="right",
    )
    if content.specimen:
        pen.text((pen.left + pen.right) / 2, y, content.specimen, STRONG, small, align="centre")


def _specimen(pen: Pen, content: Content, words: Words) -> None:
    """The word across the whole page, as outlines: it lies over everything and hides nothing."""
    if not content.specimen:
        return
    canvas, size = pen.canvas, pen.layout.sizes.specimen
    canvas.saveState()
    canvas.translate(pen.width / 2, pen.height / 2)
    canvas.rotate(52)
    pen.ink(pen.layout.colours.specimen)
    canvas.setLineWidth(1.1)
    word = words("specimen.word")
    outline = canvas.beginText(-pen.width_of(word, BOLD, size) / 2, -size * 0.33)
    outline.setFont(BOLD, size)
    outline.setTextRenderMode(1)
    outline.textOut(word)
    canvas.drawText(outline)
    canvas.restoreState()


def _colour(pen: Pen, verdict: Verdict) -> str:
    return pen.layout.colours.accepted if verdict is Verdict.ACCEPTED else pen.layout.colours.rejected


# The closing block ------------------------------------------------------------------------------


def _closing_block(pen: Pen, content: Content) -> Block:
    """Who tested, what was sealed, how to check it; the QR code stands at the right on the bottom margin."""
    small, colours = pen.layout.sizes.small, pen.layout.colours
    code = content.facts.text
    code_size = qr.size_of(code)
    code_room = code_size + 2 * qr.QUIET * qr.MODULE
    width = pen.right - pen.left - code_room
    label_width = 72.0
    lines = [(fact, pen.wrapped(fact.value, STRONG, small, width - label_width)) for fact in content.closing]
    facts_height = sum(len(wrapped) for _, wrapped in lines) * CLOSING_LINE
    text_height = facts_height + 3 + pen.paragraph_height(content.how_to_verify, width)
    height = max(code_room - qr.QUIET * qr.MODULE, text_height + 8) + 2

    def paint(top: float) -> None:
        pen.rule(top - 1, 1.2, colours.ink)
        y = top - 12
        for fact, wrapped in lines:
            pen.text(pen.left, y, fact.label, REGULAR, small, colour=colours.label)
            for line in wrapped:
                pen.text(pen.left + label_width, y, line, STRONG, small)
                y -= CLOSING_LINE
        pen.paragraph(pen.left, y + small - 1, content.how_to_verify, width)
        qr.draw(pen, code, pen.right - code_size, top - height + 2)

    return Block(height, paint)
