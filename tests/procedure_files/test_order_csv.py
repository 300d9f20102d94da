"""Orders as CSV: what the bytes are, what the cells are, and out again."""

import csv
import io
import shutil
import subprocess

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import EncodingRefusedError, FileRefusedError, FileUnreadableError
from testbench.procedure.order_rows import BadCell
from testbench.procedure_files.order_csv import LARGEST_CSV, csv_text, decoded, read_sheet, safe

HEAD = "number,customer,procedure,type,seat,size,serial\n"
ROW = 'HL-2050,"Ellery Water Board, Port Ellery",waterworks-swing-check,swing-check,metal,NPS 8,'
REST = ("number", "customer", "procedure", "type", "seat", "size")


@pytest.fixture
def file(tmp_path):
    def written(content: str | bytes):
        path = tmp_path / "order.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return written


def refusal_of(path, common=()) -> str:
    with pytest.raises(FileRefusedError) as refusal:
        read_sheet(path, common)
    return str(refusal.value).replace(str(path), path.name)


# Bytes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8 with byte-order mark"),
        ("utf-16", "UTF-16 with byte-order mark"),
    ],
)
def test_an_encoding_that_says_what_it_is_is_read(file, encoding, said):
    """And told; a customer's ö stays one."""
    sheet = read_sheet(file((HEAD + ROW.replace("Ellery", "Ellerö", 1) + "A\n").encode(encoding)))
    assert sheet.encoding == said
    assert sheet.rows[0].cells["customer"] == "Ellerö Water Board, Port Ellery"


def test_utf_16_is_read_in_either_order_of_its_bytes(file):
    """The mark says which."""
    body = HEAD + ROW + "A\n"
    assert read_sheet(file(b"\xfe\xff" + body.encode("utf-16-be"))).rows == read_sheet(file(body)).rows


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (
            (HEAD + ROW + "A\n").encode() + ROW.replace("Ellery", "Ellerö").encode("latin-1"),
            "order.csv:3: encoding: found byte 0xf6, which no UTF-8 text has there; ",
        ),
        ((HEAD + ROW + "A\n").encode("utf-16-le"), "order.csv:1: encoding: found a NUL byte; "),
        ((HEAD + ROW + "A\n").encode("utf-32"), "order.csv:1: encoding: found a NUL byte; "),
        ((HEAD + ROW + "A\0\n").encode(), "order.csv:2: encoding: found a NUL byte; "),
        (
            (HEAD + ROW + "A").encode("utf-16")[:-1],
            "order.csv:2: encoding: found byte 0x41, which no UTF-16 text has there; ",
        ),
    ],
    ids=["latin-1", "utf-16-without-mark", "utf-32", "nul", "cut-utf-16"],
)
def test_another_encoding_is_refused_not_guessed(file, data, sentence):
    """With the line, and what to save it as."""
    path = file(data)
    with pytest.raises(EncodingRefusedError) as refusal:
        read_sheet(path)
    allowed = "UTF-8, or UTF-16 with a byte-order mark, is needed."
    assert str(refusal.value).replace(str(path), path.name) == sentence + allowed
    assert refusal.value.remedy == "Save the file as 'CSV UTF-8' and import it again; nothing has been changed."


@given(st.binary(max_size=60))
def test_any_bytes_are_a_text_or_refused(data):
    """And a text without NUL."""
    try:
        text, _ = decoded(data, "x.csv")
    except EncodingRefusedError:
        return
    assert "\0" not in text


def test_a_file_that_is_too_large_or_not_there_is_refused(file, tmp_path):
    """20 MB."""
    path = file(b"x" * (LARGEST_CSV + 1))
    assert refusal_of(path) == "order.csv: the file: found 20000001 bytes; at most 20000000 bytes are read."
    with pytest.raises(FileUnreadableError):
        read_sheet(tmp_path / "none.csv")


# Delimiters and headers -------------------------------------------------------------------------


@pytest.mark.parametrize(("sign", "said"), [(",", "comma"), (";", "semicolon"), ("\t", "tab")])
@pytest.mark.parametrize("first", ["", "sep={}\r\n"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_the_delimiter_is_found_out_by_the_names(file, sign, said, first, end):
    """Also where a spreadsheet says it in a line of its own; quoted delimiters are text."""
    rows = list(csv.reader(io.StringIO(HEAD + ROW + "A\n")))
    text = end.join([*(sign.join(f'"{cell}"' for cell in row) for row in rows), ""])
    sheet = read_sheet(file(first.format(sign) + text))
    assert sheet.delimiter == said
    assert sheet.rows[0].cells["customer"] == "Ellery Water Board, Port Ellery"
    assert sheet.rows[0].line == (3 if first else 2)


def test_a_single_column_is_enough_where_options_say_the_rest(file):
    """A list of serial numbers."""
    assert [row.cells for row in read_sheet(file("Serial\nA\nB\n"), REST).rows] == [{"serial": "A"}, {"serial": "B"}]


def test_header_names_are_read_as_people_write_them(file):
    """Capitals, spaces and hyphens."""
    sheet = read_sheet(file(HEAD.replace("serial", "serial,Heat Numbers,seat-pairing") + ROW + "A,F1,EPDM\n"))
    assert (sheet.rows[0].cells["heat_numbers"], sheet.rows[0].cells["seat_pairing"]) == ("F1", "EPDM")


@pytest.mark.parametrize(
    ("header", "common", "said"),
    [
        ("serail", REST, "found 'serail'; columns are number, customer, customer_order, procedure, certificate_type, "),
        ("serial,Serial", REST, "found 'serial' twice; a column stands there once."),
        ("serial,size", REST, "found 'size'; it is given for all rows by an option."),
        ("serial", REST[1:], "found no column 'number'; it is needed, here or as an option."),
        ("size", REST[:-1], "found no column 'serial'; it is needed, here or as an option."),
    ],
)
def test_a_header_that_is_wrong_is_refused(file, header, common, said):
    """Nothing is skipped because its name was not understood."""
    assert refusal_of(file(f"{header}\nA\n"), common).startswith(f"order.csv:1: header: {said}")


@pytest.mark.parametrize("content", ["", "\n\n", "serial\n", "serial\n\n,,\n", "\ufeff"])
def test_a_file_without_rows_is_no_order(file, content):
    """Empty, blank, a header alone."""
    assert "order.csv" in refusal_of(file(content), REST)


# Rows -------------------------------------------------------------------------------------------


def test_ragged_rows_are_named_and_the_others_read(file):
    """Too few, too many, a cell without a column; rows in which nothing stands do not count."""
    sheet = read_sheet(file("serial,ends,\nA,flanged,\nB\nC,x,y,z\n,,\nD,,note\n\nE,,\n"), REST)
    assert [(row.line, row.cells["serial"]) for row in sheet.rows] == [(2, "A"), (8, "E")]
    assert sheet.unread == (
        BadCell(3, "row", "1 cells", "the header has 3"),
        BadCell(4, "row", "4 cells", "the header has 3"),
        BadCell(6, "row", "'note'", "its column has no name in the header"),
    )
    assert sheet.empty == 1


def test_ragged_rows_are_bounded_too(file):
    """A file of another kind is not read to its end."""
    path = file("serial\n" + "a,b\n" * 20_001)
    assert refusal_of(path, REST).startswith("order.csv:20002: rows: found more than 20000; ")


def test_a_line_break_within_quotes_keeps_the_count_of_lines(file):
    """The cell is read; the rows after it stand on their own lines."""
    sheet = read_sheet(file('serial,ends\nA,"two\nlines"\nB,x\n'), REST)
    assert [(row.line, row.cells["ends"]) for row in sheet.rows] == [(2, "two\nlines"), (4, "x")]


@pytest.mark.parametrize("content", ['serial\nA\n"B\nC\n', 'serial\nA\n"B"x\n', "serial\nA\n" + "x" * 200_000])
def test_a_quotation_mark_that_is_not_closed_is_refused_where_it_opens(file, content):
    """It would swallow the rest of the file; likewise a cell of 200,000 signs."""
    assert refusal_of(file(content), REST) == (
        "order.csv:3: cells: found a quotation mark that is not closed, or not doubled, or a cell without end; "
        "quotation marks stand round a cell, doubled within."
    )


@pytest.mark.parametrize(("cell", "kept"), [(" A \u00a0", "A"), ('"\t=1"', "\t=1"), ('"\r=1"', "\r=1"), ("'A", "'A")])
def test_spaces_at_the_ends_mean_nothing_a_tab_in_front_does(file, cell, kept):
    """So that a formula behind a tab is still seen to be one."""
    assert read_sheet(file(f"serial,ends\n{cell},x\n"), REST).rows[0].cells["serial"] == kept


@pytest.mark.parametrize(("rows", "fine"), [(20_000, True), (20_001, False)])
def test_the_rows_are_bounded(file, rows, fine):
    """20,000; a file of 100,000 lines is refused at the first line too many."""
    path = file("serial\n" + "".join(f"A{number}\n" for number in range(rows)))
    if fine:
        assert len(read_sheet(path, REST).rows) == 20_000
    else:
        assert refusal_of(path, REST) == (
            "order.csv:20002: rows: found more than 20000; at most 20000 rows make an order; part it into several."
        )


# Out --------------------------------------------------------------------------------------------

HOSTILE = [
    "=cmd|' /C calc'!A0",
    "+1",
    "-1",
    "@SUM(A1)",
    "\tx",
    "\r=1",
    "＝1",
    "'=1",
    "'",
    "a=1",
    "",
    'a"b',
    "x,y",
    "two\nlines",
]
CELLS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)


def back(cell: str) -> str:
    """As the README says: one leading apostrophe is taken off."""
    return cell.removeprefix("'")


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_begins_a_formula(text):
    """OWASP, "CSV Injection"."""
    assert safe(text)[:1] not in set("=+-@\t\r＝＋－＠")
    assert back(safe(text)) == text


@given(st.lists(st.tuples(CELLS, CELLS), max_size=6))
def test_what_is_written_is_read_back(rows):
    """By Python's own reader, whatever the cells hold."""
    text = csv_text(("a", "b"), [{"a": a, "b": b} for a, b in rows])
    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert [tuple(map(back, row)) for row in read[1:]] == rows


def test_pandas_reads_it_back_unchanged_in_meaning(tmp_path):
    """As text, the byte-order mark taken off; nothing is taken for a missing value."""
    path = tmp_path / "out.csv"
    path.write_bytes(csv_text(("cell", "n"), [{"cell": text, "n": "x"} for text in HOSTILE]).encode("utf-8-sig"))
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    assert [back(cell) for cell in frame["cell"]] == HOSTILE


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed here (.ci/run installs it)")
def test_libreoffice_opens_it_without_running_a_formula(tmp_path):
    """Cell for cell the text, in a format that would show a formula as one."""
    path = tmp_path / "out.csv"
    texts = ["=1+1", "+1+1", "-1-1", "@SUM(1,1)", "plain"]
    path.write_bytes(csv_text(("cell", "n"), [{"cell": text, "n": "x"} for text in texts]).encode("utf-8-sig"))
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    subprocess.run(["soffice", profile, "--headless", "--convert-to", "fods", "--outdir", tmp_path, path], check=True,
                   capture_output=True, timeout=150)  # fmt: skip
    sheet = (tmp_path / "out.fods").read_text()
    assert "table:formula" not in sheet
    assert "=1+1" in sheet
