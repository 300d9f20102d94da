"""Where a passphrase comes from: a person at a terminal, standard input, or the system; never a command's argument."""

import getpass
import os
import stat
import sys
from pathlib import Path
from typing import Protocol, TextIO

from testbench.errors import PassphraseMissingError, PassphraseNotGivenError

FILE, CREDENTIALS, CREDENTIAL = "TESTBENCH_PASSPHRASE_FILE", "CREDENTIALS_DIRECTORY", "testbench-passphrase"
SHORTEST = 12
"""House decision: characters of a new passphrase, at least."""


class Passphrases(Protocol):
    """Whoever can be asked for a passphrase."""

    def known(self, what: str) -> str:
        """The passphrase of a key that exists."""
        ...

    def chosen(self, what: str) -> str:
        """A passphrase for a key that is being made."""
        ...


def checked(found: str, what: str) -> str:
    """A new passphrase that is long enough.

    Raises:
        PassphraseNotGivenError: it is too short.
    """
    if len(found) < SHORTEST:
        raise PassphraseNotGivenError(what, f"{len(found)} characters are too few", f"{SHORTEST} characters or more")
    return found


class FromLines:
    """One line of a stream for each passphrase, in the order they are asked for."""

    def __init__(self, lines: TextIO) -> None:
        self._lines = lines

    def known(self, what: str) -> str:
        """The next line."""
        line = self._lines.readline()
        if not line:
            raise PassphraseNotGivenError(what, "standard input ended", "one line for each passphrase")
        return line.rstrip("\r\n")

    def chosen(self, what: str) -> str:
        """The next line, if it is long enough."""
        return checked(self.known(what), what)


class FromTerminal:
    """Asks a person, without showing what is typed; a new passphrase twice."""

    sources = "a terminal, or standard input with --passphrase-stdin"
    missing: type[PassphraseMissingError] = PassphraseNotGivenError

    def known(self, what: str) -> str:
        """What the person types."""
        if not sys.stdin.isatty():
            raise self.missing(what, "there is no terminal to ask at", self.sources)
        return getpass.getpass(f"Passphrase of {what}: ")

    def chosen(self, what: str) -> str:
        """What the person types twice alike."""
        first = checked(self.known(what), what)
        if getpass.getpass("The same again: ") != first:
            raise PassphraseNotGivenError(what, "it was not typed twice alike", "the same passphrase twice")
        return first


class FromSystem(FromTerminal):
    """For a program nobody sits at: a file named by the environment, or the service manager's credential store."""

    missing = PassphraseMissingError
    sources = f"the file that {FILE} names, the system's credential {CREDENTIAL}, a terminal"

    def known(self, what: str) -> str:
        """The first line of the file or credential; without either a person is asked."""
        named, credentials = os.environ.get(FILE), os.environ.get(CREDENTIALS)
        if named:
            return _first_line(Path(named), what)
        if credentials and (Path(credentials) / CREDENTIAL).exists():
            return _first_line(Path(credentials) / CREDENTIAL, what)
        return super().known(what)


def system_has_one() -> bool:
    """Whether the environment or the service manager names a passphrase, which is the station's."""
    credentials = os.environ.get(CREDENTIALS)
    return bool(os.environ.get(FILE)) or bool(credentials and (Path(credentials) / CREDENTIAL).exists())


class Remembering:
    """Asks once for each key and can be handed to another process, which then asks nobody.

    Args:
        ask: whoever is asked; not handed on.
    """

    def __init__(self, ask: Passphrases) -> None:
        self._ask: Passphrases | None = ask
        self._told: dict[str, str] = {}

    def known(self, what: str) -> str:
        """What was answered before, else asked now."""
        if what not in self._told:
            if self._ask is None:
                raise PassphraseMissingError(what, "it was not asked for", "one that was given at the start")
            self._told[what] = self._ask.known(what)
        return self._told[what]

    def chosen(self, what: str) -> str:
        """No key is made with it."""
        raise PassphraseMissingError(what, "no key is made here", "none")

    def __getstate__(self) -> dict[str, object]:
        return {"_ask": None, "_told": self._told}

    def __repr__(self) -> str:
        return f"Remembering({len(self._told)} passphrases)"


def _first_line(path: Path, what: str) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            if mode & 0o077:
                raise PassphraseMissingError(what, f"group or others can read {path} (mode {mode:04o})", "mode 0600")
            return file.readline().rstrip("\r\n")
    except OSError as failure:
        raise PassphraseMissingError(
            what, f"{path} cannot be read ({failure.strerror})", FromSystem.sources
        ) from failure
