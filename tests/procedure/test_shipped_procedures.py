"""Every shipped procedure over every valve: requirements or a refusal by name, and a source for every number."""

from collections import defaultdict
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import BenchError
from testbench.procedure.adoption import numbers_of
from testbench.procedure.criteria import LargestLeakageRate, NoVisibleLeakage, StemWeep
from testbench.procedure.limits import Grade
from testbench.procedure.requirements import Requirements, requirements_for
from testbench.procedure.stages import Procedure, StageName
from testbench.procedure.valve import Material, SeatPairing, Valve, ValveType
from testbench.quantities import LeakageRate, Pressure

SHIPPED = Path(__file__).parents[2] / "procedures"
IDS = [file.stem for file in sorted(SHIPPED.glob("*.toml"))]
SIZES = [
    "2", "2.5", "3", "4", "5", "6", "8", "10", "12", "14", "16", "18", "20", "24", "26", "28", "30", "32", "36", "40",
    "42", "48",
]  # fmt: skip
DESIGNATIONS: list[dict[str, object]] = [
    {},
    *({"rated": rated} for rated in ("250 psi", "16 bar", "1 psi", "0 psi", "-5 bar", "6170 psi")),
    *({"pressure_class": number} for number in (125, 150, 250, 300, 600, 800, 900, 1500, 2500)),
    *({"pn": number} for number in (6, 10, 16, 25, 40, 63, 100)),
    {"pressure_class": 150, "pn": 16},
    {"pressure_class": 150, "rated": "16 bar"},
]
RATES = [None, "A", "AA", "B", "C", "CC", "D", "E", "EE", "F", "G"]
OUTSIDE_A_SEAT = (StageName.SHELL, StageName.BACKSEAT)


def ask(procedure: Procedure, facts: dict[str, object]) -> Requirements | BenchError:
    """The requirements with every test that is left to the order, or the refusal."""
    try:
        asked = requirements_for(procedure, Valve.model_validate(facts))
        return requirements_for(procedure, Valve.model_validate(facts | {"optional_tests": asked.left_out}))
    except BenchError as refusal:
        return refusal


def check(procedure: Procedure, valve: dict[str, object], found: Requirements | BenchError) -> None:
    """Requirements are whole; a refusal says what and what to do."""
    if isinstance(found, BenchError):
        assert str(found).endswith(".")
        assert found.remedy
        return
    names = [stage.stage for stage in found.stages]
    assert len(set(names)) == len(names), (procedure.id, valve)
    assert StageName.SEAT in names
    if {rule.stage for rule in procedure.stages} & {StageName.SHELL}:
        assert StageName.SHELL in names
    for stage in found.stages:
        assert Pressure.zero("psi") < stage.safe_below < stage.required < stage.upper_limit
        assert stage.hold_s > 0
        assert stage.sources
        assert all(criterion.source for criterion in stage.criteria)
        deciding = [criterion for criterion in stage.criteria if not isinstance(criterion, StemWeep)]
        assert len(deciding) == 1, (procedure.id, valve, stage.stage)
        if isinstance(deciding[0], LargestLeakageRate):
            assert stage.stage not in OUTSIDE_A_SEAT
            assert deciding[0].limit > LeakageRate.zero("mL/h")
        if stage.fluid == "gas":
            assert any("Gas stores energy" in step for step in stage.prepare)
            assert any("prove zero" in step for step in stage.prepare)


def usual(procedure: Procedure, **facts: object) -> dict[str, object]:
    """A valve as the procedure expects one; a test says what differs."""
    return {
        "serial": "1", "type": procedure.valve_types[0], "size": "NPS 8", "seat": procedure.seats[0],
        "material": procedure.materials[0] if procedure.materials else None,
        "pressure_class": procedure.classes[0] if procedure.classes else None,
        "rated": None if procedure.classes else "16 bar",
        "leak_rate": procedure.leak_rates[0] if procedure.leak_rates else None,
    } | facts  # fmt: skip


@pytest.mark.parametrize("name", IDS)
def test_every_type_size_seat_and_rate_gets_requirements_or_a_refusal_by_name(procedures, name: str):
    """Never a crash, never a silent default; rates go round along the sizes."""
    procedure, answered = procedures[name], 0
    for number, (nps, kind, seat) in enumerate(product(SIZES, ValveType, SeatPairing)):
        rate = {"leak_rate": RATES[number % len(RATES)]} if procedure.leak_rates else {}
        valve = usual(procedure, size=f"NPS {nps}", type=kind, seat=seat, **rate)
        found = ask(procedure, valve)
        check(procedure, valve, found)
        answered += isinstance(found, Requirements)
    assert answered >= 15  # the walk does not refuse everything


@pytest.mark.parametrize("name", IDS)
def test_every_designation_and_material_gets_requirements_or_a_refusal_by_name(procedures, name: str):
    """Rating, class, PN, more than one of them or none, with every material or none."""
    procedure, answered = procedures[name], 0
    bare = usual(procedure) | {"rated": None, "pressure_class": None}
    for kind, designation, material in product(
        {procedure.valve_types[0], procedure.valve_types[-1]}, DESIGNATIONS, (None, *Material)
    ):
        valve = bare | {"type": kind, "material": material} | designation
        found = ask(procedure, valve)
        check(procedure, valve, found)
        answered += isinstance(found, Requirements)
    assert answered


@given(
    name=st.sampled_from(IDS),
    nps=st.sampled_from(SIZES),
    kind=st.sampled_from(ValveType),
    seat=st.sampled_from(SeatPairing),
    designation=st.sampled_from(DESIGNATIONS),
    material=st.sampled_from((None, *Material)),
    rate=st.sampled_from(RATES),
    optional=st.lists(st.sampled_from([*StageName, "soap test"]), max_size=3, unique=True),
)
def test_a_test_that_the_order_asks_for_is_demanded_or_refused(
    procedures, name, nps, kind, seat, designation, material, rate, optional
):
    """No test that the order names is left out in silence, and none that the procedure requires."""
    procedure = procedures[name]
    facts = {"serial": "1", "type": kind, "size": f"NPS {nps}", "seat": seat, "material": material, "leak_rate": rate}
    facts |= designation | {"optional_tests": optional}
    try:
        found = requirements_for(procedure, Valve.model_validate(facts))
    except BenchError:
        return
    names = {stage.stage for stage in found.stages}
    assert set(optional) <= names
    assert not names & set(found.left_out)
    assert Requirements.model_validate(found.model_dump(mode="json")) == found


@pytest.mark.parametrize("name", IDS)
def test_a_larger_valve_never_gets_less_time_or_a_smaller_limit(procedures, name: str):
    """Along the sizes hold times and limits only grow; a slip in a table shows here."""
    procedure = procedures[name]
    seen: dict[tuple[object, ...], list[tuple[int, LeakageRate | None]]] = defaultdict(list)
    rates = procedure.leak_rates or (None,)
    for kind, seat, rate, nps in product(procedure.valve_types[::3], procedure.seats, rates, SIZES):
        valve = usual(procedure, type=kind, size=f"NPS {nps}", seat=seat, leak_rate=rate)
        found = ask(procedure, valve)
        for stage in found.stages if isinstance(found, Requirements) else ():
            (criterion,) = (c for c in stage.criteria if not isinstance(c, StemWeep))
            limit = criterion.limit if isinstance(criterion, LargestLeakageRate) else None
            seen[kind, seat, rate, stage.stage].append((stage.hold_s, limit))
    assert seen
    for key, along in seen.items():
        holds = [hold for hold, _ in along]
        limits = [limit for _, limit in along if limit is not None]
        assert holds == sorted(holds), key
        assert limits == sorted(limits), key


@pytest.mark.parametrize("name", IDS)
def test_every_number_has_a_source_that_says_how_sure_it_is(procedures, name: str):
    """Each source is used; what is derived shows its working, what is remembered says to verify it."""
    procedure = procedures[name]
    numbers = numbers_of(procedure)
    assert {number.source for number in numbers} == set(procedure.sources)
    for number in numbers:
        assert number.number or number.place == "pn_rating", number.place
        assert number.in_words == procedure.sources[number.source].in_words
    for key, source in procedure.sources.items():
        assert source.note, key
        if source.grade is Grade.MEMORY:
            assert "verify against your copy of the standard" in source.in_words
        if source.grade is Grade.DERIVED:
            assert "=" in source.note, key
        if source.grade is Grade.PUBLISHED:
            assert "een in" in source.note or "een for" in source.note, key  # what kind of source, in plain words


@pytest.mark.parametrize("name", IDS)
def test_every_file_explains_itself(name: str):
    """It begins with what it is for; its words are for people."""
    text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    assert text.startswith("# ")
    assert "standards.md" not in text


@pytest.mark.parametrize("name", IDS)
def test_a_check_valve_is_loaded_from_the_outlet(procedures, name: str):
    """From the inlet the disc opens: a seat test from there would mean nothing."""
    for rule in procedures[name].stages:
        kinds = set(rule.types or procedures[name].valve_types)
        if kinds & {ValveType.SWING_CHECK, ValveType.CHECK} and rule.stage not in OUTSIDE_A_SEAT:
            assert rule.pressurized_side == "outlet"
            assert kinds <= {ValveType.SWING_CHECK, ValveType.CHECK}


@pytest.mark.parametrize(
    ("name", "facts", "rule"),
    [
        ("mss-sp-61", {"material": "steel", "pressure_class": 150}, "allowed if tight at the rating"),
        ("asme-b16-34", {"material": "steel", "pressure_class": 150}, "allowed if tight at the rating"),
        ("en-12266-1-2012", {"pn": 16, "leak_rate": "A"}, "allowed if tight at the rating"),
        ("api-598-10-steel", {"material": "steel", "pressure_class": 150}, "not allowed"),
        ("iso-5208-2015", {"pn": 16, "leak_rate": "A"}, "not allowed"),
        ("waterworks-gate-resilient", {"rated": "250 psi", "seat": "resilient"}, "not allowed"),
    ],
)
def test_each_standard_has_its_own_rule_for_a_weep_at_the_stem(demanded, name: str, facts, rule: str):
    """SP-61 and B16.34: if the seal holds the rating (B); EN 12266-1: if tight at 1.1 × (B); API 598: none (B)."""
    shell = demanded(name, "shell test", "NPS 4", type="gate", **facts)
    visual, weep = shell.criteria
    assert isinstance(visual, NoVisibleLeakage)
    assert isinstance(weep, StemWeep)
    assert weep.rule == rule
    if name.startswith("en-"):
        assert "1.1 times the allowable pressure" in weep.look_at[0]


@pytest.mark.parametrize("stage", ["shell test", "seat test"])
def test_a_gauge_suits_between_one_and_a_half_and_four_times_the_test_pressure(demanded, stage: str):
    """ASME VIII-1 UG-102, for dial gauges (A)."""
    found = demanded("waterworks-swing-check", stage, "NPS 8", rated="250 psi")
    assert (found.gauge_range.least, found.gauge_range.most) == (found.required * 1.5, found.required * 4)
    assert "UG-102" in found.gauge_range.source
