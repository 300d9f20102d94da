"""Closed runs for the certificate tests: deterministic traces of fill, ramp, settle, hold and release.

``pytest tests/certificate/test_samples.py --update-samples`` draws the pages in reports/samples/ again.
"""

import tomllib
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from testbench.certificate import pkcs12
from testbench.certificate.content import IssueFacts
from testbench.certificate.data import statements
from testbench.certificate.hands import of_persons
from testbench.certificate.issue import sealed_document, unsealed_document
from testbench.certificate.keyring import load_person_key, make_authority
from testbench.certificate.keys import grouped, load_station_key, make_station_key
from testbench.certificate.ledger_key import signed
from testbench.certificate.signing import certify, lock
from testbench.certificate.trust import Anchors
from testbench.metrology.leakage import DropConvention
from testbench.procedure.adoption import Adoption
from testbench.procedure.criteria import LargestLeakageRate, NoVisibleLeakage
from testbench.procedure.requirements import StageRequirement, requirements_for
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import SeatPairing, Valve, ValveType
from testbench.quantities import NominalSize, Pressure, Volume
from testbench.run.evaluation import evaluate_stage, judge_run, rejudged
from testbench.run.machine import Ending
from testbench.run.observations import Collection, Observation, Seen, ZeroCheck
from testbench.run.record import (
    BesideRecord,
    BesideTrace,
    ChannelRecord,
    CrossCheck,
    Origin,
    RunRecord,
    SecondGaugeCheck,
    StageRecord,
    TraceReference,
    UncertaintyPoint,
    Verdict,
    canonical,
    sha256,
)
from testbench.run.samples import TICKS_PER_S, Gap, GapReason, Scale, Trace
from testbench.run.signature import Meaning, Signature, trace_sha256, uuid7
from testbench.station.bench import Works
from testbench.station.sign_off import METHOD, ROLE

PROCEDURE = Path(__file__).parents[2] / "procedures" / "waterworks-swing-check.toml"
STEP = 1000  # ticks: ten readings a second
DAY = date(2026, 11, 25)
WORKS = Works(
    name="Harrow Lane Valve Works",
    address=("12 Harrow Lane", "Port Ellery"),
    contact="certificates@harrow-lane.example",
)
CHANNEL = ChannelRecord(
    tag="PT-101",
    instrument="pressure transmitter 0–1000 psi",
    serial="T-0042",
    scale=Scale(unit="psi", decimals=2, zero_millicounts=8250),
    certificate_number="CAL-26-0311",
    laboratory="Saltmarsh Calibration Laboratory",
    calibrated_on=date(2026, 3, 11),
    due_on=date(2027, 3, 10),
    lowest=Pressure.parse("0 psi"),
    highest=Pressure.parse("1000 psi"),
    expanded_uncertainty=Pressure.parse("1 psi"),
)
REGISTERED = CHANNEL.model_copy(update={
    "certificate_number": "SCL-26-0411",
    "scale": CHANNEL.scale.model_copy(update={"gain": "0.998003915"}),
    "uncertainty_points": tuple(
        UncertaintyPoint.model_validate({"at": f"{psi} psi", "expanded_uncertainty": f"{u} psi"})
        for psi, u in ((0, "0.05"), (250, "0.24"), (500, "0.304"), (1000, "0.06"))
    ),
    "expanded_uncertainty": Pressure.parse("0.304 psi"),
    "second_gauge": SecondGaugeCheck.model_validate({
        "gauge": "test gauge G-07", "at": "2026-11-25T07:41:00+00:00", "by": "Mara Quill", "indicated": "250.31 psi",
        "uncertainty": "1 psi", "gauge_indicated": "250 psi", "gauge_uncertainty": "1.5 psi",
    }),
})  # fmt: skip
SECOND = CHANNEL.model_copy(update={
    "tag": "PT-102", "serial": "T-0043", "certificate_number": "CAL-26-0312",
    "expanded_uncertainty": Pressure.parse("1.5 psi"),
})  # fmt: skip
ZERO = ZeroCheck(at=0, samples=50, mean_millicounts=8250, passed=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    """An option of this folder only."""
    parser.addoption("--update-samples", action="store_true", help="Draw reports/samples/ again.")


ADOPTION = Adoption(
    procedure="waterworks-swing-check", revision="1", sha256=sha256(PROCEDURE.read_bytes()),
    adopted_by="Tobin Ashe", at="2026-09-01T09:00:00+00:00", confirmed=(),
)  # fmt: skip


@dataclass(frozen=True)
class Attempt:
    """How one attempt at a stage went."""

    hold_s: float | None = None
    """None: as long as required (a collection may keep it longer)."""
    above: float = 8.0
    """How far above the required pressure the hold starts [psi]."""
    decay_per_min: float = 0.6
    vent_again: bool = False
    ended: Ending = Ending.COMPLETED
    reason: str = ""
    restarts: int = 0
    seen: Seen = Seen.NO_LEAKAGE
    where: str = ""
    caught: str = "0.4 mL"
    drops: int | None = None
    collect_s: float = 45.0
    then: tuple[tuple[str, float], ...] = ()
    """What was caught after that in the extended hold, and for how long [s]."""
    concluded: bool = False
    """Ended on leakage before the hold was over."""
    gap: tuple[float, float] | None = None
    """Seconds after the start of the hold."""
    rejected_lines: int = 0


@dataclass(frozen=True)
class Story:
    """A whole run in short."""

    serial: str = "HL-4-0117"
    nps: str = "4"
    seat: SeatPairing = SeatPairing.METAL
    pairing: str = "bronze on bronze"
    number: int = 1
    shell: tuple[Attempt, ...] = (Attempt(),)
    seat_test: tuple[Attempt, ...] = (Attempt(above=4.0, decay_per_min=0.2),)
    origin: Origin = Origin.SIMULATED
    adopted: bool = True
    started: datetime = datetime(2026, 11, 25, 8, 14, 2, 120_000, tzinfo=UTC)
    customer: str = "Ellery Water Board"
    customer_order: str = "EWB-7733"
    channel: ChannelRecord = CHANNEL
    compared: bool = False
    """Whether a second transmitter was read beside the first."""
    people: bool = False
    """Whether Mara Quill was authenticated and signed, and, where it is accepted, Tobin Ashe released it."""
    valve: dict[str, str] = field(default_factory=dict)
    answered_in: int | None = None
    """How long the transmitter takes to answer a query [ticks]; None: it talks by itself."""


@dataclass(frozen=True)
class Run:
    """A closed run with everything a certificate needs."""

    record: RunRecord
    traces: tuple[Trace, ...]
    signed: tuple[Signature, ...] = ()

    @property
    def sha256(self) -> str:
        return sha256(canonical(self.record))


def tell(story: Story) -> Run:
    """Make the record and the traces of a story; findings come from the real evaluation."""
    valve = Valve(
        serial=story.serial, type=ValveType.SWING_CHECK, size=NominalSize.from_nps(story.nps),
        rated=Pressure.parse("250 psi"), seat=story.seat, seat_pairing=story.pairing,
        **{"ends": "flanged", "product": "swing check valve, ductile iron", **story.valve},
    )  # fmt: skip
    procedure = Procedure.model_validate(tomllib.loads(PROCEDURE.read_text(encoding="utf-8")))
    asked = requirements_for(procedure, valve)
    noise = np.random.default_rng(story.number)
    tick, stages, traces = 200_000, [], []
    for requirement, attempts in zip(asked.stages, (story.shell, story.seat_test), strict=True):
        for number, attempt in enumerate(attempts, start=1):
            stage, trace = _attempt(requirement, attempt, number, tick, story, noise)
            stages.append(stage)
            traces.append(trace)
            tick = stage.until + 300_000
    started = story.started
    ended = datetime.fromtimestamp(started.timestamp() + tick / TICKS_PER_S, tz=UTC)
    record = RunRecord(
        run=f"B1-2026-{story.number:04d}", bench="B1", works=WORKS.name, origin=story.origin,
        software="0.1.0", order="HL-2041", customer=story.customer, customer_order=story.customer_order,
        operator="Mara Quill", valve=valve, requirements=asked, procedure_sha256=sha256(PROCEDURE.read_bytes()),
        channel=story.channel, zero_check=ZERO, started=_iso(started), ended=_iso(ended), utc_offset_minutes=60,
        stages=tuple(stages), verdict=None, reason="", adoption=ADOPTION if story.adopted else None,
    )  # fmt: skip
    if story.compared:
        record, traces = _with_second(record, traces)
    verdict, reason = judge_run(record)
    record = record.model_copy(update={"verdict": verdict, "reason": reason})
    if not story.people:
        return Run(record, tuple(traces))
    record = record.model_copy(update={"operator_id": "quill"})
    signed = [signed_by(record, "quill", "Mara Quill", Meaning.PERFORMED, 1)]
    if verdict is Verdict.ACCEPTED:
        signed.append(signed_by(record, "ashe", "Tobin Ashe", Meaning.RELEASED, 9))
    return Run(record, tuple(traces), tuple(signed))


def signed_by(record: RunRecord, person: str, name: str, meaning: Meaning, minutes: int) -> Signature:
    """A signature some minutes after the end of a run."""
    at = datetime.fromisoformat(record.ended) + timedelta(minutes=minutes)
    return Signature(
        id=uuid7(int(at.timestamp() * 1000), 41 * minutes), person=person, printed_name=name, role=ROLE[meaning],
        meaning=meaning, statement=statements()[meaning].format(
            run=record.run, serial=record.valve.serial, verdict=record.verdict
        ),
        signed_at=_iso(at), utc_offset_minutes=60, clock_status="not set since 2026-11-25T05:58:12.004Z", bench="B1",
        method=METHOD[meaning], subject="run", subject_id=record.run, record_sha256=sha256(canonical(record)),
        trace_sha256=trace_sha256(stage.trace.sha256 for stage in record.stages),
    )  # fmt: skip


def _with_second(record: RunRecord, traces: list[Trace]) -> tuple[RunRecord, list[Trace]]:
    """The run as it is with a second transmitter that reads 0.3 psi more, 4 ms later, and is compared."""
    second = BesideRecord(channel=SECOND, zero_check=ZERO)
    record = record.model_copy(
        update={"beside": (second,), "cross_checks": (CrossCheck(channels=("PT-101", "PT-102")),)}
    )
    both = [
        replace(trace, beside=(Trace(trace.at + 40, trace.counts + 30 * (trace.counts > 5000), trace.gaps),))
        for trace in traces
    ]
    stages = []
    for stage, trace in zip(record.stages, both, strict=True):
        (read,) = trace.beside
        named = TraceReference(samples=len(read), sha256=read.sha256())
        stages.append(stage.model_copy(update={"beside": (BesideTrace(tag="PT-102", gaps=read.gaps, trace=named),)}))
    return rejudged(record.model_copy(update={"stages": tuple(stages)}), both), both


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _attempt(
    asked: StageRequirement,
    attempt: Attempt,
    number: int,
    since: int,
    story: Story,
    noise: np.random.Generator,
) -> tuple[StageRecord, Trace]:
    channel = story.channel
    rate = next((c for c in asked.criteria if isinstance(c, LargestLeakageRate)), None)
    required = asked.required.to(channel.scale.unit)
    hold_s = attempt.hold_s or max(float(asked.hold_s), (rate.settle_s + 2 + attempt.collect_s + 1) if rate else 0.0)
    hold_s += sum(seconds + 2 for _, seconds in attempt.then)
    pressures = [np.zeros(80)]
    if attempt.vent_again:  # trapped air: slow rise, drift, release to vent
        pressures += [
            _ramp(0, required + 6, 300),
            required + 6 - 9 * (1 - np.exp(-np.arange(700) / 260)),
            _ramp(required - 3, 0, 60),
            np.zeros(250),
        ]
    top = required + attempt.above
    pressures += [_ramp(0, top + 3, 160), top + 3 * np.exp(-np.arange(280) / 60)]
    begun = sum(map(len, pressures))
    pressures += [top - attempt.decay_per_min / 600 * np.arange(int(hold_s * 10) + 2)]  # jitter may not shorten it
    over = sum(map(len, pressures)) - 1
    last = pressures[-1][-1]
    pressures += [last + np.zeros(60), _ramp(last, 0.2, 70), 0.2 + np.zeros(40)]
    curve = np.concatenate(pressures)
    curve = curve + noise.normal(0, 0.05, len(curve))
    scale = channel.scale
    counts = np.rint(curve / float(scale.gain) * 10**scale.decimals + scale.zero_millicounts / 1000).astype(np.int64)
    at = since + np.arange(len(curve), dtype=np.int64) * STEP + noise.integers(-30, 30, len(curve))
    at[0] = since
    hold_since, hold_until = int(at[begun]), int(at[over])
    gaps: tuple[Gap, ...] = ()
    if attempt.gap is not None:
        silent, back = (hold_since + int(s * TICKS_PER_S) for s in attempt.gap)
        kept = (at <= silent) | (at >= back)
        at, counts = at[kept], counts[kept]
        gaps = (Gap(since=silent, until=back, reason=GapReason.SILENT),)
    trace = Trace(at, counts, gaps, None if story.answered_in is None else at - story.answered_in)
    until = int(at[-1])
    observed, collected = _answers(asked, attempt, hold_since, hold_until)
    held = attempt.ended is Ending.COMPLETED and not attempt.concluded
    stage = StageRecord(
        stage=asked.stage, attempt=number, requirement=asked, since=since, until=until, ended=attempt.ended,
        reason=attempt.reason, hold_since=hold_since if held else None, hold_until=hold_until if held else None,
        restarts=attempt.restarts + (1 if attempt.concluded else 0), observations=observed, collections=collected,
        gaps=gaps, rejected_lines=attempt.rejected_lines,
        trace=TraceReference(samples=len(trace), sha256=trace.sha256()), finding=None,
    )  # fmt: skip
    finding = evaluate_stage(stage, trace, channel, ZERO, DAY)
    return stage.model_copy(update={"finding": finding}), trace


def _ramp(first: float, last: float, samples: int) -> np.ndarray:
    return first + (last - first) * (1 - np.cos(np.pi * np.arange(samples) / samples)) / 2


def _answers(
    asked: StageRequirement, attempt: Attempt, since: int, until: int
) -> tuple[tuple[Observation, ...], tuple[Collection, ...]]:
    if attempt.ended is not Ending.COMPLETED:
        return (), ()
    observed, collected = [], []
    for index, criterion in enumerate(asked.criteria):
        if isinstance(criterion, NoVisibleLeakage):
            at = since + 150_000 if attempt.concluded else until + 20_000
            observed.append(
                Observation(at=at, criterion=index, seen=attempt.seen, where=attempt.where, operator="Mara Quill")
            )
        elif not attempt.concluded:
            began = since + (criterion.settle_s + 2) * TICKS_PER_S
            volume = Volume.parse(attempt.caught) if attempt.drops is None else DropConvention(16).volume(attempt.drops)
            collected.append(
                Collection(
                    since=began, until=began + int(attempt.collect_s * TICKS_PER_S), volume=volume,
                    volume_uncertainty=Volume.parse("0.2 mL"), drops=attempt.drops,
                    drops_per_ml=None if attempt.drops is None else "16", operator="Mara Quill",
                )
            )  # fmt: skip
    for volume, seconds in attempt.then:
        began = collected[-1].until + 2 * TICKS_PER_S
        told = {"since": began, "until": began + int(seconds * TICKS_PER_S), "volume": Volume.parse(volume)}
        collected.append(collected[-1].model_copy(update=told))
    return tuple(observed), tuple(collected)


ACCEPTED_NPS_4 = Story()
REJECTED_NPS_6 = Story(
    serial="HL-6-0118", nps="6", number=2, started=datetime(2026, 11, 25, 8, 41, 30, tzinfo=UTC),
    seat_test=(Attempt(above=4.0, decay_per_min=0.4, caught="6.2 mL", collect_s=40.0),),
)  # fmt: skip
ACCEPTED_NPS_8 = Story(
    serial="HL-8-0119", nps="8", number=3, seat=SeatPairing.RESILIENT, pairing="EPDM on ductile iron, epoxy coated",
    started=datetime(2026, 11, 25, 9, 12, 5, tzinfo=UTC), shell=(Attempt(vent_again=True),),
    seat_test=(Attempt(above=4.0, decay_per_min=0.3),),
)  # fmt: skip


EXTENDED_NPS_4 = Story(
    number=4, seat_test=(Attempt(above=4.0, decay_per_min=0.2, caught="1.4 mL", then=(("3.2 mL", 120.0),)),)
)  # fmt: skip


CHECKPOINT = signed(
    Ed25519PrivateKey.from_private_bytes(bytes(range(32))), bench="B1", n=1234, head=sha256(b"the entry before"),
    at=1_795_600_000_000_000,
)  # fmt: skip


@pytest.fixture(scope="session")
def bench() -> SimpleNamespace:
    """The story-teller and its words, for tests in this folder."""
    return SimpleNamespace(
        tell=tell, Story=Story, Attempt=Attempt, replace=replace, works=WORKS, channel=CHANNEL, registered=REGISTERED,
        accepted_nps_4=ACCEPTED_NPS_4, rejected_nps_6=REJECTED_NPS_6, accepted_nps_8=ACCEPTED_NPS_8,
        extended_nps_4=EXTENDED_NPS_4, signed_by=signed_by, checkpoint=CHECKPOINT,
    )  # fmt: skip


@pytest.fixture(scope="session")
def accepted(bench: SimpleNamespace) -> Run:
    """The accepted NPS 4 valve."""
    return tell(ACCEPTED_NPS_4)


@pytest.fixture(scope="session")
def rejected(bench: SimpleNamespace) -> Run:
    """The rejected NPS 6 valve."""
    return tell(REJECTED_NPS_6)


AT = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)


@pytest.fixture(scope="session")
def at() -> datetime:
    """The station's time of day."""
    return AT


@pytest.fixture(scope="session")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a station key made for these tests."""
    folder = tmp_path_factory.mktemp("home") / "keys"
    make_station_key(folder, "B1", WORKS.name, AT)
    return folder


@pytest.fixture(scope="session")
def sealed(keys: Path, accepted: Run) -> bytes:
    """The sealed certificate of the accepted NPS 4 valve."""
    key = load_station_key(keys)
    return sealed_document(
        accepted.record, accepted.sha256, accepted.traces, works=WORKS, paper="A4", key=key, at=AT,
        checkpoint=CHECKPOINT,
    )  # fmt: skip


class OnePassphrase:
    """Answers every question alike."""

    def __init__(self, secret: str = "correct horse battery") -> None:
        self.secret = secret

    def known(self, what: str) -> str:
        return self.secret

    chosen = known


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """A works with an authority, a station and two persons, under fewer rounds than in earnest."""
    folder, ask = tmp_path_factory.mktemp("works"), OnePassphrase()
    keys = folder / "home" / "keys"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pkcs12, "ROUNDS", 1000)
        made = make_authority(keys, folder / "root", WORKS.name, AT, ask)
        made.issue_station("B1", WORKS.name, AT, ask, plain=False)
        for name in ("Mara Quill", "Tobin Ashe"):
            made.issue_person(name, WORKS.name, AT, ask)
    return SimpleNamespace(
        folder=folder, keys=keys, root_dir=folder / "root", made=made, ask=ask, anchors=Anchors((made.root,)),
        station=load_station_key(keys, ask), operator=load_person_key(keys, "Mara Quill", ask),
        reviewer=load_person_key(keys, "Tobin Ashe", ask),
    )  # fmt: skip


@pytest.fixture(scope="session")
def unsealed(accepted: Run, authority: SimpleNamespace) -> bytes:
    """The certificate of the accepted NPS 4 valve before anybody signed it."""
    station = authority.station
    facts = IssueFacts(WORKS, AT, station.signer, grouped(station.fingerprint), checkpoint=CHECKPOINT)
    return unsealed_document(accepted.record, accepted.sha256, accepted.traces, facts, "A4")


@pytest.fixture(scope="session")
def unsealed_for_persons(accepted: Run, authority: SimpleNamespace) -> bytes:
    """The same page, which names operator and reviewer as those who sign it."""
    hands = of_persons(authority.operator, authority.reviewer, authority.anchors)
    facts = IssueFacts(WORKS, AT, hands.signer, hands.fingerprint, checkpoint=CHECKPOINT)
    return unsealed_document(accepted.record, accepted.sha256, accepted.traces, facts, "A4")


@pytest.fixture(scope="session")
def certified(unsealed_for_persons: bytes, authority: SimpleNamespace) -> bytes:
    """Signed by the operator, open for the reviewer."""
    return certify(unsealed_for_persons, authority.operator, AT)


@pytest.fixture(scope="session")
def locked(certified: bytes, authority: SimpleNamespace) -> bytes:
    """Signed by operator and reviewer."""
    return lock(certified, authority.reviewer, AT)
