"""``testbench measure calibration|uncertainty|chart|gauge-study``: plain data in, the recorder's own answers out."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import BenchError


def wrote(folder: Path, *lines: str) -> str:
    file = folder / "data.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(file)


def facts(*words: str):
    """The JSON that a measurement prints."""
    done = CliRunner().invoke(cli, ["measure", *words, "--json"], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.output)


def shown(*words: str) -> str:
    """The text that a measurement prints."""
    done = CliRunner().invoke(cli, ["measure", *words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def refused(*words: str) -> str:
    """The sentence that a measurement is refused with."""
    done = CliRunner().invoke(cli, ["measure", *words])
    assert isinstance(done.exception, BenchError), done.output
    return str(done.exception)


# Calibration ------------------------------------------------------------------------------------


def transmitter(*, directions: bool = True) -> list[str]:
    """A made transmitter, 0–1000 psi on 0.5–4.5 V, in two series up and two down; bent, lagging, and once shifted."""
    lines = ["reference_psi,indication_V,direction" if directions else "reference_psi,indication_V"]
    for down, k in ((0, 0), (1, 0), (0, 1), (1, 1)):
        levels = range(0, 1001, 100)
        for psi in reversed(levels) if down else levels:
            x = psi / 1000
            tick = 0.0001 if (psi // 100 + k) % 3 == 0 else 0.0
            volt = 0.5 + 0.004 * psi + (0.004 + down * 0.0048) * x * (1 - x) + 0.0002 * k + tick
            lines.append(f"{psi},{volt:.4f}" + (f",{'down' if down else 'up'}" if directions else ""))
    return lines


KNOWN = ("--reference-uncertainty", "0.05", "--resolution", "0.0001")


@pytest.mark.parametrize("directions", [True, False])
def test_a_calibration_from_a_file(tmp_path: Path, directions: bool):
    """Line, its uncertainties, and at 500 psi U 0.184 and an error span of 0.350 psi; directions may be left out."""
    found = facts("calibration", wrote(tmp_path, *transmitter(directions=directions)), *KNOWN, "--tolerance", "1")
    assert found["intercept"] == pytest.approx(-125.2728, abs=0.00005)
    assert found["slope"] == pytest.approx(250.000491, abs=5e-7)
    assert found["residual_sd"] == pytest.approx(0.1804, abs=0.00005)
    assert (found["u_intercept"], found["u_slope"]) == pytest.approx((0.0603, 0.0215), abs=0.00005)
    assert (found["dof"], found["n"], found["unit"], found["indication_unit"]) == (42, 44, "psi", "V")
    assert found["quadratic"]["earned"] is False
    at_500 = found["points"][5]
    assert at_500["reference"] == 500
    assert at_500["expanded_uncertainty"] == pytest.approx(0.184, abs=0.0005)
    assert at_500["error_span"] == pytest.approx(0.350, abs=0.0005)
    assert sum(component["share"] for component in at_500["components"]) == pytest.approx(1)


def test_a_calibration_in_words(tmp_path: Path):
    """The same for the eye; without a tolerance the bend is not judged."""
    page = shown("calibration", wrote(tmp_path, *transmitter()), *KNOWN)
    assert "line        psi = -125.2728 + 250.000491·V" in page
    assert "curvature   significant, up to 0.239 psi; name a --tolerance to judge it" in page
    assert "500         +0.1659    0.0500         0.3000      0.19       2.00  0.3496" in page
    assert "the line will do\n" in shown("calibration", wrote(tmp_path, *transmitter()), "--tolerance", "1")
    judged = shown("calibration", wrote(tmp_path, *transmitter()), "--tolerance", "0.9")
    assert "the line will not do, use -124.8103 + 249.503262·x + 0.0994321·x²" in judged


def test_u_without_the_reference_says_so(tmp_path: Path):
    """Fixed or in %, either will do."""
    left_out = (
        "U           without the reference, whose uncertainty was not stated: from the scatter and the rest alone\n"
    )
    file = wrote(tmp_path, *transmitter())
    assert left_out in shown("calibration", file)
    assert left_out not in shown("calibration", file, "--reference-percent", "0.01")
    assert left_out not in shown("calibration", file, "--reference-uncertainty", "0.05")


def test_the_zero_takes_two_series_to_be_seen_moving(tmp_path: Path):
    """No unit beside what is no number."""
    one = wrote(tmp_path, "reference_bar,indication_bar", "0,0.0", "1,1.1", "2,2.0", "3,2.9")
    assert "zero        not seen: it takes more than one series\n" in shown("calibration", one)
    assert " psi between series\n" in shown("calibration", wrote(tmp_path, *transmitter()))


@pytest.mark.parametrize(
    ("readings", "curvature"),
    [
        ([0, 1, 2], "too few points to see any"),
        ([0.0, 1.1, 2.0, 2.9, 4.0, 5.1], "none that is significant"),
    ],
)
def test_a_bend_that_cannot_be_seen_is_not_made_up(tmp_path: Path, readings: list[float], curvature: str):
    """Three points bend as they like, and scatter is no bend."""
    page = shown(
        "calibration", wrote(tmp_path, "reference_psi,indication_psi", *(f"{i},{x}" for i, x in enumerate(readings)))
    )
    assert f"curvature   {curvature}\n" in page


def test_the_drift_against_the_previous_calibration(tmp_path: Path):
    """A zero that moved by 0.002 V, 0.5 psi, is told at every point, and that it is more than U."""
    before = tmp_path / "before.csv"
    before.write_text("\n".join(transmitter()), encoding="utf-8")
    moved = [line.split(",") for line in transmitter()[1:]]
    now = wrote(tmp_path, transmitter()[0], *(f"{y},{float(x) - 0.002:.4f},{d}" for y, x, d in moved))
    found = facts("calibration", now, "--previous", str(before))
    assert [one["drift"] for one in found["drift"]] == pytest.approx([0.5] * 11, abs=1e-6)
    assert "drift at 500 psi: +0.5 psi, more than U" in shown("calibration", now, "--previous", str(before))


def test_a_calibration_of_a_plain_line(tmp_path: Path):
    """GUM H.3, corrections on temperatures above 20 °C: −0.1712 (0.0029), 0.00218 (0.00067), ν 9."""
    warm = [1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511]
    corrections = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    rows = [f"{y},{x}" for x, y in zip(warm, corrections, strict=True)]
    found = facts("calibration", wrote(tmp_path, "reference_degC,indication_degC", *rows))
    assert (found["intercept"], found["slope"]) == pytest.approx((-0.1712, 0.00218), abs=0.00005)
    assert (found["u_intercept"], found["u_slope"]) == pytest.approx((0.0029, 0.00067), abs=0.00005)
    assert found["dof"] == 9
    assert found["zero_deviation"] is None


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (["pressure_psi", "1", "2", "3"], "1: reference: found pressure_psi; a column reference_unit is needed."),
        (
            ["reference_psi,indication_psi", "0,0", "1,x", "2,2"],
            "3: indication_psi: found 'x'; a number with a decimal point is needed.",
        ),
        (
            ["reference_psi,indication_psi,direction", "0,0,up", "1,1,sideways", "2,2,up"],
            "3: direction: found 'sideways'; up, down or nothing.",
        ),
    ],
)
def test_a_calibration_file_that_cannot_be_read(tmp_path: Path, lines: list[str], sentence: str):
    """File, line, column, found, allowed."""
    file = wrote(tmp_path, *lines)
    assert refused("calibration", file) == f"{file}:{sentence}"


def test_a_previous_calibration_in_other_units_is_refused(tmp_path: Path):
    """Drift in psi needs points in psi."""
    before = tmp_path / "before.csv"
    before.write_text("reference_bar,indication_V\n0,0\n1,1\n2,2\n", encoding="utf-8")
    sentence = refused("calibration", wrote(tmp_path, *transmitter()), "--previous", str(before))
    assert sentence == f"{before}: units: found bar and V; psi and V are needed."


# Uncertainty ------------------------------------------------------------------------------------

END_GAUGE = ["name,uncertainty,dof", "a,25,18", "b,5.8,24", "c,3.9,5", "d,6.7,8", "e,2.9,50", "f,16.6,2"]


def test_the_end_gauge_of_the_gum_from_a_file(tmp_path: Path):
    """GUM H.1: u 31.67 nm, ν 16.7, k₉₉ 2.92, U₉₉ 93 nm."""
    file = wrote(tmp_path, *END_GAUGE)
    found = facts("uncertainty", file, "--probability", "0.99")
    assert found["standard_uncertainty"] == pytest.approx(31.67, abs=0.005)
    assert found["effective_dof"] == pytest.approx(16.75, abs=0.01)
    assert found["coverage_factor"] == pytest.approx(2.92, abs=0.005)
    assert found["expanded_uncertainty"] == pytest.approx(92.5, abs=0.05)
    assert found["decision"] is None
    assert "U = 93 nm (k = 2.92, 99 %)" in shown("uncertainty", file, "--probability", "0.99", "--unit", "nm")


def test_every_kind_of_component(tmp_path: Path):
    """Standard, expanded, rectangular, triangular, arcsine; a sensitivity where it is not 1; words may be left out."""
    rows = ["name,uncertainty,kind,sensitivity,dof", "a,1,,1,", "b,2,expanded,1,", "c,3,rectangular,2,inf"]
    rows += ["d,6,triangular,1,", "e,2,arcsine,-1,"]
    found = facts("uncertainty", wrote(tmp_path, *rows))
    contributions = [component["contribution"] for component in found["components"]]
    assert contributions == pytest.approx([1, 1, 2 * 3**0.5, 6**0.5, -(2**0.5)])
    assert found["effective_dof"] is None
    assert found["coverage_factor"] == pytest.approx(2)


def test_a_correlation_between_two_components(tmp_path: Path):
    """Fully together they add; fully against each other they cancel."""
    file = wrote(tmp_path, "name,uncertainty", "a,3", "b,4")
    for coefficient, combined in (("0", 5), ("1", 7), ("-1", 1)):
        found = facts("uncertainty", file, "--correlation", f"a,b,{coefficient}")
        assert found["standard_uncertainty"] == pytest.approx(combined)


@pytest.mark.parametrize(
    ("value", "rule", "conformity"),
    [
        ("90", "guarded", "conforms"),
        ("91", "guarded", "within the guard band"),
        ("91", "guarded-95", "conforms"),
        ("92", "guarded-95", "within the guard band"),
        ("100", "simple", "conforms"),
        ("100.1", "simple", "does not conform"),
    ],
)
def test_a_decision_against_an_upper_limit(tmp_path: Path, value: str, rule: str, conformity: str):
    """U = 10 mL/h (k = 2) against at most 100 mL/h."""
    file = wrote(tmp_path, "name,uncertainty", "rate,5")
    words = ["uncertainty", file, "--value", value, "--unit", "mL/h", "--at-most", "100", "--rule", rule]
    decision = facts(*words)["decision"]
    assert decision["conformity"] == conformity
    assert decision["words"] in shown(*words)


def test_a_decision_against_a_lower_limit(tmp_path: Path):
    """JCGM 106, burst test with water: 509.7 kPa, u 8.6, at least 490: probability 0.989 (from memory)."""
    file = wrote(tmp_path, "name,uncertainty", "gauge,8.6")
    decision = facts("uncertainty", file, "--value", "509.7", "--unit", "kPa", "--at-least", "490")["decision"]
    assert decision["conformity"] == "conforms"
    assert decision["conformance_probability"] == pytest.approx(0.989, abs=0.0005)
    assert decision["specific_risk"] == pytest.approx(0.011, abs=0.0005)
    assert decision["acceptance_limit"] == pytest.approx(507.2)


UNITS = "allowed a --unit of pressure, volume or leakage rate, such as psi, mL or mL/h."


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            ["--at-most", "5"],
            "decision: found no --value; allowed a --value and one limit.",
        ),
        (
            ["--value", "3", "--at-most", "5", "--at-least", "1"],
            "decision: found --at-most and --at-least; allowed a --value and one limit.",
        ),
        (["--value", "3", "--at-most", "5"], f"decision: found no --unit; {UNITS}"),
        (["--value", "3", "--unit", "nm", "--at-most", "5"], f"decision: found --unit 'nm'; {UNITS}"),
        (["--correlation", "a,b"], "correlation: found 'a,b'; allowed two names and a coefficient, as in 'a,b,0.8'."),
    ],
)
def test_a_question_that_cannot_be_answered(tmp_path: Path, words: list[str], sentence: str):
    """What is missing is named."""
    assert refused("uncertainty", wrote(tmp_path, *END_GAUGE), *words) == sentence


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("a,1,normal,", "2: kind: found 'normal'; standard, expanded, rectangular, triangular, arcsine."),
        ("a,1,standard,many", "2: dof: found 'many'; a number, inf or nothing."),
        (",1,standard,3", "2: name: found nothing; a word is needed."),
    ],
)
def test_a_component_that_cannot_be_read(tmp_path: Path, row: str, sentence: str):
    """File, line, column, found, allowed."""
    file = wrote(tmp_path, "name,uncertainty,kind,dof", row)
    assert refused("uncertainty", file) == f"{file}:{sentence}"


# Charts -----------------------------------------------------------------------------------------


def test_a_chart_of_individuals_with_capability(tmp_path: Path):
    """NIST/SEMATECH e-Handbook 6.3.2.2 (from memory): 50.81, 45.8159 … 55.8041 with d2 = 1.128."""
    values = ["49.6", "47.6", "49.9", "51.3", "47.8", "51.2", "52.6", "52.4", "53.6", "52.1"]
    file = wrote(tmp_path, "value_L/min", *values)
    found = facts("chart", file, "--lower-limit", "40", "--upper-limit", "60")
    single, moving = found["charts"]
    assert (single["lower"][0], single["upper"][0]) == pytest.approx((45.8159, 55.8041), abs=0.0018)
    assert (single["signals"], moving["name"], found["unit"]) == ([], "MR", "L/min")
    assert found["capability"]["cpk"] == pytest.approx((60 - 50.81) / (3 * found["capability"]["standard_deviation"]))
    page = shown("chart", file, "--upper-limit", "60")
    assert "I    centre 50.81 L/min, limits 45.8176 to 55.8024\n     no signal" in page
    assert "Cpk  " in page
    assert "Cp   " not in page
    assert "Cp   " in shown("chart", file, "--lower-limit", "40", "--upper-limit", "60")


@pytest.mark.parametrize(("kind", "spread"), [("xbar-r", "R"), ("xbar-s", "S")])
def test_a_chart_of_subgroups(tmp_path: Path, kind: str, spread: str):
    """Subgroups are named; the last of them is out."""
    rows = [f"{group},{250 + part + (9 if group == 7 else 0)}" for group in range(8) for part in (0, 1, 2)]
    found = facts("chart", wrote(tmp_path, "subgroup,value_psi", *rows), "--kind", kind)
    means, spreads = found["charts"]
    assert (len(means["points"]), spreads["name"], spreads["signals"]) == (8, spread, [])
    assert means["signals"] == [{"point": 8, "rule": "one point beyond 3 sigma"}]


def test_a_chart_of_proportions_with_the_yield(tmp_path: Path):
    """Rejected valves of each week; the whole has a yield with both intervals."""
    file = wrote(tmp_path, "defective,inspected", "5,66", "60,66", "5,66", "11,65")
    found = facts("chart", file, "--kind", "p")
    assert found["charts"][0]["signals"] == [
        {"point": point, "rule": "one point beyond 3 sigma"} for point in (1, 2, 3)
    ]
    assert (found["yield"]["accepted"], found["yield"]["tested"]) == (182, 263)
    assert found["yield"]["wilson"] == pytest.approx([1 - 0.3662, 1 - 0.2553], abs=0.00005)
    assert found["yield"]["clopper_pearson"] == pytest.approx([1 - 0.3676, 1 - 0.2527], abs=0.00005)
    assert "(Wilson)" in shown("chart", file, "--kind", "p")


def test_charts_of_counts_and_rates(tmp_path: Path):
    """Defects per lot, and per unit in lots of different size."""
    file = wrote(tmp_path, "defects,units", "16,1", "16,1", "16,4")
    assert facts("chart", file, "--kind", "c")["charts"][0]["upper"] == [28, 28, 28]
    assert facts("chart", file, "--kind", "u")["charts"][0]["centre"] == 8
    assert "(by size of lot)" in shown("chart", file, "--kind", "u")


def test_every_rule_can_be_asked(tmp_path: Path):
    """Six in a row rising is no signal by default."""
    file = wrote(tmp_path, "value_psi", "1", "2", "3", "4", "5", "6")
    assert facts("chart", file)["charts"][0]["signals"] == []
    rules = {signal["rule"] for signal in facts("chart", file, "--all-rules")["charts"][0]["signals"]}
    assert "six in a row rising or falling" in rules


def test_a_count_is_a_whole_number(tmp_path: Path):
    """Half a defect is a slip of the pen."""
    file = wrote(tmp_path, "defects", "1", "2.5", "3")
    assert refused("chart", file, "--kind", "c") == f"{file}:3: defects: found 2.5; a whole number is needed."


# Gauge study ------------------------------------------------------------------------------------


def study_rows() -> list[str]:
    """Three parts, two operators, two trials; computed by hand below."""
    values = {"A": (10, 12), "B": (20, 22), "C": (30, 32)}
    rows = ["part,operator,value_psi"]
    for part, (first, second) in values.items():
        for operator, shift in (("Mara Quill", 0), ("Tobin Ashe", 1)):
            rows += [f"{part},{operator},{first + shift}", f"{part},{operator},{second + shift}"]
    return rows


def test_a_gauge_study_from_a_file(tmp_path: Path):
    """Sums of squares by hand: parts 800, operators 3, interaction 0, trials 12; pooled variance 12/8."""
    found = facts("gauge-study", wrote(tmp_path, *study_rows()), "--tolerance", "20")
    assert found["sums_of_squares"] == pytest.approx(
        {"part": 800, "operator": 3, "interaction": 0, "repeatability": 12}, abs=1e-9
    )
    assert (found["parts"], found["operators"], found["trials"], found["pooled"]) == (3, 2, 2, True)
    sources = {name: source["standard_deviation"] for name, source in found["sources"].items()}
    assert sources["repeatability"] == pytest.approx(1.5**0.5)
    assert sources["reproducibility"] == pytest.approx((1.5 / 6) ** 0.5)
    assert sources["part"] == pytest.approx((398.5 / 4) ** 0.5)
    assert found["tolerance_share"] == pytest.approx(6 * 1.75**0.5 / 20)
    assert found["ndc"] == 10


def test_the_interaction_can_be_kept_apart(tmp_path: Path):
    """The choice is printed."""
    file = wrote(tmp_path, *study_rows())
    assert facts("gauge-study", file, "--pooled", "no")["sources"]["repeatability"]["standard_deviation"] == (
        pytest.approx(2**0.5)
    )
    assert "interaction F = 0.000, p = 1.0000: kept apart" in shown("gauge-study", file, "--pooled", "no")
    page = shown("gauge-study", file, "--tolerance", "20")
    assert "pooled into repeatability" in page
    assert "tolerance   the gauge takes 39.7 % of it (6 SD)" in page


def test_an_unbalanced_study_is_refused(tmp_path: Path):
    """The missing trial is named."""
    assert refused("gauge-study", wrote(tmp_path, *study_rows()[:-1])) == (
        "gauge study: found 1 trial(s) of part C by operator Tobin Ashe; allowed 2 of every part by every operator."
    )
