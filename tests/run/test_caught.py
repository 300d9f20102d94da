"""Several collections of one hold: whether they agree, and what they amount to together."""

import math
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.decision_rule import Conformity, DecisionRule
from testbench.procedure.criteria import Counted
from testbench.quantities import LeakageRate, Volume
from testbench.run.caught import Together, deciding, together, weigh
from testbench.run.leakage import caught_in_words
from testbench.run.observations import Collection
from testbench.run.samples import TICKS_PER_S
from tests.run.conftest import Shop

CRITERION = Shop().seat_test().stage.collected
"""4 US fl oz/h; U of a time is 1 s."""
ML_PER_S = 4 * 29.5735295625 / 3600
U_ML = 0.1


def caught(*collections: tuple[str, int]) -> list:
    """Volumes [mL] and times [s], one collection after the other."""
    found, at = [], 0
    for ml, seconds in collections:
        since, at = at, at + seconds * TICKS_PER_S
        volume, u = Volume.of(ml, "mL"), Volume.of("0.1", "mL")
        found.append(Collection(since=since, until=at, volume=volume, volume_uncertainty=u))
    return [weigh(one, CRITERION, DecisionRule.GUARDED) for one in found]


def judged(*collections: tuple[str, int]) -> Together:
    return deciding(caught(*collections), CRITERION, DecisionRule.GUARDED)


def rate_and_u(ml: float, seconds: float) -> tuple[float, float]:
    """Rate and U [mL/s] of one collection, as GUM has it for Q = V/t."""
    return ml / seconds, math.hypot(U_ML / seconds, ml / seconds / seconds)


AGREE = (
    "1.3 mL in 40.0 s and 2.3653 mL in 80.0 s, together 3.6653 mL in 120.0 s, is 3.72 fl_oz/h with "
    "U = 0.21 fl_oz/h; 4 fl_oz/h is allowed: within the limit."
)
CONTRADICT = (
    "1.3 mL in 40.0 s is 3.96 fl_oz/h with U = 0.32 fl_oz/h but 2.3652 mL in 80.0 s is 3.60 fl_oz/h with "
    "U = 0.16 fl_oz/h: they contradict each other, 0.3573 fl_oz/h apart where 0.3572 fl_oz/h is allowed. "
    "Find out what changed, then repeat the stage."
)


@pytest.mark.parametrize(
    ("volume", "agrees", "said"),
    [
        # 1.3 mL in 40 s: 0.0325 mL/s with U = 0.0026; the other's U is 0.0013, the root 0.0029: from 0.029566 mL/s on.
        ("2.3653", True, AGREE),
        ("2.3652", False, CONTRADICT),
    ],
)
def test_two_collections_agree_up_to_the_root_of_the_sum_of_the_squares(volume: str, agrees: bool, said: str):
    """|Q1 - Q2| <= sqrt(U1^2 + U2^2), that is |En| <= 1 (En score of ISO 13528, from memory)."""
    found = judged(("1.3", 40), (volume, 80))
    (first, u1), (second, u2) = rate_and_u(1.3, 40), rate_and_u(float(volume), 80)
    assert (abs(first - second) <= math.hypot(u1, u2)) is agrees
    assert (found.contradicting is None) is agrees
    assert found.conformity is (Conformity.CONFORMS if agrees else Conformity.WITHIN_GUARD_BAND)
    assert caught_in_words(found) == said


def test_u_of_the_sum_is_that_of_one_scale_read_twice():
    """3.4 mL in 111 s: the two readings may be wrong the same way, the two times are independent (GUM 5.2.2)."""
    found = judged(("1.55", 50), ("1.85", 61)).decision
    u = math.hypot(0.2 / 111, 3.4 / 111 * math.sqrt(2) / 111)
    assert found.measured.exact * 10**6 == pytest.approx(3.4 / 111)
    assert float(found.expanded_uncertainty.exact) * 1e6 == pytest.approx(u)


def test_a_contradiction_among_three_is_told_with_the_third():
    """The first two that contradict each other decide that nothing is decided."""
    found = caught(("1.5", 50), ("1.55", 50), ("0.5", 50))
    together_ = deciding(found, CRITERION, DecisionRule.GUARDED)
    assert caught_in_words(together_, [one.collection for one in found]).endswith(
        "then repeat the stage. Collected beside that: 1.55 mL in 50.0 s."
    )


DROPS = Counted(what="drops", per_ml="16", convention="16 drops are 1 mL")
COUNTED = CRITERION.model_copy(update={"limit": LeakageRate.of(1, "mL/min"), "counted": DROPS})


AS_ONE = (
    "15 drops in 60.0 s and 15 drops in 60.0 s, together 30 drops in 120.0 s, is 15.00 drops/min with "
    "U = 1.02 drops/min; 16.00 drops/min is allowed: too near the limit to tell; collect for at least 62 s more."
)
APART = (
    "15 drops in 60.0 s is 15.00 drops/min with U = 1.03 drops/min but 4 drops in 60.0 s is 4.00 drops/min "
    "with U = 1.00 drops/min: they contradict each other, 11.00 drops/min apart where 1.44 drops/min is "
    "allowed. Find out what changed, then repeat the stage."
)


@pytest.mark.parametrize(("second", "said"), [(15, AS_ONE), (4, APART)])
def test_what_is_counted_is_told_as_counted(second: int, said: str):
    """16 drops a minute are allowed; one drop is how well a count is known."""
    found = []
    for number, drops in enumerate((15, second)):
        since, volume = number * 10**6, DROPS.volume(drops)
        until, u = since + 60 * TICKS_PER_S, DROPS.volume(1)
        one = Collection(since=since, until=until, volume=volume, volume_uncertainty=u, drops=drops, drops_per_ml="16")
        found.append(weigh(one, COUNTED, DecisionRule.GUARDED))
    assert caught_in_words(deciding(found, COUNTED, DecisionRule.GUARDED)) == said


def test_a_rejection_is_not_collected_away():
    """1.8 mL in 50 s are 4.38 with U = 0.26; neither one nor two that pass afterwards mend it."""
    for after in ([("0.3", 50)], [("0.3", 50), ("0.3", 500)], [("1.7", 50), ("16", 500)]):
        assert judged(("1.8", 50), *after).conformity is Conformity.DOES_NOT_CONFORM


COLLECTIONS = st.lists(
    st.tuples(st.decimals("0", "4", places=2).map(str), st.integers(30, 900)), min_size=1, max_size=4
)


@given(collections=COLLECTIONS)
def test_what_contradicts_is_never_accepted(collections):
    """Whatever is collected, and in whatever order: two rates that cannot both be right accept nothing."""
    rates = [rate_and_u(float(ml), seconds) for ml, seconds in collections]
    apart = any(abs(q1 - q2) > math.hypot(u1, u2) * 1.000001 for (q1, u1), (q2, u2) in combinations(rates, 2))
    found = judged(*collections)
    if apart:
        assert found.conformity is not Conformity.CONFORMS
    if found.conformity is Conformity.CONFORMS:
        ml, seconds = sum(float(ml) for ml, _ in collections), sum(seconds for _, seconds in collections)
        u = math.hypot(len(collections) * U_ML / seconds, ml / seconds * math.sqrt(len(collections)) / seconds)
        assert ml / seconds + u <= ML_PER_S * 1.000001


@given(collections=COLLECTIONS)
def test_a_rejection_stays_whatever_follows(collections):
    """Once shown to be exceeded, the limit is exceeded."""
    rejected = [
        judged(*collections[:number]).conformity is Conformity.DOES_NOT_CONFORM
        for number in range(1, len(collections) + 1)
    ]
    assert all(after or not before for before, after in pairwise(rejected))


@given(collections=COLLECTIONS)
def test_the_order_does_not_make_them_agree(collections):
    """Who contradicts whom does not depend on who came first."""
    both = [
        together(caught(*way), CRITERION, DecisionRule.GUARDED).contradicting is None
        for way in (collections, collections[::-1])
    ]
    assert both[0] is both[1]


@given(ml=st.decimals("1.3", "1.95", places=2), number=st.integers(1, 2))
def test_as_much_as_is_advised_decides(ml, number):
    """At the rate that was found; what takes more than an hour is not advised."""
    alike = [(str(ml), 50)] * number
    found = judged(*alike)
    if found.conformity is not Conformity.WITHIN_GUARD_BAND or found.collect_more_s is None:
        return
    more = (str(ml * found.collect_more_s / 50), found.collect_more_s)
    assert judged(*alike, more).conformity is not Conformity.WITHIN_GUARD_BAND
