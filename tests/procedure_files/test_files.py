"""Files are tests by being there: accepted/ must load, refused/ must be refused with the sentence beside it."""

from pathlib import Path

import pytest

from testbench.errors import FileRefusedError, HomeMissingError, ProcedureUnknownError
from testbench.procedure_files.loader import (
    bench_template,
    find_procedure,
    load_bench,
    load_orders,
    load_procedure,
    procedures_at_hand,
    shipped_folder,
)
from testbench.procedure_files.schema import schema_text

HERE = Path(__file__).parent
ACCEPTED = sorted((HERE / "accepted").glob("*.toml")) + sorted(shipped_folder().glob("*.toml"))
SHIPPED = [file.stem for file in sorted(shipped_folder().glob("*.toml"))]
REFUSED = sorted((HERE / "refused").glob("*.toml"))


@pytest.mark.parametrize("file", ACCEPTED, ids=lambda file: file.stem)
def test_an_accepted_file_loads_and_its_id_is_its_name(file):
    """Every shipped procedure is among them."""
    procedure, digest = load_procedure(file)
    assert procedure.id == file.stem
    assert len(digest) == 64


@pytest.mark.parametrize("file", REFUSED, ids=lambda file: file.stem)
def test_a_refused_file_is_refused_with_file_line_and_field(file):
    """The whole sentence stands beside each file."""
    with pytest.raises(FileRefusedError) as refusal:
        load_procedure(file)
    assert str(refusal.value).replace(str(file), file.name) == file.with_suffix(".txt").read_text().strip()


def test_the_schema_beside_the_procedures_is_the_models_own():
    """Regenerate procedures/schema.json with testbench.procedure_files.schema.schema_text()."""
    assert (shipped_folder() / "schema.json").read_text() == schema_text()


def test_an_unknown_procedure_is_refused_with_those_at_hand(tmp_path):
    """No silent default."""
    with pytest.raises(ProcedureUnknownError) as refusal:
        find_procedure("gate-valve", tmp_path)
    assert str(refusal.value) == f"There is no procedure 'gate-valve'; at hand are {', '.join(SHIPPED)}."


def test_a_house_procedure_stands_beside_the_shipped_ones(tmp_path):
    """procedures/ of the home folder."""
    (tmp_path / "procedures").mkdir()
    file = tmp_path / "procedures" / "house-swing-check.toml"
    file.write_bytes((HERE / "accepted" / "house-swing-check.toml").read_bytes())
    assert list(procedures_at_hand(tmp_path)) == [*SHIPPED, "house-swing-check"]
    assert find_procedure("house-swing-check", tmp_path)[0].revision == "2.b"


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"\xff\xfe", "bad.toml: the file: found bytes that are not UTF-8; UTF-8 is needed."),
        (b"x" * 200_001, "bad.toml: the file: found 200001 bytes; at most 200000 bytes are read."),
        (b"a = " + b"[" * 100_000, None),
        (b"a." * 60_000 + b"a = 1", "bad.toml: the text: found a line with 60000 dots; flat tables are needed."),
    ],
    ids=["not-utf-8", "too-large", "nested-without-end", "a-key-without-end"],
)
def test_a_hostile_file_is_refused(tmp_path, data, sentence):
    """Wrong bytes, too many bytes, a bomb."""
    file = tmp_path / "bad.toml"
    file.write_bytes(data)
    with pytest.raises(FileRefusedError) as refusal:
        load_procedure(file)
    if sentence:
        assert str(refusal.value).replace(str(file), file.name) == sentence


def test_a_home_without_bench_toml_is_no_home(tmp_path):
    """What to do next is said."""
    with pytest.raises(HomeMissingError) as refusal:
        load_bench(tmp_path)
    assert str(refusal.value) == f"There is no bench home in {tmp_path}: bench.toml was not found."
    assert refusal.value.remedy == "Run 'testbench init --home DIR' to make it."


def test_the_template_of_bench_toml_loads_and_its_calibration_is_long_overdue(tmp_path):
    """A bench that nobody described cannot start a run."""
    (tmp_path / "bench.toml").write_text(bench_template())
    assert load_bench(tmp_path).channel.calibration.due_on.year == 2000


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'unit = "psi"',
            'unit = "furlong"',
            "bench.toml:18: channel.unit: found 'furlong'; Input should be 'psi', 'bar', 'kPa' or 'MPa'.",
        ),
        (
            "due_on = 2000-12-31",
            "due_on = 1999-12-31",
            "bench.toml:39: channel.calibration: due_on lies before calibrated_on.",
        ),
        (
            "baud = 9600",
            "baud = 96",
            "bench.toml:32: channel.line.baud: found 96; Input should be greater than or equal to 300.",
        ),
    ],
)
def test_a_broken_bench_toml_is_refused_with_its_line(tmp_path, old, new, sentence):
    """Before a port is opened."""
    file = tmp_path / "bench.toml"
    file.write_text(bench_template().replace(old, new, 1))
    with pytest.raises(FileRefusedError) as refusal:
        load_bench(tmp_path)
    assert str(refusal.value).replace(str(file), file.name) == sentence


def test_an_order_file_is_read_with_its_valves(tmp_path, order):
    """orders/ of the home folder; size by NPS or DN."""
    (tmp_path / "orders").mkdir()
    (tmp_path / "orders" / "a.toml").write_text(
        'number = "HL-1"\ncustomer = "Ellery Water Board"\nprocedure = "waterworks-swing-check"\n'
        '[[valves]]\nserial = "1"\ntype = "swing-check"\nsize = "DN 200"\nrated = "250 psi"\nseat = "metal"\n'
    )
    assert str(load_orders(tmp_path)[0][0].valves[0].size) == "NPS 8 (DN 200)"


def test_what_is_no_ordinary_file_is_not_waited_for(tmp_path):
    """A pipe would be read for ever."""
    import os

    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(FileRefusedError) as refusal:
        load_procedure(tmp_path / "pipe.toml")
    assert str(refusal.value).endswith("pipe.toml: the file: found no ordinary file; an ordinary file is needed.")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("longest_gap = { s = 1,", "longest_gap = { s = 11,", "a hold is not made of silence"),
        ("lost_after = { s = 30,", "lost_after = { s = 1,", "a hold is not made of silence"),
        ('zero_tolerance_percent = { factor = "1"', 'zero_tolerance_percent = { factor = "11"', "a fault"),
    ],
)
def test_numbers_that_would_repeal_a_law_of_the_run_are_refused(tmp_path, old, new, words):
    """Whatever the house decides: silence is no hold, and a far zero is no zero."""
    file = tmp_path / "waterworks-swing-check.toml"
    file.write_text((shipped_folder() / "waterworks-swing-check.toml").read_text().replace(old, new, 1))
    with pytest.raises(FileRefusedError) as refusal:
        load_procedure(file)
    assert words in str(refusal.value)


@pytest.mark.parametrize(
    ("people", "sentence"),
    [("wrong_tries = 2", "people.wrong_tries: found 2; Input should be greater than or equal to 3."),
     ("first_delay_s = 120\nlongest_delay_s = 90", "people.longest_delay_s: must not be below first_delay_s."),
     ("tries = 5", "people.tries: found 5; this key is not known here.")],
)  # fmt: skip
def test_a_lock_that_locks_nobody_is_refused(tmp_path, people, sentence):
    """The [people] table of bench.toml."""
    (tmp_path / "bench.toml").write_text(f"{bench_template()}\n[people]\n{people}\n")
    with pytest.raises(FileRefusedError) as refusal:
        load_bench(tmp_path)
    assert str(refusal.value).endswith(sentence)


def test_an_order_names_its_witness_points(tmp_path):
    """As its template has them; another word than the trade's two is refused."""
    from testbench.procedure_files.loader import order_template

    point = "\n".join(
        line.removeprefix("# ") for line in order_template().split("# [[witness_points]]")[1].splitlines()
    )
    (tmp_path / "orders").mkdir()
    file = tmp_path / "orders" / "HL-2041.toml"
    file.write_text(f"{order_template()}\n[[witness_points]]{point}\n")
    (order,), refused = load_orders(tmp_path)
    assert (order.witness_points[0].point, order.witness_points[0].notice_days, refused) == ("witness point", 5, ())
    file.write_text(file.read_text().replace('\npoint = "witness point"', '\npoint = "review point"'))
    assert "witness_points[1].point: found 'review point'" in str(load_orders(tmp_path)[1][0])
