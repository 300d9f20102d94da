"""What a run begins with, and what the operator reads off a vessel: facts brought together, nothing decided."""

from collections.abc import Sequence
from datetime import datetime

from testbench.errors import ObservationRefusedError
from testbench.procedure.adoption import Adoption
from testbench.procedure.criteria import Counted, LargestLeakageRate
from testbench.procedure.report_form import ReportForm
from testbench.procedure.requirements import Requirements
from testbench.procedure.valve import Order, Valve
from testbench.quantities import Temperature
from testbench.run.blanks import usable
from testbench.run.observations import Collection, ZeroCheck
from testbench.run.progress import Happening
from testbench.run.recall import RecallLine, check_fit_for_use
from testbench.run.record import BesideRecord, BlankRun, ChannelRecord, EarlierRun, Origin, RunRecord
from testbench.station import readiness
from testbench.station.bench import Bench, CollectingVessel
from testbench.station.current_run import iso
from testbench.station.messages import Collected


def opening_record(  # noqa: PLR0917 - the facts of a run come from many sides
    bench: Bench,
    order: Order,
    valve: Valve,
    requirements: Requirements,
    channel: ChannelRecord,
    zero: ZeroCheck,
    at: datetime,
    *,
    operator: str,
    operator_id: str = "",
    origin: Origin,
    software: str,
    procedure_sha256: str,
    adoption: Adoption | None,
    earlier: tuple[EarlierRun, ...],
    blanks: tuple[BlankRun, ...] = (),
    water: Temperature | None = None,
    beside: tuple[BesideRecord, ...] = (),
) -> RunRecord:
    """The record of a run as it is opened: all but its stages and its end."""
    offset = at.astimezone().utcoffset()
    return RunRecord(
        run="",
        bench=bench.name,
        works=bench.works.name,
        origin=origin,
        software=software,
        order=order.number,
        customer=order.customer,
        customer_order=order.customer_order,
        operator=operator,
        valve=valve,
        requirements=requirements,
        procedure_sha256=procedure_sha256,
        adoption=adoption,
        channel=channel.with_zero(zero.mean_millicounts),
        zero_check=zero.model_copy(update={"at": 0}),
        started=iso(at),
        ended="",
        utc_offset_minutes=int(offset.total_seconds() // 60) if offset else 0,
        stages=(),
        verdict=None,
        reason="",
        earlier=earlier,
        blanks=usable(blanks, requirements, bench.name, origin, at.date()),
        water_temperature=water,
        beside=beside,
        cross_checks=tuple(check.record for check in bench.cross_check),
        operator_id=operator_id,
        witness_points=order.witness_points,
        certificate_type=order.certificate_type,
        report=form_of(bench, order),
    )


def form_of(bench: Bench, order: Order) -> ReportForm | None:
    """The form of the documents: the bench's, in the order's language where it names one."""
    if order.language is None:
        return bench.report
    return (bench.report or ReportForm()).model_copy(update={"language": order.language})


def texts_of(valve: Valve) -> tuple[str, ...]:
    """What a document will print of a valve in the order's own words."""
    return valve.serial, valve.seat_pairing, valve.ends, valve.product, valve.drawing, valve.heat_numbers


def check_basis(opening: RunRecord, recalls: Sequence[RecallLine]) -> None:
    """Refuse a run that would rest on a recalled calibration or procedure.

    Raises:
        RecalledInUseError: names the recall.
    """
    asked = opening.requirements
    channels = (opening.channel, *(one.channel for one in opening.beside))
    calibrations = [(one.certificate_number, one.serial) for one in channels]
    adopted_at = opening.adoption.at if opening.adoption else None
    check_fit_for_use(recalls, (asked.procedure, asked.revision), adopted_at, calibrations)


def texts_of_order(order: Order) -> tuple[str, ...]:
    """What a document will print of an order in its own words."""
    points = (text for point in order.witness_points for text in (point.party, point.notify))
    return order.number, order.customer, order.customer_order, *points


def said_at_opening(run: RunRecord) -> list[Happening]:
    """What the journal and the screens hear of a run that was opened."""
    said = [Happening(0, "run opened", f"Run {run.run} of {run.valve.serial} opened by {run.operator}.")]
    said += [
        Happening(0, "earlier run", f"Run {old.run} of this valve: {old.verdict or 'void'}. {old.reason}")
        for old in run.earlier
    ]
    said += [Happening(0, "gauge range", line) for line in readiness.unsuited_ranges(run.channel, run.requirements)]
    if run.origin is Origin.LIVE and run.adoption is None:
        sentence = f"Procedure {run.requirements.procedure} is not adopted: every page of this run is a SPECIMEN."
        said.append(Happening(0, "not adopted", sentence))
    return said


def caught(request: Collected, asked: LargestLeakageRate | None, vessel: CollectingVessel, operator: str) -> Collection:
    """What the operator read, as a volume with its uncertainty; a count by the standard's convention.

    Raises:
        ObservationRefusedError: a volume was given where bubbles are counted.
    """
    counted = asked.counted if asked is not None else None
    by = counted or Counted(what="drops", per_ml=str(vessel.drops_per_ml), convention="of this bench")
    if request.drops is None and counted is not None and counted.what == "bubbles":
        raise ObservationRefusedError("a volume was given", "this limit is a count of bubbles")
    volume, uncertainty = request.volume, vessel.volume_uncertainty
    if request.drops is not None:
        volume = by.volume(request.drops)
        uncertainty = by.volume(1) if counted is not None else uncertainty
    return Collection(
        since=0,
        until=0,
        volume=volume,
        volume_uncertainty=uncertainty,
        drops=request.drops,
        drops_per_ml=by.per_ml if request.drops is not None else None,
        operator=operator,
    )
