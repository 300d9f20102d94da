"""``testbench order``: imported, typed, listed, shown, exported."""

import csv
import json
import re
import tomllib
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import (
    FileRefusedError,
    OrderExistsError,
    OrderNotWrittenError,
    OrderRefusedError,
    OrderUnknownError,
    SerialsInDoubtError,
)
from testbench.procedure.order_rows import COLUMNS, NEEDED
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

COMMON = ("--number", "HL-2050", "--customer", "Ellery Water Board", "--procedure", "waterworks-swing-check",
          "--type", "swing-check", "--rated", "250 psi", "--seat", "metal")  # fmt: skip
ROWS = "serial;size;heat_numbers\nHL-8-0001..HL-8-0040;NPS 8;body F1, cover F2\nHL-6-0001;NPS 6;F3\n"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_home(tmp_path_factory.mktemp("made") / "home")


@pytest.fixture
def home(made):
    """A home without orders."""
    yield made.folder
    for file in (made.folder / "orders").glob("*.toml"):
        file.unlink()


@pytest.fixture
def call(home):
    def order(*words):
        return CliRunner().invoke(cli, ["order", *map(str, words), "--home", str(home)])

    return order


@pytest.fixture
def file(tmp_path):
    def written(text: str):
        path = tmp_path / "valves.csv"
        path.write_text(text)
        return path

    return written


def kept(home) -> list[str]:
    return sorted(path.name for path in (home / "orders").iterdir() if path.suffix != ".txt")


# Import -----------------------------------------------------------------------------------------


def test_a_file_becomes_an_order(home, call, file):
    """The preview says what is made; the file is what somebody would have typed."""
    path = file(ROWS)
    done = call("import", path, *COMMON, "--certificate-type", "3.1")
    assert done.exit_code == 0, done.output
    seat = "250 psi, metal seat"
    assert done.output == (
        f"{path}: 2 rows, UTF-8, parted by semicolon\n"
        "Order HL-2050 for Ellery Water Board, waterworks-swing-check, inspection certificate 3.1: 41 valves\n"
        + "".join(f"  HL-8-000{n}            swing-check NPS 8 (DN 200), {seat}\n" for n in range(1, 6))
        + "  … and 36 more, the last HL-6-0001\n"
        f"Kept as {home / 'orders' / 'HL-2050.toml'}.\n"
    )
    written = tomllib.loads((home / "orders" / "HL-2050.toml").read_text())
    assert (written["number"], written["certificate_type"], len(written["valves"])) == ("HL-2050", "3.1", 41)
    assert written["valves"][40] == {
        "serial": "HL-6-0001", "type": "swing-check", "size": "NPS 6", "rated": "250 psi", "seat": "metal",
        "heat_numbers": "F3",
    }  # fmt: skip


def test_an_order_may_name_the_language_of_its_documents(home, call, file):
    """One that is not at hand is refused with those that are, and nothing is kept."""
    done = call("import", file(ROWS), *COMMON, "--language", "fr")
    assert str(done.exception) == "There is no language 'fr' for documents; at hand are en, de, es."
    assert kept(home) == []
    assert call("import", file(ROWS), *COMMON, "--language", "de").exit_code == 0
    assert tomllib.loads((home / "orders" / "HL-2050.toml").read_text())["language"] == "de"
    assert "Language of its documents: de" in call("show", "HL-2050").output


def test_a_dry_run_keeps_nothing(home, call, file):
    """The same preview, the same refusals."""
    done = call("import", file(ROWS), *COMMON, "--dry-run")
    assert done.exit_code == 0
    assert done.output.endswith("Nothing was kept: this was a dry run.\n")
    assert kept(home) == []


def test_every_bad_row_is_named_and_nothing_is_kept(home, call, file):
    """One good row does not become half an order."""
    path = file("serial;size\nA;NPS 8\nB;NPS 7\nC\na;NPS 8\n=1;NPS 8\nD;NPS 8;x\n")
    done = call("import", path, *COMMON)
    assert isinstance(done.exception, OrderRefusedError)
    assert [line.split(":")[0] for line in done.output.splitlines()[1:]] == [
        "  BAD  line 3", "  BAD  line 4", "  BAD  line 5", "  BAD  line 6", "  BAD  line 7",
    ]  # fmt: skip
    assert str(done.exception).startswith(f"{path} is no order yet: line 3: size: found 'NPS 7'; ")
    assert str(done.exception).endswith("(and 4 more).")
    assert done.exception.remedy == "Correct what is named and try again; nothing of this order was taken."
    assert kept(home) == []


def test_one_row_is_one_row_and_a_row_that_cannot_be_read_is_one_too(call, file):
    """What the preview counts is what stands in the file."""
    path = file("serial;size\nA;NPS 8\n")
    said = call("import", path, *COMMON, "--dry-run").output.splitlines()
    assert said[0] == f"{path}: 1 row, UTF-8, parted by semicolon"
    assert said[1].endswith(", waterworks-swing-check: 1 valve")
    path = file("serial;size\nA;NPS 8\nB;NPS 8;x\n")
    done = call("import", path, *COMMON)
    assert done.output.splitlines()[0] == f"{path}: 2 rows, UTF-8, parted by semicolon"
    assert str(done.exception) == f"{path} is no order yet: line 3: row: found 3 cells; the header has 2."


def test_an_empty_file_is_told_what_it_lacks(call, file):
    """There is no line of it to be corrected."""
    path = file("")
    done = call("import", path, *COMMON).exception
    assert (str(done), done.remedy) == (
        f"{path}: rows: found none; a header and at least one row are needed.",
        "Correct what is named in the file and try again; nothing has been changed.",
    )


@pytest.mark.parametrize("number", ["../x", "/etc/x", ".x", "-1.5", "HL/../x", "HL..1", " ", "_"])
def test_an_order_number_is_no_path(call, number, home):
    """It names files and stands on every page; the rule holds for what is typed and for what is imported."""
    done = call("new", *COMMON, "--number", number, "--serial", "HL-8-0001", "--size", "NPS 8")
    assert "number: " in str(done.exception)
    assert kept(home) == []


def test_the_same_as_json(home, call, file):
    """Facts for a program: what would be made, or each bad cell."""
    told = json.loads(call("import", file(ROWS), *COMMON, "--dry-run", "--json").output)
    assert (told["encoding"], told["delimiter"], told["rows"], told["valves"], told["kept"], told["bad"]) == (
        "UTF-8", "semicolon", 2, 41, None, [],
    )  # fmt: skip
    assert [valve["serial"] for valve in told["first"]] == [f"HL-8-000{n}" for n in range(1, 6)]
    bad = json.loads(call("import", file("serial,size\nA,NPS 7\n"), *COMMON, "--json").output)
    assert (bad["order"], bad["valves"]) == (None, 0)
    assert bad["bad"][0]["line"] == 2
    assert bad["bad"][0]["column"] == "size"
    assert bad["bad"][0]["found"] == "'NPS 7'"


def test_a_wrong_encoding_is_refused_before_anything_is_looked_at(home, call, tmp_path):
    """Not read as Latin-1."""
    path = tmp_path / "valves.csv"
    path.write_bytes("serial\nHL-Ä\n".encode("latin-1"))
    done = call("import", path, *COMMON, "--size", "NPS 8")
    assert isinstance(done.exception, FileRefusedError)
    assert str(done.exception) == (
        f"{path}:2: encoding: found byte 0xc4, which no UTF-8 text has there; "
        "UTF-8, or UTF-16 with a byte-order mark, is needed."
    )
    assert kept(home) == []


def test_look_alikes_are_a_question(home, call, file):
    """Against this file and against the orders on file; the answer stays with the order."""
    call("new", *COMMON, "--size", "NPS 8", "--serial", "HL-8-0119")
    common = ("--number", "HL-2051", *COMMON[2:], "--size", "NPS 8")
    path = file("serial\nHL-8-O119\n")
    asked = call("import", path, *common)
    assert isinstance(asked.exception, SerialsInDoubtError)
    assert str(asked.exception) == (
        f"{path} is no order yet: line 2: serial: found 'HL-8-O119'; it looks like 'HL-8-0119' on order HL-2050."
    )
    assert asked.exception.remedy == (
        "Correct the serial numbers, or give --accept-look-alikes WHY; nothing of this order was taken."
    )
    meant = call("import", path, *common, "--accept-look-alikes", "stamped so at the foundry")
    assert meant.exit_code == 0, meant.output
    assert "Serial numbers in doubt are meant: stamped so at the foundry" in call("show", "HL-2051").output


def test_an_order_that_is_there_is_not_imported_again(home, call, file):
    """In either case of its letters; the first stays as it was."""
    call("import", file(ROWS), *COMMON)
    before = (home / "orders" / "HL-2050.toml").read_bytes()
    again = call("import", file(ROWS), "--number", "hl-2050", *COMMON[2:])
    assert isinstance(again.exception, OrderExistsError)
    assert str(again.exception) == f"Order HL-2050 is there already, in {home / 'orders'}."
    assert (home / "orders" / "HL-2050.toml").read_bytes() == before


def test_a_broken_order_file_is_said(home, call, file):
    """Its serial numbers cannot be compared; the others are."""
    (home / "orders" / "bad.toml").write_text("number = 1\n")
    done = call("import", file(ROWS), *COMMON)
    assert done.output.splitlines()[0].startswith(f"NOTE {home / 'orders' / 'bad.toml'}:1: number: ")
    assert done.output.splitlines()[0].endswith("Its serial numbers were not compared.")
    assert done.exit_code == 0


def test_a_home_that_is_none_is_said(tmp_path, file):
    """Nothing is made there."""
    done = CliRunner().invoke(cli, ["order", "import", str(file(ROWS)), *COMMON, "--home", str(tmp_path / "none")])
    assert "There is no bench home" in str(done.exception)
    assert not (tmp_path / "none").exists()


# Typed ------------------------------------------------------------------------------------------


def test_a_typed_order_is_the_same_as_an_imported_one(home, call, file):
    """To the byte."""
    call("import", file("serial\nHL-8-0001..HL-8-0003\nHL-8-0009\n"), *COMMON, "--size", "NPS 8")
    imported = (home / "orders" / "HL-2050.toml").read_bytes()
    (home / "orders" / "HL-2050.toml").unlink()
    done = call("new", *COMMON, "--size", "NPS 8", "--serial", "HL-8-0001..HL-8-0003", "--serial", "HL-8-0009")
    assert done.exit_code == 0, done.output
    assert (home / "orders" / "HL-2050.toml").read_bytes() == imported


def test_what_was_not_typed_is_named(call):
    """Without a terminal nobody is asked."""
    done = call("new", "--number", "HL-1")
    assert [line.strip() for line in done.output.splitlines()] == [
        f"BAD  {name}: found nothing; this is needed." for name in NEEDED if name != "number"
    ]
    assert str(done.exception) == (
        "What was typed is no order yet: customer: found nothing; this is needed (and 5 more)."
    )


def test_a_terminal_asks_for_what_is_needed(home, call, monkeypatch):
    """And only for that."""
    monkeypatch.setattr("testbench.cli.order.new.on_a_terminal", lambda: True)
    answers = "HL-2050\nHL-8-0001..HL-8-0002\nNPS 8\n250 psi\n"
    given = ("--customer", "Ellery Water Board", "--procedure", "waterworks-swing-check", "--type", "swing-check",
             "--seat", "metal")  # fmt: skip
    done = CliRunner().invoke(cli, ["order", "new", *given, "--home", str(home)], input=answers)
    assert done.exit_code == 0, done.output
    assert "Order HL-2050 for Ellery Water Board, waterworks-swing-check: 2 valves" in done.output
    assert kept(home) == ["HL-2050.toml"]


# Shown ------------------------------------------------------------------------------------------


@pytest.fixture
def tested(tmp_path):
    """A home with an order of three valves, the first of them accepted."""
    made = make_home(tmp_path / "home")
    facts = ("--number", "HL-2041", *COMMON[2:], "--size", "NPS 4", "--serial", "HL-4-0117..HL-4-0119")
    CliRunner().invoke(cli, ["order", "new", *facts, "--home", str(made.folder)])
    with open_store(Home(made.folder)) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    return lambda *words: CliRunner().invoke(cli, ["order", *map(str, words), "--home", str(made.folder)])


def test_the_board_shows_how_each_order_stands(tested):
    """The states add up; nobody is registered, so nobody releases."""
    (line,) = json.loads(tested("board", "--json").output)
    assert line == {
        "order": "HL-2041", "customer": "Ellery Water Board", "procedure": "waterworks-swing-check", "valves": 3,
        "to_do": 2, "accepted": 1, "rejected": 0, "inconclusive": 0, "void": 0, "released": None,
        "recalled": 0, "without_certificate": 1,
    }  # fmt: skip
    head, row = tested("board").output.splitlines()
    assert head.split() == ["order", "valves", "to", "do", "accepted", "rejected", "inconclusive", "void", "released",
                            "no", "certificate", "recalled", "customer"]  # fmt: skip
    assert row.split() == ["HL-2041", "3", "2", "1", "0", "0", "0", "–", "1", "0", "Ellery", "Water", "Board"]


def test_an_order_is_shown_with_its_valves(tested):
    """And one that is not there is refused with those that are."""
    shown = tested("show", "HL-2041")
    assert [line.split()[:2] for line in shown.output.splitlines()[1:]] == [
        ["HL-4-0117", "accepted"], ["HL-4-0118", "to"], ["HL-4-0119", "to"],
    ]  # fmt: skip
    states = [one["state"] for one in json.loads(tested("show", "HL-2041", "--json").output)["valves"]]
    assert states == ["accepted", "to do", "to do"]
    missing = tested("show", "HL-9")
    assert isinstance(missing.exception, OrderUnknownError)
    assert str(missing.exception) == "There is no order HL-9; open orders are HL-2041."


def test_the_orders_are_listed(tested, call):
    """With the number of their valves."""
    assert tested("list").output.split() == [
        "HL-2041", "3", "valves", "waterworks-swing-check", "Ellery", "Water", "Board",
    ]  # fmt: skip
    (listed,) = json.loads(tested("list", "--json").output)
    assert (listed["number"], listed["valves"]) == ("HL-2041", 3)
    assert call("list").output == call("board").output == "There are no orders yet.\n"


def test_an_order_is_exported_safe_against_formulas(tested, tmp_path):
    """A customer whose name begins a formula is text in any spreadsheet."""
    path = tmp_path / "out.csv"
    done = tested("export", "HL-2041", "--csv", path)
    assert done.output == f"Wrote 3 valves of order HL-2041 to {path}.\n"
    assert path.read_bytes().startswith(b"\xef\xbb\xbfnumber,customer,")
    rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    assert list(rows[0]) == [*COLUMNS, "state"]
    assert [(row["serial"], row["state"], row["pn"]) for row in rows] == [
        ("HL-4-0117", "accepted", ""),
        ("HL-4-0118", "to do", ""),
        ("HL-4-0119", "to do", ""),
    ]
    again = tested("export", "HL-2041", "--csv", path)
    assert isinstance(again.exception, OrderNotWrittenError)
    assert str(again.exception) == f"{path} could not be written: there is a file of this name already."


def test_an_order_is_exported_to_standard_output(tested, tmp_path, monkeypatch):
    """As the history is: the same bytes as a file would get, nothing else, and no file of the name -."""
    monkeypatch.chdir(tmp_path)
    tested("export", "HL-2041", "--csv", tmp_path / "out.csv")
    done = tested("export", "HL-2041", "--csv", "-")
    assert done.stdout_bytes == (tmp_path / "out.csv").read_bytes()
    assert [path.name for path in tmp_path.glob("*-*")] == []


def test_a_formula_that_stands_in_an_order_does_not_leave_as_one(home, call, tmp_path):
    """Somebody typed it into the TOML."""
    (home / "orders" / "x.toml").write_text(
        'number = "X"\ncustomer = "=1+1"\nprocedure = "waterworks-swing-check"\n'
        '[[valves]]\nserial = "-1"\ntype = "swing-check"\nsize = "NPS 8"\nrated = "250 psi"\nseat = "metal"\n'
    )
    call("export", "X", "--csv", tmp_path / "x.csv")
    (row,) = csv.DictReader((tmp_path / "x.csv").read_text(encoding="utf-8-sig").splitlines())
    assert (row["customer"], row["serial"]) == ("'=1+1", "'-1")


def test_the_columns_are_told(call):
    """Each with what it means; the README names them all."""
    told = json.loads(CliRunner().invoke(cli, ["order", "columns", "--json"]).output)
    assert {one["column"]: one["needed"] for one in told} == {name: name in NEEDED for name in COLUMNS}
    lines = CliRunner().invoke(cli, ["order", "columns"]).output.splitlines()
    assert [line.split()[0] for line in lines] == list(COLUMNS)
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    table = re.search(r"<!-- columns -->\n(.*?)\n\n", readme, re.DOTALL)[1]
    first = " ".join(row.split(" | ")[0] for row in table.splitlines()[2:])
    assert sorted(re.findall(r"`(\w+)`", first)) == sorted(COLUMNS)


def test_witness_points_go_in_are_shown_and_come_out_again(made, tmp_path):
    """One cell in, one file, one line on the terminal, the same cell out."""
    points = "shell test; hold point; Ellery Water Board; its inspection desk; 5; 2026-11-18"
    facts = ("--number", "HL-2060", *COMMON[2:], "--size", "NPS 4", "--serial", "HL-4-0300", "--witness-points", points)
    call = partial(CliRunner().invoke, cli)
    assert call(["order", "new", *facts, "--home", str(made.folder)]).exit_code == 0
    shown = call(["order", "show", "HL-2060", "--home", str(made.folder)]).output
    assert (
        "shell test: hold point of Ellery Water Board; notice to its inspection desk given on 2026-11-18 (5 d)\n"
        in shown
    )
    path = tmp_path / "out.csv"
    call(["order", "export", "HL-2060", "--csv", str(path), "--home", str(made.folder)])
    (row,) = csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines())
    assert row["witness_points"] == points
