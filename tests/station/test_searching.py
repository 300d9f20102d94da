"""What a search may ask, by option or by line; what it refuses."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import SearchRefusedError
from testbench.station.searching import FIELDS, Search, page_of, read_line, search_of, span_of


@pytest.mark.parametrize(
    ("written", "first", "last"),
    [
        ("2026", date(2026, 1, 1), date(2026, 12, 31)),
        ("2026-02", date(2026, 2, 1), date(2026, 2, 28)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
        ("2026-11-20", date(2026, 11, 20), date(2026, 11, 20)),
    ],
)
def test_a_day_a_month_or_a_year(written, first, last):
    assert span_of("since", written) == (first, last)


@pytest.mark.parametrize("written", ["2026-13", "2026-02-29", "26", "yesterday", "2026-1", "0000"])
def test_no_day(written):
    with pytest.raises(SearchRefusedError) as refusal:
        search_of(since=written)
    assert str(refusal.value) == (
        f"The search cannot be made: since is '{written}'; allowed is a day, month or year such as 2026-11-20, 2026-11 "
        "or 2026."
    )
    assert refusal.value.remedy == "Correct the search; 'testbench history --help' lists what can be looked for."


def test_since_takes_the_first_day_and_until_the_last():
    asked = search_of(since="2026-02", until="2026-03")
    assert (asked.since, asked.until) == (date(2026, 2, 1), date(2026, 3, 31))
    assert search_of(day="2026-02") == search_of(since="2026-02", until="2026-02")


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("", Search()),
        ("0117", Search(part="0117")),
        ("01", Search(prefix="01")),
        ("HL-6*", Search(prefix="HL-6")),
        ("serial:HL-6-0118", Search(serial="HL-6-0118")),
        ('0117 verdict:rejected operator:"Mara Quill"', Search(part="0117", verdict="rejected", operator="Mara Quill")),
        ("product: 0117", Search(part="0117")),  # a field that nothing follows yet, while somebody types
        ("day:2026-11", Search(since=date(2026, 11, 1), until=date(2026, 11, 30))),
    ],
)
def test_a_line_is_read(line, asked):
    assert read_line(line) == asked


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("part:01", "part is '01'; allowed is 3 signs at least, or the beginning of a serial number"),
        ("verdict:good", "verdict is 'good'; allowed is accepted, rejected, inconclusive, void"),
        ("origin:dream", "origin is 'dream'; allowed is live, simulated, replayed"),
        ("colour:red", f"line is 'colour'; allowed is a serial number, or one of {', '.join(FIELDS)}, then a colon"),
        ("0117 0118", "part is '0118'; allowed is one part; there is '0117' already"),
        ('operator:"Mara', "line is 'operator:\"Mara'; allowed is quotation marks in pairs"),
        ("since:2026-02 until:2026-01", "until is '2026-01-31'; allowed is 2026-02-01 or later"),
    ],
)  # fmt: skip
def test_a_line_is_refused(line, sentence):
    with pytest.raises(SearchRefusedError) as refusal:
        read_line(line)
    assert str(refusal.value) == f"The search cannot be made: {sentence}."


@given(st.text(max_size=40))
def test_any_line_is_read_or_refused(line):
    """Whatever somebody types, the screen has an answer."""
    try:
        asked = read_line(line)
    except SearchRefusedError:
        return
    assert asked.everything == (asked.in_words == "all runs")


class Ten:
    """A history of ten runs."""

    def search(self, asked, limit=50, before=None):
        return list(range(10 if before is None else before))[::-1][:limit]

    def record_of(self, run):
        raise AssertionError


def test_a_page_knows_whether_there_is_more():
    assert page_of(Ten(), Search(), 4, None) == ([9, 8, 7, 6], True)
    assert page_of(Ten(), Search(), 4, 4) == ([3, 2, 1, 0], False)
