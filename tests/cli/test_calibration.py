"""``testbench calibration``: entering, listing, showing, what is due, and checks against a second gauge."""

import json
import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from testbench.cli.main import cli
from testbench.errors import BenchError, FileRefusedError
from testbench.wiring import Home, channel_now, make_home, read_store
from tests.conftest import SCENARIO
from tests.station.certificates import readings, up_and_down, worked_example

TODAY = date.today()


def home_at(folder: Path, more: str = "") -> Path:
    text = (SCENARIO / "bench.toml").read_text().replace("@PORT@", "/dev/null").replace("@CLOCK@", "")
    text = text.replace("@CALIBRATED@", str(TODAY - timedelta(days=400))).replace("@DUE@", str(TODAY))
    make_home(folder, text.replace("frozen_after_s = 10", f"frozen_after_s = 10\n{more}"))
    return folder


@pytest.fixture
def home(tmp_path) -> Path:
    return home_at(tmp_path / "home")


def call(home: Path, *arguments: object) -> Result:
    result = CliRunner().invoke(cli, ["calibration", *map(str, arguments), "--home", str(home)])
    if result.exception is not None and not isinstance(result.exception, (BenchError, SystemExit)):
        raise result.exception
    return result


def facts(home: Path, *arguments: object) -> Any:
    return json.loads(call(home, *arguments, "--json").stdout)


def csv_of(path: Path, rows: Sequence[dict[str, Any]], header: str = "reference_psi,indication_psi,direction") -> Path:
    lines = [",".join(str(row.get(name, "")) for name in ("reference", "indication", "direction")) for row in rows]
    path.write_text("\n".join([header, *lines]) + "\n")
    return path


def options(points: Path, number: str = "SCL-A", days_ago: int = 10, **more: str) -> list[str]:
    on = TODAY - timedelta(days=days_ago)
    stated = {
        "points": str(points), "certificate": number, "laboratory": "Saltmarsh Calibration Laboratory",
        "calibrated-on": str(on), "due-on": str(on + timedelta(days=365)),
        "reference-instrument": "pressure balance PB-3", "reference-uncertainty": "0.05 psi", "by": "Tobin Ashe",
    } | {name.replace("_", "-"): text for name, text in more.items()}  # fmt: skip
    return ["add", *(part for name, text in stated.items() for part in (f"--{name}", text))]


@pytest.fixture
def points(tmp_path) -> Path:
    return csv_of(tmp_path / "points.csv", worked_example())


# Entering ---------------------------------------------------------------------------------------


def test_points_of_a_csv_file_with_the_rest_as_options(home, points):
    """CAL-1; what is not said is as the bench has it: channel, serial number, unit, resolution."""
    found = facts(home, *options(points, resolution="0.025 psi"))
    assert (found["channel"], found["serial"], found["unit"], found["n"]) == ("PT-101", "T-0042", "psi", 44)
    assert found["curve"] == {
        "constant": pytest.approx(-0.272572, abs=1e-6), "linear": pytest.approx(1.00000196, abs=1e-8), "square": 0.0,
        "bent": False,
    }  # fmt: skip
    at_500 = found["points"][5]
    assert at_500["expanded_uncertainty"] == pytest.approx(0.184, abs=0.0005)
    assert at_500["error_span"] == pytest.approx(0.350, abs=0.0005)
    assert at_500["uncertainty_in_run"] == pytest.approx(0.585, abs=0.001)
    assert [part["name"] for part in at_500["components"]][:4] == ["reference", "resolution", "temperature", "head"]
    assert (found["in_force"], found["in_date"], found["entered_by"]) == (True, True, "Tobin Ashe")
    assert found["previous"] == "CAL-26-0311"
    kept = channel_now(Home(home))
    assert (kept.certificate_number, len(kept.uncertainty_points)) == ("SCL-A", 11)


def test_a_drift_allowance_is_one_more_component(home, points):
    """Rectangular, its half-width over √3."""
    found = facts(home, *options(points, drift_allowance="0.3 psi"))
    allowance = found["points"][0]["components"][4]
    assert (allowance["name"], allowance["standard_uncertainty"]) == ("drift allowance", pytest.approx(0.3 / 3**0.5))


@pytest.mark.parametrize(("change", "sentence"), [
    ({"due_on": "2020-01-01"}, "it cannot lie before calibrated_on"),
    ({"by": ""}, "Calibration SCL-A: --by: found nothing; this is needed."),
    ({"laboratory": ""}, "Calibration SCL-A: laboratory: found ''; "),
    ({"calibrated_on": "yesterday"}, "Calibration SCL-A: calibrated_on: found 'yesterday'; "),
    ({"reference_uncertainty": "0.05"}, "found '0.05'; Pressure cannot be read from '0.05'; a number and a unit are "),
    ({"reference_percent": "some"}, "Calibration SCL-A: reference_percent: found 'some'; "),
    ({"laboratory": "수도국"}, "'수도국' holds the character U+C218, which no installed font can print."),
])  # fmt: skip
def test_what_cannot_be_right_is_refused_and_nothing_is_kept(home, points, change, sentence):
    """One sentence each."""
    refusal = call(home, *options(points, **change))
    assert refusal.exit_code == 1
    assert sentence in str(refusal.exception)
    with read_store(Home(home)) as store:
        assert store.calibrations() == ()


@pytest.mark.parametrize(("header", "found"), [
    ("reference_psi,indication_V,direction", "unit 'V'"),
    ("reference_psi,indication_bar,direction", "psi and bar"),
    ("reference_bar,indication_bar,direction", "bar"),
])  # fmt: skip
def test_points_in_another_unit_than_the_channel_are_refused(home, tmp_path, header, found):
    """Volts are no lines of this transmitter; nothing is converted by guess."""
    refusal = call(home, *options(csv_of(tmp_path / "other.csv", up_and_down(), header)))
    assert refusal.exit_code == 1
    assert found in str(refusal.exception)


def test_a_file_with_options_beside_it_is_refused(home, points, tmp_path):
    """Two truths of one certificate."""
    refusal = call(home, "add", tmp_path / "some.toml", *options(points)[1:])
    assert refusal.exit_code == 2
    assert "A FILE holds the whole certificate" in refusal.stderr


def test_a_file_that_breaks_a_rule_is_refused_with_its_line(home, tmp_path):
    """As every file of a bench."""
    path = tmp_path / "bad.toml"
    path.write_text('channel = "PT-101"\nserial = "T-0042"\nlab = "?"\n')
    refusal = call(home, "add", path, "--by", "Tobin Ashe")
    assert str(refusal.exception) == f"{path}: certificate_number: found nothing; this field is needed."


def test_without_a_terminal_there_is_no_form(home):
    """A script that forgot its file is told so."""
    refusal = call(home, "add")
    assert refusal.exit_code == 2
    assert "Give a FILE or --points; the form needs a terminal." in refusal.stderr


class Terminal:
    """The program on a terminal of its own, in a person's hands."""

    def __init__(self, *words: object) -> None:
        self._master, slave = pty.openpty()
        command = [sys.executable, "-P", "-m", "testbench", *map(str, words)]
        self.program = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, close_fds=True)
        os.close(slave)
        self.said = ""

    def wait_for(self, text: str) -> None:
        """Read until the program says something; what was said before it is forgotten."""
        until = time.monotonic() + 30
        while text not in self.said:
            assert time.monotonic() < until, self.said
            if select.select([self._master], [], [], 0.5)[0]:
                self.said += os.read(self._master, 65536).decode()
        self.said = self.said.partition(text)[2]

    def answer(self, question: str, text: str) -> None:
        self.wait_for(question)
        os.write(self._master, f"{text}\n".encode())

    def ended(self) -> int:
        code = self.program.wait(timeout=30)
        os.close(self._master)
        return code


@pytest.mark.parametrize("keep", [True, False])
def test_the_form_on_a_terminal(home, keep):
    """One thing after the other; a slip is asked for again, the summary is confirmed, a no keeps nothing."""
    form = Terminal("calibration", "add", "--home", home)
    form.answer("Number of the certificate:", "SCL-A")
    form.answer("Who calibrated it:", "Saltmarsh Calibration Laboratory")
    form.answer("Day of the calibration, 2026-06-02:", "2 June")
    form.answer("Day of the calibration, 2026-06-02:", str(TODAY))
    form.answer("Last day on which it counts:", str(TODAY + timedelta(days=365)))
    form.answer("[PT-101]:", "")
    form.answer("[T-0042]:", "")
    form.answer("What it was compared with", "pressure balance PB-3")
    form.answer("[not stated]:", "")
    form.answer("of the reference, fixed", "0.05 psi")
    form.answer("[0]:", "")
    form.answer("[0.01 psi]:", "")
    for question in (
        "temperature effects",
        "hydrostatic head",
        "How far",
        "Maximum permissible error",
        "Anything else",
    ):
        form.answer(question, "1 psi" if question.startswith("Maximum") else "")
    form.answer("  1:", "0 0.02")
    form.answer("  2:", "five hundred")
    form.answer("  2:", "500, 500.4")
    form.answer("  3:", "1000 1000.9")
    form.answer("  4:", "")
    form.answer("(as found)?", "y")
    form.answer("  1:", "0 0")
    form.answer("  2:", "500 501.2")
    form.answer("  3:", "1000 1002")
    form.answer("  4:", "")
    form.answer("Entered by:", "Tobin Ashe")
    form.wait_for("as found    FAILED: error +2 psi at 1000 psi, 1 allowed by the tolerance")
    form.answer("Keep this calibration?", "y" if keep else "n")
    assert form.ended() == (0 if keep else 1)
    with read_store(Home(home)) as store:
        assert [one.points[1].indication for one in store.calibrations()] == (["500.4"] if keep else [])


LATE = "It is due 10.0 years after the calibration, more than 5; compare the due date with the certificate."


@pytest.mark.parametrize(("change", "notes", "kept"), [
    ({}, [], "Kept. It is in force from now on."),
    ({"serial": "T-9999"},
     ["NOTE        T-9999 is not this bench's transmitter (T-0042); nothing on this bench changes."],
     "Kept. It is in force for T-9999 only; nothing on this bench changes."),
    ({"due_on": str(TODAY - timedelta(days=1))},
     [f"NOTE        It is overdue: it was due on {TODAY - timedelta(days=1)}, and no run starts on it."],
     f"Kept. It is in force from now on, but overdue since {TODAY - timedelta(days=1)}: no run starts on it."),
    ({"due_on": str(TODAY - timedelta(days=10) + timedelta(days=1826))}, [], "Kept. It is in force from now on."),
    ({"due_on": str(TODAY - timedelta(days=10) + timedelta(days=3650))},
     [f"NOTE        {LATE}"],
     "Kept. It is in force from now on."),
])  # fmt: skip
def test_what_is_odd_about_a_calibration_is_said(home, points, change, notes, kept):
    """It is kept all the same: a spare may be calibrated, an old certificate be entered late."""
    lines = call(home, *options(points, **change)).output.splitlines()
    assert [line for line in lines if line.startswith("NOTE")] == notes
    assert lines[-1] == kept


def test_a_drift_beyond_both_uncertainties_comes_with_advice(home, points, tmp_path):
    """And impact names the runs since, where the certificate does not say how the instrument came."""
    facts(home, *options(points, "SCL-OLD", 375))
    moved = [row | {"indication": row["indication"] * 1.01} for row in worked_example()]
    said = call(home, *options(csv_of(tmp_path / "moved.csv", moved), "SCL-NEW", 10)).output
    old = TODAY - timedelta(days=375)
    advice = said[said.index("drift") :].splitlines()[:3]
    assert advice[0].startswith("drift       ")
    assert ", more than both U (" in advice[0]
    assert advice[1:] == [
        f"            shorten the interval of 365 days; look at the runs since {old}:",
        "            testbench calibration impact SCL-NEW",
    ]


def test_due_in_one_day(three):
    """Days are counted as people do."""
    on = TODAY + timedelta(days=356)
    assert f"since 1 day{' ' * 4} T-0042" in call(three, "due", "--on", on).output
    on = TODAY + timedelta(days=354)
    assert f"in 1 day{' ' * 7} T-0042" in call(three, "due", "--on", on).output


def test_another_instrument_that_is_overdue_does_not_fail_due(three, points):
    """A retired one; it is listed all the same."""
    facts(three, *options(points, "SCL-R", 20, serial="T-0001", due_on=str(TODAY - timedelta(days=1))))
    result = call(three, "due")
    assert result.exit_code == 0
    assert result.output.splitlines()[0] == (
        f"OVERDUE   {TODAY - timedelta(days=1)}  since 1 day     T-0001, SCL-R  (not on this bench)"
    )


# Listing, due -----------------------------------------------------------------------------------


@pytest.fixture
def three(home, points):
    """The simple entry of bench.toml (due today), and two calibrations, a year and ten days old."""
    facts(home, *options(points, "SCL-OLD", 375))
    facts(home, *options(points, "SCL-NEW", 10))
    return home


def test_the_list_is_newest_first_and_marks_the_one_in_force(three):
    """One of them only."""
    listed = facts(three, "list")
    assert [(one["certificate_number"], one["in_force"], one["in_date"]) for one in listed] == [
        ("SCL-NEW", True, True), ("SCL-OLD", False, False),
    ]  # fmt: skip
    assert call(three, "list").output.startswith("IN FORCE")


def test_an_empty_register_lists_what_bench_toml_says(home):
    """It is what runs measure with."""
    (only,) = facts(home, "list")
    assert (only["certificate_number"], only["in_force"], only["remark"]) == ("CAL-26-0311", True, " (bench.toml)")


@pytest.mark.parametrize(("days", "state", "code"), [
    (324, "in date", 0), (325, "due soon", 0), (355, "due soon", 0), (356, "overdue", 1),
])  # fmt: skip
def test_what_is_due_on_a_day(three, days, state, code):
    """The last day still counts, 30 days before it are soon, the day after is overdue and fails the command."""
    on = TODAY + timedelta(days=days)
    result = call(three, "due", "--on", on, "--json")
    (only,) = json.loads(result.stdout)
    assert (only["state"], only["certificate_number"], result.exit_code) == (state, "SCL-NEW", code)
    assert call(three, "due", "--on", on).output.startswith(state.upper())


def test_within_says_what_counts_as_soon(three):
    """Zero days: nothing is soon."""
    on = TODAY + timedelta(days=354)
    assert facts(three, "due", "--on", on, "--within", 0)[0]["state"] == "in date"
    assert facts(three, "due", "--on", on, "--within", 1)[0]["state"] == "due soon"


# Showing ----------------------------------------------------------------------------------------


def test_show_prints_everything_for_people(three):
    """Summary, table, plot of letters, whole budget."""
    text = call(three, "show", "SCL-NEW").output
    for part in (
        "curve       psi = -0.272572 + 1.00000196·indication; a run takes its own zero at atmosphere",
        "drift       +0 psi at 0 since SCL-OLD, not more than both U",
        f"on {TODAY}  in date, in force",
        "500         +0.1659    0.0500         0.3000      0.19       2.00  +0.4010    0.59",
        "budget at 1000 psi: u 0.02716, dof infinite, k 2.00, U 0.055",
        "  hysteresis      u 0.0866     c 1          dof infinite  89.4 %",
    ):
        assert part in text
    assert text.count("budget at") == 11


@pytest.mark.parametrize(("at", "budgets"), [
    ("500 psi", [500]), ("450 psi", [400, 500]), ("0 psi", [0]), ("-1 psi", [0]), ("2000 psi", [1000]),
    ("31 bar", [400, 500]),
])  # fmt: skip
def test_show_the_budget_at_one_pressure(three, at, budgets):
    """That of the point itself, or of its neighbours; in any unit."""
    text = call(three, "show", "SCL-NEW", "--at", at).output
    assert [line.partition(":")[0] for line in text.splitlines() if line.startswith("budget")] == [
        f"budget at {level} psi" for level in budgets
    ]


def test_show_on_a_day(three):
    """Before its day and after it."""
    early = facts(three, "show", "SCL-NEW", "--on", TODAY - timedelta(days=11))
    late = facts(three, "show", "SCL-NEW", "--on", TODAY + timedelta(days=356))
    assert (early["in_date"], early["in_force"], late["in_date"], late["in_force"]) == (False, False, False, True)


def test_show_draws_a_picture_and_a_sheet(three, tmp_path):
    """Both files are what their names say."""
    svg, pdf = tmp_path / "residuals.svg", tmp_path / "sheet.pdf"
    call(three, "show", "SCL-NEW", "--picture", svg, "--pdf", pdf)
    assert "<svg" in svg.read_text()
    assert pdf.read_bytes().startswith(b"%PDF-1.7")


def test_a_correction_says_what_it_corrects_who_and_why(three, points):
    """The earlier entry stays to be seen."""
    facts(three, *options(points, "SCL-NEW", 10, corrects="the gauge was misread", by="Mara Quill", note="second"))
    assert f"  (entry 2: corrected {TODAY} by Mara Quill: the gauge was misread)" in call(three, "list").output
    text = call(three, "show", "SCL-NEW").output
    first, second = f"entered {TODAY} by Tobin Ashe", f"corrected {TODAY} by Mara Quill: the gauge was misread"
    assert f"\nentry 1     {first}; --entry 1\nentry 2     {second} (shown here)\n" in text
    earlier = call(three, "show", "SCL-NEW", "--entry", 1).output
    assert f"\nentry 1     {first} (shown here)\nentry 2     {second}; --entry 2\non {TODAY}  in date, not" in earlier
    found = facts(three, "show", "SCL-NEW", "--entry", 1)
    assert (found["entry"], found["in_force"], found["entered_by"]) == (1, False, "Tobin Ashe")
    assert [one["correction"] for one in found["entries"]] == ["", "the gauge was misread"]
    assert str(call(three, "show", "SCL-NEW", "--entry", 3).exception) == (
        "Calibration SCL-NEW: --entry: found 3; 1 to 2."
    )  # fmt: skip
    assert f"\nentered     {TODAY} by Tobin Ashe\n" in call(three, "show", "SCL-OLD").output


def test_the_calibration_of_bench_toml_is_shown_too(home, tmp_path):
    """As far as it says anything."""
    on = TODAY - timedelta(days=400)
    assert call(home, "show", "CAL-26-0311").output.splitlines() == [
        "certificate CAL-26-0311, Saltmarsh Calibration Laboratory; PT-101, serial T-0042",
        f"calibrated  {on}, due {TODAY}",
        "range       0 psi to 1000 psi",
        "U in a run  1 psi over the whole range (k = 2)",
        "entered     in bench.toml, without points: no curve, no budget, no drift",
        f"on {TODAY}  in date, in force",
        "",
    ]
    found = facts(home, "show", "CAL-26-0311", "--on", TODAY + timedelta(days=1))
    assert (found["source"], found["in_force"], found["in_date"]) == ("bench.toml", True, False)
    impact = call(home, "impact", "CAL-26-0311")
    assert (impact.exit_code, impact.output.splitlines()) == (0, [
        "as found    not stated in bench.toml",
        "Nothing affected that this certificate could tell: it does not say how the instrument came.",
    ])  # fmt: skip
    assert facts(home, "impact", "CAL-26-0311")["runs"] == []
    refusal = call(home, "show", "CAL-26-0311", "--pdf", tmp_path / "sheet.pdf")
    assert str(refusal.exception) == (
        "Calibration CAL-26-0311: certificate: found that of bench.toml; "
        "--picture, --pdf and --entry need one of the register."
    )


def test_a_number_of_two_instruments_is_shown_with_its_serial(three, points):
    """Without it nobody guesses."""
    facts(three, *options(points, "SCL-NEW", 10, serial="T-0043"))
    for command in ("show", "impact"):
        assert str(call(three, command, "SCL-NEW").exception) == (
            "There is a calibration SCL-NEW of each of these instruments: T-0042, T-0043."
        )
        assert facts(three, command, "SCL-NEW", "--serial", "T-0043")["serial"] == "T-0043"


def test_an_unknown_certificate_is_refused(three):
    """With the ones that are there."""
    refusal = call(three, "show", "SCL-27")
    assert str(refusal.exception) == "There is no calibration SCL-27 in the register; it holds SCL-OLD, SCL-NEW."


def test_no_as_found_and_no_fault_undo_nothing(home, points, tmp_path):
    """Said plainly, exit code 0."""
    facts(home, *options(points))
    silent = call(home, "impact", "SCL-A")
    assert (silent.exit_code, silent.output.splitlines()[0]) == (0, "as found    not stated")
    came = csv_of(tmp_path / "came.csv", readings(*((psi, psi + 0.1) for psi in (0, 500, 1000))))
    facts(home, *options(points, "SCL-B", 1, as_found=str(came), tolerance="1 psi"))
    fine = call(home, "impact", "SCL-B")
    assert (fine.exit_code, fine.output.splitlines()[-1]) == (
        0, "Nothing affected: the instrument came to its calibration in order.",
    )  # fmt: skip


# Second gauge -----------------------------------------------------------------------------------


def checked(**changes: str) -> list[str]:
    stated = {
        "gauge": "test gauge G-07", "gauge_reading": "250 psi", "gauge_uncertainty": "1.5 psi", "by": "Mara Quill",
        "reading": "250.3 psi",
    } | changes  # fmt: skip
    return ["check", *(part for name, text in stated.items() for part in (f"--{name.replace('_', '-')}", text))]


def check(home: Path, **changes: str) -> Result:
    return call(home, *checked(**changes))


@pytest.mark.parametrize(("reading", "code"), [("251.8 psi", 0), ("251.81 psi", 1), ("17.36 bar", 0)])
def test_a_check_agrees_up_to_both_uncertainties(home, reading, code):
    """U of the channel 1.0 psi, of the gauge 1.5 psi: 1.803 psi apart is allowed. Both outcomes are kept."""
    result = check(home, reading=reading)
    assert result.exit_code == code
    assert result.output.startswith("AGREES: " if code == 0 else "DISAGREES: ")
    with read_store(Home(home)) as store:
        (kept,) = store.gauge_checks_of("T-0042")
    assert kept.check.agrees is (code == 0)
    assert kept.certificate_number == "CAL-26-0311"


def test_a_check_takes_u_of_the_register_at_that_pressure(home, points):
    """CAL-1: 0.4305 psi between 200 and 300 psi, not the 0.584 of the whole range."""
    facts(home, *options(points))
    check(home, zero="0.1 psi")
    with read_store(Home(home)) as store:
        (kept,) = store.gauge_checks_of("T-0042")
    assert str(kept.check.indicated) == "250.2 psi"
    assert kept.check.uncertainty.to("psi") == pytest.approx(0.4299, abs=0.0005)


CHECK = "check against a second gauge"


@pytest.mark.parametrize(("change", "sentence"), [
    ({"gauge": " "}, f"{CHECK}: found an empty name; allowed the name of the gauge and of whoever compared them."),
    ({"gauge_uncertainty": "0 psi"}, f"{CHECK}: found U of the gauge 0 psi; allowed more than 0."),
    ({"gauge_uncertainty": "4.01 psi"},
     f"{CHECK}: found U of the gauge 4.01 psi; allowed 4.00 psi, 4 times U of the channel there."),
    ({"gauge_reading": "1.8 psi", "reading": "1 psi"},
     f"{CHECK}: found 1.8 psi where 1.80 psi apart is allowed; allowed a pressure at which a wrong gauge would show."),
    ({"reading": "1000.01 psi"},
     "Channel PT-101 is calibrated 0 psi to 1000 psi, but this test needs 1000.01 psi for the check."),
    ({"reading": "250"}, "Pressure cannot be read from '250'; a number and a unit are needed."),
])  # fmt: skip
def test_a_check_that_could_not_find_anything_is_refused(home, change, sentence):
    """And is not kept."""
    refusal = check(home, **change)
    assert str(refusal.exception) == sentence
    with read_store(Home(home)) as store:
        assert store.gauge_checks_of("T-0042") == ()


def test_a_disagreement_is_cleared_only_where_it_would_show_again(home):
    """At 250 psi it is 2.5 psi off; at 20 psi that says nothing, at 187.5 psi it does."""
    assert check(home, reading="252.5 psi").output.splitlines() == [
        f"DISAGREES: 252.50 psi beside 250.00 psi on test gauge G-07 on {TODAY}: 2.50 psi apart, 1.80 psi is allowed.",
        "U of PT-101 1.0 psi, of the gauge 1.5 psi (k = 2); normalized error +1.39, at most 1 either way",
        "No run starts until a check there agrees or the instrument is calibrated again.",
        "A run that is open now accepts nothing any more.",
    ]
    low = check(home, reading="20.3 psi", gauge_reading="20 psi")
    assert (low.exit_code, low.output.splitlines()) == (1, [
        f"AGREES: 20.30 psi beside 20.00 psi on test gauge G-07 on {TODAY}: 0.30 psi apart, 1.80 psi is allowed.",
        "U of PT-101 1.0 psi, of the gauge 1.5 psi (k = 2); normalized error +0.17, at most 1 either way",
        (
            f"The disagreement stays in force: 252.50 psi beside 250.00 psi on test gauge G-07 on {TODAY}: 2.50 psi "
            "apart, 1.80 psi is allowed; a check at 189.38 psi or more clears it, this one was made at 20.30 psi."
        ),
        "No run starts until a check there agrees or the instrument is calibrated again.",
    ])  # fmt: skip
    coarse = check(home, reading="252.5 psi", gauge_uncertainty="4 psi")
    assert coarse.output.splitlines()[2] == (
        f"The disagreement stays in force: 252.50 psi beside 250.00 psi on test gauge G-07 on {TODAY}: 2.50 psi apart, "
        "1.80 psi is allowed; a better gauge clears it, with this one 4.12 psi apart is allowed."
    )
    assert facts(home, *checked(reading="190 psi", gauge_reading="190 psi"))["disagreement_in_force"] is False
    assert check(home, reading="20.3 psi", gauge_reading="20 psi").exit_code == 0


def test_without_a_reading_the_recorder_must_be_running(home):
    """Nothing is made up."""
    stated = ("--gauge", "G", "--gauge-reading", "1 psi", "--gauge-uncertainty", "1 psi", "--by", "Mara Quill")
    refusal = call(home, "check", *stated)
    assert str(refusal.exception) == f"No recorder is running for {home}."


@pytest.mark.parametrize("hours", ["0", "1.5", '"often"'])
def test_a_wrong_interval_of_checks_is_refused(tmp_path, hours):
    """A whole number of hours from 1 on."""
    with pytest.raises(FileRefusedError, match=r"channel\.gauge_check_every_h"):
        home_at(tmp_path / "home", f"gauge_check_every_h = {hours}")
    assert home_at(tmp_path / "other", "gauge_check_every_h = 8")
