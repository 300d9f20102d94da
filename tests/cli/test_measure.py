"""``testbench measure slope`` and ``leakage``: plain data judged by the recorder's own functions."""

import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from testbench.cli.main import cli
from testbench.errors import BenchError, FileRefusedError, TooFewPointsError
from testbench.metrology.slope_interval import hold_slope


def call(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(cli, ["measure", *map(str, arguments)])
    if result.exception is not None and not isinstance(result.exception, (BenchError, SystemExit)):
        raise result.exception
    return result


def facts(*arguments: str | Path) -> dict:
    result = call(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def write(path: Path, header: str, *columns: np.ndarray | list, formats: str = "{:.10g}") -> Path:
    rows = (",".join(formats.format(float(value)) for value in row) for row in zip(*columns, strict=True))
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


@pytest.fixture
def hold(tmp_path) -> Path:
    """A minute at 10 Hz from 2026 on, 0.6 psi/min of fall, noise 0.05 psi, an outlier and two readings missing."""
    t = np.arange(600) * 0.1
    y = 250 - 0.01 * t + np.random.default_rng(3).normal(0, 0.05, 600)
    y[100] = 300
    kept = np.delete(np.arange(600), [300, 301])
    return write(
        tmp_path / "hold.csv", "time_s,pressure_psi", 1767225600 + t[kept], np.round(y[kept], 2), formats="{:.12g}"
    )


# Slope -------------------------------------------------------------------------------------------


def test_a_slope_with_all_that_it_rests_on(hold):
    """Estimate, unit, interval, method, dof; the outlier flagged, the gap counted; the very numbers of the function."""
    found = facts("slope", hold)
    t, y = np.loadtxt(hold, delimiter=",", skiprows=1).T
    expected = hold_slope(t, y, resolution=0.01)
    assert found["slope"] == expected.per_s
    assert found["half_width"] == expected.half_width
    assert found["slope"] == pytest.approx(-0.01, abs=found["half_width"])
    assert {
        key: found[key] for key in ("unit", "method", "dof", "n", "flagged", "missing", "gaps", "curved", "valid")
    } == {
        "unit": "psi/s",
        "method": expected.method,
        "dof": expected.dof,
        "n": 597,
        "flagged": 1,
        "missing": 2,
        "gaps": 1,
        "curved": False,
        "valid": True,
    }


def test_a_slope_per_minute(hold):
    """The same, times sixty."""
    once, per_min = facts("slope", hold), facts("slope", hold, "--per", "min")
    assert per_min["unit"] == "psi/min"
    assert per_min["slope"] == pytest.approx(60 * once["slope"])
    assert per_min["half_width"] == pytest.approx(60 * once["half_width"])


def test_a_slope_in_words(hold):
    """For the eye: the interval, what was left out, whether it may be concluded from."""
    lines = call("slope", hold, "--per", "min").output.splitlines()
    assert lines[0].startswith("slope       -0.59")
    assert lines[1] == "readings    597 over 59.9 s, 1 flagged and left out"
    assert lines[2] == "gaps        1, 2 readings missing, longest 0.3 s"
    assert lines[3] == "at most     1 % flagged, 2 % missing, a gap of 2 % of the time"
    assert lines[-1] == "conclusion  valid"


def test_norris_through_the_command(tmp_path):
    """NIST StRD Norris from SciPy's wheel, its x sorted and nudged apart by 1e-9 where equal: B1 1.00211681802045."""
    text = (files("scipy.stats") / "tests/data/nist_linregress/Norris.dat").read_text()
    pairs = sorted((float(x), float(y)) for y, x in (line.split() for line in text.splitlines()[60:96]))
    x, y = np.array(pairs).T
    path = write(tmp_path / "norris.csv", "time_s,pressure_psi", x + 1e-9 * np.arange(36), y, formats="{:.12g}")
    found = facts("slope", path, "--noise", "1000")
    assert found["slope"] == pytest.approx(1.00211681802045, rel=1e-9)
    assert found["residual_sd"] == pytest.approx(0.884796396144373, rel=1e-7)
    assert found["n"] == 36


def test_a_coarse_reading_gets_its_rounding_term(tmp_path):
    """A still pressure on steps of 0.244 psi, told: 0.37 psi/min of half-width, not none."""
    path = write(tmp_path / "still.csv", "time_s,pressure_psi", np.arange(601) * 0.1, np.full(601, 249.817))
    found = facts("slope", path, "--per", "min", "--resolution", "0.2442")
    assert found["half_width"] == pytest.approx(0.366, abs=0.001)
    assert found["method"] == "OLS + rounding"
    assert facts("slope", path)["resolution"] == 0.001  # untold: the last written place


def test_a_step_is_seen_in_coarse_readings(tmp_path):
    """12 bits over 1000 psi, written with three decimals: the step seen is used."""
    codes = 1024 + np.random.default_rng(2).integers(0, 2, 600)
    path = write(tmp_path / "codes.csv", "time_s,pressure_psi", np.arange(600) * 0.1, np.round(codes * 1000 / 4095, 3))
    assert facts("slope", path)["resolution"] == pytest.approx(0.244, abs=0.001)


def test_an_invalid_hold_says_why(tmp_path):
    """A gap of 3 s in a minute: the slope is told, and that nothing may be concluded from it."""
    t = np.delete(np.arange(600), slice(200, 230)) * 0.1
    path = write(tmp_path / "gap.csv", "time_s,pressure_psi", t, 250 + np.random.default_rng(1).normal(0, 0.1, t.size))
    found = facts("slope", path)
    assert not found["valid"]
    assert found["gaps"] == 1
    assert found["longest_gap_s"] == pytest.approx(3.1)
    assert found["reason"] == (
        "30 of 600 expected samples are missing, at most 2 % may be; a gap of 3.1 s is longer than 2 % of 59.9 s"
    )
    assert call("slope", path).output.splitlines()[-1] == f"conclusion  invalid: {found['reason']}"


@pytest.mark.parametrize(
    ("values", "options", "conclusion"),
    [
        (250 - 5e-4 * np.arange(0, 60, 0.1) ** 2, (), (
            "invalid: not a straight line: still settling, or a leak that follows the pressure"
        )),
        (np.full(600, 250.13), (), (
            "invalid: the reading did not move: frozen, or its steps hide the change; tell their size with --resolution"
        )),
        (np.full(600, 250.13), ("--resolution", "0.25"), "valid"),
        (250 + 0.1 * (np.arange(23) % 2), (), (
            "invalid: 23 readings are too few to tell noise from a change, at least 24 are needed"
        )),
        (250 + 0.1 * (np.arange(24) % 2), (), "valid"),
        (np.array([250, 250, 250]), ("--resolution", "0.25"), (
            "invalid: 3 readings are too few to tell noise from a change, at least 24 are needed"
        )),
    ],
)  # fmt: skip
def test_what_speaks_against_a_slope(tmp_path, values, options, conclusion):
    """A bend, a reading that stands still on steps of unknown size, too few readings; in words and as data."""
    path = write(tmp_path / "hold.csv", "time_s,pressure_psi", np.arange(values.size) * 0.1, values)
    assert call("slope", path, *options).output.splitlines()[-1] == f"conclusion  {conclusion}"
    found = facts("slope", path, *options)
    assert (found["valid"], found["reason"]) == (
        conclusion == "valid",
        conclusion.removeprefix("invalid: ").removeprefix("valid"),
    )


def test_the_interval_of_a_reading_that_stands_still(tmp_path):
    """1.5 steps over the time, and where that comes from."""
    path = write(tmp_path / "still.csv", "time_s,pressure_psi", np.arange(601) * 0.1, np.full(601, 250.13))
    lines = call("slope", path, "--per", "min", "--resolution", "0.25").output.splitlines()
    assert lines[0] == "slope       0.00 ± 0.38 psi/min (95 %, OLS + rounding, 599 dof)"
    assert lines[-2:] == [
        "still       the reading did not move: frozen, or within its resolution, from which the interval comes",
        "conclusion  valid",
    ]


def test_a_slope_of_the_temperature(tmp_path):
    """The other column, in its own unit."""
    t = np.arange(60.0)
    path = write(tmp_path / "warm.csv", "time_s,pressure_bar,temperature_degC", t, 17 + 0 * t, 20 + 0.001 * t)
    found = facts("slope", path, "--of", "temperature", "--per", "min")
    assert found["slope"] == pytest.approx(0.06)
    assert found["unit"] == "degC/min"


def test_a_bad_line_is_refused(tmp_path):
    """File, line, column, and nothing printed."""
    path = tmp_path / "bad.csv"
    path.write_text("time_s,pressure_psi\n0,250\n1,25o\n2,250\n")
    result = call("slope", path)
    assert isinstance(result.exception, FileRefusedError)
    assert str(result.exception) == f"{path}:3: pressure_psi: found '25o'; a number with a decimal point is needed."
    assert result.stdout == ""


# Collected leakage -------------------------------------------------------------------------------


@pytest.fixture
def vessel(tmp_path) -> Path:
    """7 mL drain down in the first minute, then 5 mL a minute."""
    return write(tmp_path / "vessel.csv", "time_s,volume_mL", [0, 60, 120, 180, 240], [0, 7, 12, 17, 22])


@pytest.mark.parametrize(
    ("limit", "decision"),
    [("306 mL/h", "accepted"), ("305 mL/h", "inconclusive"), ("295 mL/h", "inconclusive"), ("294 mL/h", "rejected")],
)
def test_a_collected_rate_against_its_limit(vessel, limit, decision):
    """300 mL/h, U = 5.9 mL/h (√2 × 0.2 mL and 1 s in 180 s): accepted from 305.9 on, rejected below 294.1."""
    found = facts("leakage", vessel, "--settle", 60, "--volume-u", "0.2 mL", "--limit", limit)
    assert found["rate"] == 300
    assert found["expanded_uncertainty"] == pytest.approx(5.897, abs=0.001)
    assert (found["unit"], found["k"], found["n"], found["left_out"]) == ("mL/h", 2, 4, 1)
    assert found["decision"] == decision


def test_a_collected_rate_in_words(vessel):
    """Rate, readings, decision; without a limit what speaks against the rate."""
    lines = call("leakage", vessel, "--settle", 60, "--volume-u", "0.2 mL", "--limit", "400 mL/h").output.splitlines()
    assert lines == [
        "rate      300.0 ± 5.9 mL/h (k = 2), by collection",
        "readings  4, 1 left out while it drained down",
        "decision  accepted: 300.0 mL/h with U = 5.9 mL/h; 400 mL/h is allowed: within the limit.",
    ]
    shown = call("leakage", vessel, "--volume-u", "0.2 mL").output.splitlines()
    assert shown[2] == "but       the rate went from 360.00 mL/h to 300.00 mL/h: still draining down"


def test_a_vessel_that_still_drains_decides_nothing(vessel):
    """Without a settle period the rate falls from half to half."""
    found = facts("leakage", vessel, "--volume-u", "0.2 mL", "--limit", "1000 mL/h")
    assert found["decision"] == "inconclusive"
    assert found["reason"].endswith(
        "but the rate went from 360.00 mL/h to 300.00 mL/h: still draining down; collect again."
    )


def test_the_rate_is_shown_in_the_unit_of_the_limit(vessel):
    """US fluid ounces an hour, an exact factor away."""
    found = facts("leakage", vessel, "--settle", 60, "--volume-u", "0.2 mL", "--limit", "12 fl_oz/h")
    assert found["unit"] == "fl_oz/h"
    assert found["rate"] == pytest.approx(300 / 29.5735295625)


def test_drops_need_their_convention(tmp_path):
    """16 drops a millilitre: 32 drops in a minute are 120 mL/h; without the convention there is no volume."""
    path = write(tmp_path / "drops.csv", "time_s,drops", [0, 30, 60], [0, 16, 32])
    assert facts("leakage", path, "--drops-per-ml", 16)["rate"] == pytest.approx(120)
    result = call("leakage", path)
    assert result.exit_code == 2
    assert "Drops mean nothing without a convention; tell one with --drops-per-ml." in result.output


def test_a_limit_needs_the_uncertainty_of_the_volume(vessel):
    """A rate alone may be shown without; a decision may not."""
    result = call("leakage", vessel, "--limit", "300 mL/h")
    assert result.exit_code == 2
    assert "A volume without its uncertainty decides nothing; tell it with --volume-u." in result.output
    shown = call("leakage", vessel, "--settle", 60).output
    assert shown.startswith("rate      300 ± ")
    assert "decision" not in shown


NO_RATE = "a rate above 0; a limit of 0 means no visible leakage, which is looked for and is no rate"


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--limit", "0 mL/h"), f"limit: found 0 mL/h; allowed {NO_RATE}."),
        (("--limit", "-60 mL/h"), "limit: found -60 mL/h; allowed more than 0."),
        (("--volume-u", "0 mL"), "U of the volume: found 0 mL; allowed more than 0."),
        (("--volume-u", "-1 mL"), "U of the volume: found -1 mL; allowed more than 0."),
    ],
)
def test_a_limit_or_an_uncertainty_that_is_none_is_refused(vessel, options, sentence):
    """Nothing is measured without doubt, and what may not leak at all is looked at."""
    result = call("leakage", vessel, "--volume-u", "0.2 mL", *options)
    assert str(result.exception) == sentence
    assert result.stdout == ""


def test_a_file_that_is_not_there(tmp_path):
    """No line of it can be corrected."""
    result = call("leakage", tmp_path / "none.csv")
    assert str(result.exception) == (
        f"{tmp_path}/none.csv: the file: found No such file or directory; a readable file is needed."
    )
    assert result.exception.remedy == "Check the name of the file and who may read it; nothing has been changed."


def test_the_exit_codes_are_told():
    """A decision is an answer: whatever it is, the command did its work."""
    told = " ".join(call("leakage", "--help").output.split())
    assert (
        "Exit code 0: measured, whatever was decided; 1: the data are refused; 2: an option is missing or wrong."
        in told
    )


def test_a_vessel_that_empties_is_refused(tmp_path):
    """Its content cannot fall by more than it can be read."""
    path = write(tmp_path / "spilt.csv", "time_s,volume_mL", [0, 60, 120], [0, 7, 2])
    result = call("leakage", path, "--volume-u", "0.2 mL")
    assert str(result.exception) == (
        f"{path}:4: volume_mL: found 2 after 7; the content of a vessel that fills does not fall."
    )


def test_too_few_readings_after_the_settle_period(vessel):
    """Nothing is guessed."""
    result = call("leakage", vessel, "--volume-u", "0.2 mL", "--settle", 200)
    assert isinstance(result.exception, TooFewPointsError)


# Pressure decay ----------------------------------------------------------------------------------


@pytest.fixture
def bleeds(tmp_path) -> Path:
    """1 mL three times from an NPS 6 body."""
    return write(tmp_path / "bleeds.csv", "volume_mL,loss_psi", [1, 1, 1], [30.1, 29.7, 30.4])


def decay(hold: Path, bleeds: Path, *more: str | Path) -> dict:
    return facts("leakage", hold, "--bleeds", bleeds, "--required", "245 psi", *more)


@pytest.mark.parametrize(
    ("limit", "drift_k_min", "decision"), [("60 mL/h", "0.01", "accepted"), ("0.6 mL/h", "0.001", "rejected")]
)
def test_a_decay_against_its_limit(hold, bleeds, limit, drift_k_min, decision):
    """A fall of 0.6 psi/min with C = 0.0333 mL/psi is 1.2 mL/h; β 40.8 psi/K."""
    found = decay(hold, bleeds, "--beta", "40.8 psi/K", "--drift-u", drift_k_min, "--limit", limit)
    assert found["rate"] == pytest.approx(1.2, abs=0.05)
    assert found["compliance_mL_per_psi"] == pytest.approx(1 / 30.07, rel=0.001)
    assert found["resolvable"]
    assert found["decision"] == decision
    assert found["k"] == 1.6449


def test_a_limit_that_decay_cannot_decide_is_collected(hold, bleeds):
    """A temperature that may drift by 0.05 K/min unseen hides 4 mL/h: the gate says so, and nothing is decided."""
    found = decay(hold, bleeds, "--beta", "40.8 psi/K", "--drift-u", "0.05", "--limit", "3.75 mL/h")
    assert not found["resolvable"]
    assert found["decision"] == "inconclusive"
    assert found["next_step"] == "collect the leakage"
    assert found["reason"].startswith(
        "Nothing is decided: Pressure decay cannot decide 3.75 mL/h on this bench: however long it holds, temperature"
    )


def test_a_decay_without_a_word_on_temperature_decides_nothing(hold, bleeds):
    """Neither blank runs nor β."""
    found = decay(hold, bleeds, "--limit", "60 mL/h")
    assert found["decision"] == "inconclusive"
    assert "neither blank runs nor β" in found["reason"]


def test_air_is_told_instead_of_a_leak(hold, bleeds):
    """C of more than three times the water's own."""
    found = decay(
        hold, bleeds, "--beta", "40.8 psi/K", "--drift-u", "0.01", "--water-only", "0.01 mL/psi", "--limit", "60 mL/h"
    )
    assert found["water_only_ratio"] == pytest.approx(3.33, abs=0.01)
    assert found["decision"] == "inconclusive"
    assert found["next_step"] == "vent, fill and pressurize again"


def test_an_empty_body_is_not_accepted(tmp_path, bleeds):
    """0.4 psi that stand still: below what is required, whatever the rate."""
    t = np.arange(600) * 0.1
    path = write(tmp_path / "empty.csv", "time_s,pressure_psi", t, np.random.default_rng(1).normal(0.4, 0.05, 600))
    found = decay(path, bleeds, "--beta", "40.8 psi/K", "--drift-u", "0.001", "--limit", "60 mL/h")
    assert found["decision"] == "inconclusive"
    assert "at least 245 psi is needed" in found["reason"]


def test_blank_runs_take_the_bench_s_own_drift_off(tmp_path, hold, bleeds):
    """Three blanks that fall by 0.6 psi/min as the valve does: nothing is left within its uncertainty."""
    t, rng = np.arange(600) * 0.1, np.random.default_rng(5)
    blanks = []
    for run, per_min in enumerate((0.55, 0.6, 0.65)):
        values = 250 - per_min / 60 * t + rng.normal(0, 0.05, 600)
        blanks += ["--blank", write(tmp_path / f"blank-{run}.csv", "time_s,pressure_psi", t, np.round(values, 2))]
    found = decay(hold, bleeds, *blanks, "--limit", "60 mL/h")
    assert abs(found["rate"]) < found["expanded_uncertainty"]
    assert found["dominant"] == "the spread of the blank runs"
    assert found["decision"] == "accepted"


def test_a_hold_is_no_blank_of_itself(tmp_path, hold, bleeds):
    """Neither under its own name nor as a copy that begins at another time; and a blank counts once."""
    t, y = np.loadtxt(hold, delimiter=",", skiprows=1).T
    copy = write(tmp_path / "copy.csv", "time_s,pressure_psi", t - t[0], y, formats="{:.12g}")
    blank = write(tmp_path / "blank.csv", "time_s,pressure_psi", t - t[0], y + 1, formats="{:.12g}")
    others = "allowed other holds, on a body known to be tight."
    for blanks, own, other in (
        ((hold, blank), hold, hold),
        ((blank, copy), copy, hold),
        ((blank, blank), blank, blank),
    ):
        result = call("leakage", hold, "--bleeds", bleeds, "--blank", blanks[0], "--blank", blanks[1])
        assert str(result.exception) == f"blank runs: found {own} has the very readings of {other}; {others}"


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--limit", "0 mL/h", "--required", "245 psi"), f"limit: found 0 mL/h; allowed {NO_RATE}."),
        (("--beta", "0 psi/K", "--drift-u", "0.1"), "β: found 0 psi/K; allowed more than 0."),
        (("--compliance", "0 mL/psi"), "C: found 0 mL/psi; allowed more than 0."),
        (("--compliance-u", "0 mL/psi"), "u of C: found 0 mL/psi; allowed more than 0."),
    ],
)
def test_nothing_of_a_decay_is_known_without_doubt(hold, options, sentence):
    """An uncertainty of 0 would be a decision without ground."""
    stated = ("--compliance", "0.0333 mL/psi", "--compliance-u", "0.0017 mL/psi")
    assert str(call("leakage", hold, *stated, *options).exception) == sentence


def test_a_drift_without_doubt_is_a_wrong_option(hold, bleeds):
    """--drift-u 0 says that the temperature cannot drift at all."""
    result = call("leakage", hold, "--bleeds", bleeds, "--beta", "40.8 psi/K", "--drift-u", "0")
    assert result.exit_code == 2
    assert "Invalid value for '--drift-u': 0.0 is not in the range x>0." in result.output


@pytest.mark.parametrize(("unit", "start", "per_kelvin"), [("degC", 20, 1.0), ("K", 293, 1.0), ("degF", 68, 1.8)])
def test_a_measured_temperature_is_taken_off(tmp_path, bleeds, unit, start, per_kelvin):
    """Cooling by 0.06 K/min with β 40.8 psi/K explains a fall of 2.448 psi/min, on any scale."""
    t, rng = np.arange(600) * 0.1, np.random.default_rng(5)
    path = write(
        tmp_path / "cooling.csv",
        f"time_s,pressure_psi,temperature_{unit}",
        t,
        np.round(250 - 2.448 / 60 * t + rng.normal(0, 0.05, 600), 2),
        np.round(start + per_kelvin * (-0.001 * t + rng.normal(0, 0.002, 600)), 3),
    )
    found = decay(path, bleeds, "--beta", "40.8 psi/K", "--limit", "60 mL/h")
    assert abs(found["rate"]) < found["expanded_uncertainty"]
    assert found["decision"] == "accepted"
    assert facts("leakage", path, "--bleeds", bleeds)["rate"] == pytest.approx(2.448 / 30.07 * 60, rel=0.02)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "A decay needs C: --bleeds FILE, or --compliance with its --compliance-u."),
        (("--compliance", "0.0333 mL/psi"), "A decay needs C: --bleeds FILE, or --compliance with its --compliance-u."),
        (("--limit", "60 mL/h"), "Tell with --required the least pressure of the hold: an empty body looks tight."),
    ],
)
def test_what_a_decay_cannot_do_without(hold, options, words):
    """C with its uncertainty; with a limit the least pressure."""
    result = call("leakage", hold, *options)
    assert result.exit_code == 2
    assert words in " ".join(result.output.split())


@pytest.mark.parametrize(
    ("count", "value", "reason"),
    [
        (
            600,
            250.13,
            "the reading did not move: frozen, or its steps hide the change; tell their size with --resolution",
        ),
        (3, 250.13, "3 readings are too few to tell noise from a change, at least 24 are needed"),
    ],
)
def test_a_frozen_reading_is_no_tight_valve(tmp_path, bleeds, count, value, reason):
    """Nothing is decided on readings that stand still on steps of unknown size, nor on a few."""
    path = write(tmp_path / "hold.csv", "time_s,pressure_psi", np.arange(count) * 0.1, np.full(count, value))
    found = decay(path, bleeds, "--beta", "40.8 psi/K", "--drift-u", "0.01", "--limit", "60 mL/h")
    assert found["decision"] == "inconclusive"
    assert not found["valid"]
    assert found["reason"] == f"Nothing is decided: the hold is invalid: {reason}."


def test_c_may_be_stated_with_its_uncertainty(hold):
    """0.0333 mL/psi, u 5 %: in words, without a decision."""
    shown = call(
        "leakage", hold, "--compliance", "0.0333 mL/psi", "--compliance-u", "0.0017 mL/psi", "--beta", "40.8 psi/K",
        "--drift-u", "0.01",
    ).output.splitlines()  # fmt: skip
    assert shown[0] == "rate      1.2 ± 1.4 mL/h (k = 1.6449), by pressure decay"
    assert shown[1] == "slope     -0.592 ± 0.019 psi/min (95 %, 6 blocks)"
    assert shown[2] == "C         0.0333 mL/psi, largest uncertainty from temperature"
    assert len(shown) == 3


def test_the_group_tells_its_commands_and_refuses_others():
    """Names and one line each; an unknown name is a usage error."""
    shown = call("--help").output
    assert "slope" in shown
    assert "leakage" in shown
    assert call("weight", "x.csv").exit_code == 2


@pytest.mark.parametrize("name", ["slope", "leakage"])
def test_every_command_tells_its_options(name):
    """--help works and names JSON."""
    result = call(name, "--help")
    assert result.exit_code == 0
    assert "--json" in result.output
