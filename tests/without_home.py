"""What somebody without a bench home is told."""

from click.testing import CliRunner, Result

from testbench.cli.main import cli

NO_HOME = {"TESTBENCH_HOME": None, "XDG_DATA_HOME": "/nowhere"}


def without_home(*words: object) -> Result:
    return CliRunner(env=NO_HOME).invoke(cli, [*map(str, words)])
