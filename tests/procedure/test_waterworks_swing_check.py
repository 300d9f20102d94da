"""What the shipped procedure demands of a valve, checked against the figures of the trade."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import ProcedureDoesNotApplyError
from testbench.procedure.criteria import LargestLeakageRate, NoVisibleLeakage
from testbench.procedure.limits import Grade
from testbench.procedure.requirements import requirements_for
from testbench.procedure.stages import Procedure, PumpDuringHold, StageName
from testbench.quantities import LeakageRate, Pressure

SHELL, SEAT = 0, 1


def test_a_valve_rated_250_psi_is_tested_at_500_and_250_psi(procedure: Procedure, valve):
    """Common practice: shell at twice the rated working pressure, seat at the rated working pressure."""
    found = requirements_for(procedure, valve(rated="250 psi"))
    assert [stage.stage for stage in found.stages] == [StageName.SHELL, StageName.SEAT]
    assert [str(stage.required) for stage in found.stages] == ["500 psi", "250 psi"]
    assert [str(stage.upper_limit) for stage in found.stages] == ["550 psi", "275 psi"]
    assert [str(stage.safe_below) for stage in found.stages] == ["5 psi", "2.5 psi"]
    assert str(found.zero_tolerance) == "2.5 psi"


def test_a_rating_in_bar_stays_in_bar(procedure: Procedure, valve):
    """A valve rated 16 bar is tested at 32 and 16 bar; nothing is converted that was ordered in bar."""
    found = requirements_for(procedure, valve(rated="16 bar"))
    assert [str(stage.required) for stage in found.stages] == ["32 bar", "16 bar"]


def test_the_stages_say_where_the_pressure_comes_from(procedure: Procedure, valve):
    """The shell is shut in with the pump isolated; the seat is loaded from the outlet while the pump makes up."""
    shell, seat = requirements_for(procedure, valve()).stages
    assert (shell.pressurized_side, shell.pump_during_hold) == ("inlet", PumpDuringHold.ISOLATED)
    assert (seat.pressurized_side, seat.pump_during_hold) == ("outlet", PumpDuringHold.MAKING_UP)
    assert seat.open_side == "inlet, open to atmosphere"
    assert shell.prepare[0] == "Read the serial number on the valve against the order."


# 1 US fl oz per hour and inch, in mL/h and mL/min: 29.5735295625 mL × NPS, worked out beside this program.
ALLOWED = [
    ("NPS 2", 50, "59.1", "0.986"), ("NPS 2.5", 65, "73.9", "1.232"), ("NPS 3", 80, "88.7", "1.479"),
    ("NPS 4", 100, "118.3", "1.972"), ("NPS 6", 150, "177.4", "2.957"), ("NPS 8", 200, "236.6", "3.943"),
    ("NPS 10", 250, "295.7", "4.929"), ("NPS 12", 300, "354.9", "5.915"), ("NPS 14", 350, "414.0", "6.900"),
    ("NPS 16", 400, "473.2", "7.886"), ("NPS 20", 500, "591.5", "9.858"), ("NPS 24", 600, "709.8", "11.829"),
]  # fmt: skip


@pytest.mark.parametrize(("size", "dn", "ml_per_h", "ml_per_min"), ALLOWED)
def test_a_metal_seat_may_leak_one_fluid_ounce_per_hour_and_inch(
    procedure: Procedure, valve, size: str, dn: int, ml_per_h: str, ml_per_min: str
):
    """The limit grows with the NPS number, and is the same whichever name of the size was ordered."""
    for name in (size, f"DN {dn}"):
        (criterion,) = requirements_for(procedure, valve(name, "metal")).stages[SEAT].criteria
        assert isinstance(criterion, LargestLeakageRate)
        assert criterion.limit.text(1, "mL/h") == f"{ml_per_h} mL/h"
        assert criterion.limit.text(3, "mL/min") == f"{ml_per_min} mL/min"
        assert str(criterion.limit) == f"{size.removeprefix('NPS ')} fl_oz/h"


def test_a_resilient_seat_may_not_leak_at_all(procedure: Procedure, valve):
    """A resilient seat is looked at; no rate is allowed and none is computed."""
    (criterion,) = requirements_for(procedure, valve(seat="resilient")).stages[SEAT].criteria
    assert isinstance(criterion, NoVisibleLeakage)
    assert criterion.look_at == ("seat, seen from the open inlet",)


@pytest.mark.parametrize("seat", ["metal", "resilient"])
def test_the_shell_is_looked_at_whatever_the_seat(procedure: Procedure, valve, seat: str):
    """No leakage through metal, joints or plugs."""
    (criterion,) = requirements_for(procedure, valve(seat=seat)).stages[SHELL].criteria
    assert isinstance(criterion, NoVisibleLeakage)
    assert criterion.look_at == ("body and cover", "cover joint", "hinge-pin plugs", "flange faces of the valve")


# Shell column of the API 598 duration table as makers reprint it: 15 s up to NPS 2, 60 s for 2½ to 6, 120 s for
# 8 to 12, 300 s from 14. That the house takes it for both stages is its own choice.
HOLDS = [
    (("2",), 15),
    (("2.5", "3", "4", "5", "6"), 60),
    (("8", "10", "12"), 120),
    (("14", "16", "18", "20", "24", "26", "28", "30", "32", "36", "40", "42", "48"), 300),
]


@pytest.mark.parametrize(("nps", "hold_s"), [(nps, hold_s) for sizes, hold_s in HOLDS for nps in sizes])
def test_the_hold_grows_with_the_size(procedure: Procedure, valve, nps: str, hold_s: int):
    """Both stages are held as long as the table says for this size."""
    assert [stage.hold_s for stage in requirements_for(procedure, valve(f"NPS {nps}")).stages] == [hold_s, hold_s]


def test_steadiness_is_asked_for_in_the_valves_own_numbers(procedure: Procedure, valve):
    """0.5 % per minute of 500 psi is 2.5 psi/min."""
    shell = requirements_for(procedure, valve()).stages[SHELL]
    assert str(shell.stabilization.largest_change_per_min) == "2.5 psi"
    assert (shell.stabilization.window_s, shell.stabilization.dwell_s) == (20, 5)
    assert (shell.stabilization.advise_after_s, shell.longest_gap_s, shell.lost_after_s) == (90, 1, 30)


def test_a_size_without_a_hold_time_is_refused_by_name(procedure: Procedure, valve):
    """Nothing is extrapolated beyond the table."""
    shell, seat = procedure.stages
    shorter = shell.model_copy(update={"hold": shell.hold[:-1]})
    with pytest.raises(ProcedureDoesNotApplyError) as refusal:
        requirements_for(procedure.model_copy(update={"stages": (shorter, seat)}), valve("NPS 14"))
    assert str(refusal.value) == (
        "Procedure waterworks-swing-check does not apply: hold time of the shell test is not given for "
        "NPS 14 (DN 350), "
        "metal seat; allowed: NPS 2; NPS 2.5/3/4/5/6; NPS 8/10/12."
    )


@pytest.mark.parametrize("rated", ["0.01 psi", "300 psi", "20 bar"])
def test_a_rating_within_the_procedure_is_taken(procedure: Procedure, valve, rated: str):
    """Up to 300 psi, the end included."""
    assert requirements_for(procedure, valve(rated=rated)).stages[SEAT].required == Pressure.parse(rated)


@pytest.mark.parametrize("rated", ["300.01 psi", "21 bar", "0 psi", "-1 psi"])
def test_a_rating_outside_the_procedure_is_refused(procedure: Procedure, valve, rated: str):
    """A rating is never clipped to what the procedure knows."""
    with pytest.raises(ProcedureDoesNotApplyError) as refusal:
        requirements_for(procedure, valve(rated=rated))
    assert str(refusal.value) == (
        f"Procedure waterworks-swing-check does not apply: rated pressure is {rated}; allowed: above 0 up to 300 psi."
    )
    assert refusal.value.remedy == "Choose the procedure that the order names, or correct the valve's data."


def test_a_procedure_for_other_valves_is_refused(procedure: Procedure, valve):
    """The procedure names the valve types it was written for."""
    other = procedure.model_copy(update={"valve_types": ()})
    with pytest.raises(ProcedureDoesNotApplyError, match="valve type is swing-check; allowed: "):
        requirements_for(other, valve())


def test_every_number_names_its_source_in_words(procedure: Procedure, valve):
    """What stands on the certificate: document, edition, clause and how sure the number is."""
    shell, seat = requirements_for(procedure, valve()).stages
    assert shell.sources[0] == "required pressure: AWWA C508 (2017), 5.2.1 [common practice]"
    assert [source.partition(":")[0] for source in shell.sources] == [
        "required pressure", "upper limit", "hold time", "steadiness and signal",
    ]  # fmt: skip
    (criterion,) = seat.criteria
    assert criterion.source == "AWWA C508 (2017) [memory: verify against your copy of the standard]"


def test_a_number_from_memory_always_says_so(procedure: Procedure):
    """Whoever relies on it is told to look into the standard."""
    remembered = [source for source in procedure.sources.values() if source.grade is Grade.MEMORY]
    assert remembered
    assert all("verify against your copy" in source.in_words for source in remembered)


SIZES = [nps for sizes, _ in HOLDS for nps in sizes]


@given(
    nps=st.sampled_from(SIZES),
    seat=st.sampled_from(["metal", "resilient"]),
    rated=st.decimals(-10, 400, places=2).map(lambda number: f"{number} psi"),
)
def test_every_valve_gets_requirements_or_a_refusal_by_name(
    procedure: Procedure, valve, nps: str, seat: str, rated: str
):
    """No size, seat or rating falls between: each stage has a hold, limits in order, a criterion and its sources."""
    ordered = valve(f"NPS {nps}", seat, rated)
    if not Pressure.zero("psi") < ordered.rated <= Pressure.of(300, "psi"):
        with pytest.raises(ProcedureDoesNotApplyError, match=f"rated pressure is {ordered.rated}; "):
            requirements_for(procedure, ordered)
        return
    found = requirements_for(procedure, ordered)
    for stage in found.stages:
        assert Pressure.zero("psi") < stage.safe_below < stage.required < stage.upper_limit
        assert stage.hold_s > 0
        assert stage.criteria
        for criterion in stage.criteria:
            assert criterion.source
            if isinstance(criterion, LargestLeakageRate):
                assert criterion.limit > LeakageRate.zero("mL/h")
