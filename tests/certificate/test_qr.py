"""The symbol: encoded by the library, its mask chosen here (ISO/IEC 18004:2015, 7.8; from memory)."""

import subprocess
import sys
from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from reportlab.graphics.barcode.qrencoder import QR8bitByte, QRCode, QRErrorCorrectLevel

from testbench.certificate.qr import modules, penalty

TEXT = "C-B1-000001 HL-4-0117 accepted " + "0123456789abcdef" * 4
FINDERS = ("10111010000", "00001011101")


def plainly(grid: np.ndarray) -> int:
    """The four rules, module by module."""
    rows = ["".join(str(int(one)) for one in row) for row in (*grid, *grid.T)]
    runs = [len(tuple(run)) for row in rows for _, run in groupby(row)]
    size = len(grid)
    blocks = sum(len(set(grid[y : y + 2, x : x + 2].flat)) == 1 for y in range(size - 1) for x in range(size - 1))
    finders = sum(row.startswith(one, at) for row in rows for one in FINDERS for at in range(size))
    dark = 100 * int(grid.sum()) // grid.size
    return sum(run - 2 for run in runs if run >= 5) + 3 * blocks + 40 * finders + 10 * (abs(dark - 50) // 5)


@given(arrays(np.bool_, (21, 21)) | arrays(np.bool_, (25, 25), elements=st.sampled_from((True, True, True, False))))
def test_a_penalty_is_that_of_the_plain_rules(grid):
    """Of symbols of versions 1 and 2."""
    assert penalty(grid) == plainly(grid)


def test_a_uniform_symbol_is_the_worst():
    """21 rows and 21 columns of one run, 400 blocks, all of one colour."""
    assert penalty(np.ones((21, 21), dtype=np.bool_)) == 2 * 21 * 19 + 3 * 400 + 10 * 10


@pytest.mark.parametrize("text", [TEXT, "Größe 8″, Prüfling № 7", "x" * 400])
def test_the_symbol_is_that_of_the_library_with_the_best_mask(text):
    """Outside source: reportlab, which draws each of the eight."""
    symbols = []
    for mask in range(8):
        code = QRCode(None, QRErrorCorrectLevel.M)
        code.addData(QR8bitByte(text))
        code.version = code.calculate_version()
        tried = []
        for test in (True, False):
            code.makeImpl(test=test, maskPattern=mask)
            tried.append(tuple(map(tuple, code.modules)))
        symbols.append((plainly(np.array(tried[0])), tried[1]))
    assert modules(text) == min(symbols, key=lambda one: one[0])[1]


def test_the_encoder_comes_without_its_package():
    """Charts and paragraphs cost a twentieth of a cold start, and nothing here needs them."""
    said = (
        "import sys; from testbench.certificate import qr; qr.modules('x'); print('reportlab.platypus' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", said], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
