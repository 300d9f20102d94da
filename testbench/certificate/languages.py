"""The languages of a page, as data: every fixed sentence and label, by language; a further one needs no code.

``reports/languages/en.toml`` is the measure of the others: each has just its keys, each text just its placeholders.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any

from testbench.certificate.data import pressure_orders, reports
from testbench.errors import LanguageFileError, LanguageUnknownError, UnitsUnknownError
from testbench.procedure.report_form import ReportForm

ENGLISH = "en"
HEAD = ("language", "decimal_mark")
MARKS = (".", ",")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")
_GRADE = re.compile(r"\[([^\]:]+)[^\]]*\]$")


@dataclass(frozen=True, slots=True)
class Words:
    """The texts of one language under dotted keys, and how it writes figures."""

    language: str
    """BCP 47, for example ``de-DE``: what a screen reader is told."""
    texts: dict[str, str]
    terms: dict[str, str] = field(default_factory=dict)
    """Words of procedures, as these have them, and what stands for them; the rest is printed as it is."""
    mark: str = "."
    """Between whole digits and decimals."""
    pressures: tuple[str, ...] = ()
    """The units of pressure, the first one first; empty: the procedure's own alone."""

    def __call__(self, key: str, **facts: object) -> str:
        """The text under a key, its braces filled in."""
        return self.texts[key].format(**facts)

    def get(self, key: str, otherwise: str) -> str:
        """The text under a key, or another where there is none."""
        return self.texts.get(key, otherwise)

    def figures(self, key: str, **facts: object) -> str:
        """The text under a key, its braces filled in with figures as this language writes them."""
        return self(key, **{name: self.decimal(str(fact)) for name, fact in facts.items()})

    def decimal(self, figures: str) -> str:
        """Figures with this language's decimal mark; never for dates, numbers of documents or editions."""
        return figures if self.mark == "." else _POINT.sub(self.mark, figures)

    def term(self, phrase: str) -> str:
        """A procedure's phrase in this language, where it has one."""
        return self.terms.get(phrase, phrase)

    def source(self, source: str) -> str:
        """A source: what it is for, and how sure it is, in this language; the document keeps its own title.

        What is to be done about a grade (verify it) stands once on the page, among the cautions.
        """
        what, _, document = source.partition(": ")
        return f"{self.term(what)}: {_GRADE.sub(lambda found: f'[{self.term(found[1])}]', document)}"


def languages() -> tuple[str, ...]:
    """The languages at hand, English first."""
    found = sorted(path.stem for path in _folder().glob("*.toml"))
    return (ENGLISH, *(name for name in found if name != ENGLISH))


def check_language(name: str | None) -> None:
    """Refuse a language that is not at hand; None is the bench's own.

    Raises:
        LanguageUnknownError: there is no such file.
    """
    if name is not None and name not in languages():
        raise LanguageUnknownError(name, languages())


def check_form(form: ReportForm) -> None:
    """Refuse a form that no page could be drawn in, before a valve is tested for nothing.

    Raises:
        LanguageUnknownError: there is no such language file.
        LanguageFileError: it breaks a rule.
        UnitsUnknownError: units.toml has no such order.
    """
    words(form.language)
    if form.units is not None and form.units not in pressure_orders():
        raise UnitsUnknownError(form.units, tuple(pressure_orders()))


def words_of(form: ReportForm | None) -> Words:
    """The words of a page in the form that its record names; English and the procedure's units where it names none.

    Raises:
        LanguageUnknownError: the language is not at hand.
        LanguageFileError: its file breaks a rule.
    """
    form = form or ReportForm()
    found = words(form.language)
    return found if form.units is None else replace(found, pressures=pressure_orders()[form.units])


@cache
def words(name: str = ENGLISH) -> Words:
    """Read one language, and the texts of the pages that are in English only (wording.toml).

    Raises:
        LanguageUnknownError: there is no such file.
        LanguageFileError: it breaks a rule; the sentence names file, key, found and allowed.
    """
    check_language(name)
    english_only = _texts(tomllib.loads((reports() / "wording.toml").read_text(encoding="utf-8")))
    found = read_language(_folder() / f"{name}.toml", read_language(_folder() / f"{ENGLISH}.toml").texts)
    return replace(found, texts={**english_only, **found.texts})


def read_language(path: Path, measure: Mapping[str, str] | None = None) -> Words:
    """Read a language file and hold it against the English texts.

    Raises:
        LanguageFileError: it breaks a rule.
    """
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as failure:
        raise LanguageFileError(path.name, "the file", str(failure), "a TOML file in UTF-8") from failure
    head = {key: found.pop(key, None) for key in HEAD}
    if not isinstance(head["language"], str) or not re.fullmatch(r"[a-z]{2,3}(-[A-Z]{2})?", head["language"]):
        raise LanguageFileError(path.name, "language", _shown(head["language"]), "a language tag such as 'de-DE'")
    if head["decimal_mark"] not in MARKS:
        raise LanguageFileError(path.name, "decimal_mark", _shown(head["decimal_mark"]), "'.' or ','")
    terms = found.pop("terms", {})
    for part in (found, terms):
        _check_texts(path.name, part, "" if part is found else "terms.")
    texts = _texts(found)
    _check_against(path.name, texts, texts if measure is None else measure)
    return Words(head["language"], texts, terms, head["decimal_mark"])


def _folder() -> Path:
    return reports() / "languages"


def _texts(found: Mapping[str, Any]) -> dict[str, str]:
    return {f"{part}.{key}": text for part, section in found.items() for key, text in section.items()}


def _check_texts(file: str, found: Any, lead: str) -> None:
    """Every section is a table of texts; a table of terms is one section."""
    sections = {"": found} if lead else found
    for part, section in sections.items():
        if not isinstance(section, dict):
            raise LanguageFileError(file, part, _shown(section), "a table of texts")
        for key, text in section.items():
            if not isinstance(text, str):
                raise LanguageFileError(file, f"{lead or part + '.'}{key}", _shown(text), "a text")


def _check_against(file: str, texts: Mapping[str, str], measure: Mapping[str, str]) -> None:
    for key, text in texts.items():
        if key not in measure:
            raise LanguageFileError(file, key, _shown(text), f"no text, {ENGLISH}.toml has none")
    for key, text in measure.items():
        wanted = _placeholders(file, key, text)
        if key not in texts:
            raise LanguageFileError(file, key, "nothing", f"a text with {_braced(wanted)}")
        if (has := _placeholders(file, key, texts[key])) != wanted:
            raise LanguageFileError(file, key, f"a text with {_braced(has)}", _braced(wanted))


def _placeholders(file: str, key: str, text: str) -> frozenset[str]:
    """The names in braces; a brace that is none is refused."""
    try:
        found = [(name, plain) for _, name, plain, _ in Formatter().parse(text) if name is not None]
    except ValueError as failure:
        raise LanguageFileError(file, key, f"{_shown(text)} ({failure})", "names in braces") from failure
    if any(plain or not name.isidentifier() for name, plain in found):
        raise LanguageFileError(file, key, _shown(text), "plain names in braces")
    return frozenset(name for name, _ in found)


def _braced(names: frozenset[str]) -> str:
    return ", ".join(f"{{{name}}}" for name in sorted(names)) or "no braces"


def _shown(found: object) -> str:
    return "nothing" if found is None else repr(found)
