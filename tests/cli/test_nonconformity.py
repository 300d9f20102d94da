"""``testbench nonconformity`` and ``testbench valve``: what a reviewer, an engineer and an operator enter, and read."""

import errno
import json
import os
import socket
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from testbench.cli.main import cli
from testbench.credentials import secrets
from testbench.custody import issue_document
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

ASHE, QUILL, VENN = "the tide at Port Ellery", "7394", "salt and cold iron"
NUMBER = "N-B1-000001"


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    """Hashes that cost nothing."""
    monkeypatch.setattr(secrets, "Argon2Secrets", partial(secrets.Argon2Secrets, cheap=True))


@pytest.fixture
def home(tmp_path) -> Path:
    """A bench with a rejected valve."""
    folder = make_home(tmp_path / "home").folder
    with open_store(Home(folder)) as store:
        keep_closed(store, *example_run("", valve("HL-6-0118", "NPS 6"), "6 mL"))
    return folder


@pytest.fixture
def staffed(home) -> Path:
    """An engineer, a reviewer, an operator, a witness."""
    by = ("--by", "ashe")
    assert (
        said(home, "people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", lines=(ASHE,)).exit_code == 0
    )
    for person, name, role, secret in (
        ("venn", "Orla Venn", "reviewer", VENN),
        ("quill", "Mara Quill", "operator", QUILL),
        ("hale", "Jon Hale", "witness", "8052"),
    ):
        words = ("people", "add", person, "--name", name, "--role", role, *by)
        assert said(home, *words, lines=(ASHE, secret)).exit_code == 0
    return home


def said(home: Path, *words: str, lines: tuple[str, ...] = ()):
    """Call a command with secrets on standard input."""
    stdin = ("--secret-stdin",) if lines else ()
    return CliRunner().invoke(cli, [*words, *stdin, "--home", str(home)], input="".join(f"{one}\n" for one in lines))


def nc(home: Path, *words: str, by: str = "Tobin Ashe", lines: tuple[str, ...] = ()):
    return said(home, "nonconformity", *words, "--by", by, lines=lines)


def refusal(found) -> str:
    assert found.exit_code == 1, found.output
    return str(found.exception)


REWORK = ("dispose", NUMBER, "--disposition", "rework", "--why", "The seat can be lapped.")
LAPPED = ("rework", NUMBER, "--done", "Seat lapped.", "--disturbed", "seat")


# The way of one ----------------------------------------------------------------------------------


def test_from_the_rejection_to_the_end(home):
    """What is listed, what is shown, and what the page of the valve says in the end."""
    assert NUMBER in said(home, "nonconformity", "list", "--open").output
    assert nc(home, *REWORK).exit_code == 0
    shown = nc(home, *LAPPED, "--disturbed", "cover joint")
    assert shown.output.splitlines()[0] == f"{NUMBER}: reworked, to be tested again  (of a trial: SPECIMEN)"
    assert shown.output.endswith("Tobin Ashe: rework: Seat lapped. Disturbed: seat, cover joint.\n")
    with open_store(Home(home)) as store:
        keep_closed(store, *example_run("", valve("HL-6-0118", "NPS 6"), "0.2 mL"))
    assert nc(home, "close", NUMBER, "--why", "Shown good in B1-000002.").exit_code == 0
    assert said(home, "nonconformity", "list", "--open").output == "There are no such nonconformities.\n"
    page = said(home, "valve", "hl-6-0118").output.splitlines()
    assert page[0] == "Valve HL-6-0118"
    assert [line.split()[1] for line in page if line.startswith("Run ")] == ["B1-000001", "B1-000002"]
    assert "  leaked at seat test: " in "\n".join(page)
    assert page[-1].endswith("Tobin Ashe: closed: Shown good in B1-000002.")


def test_each_document_names_it_as_it_stood_at_its_issue(home):
    """The rejection report when it was opened, the certificate of the retest with the rework; neither changes."""
    report = issue_document(Home(home), "B1-000001").path
    opened = f"Nonconformity {NUMBER} of run B1-000001; when this page was issued: no disposition yet."
    assert opened in text_of(report)
    nc(home, *REWORK)
    nc(home, *LAPPED)
    with open_store(Home(home)) as store:
        keep_closed(store, *example_run("", valve("HL-6-0118", "NPS 6"), "0.2 mL"))
    certificate = issue_document(Home(home), "B1-000002").path
    assert (
        f"Nonconformity {NUMBER} of run B1-000001; when this page was issued: accepted in a retest. "
        "Disposition: rework. Worked on: seat. Retest: run B1-000002, accepted."
    ) in text_of(certificate)
    assert opened in text_of(report)


def text_of(file: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(file).pages).split())


def test_as_data(home):
    """The same for a program: the page as one value, a nonconformity as one value."""
    assert json.loads(said(home, "nonconformity", "show", NUMBER, "--json").output)["standing"] == "no disposition yet"
    assert [one["number"] for one in json.loads(said(home, "nonconformity", "list", "--json").output)] == [NUMBER]
    page = json.loads(said(home, "valve", "HL-6-0118", "--json").output)
    assert (page["runs"][0]["verdict"], page["nonconformities"][0]["opened"]["run"]) == ("rejected", "B1-000001")


def test_a_serial_number_that_nobody_knows(home):
    """Not an empty page: a refusal with the number."""
    assert refusal(said(home, "valve", "HL-6-0181")) == (
        f"Serial number HL-6-0181 stands on no order and in no run in {home}."
    )


def test_a_valve_that_was_not_tested_yet_has_its_page(home):
    """From its order alone."""
    made = ("--number", "HL-2050", "--customer", "Ellery Water Board", "--procedure", "waterworks-swing-check")
    rows = home / "rows.csv"
    rows.write_text("serial,type,size,seat,rated\nHL-4-0200,swing-check,NPS 4,metal,250 psi\n")
    assert said(home, "order", "import", str(rows), *made).exit_code == 0
    page = said(home, "valve", "HL-4-0200").output
    assert page.startswith("Valve HL-4-0200\nOrder HL-2050 for Ellery Water Board (theirs: not stated), waterworks")
    assert page.endswith("\nNot tested yet.\n")


# Who may -----------------------------------------------------------------------------------------


def test_who_may_enter_what(staffed):
    """A disposition and the end take a reviewer or engineer; the rework and its evidence an operator as well."""
    assert refusal(nc(staffed, *REWORK, by="quill", lines=(QUILL,))) == (
        "'quill' is operator; this needs the role reviewer or engineer."
    )
    assert nc(staffed, *REWORK, by="venn", lines=(VENN,)).exit_code == 0
    assert refusal(nc(staffed, *LAPPED, by="hale", lines=("8052",))) == (
        "'hale' is witness; this needs the role operator or reviewer or engineer."
    )
    assert nc(staffed, *LAPPED, by="Mara Quill", lines=(QUILL,)).exit_code == 0
    assert refusal(nc(staffed, "note", NUMBER, "--text", "x", by="quill", lines=("7395",))).startswith(
        "'quill' and what"
    )
    entries = json.loads(said(staffed, "nonconformity", "show", NUMBER, "--json").output)["entries"]
    assert [(one["by"], one.get("by_id", "")) for one in entries] == [
        ("recorder", ""), ("Orla Venn", "venn"), ("Mara Quill", "quill"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            ("dispose", NUMBER, "--disposition", "concession", "--why", "It may go."),
            "The entry 'disposed' is not entered: a concession names who granted it and under which reference.",
        ),
        (
            ("note", NUMBER, "--text", "\u202eevil"),
            "The entry 'noted' is not entered: text: found a sign that cannot be seen; write plain lines.",
        ),
        (
            ("note", NUMBER, "--text", " "),
            "The entry 'noted' is not entered: text: found nothing, something must be said.",
        ),
        (
            LAPPED,
            (f"Nonconformity {NUMBER} cannot be reworked: it stands as 'no disposition yet'; "
            "allowed: attached, disposed, noted."),
        ),
        (("note", "N-B1-000009", "--text", "?"), "There is no nonconformity N-B1-000009 in these records."),
        (("open", "B1-000001", "--why", "Again."), f"Run B1-000001 has the nonconformity {NUMBER} already."),
    ],
)  # fmt: skip
def test_what_is_refused_is_not_entered(home, words, sentence):
    """One sentence, exit code 1, nothing half-done."""
    assert refusal(nc(home, *words)) == sentence
    assert len(json.loads(said(home, "nonconformity", "show", NUMBER, "--json").output)["entries"]) == 1


# Files -------------------------------------------------------------------------------------------


def attach(home: Path, path: Path | str):
    return nc(home, "attach", NUMBER, str(path))


def test_a_photograph_goes_in_and_comes_out(home, tmp_path):
    """The content, and a name to be shown."""
    photo = tmp_path / "seat six o'clock.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0" + bytes(1000))
    assert "attachment 1: seat six o'clock.jpg, image/jpeg, 1004 bytes" in attach(home, photo).output
    photo.unlink()
    out = tmp_path / "out.jpg"
    export = ("nonconformity", "export-attachment", NUMBER, "1", "--to", str(out))
    assert said(home, *export).output == f"1004 bytes written to {out}.\n"
    assert out.read_bytes() == b"\xff\xd8\xff\xe0" + bytes(1000)
    out.write_bytes(b"mine")
    assert refusal(said(home, *export)) == f"{out} is not written: it is there already and is not overwritten."
    assert out.read_bytes() == b"mine"


def test_it_goes_into_backup_and_out_of_it(home, tmp_path):
    """Files beside the records would be forgotten; these are in them."""
    photo = tmp_path / "seat.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)))
    attach(home, photo)
    assert said(home, "backup", "--to", str(tmp_path / "stick")).exit_code == 0
    (kept,) = (tmp_path / "stick").glob("*.db")
    other = make_home(tmp_path / "other").folder
    assert said(other, "restore", str(kept), "--discard-newer", "a new home").exit_code == 0
    out = tmp_path / "out.png"
    assert said(other, "nonconformity", "export-attachment", NUMBER, "1", "--to", str(out)).exit_code == 0
    assert out.read_bytes() == photo.read_bytes()


HOSTILE = ["..png", "a\nb.png", "\x1b[2J.png", "\u202egnp.exe", "-rf", "'; DROP TABLE attachment; --", "x" * 250]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_name_is_only_shown(home, tmp_path, name):
    """It is kept cleaned, and never becomes a path."""
    odd = tmp_path / name
    odd.write_bytes(b"\x89PNG\r\n\x1a\n")
    found = CliRunner().invoke(
        cli, ["nonconformity", "attach", "--by", "Tobin Ashe", "--home", str(home), "--json", "--", NUMBER, str(odd)]
    )
    assert found.exit_code == 0, found.output
    (attached,) = json.loads(found.output)["attachments"]
    assert attached["name"].isprintable()
    assert len(attached["name"]) <= 100
    assert attached["media_type"] == "image/png"


def special(tmp_path: Path) -> dict[str, Path]:
    """Everything that is no ordinary file."""
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(tmp_path / "socket"))
    listening.close()
    (tmp_path / "empty").touch()
    names = ("folder", "pipe", "loop", "socket", "empty", "not there")
    return {name: tmp_path / name for name in names} | {"zero": Path("/dev/zero")}


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("folder", "it is a folder"),
        ("pipe", "it is a pipe"),
        ("socket", "it is a socket"),
        ("zero", "it is a device"),
        ("empty", "it is empty"),
        ("loop", f"it cannot be read ({os.strerror(errno.ELOOP)})"),
        ("not there", f"it cannot be read ({os.strerror(errno.ENOENT)})"),
    ],
)
def test_what_is_no_ordinary_file_is_refused_unread(home, tmp_path, name, why):
    """A pipe that nobody writes to would wait for ever, a device never end."""
    assert refusal(attach(home, special(tmp_path)[name])) == f"'{name}' is not attached: {why}."


def test_a_link_to_a_file_is_followed(home, tmp_path):
    """Which content was attached its hash says."""
    (tmp_path / "seat.txt").write_text("scratched at six o'clock\n")
    (tmp_path / "newest").symlink_to(tmp_path / "seat.txt")
    assert "attachment 1: newest, text/plain, 25 bytes" in attach(home, tmp_path / "newest").output


def test_a_file_of_2_gb_is_refused_by_its_size_alone(home, tmp_path, monkeypatch):
    """Nothing of it is read: opening it would be a fault."""
    huge = tmp_path / "film.mp4"
    with huge.open("wb") as file:
        file.truncate(2_000_000_000)
    monkeypatch.setattr("testbench.nonconforming.os.open", lambda *_: pytest.fail("it was opened"))
    assert refusal(attach(home, huge)) == "'film.mp4' is not attached: it has 2000 MB, at most 20 MB are allowed."


@pytest.mark.parametrize(("size", "taken"), [(1_000_000, True), (1_000_001, False)])
def test_the_limit_is_that_of_bench_toml(home, tmp_path, size, taken):
    """To the byte."""
    with (home / "bench.toml").open("a") as file:
        file.write("\n[nonconformity]\nlargest_attachment_mb = 1\n")
    (tmp_path / "sheet").write_bytes(b"x" * size)
    assert (attach(home, tmp_path / "sheet").exit_code == 0) is taken


def test_a_name_of_5000_signs_is_refused_with_a_short_sentence(home):
    """The kernel knows no such name; the sentence does not repeat it whole."""
    found = refusal(attach(home, "a" * 5000))
    assert found == f"'{'a' * 99}…' is not attached: it cannot be read ({os.strerror(errno.ENAMETOOLONG)})."


def test_help_is_short_of_heavy_imports():
    """The list of commands names them."""
    told = CliRunner().invoke(cli, ["--help"]).output
    assert all(word in told for word in ("nonconformity", "recall", "valve"))
