"""What the operator has in hand: keys go in, requests come out. Knows no terminal and no clock.

It decides nothing about a test. It keeps what is being chosen or typed, turns keys into requests, and holds what has
to be said back to the person at the keys until the next key.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum

from testbench.errors import BenchError
from testbench.procedure.valve import Value
from testbench.quantities import Volume
from testbench.run.attendance import Attendee
from testbench.run.observations import RIG_PLACES, Seen, of_the_rig
from testbench.station import messages as m
from testbench.tui.entries import Choice, Choosing, Entry, Said, typed
from testbench.tui.keys import KeyOffered, offered
from testbench.tui.pin import PinEntry
from testbench.tui.scanner import SUFFIXES, Scanner
from testbench.tui.valve_list import lines_of, said_of, unlisted

DEAD_S = 0.4
"""A second press sooner than this is the glove bouncing."""
CONFIRM_S = 3.0
"""A second press later than this begins anew."""
LONGEST_ENTRY = 40
OF_THE_RIG = tuple(Choice(place, "of the rig: void, the valve is not judged", (place, "rig")) for place in RIG_PLACES)
SCAN_OR_TYPE = "Which valve? Scan or type it."
"""Asked where the list does not hold every valve."""


class Mode(StrEnum):
    """What the keys are for at the moment."""

    WATCHING = "watching"
    VALVE = "valve"
    OPERATOR = "operator"
    PLACE = "place"
    RIG = "rig"
    VOLUME = "volume"
    UNSIGNED = "unsigned"
    PIN = "PIN"
    ATTENDING = "attending"


TOO_FAST = Said("No hand types that fast; the PIN was emptied.", "Type the digits one after the other.", grave=True)
_WANTED = {
    Mode.VALVE: "start_run",
    Mode.OPERATOR: "start_run",
    Mode.PLACE: "observe",
    Mode.RIG: "rig_leak",
    Mode.VOLUME: "collected",
    Mode.UNSIGNED: "sign",
    Mode.ATTENDING: "start_stage",
}
"""What must be possible for a list or an entry to stay open."""


@dataclass
class Conversation:
    """The keys' side of the screen."""

    update: m.Update | None = None
    mode: Mode = Mode.WATCHING
    choosing: Choosing | None = None
    entry: Entry = field(default_factory=Entry)
    said: Said | None = None
    scanned: str = ""
    scanner: Scanner = field(default_factory=Scanner)
    pin: PinEntry = field(default_factory=PinEntry)
    _valve: tuple[str, ...] = ()
    _sought: str = ""
    """The serial number that the recorder was asked to find; empty once it has answered."""
    _found: bool = False
    """Whether the list is what was found, not what is offered."""
    _armed: tuple[str, float] = ("", 0.0)
    _criterion: int = 0

    # What comes from the recorder ----------------------------------------------------------------

    def updated(self, update: m.Update) -> None:
        """Take the newest state; leave what it no longer asks for."""
        before, self.update = self.update, update
        requests = {action.request for action in update.actions}
        wanted = self.pin.request.request if self.pin.request is not None else _WANTED.get(self.mode)
        if wanted is not None and wanted not in requests:
            self._watch()
        first = self.mode is Mode.WATCHING and update.run is None and "start_run" in requests
        changed = self.mode is Mode.VALVE and before is not None and before.orders != update.orders
        if first or changed:
            self._choose_valve()

    def answered(self, answer: m.Answer) -> None:
        """Say a refusal, offer what was found; any other request that was carried out shows in the next update."""
        if not answer.done:
            self.said = Said(answer.sentence, answer.remedy, grave=True)
        elif answer.found is not None and self.mode is Mode.VALVE and self._sought:
            self._offer(answer.found)

    @property
    def keys(self) -> tuple[KeyOffered, ...]:
        """The function keys that do something now. While a list or an entry is open: only Stop beside it."""
        if self.mode is Mode.WATCHING:
            return offered(self.update)
        return tuple(key for key in offered(self.update) if key.request == "stop")

    # Keys ----------------------------------------------------------------------------------------

    def key(self, key: str, character: str | None, at: float) -> Value | None:
        """Take one key.

        Args:
            key: its name, as Textual has it.
            character: what it prints, if anything.
            at: when it was pressed [s], on any clock that only goes forward.

        Returns:
            The request that it makes, without its number.
        """
        if key in SUFFIXES:
            return self._suffix(key, at)
        self.said = None
        if character is not None and character.isprintable() and len(character) == 1:
            self._printable(character, at)
            return None
        self.scanned = ""
        if _is_function_key(key):
            return self._function(key, at)
        self._editing(key)
        return None

    def _printable(self, character: str, at: float) -> None:
        if self.mode is Mode.PIN:
            self.pin, by_hand = self.pin.character(character, at)
            self.said = None if by_hand else TOO_FAST
            return
        self.scanner.character(character, at)
        if self.choosing is not None and self.choosing.typed is not None:
            longer = f"{self.choosing.typed}{character}"[:LONGEST_ENTRY]
            self.choosing = replace(self.choosing, selected=None, typed=longer)
        elif self.mode is Mode.VOLUME:
            self.entry = typed(self.entry, character)

    def _suffix(self, key: str, at: float) -> Value | None:
        if self.mode is Mode.PIN:
            return self._enter_pin() if key == "enter" and self.pin.by_hand(at) else None
        scan = self.scanner.suffix(at)
        if scan != "":
            self.said = None
        if scan:
            return self._took_scan(scan)
        return self._enter() if scan is None and key == "enter" else None

    def _function(self, key: str, at: float) -> Value | None:
        pressed = next((one for one in self.keys if one.key == key), None)
        if pressed is None:
            self._armed = ("", 0.0)
            open_list = self.mode is not Mode.WATCHING and any(one.key == key for one in offered(self.update))
            remedy = "Finish with Enter, or go back with Esc." if open_list else ""
            self.said = Said(f"{key.upper()} does nothing now.", remedy)
            return None
        if pressed.twice and not self._confirmed(pressed, at):
            return None
        self._armed = ("", 0.0)
        return self._pressed(pressed)

    def _confirmed(self, pressed: KeyOffered, at: float) -> bool:
        request, since = self._armed
        waited = at - since
        if request == pressed.request and DEAD_S <= waited <= CONFIRM_S:
            return True
        if request != pressed.request or waited > CONFIRM_S:
            self._armed = (pressed.request, at)
        self.said = Said(f"{pressed.label}? Press {pressed.key.upper()} once more.", grave=True)
        return False

    def expire(self, at: float) -> None:
        """Take back the question of a double press that nobody answered."""
        request, since = self._armed
        if request and at - since > CONFIRM_S:
            self._armed, self.said = ("", 0.0), None

    def _pressed(self, pressed: KeyOffered) -> Value | None:
        match pressed.request:
            case "start_run":
                self._choose_valve()
            case "collected":
                self.mode, self.entry = Mode.VOLUME, _entry_for(self.update)
            case "observe":
                return self._observe(pressed)
            case "rig_leak":
                self.mode, self.choosing = Mode.RIG, Choosing("Where does the rig leak?", OF_THE_RIG, typed="")
            case "sign":
                self._choose_unsigned()
            case "start_stage" if self.update is not None and self.update.run is not None and self.update.run.attends:
                self._ask_who_attends()
            case _:
                return _PLAIN[pressed.request]()
        return None

    def _observe(self, pressed: KeyOffered) -> Value | None:
        asked = asked_now(self.update)
        if asked is None:
            self.said = Said("Nothing is left to be observed.")
            return None
        self._criterion = asked.index
        if pressed.seen is Seen.NO_LEAKAGE:
            return m.Observe(request="observe", criterion=asked.index, seen=Seen.NO_LEAKAGE)
        self.mode = Mode.PLACE
        places = tuple(Choice(place, value=(place,)) for place in asked.look_at)
        assert self.update is not None
        if any(action.request == "rig_leak" for action in self.update.actions):
            places += OF_THE_RIG
        self.choosing = Choosing("Where does it leak?", places, typed="")
        return None

    # Lists and entries ---------------------------------------------------------------------------

    def _watch(self) -> None:
        self.mode, self.choosing, self.entry, self.scanned = Mode.WATCHING, None, Entry(), ""
        self.pin = PinEntry()

    def _choose_valve(self) -> None:
        orders = self._orders()
        lines = tuple(Choice(*line) for line in lines_of(orders))
        kept = next((at for at, line in enumerate(lines) if self._selected_value() == line.value), None)
        choosing = Choosing("Which valve?", lines, kept)
        if unlisted(orders):
            choosing = replace(choosing, title=SCAN_OR_TYPE, typed="")
        self.mode, self.choosing, self._sought, self._found = Mode.VALVE, choosing, "", False

    def _orders(self) -> tuple[m.OrderLine, ...]:
        return (self.update.orders if self.update is not None else None) or ()

    def _find(self, text: str) -> Value:
        self._sought = text
        return m.FindValve(request="find_valve", text=text)

    def _offer(self, found: tuple[m.OrderLine, ...]) -> None:
        """What the recorder found in place of the list; a single one is selected, as after a scan."""
        assert self.choosing is not None
        sentence, remedy = said_of(self._sought, found)
        self.said = Said(sentence, remedy, grave=not found) if sentence else None
        self._sought = ""
        if found:
            lines = tuple(Choice(*line) for line in lines_of(found))
            self.choosing = Choosing(SCAN_OR_TYPE, lines, 0 if len(lines) == 1 else None, "")
            self._found = True

    def _choose_unsigned(self) -> None:
        """Which run is signed; where only one waits, it is that one."""
        assert self.update is not None
        runs = tuple(
            Choice(one.run, f"{one.serial} · {one.operator}", (one.run, one.operator, one.statement))
            for one in self.update.unsigned
        )
        if len(runs) == 1:
            self._ask_to_sign(*runs[0].value)
        else:
            self.mode, self.choosing = Mode.UNSIGNED, Choosing("Sign which run?", runs)

    def _ask_to_sign(self, run: str, operator: str, statement: str) -> None:
        self.mode, self.choosing = Mode.PIN, None
        self.pin = PinEntry(operator, statement, m.Sign.model_validate({"request": "sign", "run": run, "pin": ""}))

    def _enter_pin(self) -> Value | None:
        if not self.pin.typed:
            self.said = Said("Nothing was entered.", "Type the digits of the PIN.")
            return None
        request = self.pin.filled_in()
        self._watch()
        return request

    def _ask_who_attends(self) -> None:
        nobody = (Choice("Nobody attends", "did not attend", ("",)),)
        self.mode, self.choosing = Mode.ATTENDING, Choosing("Who attends? Type the name.", nobody, typed="")

    def _attended_by(self, name: str) -> Value:
        assert self.update is not None
        assert self.update.run is not None
        party = self.update.run.attends
        self._watch()
        attended = (Attendee(name=name, party=party),) if name else ()
        return m.StartStage(request="start_stage", attended=attended)

    def _selected_value(self) -> tuple[str, ...]:
        if self.mode is not Mode.VALVE or self.choosing is None or self.choosing.selected is None:
            return ()
        return self.choosing.choices[self.choosing.selected].value

    def _took_scan(self, text: str) -> Value | None:
        """Select the scanned valve; it takes a key to go on with it. One that is not listed is asked for."""
        if self.choosing is not None and self.choosing.typed is not None:
            self.choosing = replace(self.choosing, typed=self.choosing.typed.removesuffix(text))
        self.entry = replace(self.entry, text="")
        startable = self.update is not None and any(one.request == "start_run" for one in self.update.actions)
        if not startable:
            self.said = Said(f"{text} was scanned. No valve is being chosen now.")
            return None
        self._choose_valve()
        assert self.choosing is not None
        found = [at for at, line in enumerate(self.choosing.choices) if line.value[1] == text]
        self.scanned = text
        self.choosing = replace(self.choosing, selected=found[0] if len(found) == 1 else None)
        if unlisted(self._orders()):  # it may stand on another order as well
            return self._find(text)
        if not found:
            self.said = Said(f"{text} is on no open order.", "Read the number on the valve again.", grave=True)
        elif len(found) > 1:
            self.said = Said(f"{text} is on {len(found)} orders.", "Choose one with the arrow keys.")
        return None

    def _enter(self) -> Value | None:
        if self.mode is Mode.VOLUME:
            return self._enter_volume()
        if self.choosing is None:
            return None
        if said := (self.choosing.typed or "").strip():
            return self._entered(said)
        if self.choosing.selected is None:
            self.said = Said("Nothing is chosen yet.", "Choose with the arrow keys, then press Enter.")
            return None
        return self._chosen(self.choosing.choices[self.choosing.selected].value)

    def _entered(self, said: str) -> Value:
        match self.mode:
            case Mode.VALVE:
                return self._find(said)
            case Mode.PLACE if not of_the_rig(said):  # typed or chosen, a hose is none of the valve
                return self._leaks_at(said)
            case Mode.PLACE | Mode.RIG:
                return self._rig_leaks_at(said)
            case _:
                return self._attended_by(said)

    def _chosen(self, value: tuple[str, ...]) -> Value | None:
        if self.mode in {Mode.PLACE, Mode.RIG}:
            return self._rig_leaks_at(value[0]) if "rig" in value[1:] else self._leaks_at(value[0])
        if self.mode is Mode.ATTENDING:
            return self._attended_by(value[0])
        if self.mode is Mode.UNSIGNED:
            self._ask_to_sign(*value)
            return None
        if self.mode is Mode.VALVE:
            assert self.update is not None
            self._valve = value
            people = tuple(Choice(name, value=(name,)) for name in self.update.operators)
            self.mode, self.choosing = Mode.OPERATOR, Choosing(f"Who tests {value[1]}?", people)
            return None
        start = m.StartRun(request="start_run", order=self._valve[0], serial=self._valve[1], operator=value[0])
        self._watch()
        if self.update is None or not self.update.pin_needed:
            return start
        self.mode, self.pin = Mode.PIN, PinEntry(value[0], request=start)
        return None

    def _leaks_at(self, place: str) -> Value:
        self._watch()
        return m.Observe(request="observe", criterion=self._criterion, seen=Seen.LEAKAGE, where=place)

    def _rig_leaks_at(self, place: str) -> Value:
        self._watch()
        return m.RigLeak(request="rig_leak", where=place)

    def _enter_volume(self) -> Value | None:
        text, drops = self.entry.text, self.entry.drops
        if not text:
            self.said = Said("Nothing was entered.", "Type what was read; 0 if nothing was caught.")
            return None
        try:
            collected = (
                m.Collected(request="collected", drops=int(text))
                if drops
                else m.Collected(request="collected", volume=Volume.of(text.rstrip("."), "mL"))
            )
        except (BenchError, ValueError):
            self.said = Said(f"'{text}' is no number.", "Type digits, with one decimal point at most.", grave=True)
            return None
        self._watch()
        return collected

    def _editing(self, key: str) -> None:
        if key == "escape":
            self._back()
        elif key in {"up", "down"} and self.choosing is not None:
            emptied = None if self.choosing.typed is None else ""
            self.choosing = replace(self.choosing.moved(1 if key == "down" else -1), typed=emptied)
        elif self.mode is Mode.VOLUME and key in {"left", "right"} and self.entry.counted != "bubbles":
            self.entry = replace(self.entry, text="", drops=not self.entry.drops)
        elif key == "backspace":
            self.pin = self.pin.corrected()
            self.entry = replace(self.entry, text=self.entry.text[:-1])
            if self.choosing is not None and self.choosing.typed:
                self.choosing = replace(self.choosing, typed=self.choosing.typed[:-1])

    def _back(self) -> None:
        if isinstance(self.pin.request, m.StartRun):
            self._watch()
            self._choose_valve()
        elif self.mode is Mode.OPERATOR or (self.mode is Mode.VALVE and self._found):
            self._choose_valve()
        elif self.mode is not Mode.VALVE or (self.update is not None and self.update.run is not None):
            self._watch()


def asked_now(update: m.Update | None) -> m.CriterionAsked | None:
    """The visual criterion that the keys answer: the first without an answer."""
    if update is None or update.stage is None:
        return None
    visual = (found for found in update.stage.criteria if found.kind == "no-visible-leakage")
    return next((found for found in visual if not found.answer), None)


def _entry_for(update: m.Update | None) -> Entry:
    """An empty entry in what the limit is read in."""
    asked = update.stage.criteria if update is not None and update.stage is not None else ()
    counted = next((found.counted for found in asked if found.counted), "")
    return Entry(drops=bool(counted), counted=counted)


def _is_function_key(key: str) -> bool:
    return key[:1] == "f" and key[1:].isdigit()


_PLAIN: dict[str, Callable[[], Value]] = {
    "start_stage": lambda: m.StartStage(request="start_stage"),
    "vent_closed": lambda: m.VentClosed(request="vent_closed"),
    "vent_again": lambda: m.VentAgain(request="vent_again"),
    "collection_started": lambda: m.CollectionStarted(request="collection_started"),
    "collection_ended": lambda: m.CollectionEnded(request="collection_ended"),
    "vessel_read": lambda: m.VesselRead(request="vessel_read"),
    "measure_c": lambda: m.MeasureC(request="measure_c"),
    "drawn_off": lambda: m.DrawnOff(request="drawn_off"),
    "leave_c": lambda: m.LeaveC(request="leave_c"),
    "extend": lambda: m.Extend(request="extend"),
    "leave_undecided": lambda: m.LeaveUndecided(request="leave_undecided"),
    "conclude": lambda: m.Conclude(request="conclude"),
    "stop": lambda: m.Stop(request="stop"),
    "end_run": lambda: m.EndRun(request="end_run"),
}
