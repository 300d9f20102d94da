"""Does the page print what is attached to it? It is drawn anew from the attachments alone, and both are held together.

Wording, layout and faces are those of the program that checks, never of the file: who seals a page with other words
under the same record is found. Letterhead, time of issue and paper are what the enclosed form says of them.
"""

import json
import re
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeVar

from testbench.certificate.enclosed import Enclosed
from testbench.certificate.ink import BY_BYTES, BY_MARKS, begins_with, differences
from testbench.certificate.issue import unsealed_document
from testbench.certificate.languages import words_of
from testbench.certificate.page_form import FormError, PageForm, facts_of, versions
from testbench.certificate.plot_room import labels_of
from testbench.certificate.summary_again import page_again, with_all
from testbench.certificate.summary_form import SummaryForm
from testbench.certificate.summary_issue import Drawn, unsealed_summary
from testbench.errors import BenchError
from testbench.run.record import canonical

MOST_TOLD = 3
WITH_PAGES = (
    "as drawn anew from the attached list and records, but for the plots on the pages of valves: they need readings, "
    "which each valve's own document has"
)
WITHOUT_PAGES = (
    "the pages of the summary as drawn anew from the attached list; the pages of valves that follow were not compared: "
    "check each valve's own document"
)
NO_FORM = "The form of its page is not enclosed, so the page cannot be drawn again and held against its record."
STRANGE_FORM = "The enclosed form of its page is not one that this version knows."
DRAWN_BY_ANOTHER = (
    "It was drawn with {drawn}; here are {own}. Where wording or layout has changed since, check it with what drew it."
)

Form = TypeVar("Form", PageForm, SummaryForm)


@dataclass(frozen=True, slots=True)
class Printed:
    """What the comparison has shown."""

    how: str = ""
    """In which way the page is the one drawn anew; empty where that is not shown."""
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Anew:
    """What was drawn again."""

    document: bytes
    labels: re.Pattern[str] | None = None
    """What plots may say, where they were not drawn from their readings: a lot certificate has none of these."""
    behind: int = 0
    """How many pages at least follow that were not drawn: the records of many valves are not attached."""


def printed_in(enclosed: Enclosed, reader: Any, data: bytes, drawn: bytes = b"") -> Printed:
    """Hold a file against what is drawn anew from its attachments.

    Args:
        enclosed: what was read from it, without a fault.
        reader: of the file.
        data: the file.
        drawn: the unsigned document where the caller has just drawn it from the same record.
    """
    if enclosed.record is None and enclosed.listed is None:  # what cannot be read is told where it is judged again
        return Printed()
    try:
        anew = Anew(drawn) if drawn else drawn_anew(enclosed, int(reader.root["/Pages"]["/Count"]))
    except BenchError as failure:
        return Printed(faults=(f"Its page cannot be drawn anew here. {failure}",))
    except FormError as failure:
        return Printed(faults=(str(failure),))
    except Exception as failure:  # noqa: BLE001 - a record may be made to break what draws it
        return Printed(faults=(f"Its page cannot be drawn anew ({type(failure).__name__}).",))
    return _compared(enclosed, reader, data, anew)


def _compared(enclosed: Enclosed, reader: Any, data: bytes, anew: Anew) -> Printed:
    what = "record" if enclosed.listed is None else "list"
    if not anew.behind and begins_with(reader, data, anew.document):
        return Printed(BY_BYTES.format(what))
    found = differences(data, anew.document, labels=anew.labels, behind=anew.behind)
    faults = tuple(islice(found, MOST_TOLD))
    if faults:
        return Printed(faults=(*faults, *_of_versions(enclosed)))
    if anew.behind:
        return Printed(WITHOUT_PAGES)
    return Printed(WITH_PAGES if anew.labels else BY_MARKS.format(what))


def drawn_anew(enclosed: Enclosed, count: int) -> Anew:
    """The unsigned document, from what is attached.

    Args:
        enclosed: what is attached.
        count: how many pages the document has.

    Raises:
        FormError: there is no form, or none that can be read; the sentence says which.
        BenchError: it cannot be drawn here, for want of a language or a face.
    """
    if enclosed.listed is not None:
        own = form_in(enclosed, SummaryForm)
        page = page_again(enclosed.listed, own, enclosed.records, enclosed.checkpoint, count)
        document = unsealed_summary(Drawn(page, enclosed.listed, own), enclosed.checkpoint, again=True)
        behind = 0 if with_all(own, enclosed.records) else len(own.following)
        return Anew(document, labels_of(words_of(own.report)) if own.pages else None, behind)
    form, record, facts = form_in(enclosed, PageForm), enclosed.record, enclosed.facts
    assert record is not None
    assert facts is not None
    issued = facts_of(form, enclosed.signatures, enclosed.checkpoint, enclosed.replaced)
    return Anew(unsealed_document(record, facts.record_sha256, enclosed.traces, issued, form.paper, form))


def form_in(enclosed: Enclosed, kind: type[Form]) -> Form:
    """The enclosed form of a page.

    Raises:
        FormError: there is none, or none that can be read; the sentence says which.
    """
    if enclosed.form is None:
        raise FormError(NO_FORM)
    try:
        form = kind.model_validate_json(enclosed.form)
    except ValueError as failure:
        raise FormError(STRANGE_FORM) from failure
    if canonical(form) != enclosed.form:
        raise FormError(STRANGE_FORM)
    return form


def _of_versions(enclosed: Enclosed) -> tuple[str, ...]:
    """What drew it, where that is not what draws here."""
    drawn, own = json.loads(enclosed.form or b"{}").get("drawn_with", {}), versions()
    other = sorted(name for name in {*drawn, *own} if drawn.get(name) != own.get(name))
    if not other:
        return ()
    named = (", ".join(f"{name} {held.get(name, 'none')}" for name in other) for held in (drawn, own))
    return (DRAWN_BY_ANOTHER.format(drawn=next(named), own=next(named)),)
