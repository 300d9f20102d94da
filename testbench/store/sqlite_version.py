"""Which SQLite this Python was linked with, and what is known of it."""

import sqlite3

FIXED_IN = ((3, 44, 6), (3, 50, 7), (3, 51, 3))
"""First versions without the WAL-reset fault, each in its own line; it came with write-ahead logs in 3.7.0."""


def may_damage(version: tuple[int, int, int]) -> bool:
    """Whether a library can damage a file when one connection commits while another one resets the log.

    Source: SQLite's own note on its write-ahead log, "the WAL-reset bug", as of 2026: 3.7.0 to 3.51.2, corrected in
    3.51.3 and in 3.44.6 and 3.50.7 of the older lines.
    """
    line = next((fixed for fixed in FIXED_IN if fixed[:2] == version[:2]), FIXED_IN[-1])
    return (3, 7, 0) <= version < line


def in_words(version: tuple[int, int, int]) -> str:
    """One sentence for whoever looks after the bench."""
    name = ".".join(map(str, version))
    if not may_damage(version):
        return f"SQLite {name}: the WAL-reset fault is corrected in it."
    return (
        f"SQLite {name} has the WAL-reset fault (corrected in 3.44.6, 3.50.7 and 3.51.3): no other program may write "
        "to this file; those of testbench take turns, so that it cannot occur."
    )


def installed() -> tuple[int, int, int]:
    """The version in use."""
    major, minor, patch = sqlite3.sqlite_version_info
    return major, minor, patch
