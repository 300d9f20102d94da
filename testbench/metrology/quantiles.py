"""Quantiles and tail probabilities of the distributions that uncertainty and statistics need.

Own code on the standard library, so that the recorder needs no statistics package: regularized incomplete gamma and
beta functions by series and continued fraction (Lentz), inverted by a guarded Newton iteration. Held against
``scipy.stats`` in the tests to a relative 1e-9.
"""

import math
from collections.abc import Callable
from statistics import NormalDist

_STANDARD_NORMAL = NormalDist()
_TINY = 1e-300
_NEARLY_NORMAL_DOF = 2_000  # from here the expansion of t about the normal is exact in doubles


def normal_quantile(p: float) -> float:
    """The value below which a standard normal variable lies with probability ``p``, 0 < p < 1."""
    return _STANDARD_NORMAL.inv_cdf(_inside(p))


def normal_probability(z: float) -> float:
    """Φ(z): the probability that a standard normal variable lies below ``z``; small tails keep their digits."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def t_quantile(p: float, dof: float) -> float:
    """The value below which Student's t with ``dof`` degrees of freedom lies with probability ``p``.

    Args:
        p: probability, 0 < p < 1.
        dof: degrees of freedom, above zero; need not be whole; infinite gives the normal quantile.
    """
    _inside(p)
    _positive(dof)
    if p > 0.5:
        return -t_quantile(1 - p, dof)
    if p == 0.5:
        return 0.0
    z = normal_quantile(p)
    if dof >= _NEARLY_NORMAL_DOF:
        return _t_near_normal(z, dof)
    scale = math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2)) / math.sqrt(dof * math.pi)

    def density(t: float) -> float:
        return scale * math.pow(1 + t * t / dof, -(dof + 1) / 2)

    low = -1.0
    while t_probability(low, dof) > p:
        low *= 2
    return _solve(lambda t: t_probability(t, dof), density, p, low, 0.0)


def _t_near_normal(z: float, dof: float) -> float:
    """Expansion of the t quantile in 1/dof about the normal one (Abramowitz and Stegun 26.7.5, from memory)."""
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum(term / dof**power for power, term in enumerate(terms, 1))


def t_probability(t: float, dof: float) -> float:
    """Probability that Student's t with ``dof`` degrees of freedom lies below ``t``."""
    square = t * t
    tail = 0.5 * _beta_ratio(dof / 2, 0.5, dof / (dof + square), square / (dof + square))
    return tail if t < 0 else 1 - tail


def chi2_quantile(p: float, dof: float) -> float:
    """The value below which a chi-square variable with ``dof`` degrees of freedom lies with probability ``p``."""
    _inside(p)
    half = _positive(dof) / 2

    def density(x: float) -> float:
        return math.exp((half - 1) * math.log(x) - x - math.lgamma(half)) if x > 0 else 0.0

    high = half + 1
    while _gamma_ratio(half, high) < p:
        high *= 2
    return 2 * _solve(lambda x: _gamma_ratio(half, x), density, p, 0.0, high)


def beta_quantile(p: float, a: float, b: float) -> float:
    """The value below which a beta(a, b) variable lies with probability ``p``; gives exact binomial limits."""
    _inside(p)
    _positive(min(a, b))
    scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)

    def density(x: float) -> float:
        return math.exp(scale + (a - 1) * math.log(x) + (b - 1) * math.log1p(-x)) if 0 < x < 1 else 0.0

    return _solve(lambda x: _beta_ratio(a, b, x, 1 - x), density, p, 0.0, 1.0)


def f_exceedance(f: float, dof_above: float, dof_below: float) -> float:
    """p-value: the probability that an F(dof_above, dof_below) variable exceeds ``f`` ≥ 0."""
    weighed = dof_above * f
    total = dof_below + weighed
    return _beta_ratio(dof_below / 2, dof_above / 2, dof_below / total, weighed / total)


def _inside(p: float) -> float:
    if not 0 < p < 1:
        raise ValueError(f"a probability lies between 0 and 1, not {p}")
    return p


def _positive(value: float) -> float:
    if not value > 0:
        raise ValueError(f"degrees of freedom and shape parameters lie above zero, not {value}")
    return value


def _solve(
    probability: Callable[[float], float], density: Callable[[float], float], p: float, low: float, high: float
) -> float:
    """Root of a rising probability in a bracket: Newton's step while it stays inside, else the middle."""
    x = (low + high) / 2
    for _ in range(200):  # pragma: no branch: bisection alone is done by then
        error = probability(x) - p
        if error > 0:
            high = x
        else:
            low = x
        slope = density(x)
        step = x - error / slope if slope > 0 else low
        new = step if low < step < high else (low + high) / 2
        x, before = new, x
        if abs(x - before) <= 1e-15 * abs(x):
            break
    return x


def _gamma_ratio(a: float, x: float) -> float:
    """Regularized lower incomplete gamma function P(a, x)."""
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        above = a
        while abs(term) > abs(total) * 1e-17:
            above += 1
            term *= x / above
            total += term
        return front * total
    return 1 - front / (x + 1 - a + _gamma_fraction(a, x))


def _gamma_fraction(a: float, x: float) -> float:
    """The tail of the continued fraction of Q(a, x): −1(1−a)/(x+3−a+ −2(2−a)/(x+5−a+ …))."""
    return _fraction(lambda k: (-k * (k - a), x + 1 - a + 2 * k))


def _beta_ratio(a: float, b: float, x: float, y: float) -> float:
    """Regularized incomplete beta function I_x(a, b); ``y`` = 1 − x is given so that it keeps its digits."""
    if x <= 0 or y <= 0:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta_ratio_below(b, a, y, x)
    return _beta_ratio_below(a, b, x, y)


def _beta_ratio_below(a: float, b: float, x: float, y: float) -> float:
    logs = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(y)

    def coefficient(k: int) -> tuple[float, float]:
        m = k // 2
        if k % 2:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)), 1.0
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)), 1.0

    return math.exp(logs) / (a * (1 + _fraction(coefficient)))


def _fraction(coefficient: Callable[[int], tuple[float, float]]) -> float:
    """Continued fraction a1/(b1 + a2/(b2 + …)) by the modified Lentz method."""
    value, c, d = _TINY, _TINY, 0.0
    for k in range(1, 20_000):  # pragma: no branch: it takes about the root of the larger argument
        above, below = coefficient(k)
        d = below + above * d or _TINY
        c = below + above / c or _TINY
        d = 1 / d
        factor = c * d
        value *= factor
        if abs(factor - 1) < 1e-16:
            break
    return value
