"""The residuals of a calibration as a picture: the same drawing for an SVG file and for the calibration sheet.

Going up is a filled triangle, going down an open one, so that a grey copy tells them apart.
"""

from typing import TYPE_CHECKING, Any, Literal
from xml.sax.saxutils import escape

from testbench.certificate.axes import ticks, tidy
from testbench.certificate.data import Layout, layout
from testbench.certificate.languages import Words, words
from testbench.certificate.pen import REGULAR, register_faces
from testbench.metrology.calibration_series import Direction

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing

    from testbench.station.register import Assessment

MARGIN_LEFT, MARGIN_RIGHT, MARGIN_TOP, MARGIN_BOTTOM = 42.0, 10.0, 20.0, 26.0
MARK = 2.6
SVG_SIZE = (560.0, 300.0)
SVG_FACES = "'Source Sans Pro', 'Source Sans 3', sans-serif"


def residual_svg(found: "Assessment") -> str:
    """The residual plot as an SVG document."""
    from reportlab.graphics import renderSVG

    say = words()
    drawn = str(renderSVG.drawToString(residual_drawing(found, *SVG_SIZE, layout(), say)))
    title = f"{say('calibration.plot')}: {escape(found.report.certificate_number)}"
    ground = f'<desc>{say("calibration.band")}</desc><rect width="100%" height="100%" fill="white"/>'
    drawn = drawn.replace("<title>...</title>", f"<title>{title}</title>").replace("<desc>...</desc>", ground)
    return drawn.replace(REGULAR, SVG_FACES)


def residual_drawing(found: "Assessment", width: float, height: float, look: Layout, say: Words) -> "Drawing":
    """Residuals (reference less curve) over the reference, with ± U of the calibration as a band.

    Args:
        found: the calibration.
        width: of the whole drawing with its axes [pt].
        height: of the same [pt].
        look: sizes and colours.
        say: labels.
    """
    from reportlab.graphics.shapes import Drawing

    register_faces(look)
    drawing = Drawing(width, height)
    _Plot(found, drawing, look, say).draw()
    return drawing


class _Plot:
    def __init__(self, found: "Assessment", drawing: "Drawing", look: Layout, say: Words) -> None:
        self._drawing, self._look, self._say = drawing, look, say
        self._calibrated, self._unit = found.calibrated, found.report.unit
        curve = found.calibrated.curve
        self._marks = [
            (point.reference, point.reference - curve.at(point.indication), point.direction)
            for point in found.calibrated.fit.points
        ]
        self._band = [(point.result.reference, point.result.expanded_uncertainty) for point in found.calibrated.points]
        most = max(*(abs(residual) for _, residual, _ in self._marks), *(u for _, u in self._band))
        self._high = 1.12 * most
        self._low_p, self._high_p = self._band[0][0], self._band[-1][0]
        spare = 0.02 * (self._high_p - self._low_p)
        self._p0, self._p1 = self._low_p - spare, self._high_p + spare
        self._x1, self._y1 = drawing.width - MARGIN_RIGHT, drawing.height - MARGIN_TOP

    def draw(self) -> None:
        from reportlab.graphics.shapes import Line, Polygon, PolyLine

        colours = self._look.colours
        over = [value for p, u in self._band for value in (self._across(p), self._up(u))]
        under = [value for p, u in reversed(self._band) for value in (self._across(p), self._up(-u))]
        fill, edge = self._colour(colours.band), self._colour(colours.hatch)
        self._drawing.add(Polygon(over + under, fillColor=fill, strokeColor=edge, strokeWidth=0.6))
        frame = [(MARGIN_LEFT, MARGIN_BOTTOM), (MARGIN_LEFT, self._y1), (self._x1, self._y1), (self._x1, MARGIN_BOTTOM)]
        around = [value for corner in (*frame, frame[0]) for value in corner]
        self._drawing.add(PolyLine(around, strokeColor=self._colour(colours.rule), strokeWidth=0.5))
        zero = self._up(0.0)
        self._drawing.add(Line(MARGIN_LEFT, zero, self._x1, zero, strokeColor=self._ink, strokeWidth=0.7))
        self._axes()
        self._legend()
        for pressure, residual, direction in self._marks:
            self._mark(self._across(pressure), self._up(residual), direction)

    def _mark(self, x: float, y: float, direction: Direction | None) -> None:
        from reportlab.graphics.shapes import Circle, Polygon

        ink = self._colour(self._look.colours.trace)
        if direction is None:
            self._drawing.add(Circle(x, y, MARK, fillColor=ink, strokeColor=ink, strokeWidth=0.8))
            return
        tip = MARK if direction is Direction.UP else -MARK
        fill = ink if direction is Direction.UP else None
        corners = [x, y + tip, x - MARK, y - tip, x + MARK, y - tip]
        self._drawing.add(Polygon(corners, fillColor=fill, strokeColor=ink, strokeWidth=0.8))

    def _axes(self) -> None:
        from reportlab.graphics.shapes import Line

        label = self._colour(self._look.colours.label)
        for tick in ticks(-self._high, self._high, 6):
            y = self._up(tick)
            self._drawing.add(Line(MARGIN_LEFT - 2, y, MARGIN_LEFT, y, strokeColor=label, strokeWidth=0.5))
            self._text(MARGIN_LEFT - 4, y - 2.4, tidy(tick), "end")
        for tick in ticks(self._low_p, self._high_p, 8):
            x = self._across(tick)
            self._drawing.add(Line(x, MARGIN_BOTTOM - 2, x, MARGIN_BOTTOM, strokeColor=label, strokeWidth=0.5))
            self._text(x, MARGIN_BOTTOM - 10, tidy(tick), "middle")
        self._text((MARGIN_LEFT + self._x1) / 2, 4, self._say("calibration.reference_axis", unit=self._unit), "middle")

    def _legend(self) -> None:
        y = self._y1 + 7
        self._text(MARGIN_LEFT, y, self._say("calibration.residual_axis", unit=self._unit), "start")
        x = self._x1
        for key, direction in (("down", Direction.DOWN), ("up", Direction.UP), ("reading", None)):
            if any(mark[2] is direction for mark in self._marks):
                x -= self._room(text := self._say(f"calibration.{key}")) + 12
                self._mark(x, y + 2.5, direction)
                self._text(x + 7, y, text, "start")
        text = self._say("calibration.band")
        self._text(x - self._room(text) - 12, y, text, "start")

    def _room(self, text: str) -> float:
        """How much a text may take where another face has to serve [pt]."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return 1.25 * float(stringWidth(text, REGULAR, self._look.sizes.small))

    def _text(self, x: float, y: float, text: str, anchor: Literal["start", "middle", "end"]) -> None:
        from reportlab.graphics.shapes import String

        size, ink = self._look.sizes.small, self._ink
        self._drawing.add(String(x, y, text, fontName=REGULAR, fontSize=size, fillColor=ink, textAnchor=anchor))

    def _across(self, pressure: float) -> float:
        return MARGIN_LEFT + (pressure - self._p0) / (self._p1 - self._p0) * (self._x1 - MARGIN_LEFT)

    def _up(self, residual: float) -> float:
        return MARGIN_BOTTOM + (residual + self._high) / (2 * self._high) * (self._y1 - MARGIN_BOTTOM)

    @property
    def _ink(self) -> Any:
        return self._colour(self._look.colours.ink)

    def _colour(self, written: str) -> Any:
        from reportlab.lib.colors import HexColor

        return HexColor(written)
