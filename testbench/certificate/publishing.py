"""How a document appears: whole on disk under a hidden name, then named by the register, then under its own name.

A program that is killed leaves at most a hidden file, ``.NAME.pdf.SHA-256.part``. Whether its hash is in the register
says what to do with it: it gets its name, or goes. Who writes holds a shared lock on the folder meanwhile, so that
nobody takes a file for left behind that is only being written.
"""

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from testbench.errors import DocumentExistsError
from testbench.run.record import sha256

PENDING = ".part"


@dataclass(frozen=True, slots=True)
class Pending:
    """A document that has not got its name yet."""

    place: Path
    """Where it belongs."""
    sha256: str

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.place.with_name(f".{self.place.name}.{self.sha256}{PENDING}")

    def appear(self) -> None:
        """Give it its name; nothing where another program did so meanwhile.

        Raises:
            FileExistsError: another file has the name.
            OSError: the folder refuses.
        """
        try:
            os.link(self.path, self.place)  # fails if the name is taken, which a rename would not
        except FileExistsError:
            if sha256(self.place.read_bytes()) != self.sha256:
                raise
        except FileNotFoundError:
            if not self.place.exists():
                raise
        except OSError:  # a file system without links
            if self.place.exists():
                raise FileExistsError(self.place) from None
            self.path.rename(self.place)
        self.path.unlink(missing_ok=True)
        sync_folder(self.place.parent)


def publish(place: Path, data: bytes, register: Callable[[str], None]) -> None:
    """Let a document appear.

    Args:
        place: its name; the folder is made if it is missing.
        data: the file.
        register: names its SHA-256 in the register before it appears.

    Raises:
        DocumentExistsError: the register has another one.
        FileExistsError: the name is taken.
        OSError: the disk refuses; the file may still appear later, where the register has it.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    pending = Pending(place, sha256(data))
    with _writing(place.parent):
        try:
            write_through(pending.path, data)
            sync_folder(place.parent)
        except OSError:
            pending.path.unlink(missing_ok=True)
            raise
        try:
            register(pending.sha256)
        except DocumentExistsError:
            pending.path.unlink(missing_ok=True)
            raise
        pending.appear()


def left_behind(folder: Path) -> Iterator[Pending]:
    """The documents of a folder that have not got their names."""
    for path in sorted(folder.glob(f".*{PENDING}")):
        name, _, digest = path.name.removeprefix(".").removesuffix(PENDING).rpartition(".")
        if len(digest) == len(sha256(b"")):
            yield Pending(path.with_name(name), digest)


@contextmanager
def _writing(folder: Path) -> Iterator[None]:
    with _opened(folder) as descriptor:
        fcntl.flock(descriptor, fcntl.LOCK_SH)
        yield


@contextmanager
def nobody_writes(folder: Path) -> Iterator[bool]:
    """Whether no other program writes a document there, and none can while this lasts."""
    with _opened(folder) as descriptor:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True


def write_through(path: Path, data: bytes) -> None:
    """A file whose content is on disk when this returns."""
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """See that the names in a folder are on disk."""
    with _opened(folder) as descriptor:
        os.fsync(descriptor)


@contextmanager
def _opened(folder: Path) -> Iterator[int]:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        yield descriptor
    finally:
        os.close(descriptor)
