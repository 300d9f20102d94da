"""The blocks that a page is stacked from: each knows its height and draws itself downwards from a given top."""

from dataclasses import dataclass

from testbench.certificate.content import Content, StageContent
from testbench.certificate.evidence import Fact
from testbench.certificate.languages import Words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, WHITE, Pen
from testbench.certificate.plot import StagePlots
from testbench.certificate.table import DETAIL, Block, mark, table_block
from testbench.metrology.decision_rule import Conformity
from testbench.run.record import Verdict
from testbench.station.bench import Works

# Head: who, which valve, what verdict -----------------------------------------------------------


def head_blocks(pen: Pen, content: Content, words: Words) -> list[Block]:
    """Letterhead, verdict and identity."""
    strip = Strip(
        good=content.verdict is Verdict.ACCEPTED,
        word=content.verdict_word,
        about=Fact(words("head.serial"), content.facts.serial),
        number=Fact(content.number_label, content.facts.number),
        issued=f"{words('head.issued')} {content.issued}",
        mark=words("specimen.word") if content.specimen else "",
    )
    return [
        letterhead(pen, content.works, content.title),
        verdict_strip(pen, strip),
        *_reasons(pen, content),
        _identity(pen, content, words),
    ]


def letterhead(pen: Pen, works: Works, title: str) -> Block:
    """Who ships the valve at the left, what the page is at the right, over a thick rule."""
    sizes, colours = pen.layout.sizes, pen.layout.colours
    title_width = pen.width_of(title, BOLD, sizes.title)
    width = pen.right - pen.left - title_width - 24
    name_size = pen.fitted(works.name, STRONG, sizes.works, width)
    names = pen.wrapped(works.name, STRONG, name_size, width)
    address = " · ".join(part for part in (*works.address, works.contact) if part)
    address_lines = pen.wrapped(address, REGULAR, sizes.small, width) if address else []
    height = max(len(names) * name_size * 1.15 + len(address_lines) * sizes.small * 1.2 + 7, 30.0)

    def paint(top: float) -> None:
        y = top
        with pen.tags.element("P"):
            for name in names:
                pen.text(pen.left, y - name_size * 0.9, name, STRONG, name_size)
                y -= name_size * 1.15
            for line in address_lines:
                pen.text(pen.left, y - sizes.small * 0.95, line, REGULAR, sizes.small, colour=colours.label)
                y -= sizes.small * 1.2
        with pen.tags.element("H1"):
            pen.text(pen.right, top - sizes.title * 0.82, title, BOLD, sizes.title, align="right")
        pen.rule(top - height + 2, 1.6, colours.ink)

    return Block(height + 5, paint)


@dataclass(frozen=True, slots=True)
class Strip:
    """What answers the reader's first question."""

    good: bool
    word: str
    about: Fact
    """The serial number, or the order."""
    number: Fact
    issued: str
    mark: str = ""
    """What marks a specimen; empty where it is none."""


def verdict_strip(pen: Pen, strip: Strip) -> Block:
    """Word, mark, position and colour. Good is a filled block, bad a heavy frame: unlike as a photocopy."""
    sizes, colours = pen.layout.sizes, pen.layout.colours
    height, width = 38.0, 200.0
    half = max(pen.width_of(strip.number.value, STRONG, sizes.works), pen.width_of(strip.issued, REGULAR, sizes.body))
    half = min(max(half, 118.0), 150.0)
    x = pen.left + width + 16
    room = pen.right - x - half - 14
    about_size = pen.fitted(strip.about.value, BOLD, sizes.serial, room)
    lines = pen.wrapped(strip.about.value, BOLD, about_size, room)
    extra = max(0.0, 1.1 * about_size * (len(lines) - 1) - 12)

    def paint(top: float) -> None:
        (_accepted if strip.good else _rejected)(pen, strip, top - height, width, height)
        with pen.tags.element("P"):
            pen.text(x, top - 9, strip.about.label, REGULAR, sizes.body, colour=colours.label)
            for index, line in enumerate(lines):
                pen.text(x, top - 10 - about_size - 1.1 * about_size * index, line, BOLD, about_size)
        column, number = pen.right - half, strip.number.value
        with pen.tags.element("P"):
            pen.text(column, top - 9, strip.number.label, REGULAR, sizes.body, colour=colours.label)
            pen.text(column, top - 23, number, STRONG, pen.fitted(number, STRONG, sizes.works, half))
        pen.text(column, top - 34, strip.issued, REGULAR, sizes.body, colour=colours.label)

    return Block(height + 6 + extra, paint)


def _accepted(pen: Pen, strip: Strip, low: float, width: float, height: float) -> None:
    pen.ink(pen.layout.colours.accepted)
    pen.canvas.roundRect(pen.left, low, width, height, 3, stroke=0, fill=1)
    pen.tick(pen.left + 11, low + 9, height - 18, WHITE, 4.6)
    _verdict(pen, strip, (pen.left + 52, low, width - 60, height), WHITE)


def _rejected(pen: Pen, strip: Strip, low: float, width: float, height: float) -> None:
    red = pen.layout.colours.rejected
    pen.ink(WHITE)
    pen.canvas.rect(pen.left, low, width, height, stroke=0, fill=1)
    pen.hatch(pen.left + 2, low + 2, 42, height - 4, step=5.0, colour=red, thickness=1.5)
    pen.ink(WHITE)
    pen.canvas.circle(pen.left + 23, low + height / 2, 15.5, stroke=0, fill=1)
    pen.cross(pen.left + 12, low + height / 2 - 11, 22, red, 5.0)
    pen.ink(red)
    pen.canvas.setLineWidth(3)
    pen.canvas.rect(pen.left + 1.5, low + 1.5, width - 3, height - 3, stroke=1, fill=0)
    pen.canvas.setLineWidth(1)
    _verdict(pen, strip, (pen.left + 54, low, width - 62, height), red)


def _verdict(pen: Pen, strip: Strip, within: tuple[float, float, float, float], colour: str) -> None:
    """The word of the verdict; what marks a specimen stands so near that no cut parts them."""
    x, low, width, height = within
    y = low + height / 2 - (4 if strip.mark else 8)
    with pen.tags.element("P"):
        pen.text(x, y, strip.word, BOLD, pen.fitted(strip.word, BOLD, pen.layout.sizes.verdict, width), colour=colour)
        if strip.mark:
            pen.text(x + 1, y - 9, strip.mark, BOLD, pen.layout.sizes.body, colour=colour)


def colour_of(pen: Pen, verdict: Verdict | None) -> str:
    """Of a verdict's word; ink where there is none."""
    colours = pen.layout.colours
    if verdict is Verdict.ACCEPTED:
        return colours.accepted
    return colours.rejected if verdict is Verdict.REJECTED else colours.ink


def _reasons(pen: Pen, content: Content) -> list[Block]:
    width, size = pen.right - pen.left, 9.0

    def block(text: str) -> Block:
        quiet = content.verdict is Verdict.ACCEPTED and text in content.reasons
        face = REGULAR if quiet else STRONG
        height = pen.paragraph_height(text, width, face, size)
        return Block(height + 1, lambda top: _drawn(pen.paragraph(pen.left, top + 1, text, width, face, size=size)))

    told = filter(None, (content.replaces, *content.reasons, content.specimen))
    return [*(block(text) for text in told), Block(3, lambda top: None)]


def _drawn(used: float) -> None:
    """Let go of a height that is known already."""


def _identity(pen: Pen, content: Content, words: Words) -> Block:
    """Valve at the left, order and test at the right, the same edges in both."""
    gap = 18.0
    left_width = (pen.right - pen.left - gap) * 0.42
    right_x = pen.left + left_width + gap
    left = facts_block(pen, words("head.valve"), content.valve, x=pen.left, width=left_width, label_width=66.0)
    right = facts_block(pen, words("head.order"), content.order, x=right_x, width=pen.right - right_x, label_width=70.0)
    height = max(left.height, right.height)

    def paint(top: float) -> None:
        left.draw(top)
        right.draw(top)

    return Block(height + 4, paint)


LINE = 9.2


def facts_block(
    pen: Pen, heading: str, facts: tuple[Fact, ...], *, x: float, width: float, label_width: float
) -> Block:
    """A heading over labels and their values."""
    sizes, colours = pen.layout.sizes, pen.layout.colours
    label_width = max(label_width, *(pen.width_of(fact.label, REGULAR, sizes.body) + 5 for fact in facts))
    room = width - label_width
    laid = []
    for fact in facts:
        size = pen.fitted(fact.value, REGULAR, sizes.body, room)
        laid.append((fact.label, size, pen.wrapped(fact.value, REGULAR, size, room)))
    height = 13.5 + sum(LINE * len(lines) for _, _, lines in laid)

    def paint(top: float) -> None:
        section(pen, heading, x, x + width, top)
        y = top - 20.5
        for label, size, lines in laid:
            with pen.tags.element("P"):
                pen.text(x, y, label, REGULAR, sizes.body, colour=colours.label)
                for line in lines:
                    pen.text(x + label_width, y, line, REGULAR, size)
                    y -= LINE

    return Block(height, paint)


def section(pen: Pen, heading: str, x0: float, x1: float, top: float) -> None:
    """A section head over a thin rule."""
    with pen.tags.element("H2"):
        pen.text(x0, top - 9, heading, STRONG, pen.layout.sizes.section)
    pen.line(x0, top - 12, x1, top - 12, 0.7, colour=pen.layout.colours.rule)


# Stages -----------------------------------------------------------------------------------------


def stage_block(pen: Pen, stage: StageContent, words: Words, plot_height: float) -> Block:
    """Heading, conditions, table and both plots of one stage."""
    width = pen.right - pen.left
    head, text = f"{stage.times} · {stage.attempt}", stage.conditions
    if not stage.times:
        head = stage.attempt
    elif pen.width_of(head, REGULAR, pen.layout.sizes.small) > pen.right - _judged_until(pen, stage) - 12:
        head, text = stage.attempt, f"{stage.conditions} {stage.times}."
    conditions = pen.paragraph_height(text, width)
    table = table_block(pen, stage.table.lines, words)
    undecided = [pen.paragraph_height(text, width) for text in stage.undecided]
    height = 15 + conditions + table.height + sum(undecided) + 2 + plot_height + 3

    def paint(top: float) -> None:
        _stage_head(pen, stage, head, top)
        y = top - 13
        y -= pen.paragraph(pen.left, y, text, width, colour=pen.layout.colours.label)
        table.draw(y - 1)
        y -= table.height + 1
        for sentence in stage.undecided:
            y -= pen.paragraph(pen.left, y, sentence, width)
        with pen.tags.element("Figure", words("plot.alt", stage=stage.title)):
            StagePlots(pen, stage.plot, words).draw(y - 2, plot_height)

    return Block(height, paint)


def _judged_until(pen: Pen, stage: StageContent) -> float:
    """Where the words of the stage's verdict end."""
    size = pen.layout.sizes.section
    return pen.left + pen.width_of(stage.title, BOLD, size) + 19 + pen.width_of(stage.judged, BOLD, size)


def _stage_head(pen: Pen, stage: StageContent, right: str, top: float) -> None:
    """Title and verdict at the left, attempt and times at the right."""
    sizes, colours = pen.layout.sizes, pen.layout.colours
    x = pen.left + pen.width_of(stage.title, BOLD, sizes.section) + 8
    with pen.tags.element("H2"):
        pen.text(pen.left, top - 9, stage.title, BOLD, sizes.section)
        mark(pen, x, top - 9.4, 8.0, _met(stage.verdict))
        pen.text(x + 11, top - 9, stage.judged, BOLD, sizes.section)
    pen.text(pen.right, top - 9, right, REGULAR, sizes.small, colour=colours.label, align="right")
    pen.rule(top - 12, 0.7)


def _met(verdict: Verdict) -> Conformity:
    return {
        Verdict.ACCEPTED: Conformity.CONFORMS,
        Verdict.REJECTED: Conformity.DOES_NOT_CONFORM,
        Verdict.INCONCLUSIVE: Conformity.WITHIN_GUARD_BAND,
    }[verdict]


# Evidence ---------------------------------------------------------------------------------------


def evidence_blocks(pen: Pen, content: Content, words: Words) -> list[Block]:
    """Course of the run, instrument, decision rule, sources and cautions; each block small, so that it can flow."""
    return [
        *_paragraphs(pen, words("course.heading"), content.course),
        _instrument_block(pen, content, words),
        *_paragraphs(pen, words("compared.heading"), content.compared),
        *_paragraphs(pen, words("rule.heading"), (" ".join(content.rule),)),
        *_paragraphs(pen, words("sources.heading"), ("; ".join(content.sources) + ".",)),
        *_paragraphs(pen, words("document.heading"), (" ".join(content.document),) if content.document else ()),
        *_paragraphs(pen, words("cautions.heading"), (" ".join(content.cautions),)),
    ]


HEADING_COLUMN = 66.0


def _paragraphs(pen: Pen, heading: str, texts: tuple[str, ...]) -> list[Block]:
    """Paragraphs right of a heading in the margin column."""
    x = pen.left + HEADING_COLUMN
    width = pen.right - x

    def block(index: int, text: str) -> Block:
        height = pen.paragraph_height(text, width)
        last = index == len(texts) - 1

        def head(top: float) -> None:
            pen.rule(top, 0.4, pen.layout.colours.rule)
            with pen.tags.element("H2"):
                pen.text(pen.left, top - 8.5, heading, STRONG, pen.layout.sizes.small)

        def paint(top: float) -> None:
            if index == 0:
                head(top)
            pen.paragraph(x, top - 1.5, text, width)

        return Block(height + (3.2 if last else 0.5), paint, again=Block(0, head) if index else None)

    return [block(index, text) for index, text in enumerate(texts)]


def _instrument_block(pen: Pen, content: Content, words: Words) -> Block:
    """The deciding channel: labels and values in two columns."""
    small, label = pen.layout.sizes.small, pen.layout.colours.label
    x, label_width, second_label = pen.left + HEADING_COLUMN, 78.0, 60.0
    second = x + (pen.right - x) * 0.64
    half = (len(content.instrument) + 1) // 2
    edges = ((x, x + label_width, second - 8), (second, second + second_label, pen.right))
    cells = [
        (
            fact,
            *edges[index // half][:2],
            pen.wrapped(fact.value, REGULAR, small, edges[index // half][2] - edges[index // half][1]),
        )
        for index, fact in enumerate(content.instrument)
    ]
    rows = [max(len(cells[i][3]) for i in range(row, len(cells), half)) for row in range(half)]

    def paint(top: float) -> None:
        pen.rule(top, 0.4, pen.layout.colours.rule)
        with pen.tags.element("H2"):
            pen.text(pen.left, top - 8.5, words("instrument.heading"), STRONG, small)
        for index, (fact, left, inner, lines) in enumerate(cells):
            y = top - 8.5 - DETAIL * sum(rows[: index % half])
            with pen.tags.element("P"):
                pen.text(left, y, fact.label, REGULAR, small, colour=label)
                for number, line in enumerate(lines):
                    pen.text(inner, y - DETAIL * number, line, REGULAR, small)

    return Block(DETAIL * sum(rows) + 3.4, paint)
