"""The simulated operator: reads the screen, turns the rig's handles, asks the recorder. A pure decision object.

It acts on what a person could know: on updates, on what the rig answers, and never on the recorder's insides. It has
one request on its way at a time; the carrier of both calls ``see`` for every update, does what the step says, commands
first, and brings the answers back.
"""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import SecretStr

from testbench.procedure.stages import PumpDuringHold, StageName
from testbench.quantities import Pressure, Volume
from testbench.rig.physics import Side
from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.station import messages as m

Command = dict[str, Any]

ABOVE_ACCEPTANCE = 0.02
"""How far above the acceptance limit the pump is set."""
NEARLY_THERE = 0.996
"""Share of the set pressure at which the pump is isolated."""
PAUSE_UPDATES = 5
"""Updates to let pass after a refusal."""
LOOK_EVERY_UPDATES = 10
MOST_REFUSALS = 60
"""Refusals in a row after which a valve is given up."""
MOST_ATTEMPTS = 3
MOST_VENTINGS = 3
CAREFUL_LOOKS = 5
"""How often the vent must be seen solid when venting again; the first time one look is enough."""
RAISE_AFTER_S = 60.0
RESTED_S = 5.0
"""How long the pressure is let come to rest before C is measured, and after each volume drawn off."""
ZERO_WAIT_S = 4.0
"""How long the line is left open to the atmosphere before a run is started."""
DRAINED_AFTER_S = 20.0
"""How far into the hold what drips from the open inlet is leakage and no longer what drains down."""


@dataclass(frozen=True, slots=True)
class Step:
    """What to do now: the rig's commands in order, then the request."""

    requests: tuple[m.AnyRequest, ...] = ()
    commands: tuple[Command, ...] = ()


NOTHING: Final = Step()
UNKNOWN: Final[Mapping[str, Any]] = {}


class SimulatedOperator:
    """A careful person at the bench.

    Args:
        name: the operator's name; empty: the first name on the screen.
        measures_c: whether C is measured wherever the screen offers it.
        pin: the operator's, where the bench asks for one.
    """

    def __init__(self, name: str = "", *, measures_c: bool = False, pin: str = "") -> None:
        self.name, self.measures_c = name, measures_c
        self._pin = SecretStr(pin)
        self.finished = False
        """No valve is left to do."""
        self.serial = ""
        """The valve on the rig."""
        self.given_up: set[str] = set()
        self.said: list[str] = []
        """Every refusal that was heard."""
        self._handles: Mapping[str, Any] = UNKNOWN
        self._number = 0
        self._request: m.AnyRequest | None = None
        self._owed_by_rig = 0
        self._pause = 0
        self._refused = 0
        self._place: tuple[object, ...] = ()
        self._in_place = 0
        self._since = ""
        self._seen: Mapping[str, str] | None = None
        self._solid = 0
        self._vented = False
        self._caught_ml: float | None = None
        self._fetch_vessel = False
        self._drawn = False
        self._closed_s: float | None = None
        self._mounted_s = 0.0
        self._counts: Counter[str] = Counter()
        self._phases: Mapping[Phase, Callable[[m.Update, m.StageView], Step]] = {
            Phase.FILLING: self._filling,
            Phase.PRESSURIZING: self._pressurizing,
            Phase.STABILIZING: self._stabilizing,
            Phase.BLEEDING: self._bleeding,
            Phase.HOLDING: self._holding,
            Phase.OBSERVING: self._observing,
            Phase.RELEASING_TO_VENT: self._releasing,
            Phase.DEPRESSURIZING: self._releasing,
        }

    # What comes in -------------------------------------------------------------------------------

    def see(self, update: m.Update) -> Step:
        """Look at the screen and decide."""
        self._note_place(update)
        if self._request is not None or self._owed_by_rig or self.finished:
            return NOTHING
        if self._pause:
            self._pause -= 1
            return NOTHING
        step = self._decide(update) if self._handles else Step(commands=({"command": "state"},))
        if step.requests:
            self._number += 1
            self._request = step.requests[0].model_copy(update={"id": self._number})
            step = Step((self._request,), step.commands)
        self._owed_by_rig = len(step.commands)
        return step

    def answered(self, answer: m.Answer) -> None:
        """Hear the recorder's answer."""
        if self._request is None or answer.id != self._request.id:
            return
        request, self._request = self._request, None
        if not answer.done:
            self._refusal(answer.sentence)
            return
        self._refused = 0
        match request:
            case m.CollectionStarted():
                self._caught_ml = None
            case m.CollectionEnded():
                self._fetch_vessel = True
            case m.MeasureC() | m.DrawnOff():
                self._drawn, self._closed_s = False, None
            case m.VentAgain():
                self._counts["ventings"] += 1
                self._counts["fallen back"] = 0
            case _:
                pass

    def rig_answered(self, command: Command, answer: Mapping[str, Any]) -> None:
        """Hear the rig's answer."""
        self._owed_by_rig = max(0, self._owed_by_rig - 1)
        if not answer.get("done"):
            self._refusal(str(answer.get("sentence", "")))
            return
        self._handles = answer["handles"]
        match command["command"]:
            case "look":
                self._seen = {key: str(answer[key]) for key in ("shell", "where", "seat", "vent")}
                self._solid = self._solid + 1 if self._seen["vent"] == "solid" else 0
            case "draw_off":
                self._drawn = True
            case "vessel" if command["position"] == "away":
                self._caught_ml = float(answer["collected_ml"])
                self._fetch_vessel = False

    def caught(self) -> float | None:
        """What the vessel held when it was last taken away [mL]."""
        return self._caught_ml

    def reconnected(self) -> None:
        """The connection was lost: what was asked for will not be answered, and the rig may be another."""
        self._request, self._owed_by_rig, self._handles = None, 0, UNKNOWN

    def _refusal(self, sentence: str) -> None:
        self.said.append(sentence)
        self._refused += 1
        self._pause = PAUSE_UPDATES

    # Where things stand --------------------------------------------------------------------------

    def _note_place(self, update: m.Update) -> None:
        stage = update.stage
        run = update.run.run if update.run and update.run.open else None
        place = (run, stage.stage, stage.attempt, stage.phase) if stage else (run,)
        self._in_place += 1
        if place == self._place:
            return
        before = self._place[3] if len(self._place) == 4 else None
        if place[:3] != self._place[:3]:
            self._counts.clear()
            self._caught_ml = None
        elif stage and stage.phase is Phase.PRESSURIZING and before in {Phase.STABILIZING, Phase.HOLDING}:
            self._counts["fallen back"] += 1
        self._place, self._in_place, self._since = place, 0, update.utc
        self._seen, self._solid, self._vented = None, 0, False

    def _decide(self, update: m.Update) -> Step:
        if update.run is None or not update.run.open:
            return self._next_valve(update)
        if update.stage is None or update.stage.phase is Phase.CLOSED:
            return self._next_stage(update, update.run)
        if self._fetch_vessel:
            return Step(commands=({"command": "vessel", "position": "away"},))
        return self._phases[update.stage.phase](update, update.stage)

    def _next_valve(self, update: m.Update) -> Step:
        if self._refused > MOST_REFUSALS:
            self.given_up.add(self.serial)
            self._refused = 0
        if update.unsigned and self._pin:
            return self._ask(update, m.Sign(request="sign", run=update.unsigned[-1].run, pin=self._pin))
        for order in update.orders or ():
            for valve in order.valves:
                if valve.state == "to do" and valve.serial not in self.given_up:
                    return self._start(update, order.order, valve.serial)
        self.finished = bool(update.orders)
        return NOTHING

    def _start(self, update: m.Update, order: str, serial: str) -> Step:
        if self._handles["serial"] != serial or self.serial != serial:
            self.serial, self._mounted_s = serial, update.at_s
            return Step(commands=(*self._no_pressure(), {"command": "mount", "serial": serial}))
        if update.at_s - self._mounted_s < ZERO_WAIT_S:
            return NOTHING
        name = self.name or next(iter(update.operators), "")
        start = m.StartRun(request="start_run", order=order, serial=serial, operator=name, pin=self._pin)
        return self._ask(update, start)

    def _next_stage(self, update: m.Update, run: m.RunView) -> Step:
        if hands := self._no_pressure():
            return Step(commands=hands)
        reading = update.signal.pressure
        if update.stage is not None and reading is not None and reading > update.stage.safe_below / 4:
            return NOTHING
        states = [line.state for line in run.stages]
        tired = update.stage is not None and update.stage.attempt >= MOST_ATTEMPTS and update.stage.finding is None
        decided = all(state in {"accepted", "rejected"} for state in states)
        if "rejected" in states or decided or tired or self._refused > MOST_REFUSALS:
            return self._ask(update, m.EndRun(request="end_run"))
        return self._ask(update, m.StartStage(request="start_stage", attended=() if run.attends else None))

    # Phases --------------------------------------------------------------------------------------

    def _filling(self, update: m.Update, stage: m.StageView) -> Step:
        side = Side.SEAT if stage.pressurized_side == "outlet" else Side.SHELL
        if self._handles["side"] != side:
            other: Command = {"command": "drain_inlet"}
            if side is Side.SHELL:
                other = {"command": "mount", "serial": self._handles["serial"]}
            return Step(commands=(*self._no_pressure(), other))
        if not self._vented:
            filling = self._hands(pump_psi=None, isolated=False, release="closed", vent="open", supply=True)
            needed = CAREFUL_LOOKS if self._counts["ventings"] else 1
            self._vented = self._solid >= needed
            return Step(commands=filling or ({"command": "look"},))
        if shut := self._hands(supply=False, vent="closed"):
            return Step(commands=(*shut, {"command": "dry"}))
        return self._ask(update, m.VentClosed(request="vent_closed"))

    def _pressurizing(self, update: m.Update, stage: m.StageView) -> Step:
        if (self._counts["fallen back"] >= 2 or self._told_of_air(update)) and self._may_vent(update):
            return self._ask(update, m.VentAgain(request="vent_again"))
        if hands := self._hands(pump_psi=self._set_psi(update, stage), isolated=False):
            return Step(commands=hands)
        return self._watch(update, stage)

    def _stabilizing(self, update: m.Update, stage: m.StageView) -> Step:
        if self._told_of_air(update) and self._may_vent(update):
            return self._ask(update, m.VentAgain(request="vent_again"))
        isolating = stage.pump_during_hold == PumpDuringHold.ISOLATED and self._is_up(update, stage)
        if isolating and (hands := self._hands(isolated=True, pump_psi=None)):
            return Step(commands=hands)
        if self.measures_c and self._handles["isolated"] and not stage.drawn_off and stage.phase_s > RESTED_S:
            return self._ask(update, m.MeasureC(request="measure_c"))
        return self._watch(update, stage)

    def _bleeding(self, update: m.Update, stage: m.StageView) -> Step:
        """Draw off what the screen says, close the burette, let the pressure come to rest, say so."""
        if not self._drawn and stage.draw_off is not None:
            return Step(commands=({"command": "draw_off", "ml": stage.draw_off.to("mL")},))
        if self._handles["burette"] == "open":
            return Step(commands=({"command": "look"},))
        if self._closed_s is None:
            self._closed_s = update.at_s
        if update.at_s - self._closed_s < RESTED_S:
            return NOTHING
        return self._ask(update, m.DrawnOff(request="drawn_off"))

    def _holding(self, update: m.Update, stage: m.StageView) -> Step:
        offered, ready = _offered(update), not stage.collect_left_s
        if "collection_started" in offered and ready:
            under: Command = {"command": "vessel", "position": "under"}
            return Step((m.CollectionStarted(request="collection_started"),), (under,))
        if "collection_ended" in offered and ready:
            return self._ask(update, m.CollectionEnded(request="collection_ended"))
        if "extend" in offered:
            return self._ask(update, m.Extend(request="extend"))
        if "collected" in offered and self._caught_ml is not None:
            volume = Volume.of(f"{self._caught_ml:.1f}", "mL")
            return self._ask(update, m.Collected(request="collected", volume=volume))
        return self._watch(update, stage)

    def _observing(self, update: m.Update, stage: m.StageView) -> Step:
        owed = _owed(stage)
        if owed and self._seen is None:
            return Step(commands=({"command": "look"},))
        if owed and "observe" in _offered(update) and self._leak(stage, owed[0]) is None:
            self._seen = None
            return self._ask(update, m.Observe(request="observe", criterion=owed[0].index, seen=Seen.NO_LEAKAGE))
        return self._holding(update, stage)

    def _releasing(self, update: m.Update, stage: m.StageView) -> Step:
        return Step(commands=self._no_pressure())

    def _watch(self, update: m.Update, stage: m.StageView) -> Step:
        """Walk round the valve now and then, and report leakage at once."""
        offered = _offered(update)
        if "conclude" in offered:
            return self._ask(update, m.Conclude(request="conclude"))
        owed = _owed(stage)
        draining = stage.stage is StageName.SEAT and (
            stage.phase_s < DRAINED_AFTER_S or stage.phase is not Phase.HOLDING
        )
        if not owed or draining or "observe" not in offered:
            return NOTHING
        if self._seen is None:
            due = self._in_place % LOOK_EVERY_UPDATES == 0
            return Step(commands=({"command": "look"},)) if due else NOTHING
        where = self._leak(stage, owed[0])
        self._seen = None
        if where is None:
            return NOTHING
        return self._ask(update, m.Observe(request="observe", criterion=owed[0].index, seen=Seen.LEAKAGE, where=where))

    # Hands and eyes ------------------------------------------------------------------------------

    def _ask(self, update: m.Update, request: m.AnyRequest) -> Step:
        """Ask only for what the screen offers."""
        return Step((request,)) if request.request in _offered(update) else NOTHING

    def _hands(self, **wanted: Any) -> tuple[Command, ...]:
        """The commands that bring the handles from where they stand to where they should, in the order given."""
        return tuple(_TURN[handle](to) for handle, to in wanted.items() if self._handles[handle] != to)

    def _no_pressure(self) -> tuple[Command, ...]:
        return self._hands(pump_psi=None, supply=False, release="open")

    def _told_of_air(self, update: m.Update) -> bool:
        """Whether the recorder has said it since this phase began."""
        newest = (notice.sentence for notice in update.notices if notice.utc > self._since)
        return any(said in sentence for sentence in newest for said in ("Air may be trapped", "air or a flexible rig"))

    def _may_vent(self, update: m.Update) -> bool:
        return "vent_again" in _offered(update) and self._counts["ventings"] < MOST_VENTINGS

    def _set_psi(self, update: m.Update, stage: m.StageView) -> float:
        """A little above the acceptance limit, and more where that does not do.

        Never above half way to the upper limit.
        """
        if stage.raise_to is not None:
            return round(Pressure.of(stage.raise_to, update.signal.unit).to("psi"), 1)
        tries = 1 + int(stage.phase_s // RAISE_AFTER_S)
        wanted = stage.acceptance_limit * (1 + ABOVE_ACCEPTANCE * tries)
        highest = (stage.acceptance_limit + stage.upper_limit) / 2
        return round(Pressure.of(min(wanted, highest), update.signal.unit).to("psi"), 1)

    def _is_up(self, update: m.Update, stage: m.StageView) -> bool:
        if update.signal.pressure is None:
            return False
        psi = Pressure.of(update.signal.pressure, update.signal.unit).to("psi")
        set_psi = self._handles["pump_psi"]
        return set_psi is None or psi >= NEARLY_THERE * set_psi or stage.phase_s > RAISE_AFTER_S

    def _leak(self, stage: m.StageView, criterion: m.CriterionAsked) -> str | None:
        """Where leakage was seen; None where there was none."""
        assert self._seen is not None
        if stage.stage is StageName.SHELL:
            return self._seen["where"] or "the shell" if self._seen["shell"] == "wet" else None
        return next(iter(criterion.look_at), "the seat") if self._seen["seat"] == "dripping" else None


def _offered(update: m.Update) -> set[str]:
    return {action.request for action in update.actions}


def _owed(stage: m.StageView) -> list[m.CriterionAsked]:
    return [asked for asked in stage.criteria if asked.kind == "no-visible-leakage" and not asked.answer]


_TURN: Mapping[str, Callable[[Any], Command]] = {
    "supply": lambda on: {"command": "fill", "on": on},
    "vent": lambda position: {"command": "vent", "position": position},
    "release": lambda position: {"command": "release", "position": position},
    "isolated": lambda on: {"command": "isolate", "on": on},
    "pump_psi": lambda psi: {"command": "pump", "on": False} if psi is None else {"command": "pump", "set_psi": psi},
}
