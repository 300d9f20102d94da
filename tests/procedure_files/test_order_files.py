"""The order files of a home: written whole or not at all, read again only where they changed."""

import errno
import os
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import OrderNotWrittenError
from testbench.procedure.valve import Order, Valve
from testbench.procedure_files.loader import OrderShelf, load_order, load_orders
from testbench.procedure_files.order_files import file_name, keep_order, order_text, orders_locked

TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=20)
VALVES = st.builds(
    dict,
    type=st.sampled_from(["gate", "check"]),
    size=st.sampled_from(["NPS 8", "DN 100"]),
    seat=st.sampled_from(["metal", "resilient"]),
    rated=st.sampled_from([None, "250 psi", "16 bar"]),
    pn=st.sampled_from([None, 16]),
    optional_tests=st.lists(TEXTS, max_size=2).map(tuple),
    product=TEXTS,
    heat_numbers=TEXTS,
    cavity=st.sampled_from([None, "15.2 L"]),
)
ORDERS = st.builds(
    lambda number, customer, kind, facts: Order.model_validate({
        "number": number, "customer": customer, "procedure": "x", "certificate_type": kind,
        "valves": [Valve.model_validate({"serial": f"S-{at}", **one}) for at, one in enumerate(facts)],
    }),
    TEXTS, TEXTS, st.sampled_from([None, "2.1", "3.2"]), st.lists(VALVES, min_size=1, max_size=3),
)  # fmt: skip


@given(ORDERS)
def test_an_order_is_read_as_it_was_written(tmp_path_factory, order):
    """Quotation marks, backslashes, any alphabet."""
    path = tmp_path_factory.mktemp("orders") / "a.toml"
    path.write_text(order_text(order), encoding="utf-8", newline="")
    assert load_order(path) == order


def test_what_is_not_said_is_not_written(order):
    """The file reads as a person would have written it."""
    text = order_text(order)
    assert text.startswith('number = "HL-2041"\ncustomer = "Ellery Water Board"\ncustomer_order = "EWB-7733"\n')
    assert text.count("[[valves]]") == 3
    assert "certificate_type" not in text
    assert "pn =" not in text


@pytest.mark.parametrize(
    ("number", "name"),
    [("HL-2041", "HL-2041"), ("../../etc/x", "_.._etc_x"), ("a/b\\c:d", "a_b_c_d"), (".hidden", "hidden"), ("/", "_"),
     ("-rf", "rf"), ("..", "_"), ("Auftrag 7 ä", "Auftrag_7_ä")],
)  # fmt: skip
def test_a_number_never_leads_out_of_the_folder(number, name):
    """Nor does it hide or make an option of its file."""
    assert file_name(number) == name


# Written whole or not at all --------------------------------------------------------------------


@pytest.mark.parametrize("call", ["fsync", "rename"])
def test_a_full_disk_leaves_nothing(tmp_path, order, monkeypatch, call):
    """One sentence, and no file under any name."""
    (tmp_path / "orders").mkdir()

    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, call, full)
    with pytest.raises(OrderNotWrittenError) as refusal, orders_locked(tmp_path):
        keep_order(tmp_path, order)
    path = tmp_path / "orders" / "HL-2041.toml"
    assert str(refusal.value) == f"{path} could not be written: No space left on device."
    assert refusal.value.remedy == "Make room or give access, then try again; no part of it was kept."
    assert list((tmp_path / "orders").iterdir()) == []


def test_a_file_that_is_there_is_not_written_over(tmp_path, order):
    """Two numbers may come to one file name."""
    with orders_locked(tmp_path):
        path = keep_order(tmp_path, order)
        before = path.read_bytes()
        with pytest.raises(OrderNotWrittenError) as refusal:
            keep_order(tmp_path, order.model_copy(update={"customer": "x"}))
    assert str(refusal.value) == f"{path} could not be written: there is a file of this name already."
    assert path.read_bytes() == before


def test_two_who_import_at_once_take_turns(tmp_path):
    """What the one compared is still true when it writes."""
    inside, seen = threading.Event(), []

    def other():
        with orders_locked(tmp_path):
            seen.append(inside.is_set())

    with orders_locked(tmp_path):
        waiting = threading.Thread(target=other)
        waiting.start()
        waiting.join(0.2)
        assert seen == []
        inside.set()
    waiting.join(10)
    assert seen == [True]


def test_a_home_that_cannot_be_written_is_said(tmp_path):
    """The folder is a file."""
    (tmp_path / "orders").write_text("")
    with pytest.raises(OrderNotWrittenError, match="orders could not be written: File exists"), orders_locked(tmp_path):
        pass


# Read again only where changed ------------------------------------------------------------------


@pytest.fixture
def home(tmp_path, order):
    with orders_locked(tmp_path):
        for number in ("A", "B"):
            keep_order(tmp_path, order.model_copy(update={"number": number}))
    return tmp_path


def test_a_shelf_gives_what_the_files_say(home, order):
    """Changed, new, broken, gone."""
    shelf = OrderShelf(home)
    assert shelf() == load_orders(home)
    first, second = shelf()[0]
    again = shelf()[0]
    assert again[0] is first
    assert again[1] is second
    (home / "orders" / "A.toml").write_text(order_text(order.model_copy(update={"number": "A2"})))
    changed = shelf()[0]
    assert changed[0].number == "A2"
    assert changed[1] is second
    (home / "orders" / "A.toml").write_text("number = ")
    orders, refused = shelf()
    assert orders == (second,)
    assert [refusal.file for refusal in refused] == [str(home / "orders" / "A.toml")]
    (home / "orders" / "A.toml").unlink()
    assert shelf() == ((second,), ())


def test_a_file_that_another_took_the_place_of_is_read_again(home, order):
    """Same size, same time: an editor that renames, or a copy that keeps the times."""
    shelf = OrderShelf(home)
    shelf()
    path = home / "orders" / "A.toml"
    before = path.stat()
    other = path.with_suffix(".new")
    other.write_text(order_text(order.model_copy(update={"number": "C"})))
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    other.rename(path)
    assert path.stat().st_size == before.st_size
    assert shelf()[0][0].number == "C"
