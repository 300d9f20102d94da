"""``testbench history`` and ``testbench quality`` as a user calls them."""

import csv
import json
import shutil
import subprocess
from pathlib import Path

import pandas as pd
import pypdf
import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import (
    BaseTooShortError,
    BrowseNeedsTerminalError,
    ExportNotWrittenError,
    NothingFoundError,
    SearchRefusedError,
    TooFewPointsError,
    UnitUnknownError,
)
from testbench.run.quality import Measured
from testbench.run.record import Origin
from testbench.store import searching
from testbench.store.reading import RunReader
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

HOSTILE = '=HYPERLINK("http://x.example";"x")'


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Home:
    """A bench with 24 runs of two products by two people, live ones; a serial number that looks like a formula."""
    made = make_home(tmp_path_factory.mktemp("history") / "home")
    kinds = {caught: example_run("", valve("X", "NPS 4"), caught) for caught in ("0.2 mL", "60 mL")}
    stopped = example_run("", valve("X", "NPS 4"), stopped=True)
    with open_store(made) as store:
        for number in range(24):
            record, traces = stopped if number == 5 else kinds["60 mL" if number in {2, 7, 13, 20} else "0.2 mL"]
            serial = HOSTILE if number == 23 else f"HL-4-{number // 2:04d}"
            product = f"Swing check valve SC-{4 + 2 * (number // 2 % 2)}"
            tested = record.valve.model_copy(update={"serial": serial, "product": product})
            facts = {"valve": tested, "operator": ("Mara Quill", "Tobin Ashe")[number % 2], "origin": Origin.LIVE}
            keep_closed(store, record.model_copy(update=facts), traces)
    return made


@pytest.fixture
def call(home):
    def called(*words):
        return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)])

    return called


@pytest.fixture
def facts(call):
    def told(*words):
        result = call(*words, "--json")
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)

    return told


# Listing ------------------------------------------------------------------------------------------


def test_a_search_by_options(facts):
    """Everything that is said must hold."""
    assert [run["run"] for run in facts("history", "--serial", "hl-4-0003")] == ["B1-000008", "B1-000007"]
    assert [run["run"] for run in facts("history", "--part", "0003", "--operator", "ashe")] == ["B1-000008"]
    assert {run["verdict"] for run in facts("history", "--verdict", "void")} == {"void"}
    assert facts("history", "--order", "HL-2041", "--procedure", "AWWA", "--since", "2027") == []


def test_a_page_names_where_the_next_one_begins(call):
    first = call("history", "--limit", "5").stdout.splitlines()
    assert first[-1] == "More: --before B1-000020"
    assert call("history", "--limit", "5", "--before", "B1-000020").stdout.startswith(
        "B1-000019  2026-11-20T08:30  HL-4"
    )
    assert call("history", "--limit", "24").stdout.count("More") == 0
    assert call("history", "--since", "2027").stdout == "There are no such runs.\n"


def test_a_search_that_cannot_be_made_is_refused(call):
    result = call("history", "--part", "01")
    assert isinstance(result.exception, SearchRefusedError)
    assert call("history", "--verdict", "good").exit_code == 2


# Exports ------------------------------------------------------------------------------------------


def test_csv_is_read_by_pandas(call, home, tmp_path, monkeypatch):
    """Cell for cell what is listed, whatever the size of a batch; a formula has an apostrophe in front."""
    monkeypatch.setattr(searching, "BATCH", 5)
    path = tmp_path / "runs.csv"
    assert call("history", "export", path).stdout == f"Wrote 24 runs to {path} (all runs).\n"
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    with open_store(home) as store:
        runs = list(store.search_all(searching.Search()))
    assert list(frame["run"]) == [run.run for run in runs]
    assert list(frame["verdict"]) == [run.verdict for run in runs]
    assert frame["serial"][0] == f"'{HOSTILE}"
    assert [cell.removeprefix("'") for cell in frame["serial"]] == [run.serial for run in runs]


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed here (.ci/run installs it)")
def test_libreoffice_opens_the_csv_without_running_a_formula(call, tmp_path):
    path = tmp_path / "runs.csv"
    call("history", "export", path)
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    subprocess.run(["soffice", profile, "--headless", "--convert-to", "fods", "--outdir", tmp_path, path], check=True,
                   capture_output=True, timeout=150)  # fmt: skip
    sheet = (tmp_path / "runs.fods").read_text()
    assert "table:formula" not in sheet
    assert "HYPERLINK" in sheet


def test_json_lines_hold_a_run_each(call, tmp_path):
    path = tmp_path / "runs.jsonl"
    call("history", "export", path, "--operator", "quill")
    runs = [json.loads(line) for line in path.read_text().splitlines()]
    assert [run["operator"] for run in runs] == ["Mara Quill"] * 12
    assert runs[0]["run"] == "B1-000023"
    assert call("history", "export", "-", "--format", "jsonl", "--operator", "quill").stdout == path.read_text()


def test_csv_on_standard_output(call):
    rows = list(csv.DictReader(call("history", "export", "-", "--format", "csv").stdout.lstrip("\ufeff").splitlines()))
    assert len(rows) == 24


def test_a_recalled_run_says_so_in_the_list_and_in_exports(call, facts, monkeypatch):
    """Whoever reads them elsewhere must not take it for good."""
    monkeypatch.setattr(RunReader, "recalled", lambda _: {"B1-000019": ("RC-B1-000001", "RC-B1-000003")})
    (line,) = (one for one in call("history").stdout.splitlines() if one.startswith("B1-000019"))
    assert line.endswith(" RECALLED by RC-B1-000001, RC-B1-000003")
    rows = csv.DictReader(call("history", "export", "-", "--format", "csv").stdout.lstrip("\ufeff").splitlines())
    assert {row["run"]: row["recalled"] for row in rows if row["recalled"]} == {
        "B1-000019": "RC-B1-000001 RC-B1-000003"
    }
    listed = {one["run"]: one["recalled"] for one in facts("history")}
    assert (listed["B1-000019"], listed["B1-000018"]) == (["RC-B1-000001", "RC-B1-000003"], [])


def test_no_file_is_written_over(call, tmp_path):
    path = tmp_path / "runs.csv"
    path.write_text("mine")
    result = call("history", "export", path)
    assert isinstance(result.exception, ExportNotWrittenError)
    assert str(result.exception) == f"{path} was not written: there is a file of this name already."
    assert path.read_text() == "mine"
    result = call("history", "export", tmp_path / "nowhere" / "runs.csv")
    assert str(result.exception) == f"{tmp_path / 'nowhere' / 'runs.csv'} was not written: No such file or directory."
    assert call("history", "export", tmp_path / "runs.xls").exit_code == 2
    assert sorted(tmp_path.iterdir()) == [path]


def test_an_export_that_fails_on_the_way_leaves_nothing(call, tmp_path, monkeypatch):
    """The disk is full after the first line."""
    real = Path.open
    monkeypatch.setattr(
        Path,
        "open",
        lambda self, *how, **more: (Full if how == ("xb",) else lambda file: file)(real(self, *how, **more)),
    )
    result = call("history", "export", tmp_path / "runs.csv")
    assert str(result.exception) == f"{tmp_path / 'runs.csv'} was not written: No space left on device."
    assert list(tmp_path.iterdir()) == []


class Full:
    """A file on a disk without room."""

    def __init__(self, file):
        self._file = file

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._file.close()

    def writelines(self, pieces):
        next(iter(pieces))
        raise OSError(28, "No space left on device")


# Summary of an order --------------------------------------------------------------------------------


def test_the_summary_of_an_order(call, facts, home, tmp_path):
    """Each serial number once, by its newest run; what nobody has tested is to do; the page is no certificate."""
    order = home.folder / "orders" / "HL-2041.toml"
    order.write_text(
        'number = "HL-2041"\ncustomer = "Ellery Water Board"\nprocedure = "waterworks-swing-check"\n'
        + "".join(
            f'[[valves]]\nserial = "{serial}"\n'
            'type = "swing-check"\nsize = "NPS 4"\nrated = "250 psi"\nseat = "metal"\n'
            for serial in ("HL-4-0001", "HL-4-0000", "HL-4-9999")
        )
    )
    told = facts("history", "summary", "--order", "HL-2041")
    lines = {line["serial"]: line for line in told["lines"]}
    assert [line["serial"] for line in told["lines"]][:4] == ["HL-4-0001", "HL-4-0000", "HL-4-9999", HOSTILE]
    assert (lines["HL-4-0003"]["verdict"], lines["HL-4-0003"]["runs"]) == ("rejected", 2)
    assert lines["HL-4-9999"]["verdict"] == "to do"
    assert told["counts"] == {"accepted": 10, "rejected": 2, "inconclusive": 0, "void": 1, "recalled": 0, "to do": 1}
    path = tmp_path / "lot.pdf"
    assert call("history", "summary", "--order", "HL-2041", "--out", path).exit_code == 0
    text = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    assert "This page is not a certificate." in text
    assert all(serial in text for serial in ("HL-4-0000", "HL-4-9999"))
    assert "14 valves: 10 accepted, 2 rejected, 0 inconclusive, 1 void, 0 recalled, 1 to do" in text
    order.unlink()
    result = call("history", "summary", "--order", "HL-9")
    assert isinstance(result.exception, NothingFoundError)
    assert str(result.exception) == "There is nothing for a summary: found no such run among order HL-9."


# Quality --------------------------------------------------------------------------------------------


def test_yields_are_told_drawn_and_counted(call, facts):
    found = facts("quality", "yield", "--by", "product")
    assert [(one["group"], one["tested"], one["passed"]) for one in found["groups"]] == [
        ("Swing check valve SC-4", 6, 5), ("Swing check valve SC-6", 7, 6),
    ]  # fmt: skip
    assert (found["all"]["tested"], found["all"]["percent"]) == (13, "84.6")
    text = call("quality", "yield").stdout
    assert "2026-11        11 of       13   84.6 %" in text
    assert "●" in text
    assert "├" in text
    assert isinstance(call("quality", "yield", "--origin", "simulated").exception, NothingFoundError)


def test_reasons_are_told(call, facts):
    assert [(one["reason"], one["runs"]) for one in facts("quality", "pareto")["reasons"]] == [
        ("seat test: leakage rate above the limit", 4), ("shell test: stopped by the operator", 1),
    ]  # fmt: skip
    line = call("quality", "pareto").stdout.splitlines()[0]
    assert line.split("  ")[0] == "seat test: leakage rate above the limit"
    assert "80.0 %" in line
    assert "█" in line


def test_a_chart_is_told(call, facts):
    """Limits from a base, values in the unit that is asked for."""
    found = facts("quality", "chart", "--of", "pressure-loss", "--unit", "psi")
    plain = facts("quality", "chart", "--of", "pressure-loss")
    assert found["unit"], len(found["values"]["points"]) == ("psi", 23)
    assert plain["values"]["centre"] / found["values"]["centre"] == pytest.approx(6.894757293)  # kPa, NIST SP 811
    assert found["why_no_capability"] == "there is no limit to hold the values against"
    text = call("quality", "chart").stdout
    assert "UCL" in text
    assert "centre" in text
    assert text.splitlines()[-2] == "No point signals."
    assert isinstance(call("quality", "chart", "--part", "0003").exception, BaseTooShortError)
    assert isinstance(call("quality", "chart", "--unit", "furlong").exception, UnitUnknownError)
    assert isinstance(call("quality", "chart", "--stage", "backseat test").exception, NothingFoundError)
    assert isinstance(call("quality", "chart", "--base", "soon").exception, SearchRefusedError)


@pytest.mark.parametrize("command", [["yield"], ["pareto"], ["chart"]])
@pytest.mark.parametrize("form", ["pdf", "svg"])
def test_each_is_drawn_into_a_file(call, tmp_path, command, form):
    path = tmp_path / f"drawn.{form}"
    result = call("quality", *command, "--out", path)
    assert result.stdout.endswith(f"Drawn into {path}.\n")
    data = path.read_bytes()
    assert data.startswith(b"%PDF" if form == "pdf" else b"<?xml")
    assert isinstance(call("quality", *command, "--out", path).exception, ExportNotWrittenError)
    assert call("quality", *command, "--out", tmp_path / "drawn.png").exit_code == 2
    assert path.read_bytes() == data


def test_a_gauge_study_from_runs_says_what_is_missing(call):
    """One test by each is no study; which valves were left out is told where there is one (tests/store)."""
    result = call("quality", "gauge-study", "--prefix", "HL-4-000")
    assert isinstance(result.exception, TooFewPointsError)
    assert (
        str(result.exception) == "gauge study: found 9 part(s), 2 operator(s), 1 trial(s); needed at least 2 of each."
    )


@pytest.mark.parametrize("form", ["pdf", "svg"])
def test_a_gauge_study_is_drawn_into_a_file(call, tmp_path, monkeypatch, form):
    """Two operators tested each of three valves twice."""
    told = [
        Measured(f"B1-{n:06d}", "2026-11-20", f"HL-{part}", operator, part + 0.1 * n, 6.0)
        for n, (part, operator) in enumerate([(p, o) for p in (1, 2, 3) for o in ("Mara Quill", "Orla Venn")] * 2)
    ]
    monkeypatch.setattr(RunReader, "measured", lambda *_: told)
    path = tmp_path / f"study.{form}"
    drawn = call("quality", "gauge-study", "--out", path).stdout
    assert drawn.startswith("study       3 parts × 2 operators × 2 trials\n")
    assert drawn.endswith(f"Drawn into {path}.\n")
    assert path.read_bytes().startswith(b"%PDF" if form == "pdf" else b"<?xml")


@pytest.mark.parametrize("option", ["--product", "--serial", "--since", "--order"])
@pytest.mark.parametrize("words", [("history",), ("history", "export", "-", "--format", "csv"), ("quality", "yield")])
def test_an_option_that_says_nothing_asks_for_nothing(call, words, option):
    """A variable of a script that was not set must not find everything."""
    found = call(*words, option, " ").exception
    assert isinstance(found, SearchRefusedError)
    allowed = "something to look for; leave it out to ask for all"
    assert str(found) == f"The search cannot be made: {option[2:]} is ' '; allowed is {allowed}."
    assert isinstance(call(*words, option, "").exception, SearchRefusedError)


def test_browsing_needs_a_terminal(call):
    result = call("history", "browse")
    assert isinstance(result.exception, BrowseNeedsTerminalError)
    assert str(result.exception) == "Browsing the history needs a terminal."


def test_what_is_derived_is_made_anew(call, home):
    """Exit code 0: it was the same before."""
    result = call("history", "rebuild")
    assert (result.exit_code, result.stdout) == (0, "Made anew from the records of 24 runs; it was the same before.\n")
    with open_store(home) as store, store.database.writing() as connection:
        connection.exec_driver_sql("DELETE FROM finding WHERE run = 3")
    result = call("history", "rebuild")
    assert (result.exit_code, result.stdout) == (
        1, "Made anew from the records of 24 runs; of 1 it was otherwise before.\n",
    )  # fmt: skip
