"""An uncertainty budget after the GUM (JCGM 100): components in, combined and expanded uncertainty out.

A component is a standard uncertainty u with a sensitivity c and degrees of freedom ν; its contribution is c·u. The
combined uncertainty is √(ΣΣ r·cᵢuᵢ·cⱼuⱼ), with r = 1 on the diagonal and zero elsewhere unless a correlation is
stated. Its degrees of freedom follow Welch and Satterthwaite, correlated components taken together as one with the
fewest degrees of freedom among them. They are truncated to a whole number *before* the quantile of Student's t is
taken (GUM G.4.1).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_UP, Decimal, localcontext
from enum import StrEnum
from typing import Self

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.quantiles import t_quantile

COVERAGE_PROBABILITY = math.erf(math.sqrt(2))  # 95.45 %: k = 2 for a normal distribution


class Distribution(StrEnum):
    """How values lie within ± a half-width when nothing more is known."""

    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"  # a quantity that swings between its limits

    @property
    def divisor(self) -> float:
        """Half-width divided by standard uncertainty."""
        return math.sqrt({"rectangular": 3, "triangular": 6, "arcsine": 2}[self.value])


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty.

    ``standard_uncertainty`` is in the unit of its quantity, ``sensitivity`` in result unit per unit of the quantity.
    """

    name: str
    standard_uncertainty: float
    sensitivity: float = 1.0
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not (0 <= self.standard_uncertainty < math.inf and math.isfinite(self.sensitivity) and self.dof > 0):
            raise DataRefusedError(
                f"component '{self.name}'",
                f"u = {self.standard_uncertainty:g}, sensitivity {self.sensitivity:g}, {self.dof:g} degrees of freedom",
                "a finite u of at least 0, a finite sensitivity, degrees of freedom above 0",
            )

    @classmethod
    def within(
        cls,
        name: str,
        half_width: float,
        distribution: Distribution = Distribution.RECTANGULAR,
        sensitivity: float = 1.0,
    ) -> Self:
        """Known only to lie within ± ``half_width`` (Type B)."""
        return cls(name, half_width / distribution.divisor, sensitivity)

    @classmethod
    def stated(
        cls, name: str, expanded: float, coverage_factor: float = 2.0, sensitivity: float = 1.0, dof: float = math.inf
    ) -> Self:
        """An expanded uncertainty as a certificate states it."""
        return cls(name, expanded / coverage_factor, sensitivity, dof)

    @classmethod
    def observed(cls, name: str, values: Sequence[float], sensitivity: float = 1.0) -> Self:
        """The mean of repeated observations: s/√n with n − 1 degrees of freedom (Type A).

        Raises:
            TooFewPointsError: fewer than two values.
        """
        n = len(values)
        if n < 2:
            raise TooFewPointsError(f"component '{name}'", f"{n} observation(s)", "at least 2")
        mean = math.fsum(values) / n
        variance = math.fsum((value - mean) ** 2 for value in values) / (n - 1)
        return cls(name, math.sqrt(variance / n), sensitivity, n - 1)

    @property
    def contribution(self) -> float:
        """Sensitivity times standard uncertainty, signed, in the unit of the result."""
        return self.sensitivity * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Correlation:
    """How strongly two components move together; ``coefficient`` from −1 to 1."""

    first: str
    second: str
    coefficient: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Every component of one result, and what they amount to together."""

    components: tuple[Component, ...]
    correlations: tuple[Correlation, ...] = ()

    def __post_init__(self) -> None:
        names = [component.name for component in self.components]
        if len(set(names)) != len(names):
            raise DataRefusedError("budget", f"the names {', '.join(names)}", "each component once")
        for pair in self.correlations:
            known = pair.first in names and pair.second in names and pair.first != pair.second
            if not (known and -1 <= pair.coefficient <= 1):
                found = f"{pair.coefficient:g} between '{pair.first}' and '{pair.second}'"
                raise DataRefusedError("correlation", found, "−1 to 1 between two components of the budget")

    @property
    def combined(self) -> float:
        """Combined standard uncertainty, in the unit of the result."""
        return math.sqrt(self._variance(self.components))

    @property
    def effective_dof(self) -> float:
        """Effective degrees of freedom after Welch and Satterthwaite, not truncated; may be infinite."""
        parts = [
            self._variance(group) ** 2 / min(component.dof for component in group)
            for group in self._groups()
            if min(component.dof for component in group) < math.inf
        ]
        total = math.fsum(parts)
        return self.combined**4 / total if total > 0 else math.inf

    def coverage_factor(self, probability: float = COVERAGE_PROBABILITY) -> float:
        """K for a two-sided coverage probability: Student's t at the truncated degrees of freedom."""
        dof = self.effective_dof
        return t_quantile((1 + probability) / 2, dof if math.isinf(dof) else max(1, math.floor(dof + 1e-9)))

    def expanded(self, probability: float = COVERAGE_PROBABILITY) -> float:
        """Expanded uncertainty U = k·u, in the unit of the result."""
        return self.coverage_factor(probability) * self.combined

    def share(self, component: Component) -> float:
        """What part of the combined variance an uncorrelated component brings, 0 to 1."""
        variance = self.combined**2
        return component.contribution**2 / variance if variance > 0 else 0.0

    def _variance(self, components: Sequence[Component]) -> float:
        contributions = {component.name: component.contribution for component in components}
        squares = [value * value for value in contributions.values()]
        mixed = [
            2 * pair.coefficient * contributions[pair.first] * contributions[pair.second]
            for pair in self.correlations
            if pair.first in contributions and pair.second in contributions
        ]
        return max(0.0, math.fsum(squares + mixed))

    def _groups(self) -> list[list[Component]]:
        """Components that are linked by a correlation, directly or through others, together."""
        group = {component.name: {component.name} for component in self.components}
        for pair in self.correlations:
            joined = group[pair.first] | group[pair.second]
            for name in joined:
                group[name] = joined
        seen: list[set[str]] = []
        for names in group.values():
            if names not in seen:
                seen.append(names)
        return [[component for component in self.components if component.name in names] for names in seen]


def rounded(value: float, expanded: float) -> tuple[str, str]:
    """A result and its expanded uncertainty for print: the one way in which screens, sentences and pages say them.

    U is rounded up to two significant digits, the result to the same place (half to even). Decisions are taken on
    unrounded numbers; this is for the eye alone.
    """
    if not expanded > 0:
        return f"{value:.6g}", "0"
    return at_place(value, places_of(expanded)), expanded_text(expanded)


def expanded_text(expanded: float, places: int | None = None) -> str:
    """U alone, rounded up to two significant digits; finer, to a decimal place, where that tells more."""
    return f"{_rounded_up(expanded, places):f}" if expanded > 0 else "0"


def places_of(expanded: float) -> int:
    """The decimal place of the second digit of U as it is printed: 1 for 1.4, −1 for 140; 0 without any U."""
    return -int(_rounded_up(expanded).as_tuple().exponent) if expanded > 0 else 0


def at_place(value: float, places: int) -> str:
    """A number rounded half to even to a decimal place, never minus zero."""
    with localcontext(prec=700):  # enough for any two doubles
        return f"{Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN):zf}"


def _rounded_up(expanded: float, places: int | None = None) -> Decimal:
    with localcontext(prec=700):
        exact = Decimal(f"{expanded:.12g}")  # twelve digits, so that the tail of a double does not round 0.18 up
        place = exact.adjusted() - 1
        printed = exact.quantize(Decimal(1).scaleb(place), ROUND_UP)
        if printed.adjusted() - 1 > place:  # 0.0996 became 0.100
            place += 1
            printed = printed.quantize(Decimal(1).scaleb(place))
        if places is not None and -places < place and printed != exact:
            return exact.quantize(Decimal(1).scaleb(-places), ROUND_UP)
        return printed
