"""The whole way: a new user's first command, from three valves to three checked pages."""

import json
from pathlib import Path

import pytest

from testbench.store.reading import RunReader
from tests.journeys.program import call, facts_of


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """``testbench demo --headless``, once for this module."""
    home = tmp_path_factory.mktemp("demo") / "home"
    done = call("demo", "--headless", "--home", home, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_three_valves_tell_three_stories(demo):
    """Accepted; rejected for its seat; accepted after it was vented again."""
    assert [(run["serial"], run["verdict"], run["ended"]) for run in demo["runs"]] == [
        ("HL-4-0117", "accepted", "completed"),
        ("HL-6-0118", "rejected", "completed"),
        ("HL-8-0119", "accepted", "completed"),
    ]


def test_the_third_valve_did_not_hold_steady_until_it_was_vented_again(demo):
    """Trapped air is told apart by the journal, not by the verdict.

    The simulated operator vents again when the rise or the settling tells of air, or after falling back twice,
    whichever comes first.
    """
    with RunReader.beside(Path(demo["home"]) / "testbench.db") as store:
        events = [line.happening.event for line in store.journal_of(demo["runs"][2]["run"])]
    before = events[: events.index("vent again")]
    assert {"air", "advice"} & set(before) or before.count("fell below the acceptance limit") >= 2
    assert events.index("vent again") < events.index("steady")


def test_every_run_is_judged_again_to_the_same_verdict(demo):
    """From the record and its samples alone."""
    for run in demo["runs"]:
        again = facts_of("judge", run["run"], "--home", demo["home"])
        assert (again["verdict"], again["recorded"], again["same"]) == (run["verdict"], run["verdict"], True)


def test_every_page_is_intact_and_marked_as_a_specimen(demo):
    """Simulated runs never yield anything else."""
    for run in demo["runs"]:
        checked = facts_of("certificate", "verify", run["document"], "--home", demo["home"])
        assert (checked["intact"], checked["trusted"], checked["specimen"]) == (True, True, True)


def test_the_history_lists_the_runs_newest_first(demo):
    """With the documents that were written."""
    listed = facts_of("history", "--home", demo["home"])
    assert [run["run"] for run in listed] == [run["run"] for run in reversed(demo["runs"])]
    assert listed[0]["document"] == demo["runs"][2]["document"]


def test_a_document_is_issued_once(demo):
    """A second one with the same number would be two truths; the first stays as it is."""
    run = demo["runs"][0]
    before = Path(run["document"]).read_bytes()
    again = call("certificate", "issue", run["run"], "--home", demo["home"])
    assert again.returncode == 1
    assert run["document"] in again.stderr
    assert Path(run["document"]).read_bytes() == before
