"""The command group. A command's module is imported only when it is called, so that --help stays quick."""

from importlib import import_module

import click

COMMANDS = {
    "demo": "A throw-away bench with three valves: watch it, drive it, or run it unattended.",
    "init": "Make a bench home: configuration, station key, empty records.",
    "run": "The operator's screen; starts the recorder if none is running.",
    "recorder": "The recorder by itself, without a screen.",
    "rig": "A simulated rig on a serial line.",
    "link": "The socket between recorder and screens: its schema.",
    "judge": "Decide a stored run again from its record alone.",
    "history": "List the runs of this bench.",
    "certificate": "Issue or verify a certificate.",
    "procedure": "Show the procedures and check a file.",
}


class LazyGroup(click.Group):
    """Finds a command ``x`` in ``testbench.cli.x`` under the name ``command``."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order they are told."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        found = import_module(f"testbench.cli.{cmd_name}").command
        assert isinstance(found, click.Command)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List names and one-line summaries without importing anything."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="testbench")
def cli() -> None:
    """Record hydrostatic acceptance tests of valves, from the serial line to a signed certificate."""


def main() -> None:
    """Run the command line; refusals become one sentence, a remedy and a non-zero exit."""
    from testbench.cli.output import run

    run(cli)
