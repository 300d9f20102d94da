"""Nonconformities and recalls of a home: who enters them, files brought in and out, and what a recall reaches."""

import os
import stat
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import TypeAdapter, ValidationError

from testbench.errors import AttachmentRefusedError, EntryRefusedError, ExportRefusedError, RecallEmptyError
from testbench.identity import somebody_of
from testbench.run.attachments import displayed_name, media_type_of
from testbench.run.nonconformity import Nonconformity, Said, Step, What
from testbench.run.recall import Lifting, Recall, RecalledRun, RecallLine
from testbench.run.record import Origin
from testbench.run.signature import Role
from testbench.station.withdrawals import number_of
from testbench.wiring import Home, open_store, read_store

if TYPE_CHECKING:
    from testbench.run.record import RunRecord
    from testbench.station.people import Person
    from testbench.station.register import AsFound, Assessment, Reports
    from testbench.store.nonconformities import EnteredBy
    from testbench.store.reading import RunReader

ENTER = (Role.OPERATOR, Role.REVIEWER, Role.ENGINEER)
"""Who may add notes, files and reworks."""
DECIDE = (Role.REVIEWER, Role.ENGINEER)
"""Who may open by hand, decide a disposition, close and recall."""
LIFT = (Role.ENGINEER,)
MB = 1_000_000
NO_NUMBER = "RC-new-000000"
"""Of a recall that is not kept yet."""


@dataclass(frozen=True, slots=True)
class Somebody:
    """Who enters something at a bench, not yet known to be that person."""

    home: Home
    by: str
    """Id or printed name."""
    ask: Callable[[str], str]
    """Asks for a secret."""

    def entered(self, roles: tuple[Role, ...]) -> "EnteredBy":
        """Who enters it and when, once the person has shown to be it and to have one of these roles."""
        return _entered(*somebody_of(self.home, checked(self.by, "name"), roles, self.ask))


def entered_by(person: "Person") -> "EnteredBy":
    """Who enters something now, just authenticated."""
    return _entered(person.name, person.id)


def _entered(name: str, its_id: str) -> "EnteredBy":
    from testbench.instruments.clocks import SystemClock
    from testbench.station.current_run import iso
    from testbench.store.nonconformities import EnteredBy

    return EnteredBy(iso(SystemClock().utc()), name, its_id)


def add_entry(who: Somebody, number: str, what: What) -> Nonconformity:
    """Add an entry to a nonconformity.

    Raises:
        BenchError: whoever enters it is not known or may not; there is no such nonconformity; the entry may not follow.
    """
    entered = who.entered(ENTER if what.step in {Step.NOTED, Step.REWORKED} else DECIDE)
    with open_store(who.home) as store:
        found = store.nonconformity(number)
        return store.add_to_nonconformity(number, what, not_before(found, entered))


def open_by_hand(who: Somebody, run: str, why: str) -> Nonconformity:
    """Open a nonconformity for a closed run that none was opened for.

    Raises:
        BenchError: it has one; whoever opens it is not known or may not.
    """
    said = checked(why, "nonconformity")
    entered = who.entered(DECIDE)
    with open_store(who.home) as store:
        record, _ = store.load(run)
        return store.open_nonconformity(record, said, entered)


def left_of(home: Home, run: str) -> tuple[str, ...]:
    """Numbers of the documents that were written of a run."""
    with read_store(home) as store:
        return tuple(dict.fromkeys(number_of(one.path) for one in store.documents_of(run)))


def attach_file(who: Somebody, number: str, path: Path) -> Nonconformity:
    """Attach the content of a file.

    Raises:
        AttachmentRefusedError: it is too large, no ordinary file, or cannot be read.
        BenchError: as ``add_entry``.
    """
    limit = who.home.bench().nonconformity.largest_attachment_mb * MB
    data = read_file(path, limit)
    entered = who.entered(ENTER)
    with open_store(who.home) as store:
        found = store.nonconformity(number)
        entered = not_before(found, entered)
        return store.attach(number, displayed_name(os.fsdecode(path)), media_type_of(data), data, entered)


def read_file(path: Path, limit: int) -> bytes:
    """The content of an ordinary file; one that is too large is refused before anything of it is read.

    Args:
        path: a symbolic link is followed.
        limit: bytes.

    Raises:
        AttachmentRefusedError: says why.
    """
    shown = displayed_name(os.fsdecode(path))
    try:
        _check_file(shown, path.stat(), limit)
        # A name may come to mean something else between the two: never wait for a pipe that nobody writes to.
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK), "rb") as file:
            _check_file(shown, os.fstat(file.fileno()), limit)
            data = file.read(limit + 1)
    except (OSError, ValueError) as failure:
        said = failure.strerror if isinstance(failure, OSError) else str(failure)
        raise AttachmentRefusedError(shown, f"it cannot be read ({said})") from failure
    if len(data) > limit:
        raise AttachmentRefusedError(shown, f"it grew beyond {limit // MB} MB while it was read")
    return data


def _check_file(shown: str, found: os.stat_result, limit: int) -> None:
    if not stat.S_ISREG(found.st_mode):
        kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
        kind = next((name for fits, name in kinds if fits(found.st_mode)), "a device")
        raise AttachmentRefusedError(shown, f"it is {kind}")
    if found.st_size == 0:
        raise AttachmentRefusedError(shown, "it is empty")
    if found.st_size > limit:
        raise AttachmentRefusedError(
            shown, f"it has {-(-found.st_size // MB)} MB, at most {limit // MB} MB are allowed"
        )


def export_attachment(home: Home, number: str, attachment: int, to: Path) -> int:
    """Write the content of an attachment to a new file; gives its size in bytes.

    Raises:
        ExportRefusedError: the file is there already, or cannot be written.
    """
    with read_store(home) as store:
        _, data = store.attachment(number, attachment)
    try:
        with to.open("xb") as file:
            file.write(data)
    except FileExistsError as failure:
        raise ExportRefusedError(str(to), "it is there already and is not overwritten") from failure
    except (OSError, ValueError) as failure:
        raise ExportRefusedError(str(to), str(failure)) from failure
    return len(data)


# Recalls ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reach:
    """What a recall would name, before it is kept."""

    subject: str
    detail: str
    sentence: str
    """How the runs were found."""
    runs: tuple[RecalledRun, ...]
    unfit: bool = True
    """Whether what is named is itself not to be used any more."""


def recall_calibration(
    who: Somebody, certificate: str, serial: str | None, why: str, *, withdrawn: bool
) -> tuple[Recall, str]:
    """Recall what a calibration undoes.

    Where its as-found result shows the instrument out of tolerance, that is the accepted runs since the last good
    calibration whose acceptance cannot stand, or whose leakage was judged by pressure decay; else every run that was
    measured on it.

    Args:
        who: a reviewer or engineer.
        certificate: its number.
        serial: of the instrument, where several have a certificate of this number.
        why: the reason.
        withdrawn: the calibration itself is withdrawn, whatever it found.

    Raises:
        RecallEmptyError: no run is affected.
        BenchError: whoever recalls is not known or may not.

    Returns:
        The recall, and how its runs were found.
    """
    said = checked(why, "recall")
    with read_store(who.home) as store:
        reach = None if withdrawn else _reach_as_found(who.home, store, certificate, serial)
        reach = reach or _reach_of_certificate(store, certificate, serial)
    return _recall(who, "calibration", reach, said)


def recall_procedure(who: Somebody, procedure: str, revision: str, why: str) -> tuple[Recall, str]:
    """Recall every accepted run under a procedure; its revision empty: under any. Errors as above."""
    said = checked(why, "recall")
    with read_store(who.home) as store:
        runs = store.runs_relying_on("procedure", subject=procedure, detail=revision)
        told = f"tested under {procedure}"
        named = _named(store, runs, lambda record: f"{told}, revision {record.requirements.revision}")
        under = f"{procedure}@{revision}" if revision else f"{procedure}, any revision"
        reach = Reach(procedure, revision, f"every accepted run under {under}", tuple(named))
    return _recall(who, "procedure", reach, said)


def lift_recall(who: Somebody, number: str, why: str) -> RecallLine:
    """Lift a recall with a reason; an engineer does."""
    said = checked(why, "lifting")
    entered = who.entered(LIFT)
    lifting = Lifting(number=number, why=said, at=entered.at, by=entered.name, by_id=entered.id)
    with open_store(who.home) as store:
        return store.lift_recall(lifting)


def _recall(who: Somebody, of: str, reach: Reach, why: str) -> tuple[Recall, str]:
    if not reach.runs:
        raise RecallEmptyError(of, reach.subject, f"there is none among {reach.sentence}")
    entered = who.entered(DECIDE)
    recall = Recall.model_validate({
        "number": NO_NUMBER, "of": of, "subject": reach.subject, "detail": reach.detail, "why": why, "at": entered.at,
        "by": entered.name, "by_id": entered.id, "runs": reach.runs, "unfit": reach.unfit,
    })  # fmt: skip
    with open_store(who.home) as store:
        return store.add_recall(recall), reach.sentence


def _reach_of_certificate(store: "RunReader", certificate: str, serial: str | None) -> Reach:
    runs = store.runs_relying_on("calibration", subject=certificate, detail=serial or "")

    def why(record: "RunRecord") -> str:
        beside = record.channel.certificate_number != certificate
        tags = [one.channel.tag for one in record.beside if one.channel.certificate_number == certificate]
        return f"read beside by {', '.join(tags)} on {certificate}" if beside else f"measured on {certificate}"

    sentence = f"every accepted run measured on {certificate}"
    return Reach(certificate, serial or "", sentence, tuple(_named(store, runs, why)))


def _reach_as_found(home: Home, store: "RunReader", certificate: str, serial: str | None) -> Reach | None:
    """None where the register does not hold it, or the instrument came to it in tolerance."""
    from testbench.station.register import assess, current

    reports = store.calibrations()
    known = [
        one for one in current(reports) if one.certificate_number == certificate and serial in {None, one.serial}
    ]  # fmt: skip
    if len(known) != 1:
        return None
    found = assess(known[0], reports, home.bench().channel_with(known[0].serial))
    if found.as_found is None or found.as_found.passed is not False:
        return None
    since = "the beginning" if found.old is None else f"{found.old.calibrated_on}"
    sentence = f"the accepted runs since {since} that the error found at {certificate} undoes"
    named = _undone(store, reports, found, found.as_found)
    return Reach(certificate, known[0].serial, sentence, tuple(named), unfit=False)


def _undone(store: "RunReader", reports: "Reports", found: "Assessment", errors: "AsFound") -> Iterator[RecalledRun]:
    from testbench.run.record import Verdict
    from testbench.station.impact import impact_on, questioned
    from testbench.store.nonconformities import recalled_run

    report = found.report
    for record, document in store.records_of(store.runs_relying_on("calibration", detail=report.serial)):
        if record.verdict is not Verdict.ACCEPTED or not questioned(record, report, reports, found.old):
            continue
        if record.channel.serial != report.serial:
            yield recalled_run(record, "read beside with the error that was found", _documents(store, record, document))
            continue
        stages = impact_on(record, document, errors).stages
        told = [stage.sentence for stage in stages if stage.affected or stage.by_decay]
        if told:
            yield recalled_run(record, "; ".join(told), _documents(store, record, document))


def _named(store: "RunReader", runs: tuple[str, ...], why: "Callable[[RunRecord], str]") -> Iterator[RecalledRun]:
    """The accepted ones: nothing rests on the acceptance of another."""
    from testbench.run.record import Verdict
    from testbench.store.nonconformities import recalled_run

    for record, document in store.records_of(runs):
        if record.verdict is Verdict.ACCEPTED:
            yield recalled_run(record, why(record), _documents(store, record, document))


def _documents(store: "RunReader", record: "RunRecord", newest: str) -> list[str]:
    return [one.path for one in store.documents_of(record.run)] if newest else []


# Words and times ---------------------------------------------------------------------------------


def not_before(found: Nonconformity, entered: "EnteredBy") -> "EnteredBy":
    """A rig's clock runs ahead of ours: what is said of its runs is not dated before them."""
    if found.opened.origin is Origin.LIVE:
        return entered
    return entered._replace(at=max(entered.at, found.entries[-1].at))


def checked(text: str, what: str) -> str:
    """What somebody wrote, as it is kept.

    Raises:
        EntryRefusedError: it is empty, too long, or holds signs that cannot be seen.
    """
    try:
        return TypeAdapter[str](Said).validate_python(text)
    except ValidationError as failure:
        raise EntryRefusedError(what, _plainly(failure.errors()[0]["msg"])) from None


def entry_of(facts: Mapping[str, object]) -> What:
    """An entry of what was given; ``step`` says which.

    Raises:
        EntryRefusedError: it is incomplete, or cannot be read.
    """
    try:
        return TypeAdapter[What](What).validate_python(facts)
    except ValidationError as failure:
        first = failure.errors()[0]
        field = "".join(f"{part}: " for part in first["loc"][1:2])
        raise EntryRefusedError(f"entry '{facts['step']}'", field + _plainly(first["msg"])) from None


def _plainly(message: str) -> str:
    return message.removeprefix("Value error, ").removesuffix(".")
