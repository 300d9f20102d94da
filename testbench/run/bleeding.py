"""C measured in place: a known volume is drawn off the closed body, and the pressure that it costs is read.

Three times: the pressure stands still, a volume is drawn off at the burette, the burette is closed, the pressure stands
still again, and the operator says so. Only the marks and the volumes are recorded; C follows from the samples.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Self

import numpy as np
from pydantic import model_validator

from testbench.errors import LossNotSeenError, MarkRefusedError, PressureMovesError
from testbench.metrology.bleeding import LARGEST_RELATIVE_U, Loss, Rest, loss_between
from testbench.metrology.decay import ML_PER_PSI, Bleed, Compliance, compliance_from_bleeds
from testbench.metrology.uncertainty import rounded
from testbench.procedure.requirements import StageRequirement
from testbench.procedure.stages import PumpDuringHold
from testbench.procedure.valve import Text, Value
from testbench.quantities import Pressure, Volume
from testbench.run.observations import Drawn
from testbench.run.record import ChannelRecord
from testbench.run.samples import TICKS_PER_S, Scale, Trace, to_ticks
from testbench.run.state import Happening, StageState

BLEEDS = 3
REST_S = 3.0
"""How long the pressure is read before each mark [s]."""
LEAST_READINGS = 8
LEAST_REST_SHARE = 0.8
MOST_MORE = 10
"""No more volumes than this are asked for at one go."""


class Burette(Value):
    """What a known volume is drawn off with, through a metering valve made for the pressure."""

    name: Text
    volume: Volume
    """What is drawn off each time."""
    volume_uncertainty: Volume
    """Expanded uncertainty of it, k = 2."""

    @model_validator(mode="after")
    def _above_nothing(self) -> Self:
        nothing = Volume.zero("mL")
        if not nothing < self.volume_uncertainty < self.volume:
            raise ValueError("volume_uncertainty must be above 0 and below the volume")
        return self


def rest_before(mark: int, trace: Trace, scale: Scale) -> Rest | None:
    """The pressure in the seconds before a mark; None where there are too few readings."""
    rest = trace.between(mark - to_ticks(REST_S), mark)
    if len(rest) < LEAST_READINGS or rest.at[-1] - rest.at[0] < LEAST_REST_SHARE * REST_S * TICKS_PER_S:
        return None
    return Rest.of(rest.at.astype(np.float64) / TICKS_PER_S, scale.pressures(rest.counts))


def compliance_in_place(
    drawn: tuple[Drawn, ...], trace: Trace, channel: ChannelRecord, required: StageRequirement
) -> Compliance | None:
    """C from the marks and the samples of a stage; None where it was not measured, or the samples do not show it.

    The errors of two readings near each other are taken as half in common, so that their difference is known as well
    as one of them.
    """
    scale = channel.scale
    rests = [(rest_before(one.since, trace, scale), rest_before(one.until, trace, scale)) for one in drawn]
    losses = [loss_between(before, after) for before, after in rests if before is not None and after is not None]
    if len(losses) < max(len(drawn), 2) or any(loss.value <= 0 for loss in losses):
        return None
    bleeds = [Bleed(one.volume, Pressure.of(loss.value, scale.unit)) for one, loss in zip(drawn, losses, strict=True)]
    volume_u = max(one.volume_uncertainty for one in drawn) * Fraction(1, 2)
    return compliance_from_bleeds(bleeds, volume_u, channel.uncertainty_in(required) * Fraction(1, 2))


def in_ml_per(unit: str, m3_per_pa: float) -> float:
    """A compliance in millilitres per unit of pressure."""
    return m3_per_pa / ML_PER_PSI * float(Pressure.factor(unit) / Pressure.factor("psi"))


def compliance_in_words(found: Compliance, unit: str) -> str:
    """C with U, k = 2."""
    c, u = (in_ml_per(unit, size) for size in (found.m3_per_pa, 2 * found.standard_uncertainty))
    shown, expanded = rounded(c, u)
    return f"C = {shown} mL/{unit} with U = {expanded} mL/{unit}"


@dataclass(frozen=True, slots=True)
class Bleeding:
    """How C is measured on this bench in a stage."""

    burette: Burette
    channel: ChannelRecord
    """For the fluid of the stage."""
    largest_change_per_min: Pressure
    """Of a pressure that stands still: the same as for a hold."""

    @classmethod
    def of(cls, required: StageRequirement, burette: Burette | None, channel: ChannelRecord) -> "Bleeding | None":
        """None where there is no burette, or nothing to measure: a pump that makes up, or a gas."""
        isolated = required.pump_during_hold is PumpDuringHold.ISOLATED and required.fluid == "water"
        if burette is None or not isolated:
            return None
        return cls(burette, channel, required.stabilization.largest_change_per_min)

    def begun(self, state: StageState, at: int, look_back: Callable[[], Trace]) -> StageState:
        """Begin: the pressure of the last seconds is the first level.

        Raises:
            MarkRefusedError: there are too few readings in them.
            PressureMovesError: the pressure does not stand still yet.
        """
        self._rest(at, look_back())
        return replace(state, drawn=(), bleed_since=at, unread=0, to_draw=1)

    def marked(self, state: StageState, at: int, look_back: Callable[[], Trace]) -> tuple[StageState, list[Happening]]:
        """Take the operator's word that a volume was drawn off and the burette is closed.

        Raises:
            MarkRefusedError: too few readings, or too soon after the last mark.
            PressureMovesError: the pressure does not stand still yet.
            LossNotSeenError: nothing was lost.
        """
        assert state.bleed_since is not None
        loss, volumes = self._loss(state.bleed_since, at, look_back()), state.unread + state.to_draw
        volume = self.burette.volume * volumes
        if not loss.well_read:
            return self._not_read(state, at, loss, volumes)
        drawn = Drawn(
            since=state.bleed_since,
            until=at,
            volume=volume,
            volume_uncertainty=self.burette.volume_uncertainty * volumes,
            burette=self.burette.name,
        )
        state = replace(state, drawn=(*state.drawn, drawn), bleed_since=at, unread=0, to_draw=volumes)
        return state, [Happening(at, "drawn off", f"{self._cost(volume, loss)}, {len(state.drawn)} of {BLEEDS}.")]

    def _not_read(self, state: StageState, at: int, loss: Loss, volumes: int) -> tuple[StageState, list[Happening]]:
        """Begin anew from here where the pressure had not been at rest before; else have more drawn off, at one go."""
        volume = self.burette.volume * volumes
        if loss.restless_before:
            again = self._next(state.to_draw, " again")
            said = f"Before it the pressure was not at rest: {volume} cannot be read. {again}"
            return replace(state, bleed_since=at, unread=0), [Happening(at, "draw again", said)]
        wanting = loss.standard_uncertainty / (LARGEST_RELATIVE_U * loss.value)
        twice_as_long = 2  # the doubt grows with the time, and as much again will pass
        more = min(max(1, math.ceil(volumes * (twice_as_long * wanting - 1))), MOST_MORE)
        said = f"{self._cost(volume, loss)}, too little to be read to a few per cent. {self._next(more, ' more')}"
        return replace(state, unread=volumes, to_draw=more), [Happening(at, "draw more", said)]

    def _cost(self, volume: Volume, loss: Loss) -> str:
        return f"{volume} cost {Pressure.of(loss.value, self.channel.scale.unit).text(2)}"

    def _next(self, volumes: int, word: str) -> str:
        return f"Draw off {self.burette.volume * volumes}{word}, close the burette, then say so."

    def _loss(self, since: int, at: int, trace: Trace) -> Loss:
        if at - since < to_ticks(REST_S):
            raise MarkRefusedError("the last mark is too near", f"at least {REST_S:.0f} s after it")
        loss = loss_between(self._rest(since, trace), self._rest(at, trace))
        unit = self.channel.scale.unit
        if loss.unsettled:
            raise PressureMovesError(_rate(loss.moving_per_s, unit))
        if not loss.seen:
            raise LossNotSeenError(f"{max(loss.value, 0.0):.2f} {unit}")
        return loss

    def _rest(self, mark: int, trace: Trace) -> Rest:
        rest = rest_before(mark, trace, self.channel.scale)
        if rest is None:
            raise MarkRefusedError(f"too few readings in the last {REST_S:.0f} s", "readings without a break")
        unit = self.channel.scale.unit
        if rest.moves_beyond(self.largest_change_per_min.to(unit) / 60):
            raise PressureMovesError(_rate(rest.per_s, unit))
        return rest


def _rate(per_s: float, unit: str) -> str:
    return f"{60 * per_s:+.1f} {unit}/min"
