"""The form of a page: what drawing it needs beside record, readings, signatures, checkpoint and what it replaces.

It is attached, so that anybody can draw the page again and hold the two together (``certificate/printed``).
"""

from collections.abc import Mapping
from datetime import datetime
from functools import cache
from typing import Annotated, Literal

from pydantic import Field

from testbench import __version__
from testbench.certificate.content import IssueFacts
from testbench.certificate.data import reports
from testbench.procedure.valve import Value
from testbench.run.ledger import Checkpoint
from testbench.run.mentioned import Mentioned
from testbench.run.record import sha256
from testbench.run.signature import Signature
from testbench.station.bench import Works
from testbench.station.withdrawals import Withdrawal


class FormError(Exception):
    """What is enclosed does not do to draw the page; the message is a sentence for who checks it."""


class PageForm(Value):
    """Letterhead, paper, time and seal. A fact of issue that is not attached by itself is a field here, by its name."""

    format: Literal[1] = 1
    paper: Literal["A4", "Letter"]
    """What it was drawn on; a record that names its own goes before."""
    works: Works
    issued: datetime
    signer: str
    fingerprint: str
    nonconformities: tuple[Mentioned, ...] = ()
    """Of the serial number, as they stood when it was issued."""
    under_root: bool = False
    drawn_with: Mapping[str, Annotated[str, Field(max_length=60)]]
    """Versions of the program, of its wording and of the libraries that draw."""


def form_of(facts: IssueFacts, paper: str) -> PageForm:
    """The form of a page that is drawn now."""
    named = {name: getattr(facts, name) for name in _own_facts()}
    return PageForm.model_validate({**named, "paper": paper, "drawn_with": versions()})


def facts_of(
    form: PageForm, signed: tuple[Signature, ...], checkpoint: Checkpoint | None, replaces: Withdrawal | None
) -> IssueFacts:
    """The facts of issue, from the form and what else is attached."""
    named = {name: getattr(form, name) for name in _own_facts()}
    return IssueFacts(**named, signed=signed, checkpoint=checkpoint, replaces=replaces)


def _own_facts() -> list[str]:
    """Names of the facts of issue that the form carries."""
    return [name for name in PageForm.model_fields if name in IssueFacts.__dataclass_fields__]


@cache
def versions() -> dict[str, str]:
    """What draws here: the program, its wording and layout, the libraries, the faces."""
    import zlib
    from importlib.metadata import version

    import pikepdf

    libraries = {name: version(name) for name in ("reportlab", "pikepdf", "font-source-sans-pro")}
    own = {"testbench": __version__, "wording": _wording()[:12]}
    return {**own, **libraries, "qpdf": pikepdf.__libqpdf_version__, "zlib": zlib.ZLIB_RUNTIME_VERSION}


def _wording() -> str:
    """SHA-256 over all files of wording, layout and units."""
    files = sorted(reports().rglob("*.toml"))
    return sha256(b"\0".join(file.name.encode() + b"\0" + file.read_bytes() for file in files))
