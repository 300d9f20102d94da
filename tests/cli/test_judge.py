"""``testbench judge``: the same decision, the same in other words, another one."""

import pytest
from click.testing import CliRunner

import testbench.run.evaluation
from testbench.cli.main import cli
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve


@pytest.fixture
def home(tmp_path) -> str:
    made = make_home(tmp_path / "home")
    with open_store(Home(made.folder)) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    return str(made.folder)


@pytest.mark.parametrize(
    ("changes", "said", "code"),
    [
        ({}, "The decision is the same.", 0),
        ({"reason": "Well."}, "The decision is the same; this version words it otherwise than the record.", 0),
        ({"verdict": "inconclusive"}, "The decision DIFFERS from the record.", 1),
    ],
)
def test_the_last_line_says_whether_the_decision_stands(home, monkeypatch, changes, said, code):
    """A program that comes to something else is put in place of this one."""
    rejudged = testbench.run.evaluation.rejudged
    monkeypatch.setattr(testbench.run.evaluation, "rejudged", lambda *of: rejudged(*of).model_copy(update=changes))
    found = CliRunner().invoke(cli, ["judge", "B1-000001", "--home", home])
    assert (found.output.splitlines()[-1], found.exit_code) == (said, code)
