"""Does the page print what is attached to it? It is drawn anew from the attachments alone, and both are held together.

Wording, layout and faces are those of the program that checks, never of the file: who seals a page with other words
under the same record is found. Letterhead, time of issue and paper are what the enclosed form says of them.
"""

from dataclasses import dataclass
from itertools import islice

from testbench import __version__
from testbench.certificate.enclosed import Enclosed
from testbench.certificate.ink import BY_BYTES, BY_MARKS, begins_with, differences
from testbench.certificate.issue import unsealed_document
from testbench.certificate.page_form import PROGRAM, PageForm, facts_of
from testbench.errors import BenchError
from testbench.run.record import canonical

MOST_TOLD = 3
NO_FORM = "The form of its page is not enclosed, so the page cannot be drawn again and held against its record."
STRANGE_FORM = "The enclosed form of its page is not one that this version knows."
ANOTHER_PROGRAM = (
    "It was drawn by version {drawn} of the program, this is {own}: where wording or layout has changed since, check "
    "it with that version."
)


@dataclass(frozen=True, slots=True)
class Printed:
    """What the comparison has shown."""

    how: str = ""
    """In which way the page is the one drawn anew; empty where that is not shown."""
    faults: tuple[str, ...] = ()


def printed_in(enclosed: Enclosed, reader: object, data: bytes, drawn: bytes = b"") -> Printed:
    """Hold a file against what is drawn anew from its attachments.

    Args:
        enclosed: what was read from it, without a fault.
        reader: of the file.
        data: the file.
        drawn: the unsigned document where the caller has just drawn it from the same record.
    """
    if enclosed.record is None:  # that this version cannot read it is told where it is judged again
        return Printed()
    try:
        anew = drawn or drawn_anew(enclosed)
    except BenchError as failure:
        return Printed(faults=(f"Its page cannot be drawn anew here. {failure}",))
    except ValueError as failure:
        return Printed(faults=(str(failure),))
    if begins_with(reader, data, anew):
        return Printed(BY_BYTES)
    faults = tuple(islice(differences(data, anew), MOST_TOLD))
    return Printed(faults=(*faults, *_of_program(enclosed))) if faults else Printed(BY_MARKS)


def drawn_anew(enclosed: Enclosed) -> bytes:
    """The unsigned document, from what is attached.

    Raises:
        ValueError: there is no form, or none that can be read; the sentence says which.
        BenchError: it cannot be drawn here, for want of a language or a face.
    """
    form, record, facts = form_in(enclosed), enclosed.record, enclosed.facts
    assert record is not None
    assert facts is not None
    issued = facts_of(form, enclosed.signatures, enclosed.checkpoint, enclosed.replaced)
    return unsealed_document(record, facts.record_sha256, enclosed.traces, issued, form.paper, form)


def form_in(enclosed: Enclosed) -> PageForm:
    """The enclosed form of a valve's page.

    Raises:
        ValueError: there is none, or none that can be read; the sentence says which.
    """
    if enclosed.form is None:
        raise ValueError(NO_FORM)
    try:
        form = PageForm.model_validate_json(enclosed.form)
    except ValueError as failure:
        raise ValueError(STRANGE_FORM) from failure
    if canonical(form) != enclosed.form:
        raise ValueError(STRANGE_FORM)
    return form


def _of_program(enclosed: Enclosed) -> tuple[str, ...]:
    """That another version drew it, where one did."""
    drawn = form_in(enclosed).drawn_with.get(PROGRAM, "")
    return () if drawn == __version__ else (ANOTHER_PROGRAM.format(drawn=drawn, own=__version__),)
