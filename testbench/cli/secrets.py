"""How a command asks for secrets: without echo, or one a line from standard input; never as an option."""

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from testbench.errors import SecretNotGivenError, SecretUnreadableError

if TYPE_CHECKING:
    from testbench.certificate.passphrases import Passphrases

Ask = Callable[[str], str]
secret_option = click.option(
    "--secret-stdin", "from_stdin", is_flag=True, help="Read secrets from standard input, one a line, not a terminal."
)

passphrase_option = click.option(
    "--passphrase-stdin", "from_stdin", is_flag=True, help="Read passphrases from standard input, one a line."
)


def passphrases(*, from_stdin: bool) -> "Passphrases | None":
    """Where passphrases of keys come from: standard input, or None for the system and the person at the terminal."""
    from testbench.certificate.passphrases import FromLines

    return FromLines(sys.stdin) if from_stdin else None


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
    try:
        line = sys.stdin.readline()
    except UnicodeDecodeError:  # the error holds what was read
        raise SecretUnreadableError(what) from None
    if not line:
        raise SecretNotGivenError(what)
    return _utf8(what, line.rstrip("\r\n"))


def _utf8(what: str, secret: str) -> str:
    """Bytes that are no UTF-8 come through standard input as lone surrogates, which nothing can hash."""
    if any("\ud800" <= sign <= "\udfff" for sign in secret):
        raise SecretUnreadableError(what)
    return secret


def _typed(what: str, *, twice: bool = False) -> str:
    if not sys.stdin.isatty():
        raise SecretNotGivenError(what)
    return _utf8(what, str(click.prompt(what, hide_input=True, confirmation_prompt=twice, err=True)))
