"""What a reviewer is shown and may ask for, as values: the same for a terminal and for a browser.

Nothing in here knows where it came from or where it is drawn; times are seconds since the run began.
"""

from typing import Annotated, Literal, Protocol

from pydantic import Field, SecretStr

from testbench.procedure.valve import Value
from testbench.run.signature import Meaning
from testbench.station.board import BoardLine
from testbench.station.life import ValvePage
from testbench.station.review import Why

Password = Annotated[SecretStr, Field(max_length=200)]


# The queue --------------------------------------------------------------------------------------


class QueueLine(Value):
    """One run that waits."""

    run: str
    serial: str
    order: str
    operator: str
    verdict: str
    """``void`` where it has none."""
    reason: str
    started: str
    origin: str
    waits_for: Meaning
    opened: bool
    """Whether this reviewer has opened it since it was sealed."""
    returned: str = ""
    """Who returned it and why, as long as nobody has answered."""
    answered: str = ""
    """What was answered to the newest return."""


class QueuePage(Value):
    """What waits, oldest first."""

    reviewer: str
    lines: tuple[QueueLine, ...]
    orders: dict[str, int]
    """How many runs wait, by order."""

    @property
    def total(self) -> int:
        """How many runs wait in all."""
        return sum(self.orders.values())


class BoardPage(Value):
    """How every order stands."""

    lines: tuple[BoardLine, ...]
    refused: tuple[str, ...] = ()
    """Files of orders that could not be read: they are missing here."""


# One run ----------------------------------------------------------------------------------------


class FindingLine(Value):
    """One criterion of an attempt against its limit. Texts are for reading: rounded, never the other way."""

    criterion: str
    required: str
    measured: str
    limit: str
    uncertainty: str
    conformity: str
    sentence: str


class Limit(Value):
    """A pressure drawn across a trace."""

    at: float
    name: str


class DrawnTrace(Value):
    """The pressure of an attempt, thinned: no peak is lost."""

    unit: str
    points: tuple[tuple[float, float], ...]
    limits: tuple[Limit, ...]
    """The acceptance limit first."""
    hold: tuple[float, float] | None
    gaps: tuple[tuple[float, float], ...]


class AttemptPage(Value):
    """One attempt at a stage."""

    stage: str
    attempt: int
    ended: str
    verdict: str
    reason: str
    findings: tuple[FindingLine, ...]
    beside: tuple[str, ...]
    """What was seen beside the criteria: decay of the pressure, times, collections, notes."""
    trace: DrawnTrace


class InstrumentLine(Value):
    """A pressure channel and its state on the day of the run."""

    tag: str
    instrument: str
    serial: str
    calibration: str
    """Number, laboratory, dates."""
    range: str
    uncertainty: str
    state: str
    """In date or not on that day, covering the pressures or not, zero, second gauge."""
    good: bool


class EventLine(Value):
    """One line of the journal."""

    at_s: float
    event: str
    sentence: str


class SaidLine(Value):
    """What a person signed, returned, answered, or noted."""

    at: str
    who: str
    what: str
    note: str


class Again(Value):
    """What the present program makes of the samples."""

    same: bool
    verdict: str
    sentences: tuple[str, ...]


class Offer(Value):
    """What this reviewer may do with the run, or why not."""

    act: Literal["released", "reviewed", "returned", "nonconformity"]
    why_not: str = ""
    statement: str = ""
    """What is agreed to, word for word; empty where nothing is signed."""


class RunPage(Value):
    """Everything that a decision on a run is taken on."""

    run: str
    serial: str
    valve: str
    order: str
    customer: str
    procedure: str
    operator: str
    operator_id: str
    started: str
    ended: str
    software: str
    specimen: bool
    verdict: str
    reason: str
    record_sha256: str
    attempts: tuple[AttemptPage, ...]
    events: tuple[EventLine, ...]
    instruments: tuple[InstrumentLine, ...]
    earlier: tuple[SaidLine, ...]
    """The closed runs of this serial number before this one, oldest first."""
    nonconformities: tuple[str, ...]
    said: tuple[SaidLine, ...]
    """Signatures and what was said in review, in the order of time."""
    again: Again
    remarks: tuple[str, ...]
    """What wants a look of its own; a clean run has none."""
    waits_for: Meaning | None
    offers: tuple[Offer, ...]

    def offer(self, act: str) -> Offer:
        """What is said of one act."""
        return next(one for one in self.offers if one.act == act)


# Acts -------------------------------------------------------------------------------------------


class Sign(Value):
    """Release one run or, clean and opened, several; or sign one as reviewed."""

    act: Literal["released", "reviewed"]
    runs: Annotated[tuple[str, ...], Field(min_length=1, max_length=500)]
    password: Password


class Return(Value):
    """Give a run back with the reason."""

    act: Literal["returned"] = "returned"
    run: str
    why: Why
    to: str = ""
    """Id of whom it goes to; empty: its operator."""
    password: Password


class OpenNonconformity(Value):
    """Open a nonconformity on the evidence of a run."""

    act: Literal["nonconformity"] = "nonconformity"
    run: str
    why: Why
    password: Password


class EnterNonconformity(Value):
    """Add an entry to a nonconformity, as it was typed; what is missing or may not follow is refused."""

    act: Literal["entered"] = "entered"
    number: str
    step: Literal["noted", "disposed", "closed"]
    text: str
    """The note; the grounds of a disposition; what shows that it is done with."""
    disposition: Literal["", "rework", "scrap", "concession"] = ""
    authority: str = ""
    """Who granted a concession."""
    reference: str = ""
    """Under which number or letter."""
    password: Password = SecretStr("")
    """Needed for whatever decides: all but a note."""

    @property
    def facts(self) -> dict[str, str]:
        """What was typed, by the names of the entry (``run/nonconformity``)."""
        said = {"disposition": self.disposition, "authority": self.authority, "reference": self.reference}
        text = "text" if self.step == "noted" else "why"
        return {"step": self.step, text: self.text} | {name: value for name, value in said.items() if value}


Act = Sign | Return | OpenNonconformity | EnterNonconformity


class Done(Value):
    """What an act led to."""

    sentences: tuple[str, ...]
    documents: tuple[str, ...] = ()


class ReviewDesk(Protocol):
    """What the screens of a reviewer talk to, and nothing else. Every call may take a while."""

    def queue(self, order: str = "", after: str = "") -> QueuePage:
        """What waits: of one order or all, from the oldest or behind a run.

        Raises:
            BenchError: it cannot be told.
        """

    def page(self, run: str) -> RunPage:
        """A run with all that its decision is taken on. That this reviewer has opened it is kept.

        Raises:
            BenchError: it cannot be shown: unknown, still open, damaged.
        """

    def statement(self, runs: tuple[str, ...]) -> tuple[str, ...]:
        """What a release of these runs agrees to, word for word, a line for each."""

    def life(self, serial: str) -> ValvePage:
        """All that is known of a serial number.

        Raises:
            SerialNeverSeenError: nothing is.
        """

    def board(self) -> BoardPage:
        """How every order stands, by the newest run of each of its valves."""

    def act(self, act: Act) -> Done:
        """Sign, return, open a nonconformity or add to one.

        Raises:
            BenchError: refused; nothing was done, or the document is owed and said so.
        """
