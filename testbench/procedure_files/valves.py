"""A valve from what somebody typed; what is missing or wrong is refused by name."""

from pydantic import ValidationError

from testbench.errors import FactMissingError, ValveRefusedError
from testbench.procedure.valve import Valve


def valve_of(
    *,
    type_: str,
    seat: str,
    nps: str | None = None,
    dn: int | None = None,
    rated: str | None = None,
    pressure_class: int | None = None,
    pn: int | None = None,
    material: str | None = None,
    leak_rate: str | None = None,
    optional_tests: tuple[str, ...] = (),
) -> Valve:
    """The valve that was described.

    Raises:
        FactMissingError: no size was given.
        ValveRefusedError: a fact is none that a valve can have.
    """
    if nps is None and dn is None:
        raise FactMissingError("size", "give it as NPS or as DN")
    size = f"NPS {nps}" if nps is not None else f"DN {dn}"
    if nps is not None and dn is not None:
        size = f"NPS {nps} (DN {dn})"
    facts = {
        "serial": "any", "type": type_, "size": size, "rated": rated, "pressure_class": pressure_class, "pn": pn,
        "material": material, "seat": seat, "leak_rate": leak_rate, "optional_tests": optional_tests,
    }  # fmt: skip
    try:
        return Valve.model_validate(facts)
    except ValidationError as failure:
        first = failure.errors()[0]
        said = first["msg"].removeprefix("Value error, ").removesuffix(".")
        raise ValveRefusedError(str(first["loc"][0]), str(first["input"]), said) from failure
