"""A QR code (ISO/IEC 18004) as a few run-length rectangles instead of one per module."""

from functools import cache, lru_cache
from itertools import groupby
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbench.certificate.pen import Pen

MODULE = 1.42  # pt: 0.5 mm, the smallest module that a phone reads from a photocopy
QUIET = 4  # modules of white around it
MASKS = 8
Grid = NDArray[np.bool_]


@lru_cache(maxsize=8)
def modules(text: str) -> tuple[tuple[bool, ...], ...]:
    """Rows of dark and light modules, error correction level M.

    The library encodes; of the eight masks, which it would try one module at a time, the best is chosen here.
    """
    library: Any = _encoder()
    code = library.QRCode(None, library.QRErrorCorrectLevel.M)
    code.addData(library.QR8bitByte(text))
    code.version = code.calculate_version()
    code.makeImpl(test=True, maskPattern=0)
    drawn: Grid = np.array(code.modules, dtype=np.bool_)
    columns, rows = np.array(code.dataPosIterator()).T

    def masked(number: int) -> Grid:
        mask = library.QRUtil.getMask
        found = drawn.copy()
        found[rows, columns] ^= mask(0)(rows, columns) ^ mask(number)(rows, columns)
        return found

    best = min(range(MASKS), key=lambda number: penalty(masked(number)))
    code.makeImpl(test=False, maskPattern=best)
    return tuple(map(tuple, code.modules))


def penalty(grid: Grid) -> int:
    """How badly a symbol would scan (ISO/IEC 18004:2015, 7.8.3.1; the fewer the better)."""
    alike = (grid[1:, 1:] == grid[:-1, 1:]) & (grid[1:, 1:] == grid[1:, :-1]) & (grid[1:, 1:] == grid[:-1, :-1])
    unbalanced = abs(100 * int(grid.sum()) // grid.size - 50) // 5
    return _penalty_of_rows(grid) + _penalty_of_rows(grid.T) + 3 * int(alike.sum()) + 10 * unbalanced


def _penalty_of_rows(grid: Grid) -> int:
    """Runs of five and more of one colour, and what looks like a finder pattern beside four light modules."""
    same = grid[:, 1:] == grid[:, :-1]
    five = same[:, :-3] & same[:, 1:-2] & same[:, 2:-1] & same[:, 3:]
    begun = five.copy()
    begun[:, 1:] &= ~five[:, :-1]
    width = grid.shape[1] - 10
    windows = sum(grid[:, place : place + width].astype(np.int64) << (10 - place) for place in range(11))
    finders = np.isin(windows, (0b10111010000, 0b00001011101))
    return int(five.sum()) + 2 * int(begun.sum()) + 40 * int(finders.sum())


@cache
def _encoder() -> ModuleType:
    """The library's encoder by itself: its package would load charts and paragraphs with it, a twentieth of a start."""
    from importlib.util import module_from_spec, spec_from_file_location
    from pathlib import Path

    import reportlab

    place = Path(reportlab.__file__).parent / "graphics" / "barcode" / "qrencoder.py"
    spec = spec_from_file_location("reportlab.graphics.barcode.qrencoder", place)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def size_of(text: str) -> float:
    """Edge of the drawn code without its quiet zone [pt]."""
    return len(modules(text)) * MODULE


def draw(pen: Pen, text: str, x: float, y: float) -> None:
    """Draw with the lower left corner at (x, y); the caller keeps QUIET modules of white around it."""
    rows = modules(text)
    found = []
    for low, row in enumerate(reversed(rows)):
        column = 0
        for dark, run in groupby(row):
            length = len(tuple(run))
            found += [f"{column} {low} {length} 1 re"] * dark
            column += length
    pen.ink("#000000")
    pen.operators(f"q {MODULE} 0 0 {MODULE} {x:.2f} {y:.2f} cm n {' '.join(found)} f Q")
