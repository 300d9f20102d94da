"""What is known of the SQLite that is linked."""

import pytest

from testbench.store.sqlite_version import in_words, installed, may_damage


@pytest.mark.parametrize(
    ("version", "affected"),
    [
        ((3, 6, 23), False), ((3, 7, 0), True), ((3, 40, 1), True), ((3, 44, 5), True), ((3, 44, 6), False),
        ((3, 45, 0), True), ((3, 50, 6), True), ((3, 50, 7), False), ((3, 51, 1), True), ((3, 51, 2), True),
        ((3, 51, 3), False), ((3, 53, 4), False), ((4, 0, 0), False),
    ],
)  # fmt: skip
def test_the_versions_with_the_wal_reset_fault(version, affected):
    """Source: SQLite's own note on the fault, as gathered in 2026: 3.7.0 to 3.51.2, but 3.44.6 and 3.50.7."""
    assert may_damage(version) is affected


def test_it_is_said_in_one_sentence():
    """With what it means for this file."""
    assert in_words((3, 40, 1)) == (
        "SQLite 3.40.1 has the WAL-reset fault (corrected in 3.44.6, 3.50.7 and 3.51.3): no other program may write to "
        "this file; those of testbench take turns, so that it cannot occur."
    )
    assert in_words((3, 51, 3)) == "SQLite 3.51.3: the WAL-reset fault is corrected in it."
    assert installed() >= (3, 37, 0)  # STRICT tables need it
