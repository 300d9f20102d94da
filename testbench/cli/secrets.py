"""How a command asks for secrets: without echo, or one a line from standard input; never as an option."""

import sys
from collections.abc import Callable

import click

from testbench.errors import SecretNotGivenError

Ask = Callable[[str], str]
secret_option = click.option(
    "--secret-stdin", "from_stdin", is_flag=True, help="Read secrets from standard input, one a line, not a terminal."
)


def asking(*, from_stdin: bool) -> Ask:
    """What asks for a secret that exists already."""

    def ask(what: str) -> str:
        return _line(what) if from_stdin else _typed(what)

    return ask


def asking_twice(*, from_stdin: bool) -> Ask:
    """What asks for a new secret: typed, it is asked for twice."""

    def ask(what: str) -> str:
        return _line(what) if from_stdin else _typed(what, twice=True)

    return ask


def _line(what: str) -> str:
    line = sys.stdin.readline()
    if not line:
        raise SecretNotGivenError(what)
    return line.rstrip("\r\n")


def _typed(what: str, *, twice: bool = False) -> str:
    if not sys.stdin.isatty():
        raise SecretNotGivenError(what)
    return str(click.prompt(what, hide_input=True, confirmation_prompt=twice, err=True))
