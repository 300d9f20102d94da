"""ISO 9001:2015, points 7.1.5.2, 7.5.3, 8.5.2 and 8.6: a checklist that is held against a bench at work.

Numbers and sense of the points are from memory; verify against your copy of the standard. The words are our own. The
table in DEVELOPERS.md is what this file says, line by line; no claim of conformity of a works is made by it.
"""

import json
import pkgutil
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from pydantic import ValidationError

from testbench.archive import export
from testbench.certificate.verify import verify
from testbench.cli.main import cli
from testbench.credentials import secrets
from testbench.errors import (
    BackupRefusedError,
    CalibrationMissingError,
    CalibrationOverdueError,
    DocumentExistsError,
    NotReadyToReleaseError,
    NotSignedError,
    OwnRunError,
    RoleMissingError,
)
from testbench.procedure.adoption import Adoption
from testbench.procedure.valve import Order
from testbench.run.record import Verdict
from testbench.safekeeping import back_up, verify_backup
from testbench.station.impact import impact_on
from testbench.station.readiness import calibrated, check_in_date
from testbench.station.register import as_found_of
from testbench.store.reading import RunReader
from testbench.wiring import Home, make_home, open_store
from tests.records.make import CHANNEL, example_run, fill_registers, keep_closed, valve
from tests.station.certificates import readings, report
from tests.without_home import without_home

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
ASHE, VENN, QUILL = "the tide at Port Ellery", "salt and cold iron", "7394"
ACCEPTED, REJECTED, UNSIGNED = "B1-000001", "B1-000002", "B1-000003"

# The bench ---------------------------------------------------------------------------------------


def call(home: Path, *words: str, lines: tuple[str, ...] = ()) -> Result:
    """Call a command as people do, with secrets on standard input."""
    stdin = ("--secret-stdin",) if lines else ()
    return CliRunner().invoke(cli, [*words, *stdin, "--home", str(home)], input="".join(f"{one}\n" for one in lines))


def done(home: Path, *words: str, lines: tuple[str, ...] = ()) -> str:
    """The same where nothing may be refused; gives what was said."""
    found = call(home, *words, lines=lines)
    assert found.exit_code == 0, found.output + str(found.exception)
    return found.output


def sign(home: Path, run: str, person: str, meaning: str, secret: str) -> Result:
    return call(home, "sign", run, "--as", person, "--meaning", meaning, lines=(secret,))


@pytest.fixture(scope="module", autouse=True)
def cheap() -> Iterator[None]:
    """Hashes that cost nothing."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(secrets, "Argon2Secrets", partial(secrets.Argon2Secrets, cheap=True))
        yield


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three people, a calibration, a released run, a rejected one, and one that nobody has signed."""
    home = make_home(tmp_path_factory.mktemp("audit") / "home").folder
    engineer = ("--role", "engineer", "--role", "reviewer")
    done(home, "people", "add", "ashe", "--name", "Tobin Ashe", *engineer, lines=(ASHE,))
    both, by = ("--role", "operator", "--role", "reviewer"), ("--by", "ashe")
    done(home, "people", "add", "venn", "--name", "Orla Venn", *both, *by, lines=(ASHE, "8052", VENN))
    done(home, "people", "add", "quill", "--name", "Mara Quill", "--role", "operator", *by, lines=(ASHE, QUILL))
    with open_store(Home(home)) as store:
        fill_registers(store)
        for serial, caught in (("HL-4-0117", "0.2 mL"), ("HL-4-0118", "6 mL"), ("HL-4-0119", "0.2 mL")):
            record, traces = example_run("", valve(serial, "NPS 4"), caught)
            keep_closed(store, record.model_copy(update={"operator_id": "quill"}), traces)
    for run in (ACCEPTED, REJECTED):
        assert sign(home, run, "quill", "performed", QUILL).exit_code == 0
    assert sign(home, ACCEPTED, "ashe", "released", ASHE).exit_code == 0
    return home


@pytest.fixture
def home(once: Path, tmp_path: Path) -> Path:
    """A copy that may be spoilt."""
    return Path(shutil.copytree(once, tmp_path / "home"))


def certificate(home: Path) -> Path:
    return home / "certificates" / f"C-{ACCEPTED}_HL-4-0117.pdf"


def change(path: Path, *statements: str) -> None:
    """Write into the records of a home, or into a copy of them, past the program."""
    with closing(sqlite3.connect(path / "testbench.db" if path.is_dir() else path)) as file, file:
        for statement in statements:
            file.execute(statement)


# The points --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Point:
    """A point: what it wants, where that is met, and what shows it."""

    wants: str
    met_in: tuple[str, ...]
    """``module`` or ``module.name`` below ``testbench``."""
    check: Callable[[Path], None]


POINTS: dict[str, Point] = {}


def point(number: str, wants: str, *met_in: str) -> Callable[[Callable[[Path], None]], None]:
    """Enter what follows into the checklist."""

    def enter(check: Callable[[Path], None]) -> None:
        POINTS[number] = Point(wants, met_in, check)

    return enter


@point("7.1.5.2 a", "instruments are calibrated at intervals, by something traceable, on record",
       "station.readiness.check_in_date", "station.calibrations.CalibrationReport")  # fmt: skip
def _(home: Path) -> None:
    check_in_date(CHANNEL, CHANNEL.due_on)
    with pytest.raises(CalibrationOverdueError):
        check_in_date(CHANNEL, CHANNEL.due_on + timedelta(days=1))
    with pytest.raises(CalibrationMissingError):
        calibrated(Home(home).bench().channel, None, CHANNEL.due_on)
    with pytest.raises(ValidationError, match="reference_instrument"):
        report(reference_instrument="")
    listed = json.loads(done(home, "calibration", "list", "--json"))
    assert "SCL-26-0411" in json.dumps(listed)


@point("7.1.5.2 b", "the calibration status of an instrument can be told", "run.record.ChannelRecord",
       "cli.calibration.due")  # fmt: skip
def _(home: Path) -> None:
    with RunReader.beside(home / "testbench.db") as store:
        channel = store.load(ACCEPTED)[0].channel
    assert (channel.serial, channel.certificate_number) == ("T-0042", "CAL-26-0311")
    assert (channel.calibrated_on, channel.due_on) == (date(2026, 3, 11), date(2027, 3, 11))
    late = call(home, "calibration", "due", "--on", "2027-06-02")
    assert "OVERDUE   2027-06-01  since 1 day     T-0042, SCL-26-0411" in late.output
    assert "OVERDUE   2027-06-01" not in call(home, "calibration", "due", "--on", "2027-06-01").output


@point("7.1.5.2 c", "nobody adjusts a calibration unseen", "identity.engineer_of", "store.tables")
def _(home: Path) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="records are only ever added"):
        change(home, "UPDATE calibration SET body = replace(body, '0.05 psi', '0.01 psi')")
    with pytest.raises(sqlite3.IntegrityError, match="records are never deleted"):
        change(home, "DELETE FROM calibration")
    gauge = ("--gauge", "G-07", "--gauge-reading", "250 psi", "--gauge-uncertainty", "1.5 psi", "--reading", "250 psi")
    refused = call(home, "calibration", "check", *gauge, "--by", "venn", lines=(VENN,))
    assert isinstance(refused.exception, RoleMissingError)


@point("7.1.5.2, last paragraph", "an instrument found unfit puts earlier results in question, run by run",
       "station.impact.impact_on")  # fmt: skip
def _(home: Path) -> None:
    with RunReader.beside(home / "testbench.db") as store:
        ((record, document),) = [one for one in store.runs_measured_with("T-0042") if one[0].run == ACCEPTED]
    for at_top, affected in ((1.0, False), (40.0, True)):
        came = readings(*((psi, psi * (1 + at_top / 1000)) for psi in (0, 500, 1000)))
        found = as_found_of(report(as_found=came, tolerance="0.5 psi"), None)
        assert found is not None
        assert impact_on(record, document, found).affected is affected


@point("7.5.3.1 a", "records are there when they are needed, and can be used", "store.reading.RunReader", "cli.judge")
def _(home: Path) -> None:
    assert ACCEPTED in done(home, "history", "--serial", "HL-4-0117")
    assert "HL-4-0118" not in done(home, "history", "--serial", "HL-4-0117")
    assert "accepted" in done(home, "judge", ACCEPTED)


@point("7.5.3.1 b", "records are protected from loss of secrecy and improper use", "credentials.secrets", "wiring")
def _(home: Path) -> None:
    for name in ("pepper", "station-key.pem", "ledger.pem"):
        assert (home / "keys" / name).stat().st_mode & 0o077 == 0
    kept = (home / "testbench.db").read_bytes()
    assert not any(secret.encode() in kept for secret in (ASHE, VENN))


@point("7.5.3.2 a", "pages go out, records are found and read, each by those who may", "certificate.verify.verify",
       "station.people.check_role")  # fmt: skip
def _(home: Path) -> None:
    trusted = ("--signer", str(home / "keys" / "station-cert.pem"))
    assert without_home("certificate", "verify", str(certificate(home)), *trusted).exit_code == 0
    refused = call(home, "people", "disable", "ashe", "--by", "venn", lines=(VENN,))
    assert isinstance(refused.exception, RoleMissingError)


@point("7.5.3.2 b", "records are stored and preserved, legible", "safekeeping.back_up", "certificate.attach")
def _(home: Path) -> None:
    kept = back_up(Home(home))
    assert verify_backup(kept.path).report.entries == kept.entries > 0
    change(kept.path, "DROP TRIGGER record_update", "UPDATE record SET body = replace(body, 'HL-4-0117', 'HL-4-0999')")
    with pytest.raises(BackupRefusedError):
        verify_backup(kept.path)


@point("7.5.3.2 c", "changes are controlled: another version of a procedure needs another adoption",
       "procedure.adoption", "store.register.RegisterWriter.adopt")  # fmt: skip
def _(home: Path) -> None:
    adoption = Adoption(
        procedure="waterworks-swing-check", revision="1", sha256="a" * 64, adopted_by="Tobin Ashe",
        at="2026-11-20T08:00:00+00:00", confirmed=(),
    )  # fmt: skip
    with open_store(Home(home)) as store:
        store.adopt(adoption)
        assert store.adoption_of("a" * 64) == adoption
        assert store.adoption_of("b" * 64) is None


@point("7.5.3.2 d", "records are kept as long as wanted and leave only by being copied out", "archive.export")
def _(home: Path) -> None:
    made = export(Home(home), date(2026, 11, 21), home.parent / "archive")
    assert made.runs == 3
    assert (made.folder / "runs" / ACCEPTED / "record.json").is_file()
    with RunReader.beside(home / "testbench.db") as store:
        assert store.load(ACCEPTED)[0].verdict is Verdict.ACCEPTED
    with pytest.raises(sqlite3.IntegrityError, match="records are never deleted"):
        change(home, "DELETE FROM record")


@point("7.5.3.2, last paragraph", "what is kept as evidence cannot be altered unnoticed", "store.tables",
       "store.ledger_check.LedgerCheck")  # fmt: skip
def _(home: Path) -> None:
    edit = "UPDATE record SET body = replace(body, 'HL-4-0117', 'HL-4-0999')"
    with pytest.raises(sqlite3.IntegrityError, match="records are only ever added"):
        change(home, edit)
    assert call(home, "ledger", "verify").exit_code == 0
    change(home, "DROP TRIGGER record_update", edit)
    assert call(home, "ledger", "verify").exit_code == 1


@point("8.5.2, identification", "each valve tested is identified by run, order and serial number",
       "run.record.RunRecord", "certificate.verify")  # fmt: skip
def _(home: Path) -> None:
    with RunReader.beside(home / "testbench.db") as store:
        record = store.load(ACCEPTED)[0]
    page = verify(certificate(home), [])
    assert (record.run, record.order, record.valve.serial) == (ACCEPTED, "HL-2041", "HL-4-0117")
    assert (page.number, page.serial) == (f"C-{ACCEPTED}", "HL-4-0117")


@point("8.5.2, status", "whether a valve has passed, failed or waits can be told at any time",
       "store.reading.RunReader.states_of", "station.board")  # fmt: skip
def _(home: Path) -> None:
    valves = tuple(valve(serial, "NPS 4") for serial in ("HL-4-0117", "HL-4-0118", "HL-4-0120"))
    order = Order(number="HL-2041", customer="Ellery Water Board", procedure="waterworks-swing-check", valves=valves)
    with RunReader.beside(home / "testbench.db") as store:
        states = store.states_of((order,))
    assert [states.get(("HL-2041", one.serial)) for one in valves] == ["accepted", "rejected", None]


@point("8.5.2, traceability", "an identification is given once and stays", "procedure.valve.Order",
       "certificate.issue.issue")  # fmt: skip
def _(home: Path) -> None:
    twice = (valve("HL-4-0117", "NPS 4"), valve("HL-4-0117", "NPS 4"))
    with pytest.raises(ValidationError, match="HL-4-0117"):
        Order(number="HL-2041", customer="Ellery Water Board", procedure="waterworks-swing-check", valves=twice)
    again = call(home, "certificate", "issue", ACCEPTED)
    assert isinstance(again.exception, DocumentExistsError)
    with pytest.raises(sqlite3.IntegrityError, match="never change"):
        change(home, f"UPDATE run SET serial = 'HL-4-0999' WHERE id = '{ACCEPTED}'")


@point("8.6, first paragraph", "no certificate before every stage is passed, signed and released by another person",
       "station.sign_off.check_may_sign", "station.sign_off.check_signed")  # fmt: skip
def _(home: Path) -> None:
    assert isinstance(call(home, "certificate", "issue", UNSIGNED).exception, NotSignedError)
    assert isinstance(sign(home, UNSIGNED, "venn", "released", VENN).exception, NotReadyToReleaseError)
    assert isinstance(sign(home, REJECTED, "venn", "released", VENN).exception, NotReadyToReleaseError)
    done(home, "people", "roles", "quill", "--role", "operator", "--role", "reviewer", "--by", "ashe", lines=(ASHE,))
    done(home, "people", "set-password", "quill", "--by", "ashe", lines=(ASHE, "a dozen of letters"))
    assert sign(home, UNSIGNED, "quill", "performed", QUILL).exit_code == 0
    assert isinstance(sign(home, UNSIGNED, "quill", "released", "a dozen of letters").exception, OwnRunError)
    assert isinstance(call(home, "certificate", "issue", UNSIGNED).exception, NotSignedError)
    assert sign(home, UNSIGNED, "venn", "released", VENN).exit_code == 0


@point("8.6 a", "the evidence says by what criteria each stage conforms", "run.record.StageRecord", "run.evaluation")
def _(home: Path) -> None:
    with RunReader.beside(home / "testbench.db") as store:
        record, traces = store.load(ACCEPTED)
    assert [stage.stage for stage in record.stages] == [one.stage for one in record.requirements.stages]
    for stage, trace in zip(record.stages, traces, strict=True):
        assert stage.requirement.criteria
        assert stage.finding is not None
        assert stage.finding.verdict is Verdict.ACCEPTED
        assert trace.sha256() == stage.trace.sha256


@point("8.6 b", "who released it is on record and on the page", "run.signature.Signature", "certificate.people")
def _(home: Path) -> None:
    with RunReader.beside(home / "testbench.db") as store:
        record, _ = store.load(ACCEPTED)
        _, released = store.signatures_of(ACCEPTED)
    assert (released.meaning, released.person, released.printed_name) == ("released", "ashe", "Tobin Ashe")
    assert released.binds(record)
    assert not released.binds(record.model_copy(update={"order": "HL-2042"}))
    assert any(one.startswith("released by Tobin Ashe") for one in verify(certificate(home), []).signed)


# The tests ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", POINTS)
def test_a_point_is_met_by_the_running_parts(home, number):
    """Each on a bench of its own, which it may spoil."""
    POINTS[number].check(home)


@pytest.mark.parametrize("name", sorted({name for one in POINTS.values() for name in one.met_in}))
def test_where_a_point_is_met_there_is_something(name):
    """A module, or a name in one: whoever moves it moves the table."""
    assert pkgutil.resolve_name(f"testbench.{name}") is not None


def table() -> str:
    """The lines that DEVELOPERS.md must hold."""
    rows = (
        f"| {number} | {one.wants} | {', '.join(f'`{name}`' for name in one.met_in)} |"
        for number, one in POINTS.items()
    )
    return "\n".join(["| point | what it wants, in our words | met in |", "|---|---|---|", *rows])


def test_the_table_in_the_developers_page_is_this_checklist():
    """The two cannot drift apart."""
    shown = PAGE.read_text(encoding="utf-8").partition("<!-- audit points -->\n")[2].partition("\n\n")[0]
    assert shown == table()
