"""Makes the scenes beside this file importable; pytest's importlib mode does not."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from tui_scenes import FakeLink, Hand


@pytest.fixture
def link():
    return FakeLink()


@pytest.fixture
def hand():
    """A clock that only the test moves."""
    return Hand()
