"""Ordinary text broken into lines."""

import re


def wrapped(text: str, columns: int) -> list[str]:
    """Lines of at most ``columns`` characters; a longer word is cut."""
    lines: list[str] = []
    for whole in text.split():
        word = whole[: max(columns, 1)]
        if lines and len(lines[-1]) + 1 + len(word) <= columns:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def sentences(text: str) -> list[str]:
    """The sentences of a text, each by itself."""
    return [part for part in re.split(r"(?<=[.!?])\s+(?=[A-Z])", text.strip()) if part]
