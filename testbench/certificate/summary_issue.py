"""From a summary to a sealed file: draw, attach its list, seal, check, and only then let it appear."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from testbench.certificate.attach import attach, attachments_of_summary, safe_name
from testbench.certificate.data import layout
from testbench.certificate.hands import Hands
from testbench.certificate.issue import with_stamp
from testbench.certificate.pen import printable
from testbench.certificate.publishing import publish
from testbench.certificate.stamping import TimeStamps
from testbench.certificate.summary_form import SummaryForm
from testbench.errors import DocumentExistsError, DocumentNotWrittenError
from testbench.run.ledger import Checkpoint
from testbench.run.record import RunRecord, canonical, sha256
from testbench.station.summed_up import SummedUp


@dataclass(frozen=True, slots=True)
class Drawn:
    """A page that was drawn, and what it encloses."""

    page: bytes
    listed: SummedUp
    form: SummaryForm
    records: tuple[RunRecord, ...] = ()
    """Those of the pages that follow."""


@dataclass(frozen=True, slots=True)
class IssuedSummary:
    """A lot certificate or shift summary that is on disk."""

    path: Path
    listed: SummedUp
    sha256: str
    waiting: str = ""
    """Why it has no time stamp though an authority is named."""


def summary_place(folder: Path, number: str, subject: str) -> Path:
    """Where a lot certificate or shift summary lies."""
    return folder / f"{safe_name(number)}_{safe_name(subject)}.pdf"


def unsealed_summary(drawn: Drawn, checkpoint: Checkpoint | None, *, again: bool = False) -> bytes:
    """The page with its list before it is sealed, made now or ``again``: the same bytes for the same arguments."""
    files = attachments_of_summary(_as_printed(drawn.listed), drawn.records, checkpoint, drawn.form)
    return attach(drawn.page, files, drawn.form.dated, checked=not again)


def issue_summary(
    drawn: Drawn,
    hands: Hands,
    folder: Path,
    at: datetime,
    *,
    checkpoint: Checkpoint,
    stamps: TimeStamps | None,
    register: Callable[[IssuedSummary], None],
) -> IssuedSummary:
    """Seal, check and write a lot certificate or shift summary.

    Args:
        drawn: the page.
        hands: the station's.
        folder: where the file goes.
        at: the station's time of day, UTC.
        checkpoint: how far the bench's ledger has come.
        stamps: the time-stamp authority; where it does not answer the page leaves without, and waits for one.
        register: names the finished page in the register, before it appears under its name.

    Raises:
        DocumentExistsError: another program gave out the number meanwhile.
        DocumentNotWrittenError: the finished file did not pass its own check, or the disk refused it.
    """
    listed = _as_printed(drawn.listed)
    unsealed = unsealed_summary(drawn, checkpoint)
    data, waiting = with_stamp(hands.sign(unsealed, at), stamps)
    _check_own(data, unsealed, hands, listed)
    issued = IssuedSummary(summary_place(folder, listed.number, listed.subject), listed, sha256(data), waiting)
    try:
        publish(issued.path, data, lambda _: register(issued))
    except FileExistsError:
        raise DocumentExistsError(listed.number, str(issued.path)) from None
    except OSError as failure:
        raise DocumentNotWrittenError(str(issued.path), f"{failure.strerror}") from failure
    return issued


def _as_printed(listed: SummedUp) -> SummedUp:
    """The list with its rows in the signs that the page shows."""
    look = layout()
    rows: Sequence[tuple[str, ...]] = [tuple(printable(text, look) for text in row.printed) for row in listed.rows]
    told = (row.model_copy(update={"printed": shown}) for row, shown in zip(listed.rows, rows, strict=True))
    return listed.model_copy(update={"rows": tuple(told)})


def _check_own(data: bytes, unsealed: bytes, hands: Hands, listed: SummedUp) -> None:
    """What a customer will check is checked before the file leaves."""
    from testbench.certificate.verify import verify

    judged = verify(data, hands.anchors, unsealed)
    if not judged.trusted or judged.summary != canonical(listed).decode():
        found = " ".join(judged.reasons) or "it lists something else"
        raise DocumentNotWrittenError(listed.number, f"it did not pass its own check: {found}".rstrip("."))
