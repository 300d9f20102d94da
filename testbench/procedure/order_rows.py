"""From rows to an order, or to what is wrong with them: every cell that breaks a rule is named, nothing is guessed.

Rows come from a CSV file or from somebody's typing; both obey the same rules. Knows no file and no clock.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pydantic import ValidationError

from testbench.errors import (
    BenchError,
    ProcedureUnknownError,
    SerialsUnreadableError,
    WitnessPointUnreadableError,
)
from testbench.procedure import serials
from testbench.procedure.requirements import requirements_for
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Order, Valve, WitnessPoint
from testbench.procedure.witness_points import points_of, unfit

ORDER_COLUMNS = {  # the same in every row
    "number": "number of the order",
    "customer": "name of the customer",
    "customer_order": "the customer's own number",
    "procedure": "id of the procedure, as 'testbench procedure list' names it",
    "certificate_type": "document wanted, by EN 10204:2004: 2.1, 2.2, 3.1 or 3.2",
    "language": "of the documents, where it is not the bench's own: en, de, es",
    "witness_points": "stages that others may attend: stage; hold point or witness point; whose; who is notified; days",
}
VALVE_COLUMNS = {
    "serial": "serial number, a list A|B, or a range HL-8-0001..HL-8-0040 (digits keep their width)",
    "type": "valve type: swing-check, check, gate, globe, ball, plug or butterfly",
    "size": "nominal size: NPS 8 or DN 200",
    "rated": "rated pressure from the order or nameplate: 250 psi",
    "pressure_class": "or a class, together with the material",
    "pn": "or a PN",
    "material": "shell material: steel, stainless, gray-iron, ductile-iron or bronze",
    "seat": "what the seat is: resilient or metal",
    "leak_rate": "leakage rate, where the standard leaves it to the order: A, AA, B …",
    "optional_tests": "tests that the standard leaves to the order, parted by |",
    "seat_pairing": "the pairing in the order's own words",
    "ends": "the ends in the order's own words",
    "product": "the product in the order's own words",
    "drawing": "number and revision of the drawing",
    "heat_numbers": "heat numbers of body, cover …",
    "cavity": "volume that the water fills, from the drawing: 15.2 L",
}
COLUMNS = {**ORDER_COLUMNS, **VALVE_COLUMNS}
NEEDED = ("number", "customer", "procedure", "serial", "type", "size", "seat")
OWN_WORDS = ("seat_pairing", "ends", "product", "drawing", "heat_numbers")
"""Columns in the order's own words: no procedure asks for them."""
MOST_OF_A_CELL = 60
"""Signs of a refused cell that are told."""


@dataclass(frozen=True, slots=True)
class Row:
    """What one row says; a cell that says nothing is not in it."""

    line: int
    """Line of the file on which the row begins; 0 where it was typed."""
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class BadCell:
    """One thing that is wrong with a row."""

    line: int
    column: str
    found: str
    allowed: str
    doubtful: bool = False
    """Whether it may be meant; then somebody has to say so."""

    @property
    def sentence(self) -> str:
        """Where, what, found, allowed."""
        place = f"line {self.line}: " if self.line else ""
        found = f"found {self.found}; " if self.found else ""
        return f"{place}{self.column}: {found}{self.allowed}."


@dataclass(frozen=True, slots=True)
class Plan:
    """What the rows come to."""

    order: Order | None
    """None where something is wrong."""
    bad: tuple[BadCell, ...]
    rows: int
    """How many there were, those that could not be read as well."""


@dataclass
class _Taken:
    """The serial numbers so far, with where each stands."""

    same: dict[str, tuple[str, str]] = field(default_factory=dict)
    alike: dict[str, tuple[str, str]] = field(default_factory=dict)

    def add(self, serial: str, where: str) -> tuple[str, str]:
        """Take one; gives the same number that stands already, else a look-alike, each with its place."""
        key, shape = serials.compared(serial), serials.skeleton(serial)
        if key in self.same:
            other, place = self.same[key]
            return f"'{other}' stands {place} already, and no two valves have one serial number", ""
        self.same[key] = (serial, where)
        other, place = self.alike.setdefault(shape, (serial, where))
        return "", f"it looks like '{other}' {place}" if serials.compared(other) != key else ""


def planned(
    rows: Sequence[Row],
    common: Mapping[str, str],
    *,
    existing: Iterable[Order],
    find_procedure: Callable[[str], Procedure],
    check_text: Callable[[str], object],
    unread: Sequence[BadCell] = (),
    accepted: str | None = None,
    progress: Callable[[int], object] = lambda _: None,
) -> Plan:
    """The order that rows make.

    Args:
        rows: one for each line, at least one.
        common: what holds for every row; no row says it as well.
        existing: the orders that are there; no serial number of theirs comes again.
        find_procedure: id → procedure; a ``BenchError`` where it is unknown or broken.
        check_text: refuses a text that no document could print, with a ``BenchError``.
        unread: rows that could not be read at all.
        accepted: why serial numbers in doubt are meant; None: nobody said so.
        progress: hears of every row that was looked at, by its number from 1.

    Returns:
        The order with its valves in the order of the rows, or every cell that breaks a rule.
    """
    return _Planner(rows, common, find_procedure, check_text, unread).plan(existing, accepted, progress)


class _Planner:
    def __init__(
        self,
        rows: Sequence[Row],
        common: Mapping[str, str],
        find_procedure: Callable[[str], Procedure],
        check_text: Callable[[str], object],
        unread: Sequence[BadCell],
    ) -> None:
        self._rows, self._common = rows, common
        self._find_procedure, self._check_text = find_procedure, check_text
        self._bad: list[BadCell] = list(unread)
        self._in_all = len(rows) + len(unread)
        self._bad_everywhere: set[BadCell] = set()
        said = set(common).union(*(row.cells for row in rows))
        self._everywhere = {*common, *(name for name in NEEDED if name not in said)}
        """Columns whose faults are those of every row."""
        if said & set(VALVE_COLUMNS) - set(common) <= {"serial"}:
            self._everywhere.add("valve")
        self._points: tuple[WitnessPoint, ...] = ()
        self._valves: list[Valve] = []
        self._counted = 0
        """Serial numbers so far, also those of bad rows: a file of ranges must not be counted out for ever."""
        self._taken = _Taken()
        self._facts: dict[tuple[tuple[str, str], ...], Valve | list[tuple[str, str, str]]] = {}
        self._demanded: dict[tuple[tuple[str, str], ...], str] = {}
        self._texts: dict[str, str] = {}
        self._procedure: Procedure | None = None

    def plan(self, existing: Iterable[Order], accepted: str | None, progress: Callable[[int], object]) -> Plan:
        for other in existing:
            for valve in other.valves:
                self._taken.add(valve.serial, f"on order {other.number}")
        if accepted is not None and (objection := self._objection(accepted)):
            self._bad.append(BadCell(0, "look_alikes_accepted", _quoted(accepted), objection))
        head = self._head() if self._rows else {}
        for number, row in enumerate(self._rows, 1):
            self._row(row)
            progress(number)
            if self._counted > serials.MOST_VALVES:
                self._refuse(row, "serial", f"more than {serials.MOST_VALVES} valves", "an order has no more; part it")
                break
        self._bad.sort(key=lambda cell: cell.line)
        bad = tuple(cell for cell in self._bad if accepted is None or not cell.doubtful)
        order = None if bad else self._order(head, accepted if self._bad else None)
        return Plan(order, () if order is not None else bad or tuple(self._bad), self._in_all)

    def _order(self, head: Mapping[str, str], accepted: str | None) -> Order | None:
        try:
            facts = {**head, "witness_points": self._points, "look_alikes_accepted": accepted}
            return Order.model_validate({**facts, "valves": self._valves})
        except ValidationError as failure:
            first = self._rows[0]
            self._bad.extend(BadCell(first.line if said[0] in first.cells else 0, *said) for said in _said(failure))
            return None

    def _refuse(self, row: Row, column: str, found: str, allowed: str, *, doubtful: bool = False) -> None:
        """Name what is wrong; what is common to all rows once."""
        bad = BadCell(0 if column in self._everywhere else row.line, column, found, allowed, doubtful)
        if bad.line or bad not in self._bad_everywhere:
            self._bad.append(bad)
            self._bad_everywhere |= {bad} if not bad.line else set()

    # The order -----------------------------------------------------------------------------------

    def _head(self) -> dict[str, str]:
        """What all rows say of the order; a row that says otherwise is refused."""
        first = {**self._rows[0].cells, **self._common}
        head = {name: first[name] for name in ORDER_COLUMNS if name in first}
        for row in self._rows[1:]:
            for name in ORDER_COLUMNS:
                said, wanted = row.cells.get(name), head.get(name)
                if name not in self._common and said != wanted:
                    allowed = f"the rows above say {_quoted(wanted)}, and one file is one order"
                    self._refuse(row, name, _quoted(said), allowed)
        self._read_head(head)
        return head

    def _read_head(self, head: Mapping[str, str]) -> None:
        if "witness_points" in head:
            try:
                self._points = points_of(head["witness_points"])
            except WitnessPointUnreadableError as refusal:
                found = f"{refusal.found} in '{refusal.written}'"
                self._refuse(self._rows[0], "witness_points", found, refusal.allowed)
        if "procedure" in head:
            try:
                self._procedure = self._find_procedure(head["procedure"])
            except ProcedureUnknownError as refusal:
                allowed = f"at hand are {', '.join(refusal.allowed)}"
                self._refuse(self._rows[0], "procedure", _quoted(head["procedure"]), allowed)
            except BenchError as refusal:
                self._refuse(self._rows[0], "procedure", "", str(refusal).removesuffix("."))
        if (number := head.get("number", "0")) and (".." in number or not number[0].isalnum()):
            allowed = "an order number begins with a letter or digit and has no two dots together"
            self._refuse(self._rows[0], "number", _quoted(number), allowed)

    # A row ---------------------------------------------------------------------------------------

    def _row(self, row: Row) -> None:
        said = {**self._common, **row.cells}
        wrong = {name: objection for name, text in said.items() if (objection := self._objection(text))}
        missing = [name for name in NEEDED if name not in said]
        for name, objection in wrong.items():
            self._refuse(row, name, _quoted(said[name]), objection)
        for name in missing:
            self._refuse(row, name, "nothing", "this is needed")
        facts = {name: text for name, text in said.items() if name in VALVE_COLUMNS and name not in {"serial", *wrong}}
        valve = self._valve(row, facts, told={*wrong, *missing})
        if "serial" in said and "serial" not in wrong:
            self._serials(row, said["serial"], valve)

    def _objection(self, text: str) -> str:
        """What is wrong with a cell whatever it means; each text is looked at once."""
        if text not in self._texts:
            self._texts[text] = self._look(text)
        return self._texts[text]

    def _look(self, text: str) -> str:
        if serials.begins_a_formula(text):
            return "a spreadsheet would take this for a formula; nothing may begin with = + - @ or a tab"
        if any(sign < " " or sign in "\x7f\u2028\u2029" for sign in text):
            return "a cell is one line without control characters"
        try:
            self._check_text(text)
        except BenchError as refusal:
            return str(refusal).removesuffix(".")
        return ""

    def _valve(self, row: Row, said: dict[str, str], told: set[str]) -> Valve | None:
        """A valve of these facts, whatever its number; facts that many rows share are looked at once."""
        key = tuple(sorted(said.items()))
        if key not in self._facts:
            self._facts[key] = self._of_facts(said)
        found = self._facts[key]
        if isinstance(found, Valve):
            return None if told else found
        for column, written, allowed in found:
            if column not in told and not (told and column == "valve"):
                self._refuse(row, column, written, allowed)
        return None

    def _of_facts(self, said: Mapping[str, str]) -> Valve | list[tuple[str, str, str]]:
        facts: dict[str, object] = {"serial": "any", **said}
        if "optional_tests" in said:
            facts["optional_tests"] = tuple(test.strip() for test in said["optional_tests"].split(serials.BETWEEN))
        try:
            valve = Valve.model_validate(facts)
        except ValidationError as failure:
            return _said(failure)
        plainly = tuple(sorted((name, text) for name, text in said.items() if name not in OWN_WORDS))
        if plainly not in self._demanded:
            self._demanded[plainly] = self._refusal_of_procedure(valve)
        refusal = self._demanded[plainly]
        return [("valve", "", refusal)] if refusal else valve

    def _refusal_of_procedure(self, valve: Valve) -> str:
        """Why the procedure cannot test this valve."""
        try:
            if self._procedure is None:
                return ""
            demanded = requirements_for(self._procedure, valve)
        except BenchError as refusal:
            return str(refusal).removesuffix(".")
        stages = [str(stage.stage) for stage in demanded.stages]
        stage = unfit(self._points, stages)
        return "" if stage is None else f"a witness point names '{stage}'; stages are {', '.join(stages)}, each once"

    def _serials(self, row: Row, written: str, valve: Valve | None) -> None:
        try:
            named = serials.serials_of(written)
        except SerialsUnreadableError as refusal:
            self._refuse(row, "serial", f"{refusal.found} in '{refusal.written}'", refusal.allowed)
            return
        self._counted += len(named)
        where = f"in line {row.line}" if row.line else "in what was typed"
        against: dict[bool, list[tuple[str, str]]] = {False: [], True: []}
        for serial in named:
            same, alike = self._taken.add(serial, where)
            refused, doubt = serials.objection(serial) or same, serials.doubt(serial) or alike
            if refused or doubt:
                against[not refused].append((serial, refused or doubt))
            if valve is not None:
                self._valves.append(valve.model_copy(update={"serial": serial}))
        for doubtful, found in against.items():
            if found:  # a range that is wrong at every number is wrong once
                more = f" ({len(found) - 1} more of this range likewise)" if len(found) > 1 else ""
                self._refuse(row, "serial", _quoted(found[0][0]), f"{found[0][1]}{more}", doubtful=doubtful)


def _said(failure: ValidationError) -> list[tuple[str, str, str]]:
    """Column, found and allowed of everything that a model refuses."""
    return [
        (
            str(error["loc"][0]) if error["loc"] else "order",
            "nothing" if error["type"] == "missing" else _quoted(error["input"]),
            "this is needed" if error["type"] == "missing" else error["msg"].removeprefix("Value error, ").rstrip("."),
        )
        for error in failure.errors(include_url=False)
    ]


def _quoted(text: object) -> str:
    if text is None:
        return "nothing"
    shown = repr(str(text))
    return shown if len(shown) <= MOST_OF_A_CELL else f"{shown[:MOST_OF_A_CELL]}… ({len(str(text))} signs)"
