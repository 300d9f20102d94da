"""``testbench recall``: from a calibration or a procedure to every affected run and its certificate."""

import json
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.certificate import issue as issue_module
from testbench.cli.main import cli
from testbench.credentials import secrets
from testbench.errors import RoleMissingError, RunRecalledError
from testbench.wiring import Home, make_home, open_store
from tests.records.make import compared_run, example_run, keep_closed, valve
from tests.station.certificates import readings, report
from tests.without_home import without_home

ASHE, QUILL, VENN = "the tide at Port Ellery", "7394", "salt and cold iron"
RUN, NUMBER = "B1-000001", "RC-B1-000001"


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    """Hashes that cost nothing."""
    monkeypatch.setattr(secrets, "Argon2Secrets", partial(secrets.Argon2Secrets, cheap=True))


@pytest.fixture
def home(tmp_path) -> Path:
    """Three runs on CAL-26-0311: accepted, rejected, and accepted with a second channel on CAL-26-0312."""
    folder = make_home(tmp_path / "home").folder
    with open_store(Home(folder)) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
        keep_closed(store, *example_run("", valve("HL-6-0118", "NPS 6"), "6 mL"))
        keep_closed(store, *compared_run("", valve("HL-4-0119", "NPS 4")))
    return folder


def said(home: Path, *words: str, lines: tuple[str, ...] = ()):
    stdin = ("--secret-stdin",) if lines else ()
    return CliRunner().invoke(cli, [*words, *stdin, "--home", str(home)], input="".join(f"{one}\n" for one in lines))


def recall(home: Path, *words: str):
    return said(home, "recall", *words, "--why", "Told by the laboratory.", "--by", "Tobin Ashe")


def named(found) -> list[str]:
    assert found.exit_code == 0, found.output + str(found.exception)
    return [one["run"] for one in json.loads(found.output)["runs"]]


def refusal(found) -> str:
    assert found.exit_code == 1, found.output
    return str(found.exception)


# What it reaches ---------------------------------------------------------------------------------


def test_a_withdrawn_calibration_recalls_what_was_accepted_on_it(home):
    """On the deciding channel or beside it; a rejected run has no acceptance to lose."""
    assert named(recall(home, "calibration", "CAL-26-0311", "--json")) == [RUN, "B1-000003"]
    found = recall(home, "calibration", "CAL-26-0312")
    assert found.output == (
        "RC-B1-000002 recalls every accepted run measured on CAL-26-0312: 1 run.\n"
        "  B1-000003  HL-4-0119            HL-2041      accepted: read beside by PT-102 on CAL-26-0312\n"
    )


def test_a_procedure_is_recalled_in_one_revision_or_in_all(home):
    """Under a revision that nobody tested by there is nothing."""
    with open_store(Home(home)) as store:
        revision = store.load(RUN)[0].requirements.revision
    assert named(recall(home, "procedure", f"waterworks-swing-check@{revision}", "--json")) == [RUN, "B1-000003"]
    assert named(recall(home, "procedure", "waterworks-swing-check", "--json")) == [RUN, "B1-000003"]
    assert refusal(recall(home, "procedure", "waterworks-swing-check@99")) == (
        "The procedure waterworks-swing-check recalls nothing: there is none among every accepted run under "
        "waterworks-swing-check@99."
    )


def entered(home: Path, at_top: float) -> None:
    """A calibration after the runs, to which the instrument came reading at_top psi too high at 1000 psi."""
    came = readings(*((psi, psi * (1 + at_top / 1000)) for psi in (0, 500, 1000)))
    with open_store(Home(home)) as store:
        store.add_calibration(
            report(
                certificate_number="SCL-27-0107", calibrated_on="2027-01-07", due_on="2028-01-06",
                entered_at="2027-01-08T09:00:00+00:00", as_found=came, tolerance="0.5 psi",
            )
        )  # fmt: skip


def test_an_instrument_found_out_of_tolerance_recalls_the_runs_before(home):
    """40 psi at the top: the holds lay below their required pressure. The number is that of the new certificate."""
    entered(home, 40.0)
    found = recall(home, "calibration", "SCL-27-0107", "--json")
    assert named(found) == [RUN, "B1-000003"]
    told = json.loads(found.output)
    assert told["found_by"] == "the accepted runs since the beginning that the error found at SCL-27-0107 undoes"
    assert "shell test: lowest" in told["runs"][0]["why"]
    assert "NO LONGER MET" in told["runs"][0]["why"]


def test_an_error_that_undoes_nothing_recalls_nothing(home):
    """1 psi at the top is out of tolerance, and every hold still reached its pressure."""
    entered(home, 1.0)
    found = recall(home, "calibration", "SCL-27-0107").exception
    assert str(found) == (
        "The calibration SCL-27-0107 recalls nothing: there is none among the accepted runs since the beginning that "
        "the error found at SCL-27-0107 undoes."
    )
    assert found.remedy == (
        "If that is what was meant, nothing needs recalling; else see 'testbench calibration list' or 'procedure list'."
    )


def test_the_same_certificate_withdrawn_is_another_question(home):
    """No run was measured on it yet."""
    entered(home, 40.0)
    assert refusal(recall(home, "calibration", "SCL-27-0107", "--withdrawn")) == (
        "The calibration SCL-27-0107 recalls nothing: there is none among every accepted run measured on SCL-27-0107."
    )


# After it left -----------------------------------------------------------------------------------


def test_a_run_recalled_after_its_certificate_left(home):
    """Allowed, and said with the number of the page; shown wherever the run is; the page itself is as it was."""
    issued = said(home, "certificate", "issue", RUN, "--json")
    page = json.loads(issued.output)["document"]
    assert f"    has left: C-{RUN}; tell whoever holds it\n" in recall(home, "calibration", "CAL-26-0311").output
    verified = said(home, "certificate", "verify", page)
    assert verified.exit_code == 5
    first, second, *_ = verified.output.splitlines()
    assert first.startswith(f"RECALLED: C-{RUN} was recalled by {NUMBER} on ")
    assert first.endswith(" by Tobin Ashe: on account of calibration CAL-26-0311.")
    assert second.startswith(f"INTACT: C-{RUN} for valve HL-4-0117, verdict accepted.")
    assert f"RECALLED by {NUMBER}" in said(home, "history").output
    assert f"RECALLED by {NUMBER}" in said(home, "valve", "HL-4-0117").output
    assert said(home, "recall", "list").output.startswith(f"{NUMBER}  ")
    lifted = said(home, "recall", "lift", NUMBER, "--why", "The laboratory was wrong.", "--by", "Tobin Ashe")
    assert "; lifted on " in lifted.output
    counts = said(home, "certificate", "verify", page)
    assert (counts.exit_code, "RECALLED" in counts.output) == (0, False)
    assert "RECALLED" not in said(home, "history").output


def test_a_recalled_run_gets_no_certificate_by_any_way(home):
    """Neither by its number, nor with its order, nor in the place of one that it has; a rejection report it may."""
    assert said(home, "certificate", "issue", "B1-000003").exit_code == 0
    recall(home, "calibration", "CAL-26-0311")
    sentence = f"Run {RUN} gets no certificate: it is recalled by {NUMBER}."
    assert refusal(said(home, "certificate", "issue", RUN)) == sentence
    batch = said(home, "certificate", "issue", "--order", "HL-2041")
    remedy = "Test the valve again, or have an engineer lift the recall with its reason."
    assert (batch.exit_code, batch.output.splitlines()) == (
        1,
        [
            f"Order HL-2041: 1 document written to {home / 'certificates'}.",
            "1 could not be written:",
            f"Run {RUN}: {sentence} → {remedy}",
        ],
    )
    replaced = said(home, "certificate", "replace", "C-B1-000003", "--why", "Letterhead", "--by", "Tobin Ashe")
    assert refusal(replaced) == f"Run B1-000003 gets no certificate: it is recalled by {NUMBER}."
    lying = sorted(path.name for path in (home / "certificates").iterdir())
    assert lying == ["C-B1-000003_HL-4-0119.pdf", "R-B1-000002_HL-6-0118.pdf"]


def test_a_run_with_a_nonconformity_gets_no_certificate(home):
    """Opened by hand, for an accepted run."""
    opened = ("nonconformity", "open", RUN, "--why", "The seat is scored.", "--by", "Tobin Ashe")
    assert said(home, *opened).exit_code == 0
    assert refusal(said(home, "certificate", "issue", RUN)) == (
        f"Run {RUN} gets no certificate: it has the nonconformity N-B1-000002."
    )


def test_a_recall_while_the_page_is_drawn_comes_in_time(home, monkeypatch):
    """The register asks again in the very transaction that would name the page."""
    drawn = issue_module.unsealed_document

    def meanwhile(*arguments):
        recall(home, "calibration", "CAL-26-0311")
        return drawn(*arguments)

    monkeypatch.setattr(issue_module, "unsealed_document", meanwhile)
    assert refusal(said(home, "certificate", "issue", RUN)) == (
        f"Run {RUN} gets no certificate: it is recalled by {NUMBER}."
    )
    assert not list((home / "certificates").glob("*.pdf"))
    with open_store(Home(home)) as store:
        assert store.documents_of(RUN) == ()


def test_a_customer_without_a_home_is_told_nothing_of_recalls(home):
    """The check of a page needs no home; without one there is nobody to ask."""
    page = json.loads(said(home, "certificate", "issue", RUN, "--json").output)["document"]
    recall(home, "calibration", "CAL-26-0311")
    elsewhere = without_home("certificate", "verify", page)
    assert "RECALLED" not in elsewhere.output


def test_the_board_counts_recalled_valves(home):
    """Beside the state that they have."""
    rows = home / "rows.csv"
    rows.write_text("serial,type,size,seat,rated\nHL-4-0117,swing-check,NPS 4,metal,250 psi\n")
    made = ("--number", "HL-2041", "--customer", "Ellery Water Board", "--procedure", "waterworks-swing-check")
    assert said(home, "order", "import", str(rows), *made).exit_code == 0
    recall(home, "calibration", "CAL-26-0311")
    (line,) = json.loads(said(home, "order", "board", "--json").output)
    assert (line["accepted"], line["recalled"]) == (1, 1)
    (shown,) = json.loads(said(home, "order", "show", "HL-2041", "--json").output)["valves"]
    assert (shown["state"], shown["recalled"]) == ("accepted", True)


# Who may -----------------------------------------------------------------------------------------


def test_who_recalls_who_lifts_and_that_nothing_is_released_between(tmp_path):
    """A reviewer recalls; an engineer lifts; the reviewer cannot release what is recalled."""
    home = make_home(tmp_path / "home").folder
    by = ("--by", "ashe")
    said(home, "people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", lines=(ASHE,))
    said(home, "people", "add", "venn", "--name", "Orla Venn", "--role", "reviewer", *by, lines=(ASHE, VENN))
    said(home, "people", "add", "quill", "--name", "Mara Quill", "--role", "operator", *by, lines=(ASHE, QUILL))
    with open_store(Home(home)) as store:
        record, traces = example_run("", valve("HL-4-0117", "NPS 4"))
        keep_closed(store, record.model_copy(update={"operator_id": "quill"}), traces)
    assert said(home, "sign", RUN, "--as", "quill", "--meaning", "performed", lines=(QUILL,)).exit_code == 0
    words = ("recall", "calibration", "CAL-26-0311", "--why", "Withdrawn.")
    assert isinstance(said(home, *words, "--by", "quill", lines=(QUILL,)).exception, RoleMissingError)
    assert said(home, *words, "--by", "venn", lines=(VENN,)).exit_code == 0
    release = ("sign", RUN, "--as", "venn", "--meaning", "released")
    held = said(home, *release, lines=(VENN,))
    assert isinstance(held.exception, RunRecalledError)
    assert refusal(held) == f"Run {RUN} cannot be released: it is recalled by {NUMBER}."
    assert not list((home / "certificates").glob("*.pdf"))
    lift = ("recall", "lift", NUMBER, "--why", "The laboratory was wrong.")
    assert (
        refusal(said(home, *lift, "--by", "venn", lines=(VENN,))) == "'venn' is reviewer; this needs the role engineer."
    )
    assert said(home, *lift, "--by", "ashe", lines=(ASHE,)).exit_code == 0
    assert said(home, *release, lines=(VENN,)).exit_code == 0
    assert refusal(said(home, *lift, "--by", "ashe", lines=(ASHE,))).startswith(
        f"Recall {NUMBER} was lifted already, by T"
    )


def test_a_recall_that_is_none(home):
    assert refusal(said(home, "recall", "show", NUMBER)) == f"There is no recall {NUMBER}."
    assert said(home, "recall", "list").output == "Nothing was recalled yet.\n"
