"""CSV tables with units in the header: read exactly, or refused with file, line and column."""

from pathlib import Path

import numpy as np
import pytest

from testbench.cli.tables import read_table
from testbench.errors import FileRefusedError

HOLD = {"time": ("s", "min", "h", "ms"), "pressure": ("psi", "bar")}
OPTIONAL = {"temperature": ("degC",)}


def table(folder: Path, text: str, **options):
    path = folder / "hold.csv"
    path.write_bytes(text.encode())
    return read_table(path, HOLD, OPTIONAL, **options)


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(FileRefusedError) as refused:
        table(folder, text).seconds()
    return str(refused.value).replace(f"{folder}/", "")


def test_a_hold_as_it_is_written(tmp_path):
    """Numbers, units, the last written place; a column that nobody asked for is named."""
    found = table(tmp_path, "time_s,pressure_psi,remark\n0,250.13,a\n0.1,250.1,b\n0.2,250,c\n")
    assert found["pressure"].values.tolist() == [250.13, 250.1, 250.0]
    assert (found["pressure"].unit, found["pressure"].last_place) == ("psi", 0.01)
    assert found.seconds().tolist() == [0, 0.1, 0.2]
    assert found.ignored == ("remark",)
    assert "temperature" not in found
    assert len(found) == 3


@pytest.mark.parametrize(
    "text",
    [
        "time_s;pressure_psi\n0;1\n1;2\n2;3\n",
        "time_s\tpressure_psi\n0\t1\n1\t2\n2\t3\n",
        "\ufefftime_s,pressure_psi\r\n0,1\r\n1,2\r\n2,3\r\n",
        "# a remark\ntime_s, pressure_psi\n\n0, 1\n# another\n1, 2\n2, 3",
        'pressure_psi,"time_s"\n"1",0\n2,1\n3,2\n',
    ],
)
def test_the_dialects_of_common_tools(tmp_path, text):
    """Semicolons, tabs, a byte-order mark, Windows line ends, blanks, remarks, quotes, any order of columns."""
    found = table(tmp_path, text)
    assert found["pressure"].values.tolist() == [1, 2, 3]
    assert found.seconds().tolist() == [0, 1, 2]


@pytest.mark.parametrize(("unit", "seconds"), [("s", 1), ("ms", 0.001), ("min", 60), ("h", 3600)])
def test_times_in_any_unit_are_seconds(tmp_path, unit, seconds):
    """One unit of each, in seconds."""
    found = table(tmp_path, f"time_{unit},pressure_psi\n0,1\n1,1\n2,1\n")
    assert found.seconds().tolist() == pytest.approx([0, seconds, 2 * seconds])


def test_seconds_since_1970_are_fine(tmp_path):
    """They rise like any others."""
    found = table(tmp_path, "time_s,pressure_psi\n1767225600.1,1\n1767225600.2,1\n1767225600.3,1\n")
    assert np.diff(found.seconds()) == pytest.approx([0.1, 0.1], abs=1e-6)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "hold.csv: header: found nothing; a line such as time_s,pressure_psi is needed."),
        ("# nothing\n\n", "hold.csv: header: found nothing; a line such as time_s,pressure_psi is needed."),
        (
            "time_s,level\n0,1\n1,2\n2,3\n",
            "hold.csv:1: pressure: found time_s, level; a column pressure_psi or pressure_bar is needed.",
        ),
        (
            "time_s,pressure_furlong\n0,1\n1,2\n2,3\n",
            "hold.csv:1: pressure_furlong: found unit 'furlong'; allowed are psi, bar.",
        ),
        ("time_s,pressure\n0,1\n1,2\n2,3\n", "hold.csv:1: pressure: found no unit; allowed are psi, bar."),
        (
            "time_s,pressure_psi,pressure_bar\n0,1,1\n1,2,2\n2,3,3\n",
            "hold.csv:1: pressure_bar: found a second column of pressure; one is needed.",
        ),
        (
            "time_s,pressure_psi\n0,1\n1,x\n2,3\n",
            "hold.csv:3: pressure_psi: found 'x'; a number with a decimal point is needed.",
        ),
        (
            "time_s,pressure_psi\n0,1\n\n# remark\n1,\n2,3\n",
            "hold.csv:5: pressure_psi: found nothing; a number with a decimal point is needed.",
        ),
        (
            "time_s;pressure_psi\n0;1\n1;2,5\n2;3\n",
            "hold.csv:3: pressure_psi: found '2,5'; a number with a decimal point is needed.",
        ),
        (
            "time_s,pressure_psi\n0,1\n1,nan\n2,3\n",
            "hold.csv:3: pressure_psi: found 'nan'; a number with a decimal point is needed.",
        ),
        (
            "time_s,pressure_psi\n0,1\n1,1_000\n2,3\n",
            "hold.csv:3: pressure_psi: found '1_000'; a number with a decimal point is needed.",
        ),
        ("time_s,pressure_psi\n0,1\n1,2,3\n2,3\n", "hold.csv:3: fields: found 3; the header has 2."),
        ("time_s,pressure_psi\n0,1\n1,2\n", "hold.csv: rows: found 2; at least 3 are needed."),
        (
            "time_s,pressure_psi\n0,1\n1,2\n1,3\n",
            "hold.csv:4: time_s: found 1 after 1; times must rise from line to line.",
        ),
        (
            "time_s,pressure_psi\n0,1\n2,2\n1,3\n",
            "hold.csv:4: time_s: found 1 after 2; times must rise from line to line.",
        ),
    ],
)
def test_a_table_is_refused_with_file_line_and_column(tmp_path, text, sentence):
    """The whole sentence; nothing is skipped or guessed."""
    assert refusal(tmp_path, text) == sentence


def test_three_rows_are_enough(tmp_path):
    """The other side of the limit; a command may ask for fewer or more."""
    assert len(table(tmp_path, "time_s,pressure_psi\n0,1\n1,2\n2,3\n")) == 3
    assert len(table(tmp_path, "time_s,pressure_psi\n0,1\n1,2\n", least_rows=2)) == 2


def test_a_file_that_is_not_there(tmp_path):
    """Its name and what the system says."""
    with pytest.raises(FileRefusedError) as refused:
        read_table(tmp_path / "none.csv", HOLD)
    assert str(refused.value) == (
        f"{tmp_path}/none.csv: the file: found No such file or directory; a readable file is needed."
    )


def test_a_file_beyond_all_measure(tmp_path, monkeypatch):
    """Its size and the most that is read."""
    monkeypatch.setattr("testbench.cli.tables.LARGEST_FILE", 10)
    assert refusal(tmp_path, "time_s,pressure_psi\n0,1\n") == (
        "hold.csv: the file: found 24 bytes; at most 10 bytes are read."
    )


def test_a_file_that_is_no_text(tmp_path):
    """The first byte that is not UTF-8."""
    path = tmp_path / "photo.csv"
    path.write_bytes(b"time_s\xff")
    with pytest.raises(FileRefusedError) as refused:
        read_table(path, HOLD)
    assert str(refused.value) == f"{path}: the file: found byte 6 is not UTF-8; a text file in UTF-8 is needed."
