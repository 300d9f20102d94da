"""A command group that imports a command's module only when it is called, so that --help stays quick."""

from collections.abc import Mapping
from importlib import import_module
from keyword import iskeyword
from typing import Any

import click


class LazyGroup(click.Group):
    """Finds a command ``x-y`` in ``package.x_y`` under the name ``command``; ``import`` in ``package.import_``."""

    def __init__(self, *args: Any, package: str, summaries: Mapping[str, str], **options: Any) -> None:
        super().__init__(*args, **options)
        self._package, self._summaries = package, summaries

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order they are told."""
        return list(self._summaries)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in self._summaries:
            return None
        module = cmd_name.replace("-", "_")
        module += "_" if iskeyword(module) else ""
        found = import_module(f"{self._package}.{module}").command
        assert isinstance(found, click.Command)
        return _with_home(found)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List names and one-line summaries without importing anything."""
        with formatter.section("Commands"):
            formatter.write_dl(list(self._summaries.items()))


def _with_home(command: click.Command) -> click.Command:
    """Every command takes --home, also those that need none: one line of a script serves them all."""
    if isinstance(command, LazyGroup):
        return command  # it sees to its own
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            _with_home(inner)
    elif not any(parameter.name == "home" for parameter in command.params):
        command.params.append(
            click.Option(
                ["--home"], metavar="DIRECTORY", expose_value=False, help="Taken by every command; not needed here."
            )
        )
    return command
