"""``testbench blank``: a closed run's hold declared a blank run, kept, listed."""

import json

from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import BlankRefusedError
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

WHY = "shell of a blanked-off body, dry for an hour"


def home_with_a_run(tmp_path) -> str:
    home = make_home(tmp_path / "home")
    with open_store(Home(home.folder)) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    return str(home.folder)


def blank(home: str, *said: str):
    return CliRunner().invoke(cli, ["blank", *said, "--home", home])


def test_a_hold_is_declared_listed_and_declared_once(tmp_path):
    """Slope ± half-width, pressure, date, who and why; the second time it is refused."""
    home = home_with_a_run(tmp_path)
    assert blank(home, "list").output == "There are no blank runs yet.\n"
    added = blank(home, "add", "B1-000001", "--stage", "1", "--by", "Tobin Ashe", "--why", WHY)
    assert added.exit_code == 0, added.output
    assert added.output.startswith("B1-000001  2026-11-20  shell test, attempt 1, water at 500 psi: ")
    assert added.output.endswith(f" psi/min  Tobin Ashe: {WHY}\n")
    assert blank(home, "list").output == added.output
    (listed,) = json.loads(blank(home, "list", "--json").output)
    assert (listed["run"], listed["stage"], listed["declared_by"]) == ("B1-000001", "shell test", "Tobin Ashe")
    again = blank(home, "add", "B1-000001", "--stage", "1", "--by", "Tobin Ashe", "--why", WHY)
    assert isinstance(again.exception, BlankRefusedError)
    assert str(again.exception) == "Run B1-000001 gives no blank run: the shell test, attempt 1, is one already."
    assert blank(home, "list").output == added.output


def test_a_hold_that_shows_nothing_is_refused_and_nothing_kept(tmp_path):
    """The pump made up during the seat test, the last completed stage."""
    home = home_with_a_run(tmp_path)
    refused = blank(home, "add", "B1-000001", "--by", "Tobin Ashe", "--why", WHY)
    assert str(refused.exception) == (
        "Run B1-000001 gives no blank run: the seat test has no hold with the pump isolated."
    )
    assert blank(home, "list").output == "There are no blank runs yet.\n"
