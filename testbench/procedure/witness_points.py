"""Witness and hold points of an order as one cell of a table says them, and whether they fit a valve's stages. Pure."""

from collections.abc import Sequence

from pydantic import ValidationError

from testbench.errors import WitnessPointUnreadableError
from testbench.procedure.serials import BETWEEN
from testbench.procedure.valve import WitnessPoint

FIELDS = ("stage", "point", "party", "notify", "notice_days", "notice_given_on")
PARTED = ";"
"""Parts the fields of one point."""
ALLOWED = (
    "a point is 'stage; hold point or witness point; whose it is; who must be notified; days of notice; day on which "
    "notice was given', the last where it was; points are parted by |"
)


def points_of(written: str) -> tuple[WitnessPoint, ...]:
    """Read the points of a cell.

    Raises:
        WitnessPointUnreadableError: one of them says too little, too much, or something that is not allowed.
    """
    return tuple(_point(part.strip()) for part in written.split(BETWEEN))


def _point(part: str) -> WitnessPoint:
    said = [text.strip() for text in part.split(PARTED)]
    facts = {name: text for name, text in zip(FIELDS, said, strict=False) if text}
    if len(said) > len(FIELDS):
        raise WitnessPointUnreadableError(part, f"{len(said)} parts", ALLOWED)
    try:
        return WitnessPoint.model_validate(facts)
    except ValidationError as failure:
        error = failure.errors(include_url=False)[0]
        name = str(error["loc"][0])
        found = "nothing" if error["type"] == "missing" else repr(error["input"])
        raise WitnessPointUnreadableError(part, f"{found} as {name.replace('_', ' ')}", ALLOWED) from failure


def in_a_cell(points: Sequence[WitnessPoint]) -> str:
    """The points as ``points_of`` reads them; none is an empty cell."""
    return BETWEEN.join(
        f"{PARTED} ".join(str(found) for name in FIELDS if (found := getattr(point, name)) is not None)
        for point in points
    )


def unfit(points: Sequence[WitnessPoint], stages: Sequence[str]) -> str | None:
    """The first stage named by a point that the valve does not have, or that another point names; None: they fit."""
    named = [point.stage for point in points]
    return next((stage for stage in named if stage not in stages or named.count(stage) > 1), None)
