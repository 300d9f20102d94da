"""Two load cells calibrated at NIST: a bend that is small, significant, and to be fitted to the last digit.

Data typed from NIST's public-domain collection (usnistgov/dataplot, lib/data, PONTIUS.DAT and LOADCELL.DAT).
"""

import math

import pytest

from testbench.metrology.line_fit import fit_quadratic

# Deflections at 150 000, 300 000 … 3 000 000 units of load, in two sets of rising load.
PONTIUS = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
]  # fmt: skip

# Three responses at each load.
LOADCELL = {
    2: (0.20024, 0.20016, 0.20024),
    4: (0.40056, 0.40045, 0.40054),
    6: (0.60087, 0.60075, 0.60086),
    8: (0.80130, 0.80122, 0.80127),
    10: (1.00173, 1.00164, 1.00173),
    12: (1.20227, 1.20218, 1.20227),
    14: (1.40282, 1.40278, 1.40279),
    16: (1.60344, 1.60339, 1.60341),
    18: (1.80412, 1.80409, 1.80411),
    20: (2.00485, 2.00481, 2.00483),
    21: (2.10526, 2.10524, 2.10524),
}


def test_the_load_cell_of_the_nist_data_set_pontius():
    """Certified: three coefficients, the deviation of the last one, and that of the residuals; 11 digits agree."""
    term = fit_quadratic([150_000.0 * step for step in range(1, 21)] * 2, PONTIUS)
    certified = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
    assert term.coefficients == pytest.approx(certified, rel=1e-11)
    assert term.u_curvature == pytest.approx(0.486652849992036e-16, rel=1e-10)
    assert term.residual_sd == pytest.approx(0.205177424076185e-03, rel=1e-10)
    assert term.dof == 37


def test_its_bend_is_earned_only_where_the_tolerance_is_tight():
    """It is significant 65-fold, and worth 4e-3 at most: earned at a tolerance of 0.01, not of 0.02."""
    term = fit_quadratic([150_000.0 * step for step in range(1, 21)] * 2, PONTIUS)
    assert term.significant
    assert term.largest == pytest.approx(0.00415, abs=0.0001)
    assert term.earned(0.01)
    assert not term.earned(0.02)


def test_the_load_cell_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook 2.3.6.5: −1.83980e-5, 0.1001025, 7.03187e-6 (2.014e-7), s 3.764e-5, 30 degrees."""
    loads = [float(load) for load, responses in LOADCELL.items() for _ in responses]
    term = fit_quadratic(loads, [response for responses in LOADCELL.values() for response in responses])
    assert term.coefficients[0] == pytest.approx(-1.83980e-5, abs=5e-10)
    assert term.coefficients[1] == pytest.approx(0.1001025, abs=5e-8)
    assert term.coefficients[2] == pytest.approx(7.03187e-6, abs=5e-11)
    assert term.u_curvature == pytest.approx(2.014e-7, abs=5e-11)
    assert term.residual_sd == pytest.approx(3.764e-5, abs=5e-9)
    assert (term.dof, math.copysign(1, term.curvature)) == (30, 1)
