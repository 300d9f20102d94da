"""``testbench people``: who works here."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "add": "Register a person; the first must be an engineer.",
    "list": "Everybody, with roles and locks.",
    "roles": "Give a person other roles.",
    "disable": "Take every right away; the person stays in the register.",
    "enable": "Give the rights back.",
    "set-pin": "Set a PIN of 4 to 8 digits; ends a lock.",
    "set-password": "Set a password of at least 12 characters; ends a lock.",
}


@click.command("people", cls=LazyGroup, package="testbench.cli.people", summaries=COMMANDS)
def command() -> None:
    """Keep the register of operators, reviewers, engineers and witnesses. Nobody is ever deleted."""
