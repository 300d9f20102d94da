"""A simulated bench for journeys."""

import pytest

from testbench.demonstration import Demonstration


@pytest.fixture
def simulated(tmp_path):
    """A bench on a simulated rig at a hundred times life, its recorder running."""
    home = tmp_path / "home"
    with Demonstration(home, 100, 1) as demonstration:
        yield demonstration
