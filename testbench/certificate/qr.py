"""A QR code as a few run-length rectangles instead of one per module."""

from functools import lru_cache
from typing import Any

from testbench.certificate.pen import Pen

MODULE = 1.42  # pt: 0.5 mm, the smallest module that a phone reads from a photocopy
QUIET = 4  # modules of white around it


@lru_cache(maxsize=8)
def modules(text: str) -> tuple[tuple[bool, ...], ...]:
    """Rows of dark and light modules, error correction level M."""
    from reportlab.graphics.barcode.qrencoder import QR8bitByte, QRCode, QRErrorCorrectLevel

    code: Any = QRCode(None, QRErrorCorrectLevel.M)
    code.addData(QR8bitByte(text))
    code.make()
    count = code.getModuleCount()
    return tuple(tuple(bool(code.isDark(row, column)) for column in range(count)) for row in range(count))


def size_of(text: str) -> float:
    """Edge of the drawn code without its quiet zone [pt]."""
    return len(modules(text)) * MODULE


def draw(pen: Pen, text: str, x: float, y: float) -> None:
    """Draw with the lower left corner at (x, y); the caller keeps QUIET modules of white around it."""
    rows = modules(text)
    pen.ink("#000000")
    path = pen.canvas.beginPath()
    for index, row in enumerate(rows):
        low = y + (len(rows) - 1 - index) * MODULE
        start: int | None = None
        for column, dark in enumerate((*row, False)):
            if dark and start is None:
                start = column
            elif not dark and start is not None:
                path.rect(round(x + start * MODULE, 2), round(low, 2), round((column - start) * MODULE, 2), MODULE)
                start = None
    pen.canvas.drawPath(path, stroke=0, fill=1)
