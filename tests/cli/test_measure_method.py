"""``testbench measure method``: anyone can make the figures again."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from testbench import __version__
from testbench.cli.main import cli
from testbench.metrology.studies import CASES, HOLDS_S, NOISES, SHARES, method_study


def call(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(cli, ["measure", "method", *map(str, arguments)])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def test_all_figures_as_data():
    """The very counts of the study of that seed, as shares with their Monte-Carlo standard errors."""
    result = call("--runs", 4, "--seed", 3, "--json")
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    study = method_study(4, np.random.default_rng(3))
    assert {key: told[key] for key in ("version", "seed", "holds", "readings_per_s", "page")} == {
        "version": __version__, "seed": 3, "holds": 4, "readings_per_s": 10, "page": None,
    }  # fmt: skip
    assert [(one["noise"], one["seconds"]) for one in told["coverage"]] == [
        (n.name, s) for n in NOISES for s in HOLDS_S
    ]
    for one, found in zip(told["coverage"], study.coverages, strict=True):
        assert one["as_if_white"]["share"] == found.as_if_white / 4
        assert one["ours"]["share"] == found.ours / 4
        assert one["curved"]["share"] == found.curved / 4
        share = one["ours"]["share"]
        assert one["ours"]["standard_error"] == pytest.approx((share * (1 - share) / 4) ** 0.5)
    assert told["coverage"][-1]["median_width_ratio"] is None
    assert told["coverage"][0]["median_width_ratio"] == study.coverages[0].widening
    for one, found, case in zip(told["decisions"], study.decided, CASES, strict=True):
        assert (one["case"], one["limit"], one["limit_unit"]) == (case.name, case.limit.to("mL/h"), "mL/h")
        assert one["gate"]["sentence"] == case.gate.sentence
        assert [each["leak_over_limit"] for each in one["outcomes"]] == list(SHARES)
        for each, of in zip(one["outcomes"], found.outcomes, strict=True):
            guarded, simple = each["guarded"], each["simple"]
            assert [guarded[key]["share"] * 4 for key in ("accepted", "rejected", "inconclusive")] == [
                of.accepted, of.rejected, of.inconclusive,
            ]  # fmt: skip
            assert simple["accepted"]["share"] == of.simply_accepted / 4
            assert simple["accepted"]["share"] + simple["rejected"]["share"] == 1


def test_in_words_with_the_page(tmp_path):
    """Both tables, the gate's own sentences, and where the page lies; nothing of the progress on standard output."""
    result = call("--runs", 2, "--out", tmp_path / "page.pdf")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0] == "2 simulated holds for each figure, seed 1; standard error at 95 %: 15 %"
    assert [line.split("  ")[0] for line in lines[3:11]] == [noise.name for noise in NOISES]
    for case in CASES:
        assert case.name in lines
        assert f"    {case.gate.sentence}" in lines
    assert sum(line.startswith("    1.05 × L") for line in lines) == len(CASES)
    assert lines[-1] == f"The page of plots is {tmp_path / 'page.pdf'}."
    assert "Simulating holds" in result.stderr
    assert "Simulating holds" not in result.stdout
    assert [file.name for file in tmp_path.iterdir()] == ["page.pdf"]
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF-1.7")


def test_a_page_of_that_name_is_replaced(tmp_path):
    """The figures can always be made again; an old page beside new ones would mislead."""
    (tmp_path / "page.pdf").write_text("old")
    told = json.loads(call("--runs", 1, "--out", tmp_path / "page.pdf", "--json").stdout)
    assert told["page"] == str(tmp_path / "page.pdf")
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")


def test_a_folder_that_is_not_there_is_refused_before_the_work(tmp_path):
    """Not after half a minute."""
    result = call("--runs", 100_000_000, "--out", tmp_path / "nowhere" / "page.pdf")
    assert result.exit_code == 2
    assert result.stderr.splitlines()[-1] == (
        f"Error: Invalid value for '--out': there is no folder {tmp_path / 'nowhere'}"
    )


def test_a_page_that_cannot_be_put_in_place_leaves_nothing_half_done(tmp_path, monkeypatch):
    """The disk refuses: said in a sentence, exit code 1, no file under any name."""

    def refuse(self: Path, _target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", refuse)
    result = call("--runs", 1, "--out", tmp_path / "page.pdf")
    assert result.exit_code == 1
    told = f"Error: The page {tmp_path / 'page.pdf'} was not written: No space left on device."
    assert result.stderr.splitlines()[-1] == told
    assert list(tmp_path.iterdir()) == []
