"""A seat test of an NPS 12 valve in which a pressure decay may decide, on a body that the test holds in its hands.

250 psi are required and 251 psi accepted, the stage trips above 275 psi, 120 mL/h may pass. C is 0.1 mL/psi: 1 mL costs
10 psi, and 1 psi/min is 6 mL/h, so that the limit is 20 psi/min.
"""

from dataclasses import dataclass, field
from typing import Any

from testbench.procedure.requirements import requirements_for
from testbench.quantities import Pressure, Temperature, Volume
from testbench.run.decay import Basis
from testbench.run.decaying import Decaying
from testbench.run.machine import Phase
from testbench.run.progress import Action, Stage
from testbench.run.samples import Thresholds
from tests.house_with_decay import BURETTE, blank, house
from tests.run.conftest import DAY, RESTLESS, STEADY, Attempt, Shop

BLANKS = tuple(blank(number, "-0.40", at="2026-05-20T08:00:00.000Z") for number in (1, 2, 3))
"""They agree, so that the drift is known."""
FACTS = {"cavity": Volume.parse("15 L"), "water_temperature": Temperature.of(20, "degC")}
"""C of the water alone is 0.047 mL/psi: no air."""


@dataclass
class Body(Attempt):
    """An attempt whose readings follow a body: a level, a rate of change, a scatter from reading to reading."""

    psi: float = 0.0
    per_min: float = 0.0
    scatter: float = 0.0
    _turn: int = field(default=0)

    def pass_time(self, seconds: float, *, bound: float = STEADY) -> "Body":
        """Ten readings a second; the scatter goes round +, −, 0 without a trend."""
        for _ in range(round(seconds * 10)):
            self.psi += self.per_min / 600
            self._turn = (self._turn + 1) % 4
            self.read(round(100 * (self.psi + self.scatter * (1, -1, -1, 1)[self._turn])), bound=bound)
        return self

    def stabilizing(self, psi: float = 262) -> "Body":
        """Filled, vented, raised; the pump is isolated."""
        self.read(0).ask(Action.VENT_CLOSED)
        self.psi = psi
        self.pass_time(4, bound=RESTLESS)
        assert self.state.phase is Phase.STABILIZING
        return self

    def draw_off(self, volume_ml: float = 1.0, *, after_s: float = 5.0) -> "Body":
        """Draw a volume off within a second, and let the pressure rest."""
        for _ in range(10):
            self.psi -= volume_ml
            self.pass_time(0.1, bound=RESTLESS)
        return self.pass_time(after_s, bound=RESTLESS)

    def with_c(self, psi: float = 262) -> "Body":
        """C is measured, and the pressure raised again."""
        self.stabilizing().ask(Action.MEASURE_C)
        for _ in range(3):
            self.draw_off().ask(Action.DRAWN_OFF)
        assert self.state.phase is Phase.PRESSURIZING
        self.psi = psi
        return self

    def settled(self) -> "Body":
        """A whole window of steadiness, and the dwell: the hold has begun."""
        self.pass_time(20, bound=RESTLESS).pass_time(5.1)
        assert self.state.phase is Phase.HOLDING
        return self

    def hold_of(self, ml_h: float, psi: float = 274.0) -> "Body":
        """The hold has begun, and the body leaks; the drift of the bench is in it, too."""
        self.with_c(psi)
        self.scatter = 0.02
        self.settled()
        self.per_min = -ml_h / 6 - 0.40
        return self

    def whole_hold(self, ml_h: float, psi: float = 274.0) -> "Body":
        """The hold is over."""
        return self.hold_of(ml_h, psi).pass_time(60)

    def let_off(self) -> "Body":
        """The pressure is released."""
        self.keep(0, 1)
        return self


def body(shop: Shop, *, blanks: Any = BLANKS, burette: Any = BURETTE, facts: Any = FACTS, u: str = "1.0", **rules: Any):
    """An attempt at the stage.

    Args:
        shop: the works.
        blanks: of the bench.
        burette: of the bench.
        facts: of the body: cavity, water_temperature.
        u: U of the channel [psi].
        rules: of the procedure, see ``house``.
    """
    requirement = requirements_for(house(**rules), shop.valve("NPS 12")).stages[0]
    channel = shop.channel(expanded_uncertainty=Pressure.of(u, "psi"))
    basis = Basis(requirement, channel, DAY, tuple(blanks), **facts)
    limits = Thresholds.of(requirement, channel.guard_band(requirement), channel.scale)
    return Body(Stage(requirement, limits, Decaying.of(basis, burette)), channel, shop.zero_check)
