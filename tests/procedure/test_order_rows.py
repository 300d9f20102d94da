"""From rows to an order: all of it, or every cell that breaks a rule."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import GlyphMissingError, ProcedureUnknownError
from testbench.procedure.order_rows import COLUMNS, NEEDED, ORDER_COLUMNS, BadCell, Plan, Row, planned
from testbench.procedure.serials import MOST_VALVES, compared, skeleton
from testbench.procedure.valve import CertificateType, Order, Valve, WitnessPoint
from testbench.procedure.witness_points import ALLOWED, in_a_cell, points_of

ORDER = {"number": "HL-2050", "customer": "Ellery Water Board", "procedure": "waterworks-swing-check"}
VALVE = {"type": "swing-check", "size": "NPS 8", "rated": "250 psi", "seat": "metal"}
COMMON = ORDER | VALVE


@pytest.fixture(scope="module")
def make(procedures):
    """Rows to a plan, beside the shipped procedures; a text with ☃ cannot be printed here."""

    def find(name):
        if name not in procedures:
            raise ProcedureUnknownError(name, tuple(procedures)[:2])
        return procedures[name]

    def check(text):
        if "☃" in text:
            raise GlyphMissingError(text, "☃")

    def plan(*rows, common=COMMON, existing=(), **more) -> Plan:
        numbered = [Row(line, cells) for line, cells in enumerate(rows, 2)]
        return planned(numbered, common, existing=existing, find_procedure=find, check_text=check, **more)

    return plan


def said(plan: Plan) -> list[str]:
    return [cell.sentence for cell in plan.bad]


# An order ---------------------------------------------------------------------------------------


def test_rows_and_what_is_common_make_an_order(make):
    """Ranges, own heat numbers, optional tests; the valves in the order of the rows."""
    plan = make(
        {"serial": "HL-8-0001..HL-8-0003", "heat_numbers": "body F1"},
        {"serial": "HL-8-0009|HL-8-0004", "product": "SC-8"},
        common=COMMON | {"certificate_type": "3.1", "customer_order": "EWB-1"},
    )
    assert (plan.bad, plan.rows) == ((), 2)
    order = plan.order
    assert (order.number, order.customer_order, order.certificate_type) == ("HL-2050", "EWB-1", "3.1")
    assert [valve.serial[-1] for valve in order.valves] == ["1", "2", "3", "9", "4"]
    assert [valve.heat_numbers for valve in order.valves] == ["body F1"] * 3 + ["not stated"] * 2
    assert order.valves[3].product == "SC-8"
    assert order.look_alikes_accepted is None


def test_the_rows_may_say_it_all(make):
    """No option is needed."""
    rows = [COMMON | {"serial": "A"}, COMMON | {"serial": "B", "size": "DN 150"}]
    assert [str(valve.size) for valve in make(*rows, common={}).order.valves] == ["NPS 8 (DN 200)", "NPS 6 (DN 150)"]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        ("2.1", "declaration of compliance with the order 2.1"),
        ("2.2", "test report 2.2"),
        ("3.1", "inspection certificate 3.1"),
        ("3.2", "inspection certificate 3.2"),
    ],
)
def test_the_document_wanted_is_named_as_the_standard_names_it(make, number, words):
    """EN 10204:2004 (titles from memory)."""
    plan = make({"serial": "A"}, common=COMMON | {"certificate_type": number})
    assert plan.order.certificate_type is CertificateType(number)
    assert plan.order.certificate_type.in_words == words


def test_a_document_of_an_older_edition_is_refused(make):
    """3.1.B went with the edition of 2004."""
    plan = make({"serial": "A"}, common=COMMON | {"certificate_type": "3.1.B"})
    assert said(plan) == ["certificate_type: found '3.1.B'; Input should be '2.1', '2.2', '3.1' or '3.2'."]


def test_every_column_of_the_order_is_one_of_the_file():
    """The header names are those of the TOML."""
    fields = [*Order.model_fields, *Valve.model_fields]
    assert set(COLUMNS) <= set(fields)
    assert set(Valve.model_fields) <= set(COLUMNS)
    assert set(NEEDED) <= set(COLUMNS)


# What is wrong ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        ({"size": "NPS 8 (DN 150)"}, "size: found 'NPS 8 (DN 150)'; NPS 8 is DN 200, not DN 150"),
        ({"seat": "wood"}, "seat: found 'wood'; Input should be 'resilient' or 'metal'"),
        ({"pn": "16.5"}, "pn: found '16.5'; Input should be a valid integer, unable to parse string as an integer"),
        ({"cavity": "0 L"}, "cavity: found '0 L'; found 0 L, it must be above 0"),
        ({"product": "x" * 201}, f"product: found '{'x' * 59}… (201 signs); String should have at most 200 characters"),
        ({"drawing": "two\nlines"}, "drawing: found 'two\\nlines'; a cell is one line without control characters"),
        (
            {"heat_numbers": "=1+1"},
            (
                "heat_numbers: found '=1+1'; a spreadsheet would take this for a formula; "
                "nothing may begin with = + - @ or a tab"
            ),
        ),
        ({"serial": ""}, None),
        ({"seat": None}, "seat: found nothing; this is needed"),
        ({"rated": None}, ("valve: The valve's rated pressure is not stated; this procedure cannot tell it from class, "
                          "material or PN")),
        ({"type": "gate"}, ("valve: Procedure waterworks-swing-check does not apply: valve type is gate; "
                           "allowed: swing-check")),
        ({"serial": "x" * 41}, f"serial: found '{'x' * 41}'; a serial number has 1 to 40 signs"),
        ({"serial": "A1..B2"}, ("serial: found ends that differ in more than a number in 'A1..B2'; both ends differ in "
                               "their last digits only, and have as many of them")),
    ],
)  # fmt: skip
def test_a_bad_cell_is_named_with_line_column_found_and_allowed(make, cells, sentence):
    """And nothing is made, though the other row is in order."""
    row = {name: text for name, text in (VALVE | {"serial": "A"} | cells).items() if text}
    plan = make(VALVE | {"serial": "HL-1"}, row, common=ORDER)
    assert plan.order is None
    wanted = "serial: found nothing; this is needed" if sentence is None else sentence
    assert said(plan) == [f"line 3: {wanted}."]


def test_every_bad_cell_of_every_row_is_named(make):
    """Also beside a formula; two faults of a row are two lines."""
    plan = make(
        VALVE | {"serial": "A", "seat": "wood", "product": "@x"},
        VALVE | {"serial": "B"},
        VALVE | {"serial": "a", "size": "8"},
        common=ORDER,
    )
    assert said(plan) == [
        (
            "line 2: product: found '@x'; a spreadsheet would take this for a formula; "
            "nothing may begin with = + - @ or a tab."
        ),
        "line 2: seat: found 'wood'; Input should be 'resilient' or 'metal'.",
        "line 4: size: found '8'; a size is written 'NPS 8' or 'DN 200', not '8'.",
        "line 4: serial: found 'a'; 'A' stands in line 2 already, and no two valves have one serial number.",
    ]


def test_what_is_wrong_in_every_row_is_said_once(make):
    """An option, or a column that nobody gave."""
    rows = [{"serial": f"A{number}"} for number in range(50)]
    wrong = {name: text for name, text in COMMON.items() if name != "customer"} | {"size": "NPS 7", "ends": "=x"}
    plan = make(*rows, common=wrong)
    assert [(cell.line, cell.column) for cell in plan.bad] == [(0, "ends"), (0, "customer"), (0, "size")]
    bare = {name: text for name, text in COMMON.items() if name != "rated"}
    assert said(make(*rows, common=bare)) == [
        "valve: The valve's rated pressure is not stated; this procedure cannot tell it from class, material or PN."
    ]


def test_one_file_is_one_order(make):
    """A second number, customer or procedure, or one that is left out, is no second order."""
    rows = [COMMON | {"serial": f"A{n}"} for n in range(3)]
    rows[1] = rows[1] | {"number": "HL-2051"}
    rows[2] = {name: text for name, text in rows[2].items() if name != "customer"}
    assert said(make(*rows, common={})) == [
        "line 3: number: found 'HL-2051'; the rows above say 'HL-2050', and one file is one order.",
        "line 4: customer: found nothing; the rows above say 'Ellery Water Board', and one file is one order.",
        "line 4: customer: found nothing; this is needed.",
    ]


def test_a_procedure_that_is_not_there_is_named_once(make):
    """With those at hand."""
    plan = make({"serial": "A"}, {"serial": "B"}, common=COMMON | {"procedure": "house"})
    assert said(plan) == ["procedure: found 'house'; at hand are api-598-10-ductile-iron, api-598-10-gray-iron."]


def test_what_no_document_can_print_is_refused_before_it_is_tested(make):
    """A sign without a face."""
    plan = make({"serial": "A", "product": "Valve ☃"})
    assert plan.order is None
    assert said(plan)[0].startswith("line 2: product: found 'Valve ☃'; ")


def test_rows_that_could_not_be_read_spoil_the_order(make):
    """They come with the others, by line."""
    ragged = BadCell(3, "row", "2 cells", "the header has 6")
    plan = make({"serial": "A"}, {"serial": "A"}, unread=[ragged])
    assert [cell.line for cell in plan.bad] == [3, 3]
    assert make(unread=[ragged]).bad == (ragged,)


@pytest.mark.parametrize(("more", "fine"), [(0, True), (1, False)])
def test_an_order_is_bounded(make, more, fine):
    """20,000 valves, not one more; said once."""
    plan = make({"serial": "A-00001..A-20000"}, *[{"serial": "B"}] * more)
    assert (plan.order is not None) == fine
    if not fine:
        assert said(plan) == ["line 3: serial: found more than 20000 valves; an order has no more; part it."]
        assert MOST_VALVES == 20_000


# The same twice, and look-alikes ----------------------------------------------------------------


@pytest.fixture
def there(make):
    """An order on file."""
    return make({"serial": "HL-8-0119"}, common=COMMON | {"number": "HL-2041"}).order


@pytest.mark.parametrize("serial", ["HL-8-0119", "hl-8-0119", "ＨＬ-8-0119", "HL-8-0110..HL-8-0130"])
@pytest.mark.parametrize("accepted", [None, "stamped so"])
def test_a_number_of_another_order_never_comes_again(make, there, serial, accepted):
    """Whatever somebody accepts; both are named, and where."""
    plan = make({"serial": serial}, existing=[there], accepted=accepted)
    found = serial if ".." not in serial and "Ｈ" not in serial else "HL-8-0119"
    assert said(plan) == [
        (
            f"line 2: serial: found '{found}'; 'HL-8-0119' stands on order HL-2041 already, "
            "and no two valves have one serial number."
        )
    ]


def test_a_look_alike_is_a_question(make, there):
    """Refused until somebody says why it is meant; then the order keeps the reason."""
    rows = [{"serial": "HL-8-O119"}, {"serial": "HL-8-0200"}, {"serial": "HL-B-O2O0"}]
    plan = make(*rows, existing=[there])
    assert [cell.doubtful for cell in plan.bad] == [True, True]
    assert said(plan) == [
        "line 2: serial: found 'HL-8-O119'; it looks like 'HL-8-0119' on order HL-2041.",
        "line 4: serial: found 'HL-B-O2O0'; it looks like 'HL-8-0200' in line 3.",
    ]
    meant = make(*rows, existing=[there], accepted="stamped so at the foundry")
    assert [valve.serial for valve in meant.order.valves] == ["HL-8-O119", "HL-8-0200", "HL-B-O2O0"]
    assert meant.order.look_alikes_accepted == "stamped so at the foundry"


def test_an_accepted_look_alike_does_not_come_twice(make, there):
    """The second is the same, not alike."""
    plan = make({"serial": "HL-8-O119"}, {"serial": "HL-8-o119"}, existing=[there], accepted="meant")
    assert said(plan) == [
        (
            "line 3: serial: found 'HL-8-o119'; 'HL-8-O119' stands in line 2 already, "
            "and no two valves have one serial number."
        )
    ]


def test_nothing_is_accepted_that_was_not_in_doubt(make):
    """The reason is kept only where it was needed; an empty one is none."""
    assert make({"serial": "A"}, accepted="just in case").order.look_alikes_accepted is None
    plan = make({"serial": "1E5"}, accepted="")
    assert plan.order is None
    assert plan.bad[-1].sentence == "look_alikes_accepted: found ''; String should have at least 1 character."


def test_the_reason_is_one_line_that_can_be_printed(make):
    """It stands in the order, and in whatever is made of it."""
    plan = make({"serial": "1E5"}, accepted="two\nlines")
    assert said(plan) == ["look_alikes_accepted: found 'two\\nlines'; a cell is one line without control characters."]


def test_ranges_of_bad_rows_are_not_counted_out_for_ever(make):
    """Twenty thousand of them would be four hundred million numbers."""
    plan = make(*[{"serial": "A-00001..A-20000", "size": "8"}] * 3, common={**ORDER, **VALVE, "ends": "x"})
    assert plan.bad[-1].sentence == "line 3: serial: found more than 20000 valves; an order has no more; part it."


def test_a_range_that_is_wrong_at_every_number_is_wrong_once(make, there):
    """Forty lines would hide the next fault."""
    plan = make({"serial": "A01..A40"}, {"serial": "a01..a40"}, existing=[there])
    assert said(plan) == [
        (
            "line 3: serial: found 'a01'; 'A01' stands in line 2 already, and no two valves have one serial number "
            "(39 more of this range likewise)."
        )
    ]


SERIALS = st.lists(st.text("OoIl1S5B8AZ0-", min_size=1, max_size=4), min_size=1, max_size=12)


@given(SERIALS)
def test_an_order_is_made_exactly_where_no_two_numbers_look_alike(make, written):
    """Against the slow way: every pair compared. With a reason, exactly where no two are the same."""
    written = [text for text in written if not text.startswith("-")] or ["A"]
    rows = [{"serial": text} for text in written]
    pairs = [(a, b) for at, a in enumerate(written) for b in written[:at]]
    alike = any(skeleton(a) == skeleton(b) for a, b in pairs)
    same = any(compared(a) == compared(b) for a, b in pairs)
    assert (make(*rows).order is None) == alike
    assert (make(*rows, accepted="meant").order is None) == same


CELLS = st.dictionaries(
    st.sampled_from(sorted(COLUMNS)), st.text(max_size=8).filter(bool) | st.sampled_from(["metal", "NPS 8", "250 psi"])
)


@given(st.lists(CELLS, min_size=1, max_size=4))
def test_whatever_the_rows_say_it_is_an_order_or_a_sentence(make, rows):
    """No other way out; and an order holds only what the rows say."""
    plan = make(*rows, common={"type": "swing-check"})
    assert (plan.order is None) == bool(plan.bad)
    assert all(cell.sentence.endswith(".") and "\n" not in cell.sentence for cell in plan.bad)


def test_progress_is_told_row_by_row(make):
    """For a bar on a terminal."""
    heard = []
    make({"serial": "A"}, {"serial": "B"}, progress=heard.append)
    assert heard == [1, 2]


def test_order_columns_are_those_that_all_rows_share():
    """The first six."""
    shared = ["number", "customer", "customer_order", "procedure", "certificate_type", "witness_points"]
    assert list(ORDER_COLUMNS) == shared


# Witness points ---------------------------------------------------------------------------------

POINTS = "shell test; hold point; Ellery Water Board; its inspection desk; 5; 2026-11-18"
SEAT = "seat test; witness point; Ellery Water Board; its inspection desk; 0"


def test_points_of_an_order_stand_in_one_cell(make):
    """Two of them; the second without a day, because no notice was given yet."""
    order = make({"serial": "A"}, common=COMMON | {"witness_points": f"{POINTS} | {SEAT}"}).order
    first, second = order.witness_points
    assert (first.stage, first.point, first.notice_days) == ("shell test", "hold point", 5)
    assert first.notice_given_on == date(2026, 11, 18)
    assert (second.point, second.notice_days, second.notice_given_on) == ("witness point", 0, None)


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("shell test; hold point", "nothing as party in 'shell test; hold point'"),
        (POINTS.replace("hold point", "look"), f"'look' as point in '{POINTS.replace('hold point', 'look')}'"),
        (POINTS.replace("; 5;", "; 5 days;"), f"'5 days' as notice days in '{POINTS.replace('; 5;', '; 5 days;')}'"),
        (f"{POINTS}; more", f"7 parts in '{POINTS}; more'"),
        (f"{SEAT}|", "nothing as stage in ''"),
    ],
)
def test_a_point_that_cannot_be_read_is_refused(make, written, found):
    """What, and how one is written."""
    plan = make({"serial": "A"}, common=COMMON | {"witness_points": written})
    assert said(plan) == [f"witness_points: found {found}; {ALLOWED}."]


@pytest.mark.parametrize("points", [POINTS.replace("shell", "bonnet"), f"{POINTS}|{POINTS}"])
def test_a_point_names_a_stage_of_the_valve_once(make, points):
    """Found at the import, not only at the bench."""
    stage = "bonnet test" if "bonnet" in points else "shell test"
    plan = make({"serial": "A"}, common=COMMON | {"witness_points": points})
    assert said(plan) == [f"valve: a witness point names '{stage}'; stages are shell test, seat test, each once."]


@given(
    st.lists(
        st.builds(
            WitnessPoint,
            stage=st.sampled_from(["shell test", "seat test"]), point=st.sampled_from(["hold point", "witness point"]),
            party=st.sampled_from(["Ellery Water Board", "Port Ellery"]), notify=st.just("its desk"),
            notice_days=st.integers(0, 365), notice_given_on=st.none() | st.dates(),
        ),
        min_size=1,
    )
)  # fmt: skip
def test_points_go_through_a_cell_and_back(points):
    """What an export writes, an import reads."""
    assert points_of(in_a_cell(points)) == tuple(points)
