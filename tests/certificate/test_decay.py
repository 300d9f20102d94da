"""What a page says of a pressure decay: briefly, and never against the verdict."""

from types import SimpleNamespace
from typing import Any

import pytest

from testbench.certificate.data import layout
from testbench.certificate.languages import words
from testbench.certificate.page import draw
from testbench.procedure.requirements import requirements_for
from testbench.run.record import canonical, sha256
from tests.certificate.test_content import content, line
from tests.house_with_decay import house
from tests.run.conftest import Shop
from tests.run.decaying import BLANKS, body


def run_by_decay(ml_h: float, psi: float = 274.9) -> SimpleNamespace:
    """A closed run of one seat test that the decay decided."""
    shop = Shop()
    attempt = body(shop).whole_hold(ml_h, psi).let_off()
    valve = shop.valve("NPS 12")
    facts: dict[str, Any] = {
        "valve": valve, "requirements": requirements_for(house(), valve), "blanks": BLANKS,
    }  # fmt: skip
    record = shop.run(attempt.judged(), **facts)
    return SimpleNamespace(record=record, sha256=sha256(canonical(record)), traces=(attempt.trace(),))


def test_the_monitor_is_one_sentence_in_the_conditions_of_a_stage(bench: SimpleNamespace, accepted: Any) -> None:
    """The shell test is closed in; at the seat test the pump makes up, and nothing is said."""
    shell, seat = content(bench, accepted).stages
    assert "Decay, as a monitor: " in shell.conditions
    assert shell.conditions.endswith(" psi/min (95 %).")
    assert "decay" not in seat.conditions


def test_a_verdict_by_decay_says_how_and_on_which_word(bench: SimpleNamespace) -> None:
    """Slope, C, Q with U; the limit in its line, and the gate under it."""
    found = content(bench, run_by_decay(30))
    assert found.stages[0].conditions.endswith(
        "Decay, as a monitor: −5.4001 ± 0.0057 psi/min (95 %); C = 0.100 mL/psi; "
        "Q = 30.0 mL/h, U = 3.1 mL/h, drift taken off."
    )
    rate = line(found, 0, "Leakage rate, by pressure decay")
    assert (rate.required, rate.met_at, rate.measured, rate.uncertainty) == ("≤ 120.0", "≤ 116.9", "30.0", "3.1")
    assert (rate.judged, rate.risk) == ("met", "< 0.01 %")
    assert rate.detail.startswith("Pressure decay can decide 120 mL/h on this bench in 3 s; C dominates")


def test_a_rejection_by_decay_names_value_and_limit(bench: SimpleNamespace) -> None:
    """Far above."""
    found = content(bench, run_by_decay(134.5))
    assert found.reasons == ("Seat test: leakage rate 135 mL/h (U = 14 mL/h); at most 120 mL/h is allowed.",)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_can_be_printed(bench: SimpleNamespace, paper: str) -> None:
    """One stage, one page."""
    from io import BytesIO

    from pypdf import PdfReader

    pages = PdfReader(BytesIO(draw(content(bench, run_by_decay(30)), layout(), words(), paper))).pages
    assert len(pages) == 1
    assert "by pressure decay" in pages[0].extract_text()
