"""The documents of a whole order by real processes: killed, begun again, two at once; none is lost or made twice."""

import os
import signal
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.batch import issue_order
from testbench.certificate import publishing
from testbench.certificate.keyring import make_authority
from testbench.certificate.passphrases import FromLines, Remembering
from testbench.certificate.verify import verify
from testbench.cli.main import cli
from testbench.custody import issue_document, verify_ledger
from testbench.documents import finish
from testbench.errors import DocumentExistsError, NothingToIssueError, PassphraseMissingError
from testbench.instruments.clocks import SystemClock
from testbench.wiring import Home, open_store, read_store
from tests.journeys.program import PROGRAM, call, until
from tests.records.order import ORDER, bench_with


def pages(home: Home) -> list[Path]:
    """What lies there under its own name."""
    return sorted(home.certificates.glob("*.pdf"))


def hidden(home: Home) -> list[str]:
    return [path.name for path in home.certificates.iterdir() if path.name.startswith(".")]


def start(home: Home) -> subprocess.Popen[str]:
    command = [*PROGRAM, "certificate", "issue", "--order", ORDER, "--home", str(home.folder)]
    return subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def children_of(process: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{process}/task/{process}/children").read_text().split()]


def gone(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def test_a_batch_that_was_killed_goes_on_and_two_at_once_make_nothing_twice(tmp_path):
    """kill -9 in the midst, then two processes; every run has one page, in the register and on disk, and all verify."""
    home = bench_with(tmp_path / "home", 14)
    first = start(home)
    until(lambda: len(pages(home)) >= 3, 60)
    workers = children_of(first.pid)
    first.kill()
    first.communicate()
    until(lambda: all(map(gone, workers)), 20)  # they do not wait for ever
    left = len(pages(home))
    assert 3 <= left < 14
    both = [start(home), start(home)]
    said = [one.communicate(timeout=120) for one in both]
    assert [one.returncode for one in both] == [0, 0], said
    written = [int(out.split()[2]) for out, _ in said]
    assert sum(written) in {14 - left, 14 - left + 2, 14 - left + 1}  # what the killed one had ready appears as well
    assert (len(pages(home)), hidden(home)) == (14, [])
    with read_store(home) as store:
        assert [len(store.documents_of(f"B1-{run:06d}")) for run in range(1, 15)] == [1] * 14
        assert store.owed_documents(ORDER) == ()
    walked = verify_ledger(home, None, traces=False)
    assert (walked.report.fault, walked.documents.as_issued, walked.documents.missing) == (None, 14, ())
    assert all(verify(path, ()).intact for path in pages(home))
    again = call("certificate", "issue", "--order", ORDER, "--home", home.folder)
    assert (again.returncode, again.stdout) == (0, f"Order {ORDER}: 0 documents written to {home.certificates}.\n")


def test_a_worker_that_is_killed_ends_the_batch_with_a_sentence(tmp_path):
    """Nothing is half-done, and the same command goes on."""
    home = bench_with(tmp_path / "home", 8)
    batch = start(home)
    until(lambda: len(pages(home)) >= 2, 60)
    os.kill(children_of(batch.pid)[-1], signal.SIGKILL)
    _, said = batch.communicate(timeout=60)
    assert batch.returncode == 1
    assert f"A process that wrote documents of order {ORDER} was ended; " in said
    assert call("certificate", "issue", "--order", ORDER, "--home", home.folder).returncode == 0
    assert (len(pages(home)), hidden(home)) == (8, [])


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Home:
    """Three runs."""
    return bench_with(tmp_path_factory.mktemp("made") / "home", 3)


@pytest.fixture
def home(made, tmp_path) -> Home:
    """A copy of it."""
    import shutil

    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


class Killed(BaseException):
    """As if the process had ended there."""


def test_killed_before_the_register_the_page_never_was(home, monkeypatch):
    """What lies there is no document; it goes, and the run gets its page."""

    def killed(*_args, **_more):
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr("testbench.store.repository.SqliteStore.add_document", killed)
        with pytest.raises(Killed):
            issue_document(home, "B1-000001")
    assert (len(hidden(home)), pages(home)) == (1, [])
    issued = issue_document(home, "B1-000001")
    assert (hidden(home), pages(home)) == ([], [issued.path])


def test_killed_after_the_register_the_page_gets_its_name(home, monkeypatch):
    """It is the very file that the register names; nothing is signed again."""

    def killed(_self):
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(publishing.Pending, "appear", killed)
        with pytest.raises(Killed):
            issue_document(home, "B1-000001")
    assert (len(hidden(home)), pages(home)) == (1, [])
    with pytest.raises(DocumentExistsError):
        issue_document(home, "B1-000001")
    (page,) = pages(home)
    assert hidden(home) == []
    walked = verify_ledger(home, None, traces=False)
    assert (walked.documents.as_issued, walked.documents.missing) == (1, ())
    assert verify(page, ()).intact


def test_what_another_program_is_writing_is_left_alone(home):
    """It holds the folder meanwhile."""
    home.certificates.mkdir(exist_ok=True)
    pending = publishing.Pending(home.certificates / "C-B1-000001_HL-4-0001.pdf", "0" * 64)
    pending.path.write_bytes(b"%PDF-")
    with open_store(home) as store:
        with publishing._writing(home.certificates):
            assert finish(home, store) == []
            assert pending.path.exists()
        assert finish(home, store) == []
        assert not pending.path.exists()


def test_a_quicker_program_wins(home, monkeypatch):
    """Both drew the page; the register takes one of them, and the other leaves nothing behind."""
    from testbench import custody

    real = custody.issue_from

    def late(home: Home, store, found, *more):
        if not pages(home):
            with monkeypatch.context() as patched:
                patched.setattr(custody, "issue_from", real)
                issue_document(home, found[0].run)
            page = pages(home)[0]
            page.rename(page.with_suffix(".moved"))  # so that only the register can tell
        return real(home, store, found, *more)

    monkeypatch.setattr(custody, "issue_from", late)
    with pytest.raises(DocumentExistsError):
        issue_document(home, "B1-000001")
    assert (pages(home), hidden(home)) == ([], [])
    with read_store(home) as store:
        assert len(store.documents_of("B1-000001")) == 1


def test_an_order_that_nobody_tested_is_refused(home):
    """Said with what to do."""
    with pytest.raises(NothingToIssueError) as refusal:
        issue_order(home, "HL-9999")
    assert str(refusal.value) == f"The records in {home.folder} hold no closed run for order HL-9999."


def test_a_passphrase_is_asked_for_once(home, tmp_path):
    """However many processes sign; they ask nobody."""

    class Lines:
        def __init__(self) -> None:
            self.asked = 0

        def readline(self) -> str:
            self.asked += 1
            return "the tide at Port Ellery\n"

    at, lines = SystemClock().utc(), Lines()
    made = make_authority(home.keys, tmp_path / "root", "Harrow Lane Valve Works", at, FromLines(Lines()))
    made.issue_station("B1", "Harrow Lane Valve Works", at, FromLines(Lines()), plain=False)
    done = issue_order(home, ORDER, ask=FromLines(lines))
    assert (len(done.issued), lines.asked, done.refused) == (3, 1, {})


def test_what_is_remembered_is_not_shown_and_asks_nobody_elsewhere():
    """Pickled for another process it holds the answers and nobody to ask."""
    import io
    import pickle

    here = Remembering(FromLines(io.StringIO("one\ntwo\n")))
    assert (here.known("a"), here.known("a"), repr(here)) == ("one", "one", "Remembering(1 passphrases)")
    there = pickle.loads(pickle.dumps(here))
    assert there.known("a") == "one"
    with pytest.raises(PassphraseMissingError):
        there.known("b")
    with pytest.raises(PassphraseMissingError):
        there.chosen("a")


def test_what_waits_for_a_signature_is_counted_not_refused(home):
    """Exit code 0: nothing went wrong."""
    from testbench.run.record import RunRecord
    from tests.records.make import STARTED, example_run, opening_of, valve

    record, traces = example_run("", valve("HL-4-0009", "NPS 4"))
    owing = RunRecord.model_validate(record.model_dump() | {"operator_id": "quill"})
    with open_store(home) as store:
        run = store.begin_run(opening_of(owing), STARTED)
        store.seal(owing.model_copy(update={"run": run}), traces)
    told = CliRunner().invoke(cli, ["certificate", "issue", "--order", ORDER, "--home", str(home.folder)])
    assert (told.exit_code, told.output.splitlines()) == (
        0, [f"Order {ORDER}: 3 documents written to {home.certificates}.", "1 wait for a signature: B1-000004."],
    )  # fmt: skip


@pytest.mark.parametrize("words", [[], ["B1-000001", "--order", ORDER]])
def test_either_a_run_or_an_order_is_named(home, words):
    """One of them."""
    told = CliRunner().invoke(cli, ["certificate", "issue", *words, "--home", str(home.folder)])
    assert told.exit_code == 2
    assert "Name either a RUN or an --order." in told.output
