"""Words and numbers → pages. One question first: number, serial number and verdict stand in the top fifth.

A page is a stack of blocks that know their height. Plots shrink, within limits, so that a run of two stages fits one
page; what still does not fit flows onto the next page, and the closing block stands on the bottom margin of the last.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from testbench.certificate import qr
from testbench.certificate.blocks import colour_of, evidence_blocks, head_blocks, stage_block
from testbench.certificate.content import Content
from testbench.certificate.data import Layout
from testbench.certificate.evidence import Fact
from testbench.certificate.frame import FOOT, Frame, Sheet, flow, paint
from testbench.certificate.languages import Words
from testbench.certificate.pen import REGULAR, STRONG, Pen
from testbench.certificate.signing import FIELD, OPERATOR, REVIEWER
from testbench.certificate.table import Block

CLOSING_LINE, DESCENT = 8.1, 2.0
"""A line, so that five facts stand beside the QR code, which is that high anyway; how far letters hang down [pt]."""


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
    title = f"{content.title} {content.facts.number}"
    pen = opened(layout, words, paper, content.dated, (title, content.works.name, content.facts.text, content.software))
    return paint(pen, sheets_of(pen, content, words), words)


def opened(layout: Layout, words: Words, paper: str, dated: datetime, named: tuple[str, str, str, str]) -> Pen:
    """A pen on a new document with its title, author, subject and creator."""
    pen = Pen(layout, paper, dated, words.language)
    title, author, subject, creator = named
    pen.canvas.setTitle(title)
    pen.canvas.setAuthor(author)
    pen.canvas.setSubject(subject)
    pen.canvas.setCreator(creator)
    pen.canvas.setViewerPreference("DisplayDocTitle", "true")
    return pen


def sheets_of(pen: Pen, content: Content, words: Words) -> list[Sheet]:
    """One page with the highest plots that fit; else as many pages as needed, plots as high as these have room for."""
    plots = pen.layout.plot
    closing = closing_block(pen, content.closing, content.how_to_verify, content.facts.text, words)
    room = pen.top - pen.bottom - FOOT - closing.height
    frame = Frame(
        content.title, content.facts.number, content.facts.serial, content.verdict_word,
        colour_of(pen, content.verdict), content.software, content.specimen,
    )  # fmt: skip

    head, evidence = head_blocks(pen, content, words), evidence_blocks(pen, content, words)
    bare = [stage_block(pen, stage, words, 0) for stage in content.stages]
    spare = room - sum(block.height for block in (*head, *bare, *evidence))
    height = min(plots.highest, spare / max(len(bare), 1))
    if height >= plots.lowest or (not bare and spare >= 0):
        stages = [stage_block(pen, stage, words, height) for stage in content.stages]
        return [Sheet(frame, (*head, *stages, *evidence), first=True, closing=closing)]

    def over_pages(stages: list[Block]) -> list[Sheet]:
        return flow(pen, frame, [*head, *stages, *evidence], closing, ending=len(evidence))

    heights = [plots.comfortable + 4 * step for step in range(int((plots.highest - plots.comfortable) // 4) + 1)]
    tried = {height: len(over_pages([replace(one, height=one.height + height) for one in bare])) for height in heights}
    height = max(height for height in heights if tried[height] == tried[plots.comfortable])
    return over_pages([stage_block(pen, stage, words, height) for stage in content.stages])


def closing_block(pen: Pen, facts: Sequence[Fact], how: str, code: str, words: Words) -> Block:
    """Who tested, what was sealed, how to check it; the QR code stands at the right on the bottom margin.

    Each signature field has its place on the line that names its signer, kept as a destination of the field's name.
    """
    small, colours, places = pen.layout.sizes.small, pen.layout.colours, places_of(facts, words)
    code_size = qr.size_of(code)
    code_room = code_size + 2 * qr.QUIET * qr.MODULE
    width = pen.right - pen.left - code_room
    label_width = max(72.0, *(pen.width_of(fact.label, REGULAR, small) + 5 for fact in facts))
    lines = [(fact, pen.wrapped(fact.value, STRONG, small, width - label_width)) for fact in facts]
    facts_height = sum(len(wrapped) for _, wrapped in lines) * CLOSING_LINE
    text_height = facts_height + 3 + pen.paragraph_height(how, width)
    height = max(code_room - qr.QUIET * qr.MODULE, text_height + 8) + 2

    def paint_it(top: float) -> None:
        pen.rule(top - 1, 1.2, colours.ink)
        y = top - 12
        for index, (fact, wrapped) in enumerate(lines):
            first = y + CLOSING_LINE - DESCENT
            with pen.tags.element("P"):
                pen.text(pen.left, y, fact.label, REGULAR, small, colour=colours.label)
                for line in wrapped:
                    pen.text(pen.left + label_width, y, line, STRONG, small)
                    y -= CLOSING_LINE
            for field in (name for name, at in places.items() if at == index):
                pen.place(field, (pen.left, y + CLOSING_LINE - DESCENT, pen.left + width, first))
        pen.paragraph(pen.left, y + small - 1, how, width)
        with pen.tags.element("Figure", f"QR: {code}"):
            qr.draw(pen, code, pen.right - code_size, top - height + 2)

    return Block(height, paint_it)


def places_of(facts: Sequence[Fact], words: Words) -> dict[str, int]:
    """On which line of the closing block each signature field stands.

    The station's is where it says by whom the page was sealed, the operator's and the reviewer's on the lines of who
    performed and released the run; a field without such a line stands where the station's is.
    """
    lines = {fact.label: index for index, fact in enumerate(facts)}
    labels = {
        FIELD: ["closing.seal"], OPERATOR: ["signed.performed", "closing.tested_by", "closing.seal"],
        REVIEWER: ["signed.released", "closing.seal"],
    }  # fmt: skip
    return {field: next(lines[words(key)] for key in keys if words(key) in lines) for field, keys in labels.items()}
