"""The shipped procedures as files and as values."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from testbench.procedure.requirements import StageRequirement, requirements_for
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Valve

SHIPPED = Path(__file__).parents[2] / "procedures"
FILE = SHIPPED / "waterworks-swing-check.toml"


def _read(file: Path) -> Procedure:
    return Procedure.model_validate(tomllib.loads(file.read_text(encoding="utf-8")))


@pytest.fixture
def written() -> dict[str, Any]:
    """The file as TOML gives it; a test changes one thing in it."""
    return tomllib.loads(FILE.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def procedures() -> dict[str, Procedure]:
    """Every shipped procedure by its id."""
    return {file.stem: _read(file) for file in sorted(SHIPPED.glob("*.toml"))}


@pytest.fixture(scope="session")
def procedure(procedures) -> Procedure:
    """The one for swing check valves of waterworks."""
    return procedures["waterworks-swing-check"]


@pytest.fixture(scope="session")
def valve():
    """A valve as ordered; a test says what differs."""

    def ordered(size: str = "NPS 4", seat: str = "metal", rated: str = "250 psi", **others: str) -> Valve:
        facts = {"serial": "HL-4-0117", "type": "swing-check", "size": size, "rated": rated, "seat": seat}
        return Valve.model_validate(facts | others)

    return ordered


@pytest.fixture(scope="session")
def demanded(procedures):
    """What a shipped procedure demands of a valve in one stage; every optional test that is asked for is ordered."""

    def of(name: str, stage: str, size: str, **facts: Any) -> StageRequirement:
        described = {"serial": "any", "size": size, "seat": "metal", "type": "swing-check"} | facts
        asked = requirements_for(procedures[name], Valve.model_validate(described))
        if stage in asked.left_out:
            described["optional_tests"] = (stage,)
            asked = requirements_for(procedures[name], Valve.model_validate(described))
        (found,) = (requirement for requirement in asked.stages if requirement.stage == stage)
        return found

    return of
