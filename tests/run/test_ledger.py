"""The chain by itself: hashes over canonical JSON, the walk, checkpoints read from what people hold."""

import hashlib
import json
from dataclasses import replace

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import CheckpointRefusedError
from testbench.run.ledger import (
    BEGINNING,
    LARGEST,
    Entry,
    Held,
    Walk,
    canonical_json,
    entry_after,
    hash_of,
    read_checkpoint,
)

texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)
numbers = st.integers(-LARGEST, LARGEST)
names = st.text(st.characters(codec="ascii"), max_size=10)
bodies = st.dictionaries(
    names, st.recursive(texts | numbers, lambda inner: st.lists(inner) | st.dictionaries(names, inner), max_leaves=8)
)


# Canonical JSON ----------------------------------------------------------------------------------


@given(bodies)
def test_the_hashed_bytes_are_canonical_json(body):
    """Oracle: rfc8785, an independent implementation of RFC 8785."""
    assert canonical_json(body) == rfc8785.dumps(body)


def test_the_rfcs_own_example_of_strings_and_sorting():
    """RFC 8785, 3.2.2 and 3.2.3: its sample object, without fractions and literals."""
    body = {"string": '\u20ac$\u000f\nA\'B"\\\\"/', "numbers": [], "a": 1}
    expected = r'{"a":1,"numbers":[],"string":"€$\u000f\nA' + "'" + r'B\"\\\\\"/"}'
    assert canonical_json(body).decode() == expected


@pytest.mark.parametrize("value", [56.0, True, None, 2**53, -(2**53), b"x"])
def test_what_programs_write_differently_is_not_hashed(value):
    """Numbers with a fraction or above 2^53, literals, bytes: refused wherever they stand."""
    for body in ({"a": value}, {"a": [value]}, {"a": {"b": [value]}}):
        with pytest.raises(ValueError, match="is neither a string nor a whole number below"):
            canonical_json(body)


@pytest.mark.parametrize("name", [1, "ä"])
def test_names_are_ascii(name):
    """A number for a name would silently become a text; other letters are sorted in two ways."""
    with pytest.raises(ValueError, match="is no name in ASCII"):
        canonical_json({name: 1})


# Entries -----------------------------------------------------------------------------------------


@given(texts, texts, texts, st.integers(0, LARGEST), st.integers(1, LARGEST))
def test_the_hash_of_an_entry_is_over_its_canonical_json(bench, kind, subject, at, seq):
    """Written out for speed; the same as RFC 8785 over the fields by name."""
    entry = Entry(seq, 1, bench, at, kind, subject, "a" * 64, "b" * 64, "")
    fields = {
        "v": 1, "bench": bench, "seq": seq, "at": at, "kind": kind, "subject": subject, "body_sha256": "a" * 64,
        "prev": "b" * 64,
    }  # fmt: skip
    assert hash_of(entry) == hashlib.sha256(rfc8785.dumps(fields)).hexdigest()


def test_the_hash_of_a_first_entry_by_hand():
    """Anyone can work it out: printf '%s' '{"at":0,…}' | sha256sum. (The value was worked out that way.)"""
    entry = entry_after(None, bench="B1", at=0, kind="blank", subject="1", body_sha256=BEGINNING)
    assert entry.hash == "7f37bf06a04e77a9ccc711778c19a18f6866177a7ae69584d462b7ce1c33441c"


def chain_of(count: int) -> list[Entry]:
    made: list[Entry] = []
    for number in range(1, count + 1):
        last = made[-1] if made else None
        made.append(
            entry_after(last, bench="B1", at=number, kind="blank", subject=str(number), body_sha256=f"{number:064x}")
        )
    return made


def first_fault(chain: list[Entry], *held: Held) -> tuple[int, str]:
    """Place and words of the first fault; 0 and nothing where there is none."""
    walk = Walk(held)
    for place, entry in enumerate(chain, start=1):
        if what := walk.fault_of(entry):
            return place, what
    return (len(chain) + 1, what) if (what := walk.cut_off()) else (0, "")


@given(st.integers(1, 30), st.data())
def test_a_chain_holds_and_any_changed_field_breaks_it_there(count, data):
    """Whichever entry, whichever field: the walk stops at that entry, before it believes it."""
    chain = chain_of(count)
    assert first_fault(chain) == (0, "")
    place = data.draw(st.integers(0, count - 1))
    name = data.draw(st.sampled_from(Entry._fields))
    old = getattr(chain[place], name)
    chain[place] = chain[place]._replace(**{name: old + 1 if isinstance(old, int) else old[::-1] + "0"})
    assert first_fault(chain)[0] == place + 1


@given(st.integers(2, 30), st.data())
def test_an_entry_taken_out_or_moved_is_found_where_it_was(count, data):
    """One taken out of the middle, or two that change places."""
    chain = chain_of(count)
    place = data.draw(st.integers(0, count - 2))
    without = chain[:place] + chain[place + 1 :]
    assert first_fault(without) == (place + 1, f"entry {place + 1} is missing before it")
    chain[place], chain[place + 1] = chain[place + 1], chain[place]
    assert first_fault(chain)[0] == place + 1


def test_a_clock_that_was_set_back_is_noted_and_breaks_nothing():
    """The chain, not the clock, says what came first."""
    first = entry_after(None, bench="B1", at=5_000, kind="blank", subject="1", body_sha256=BEGINNING)
    second = entry_after(first, bench="B1", at=4_000, kind="blank", subject="2", body_sha256=BEGINNING)
    walk = Walk()
    assert [walk.fault_of(first), walk.fault_of(second)] == ["", ""]
    assert walk.clock_set_back == [2]


def test_a_held_checkpoint_must_be_passed_on_the_way():
    """Exactly at its number; one that names more entries than there are shows that the end was cut off."""
    chain = chain_of(10)
    held = Held("B1", 6, chain[5].hash, "the checkpoint of the customer", signed_by="a" * 64)
    assert first_fault(chain, held) == (0, "")
    assert first_fault(chain[:6], held) == (0, "")
    assert first_fault(chain[:5], held) == (
        6, "the ledger ends with entry 5, but the checkpoint of the customer names 6 entries",
    )  # fmt: skip
    other = replace(held, head=chain[4].hash)
    assert first_fault(chain, other) == (
        6,
        "its hash is not the one that the checkpoint of the customer names; it or an entry before it was written anew",
    )


# Checkpoints from what people hold ---------------------------------------------------------------

DIGITS = "9f3a52c177d011aa"


@pytest.mark.parametrize(
    "text",
    [
        "B1 1234 9f3a 52c1 77d0 11aa",
        "  B1 1234 9F3A52C177D011AA\n",
        "B1  1234  9f3a52c1 77d011aa",
        "B1 1234 9f3a 52c1 77d0 11aa (bench, entries, head; signed, the whole is attached)",
        "Ledger B1 1234 9f3a 52c1\n77d0 11aa (bench, entries, head; signed,\nthe whole is attached)",
    ],
)
def test_the_printed_line_may_be_typed_in_any_grouping(text):
    """Letters in either case, spaces anywhere between the digits, with what the page says beside it."""
    assert read_checkpoint(text, "x") == Held("B1", 1234, DIGITS, "the line that was given")


def test_a_line_that_the_chain_does_not_fit_may_be_mistyped():
    """A slip of the pen accuses nobody by itself; a signed checkpoint has none."""
    chain, line = chain_of(5), "the line that was given"
    slip = "; or the line was mistyped: compare it with the page, digit by digit"
    anew = "its hash is not the one that the line that was given names; it or an entry before it was written anew"
    cut_off = "the ledger ends with entry 5, but the line that was given names 50 entries"
    assert first_fault(chain, Held("B1", 5, DIGITS, line)) == (5, anew + slip)
    assert first_fault(chain, Held("B1", 50, chain[-1].hash, line)) == (6, cut_off + slip)


@pytest.mark.parametrize(
    "text", ["", "B1 1234", "B1 1234 9f3a 52c1 77d0 11a", "B1 x 9f3a52c177d011aa", "B1 1 " + "0" * 65]
)
def test_a_line_that_is_none_is_refused(text):
    """Fewer than 16 digits could be searched for."""
    with pytest.raises(CheckpointRefusedError) as refusal:
        read_checkpoint(text, "'it'")
    assert str(refusal.value) == (
        "Checkpoint 'it': it is neither a checkpoint nor a line such as 'B1 1234 9f3a 52c1 77d0 11aa'."
    )


@pytest.mark.parametrize("body", [{}, {"v": 2}, {"n": -1}, {"more": 1}])
def test_json_that_is_no_checkpoint_is_refused(body):
    """Every field, and no other."""
    with pytest.raises(CheckpointRefusedError) as refusal:
        read_checkpoint(json.dumps(body), "c.json")
    assert str(refusal.value) == "Checkpoint c.json: it holds no checkpoint that can be read."
