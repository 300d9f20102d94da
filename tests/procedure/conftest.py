"""The shipped procedure as a file and as a value."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Valve

FILE = Path(__file__).parents[2] / "procedures" / "waterworks-swing-check.toml"


@pytest.fixture
def written() -> dict[str, Any]:
    """The file as TOML gives it; a test changes one thing in it."""
    return tomllib.loads(FILE.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def procedure() -> Procedure:
    """The file as the program understands it."""
    return Procedure.model_validate(tomllib.loads(FILE.read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def valve():
    """A valve as ordered; a test says what differs."""

    def ordered(size: str = "NPS 4", seat: str = "metal", rated: str = "250 psi", **others: str) -> Valve:
        facts = {"serial": "HL-4-0117", "type": "swing-check", "size": size, "rated": rated, "seat": seat}
        return Valve.model_validate(facts | others)

    return ordered
