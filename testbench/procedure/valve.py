"""The valve under test as ordered."""

import re
from datetime import date
from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from testbench.errors import BenchError
from testbench.procedure.serials import MOST_VALVES, compared, plain
from testbench.quantities import NominalSize, Pressure, Volume


class ValveType(StrEnum):
    """The valve families that a procedure may name."""

    SWING_CHECK = "swing-check"
    CHECK = "check"
    """Any other check valve: lift, tilting disc, dual plate."""
    GATE = "gate"
    GLOBE = "globe"
    BALL = "ball"
    PLUG = "plug"
    BUTTERFLY = "butterfly"


class SeatPairing(StrEnum):
    """What meets what when the valve is closed; the seat limit hangs on it."""

    RESILIENT = "resilient"
    METAL = "metal"


class Material(StrEnum):
    """Shell materials that pressure tables tell apart."""

    STEEL = "steel"
    """Carbon steel, cast grade WCB or equal."""
    STAINLESS = "stainless"
    """Austenitic stainless steel, cast grade CF8M or equal."""
    GRAY_IRON = "gray-iron"
    DUCTILE_IRON = "ductile-iron"
    BRONZE = "bronze"


class CertificateType(StrEnum):
    """Which document the order asks for, by its number in EN 10204:2004."""

    DECLARATION_OF_COMPLIANCE = "2.1"
    TEST_REPORT = "2.2"
    INSPECTION_CERTIFICATE_3_1 = "3.1"
    INSPECTION_CERTIFICATE_3_2 = "3.2"

    @property
    def in_words(self) -> str:
        """Its name in that standard (from memory)."""
        return {
            "2.1": "declaration of compliance with the order 2.1",
            "2.2": "test report 2.2",
            "3.1": "inspection certificate 3.1",
            "3.2": "inspection certificate 3.2",
        }[self.value]


_SIZE_WRITTEN = re.compile(r"NPS ([0-9.]+)(?: \(DN ([0-9]+)\))?|DN ([0-9]+)")


def _read_size(found: object) -> NominalSize:
    if isinstance(found, NominalSize):
        return found
    written = _SIZE_WRITTEN.fullmatch(str(found))
    if written is None:
        raise ValueError(f"a size is written 'NPS 8' or 'DN 200', not '{found}'")
    nps, dn_of_nps, dn = written.groups()
    try:
        size = NominalSize.from_nps(nps) if nps else NominalSize.from_dn(int(dn))
    except BenchError as refusal:
        raise ValueError(str(refusal)) from refusal
    if dn_of_nps and int(dn_of_nps) != size.dn:
        raise ValueError(f"NPS {nps} is DN {size.dn}, not DN {dn_of_nps}")
    return size


Size = Annotated[
    NominalSize,
    PlainValidator(_read_size),
    PlainSerializer(lambda size: f"NPS {size.nps}", return_type=str),
    WithJsonSchema({"type": "string", "description": "'NPS 8' or 'DN 200'"}),
]
"""A nominal size, written ``"NPS 8"`` or ``"DN 200"`` in files and records."""

Text = Annotated[str, Field(min_length=1, max_length=200)]
LeakRate = Annotated[str, Field(pattern=r"^[A-G]{1,2}$")]
"""A leakage rate by its letters, for example A or CC."""


class Value(BaseModel):
    """Base of every record-like model: frozen, and a key it does not know is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def later(default: Any) -> Any:
    """A field that came after records had been written: left out where it holds its default.

    So a record from before, read and written again, is the same to the byte.
    """
    return Field(default=default, exclude_if=lambda found: found == default)


class Valve(Value):
    """One serial-numbered valve, as ordered. What a procedure needs and the order does not say is refused by name."""

    serial: Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f\x7f]+$")]
    type: ValveType
    size: Size
    rated: Pressure | None = None
    """Rated (cold working) pressure from the order or the nameplate, never guessed from the size."""
    pressure_class: Annotated[int, Field(gt=0)] | None = None
    """Class designation, for example 150: a name, not a pressure."""
    pn: Annotated[int, Field(gt=0)] | None = None
    material: Material | None = None
    seat: SeatPairing
    leak_rate: LeakRate | None = None
    """Leakage rate that the order names, where the standard leaves the choice: A, AA, B …"""
    optional_tests: tuple[str, ...] = ()
    """Tests that the standard leaves to the order, by their names."""
    seat_pairing: Text = "not stated"
    """The pairing in the order's own words, for example "EPDM on ductile iron, epoxy coated"."""
    ends: Text = "not stated"
    product: Text = "not stated"
    drawing: Text = "not stated"
    heat_numbers: Text = "not stated"
    cavity: Volume | None = later(None)
    """Volume that the water fills, from the drawing: tells air from water where C is measured."""

    @field_validator("cavity")
    @classmethod
    def _a_cavity_has_room(cls, cavity: Volume | None) -> Volume | None:
        if cavity is not None and cavity <= Volume.zero("L"):
            raise ValueError(f"found {cavity}, it must be above 0")
        return cavity

    @property
    def designation(self) -> str:
        """How its pressure is designated, in one phrase."""
        said = [
            str(self.rated) if self.rated is not None else "",
            f"Class {self.pressure_class}" if self.pressure_class is not None else "",
            f"PN {self.pn}" if self.pn is not None else "",
            str(self.material) if self.material is not None else "",
        ]
        return ", ".join(part for part in said if part) or "no rating stated"

    @property
    def in_one_line(self) -> str:
        """Type, size, pressure and seat."""
        return f"{self.type} {self.size}, {self.designation}, {self.seat} seat"


class WitnessPoint(Value):
    """A stage that somebody else may attend, as the order agrees it (common practice; agree the terms in the order)."""

    stage: Text
    """Name of the stage, for example "shell test"."""
    point: Literal["hold point", "witness point"]
    """A hold point is not passed without the witness; a witness point is, after due notice."""
    party: Text
    """Whose point it is."""
    notify: Text
    """Who must be notified."""
    notice_days: Annotated[int, Field(ge=0, le=365)]
    """Days between notice and test, at least."""
    notice_given_on: date | None = None


class Order(Value):
    """What a customer ordered, and the valves on it."""

    number: Annotated[str, Field(min_length=1, max_length=40)]
    customer: Text
    customer_order: Text = "not stated"
    procedure: Text
    """Id of the procedure that the order asks for."""
    certificate_type: CertificateType | None = later(None)
    """None where the order asks for none by name."""
    language: Annotated[str, Field(pattern=r"^[a-z]{2,3}$")] | None = later(None)
    """Of its documents; None: the bench's own."""
    look_alikes_accepted: Text | None = later(None)
    """Why serial numbers that can be taken for each other, or for something else, stand on this order."""
    valves: Annotated[tuple[Valve, ...], Field(min_length=1, max_length=MOST_VALVES)]
    witness_points: tuple[WitnessPoint, ...] = ()

    @field_validator("valves")
    @classmethod
    def _serials_as_they_are_compared(cls, valves: tuple[Valve, ...]) -> tuple[Valve, ...]:
        """Spaces at the ends and other code points for the same sign make no other valve."""
        serials = [plain(valve.serial) for valve in valves]
        if "" in serials:
            raise ValueError("a serial number holds nothing but spaces")
        return tuple(
            valve if valve.serial == serial else valve.model_copy(update={"serial": serial})
            for valve, serial in zip(valves, serials, strict=True)
        )

    @model_validator(mode="after")
    def _no_serial_twice(self) -> Self:
        seen: set[str] = set()
        for valve in self.valves:
            key = compared(valve.serial)
            if key in seen:
                raise ValueError(f"valves: serial number {valve.serial} stands there twice")
            seen.add(key)
        return self
