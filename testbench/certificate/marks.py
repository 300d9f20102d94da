"""What a page draws, mark by mark: every sign with its shape and place, every line and area. It draws nothing itself.

It knows the operators that our pages use (ISO 32000-1, 8.5 and 9.4) and refuses every other: an image, a form, a
pattern, a shading, transparency or a text that is only a clip could lie over what a reader should see.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from testbench.certificate.shapes import Face, NotOursError, faces_of

Matrix = tuple[float, float, float, float, float, float]
ONE: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
FILL, STROKE = "fill", "stroke"
SIGNS, LINES = 0.02, 0.11
"""How far places may lie apart [pt]. Signs are placed to four decimals; a curve is drawn in steps of a tenth, and where
one falls may hang on the last bit of another processor's arithmetic. 0.11 pt are 0.04 mm."""
SHADES = 0.004
"""How far shares of a colour may lie apart: a screen shows 256 steps."""
PAINTED = {
    "S": (STROKE,), "f": (FILL,), "F": (FILL,), "f*": ("even-odd fill",), "B": (FILL, STROKE),
    "B*": ("even-odd fill", STROKE), "n": (),
}  # fmt: skip
CLOSING = {"s": "S", "b": "B", "b*": "B*"}
VALUES = {
    "w": ("width", float), "J": ("cap", int), "j": ("join", int), "TL": ("leading", float), "Tr": ("mode", int),
}  # fmt: skip
INKS = {"rg": "fill", "RG": "stroke"}
OPERANDS = {
    "cm": 6, "d": 2, "re": 4, "Tm": 6, "Td": 2, "Tf": 2, "Tj": 1, "m": 2, "l": 2, "c": 6, "rg": 3, "RG": 3, "BMC": 1,
    "BDC": 2, **dict.fromkeys(VALUES, 1),
}  # fmt: skip
"""How many an operator takes; the others none. A reader of PDF may take the first ones of too many, or the last."""
WRITING = ("ET", "Tm", "Td", "Tj", "T*")
WHERE = dict.fromkeys(WRITING, True) | dict.fromkeys(
    ("BT", "q", "Q", "cm", "re", "m", "l", "c", "h", "W", "W*", *PAINTED, *CLOSING), False
)  # fmt: skip
"""Which operators stand inside a text and which outside; elsewhere one reader draws them and another does not."""
CLIPS, RECTANGLE = ("W", "W*"), "mlllh"
NEED_A_PATH = frozenset({"l", "c", "h", *CLIPS, *PAINTED, *CLOSING} - {"n"})
BUILDING = frozenset({"m", "l", "c", "h", "re", *CLIPS, *PAINTED, *CLOSING})
"""What may stand between the begin of a path and its painting (ISO 32000-1, 8.2, figure 9): where a matrix changes in
between, some readers move the points that are there already, and others do not."""
MOST_MARKS = 500_000


@dataclass(frozen=True, slots=True)
class Mark:
    """One sign, line or area, or the beginning or end of a marked piece."""

    what: tuple[Any, ...]
    """Must be the same."""
    inks: tuple[float, ...] = ()
    """Shares of red, green and blue."""
    places: tuple[float, ...] = ()
    """Points [pt], from the lower left corner of the page; for a sign, how it is turned and scaled, too."""
    text: str = ""
    """Of a sign, the text in which it stands."""
    clips: tuple[int, ...] = ()
    """Which clips hold, by their number on the page."""

    def like(self, other: "Mark") -> bool:
        """Whether both are the same within tolerances."""
        points = SIGNS if self.text else LINES
        return (
            (self.what, self.clips) == (other.what, other.clips)
            and len(self.places) == len(other.places)
            and all(abs(a - b) <= SHADES for a, b in zip(self.inks, other.inks, strict=True))
            and all(abs(a - b) <= points for a, b in zip(self.places, other.places, strict=True))
        )


@dataclass(frozen=True, slots=True)
class _State:
    """What ``q`` keeps and ``Q`` brings back."""

    matrix: Matrix = ONE
    fill: tuple[float, ...] = (0.0, 0.0, 0.0)
    stroke: tuple[float, ...] = (0.0, 0.0, 0.0)
    width: float = 1.0
    cap: int = 0
    join: int = 0
    dash: tuple[float, ...] = (0.0,)
    clips: tuple[int, ...] = ()
    """Which clips hold, by their number on the page."""
    face: Face | None = None
    size: float = 0.0
    leading: float = 0.0
    mode: int = 0


def times(one: Matrix, other: Matrix) -> Matrix:
    """First one, then the other."""
    a, b, c, d, e, f = one
    g, h, i, j, k, m = other
    return (a * g + b * i, a * h + b * j, c * g + d * i, c * h + d * j, e * g + f * i + k, e * h + f * j + m)


def marks_of(page: Any, *, whole: bool = True) -> list[Mark]:
    """Read a page.

    Args:
        page: as pikepdf gives it.
        whole: whether its faces must be the same to the byte; see ``certificate/shapes``.

    Raises:
        NotOursError: it uses what our pages never use; the sentence says what.
        ValueError, LookupError, TypeError, AttributeError: it is broken.
    """
    import pikepdf

    reading = _Reading(faces_of(page, whole=whole))
    for order in pikepdf.parse_content_stream(page):
        reading.take(str(order.operator), list(order.operands))
    return reading.marks


def signs_of(page: Any) -> set[tuple[Any, ...]]:
    """Every sign that the faces of a page have, filled, as a mark tells it where faces need not be alike as a whole."""
    faces = faces_of(page, whole=False).values()
    return {_sign(letter, face.shapes.get(code, ""), 0) for face in faces for code, letter in face.letters.items()}


def _sign(letter: str, shape: str, mode: int) -> tuple[Any, ...]:
    return "sign", letter, shape, mode


class _Reading:
    """A page, operator by operator."""

    def __init__(self, faces: dict[str, Face]) -> None:
        self.marks: list[Mark] = []
        self._faces = faces
        self._state, self._kept = _State(), list[_State]()
        self._line, self._text, self._writing = ONE, ONE, False
        self._path: list[tuple[str, tuple[float, ...]]] = []
        self._clip = ""
        self._clips = 0
        self._orders: dict[str, Callable[[list[Any]], None]] = {
            "q": self._keep, "Q": self._bring_back, "cm": self._turn, "d": self._dash, "re": self._rectangle,
            "BT": self._begin_text, "ET": self._end_text, "Tm": self._place, "Td": self._go_on,
            "Tf": self._set_face, "Tj": self._write, "T*": self._next_line,
        }  # fmt: skip
        self._orders |= {name: partial(self._set, *what) for name, what in VALUES.items()}
        self._orders |= {name: partial(self._ink, what) for name, what in INKS.items()}
        self._orders |= {name: partial(self._piece, name) for name in ("BMC", "BDC", "EMC")}
        self._orders |= {name: partial(self._draw, name) for name in ("m", "l", "c", "h")}
        self._orders |= {name: partial(self._paint, name) for name in (*PAINTED, *CLOSING)}
        self._orders |= {name: partial(self._set_clip, name) for name in CLIPS}

    def take(self, name: str, told: list[Any]) -> None:
        """One operator.

        Raises:
            NotOursError: no page of ours uses it, or not in this way.
        """
        if name not in self._orders:
            raise NotOursError(f"It draws with the operator {name}, which no page of ours needs.")
        where = WHERE.get(name)
        if len(told) != OPERANDS.get(name, 0) or where not in {None, self._writing}:
            raise NotOursError(f"It uses the operator {name} as no page of ours does.")
        if (self._path and name not in BUILDING) or (self._clip and name not in PAINTED):
            raise NotOursError(f"It uses the operator {name} in the middle of a path, as no page of ours does.")
        if not self._path and name in NEED_A_PATH:
            raise NotOursError(f"It uses the operator {name} without a path, as no page of ours does.")
        self._orders[name](told)

    def _mark(self, mark: Mark) -> None:
        if len(self.marks) >= MOST_MARKS:
            raise NotOursError("It draws more than any page of ours needs.")
        self.marks.append(mark)

    def _set(self, field: str, kind: type, told: list[Any]) -> None:
        self._change(**{field: kind(told[0])})

    def _ink(self, field: str, told: list[Any]) -> None:
        red, green, blue = (float(one) for one in told)
        self._change(**{field: (red, green, blue)})

    def _change(self, **told: Any) -> None:
        self._state = replace(self._state, **told)

    def _piece(self, name: str, told: list[Any]) -> None:
        self._mark(Mark((name, *(_plain(one) for one in told))))

    def _keep(self, _: list[Any]) -> None:
        self._kept.append(self._state)

    def _bring_back(self, _: list[Any]) -> None:
        self._state = self._kept.pop()

    def _turn(self, told: list[Any]) -> None:
        self._change(matrix=times(_matrix(told), self._state.matrix))

    def _dash(self, told: list[Any]) -> None:
        self._change(dash=(float(told[1]), *(float(one) for one in told[0])))

    # Lines and areas -----------------------------------------------------------------------------

    def _points(self, told: list[float]) -> tuple[float, ...]:
        a, b, c, d, e, f = self._state.matrix
        pairs = zip(told[::2], told[1::2], strict=True)
        return tuple(one for x, y in pairs for one in (a * x + c * y + e, b * x + d * y + f))

    def _draw(self, name: str, told: list[Any]) -> None:
        self._path.append((name, self._points([float(one) for one in told])))

    def _rectangle(self, told: list[Any]) -> None:
        x, y, width, height = (float(one) for one in told)
        corners = (
            ("m", (x, y)),
            ("l", (x + width, y)),
            ("l", (x + width, y + height)),
            ("l", (x, y + height)),
            ("h", ()),
        )
        self._path += [(name, self._points(list(point))) for name, point in corners]

    def _set_clip(self, name: str, _: list[Any]) -> None:
        self._clip = name

    def _paint(self, name: str, _: list[Any]) -> None:
        if name in CLOSING:
            self._path.append(("h", ()))
            name = CLOSING[name]
        drawn, state = "".join(one for one, _ in self._path), self._state
        places = tuple(value for _, points in self._path for value in points)
        for way in PAINTED[name] if drawn else ():
            if way == STROKE:
                pen = _pen(state)
                what = (way, drawn, state.cap, state.join, len(pen))
                self._mark(Mark(what, state.stroke, (*places, *pen), clips=state.clips))
            else:
                self._mark(Mark((way, drawn), state.fill, places, clips=state.clips))
        if self._clip:
            if drawn != RECTANGLE or not _area(places):
                raise NotOursError("It clips to something else than a rectangle, which no page of ours does.")
            self._mark(Mark((self._clip, drawn), (), places, clips=state.clips))
            self._clips += 1
            self._change(clips=(*state.clips, self._clips))
        self._path, self._clip = [], ""

    # Text ----------------------------------------------------------------------------------------

    def _begin_text(self, _: list[Any]) -> None:
        self._line = self._text = ONE
        self._writing = True

    def _end_text(self, _: list[Any]) -> None:
        self._writing = False

    def _place(self, told: list[Any]) -> None:
        self._line = self._text = _matrix(told)

    def _go_on(self, told: list[Any]) -> None:
        across, up = (float(one) for one in told)
        self._line = self._text = times((1.0, 0.0, 0.0, 1.0, across, up), self._line)

    def _next_line(self, _: list[Any]) -> None:
        self._go_on([0.0, -self._state.leading])

    def _set_face(self, told: list[Any]) -> None:
        self._change(face=self._faces[str(told[0])], size=float(told[1]))

    def _write(self, told: list[Any]) -> None:
        state, codes = self._state, bytes(told[0])
        if state.face is None or state.mode not in {0, 1}:
            raise NotOursError("It writes without a face, invisibly or as a clip, which no page of ours does.")
        signs = [state.face.sign(code) for code in codes]
        text = "".join(letter for letter, _, _ in signs)
        pen = (state.fill, ()) if state.mode == 0 else (state.stroke, _pen(state))
        for letter, shape, advance in signs:
            a, b, c, d, e, f = times(self._text, state.matrix)
            size = state.size
            what, places = _sign(letter, shape, state.mode), (a * size, b * size, c * size, d * size, e, f, *pen[1])
            self._mark(Mark(what, pen[0], places, text, state.clips))
            self._text = times((1.0, 0.0, 0.0, 1.0, advance * size, 0.0), self._text)


def _matrix(told: list[Any]) -> Matrix:
    a, b, c, d, e, f = (float(one) for one in told)
    return a, b, c, d, e, f


def _pen(state: _State) -> tuple[float, ...]:
    """How thick a line is in every direction, and its dashes: a matrix may stretch both."""
    a, b, c, d, _, _ = state.matrix
    along = float((a * a + b * b) ** 0.5)
    return *(state.width * one for one in (a, b, c, d)), *(along * one for one in state.dash)


def _area(places: tuple[float, ...]) -> float:
    """Of a parallelogram, from three of its corners [pt²]."""
    x, y, x1, y1, x2, y2 = places[:6]
    return abs((x1 - x) * (y2 - y1) - (x2 - x1) * (y1 - y))


def _plain(operand: Any) -> str:
    """An operand of a marked piece as text: a name, or a dictionary of names and numbers."""
    import pikepdf

    if isinstance(operand, pikepdf.Dictionary):
        return " ".join(f"{key} {_plain(value)}" for key, value in sorted(operand.items()))
    return str(operand)


def points_of(mark: Mark) -> Iterator[tuple[float, float]]:
    """Where a mark lies: the corners of a line or area, the beginning of a sign."""
    if mark.text:
        yield mark.places[4], mark.places[5]
        return
    pen = mark.what[-1] if mark.what[0] == STROKE else 0
    corners = mark.places[: len(mark.places) - pen]
    yield from zip(corners[::2], corners[1::2], strict=True)


def texts_of(marks: list[Mark]) -> Iterator[str]:
    """The texts of a page, one for each piece of writing."""
    before: Mark | None = None
    for mark in marks:
        if mark.text and (before is None or before.text != mark.text):
            yield mark.text
        before = mark
