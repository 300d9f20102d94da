"""What crosses the link between recorder and screens: one JSON value a line.

Requests go in and each gets one answer; updates come out on their own. ``testbench link schema`` prints the JSON
schema of both. Any program may hold a screen's place: the same rules, the same refusals.
"""

from typing import Annotated, Any, Literal, Self

from pydantic import (
    ConfigDict,
    Field,
    PlainSerializer,
    SecretStr,
    SerializationInfo,
    TypeAdapter,
    ValidationError,
    model_validator,
)

from testbench.errors import BenchError, RequestUnreadableError
from testbench.procedure.stages import StageName
from testbench.procedure.valve import Text, Value
from testbench.quantities import Volume
from testbench.run.attendance import Attendee
from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.run.record import Finding, Origin, Verdict

# Requests ---------------------------------------------------------------------------------------


Said = Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
"""What somebody typed: a line, no more."""


def _revealed(pin: SecretStr, info: SerializationInfo) -> str:
    return pin.get_secret_value() if info.context is ON_THE_WIRE else str(pin)


ON_THE_WIRE = object()
Pin = Annotated[SecretStr, Field(max_length=20), PlainSerializer(_revealed, return_type=str, when_used="json")]
"""A PIN shows itself on the wire and nowhere else: dumped, printed or logged it is a row of stars."""


class Request(Value):
    """Base of all requests. ``id`` comes back with the answer."""

    model_config = ConfigDict(hide_input_in_errors=True)

    id: Annotated[int, Field(ge=0)] = 0


class Attach(Request):
    """Ask for the whole picture: the next update carries the trace of the stage so far."""

    request: Literal["attach"]


class FindValve(Request):
    """Look for a serial number on all orders: the answer brings those that are it, else begin with it, else hold it."""

    request: Literal["find_valve"]
    text: Annotated[Said, Field(min_length=1)]


class StartRun(Request):
    """Begin a run of one valve; checks the zero of the channel at atmosphere first."""

    request: Literal["start_run"]
    order: Text
    serial: Text
    operator: Text
    pin: Pin = SecretStr("")
    """Of the operator, where ``Update.pin_needed``."""


class StartStage(Request):
    """Begin the next stage, or repeat a void or inconclusive one."""

    request: Literal["start_stage"]
    attended: tuple[Attendee, ...] | None = None
    """Who attends a witness point or hold point; empty: did not attend; None: not said."""


class Sign(Request):
    """Sign a closed run as performed, by its operator."""

    request: Literal["sign"]
    run: Text
    pin: Pin


class VentClosed(Request):
    """The valve is filled, vented and closed: pressure may come on."""

    request: Literal["vent_closed"]


class VentAgain(Request):
    """Release, vent again and raise again within the same stage."""

    request: Literal["vent_again"]


class Observe(Request):
    """The operator's explicit answer to a visual criterion."""

    request: Literal["observe"]
    criterion: Annotated[int, Field(ge=0)]
    seen: Seen
    where: Said = ""
    note: Said = ""


class CollectionStarted(Request):
    """The vessel is under the open side."""

    request: Literal["collection_started"]


class VesselRead(Request):
    """The vessel was read at this moment and stays where it is; its content is told with ``collected``."""

    request: Literal["vessel_read"]


class CollectionEnded(Request):
    """The vessel was taken away."""

    request: Literal["collection_ended"]


class Collected(Request):
    """What was caught: a volume, or drops counted with the bench's drops-per-mL convention."""

    request: Literal["collected"]
    volume: Volume | None = None
    drops: Annotated[int, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.volume is None) == (self.drops is None):
            raise ValueError("give either a volume or a count, not both and not neither")
        return self


class MeasureC(Request):
    """Measure C: known volumes are drawn off the closed body, to see what pressure they cost."""

    request: Literal["measure_c"]


class DrawnOff(Request):
    """The volume was drawn off and the burette is closed."""

    request: Literal["drawn_off"]


class LeaveC(Request):
    """Draw no more off; C stays unknown."""

    request: Literal["leave_c"]


class Extend(Request):
    """Extend the hold, because what was caught or what the decay showed left the verdict undecided."""

    request: Literal["extend"]


class LeaveUndecided(Request):
    """Leave the leakage undecided; the stage comes out inconclusive."""

    request: Literal["leave_undecided"]


class Conclude(Request):
    """End the stage on the leakage that was seen; the valve is rejected."""

    request: Literal["conclude"]


class RigLeak(Request):
    """The rig leaks, not the valve: the stage is void and pressure must be released."""

    request: Literal["rig_leak"]
    where: Annotated[Said, Field(min_length=1)]


class Stop(Request):
    """Stop the stage; it is void and pressure must be released."""

    request: Literal["stop"]
    reason: Said = ""


class EndRun(Request):
    """Close the run as it stands; what is missing makes it void."""

    request: Literal["end_run"]


class Shutdown(Request):
    """End the recorder; refused while a run is open."""

    request: Literal["shutdown"]


AnyRequest = Annotated[
    Attach
    | FindValve
    | StartRun
    | StartStage
    | VentClosed
    | VentAgain
    | Observe
    | CollectionStarted
    | VesselRead
    | CollectionEnded
    | Collected
    | MeasureC
    | DrawnOff
    | LeaveC
    | Extend
    | LeaveUndecided
    | Conclude
    | RigLeak
    | Stop
    | EndRun
    | Sign
    | Shutdown,
    Field(discriminator="request"),
]
_REQUESTS: TypeAdapter[AnyRequest] = TypeAdapter(AnyRequest, config=ConfigDict(hide_input_in_errors=True))


class Answer(Value):
    """The one answer to a request: done, or refused with a sentence and a remedy. A refusal changed nothing."""

    kind: Literal["answer"] = "answer"
    id: int
    done: bool
    sentence: str = ""
    remedy: str = ""
    found: tuple["OrderLine", ...] | None = None
    """What ``find_valve`` found, ``in_all`` counting what fits; None to any other request."""

    @classmethod
    def refused(cls, number: int, error: BenchError) -> "Answer":
        """Turn a refusal into an answer."""
        return cls(id=number, done=False, sentence=str(error), remedy=error.remedy)


# Updates ----------------------------------------------------------------------------------------


class Signal(Value):
    """How a channel stands."""

    state: Literal["good", "stale", "lost"]
    """stale: nothing usable for a moment, the number is blanked; lost: the port is away."""
    sentence: str = ""
    """What is wrong, in words; empty when good."""
    age_s: float | None = None
    """Since the newest reading [s]."""
    pressure: float | None = None
    """The newest corrected reading in ``unit``; None unless good."""
    unit: str
    decimals: int
    rejected_lines: int = 0


class ChannelBeside(Value):
    """A pressure channel beside the deciding one."""

    tag: str
    signal: Signal


class CriterionAsked(Value):
    """One criterion as the screen asks for it."""

    index: int
    kind: Literal["no-visible-leakage", "largest-leakage-rate"]
    words: str
    """What is looked for, for example "No visible leakage: body and cover, cover joint"."""
    look_at: tuple[str, ...] = ()
    limit: str = ""
    counted: str = ""
    """"drops" or "bubbles" where the limit is a count; empty where it is a volume."""
    answer: str = ""
    """What was observed or collected so far; empty while owed."""


class StageView(Value):
    """The stage under way. All pressures are numbers in ``Signal.unit``."""

    stage: StageName
    attempt: int
    phase: Phase
    phase_s: float
    """How long the phase lasts already [s]."""
    required: float
    acceptance_limit: float
    upper_limit: float
    raise_to: float | None = None
    """About where to raise the pressure to, where it matters; None: a little above the acceptance limit."""
    safe_below: float
    hold_s: int
    hold_left_s: float | None = None
    """Time left of the hold [s]; None outside it. 0 while a collection keeps the hold going."""
    collecting_s: float | None = None
    """How long has been collected [s]; None when not collecting."""
    collect_left_s: float | None = None
    """Until the collection may end, or (negative is never sent) until it may begin [s]."""
    change_per_min: float | None = None
    """Rate of change over the stabilization window [unit/min]."""
    change_bound_per_min: float | None = None
    """|rate| + 1.645 u, to be compared with the limit [unit/min]."""
    change_limit_per_min: float
    lowest_in_hold: float | None = None
    restarts: int = 0
    drawn_off: int = 0
    """Volumes drawn off for C that were read."""
    draw_off: Volume | None = None
    """What is to be drawn off now; None outside the measuring of C."""
    gate: str = ""
    """Whether a pressure decay can decide the limit, as it was said when the hold began."""
    pressurized_side: str
    pump_during_hold: str
    criteria: tuple[CriterionAsked, ...]
    finding: Finding | None = None
    """Once the stage is closed and was completed."""
    decisions: tuple[str, ...] = ()
    """For each criterion of the finding the comparison in words: U, k, rule, guard band, risk; empty without one."""
    ended: str = ""
    """How the stage ends, as soon as that is decided; pressure is still to be released then."""
    reason: str = ""


class StageLine(Value):
    """One demanded stage in the overview of the run."""

    stage: StageName
    state: Literal["to do", "under way", "accepted", "rejected", "inconclusive", "void"]
    sentence: str = ""


class RunView(Value):
    """The run under way, or the last one until a new one begins."""

    run: str
    order: str
    customer: str
    serial: str
    valve: str
    """For example "swing-check NPS 8 (DN 200), 250 psi, metal seat"."""
    operator: str
    procedure: str
    origin: Origin
    stages: tuple[StageLine, ...]
    open: bool
    verdict: Verdict | None = None
    sentence: str = ""
    """The verdict in words once the run is closed."""
    document: str = ""
    """Path of the certificate or rejection report once it is written."""
    attends: str = ""
    """Whose witness point or hold point the next stage is; empty where it is none."""


class ActionOffered(Value):
    """Something that can be asked for now. ``label`` is in the operator's words."""

    request: str
    label: str


class OrderLine(Value):
    """An open order and valves of it, for choosing the next one."""

    order: str
    customer: str
    valves: tuple["ValveLine", ...]
    in_all: int = 0
    """How many valves there are, where not all of them are listed; the others are found by ``find_valve``."""


class ValveLine(Value):
    """One valve of an order and how it stands."""

    serial: str
    valve: str
    state: Literal["to do", "accepted", "rejected", "inconclusive", "void"]


class UnsignedLine(Value):
    """A closed run that its operator has not signed yet."""

    run: str
    serial: str
    operator: str
    statement: str = ""
    """What the operator agrees to."""


class Notice(Value):
    """Something that happened, newest last."""

    at_s: float
    utc: str
    sentence: str
    grave: bool = False


class Update(Value):
    """The whole state as a person needs to see it; sent several times a second and at every change."""

    kind: Literal["update"] = "update"
    sequence: int
    bench: str
    utc: str
    at_s: float
    """The recorder's clock [s]: time since the run began, else since the recorder started."""
    origin: Origin
    signal: Signal
    beside: tuple[ChannelBeside, ...] = ()
    """The other pressure channels of the bench; ``signal`` is the deciding one's."""
    water_degc: float | None = None
    """Temperature of the test water [°C]; None where it is not measured, or its channel is silent."""
    water_fault: str = ""
    """Why its channel is silent; empty where it is not, or where there is none."""
    run: RunView | None = None
    stage: StageView | None = None
    instruction: str
    """What to do next, in the operator's words."""
    cautions: tuple[str, ...] = ()
    actions: tuple[ActionOffered, ...] = ()
    orders: tuple[OrderLine, ...] | None = ()
    """What can be tested next; nothing while a run is open. None: as told before, ``orders_revision`` says when."""
    orders_revision: int = 0
    """Grows whenever ``orders`` becomes another. Whoever missed one asks for it with ``attach``."""
    operators: tuple[str, ...] = ()
    pin_needed: bool = False
    """Whether operators are registered: a run is then started with a PIN."""
    unsigned: tuple[UnsignedLine, ...] = ()
    """Closed runs that wait for their operator's signature: the newest few, newest first."""
    notices: tuple[Notice, ...] = ()
    """The newest few."""
    trace: tuple[tuple[float, float], ...] = ()
    """New points (seconds on the recorder's clock, pressure) since the last update; all of the stage after attach."""
    trace_complete: bool = False
    """True when ``trace`` holds the whole stage so far and replaces what a screen has kept."""

    def signal_of(self, tag: str) -> Signal:
        """How a pressure channel stands; the deciding one where none beside it has this tag."""
        return next((channel.signal for channel in self.beside if channel.tag == tag), self.signal)


Message = Annotated[Update | Answer, Field(discriminator="kind")]
_MESSAGES: TypeAdapter[Update | Answer] = TypeAdapter(Message)


def read_request(line: bytes) -> AnyRequest:
    """One line from a screen.

    Raises:
        RequestUnreadableError: it is no request.
    """
    try:
        return _REQUESTS.validate_json(line)
    except ValidationError as refusal:
        first = refusal.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the line"
        raise RequestUnreadableError(f"{place}: {first['msg']}") from refusal


def read_message(line: bytes) -> Update | Answer:
    """One line from the recorder."""
    return _MESSAGES.validate_json(line)


def write(message: Value) -> bytes:
    """One line for the wire."""
    return message.model_dump_json(exclude_defaults=False, context=ON_THE_WIRE).encode() + b"\n"


def schema() -> dict[str, Any]:
    """JSON schema of requests and messages."""
    return {"requests": _REQUESTS.json_schema(), "messages": _MESSAGES.json_schema(mode="serialization")}
