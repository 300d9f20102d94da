"""One page of evidence: how well the slope interval and the decision by pressure decay keep their word."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from testbench.certificate.data import Layout
from testbench.certificate.languages import Words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.metrology.resolvability import Resolvability
from testbench.metrology.studies import (
    HOLDS_S,
    HZ,
    NOISE_PSI,
    NOISES,
    PRESSURE_PSI,
    SHARES,
    Case,
    Coverage,
    Decided,
    MethodStudy,
    Outcomes,
    standard_error,
)

WHITE = "#ffffff"
ROW, COVERAGE_ROW = 9.6, 15.0
"""Heights of a row of the table and of a row of the coverage plot [pt]."""
PANEL, GAP = 98.0, 16.0
"""Height of a plot of decisions and the space between two [pt]."""
DASH = (3.0, 2.0)


@dataclass(frozen=True, slots=True)
class Study:
    """What the page tells of, and how anyone gets the same figures."""

    found: MethodStudy
    seed: int
    version: str
    dated: datetime
    """When it was computed, UTC."""


def draw_method_page(study: Study, layout: Layout, words: Words) -> bytes:
    """Draw the page: a PDF of one A4 sheet, the same bytes for the same arguments."""
    pen = Pen(layout, "A4", study.dated)
    pen.canvas.setTitle(words("method.title"))
    pen.canvas.setCreator(f"testbench {study.version}")
    pen.canvas.setViewerPreference("DisplayDocTitle", "true")
    _MethodPage(pen, study, words).draw()
    pen.canvas.showPage()
    return pen.finished()


def percent(count: int, of: int) -> str:
    """A share with one decimal; none of all and all of all without."""
    return f"{100 * count / of:.1f}" if 0 < count < of else f"{100 * count // of}"


class _MethodPage:
    """Paints from the top downwards; every part gives the height at which it ends."""

    def __init__(self, pen: Pen, study: Study, words: Words) -> None:
        self.pen, self.study, self.words = pen, study, words
        self.small, self.colours = pen.layout.sizes.small, pen.layout.colours

    def draw(self) -> None:
        top = self._head(self.pen.top)
        top = self._coverages(self._told(top, "method.interval", "method.interval_told"))
        top = self._decisions(self._told(top, "method.decision", "method.decision_told"))
        self._table(self._told(top, "method.errors", "method.errors_told"))

    def _head(self, top: float) -> float:
        pen, sizes, study = self.pen, self.pen.layout.sizes, self.study
        pen.text(pen.left, top - 12, self.words("method.title"), BOLD, sizes.title)
        drawn = self.words("method.drawn", version=study.version, date=f"{study.dated:%Y-%m-%d}")
        pen.text(pen.right, top - 12, drawn, REGULAR, sizes.body, align="right")
        pen.rule(top - 18, 1.6, self.colours.ink)
        holds = study.found.holds
        text = self.words(
            "method.how",
            holds=holds,
            seed=study.seed,
            at_95=f"{100 * standard_error(0.95, holds):.2g}",
            at_50=f"{100 * standard_error(0.5, holds):.2g}",
            unseen=f"{min(300 / holds, 100):.2g}",
        )
        return top - 22 - pen.paragraph(pen.left, top - 22, text, pen.right - pen.left, size=sizes.body)

    def _told(self, top: float, heading: str, told: str) -> float:
        """A heading, its rule, and what it means in words."""
        pen, top = self.pen, top - 6
        pen.text(pen.left, top - 9, self.words(heading), STRONG, pen.layout.sizes.section)
        pen.rule(top - 12.5, 0.5)
        shares = ", ".join(f"{share:g}" for share in SHARES)
        text = self.words(told, hz=HZ, pressure=f"{PRESSURE_PSI:g}", noise=f"{NOISE_PSI:g}", shares=shares)
        return top - 15 - pen.paragraph(pen.left, top - 15, text, pen.right - pen.left, size=pen.layout.sizes.body)

    # Coverage ------------------------------------------------------------------------------------

    def _coverages(self, top: float) -> float:
        """A row for each noise: where the shares lie between 0 and 100 %, and the figures beside it."""
        pen = self.pen
        x0, x1 = pen.left + 86, pen.left + 282
        columns = [x1 + 46 + 42 * index for index in range(5)]
        middle = (columns[0] + columns[1]) / 2 - 8
        for x, seconds in zip((middle, middle + 84), HOLDS_S, strict=True):
            self._small(x, top - 9, self.words("method.hold", seconds=seconds), align="centre")
        for x, key in zip(columns, _COLUMNS, strict=True):
            self._small(x, top - 18, self.words(key), align="right")
        self._key(x0, top - 15)
        first, last = top - 22, top - 22 - COVERAGE_ROW * len(NOISES)
        across = _scale(0, 100, x0, x1)
        for tick in (0, 25, 50, 75, 100):
            pen.line(across(tick), first, across(tick), last, 0.4, colour=self.colours.hairline)
            self._small(across(tick), last - 8, f"{tick}", align="centre")
        pen.line(across(95), first, across(95), last, 0.8, colour=self.colours.ink, dash=DASH)
        self._small(across(95), first + 2, "95", align="centre")
        self._small(x1 + 8, last - 8, self.words("method.percent"))
        for index, noise in enumerate(NOISES):
            y = first - COVERAGE_ROW * (index + 1)
            pen.text(pen.left, y + 4.6, noise.name, REGULAR, 8)
            pen.line(pen.left, y, pen.right, y, 0.3, colour=self.colours.hairline)
            cells = [found for found in self.study.found.coverages if found.noise == noise.name]
            for found, offset in zip(cells, (10.4, 4.6), strict=True):
                self._coverage_marks(found, across, y + offset)
            figures = [count for found in cells for count in (found.as_if_white, found.ours)]
            curved = max(found.curved for found in cells)
            for x, count, face in zip(columns, (*figures, curved), _FACES, strict=True):
                pen.text(x, y + 4.6, percent(count, cells[0].holds), face, 8, align="right")
        return last - 11

    def _key(self, x: float, y: float) -> None:
        """What the marks of the plot mean."""
        for shift, key, seconds, ours in ((0, "method.as_if_white", 60, False), (58, "method.ours", 60, True)):
            self._mark(x + shift + 3, y + 2.4, seconds=seconds, ours=ours)
            self._small(x + shift + 8, y, self.words(key))
        self._small(x + 96, y, self.words("method.shapes"))

    def _coverage_marks(self, found: Coverage, across: Callable[[float], float], y: float) -> None:
        low, high = (across(100 * count / found.holds) for count in (found.as_if_white, found.ours))
        self.pen.line(low, y, high, y, 0.5, colour=self.colours.label)
        self._mark(low, y, seconds=found.seconds, ours=False)
        self._mark(high, y, seconds=found.seconds, ours=True)

    def _mark(self, x: float, y: float, *, seconds: int, ours: bool) -> None:
        """A disc for the short hold, a square for the long one; filled if it is ours."""
        canvas = self.pen.canvas
        self.pen.ink(self.colours.trace)
        canvas.setLineWidth(0.9)
        if not ours:
            canvas.setFillColor(WHITE)
        if seconds == HOLDS_S[0]:
            canvas.circle(x, y, 2.2, stroke=1, fill=1)
        else:
            canvas.rect(x - 1.9, y - 1.9, 3.8, 3.8, stroke=1, fill=1)

    # Decisions -----------------------------------------------------------------------------------

    def _decisions(self, top: float) -> float:
        """Five plots and their key, three in a row."""
        pen = self.pen
        width = (pen.right - pen.left - 2 * GAP) / 3
        height = 31 + PANEL + 28
        places = [(pen.left + (width + GAP) * (n % 3), top - height * (n // 3)) for n in range(6)]
        for decided, (x, y) in zip(self.study.found.decided, places[:5], strict=True):
            self._decided(decided, x, y - 4, width)
        self._areas_key(*places[5], width)
        return top - 2 * height

    def _decided(self, decided: Decided, x: float, top: float, width: float) -> None:
        pen, case = self.pen, decided.case
        pen.text(x, top - 7, case.name, STRONG, pen.fitted(case.name, STRONG, 8, width))
        for index, line in enumerate(self._conditions(case)):
            self._small(x, top - 15.5 - 8.2 * index, line)
        left, low = x + 16, top - 29 - PANEL
        right = x + width
        across, up = _scale(SHARES[0], SHARES[-1], left, right), _scale(0, 100, low, low + PANEL)
        self._areas(decided.outcomes, across, up)
        pen.line(across(1.0), low, across(1.0), low + PANEL, 0.7, colour=self.colours.ink)
        for tick in (0, 50, 100):
            pen.line(left - 2, up(tick), left, up(tick), 0.5, colour=self.colours.label)
            self._small(left - 3.5, up(tick) - 2.4, f"{tick}", align="right")
        for share in (0.0, 0.5, 1.0, 1.5):
            pen.line(across(share), low - 2, across(share), low, 0.5, colour=self.colours.label)
            self._small(min(across(share), right - 5), low - 9, f"{share:g}", align="centre")
        self._small(x, low - 18, self._gate(case.gate), face=STRONG)

    def _conditions(self, case: Case) -> tuple[str, str]:
        noise = "method.white" if case.lasting == 0 else "method.lasting"
        return (
            self.words("method.limit", limit=case.limit, fall=f"{case.fall_psi_per_min:.3g}"),
            self.words(
                "method.given",
                noise=self.words(noise, r=case.lasting),
                lsb=case.lsb_psi,
                c=f"{100 * case.compliance_u:g}",
                drift=case.drift_u_psi_per_min,
            ),
        )

    def _gate(self, gate: Resolvability) -> str:
        if gate.decidable and gate.seconds is not None:
            return self.words("method.gate_can", seconds=math.ceil(gate.seconds), dominant=gate.dominant)
        return self.words("method.gate_cannot", dominant=gate.dominant)

    def _areas(
        self, outcomes: Sequence[Outcomes], across: Callable[[float], float], up: Callable[[float], float]
    ) -> None:
        """From below: accepted, inconclusive, rejected; over them what simple acceptance accepts."""
        pen, colours = self.pen, self.colours
        holds = outcomes[0].holds
        left, right, low, high = across(SHARES[0]), across(SHARES[-1]), up(0), up(100)
        accepted = [(across(o.share), up(100 * o.accepted / holds)) for o in outcomes]
        decided = [(across(o.share), up(100 * (holds - o.rejected) / holds)) for o in outcomes]
        simply = [(across(o.share), up(100 * o.simply_accepted / holds)) for o in outcomes]
        pen.hatch(left, low, right - left, high - low, step=4.2, colour=colours.specimen, thickness=0.4)
        self._filled([(left, low), *accepted, (right, low)], WHITE)
        self._filled([(left, high), *decided, (right, high)], colours.hatch)
        self._along(accepted, 0.9, ())
        self._along(decided, 0.9, ())
        self._along(simply, 0.9, DASH)
        for place in simply:
            self._ring(*place)
        pen.ink(colours.rule)
        pen.canvas.setLineWidth(0.5)
        pen.canvas.rect(left, low, right - left, high - low, stroke=1, fill=0)

    def _filled(self, corners: Sequence[tuple[float, float]], colour: str) -> None:
        self.pen.ink(colour)
        path = self.pen.canvas.beginPath()
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        path.close()
        self.pen.canvas.drawPath(path, stroke=0, fill=1)

    def _along(self, points: Sequence[tuple[float, float]], thickness: float, dash: tuple[float, ...]) -> None:
        for (x0, y0), (x1, y1) in pairwise(points):
            self.pen.line(x0, y0, x1, y1, thickness, colour=self.colours.ink, dash=dash)

    def _ring(self, x: float, y: float) -> None:
        self.pen.ink(self.colours.ink)
        self.pen.canvas.setLineWidth(0.8)
        self.pen.canvas.setFillColor(WHITE)
        self.pen.canvas.circle(x, y, 1.6, stroke=1, fill=1)

    def _areas_key(self, x: float, top: float, width: float) -> None:
        """What areas and rings mean, in the order in which they lie in the plots."""
        pen, y = self.pen, top - 34
        for key in ("method.rejected", "method.inconclusive", "method.accepted", "method.simple"):
            if key == "method.simple":
                self._along([(x, y + 5), (x + 16, y + 5)], 0.9, DASH)
                self._ring(x + 8, y + 5)
            else:
                self._square(x, y, key)
            pen.paragraph(x + 21, y + 10, self.words(key), width - 21, size=pen.layout.sizes.body)
            y -= 22

    def _square(self, x: float, y: float, key: str) -> None:
        pen, colours = self.pen, self.colours
        if key == "method.rejected":
            self._filled([(x, y), (x + 16, y), (x + 16, y + 10), (x, y + 10)], colours.hatch)
        elif key == "method.inconclusive":
            pen.hatch(x, y, 16, 10, step=4.2, colour=colours.specimen, thickness=0.4)
        pen.ink(colours.ink)
        pen.canvas.setLineWidth(0.6)
        pen.canvas.rect(x, y, 16, 10, stroke=1, fill=0)

    # False accept and false reject ---------------------------------------------------------------

    def _table(self, top: float) -> None:
        """Accepted at and above the limit, rejected below and at it; guarded and simple side by side."""
        pen, top = self.pen, top - 6
        columns = [pen.left + 196 + 57 * n for n in range(6)]
        for x, text in ((columns[0], "method.accepted_leaking"), (columns[3], "method.rejected_leaking")):
            pen.text(x, top - 8, self.words(text), STRONG, 8)
        self._small(pen.left, top - 17, self.words("method.case"))
        for x, share in zip(columns, (*_ACCEPTED_AT, *_REJECTED_AT), strict=True):
            self._small(x, top - 17, self.words("method.times", share=f"{share:.2f}"))
        y = top - 20
        for decided in self.study.found.decided:
            pen.rule(y - 0.4, 0.3, self.colours.hairline)
            y -= ROW
            pen.text(pen.left, y + 2, decided.case.name, REGULAR, 8)
            for n, (x, share) in enumerate(zip(columns, (*_ACCEPTED_AT, *_REJECTED_AT), strict=True)):
                found = decided.at(share)
                accepted, rejected = (found.accepted, found.simply_accepted), (found.rejected, found.simply_rejected)
                guarded, simple = accepted if n < len(_ACCEPTED_AT) else rejected
                pen.text(x, y + 2, percent(guarded, found.holds), STRONG, 8)
                pen.text(x + 24, y + 2, f"| {percent(simple, found.holds)}", REGULAR, 8, colour=self.colours.label)

    def _small(self, x: float, y: float, text: str, *, align: str = "left", face: str = REGULAR) -> None:
        self.pen.text(x, y, text, face, self.small, colour=self.colours.label, align=align)


_ACCEPTED_AT, _REJECTED_AT = (1.0, 1.05, 1.25), (0.8, 0.95, 1.0)
_COLUMNS = ("method.as_if_white", "method.ours", "method.as_if_white", "method.ours", "method.curved")
_FACES = (REGULAR, STRONG, REGULAR, STRONG, REGULAR)


def _scale(from_value: float, to_value: float, from_pt: float, to_pt: float) -> Callable[[float], float]:
    """Where a value lies on an axis [pt]."""
    return lambda value: from_pt + (value - from_value) / (to_value - from_value) * (to_pt - from_pt)
