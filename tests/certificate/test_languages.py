"""The words of a page as data: every language is complete, says the same figures, and is refused where it is not."""

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pypdf import PdfReader

from testbench.certificate.content import Content, IssueFacts, content_of
from testbench.certificate.data import layout, pressure_orders, reports
from testbench.certificate.evidence import mention
from testbench.certificate.issue import unsealed_document
from testbench.certificate.languages import check_form, check_language, languages, read_language, words, words_of
from testbench.certificate.lines import undecided_of
from testbench.certificate.page import draw
from testbench.certificate.pen import printable
from testbench.errors import LanguageFileError, LanguageUnknownError, UnitsUnknownError
from testbench.metrology.decision_rule import Conformity, DecisionRule
from testbench.procedure.report_form import ReportForm
from testbench.procedure.stages import StageName
from testbench.procedure.valve import CertificateType
from testbench.procedure_files.loader import bench_template, shipped_folder
from testbench.run.machine import Ending
from testbench.run.mentioned import Mentioned
from testbench.run.nonconformity import Disposition, Part, Standing
from testbench.run.observations import Seen
from testbench.run.record import CriterionFinding, Origin, Verdict, canonical, sha256
from testbench.run.signature import Meaning, Role
from testbench.station.withdrawals import Withdrawal
from testbench.wiring import Home

ENGLISH = reports() / "languages" / "en.toml"
OTHERS = [name for name in languages() if name != "en"]


def in_form(run: Any, **form: Any) -> Any:
    record = run.record.model_copy(update={"report": ReportForm(**form)})
    return SimpleNamespace(record=record, sha256=sha256(canonical(record)), traces=run.traces, signed=run.signed)


def issue(bench: SimpleNamespace, run: Any) -> IssueFacts:
    at = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
    return IssueFacts(bench.works, at, "Station seal", "A1B2 C3D4", run.signed, bench.checkpoint)


def content(bench: SimpleNamespace, run: Any) -> Content:
    return content_of(run.record, run.sha256, run.traces, issue(bench, run), words_of(run.record.report))


def text_of(bench: SimpleNamespace, run: Any, paper: str = "A4") -> str:
    pdf = draw(content(bench, run), layout(), words_of(run.record.report), paper)
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


# Complete ---------------------------------------------------------------------------------------


def test_english_german_and_spanish_are_at_hand() -> None:
    """English first."""
    assert languages() == ("en", "de", "es")
    assert [words(name).language for name in languages()] == ["en-GB", "de-DE", "es-ES"]


@pytest.mark.parametrize("name", languages())
def test_every_text_of_a_language_can_be_printed(name: str) -> None:
    """No face lacks a letter of it."""
    found = words(name)
    for text in (*found.texts.values(), *found.terms.values()):
        assert printable(text, layout()) or not text


@pytest.mark.parametrize("name", OTHERS)
def test_little_of_a_language_is_left_in_english(name: str) -> None:
    """A text that is word for word the English one is a unit, a symbol, or a number; not a forgotten sentence."""
    english, own = words().texts, words(name).texts
    same = [key for key in english if own[key] == english[key] and not key.startswith(("calibration.", "method."))]
    sentences = {key for key in same if " " in english[key] and "{" not in english[key] and not key.startswith("unit.")}
    assert sentences <= {"document.heading", "instrument.uncertainty", "table.below", "table.uncertainty"}


@pytest.mark.parametrize("name", OTHERS)
def test_a_language_has_a_word_for_every_phrase_of_the_shipped_procedures(name: str) -> None:
    """Sides, places, collecting points: what the operator was told must be read by the customer."""
    phrases: set[str] = set()

    def walk(found: Any) -> None:
        for key, value in found.items() if isinstance(found, dict) else enumerate(found):
            if key in {"pressurized_side", "open_side", "collect_at"}:
                phrases.add(value)
            elif key == "look_at":
                phrases.update(value)
            elif isinstance(value, (dict, list)):
                walk(value)

    for path in shipped_folder().glob("*.toml"):
        walk(tomllib.loads(path.read_text(encoding="utf-8")))
    assert len(phrases) > 25
    assert sorted(phrases - set(words(name).terms)) == []


def test_every_name_that_a_record_can_hold_has_a_text() -> None:
    """Keys that the code puts together from enumerations exist for each member."""
    keys = [
        *(f"stage.{stage.replace(' ', '_')}" for stage in StageName),
        *(f"stage_named.{stage.replace(' ', '_')}" for stage in StageName),
        *(f"rule.{rule.name.lower()}" for rule in DecisionRule),
        *(f"ending.{ending}" for ending in Ending if ending is not Ending.COMPLETED),
        *(f"role.{role}" for role in Role),
        *(f"signed.{meaning}" for meaning in Meaning if meaning is not Meaning.ADOPTED),
        *(f"document.type_{kind.replace('.', '')}" for kind in CertificateType),
        *(f"document.says_{kind.replace('.', '')}" for kind in CertificateType),
    ]
    assert [key for key in keys if key not in words().texts] == []


@pytest.mark.parametrize("name", languages())
def test_a_nonconformity_can_be_told_in_every_state(name: str) -> None:
    """Each standing, disposition and part of a valve has its words; nothing is left in braces."""
    told = [
        Mentioned(
            number="N-B1-000001", run="B1-000001", standing=standing, disposition=disposition, worked_on=tuple(Part),
            retest="B1-000002", retest_verdict=Verdict.ACCEPTED,
        )
        for standing in Standing for disposition in Disposition
    ]  # fmt: skip
    said = [mention(one, words(name)) for one in told]
    assert len(set(said)) == len(said)
    for one in said:
        assert all(part in one for part in ("N-B1-000001", "B1-000001", "B1-000002"))
        assert printable(one, layout())


@pytest.mark.parametrize("name", languages())
def test_what_a_document_replaces_is_said_below_its_verdict(bench: SimpleNamespace, accepted: Any, name: str) -> None:
    """In the top fifth, with number, day, who and why; in the words of the page."""
    old = Withdrawal(
        number="C-B1-2026-0001", serial="HL-4-0117", run="B1-2026-0001", record_sha256="0" * 64, files=(),
        why="the heat number was misread.", by="Tobin Ashe", person="ashe", at="2026-11-26T08:00:00Z",
        replaced_by="C-B1-2026-0001-2",
    )  # fmt: skip
    run = in_form(accepted, language=name)
    told = content_of(run.record, run.sha256, run.traces, replace(issue(bench, run), replaces=old), words(name))
    found: list[float] = []

    def visit(text: str, _cm: Any, tm: list[float], _font: Any, _size: float) -> None:
        if text.strip() == told.replaces:
            found.append(tm[5])

    PdfReader(BytesIO(draw(told, layout(), words(name), "A4"))).pages[0].extract_text(visitor_text=visit)
    assert len(found) == 1
    assert found[0] > 841.89 * 0.8
    assert all(part in told.replaces for part in ("C-B1-2026-0001", "2026-11-26", "Tobin Ashe", "misread"))
    assert told.facts.number == "C-B1-2026-0001-2"


def test_the_decision_rules_are_said_in_english_as_the_screen_says_them() -> None:
    """One wording in two places must not drift apart."""
    for rule in DecisionRule:
        assert words()(f"rule.{rule.name.lower()}") == rule.in_words


# Refused ----------------------------------------------------------------------------------------


ISSUED, PAGE, TAG = 'issued = "Issued"\n', 'page = "page {page} of {pages}"\n', 'language = "en-GB"\n'


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (ISSUED, "", "head.issued: found nothing; allowed: a text with no braces."),
        (ISSUED, ISSUED + 'sent = "Sent"\n', "head.sent: found 'Sent'; allowed: no text, en.toml has none."),
        (PAGE, 'page = "page {page}"\n', "foot.page: found a text with {page}; allowed: {page}, {pages}."),
        (PAGE, 'page = "{page}, {of}"\n', "foot.page: found a text with {of}, {page}; allowed: {page}, {pages}."),
        (ISSUED, 'issued = "Issued {0}"\n', "head.issued: found 'Issued {0}'; allowed: plain names in braces."),
        (ISSUED, "issued = 7\n", "head.issued: found 7; allowed: a text."),
        ('decimal_mark = "."', 'decimal_mark = "·"', "decimal_mark: found '·'; allowed: '.' or ','."),
        (TAG, 'language = "English"\n', "language: found 'English'; allowed: a language tag such as 'de-DE'."),
        (TAG, "", "language: found nothing; allowed: a language tag such as 'de-DE'."),
    ],
)
def test_a_language_file_that_breaks_a_rule_is_refused(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    """File, key, found, allowed; nothing is printed with it."""
    text = ENGLISH.read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "fr.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LanguageFileError) as refusal:
        read_language(file, read_language(ENGLISH).texts)
    assert str(refusal.value) == f"Language file fr.toml, {sentence}"


def test_a_further_language_needs_no_code(tmp_path: Path) -> None:
    """A copy under another name, with its own words, is read."""
    file = tmp_path / "fr.toml"
    text = ENGLISH.read_text(encoding="utf-8")
    file.write_text(
        text.replace('"en-GB"', '"fr-FR"').replace('accepted = "ACCEPTED"', 'accepted = "ACCEPTÉE"'), encoding="utf-8"
    )
    found = read_language(file, read_language(ENGLISH).texts)
    assert (found.language, found("verdict.accepted")) == ("fr-FR", "ACCEPTÉE")


def test_what_is_not_at_hand_is_refused_before_a_valve_is_tested() -> None:
    """By bench.toml and by an order."""
    with pytest.raises(LanguageUnknownError) as language:
        check_language("fr")
    assert str(language.value) == "There is no language 'fr' for documents; at hand are en, de, es."
    with pytest.raises(UnitsUnknownError) as units:
        check_form(ReportForm(units="atm"))
    assert str(units.value) == "There are no units 'atm' for documents; at hand are psi, bar."
    check_form(ReportForm(language="de", units="bar"))
    check_language(None)


@pytest.mark.parametrize(
    ("form", "sentence"),
    [
        ('language = "fr"', "There is no language 'fr' for documents; at hand are en, de, es."),
        ('units = "atm"', "There are no units 'atm' for documents; at hand are psi, bar."),
    ],
)
def test_a_bench_whose_pages_could_not_be_drawn_is_refused(tmp_path: Path, form: str, sentence: str) -> None:
    """When bench.toml is read; a form that is at hand is taken."""
    home = Home(tmp_path)
    file = tmp_path / "bench.toml"
    file.write_text(f"{bench_template()}\n[report]\n{form}\n", encoding="utf-8")
    with pytest.raises((LanguageUnknownError, UnitsUnknownError)) as refusal:
        home.bench()
    assert str(refusal.value) == sentence
    file.write_text(
        f'{bench_template()}\n[report]\nlanguage = "es"\nunits = "bar"\npage = "Letter"\n', encoding="utf-8"
    )
    assert home.bench().report == ReportForm(language="es", units="bar", page="Letter")


# Said -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", OTHERS)
@pytest.mark.parametrize("story", ["accepted_nps_4", "rejected_nps_6", "accepted_nps_8", "extended_nps_4"])
def test_every_language_prints_the_same_figures(bench: SimpleNamespace, name: str, story: str) -> None:
    """Cell for cell; only the decimal mark is another."""
    run = bench.tell(getattr(bench, story))
    english, other = (content(bench, in_form(run, language=one)) for one in ("en", name))
    for one, two in zip(english.stages, other.stages, strict=True):
        for a, b in zip(one.table.lines, two.table.lines, strict=True):
            assert a.conformity == b.conformity
            for cell in ("required", "met_at", "measured", "uncertainty", "risk"):
                mine, theirs = getattr(a, cell), getattr(b, cell)
                if any(sign.isdigit() for sign in mine):
                    assert theirs == mine.replace(".", ",")
    assert (english.facts.number, english.facts.verdict) == (other.facts.number, other.facts.verdict)


def test_german_and_spanish_speak_the_language_of_the_trade(bench: SimpleNamespace) -> None:
    """Terms of EN 12266-1 and EN 10204 (from memory); figures with a comma."""
    run = bench.tell(bench.rejected_nps_6)
    german, spanish = (text_of(bench, in_form(run, language=name)) for name in OTHERS)
    for told in (
        "Gehäusefestigkeitsprüfung",
        "Sitzdichtheitsprüfung",
        "ZURÜCKGEWIESEN",
        "Rückschlagklappe",
        "Prüfverfahren",
        "Leckrate 18,87 US fl oz/h (U = 0,78 US fl oz/h); höchstens 6,00 US fl oz/h sind zulässig.",
    ):
        assert told in german
    for told in (
        "Prueba hidrostática del cuerpo",
        "Prueba de asiento",
        "RECHAZADA",
        "válvula de retención de clapeta",
        "tasa de fuga 18,87 US fl oz/h (U = 0,78 US fl oz/h); se admite 6,00 US fl oz/h como máximo.",
    ):
        assert told in spanish


@pytest.mark.parametrize("name", OTHERS)
def test_words_of_the_record_stay_english_in_quotation_marks(bench: SimpleNamespace, name: str) -> None:
    """Why an attempt is void was written at the bench; nobody translates it afterwards."""
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: hose leaked.")
    run = bench.tell(bench.replace(bench.accepted_nps_4, shell=(stopped, bench.Attempt())))
    found = content(bench, in_form(run, language=name))
    quoted = {"de": "„Stopped by the operator: hose leaked.“", "es": "«Stopped by the operator: hose leaked.»"}[name]
    assert found.course[0].endswith(quoted)
    assert found.cautions[-1] == words(name)("recorded.note")


@pytest.mark.parametrize("name", OTHERS)
def test_what_was_left_undecided_is_said_in_the_language(bench: SimpleNamespace, name: str) -> None:
    """From the facts of the finding, not from its English sentence."""
    leak = bench.Attempt(concluded=True, seen=Seen.LEAKAGE, where="cover joint")
    run = bench.tell(bench.replace(bench.accepted_nps_8, shell=(leak,), seat_test=()))
    found = content(bench, in_form(run, language=name))
    assert found.stages[0].undecided == (words(name)("undecided.no_hold"),)
    assert found.reasons == ({
        "de": "Gehäusefestigkeitsprüfung: Leckage festgestellt (Deckelverbindung); keine ist zulässig.",
        "es": "Prueba hidrostática del cuerpo: se vio fuga en unión de la tapa; no se admite ninguna.",
    }[name],)  # fmt: skip


@pytest.mark.parametrize("name", languages())
@pytest.mark.parametrize(
    ("facts", "key"),
    [
        ({"criterion": "largest-leakage-rate", "measured": "nothing"}, "undecided.nothing_collected"),
        ({"criterion": "no-visible-leakage", "measured": "not observed"}, "undecided.not_observed"),
        ({"criterion": "pressure released"}, "undecided.not_released"),
        ({"criterion": "instrument"}, ""),
    ],
)
def test_each_undecided_finding_has_its_sentence(
    bench: SimpleNamespace, accepted: Any, name: str, facts: dict[str, str], key: str
) -> None:
    """By its facts; the instrument's faults are the record's own words, quoted where they are not the page's."""
    stage = accepted.record.stages[0]
    said = "Channel PT-101: the zero check was not passed."
    found = CriterionFinding(**facts, conformity=Conformity.WITHIN_GUARD_BAND, sentence=said)
    finding = stage.finding.model_copy(update={"criteria": (found,)})
    (told,) = undecided_of(stage.model_copy(update={"finding": finding}), words(name))
    quoted = {"en": said, "de": f"„{said}“", "es": f"«{said}»"}[name]
    facts = {"pressure": "5 psi"} if "released" in key else {}
    assert told == (words(name)(key, **facts) if key else quoted)


@pytest.mark.parametrize("name", OTHERS)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("units", [None, "bar"])
def test_a_page_says_nothing_in_english_but_names_and_titles(
    bench: SimpleNamespace, name: str, paper: str, units: str | None
) -> None:
    """No label and no fixed sentence of the English page stands on it."""
    named = {"product": "HL 40 S"}  # what the order calls it is printed as ordered
    live = bench.replace(bench.accepted_nps_4, origin=Origin.LIVE, people=True, compared=True, valve=named)
    run = bench.tell(live)
    told = text_of(bench, in_form(run, language=name, units=units), paper)
    for key, text in words().texts.items():
        alone = "{" not in text and len(text.split()) > 1 and text != words(name).texts[key]
        if alone and not key.startswith(("calibration.", "method.", "stage_named.")):  # the last stand in titles too
            assert text not in told, key
    assert "CAL-26-0311" in told


def test_the_language_tag_is_told_to_a_screen_reader(bench: SimpleNamespace) -> None:
    """The catalogue names it."""
    run = in_form(bench.tell(bench.accepted_nps_4), language="de")
    pdf = draw(content(bench, run), layout(), words_of(run.record.report), "A4")
    assert PdfReader(BytesIO(pdf)).trailer["/Root"]["/Lang"] == "de-DE"


# Units ------------------------------------------------------------------------------------------


def test_bar_first_shows_both_and_never_contradicts_the_verdict(bench: SimpleNamespace) -> None:
    """500 psi is 34.474 bar; U = 1 psi is 0.069 bar. In the procedure's own unit the figures stand below."""
    run = bench.tell(bench.accepted_nps_4)
    own, bar = (content(bench, in_form(run, units=units)) for units in (None, "bar"))
    low, in_bar = own.stages[0].table.lines[0], bar.stages[0].table.lines[0]
    assert (in_bar.unit, in_bar.required, in_bar.met_at, in_bar.uncertainty) == (
        "bar (g)", "≥ 34.474", "≥ 34.543", "0.069",
    )  # fmt: skip
    (other,) = in_bar.others
    assert (other.unit, other.required, other.met_at) == ("psi (g)", "≥ 500.0", "≥ 501.0")
    assert (other.measured, other.uncertainty) == (low.measured, "1.0")
    assert [line.conformity for line in own.stages[0].table.lines] == [
        line.conformity for line in bar.stages[0].table.lines
    ]
    assert low.detail == ""


def test_the_orders_of_units_are_data() -> None:
    """units.toml names units of pressure only."""
    assert pressure_orders() == {"psi": ("psi", "bar"), "bar": ("bar", "psi")}


# The record keeps the form ----------------------------------------------------------------------


def test_a_record_from_before_keeps_its_bytes_and_its_english_page(bench: SimpleNamespace, accepted: Any) -> None:
    """Where neither bench nor order chose, nothing is kept."""
    assert accepted.record.report is None
    assert b'"report"' not in canonical(accepted.record)


def test_the_document_is_drawn_in_the_form_that_the_record_names(bench: SimpleNamespace) -> None:
    """Whatever paper the caller has: the same record gives the same bytes."""
    run = in_form(bench.tell(bench.accepted_nps_4), language="es", units="psi", page="Letter")
    facts = issue(bench, run)
    one, two = (unsealed_document(run.record, run.sha256, run.traces, facts, paper) for paper in ("A4", "Letter"))
    assert one == two
    assert "Certificado de prueba hidrostática" in PdfReader(BytesIO(one)).pages[0].extract_text()
    assert PdfReader(BytesIO(one)).pages[0].mediabox.width == 612
