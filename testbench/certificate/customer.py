"""What a customer gets to check certificates without us.

The root, the revocation lists, the list of withdrawn documents, and one page that says how. Several benches under one
root write into one folder: lists bear the bench's name, and the page names all that lie there.
"""

import textwrap
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from testbench.certificate.anchors import STAMP_ROOTS, anchors_of
from testbench.certificate.data import HowToCheck, Layout, how_to_check, layout
from testbench.certificate.keyring import ISSUING_LIST, Authority
from testbench.certificate.keys import fingerprint_of, grouped
from testbench.certificate.languages import words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.certificate.register import replace
from testbench.certificate.revocation import is_list_of
from testbench.certificate.root import ROOT_CERTIFICATE, ROOT_LIST, number_of_list, pem
from testbench.certificate.trust import Anchors
from testbench.certificate.withdrawn import read_list
from testbench.errors import WithdrawnListRefusedError
from testbench.station.bench import Works

TEXT, PAGE = "how-to-check.txt", "how-to-check.pdf"
COLUMNS = 100
BODY, HEADING, COMMAND = 10.0, 11.0, 8.5
"""Sizes of text [pt]."""


@dataclass(frozen=True, slots=True)
class HandOver:
    """What goes to a customer beside what the authority has."""

    works: Works
    """The letterhead."""
    bench: str
    """Name of the bench."""
    withdrawn: bytes
    """The signed list of withdrawn documents."""
    at: datetime
    """When that was made, and the date of the page."""
    paper: str
    """``"A4"`` or ``"Letter"``."""
    language: str
    """Of the page, for example ``"de"``."""


class Exported(NamedTuple):
    """What became of the folder."""

    written: list[Path]
    left_out: list[tuple[Path, str]]
    """Lists of withdrawn documents that were taken out, with the reason: the commands of the page would end at them."""


def export_for_customer(authority: Authority, handed: HandOver, folder: Path) -> Exported:
    """Write everything into a folder; files of the same names are replaced, for lists are renewed.

    Args:
        authority: of the works.
        handed: the rest.
        folder: made if it is missing. A newer list of the root that lies there, by another bench, is left; a list of
            withdrawn documents whose signer was revoked meanwhile is not.

    Raises:
        KeyFileError: the root certificate cannot be read, or the folder cannot be written.
        GlyphMissingError: a name cannot be printed.
        LanguageUnknownError: there is no such page.
    """
    from cryptography.x509 import load_der_x509_certificate

    look, bench = layout(), handed.bench
    how_to_check(handed.language)  # refused before anything is written
    files = {ROOT_CERTIFICATE: (authority.folder / ROOT_CERTIFICATE).read_bytes()}
    for path in sorted(authority.folder.glob("*.crl")):
        name = path.name if path.name == ROOT_LIST else path.name.replace("issuing", f"issuing-{bench}")
        if name != ROOT_LIST or not _is_newer(folder / name, path, authority.root):
            files[name] = path.read_bytes()
    for path, root in zip(
        sorted(authority.keys.glob(STAMP_ROOTS)), anchors_of(authority.keys, (), (), ()).stamps, strict=True
    ):
        files[path.name.replace("stamp-root", f"stamp-root-{bench}")] = pem(load_der_x509_certificate(root))
    files[f"withdrawn-{bench}.json"] = handed.withdrawn
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        replace(folder / name, data)
    left_out = _take_out(authority, folder)
    told = _filled(authority, handed, folder)
    page = {TEXT: as_text(told).encode(), PAGE: as_page(told, handed, look)}
    for name, data in page.items():
        replace(folder / name, data)
    gone = {path for path, _ in left_out}
    return Exported([folder / name for name in (*files, *page) if folder / name not in gone], left_out)


def _take_out(authority: Authority, folder: Path) -> list[tuple[Path, str]]:
    """Remove each list of withdrawn documents that does not count by the root and the lists that lie beside it."""
    anchors, found = Anchors((authority.root,), tuple(path.read_bytes() for path in sorted(folder.glob("*.crl")))), []
    for path in sorted(folder.glob("withdrawn-*.json")):
        try:
            read_list(path, anchors)
        except WithdrawnListRefusedError as refusal:
            path.unlink()
            found.append((path, refusal.found))
    return found


def _is_newer(there: Path, own: Path, root: bytes) -> bool:
    """Whether another bench has written a newer list of this very root."""
    from cryptography.x509 import load_der_x509_certificate

    if not there.exists():
        return False
    data = there.read_bytes()
    return is_list_of(data, load_der_x509_certificate(root)) and number_of_list(data) > number_of_list(own.read_bytes())


def _filled(authority: Authority, handed: HandOver, folder: Path) -> HowToCheck:
    from cryptography.x509 import load_der_x509_certificate, load_der_x509_crl

    newest = load_der_x509_crl((authority.folder / ISSUING_LIST).read_bytes())
    root, works = authority.root, handed.works
    lists = [f"--crl {path.name}" for path in sorted(folder.glob("*.crl"))]
    lists += [f"--withdrawn {path.name}" for path in sorted(folder.glob("withdrawn-*.json"))]
    lists += [f"--stamp-root {path.name}" for path in sorted(folder.glob(STAMP_ROOTS))]
    assert newest.next_update_utc is not None
    return how_to_check(handed.language).filled(
        works=works.name, root=ROOT_CERTIFICATE, lists=" ".join(lists),
        fingerprint=grouped(fingerprint_of(root)), contact=works.contact or works.name,
        until=f"{load_der_x509_certificate(root).not_valid_after_utc:%Y-%m-%d}",
        at=f"{newest.last_update_utc:%Y-%m-%d}", next=f"{newest.next_update_utc:%Y-%m-%d}",
        withdrawn_at=f"{handed.at:%Y-%m-%d}",
    )  # fmt: skip


def as_text(told: HowToCheck) -> str:
    """The page as plain text."""
    parts = [told.title.upper(), told.lead, told.root, f"    {told.fingerprint}", told.facts, told.compare]
    for way in told.way:
        parts += [way.heading.upper(), way.text, *(f"    {command}" for command in way.commands), way.after]
    parts.append(told.closing)
    shown = [part if part.startswith("    ") else textwrap.fill(part, COLUMNS) for part in parts if part]
    return "\n\n".join(shown) + "\n"


def as_page(told: HowToCheck, handed: HandOver, look: Layout) -> bytes:
    """The page as a PDF of one sheet: the same bytes for the same arguments."""
    pen, sizes = Pen(look, handed.paper, handed.at, words(handed.language).language), look.sizes
    pen.canvas.setTitle(told.title)
    pen.canvas.setAuthor(handed.works.name)
    pen.canvas.setViewerPreference("DisplayDocTitle", "true")
    width = pen.right - pen.left
    pen.text(pen.left, pen.top - 12, told.title, BOLD, sizes.title)
    pen.text(pen.right, pen.top - 12, handed.works.name, REGULAR, sizes.body, align="right")
    pen.rule(pen.top - 18, 1.6, look.colours.ink)
    y = pen.top - 30
    y -= pen.paragraph(pen.left, y, told.lead, width, size=BODY) + 8
    pen.text(pen.left, y - 9, told.root, STRONG, HEADING)
    y -= 12
    for line in _halves(told.fingerprint):
        y -= 20
        pen.text(pen.left, y, line, BOLD, sizes.title)
    y -= 10
    for text in (told.facts, told.compare):
        y -= pen.paragraph(pen.left, y, text, width, size=BODY) + 4
    for way in told.way:
        y = _way(pen, way.heading, (way.text, way.commands, way.after), y - 14)
    pen.rule(pen.bottom + 24, 0.5)
    pen.paragraph(pen.left, pen.bottom + 20, told.closing, width, size=sizes.body)
    pen.canvas.showPage()
    return pen.finished()


def _way(pen: Pen, heading: str, told: tuple[str, tuple[str, ...], str], y: float) -> float:
    """A heading, what to do, the commands, what they must say; gives the height where it ends."""
    text, commands, after = told
    width = pen.right - pen.left
    pen.text(pen.left, y - 10, heading, STRONG, HEADING)
    pen.rule(y - 14, 0.5)
    y -= 20
    y -= pen.paragraph(pen.left, y, text, width, size=BODY) + 5
    for command in commands:
        y -= pen.paragraph(pen.left + 12, y, command, width - 12, STRONG, size=COMMAND) + 4
    if after:
        y -= pen.paragraph(pen.left, y, after, width, size=BODY)
    return y


def _halves(fingerprint: str) -> tuple[str, str]:
    """Two lines of eight groups."""
    groups = fingerprint.split()
    return " ".join(groups[: len(groups) // 2]), " ".join(groups[len(groups) // 2 :])
