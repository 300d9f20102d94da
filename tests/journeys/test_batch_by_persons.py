"""The certificates of a whole order, signed by operator and reviewer: each passphrase once, and only those needed."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from testbench.certificate import pkcs12
from testbench.certificate.anchors import anchors_of
from testbench.certificate.verify import verify
from testbench.cli.main import cli
from testbench.errors import PageOwedError, PassphraseMissingError, PassphraseWrongError
from testbench.run.record import RunRecord
from testbench.wiring import Home, make_home, open_store
from tests.records.make import STARTED, example_run, opening_of, valve

PASSWORD, PIN, ORDER = "the tide at Port Ellery", "7394", "HL-2041"
STATION, ASHE, QUILL = "only the station", "only ashe knows", "only quill knows"
ISSUING = "the issuing phrase"


def said(home: Home, *words: object, told: tuple[str, ...] = ()) -> Result:
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)], input="\n".join((*told, "")))


def issued(home: Home, *told: str) -> Result:
    return said(home, "certificate", "issue", "--order", ORDER, "--json", "--passphrase-stdin", told=told)


def keep(home: Home, serial: str, **how: str) -> str:
    """A closed run of Mara Quill's; accepted unless much was caught."""
    record, traces = example_run("", valve(serial, "NPS 4"), **how)
    owing = RunRecord.model_validate(record.model_dump() | {"operator_id": "quill"})
    with open_store(home) as store:
        run = store.begin_run(opening_of(owing), STARTED)
        store.seal(owing.model_copy(update={"run": run}), traces)
    return run


def sign(home: Home, run: str, person: str, meaning: str, secret: str) -> None:
    words = ("sign", run, "--as", person, "--meaning", meaning, "--secret-stdin")
    assert said(home, *words, told=(secret,)).exit_code == 0


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Three accepted runs, released, and one that is not; operator, reviewer and station with keys."""
    home = make_home(tmp_path_factory.mktemp("made") / "home")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pkcs12, "ROUNDS", 1000)
        people = ("people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", "--role", "reviewer")
        assert said(home, *people, "--secret-stdin", told=(PASSWORD,)).exit_code == 0
        people = ("people", "add", "quill", "--name", "Mara Quill", "--role", "operator", "--by", "ashe")
        assert said(home, *people, "--secret-stdin", told=(PASSWORD, PIN)).exit_code == 0
        words = ("keys", "init", "--root-dir", home.folder.parent / "root", "--passphrase-stdin")
        assert said(home, *words, told=("the root's phrase", ISSUING, STATION)).exit_code == 0
        for name, secret in (("Mara Quill", QUILL), ("Tobin Ashe", ASHE)):
            words = ("keys", "issue", name, "--passphrase-stdin")
            assert said(home, *words, told=(ISSUING, secret)).exit_code == 0
    bench = home.folder / "bench.toml"
    bench.write_text(f'certificates_signed_by = "persons"\n{bench.read_text()}')
    for number in range(1, 5):
        run = keep(home, f"HL-4-000{number}")
        sign(home, run, "quill", "performed", PIN)
        if number < 4:
            sign(home, run, "ashe", "released", PASSWORD)
    return home


@pytest.fixture
def home(made: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    """A copy of it."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    monkeypatch.delenv("TESTBENCH_PASSPHRASE_FILE", raising=False)
    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


def test_each_person_is_asked_once_and_the_station_not_at_all(home: Home) -> None:
    """By ids: ashe, then quill. Every page has both signatures; what waits for a release is counted."""
    done = issued(home, ASHE, QUILL)
    assert done.exit_code == 0, done.exception
    told = json.loads(done.output)
    assert (len(told["issued"]), told["unsigned"], told["refused"]) == (3, ["B1-000004"], {})
    for page in told["issued"]:
        found = verify(Path(page), anchors_of(home.keys, (), (), ()))
        assert (found.trusted, [one.field for one in found.signatures]) == (True, ["Operator", "Reviewer"])


def test_the_station_is_asked_first_where_it_seals_a_rejection(home: Home) -> None:
    """Which nobody releases."""
    run = keep(home, "HL-4-0005", caught="60 mL")
    words = ("sign", run, "--as", "quill", "--meaning", "performed", "--secret-stdin")
    assert isinstance(said(home, *words, told=(PIN,)).exception, PageOwedError)  # the station's key is locked
    done = issued(home, STATION, ASHE, QUILL)
    assert done.exit_code == 0, done.exception
    fields = [[one.field for one in verify(Path(page), ()).signatures] for page in json.loads(done.output)["issued"]]
    assert sorted(fields) == [*[["Operator", "Reviewer"]] * 3, ["StationSeal"]]


@pytest.mark.parametrize(
    ("told", "refusal"),
    [((ASHE,), PassphraseMissingError), ((QUILL, ASHE), PassphraseWrongError), ((), PassphraseMissingError)],
)
def test_nothing_is_written_before_every_passphrase_was_right(
    home: Home, told: tuple[str, ...], refusal: type[Exception]
) -> None:
    """One person alone writes nothing, nor with the other's."""
    assert isinstance(issued(home, *told).exception, refusal)
    assert list(home.certificates.iterdir()) == []
    assert issued(home, ASHE, QUILL).exit_code == 0


def test_where_nothing_can_be_issued_nobody_is_asked(home: Home) -> None:
    """The one that is left waits for its release."""
    assert issued(home, ASHE, QUILL).exit_code == 0
    again = issued(home)
    assert (again.exit_code, json.loads(again.output)["unsigned"]) == (0, ["B1-000004"])


def test_a_person_without_a_key_is_told_of_each_document(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    """The others are asked all the same; two processes say the same."""
    with open_store(home) as store:
        store.state("person key", "quill", {"person": "quill", "name": "Mara Quill", "fingerprint": "00" * 32})
    done = issued(home, ASHE, QUILL)
    assert done.exit_code == 1
    told = json.loads(done.output)
    assert (told["issued"], len(told["refused"])) == ([], 3)
    assert all("'quill' cannot sign with a key of their own" in why for why in told["refused"].values())
