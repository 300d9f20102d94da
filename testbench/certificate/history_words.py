"""The wording of pages about many runs (``reports/history.toml``)."""

import tomllib
from functools import cache

from testbench.certificate.data import reports
from testbench.certificate.languages import Words


@cache
def history_words() -> Words:
    """Read history.toml."""
    found = tomllib.loads((reports() / "history.toml").read_text(encoding="utf-8"))
    language = str(found.pop("language"))
    return Words(language, {f"{part}.{key}": text for part, section in found.items() for key, text in section.items()})
