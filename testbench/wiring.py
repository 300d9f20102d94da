"""Configuration to objects: the only place that knows all of the edges."""

import fcntl
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from testbench.errors import (
    AdoptionIncompleteError,
    HomeExistsError,
    HomeNotWritableError,
    RecorderBusyError,
    RecorderNotRunningError,
    RecorderRunningError,
    RecorderStartFailedError,
)

if TYPE_CHECKING:
    from testbench.link.client import LinkClient
    from testbench.procedure.adoption import Adoption
    from testbench.procedure.stages import Procedure
    from testbench.run.record import BlankRun, ChannelRecord, RunRecord
    from testbench.run.samples import Trace
    from testbench.run.signature import Signature
    from testbench.station.bench import Bench
    from testbench.store.reading import RunReader
    from testbench.store.repository import SqliteStore

T = TypeVar("T")

RECORDER_START_S = 15.0
GREETING_S = 5.0


@dataclass(frozen=True, slots=True)
class Home:
    """Where everything of one bench lies."""

    folder: Path

    @property
    def database(self) -> Path:
        """The records."""
        return self.folder / "testbench.db"

    @property
    def keys(self) -> Path:
        """The station key with its certificate, and the key of the ledger."""
        return self.folder / "keys"

    @property
    def certificates(self) -> Path:
        """Issued documents."""
        return self.folder / "certificates"

    def bench(self) -> "Bench":
        """Read bench.toml.

        Raises:
            FileRefusedError: it breaks a rule.
            LanguageUnknownError, UnitsUnknownError: no document could be drawn in its [report].
        """
        from testbench.procedure_files.loader import load_bench

        found = load_bench(self.folder)
        if found.report is not None:
            from testbench.certificate.languages import check_form

            check_form(found.report)
        return found


def make_home(folder: Path, bench_toml: str | None = None) -> Home:
    """Make a bench home: folders, configuration, keys, empty records.

    Raises:
        HomeExistsError: there is one already; nothing is changed.
        HomeNotWritableError: the folder cannot be made or written.
    """
    from testbench.certificate.keys import make_station_key
    from testbench.certificate.ledger_key import make_ledger_key
    from testbench.credentials.secrets import Argon2Secrets
    from testbench.instruments.clocks import SystemClock
    from testbench.procedure_files.loader import bench_examples, bench_template, line_examples, order_template

    home = Home(folder)
    if (folder / "bench.toml").exists():
        raise HomeExistsError(str(folder))
    try:
        for part in ("orders", "procedures", "certificates", "captures", "backups", "examples"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        home.keys.mkdir(mode=0o700, exist_ok=True)
        (folder / "bench.toml").write_text(bench_toml or bench_template())
        bench = home.bench()
        (folder / "orders" / "order-template.txt").write_text(order_template())
        for name, text in (line_examples() | bench_examples()).items():
            (folder / "examples" / name).write_text(text)
        make_station_key(home.keys, bench.name, bench.works.name, SystemClock().utc())
        Argon2Secrets(home.keys).make_pepper()
    except OSError as failure:
        raise HomeNotWritableError(str(folder), failure.strerror or str(failure)) from failure
    with open_store(home, make=True) as store:
        store.record_key(make_ledger_key(home.keys))
    return home


def open_store(home: Home, *, make: bool = False) -> "SqliteStore":
    """The records of a home, for writing.

    Args:
        home: the bench.
        make: whether they are only now made. Records that went missing are never begun anew unsaid: their numbers would
            be given out twice, and nobody would miss them.

    Raises:
        RecordsMissingError: they are not there, or hold nothing.
    """
    from testbench.store.repository import SqliteStore

    if not make:
        read_store(home).close()  # refuses before anything is written
    store = SqliteStore(home.database, home.bench().name)
    if store.kept_before is not None:
        sys.stderr.write(f"The records were brought up to date; as they were, they are kept in {store.kept_before}.\n")
    return store


def read_store(home: Home) -> "RunReader":
    """The records of a home, for reading beside the recorder."""
    from testbench.store.reading import RunReader

    home.bench()  # says that there is no home, rather than that there is no file
    return RunReader.beside(home.database)


def channel_now(home: Home, tag: str | None = None) -> "ChannelRecord | None":
    """A channel with the calibration and the gauge check in force; None without a calibration.

    Args:
        home: the bench.
        tag: of the channel; None: the deciding one.

    Raises:
        ChannelUnknownError: there is none of this tag.
    """
    from testbench.instruments.clocks import SystemClock
    from testbench.station.register import channel_of

    entry = home.bench().channel_named(tag)
    if not home.database.exists():
        return channel_of(entry, (), (), SystemClock().utc())
    with read_store(home) as store:
        reports, checks = store.calibrations_of(entry.serial), store.gauge_checks_of(entry.serial)
    return channel_of(entry, reports, checks, SystemClock().utc())


def fit_key(home: Home) -> None:
    """Make the station key out to whom bench.toml names, as long as nothing was ever sealed with it.

    ``init`` makes the key before anybody has described the bench.
    """
    from testbench.certificate.keys import CERTIFICATE_FILE, read_certificate, renew_station_key, signer_of
    from testbench.certificate.register import AUTHORITY
    from testbench.instruments.clocks import SystemClock

    bench = home.bench()
    if (home.keys / AUTHORITY).exists() or not (home.keys / CERTIFICATE_FILE).exists():
        return
    if any(home.certificates.glob("*.pdf")):
        return
    signer = signer_of(read_certificate(home.keys / CERTIFICATE_FILE))
    if bench.works.name not in signer or bench.name not in signer:
        renew_station_key(home.keys, bench.name, bench.works.name, SystemClock().utc())


# The recorder -----------------------------------------------------------------------------------


@contextmanager
def only_recorder(home: Home) -> Iterator[None]:
    """Be the only recorder of a home, or the one who makes sure that there is none.

    Raises:
        RecorderRunningError: one is running.
    """
    with (home.folder / "recorder.lock").open("a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as failure:
            raise RecorderRunningError(str(home.folder)) from failure
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield


def stop_recorder(home: Home) -> None:
    """Ask the recorder of a home to end.

    Raises:
        RecorderNotRunningError: none is running.
        RecorderBusyError: a run is open.
    """
    from testbench.station import messages as m

    link = attach(home)
    link.send(m.Shutdown(request="shutdown", id=1))

    def answered() -> m.Answer | None:
        return next((said for said in link.receive(0.1) if isinstance(said, m.Answer)), None)

    answer = wait_for(answered, GREETING_S, lambda: not link.connected)
    link.close()
    if answer is not None and not answer.done:
        raise RecorderBusyError(str(home.folder), answer.sentence)


def end_recorder(home: Home) -> None:
    """End the recorder of a home; an open run is closed as lost at its next start. Nothing where none is running."""
    try:
        attach(home).close()
        recorder = int((home.folder / "recorder.lock").read_text())
        os.kill(recorder, signal.SIGTERM)
    except (RecorderNotRunningError, OSError, ValueError):
        return
    wait_for(lambda: True if attach_if_running(home) is None else None, 5, lambda: False)


def check_printable(text: str) -> None:
    """Refuse a text that no document could print.

    Raises:
        GlyphMissingError: it holds a character that no face has.
    """
    from testbench.certificate.data import layout
    from testbench.certificate.pen import printable

    printable(text, layout())


def check_language(name: str | None) -> None:
    """Refuse a language that no document could be drawn in; None is the bench's own.

    Raises:
        LanguageUnknownError: it is not at hand.
    """
    from testbench.certificate import languages

    languages.check_language(name)


def program() -> list[str]:
    """How this program calls itself."""
    return [sys.executable, "-P", "-m", "testbench"]  # never a folder of that name where we happen to stand


# The link ---------------------------------------------------------------------------------------


def attach(home: Home) -> "LinkClient":
    """Connect to the running recorder of a home.

    Raises:
        RecorderNotRunningError: none is running.
    """
    from testbench.link.client import LinkClient

    found = LinkClient(home.folder)
    if not found.greeted(GREETING_S):
        found.close()
        raise RecorderNotRunningError(str(home.folder))
    return found


def attach_or_start(home: Home) -> "LinkClient":
    """Connect to the recorder of a home; start one if none is running.

    Raises:
        RecorderStartFailedError: it ended before it answered; its log says why.
    """
    try:
        return attach(home)
    except RecorderNotRunningError:
        pass
    home.bench()  # a broken configuration is said here, not in a log
    log = home.folder / "recorder.log"
    recorder = _start_apart([*program(), "recorder", "--home", str(home.folder)], log)

    def ended() -> bool:
        return os.waitpid(recorder, os.WNOHANG)[0] != 0

    found = wait_for(partial(attach_if_running, home), RECORDER_START_S, ended)
    if found is None:
        last = log.read_text().strip().splitlines()[-2:]
        raise RecorderStartFailedError(str(home.folder), " ".join(last) or "it said nothing")
    return found


def _start_apart(command: list[str], log: Path) -> int:
    """Start a process that outlives this one, in a session of its own; gives its id. What it says goes to the log."""
    with log.open("a") as out:
        actions = [
            (os.POSIX_SPAWN_OPEN, 0, os.devnull, os.O_RDONLY, 0),
            (os.POSIX_SPAWN_DUP2, out.fileno(), 1),
            (os.POSIX_SPAWN_DUP2, out.fileno(), 2),
        ]
        return os.posix_spawn(command[0], command, os.environ, file_actions=actions, setsid=True)


def refuse_if_recorded(home: Home, port: str) -> None:
    """Refuse where the recorder of a home holds its ports, this one among them.

    Raises:
        PortRecordedError: it does.
    """
    from testbench.errors import PortRecordedError

    found = attach_if_running(home)
    if found is not None:
        found.close()
        raise PortRecordedError(port, str(home.folder))


def attach_if_running(home: Home) -> "LinkClient | None":
    """Connect to the recorder of a home; None where none is running."""
    try:
        return attach(home)
    except RecorderNotRunningError:
        return None


def wait_for(look: Callable[[], T | None], at_most_s: float, hopeless: Callable[[], bool]) -> T | None:
    """Look until something is there, time is up, or waiting is hopeless."""
    until = time.monotonic() + at_most_s  # noqa: TID251 - waiting for a process, not timing a test
    while True:
        found = look()
        if found is not None or hopeless() or time.monotonic() > until:  # noqa: TID251
            return found
        time.sleep(0.02)


# Records and documents --------------------------------------------------------------------------


def load_run(home: Home, run: str) -> "tuple[RunRecord, tuple[Trace, ...]]":
    """A closed run from the records, its hashes checked."""
    with read_store(home) as store:
        return store.load(run)


def add_blank(home: Home, run: str, stage: int | None, declared_by: str, why: str) -> "BlankRun":
    """Declare a hold of a closed run a blank run.

    Raises:
        BlankRefusedError: the run has no such hold, it shows nothing, or it is one already.
    """
    from testbench.run.blanks import blank_of
    from testbench.station.blanks import declare

    record, _ = load_run(home, run)
    found = blank_of(record, stage, declared_by, why)
    with open_store(home) as store:
        declare(store, found)
    return found


def blanks_of(home: Home) -> "tuple[BlankRun, ...]":
    """The blank runs of a bench, oldest first."""
    from testbench.station.blanks import declared

    with read_store(home) as store:
        return declared(store)


def adoptions_of(home: Home, digests: Sequence[str]) -> "dict[str, Adoption]":
    """Which of these procedure files were adopted here; none where there is no home yet."""
    if not home.database.exists():
        return {}
    with read_store(home) as store:
        found = {digest: store.adoption_of(digest) for digest in digests}
    return {digest: adoption for digest, adoption in found.items() if adoption is not None}


def adopt_procedure(  # noqa: PLR0917 - who, what, and on which grounds
    home: Home,
    procedure: "Procedure",
    digest: str,
    adopted_by: str,
    copies: Sequence[tuple[str, str]],
    decision: str | None,
    signed: Callable[[], "Signature | None"] = lambda: None,
) -> "Adoption":
    """Take a procedure into use.

    Args:
        home: the bench.
        procedure: as its file says it.
        digest: SHA-256 of that file.
        adopted_by: who takes it into use.
        copies: source and the copy it was confirmed from.
        decision: of the shop, for the house and common-practice sources without a copy; None: there is none.
        signed: makes the signature under it once all else is in order; None where nobody is registered.

    Raises:
        AdoptionIncompleteError: a source that needs it was not confirmed, or something said is empty.
    """
    from pydantic import ValidationError

    from testbench.instruments.clocks import SystemClock
    from testbench.procedure.adoption import Adoption, Confirmation, check_confirmations, decided_here

    try:
        confirmed = tuple(Confirmation(source=source, copy_seen=seen) for source, seen in copies)
        if decision is not None:
            confirmed = decided_here(procedure, decision, confirmed)
        check_confirmations(procedure, confirmed)
        adoption = Adoption(
            procedure=procedure.id,
            revision=procedure.revision,
            sha256=digest,
            adopted_by=adopted_by,
            at=SystemClock().utc().isoformat(timespec="seconds"),
            confirmed=confirmed,
        )
    except ValidationError as failure:
        field = failure.errors()[0]["loc"][0]
        raise AdoptionIncompleteError(procedure.id, f"{field} is empty or too long") from failure
    with open_store(home) as store:
        store.adopt(adoption, signed())
    return adoption
