"""Scenes of a test as the recorder would tell them, frozen: no clock, no chance.

The picture of the holding screen in ``reports/samples/screen.png`` is drawn from them:

    python tests/tui/tui_scenes.py reports/samples/screen.png

It takes Textual's own SVG of the screen and turns it into a PNG with headless Chromium and DejaVu Sans Mono.
"""

import asyncio
import math
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from testbench.metrology.decision_rule import Conformity
from testbench.quantities import Pressure
from testbench.run.machine import Phase
from testbench.run.record import CriterionFinding, Finding, Origin, Verdict
from testbench.station import messages as m
from testbench.tui.app import OperatorApp


class FakeLink:
    """A recorder's other end: what the screen sends is kept, what it receives is put in by hand."""

    def __init__(self, *updates):
        self.inbox = list(updates)
        self.sent = []
        self.connected = True
        self.closed = False

    def send(self, request):
        self.sent.append(request)

    def receive(self):
        came, self.inbox = self.inbox, []
        return came

    def close(self):
        self.closed = True

    @property
    def asked(self):
        """What was sent beside the attaching."""
        return [request for request in self.sent if not isinstance(request, m.Attach)]


class Hand:
    """Seconds moved by hand."""

    def __init__(self, now=100.0):
        self.now = now

    def __call__(self):
        return self.now


def app_with(link, hand):
    return OperatorApp(link, hand, ticking=False)


# Parts -------------------------------------------------------------------------------------------

LOOK_AT = ("body and cover", "cover joint", "hinge-pin plugs", "flange faces of the valve")
VISUAL = m.CriterionAsked(
    index=0, kind="no-visible-leakage", words=f"No visible leakage: {', '.join(LOOK_AT)}", look_at=LOOK_AT, limit="none"
)
COLLECTED = m.CriterionAsked(
    index=0,
    kind="largest-leakage-rate",
    words="At most 177.4 mL/h collected at the open inlet",
    limit="177.4 mL/h",
)
STORED_ENERGY = "Pressure stores energy: stand clear of blanks, hoses and the line of the bolts."
NO_TIGHTENING = "Never tighten anything under pressure."
LOCKED = "Pressure can stay locked behind the closed disc: vent both sides before you open anything."
NOT_RELEASED = "Pressure was not seen released: treat the valve as under pressure."
RELEASE_FIRST = "Release the pressure before you touch bolts, blanks or hoses."

OBSERVE = m.ActionOffered(request="observe", label="Say what was seen")
VENT_AGAIN = m.ActionOffered(request="vent_again", label="Vent again")
STOP = m.ActionOffered(request="stop", label="Stop")
START_RUN = m.ActionOffered(request="start_run", label="Start the run")
START_STAGE = m.ActionOffered(request="start_stage", label="Start the seat test")
END_RUN = m.ActionOffered(request="end_run", label="Close the run")


def signal(pressure=507.34, **changes):
    facts = {"state": "good", "age_s": 0.08, "pressure": pressure, "unit": "psi", "decimals": 2}
    return m.Signal(**(facts | changes))


def run_view(**changes):
    facts = {
        "run": "B1-2026-0007",
        "order": "HL-2041",
        "customer": "Ellery Water Board",
        "serial": "HL-4-0117",
        "valve": "swing-check NPS 4 (DN 100), 250 psi, metal seat",
        "operator": "Mara Quill",
        "procedure": "AWWA C508 2017, waterworks-swing-check",
        "origin": Origin.SIMULATED,
        "stages": (
            m.StageLine(stage="shell test", state="under way"),
            m.StageLine(stage="seat test", state="to do"),
        ),
        "open": True,
    }
    return m.RunView(**(facts | changes))


def stage_view(**changes):
    facts = {
        "stage": "shell test",
        "attempt": 1,
        "phase": Phase.HOLDING,
        "phase_s": 23.2,
        "required": 500.0,
        "acceptance_limit": 501.0,
        "upper_limit": 550.0,
        "safe_below": 5.0,
        "hold_s": 60,
        "hold_left_s": 36.8,
        "change_limit_per_min": 2.5,
        "change_per_min": -0.42,
        "change_bound_per_min": 0.63,
        "lowest_in_hold": 507.21,
        "pressurized_side": "inlet",
        "pump_during_hold": "isolated",
        "criteria": (VISUAL,),
    }
    return m.StageView(**(facts | changes))


def update(**changes):
    facts = {
        "sequence": 812,
        "bench": "B1",
        "utc": "2026-11-25T13:07:42.310Z",
        "at_s": 214.0,
        "origin": Origin.SIMULATED,
        "signal": signal(),
        "run": run_view(),
        "stage": stage_view(),
        "instruction": "Look at body and cover, cover joint, hinge-pin plugs, flange faces of the valve. "
        "Report leakage at once.",
        "cautions": (STORED_ENERGY, NO_TIGHTENING),
        "actions": (OBSERVE, VENT_AGAIN, STOP),
        "operators": ("Mara Quill", "Tobin Ashe"),
        "trace": trace(),
        "trace_complete": True,
        "notices": (m.Notice(at_s=190.8, utc="", sentence="Steady; the hold of 60 s begins."),),
    }
    return m.Update(**(facts | changes))


def trace(until=214.0):
    """Raised from 0 in 40 s, overshot, settled; ten points a second."""
    points = []
    for tick in range(1400, int(until * 10)):
        at = tick / 10
        raised = 508.4 * min(1.0, (at - 140) / 30) if at < 170 else 507.2 + 1.2 * math.exp(-(at - 170) / 15)
        points.append((at, round(raised + 0.06 * math.sin(tick * 1.7) * math.cos(tick * 0.31), 2)))
    return tuple(points)


ORDERS = (
    m.OrderLine(
        order="HL-2041",
        customer="Ellery Water Board",
        valves=(
            m.ValveLine(serial="HL-4-0117", valve="swing-check NPS 4 (DN 100), 250 psi, metal seat", state="accepted"),
            m.ValveLine(serial="HL-6-0118", valve="swing-check NPS 6 (DN 150), 250 psi, metal seat", state="to do"),
            m.ValveLine(serial="HL-8-0119", valve="swing-check NPS 8 (DN 200), 250 psi, resilient seat", state="to do"),
        ),
    ),
)

# Scenes ------------------------------------------------------------------------------------------


def choosing():
    return update(
        run=None,
        stage=None,
        signal=signal(0.03),
        orders=ORDERS,
        actions=(START_RUN,),
        instruction="Mount the next valve with its vent open, then choose it.",
        cautions=(),
        trace=(),
        notices=(),
    )


def filling():
    return update(
        signal=signal(0.21),
        stage=stage_view(phase=Phase.FILLING, phase_s=12.0, hold_left_s=None, lowest_in_hold=None,
                         change_per_min=None, change_bound_per_min=None),
        instruction="Read the serial number on the valve against the order. Connect the inlet, blank the outlet, open "
        "the vent at the highest point. Fill slowly until water runs without bubbles; move the disc to free air "
        "under it. Close the vent and dry the outside.",
        cautions=(
            "Trapped air bursts: vent until no bubble comes.",
            "The recorder only advises. Local codes and the works' safety rules prevail.",
        ),
        actions=(m.ActionOffered(request="vent_closed", label="Filled and vented"), STOP),
        trace=(),
        notices=(m.Notice(at_s=0.0, utc="", sentence="Zero checked: 0.03 psi at atmosphere."),),
    )  # fmt: skip


def pressurizing():
    return update(
        signal=signal(318.77),
        at_s=158.8,
        stage=stage_view(phase=Phase.PRESSURIZING, phase_s=19.0, hold_left_s=None, lowest_in_hold=None),
        instruction="Raise the pressure at the inlet slowly to a little above 501.0 psi. Never above 550 psi.",
        actions=(OBSERVE, VENT_AGAIN, STOP),
        trace=trace(158.8),
    )


def stabilizing():
    return update(
        at_s=186.0,
        signal=signal(507.62),
        stage=stage_view(phase=Phase.STABILIZING, phase_s=16.0, hold_left_s=None, lowest_in_hold=None,
                         change_per_min=-2.6, change_bound_per_min=3.11),
        instruction="Close the pump's isolating valve. Then wait until the pressure is steady.",
        trace=trace(186.0),
    )  # fmt: skip


def holding():
    return update()


def unread(remedy, **changes):
    """Nothing usable is read of the deciding channel in a stage."""
    return update(
        signal=signal(None, **changes),
        instruction="The pressure is not known: treat the valve as under pressure. Stop pumping and look at the "
        f"bench's own gauge. {remedy} If no reading comes back, release the pressure slowly.",
        cautions=(STORED_ENERGY, NO_TIGHTENING, RELEASE_FIRST),
    )


def stale():
    return unread(
        "Check the cable, the supply and the address of this transmitter.",
        state="stale", age_s=1.4, sentence="No reading: nothing came from PT-101.",
    )  # fmt: skip


def lost():
    return unread(
        "Plug the adapter in, or correct 'port' in bench.toml.",
        state="lost", age_s=6.2, sentence="The port is away. Check the cable of the transmitter.",
    )  # fmt: skip


def lost_stage():
    """The stage ended with the signal; nobody saw the pressure released."""
    return update(
        signal=signal(None, state="lost", age_s=36.0, sentence="The port is away. Check the cable of the transmitter."),
        at_s=262.0,
        run=run_view(
            stages=(
                m.StageLine(stage="shell test", state="void",
                            sentence="lost: No reading for 30 s, at most 30 s is allowed: the port went away."),
                m.StageLine(stage="seat test", state="to do"),
            )
        ),
        stage=stage_view(phase=Phase.CLOSED, hold_left_s=None, ended="lost",
                         reason="No reading for 30 s, at most 30 s is allowed: the port went away."),
        instruction=f"{NOT_RELEASED} Release it slowly and look at the bench's own gauge before anything else. "
        "Next: the shell test again (attempt 2). Start it when the valve is mounted.",
        cautions=(NOT_RELEASED, RELEASE_FIRST, LOCKED),
        actions=(m.ActionOffered(request="start_stage", label="Start the shell test"), END_RUN),
    )  # fmt: skip


def observing():
    return update(
        at_s=252.0,
        stage=stage_view(phase=Phase.OBSERVING, phase_s=1.2, hold_left_s=None),
        instruction=f"Look at {', '.join(LOOK_AT)}. Was there leakage? Say what you saw.",
        actions=(OBSERVE, STOP),
        trace=trace(252.0),
        notices=(m.Notice(at_s=250.8, utc="", sentence="The hold of 60 s is complete."),),
    )


def collecting():
    return update(
        signal=signal(262.11),
        run=run_view(serial="HL-6-0118", valve="swing-check NPS 6 (DN 150), 250 psi, metal seat"),
        stage=stage_view(stage="seat test", required=250.0, acceptance_limit=251.0, upper_limit=275.0, safe_below=2.5,
                         criteria=(COLLECTED,), collecting_s=18.0, collect_left_s=42.0, lowest_in_hold=261.9),
        instruction="Collecting. Leave the vessel where it is until the time is up.",
        actions=(VENT_AGAIN, STOP),
        trace=tuple((at, round(p - 245.2, 2)) for at, p in trace()),
    )  # fmt: skip


def volume_owed():
    return collecting().model_copy(
        update={
            "actions": (m.ActionOffered(request="collected", label="Enter the volume"), STOP),
            "instruction": "Read the vessel and enter the volume.",
        }
    )


def undecided():
    """What was caught tells nothing; the hold can be extended."""
    return collecting().model_copy(
        update={
            "actions": (
                m.ActionOffered(request="extend", label="Extend, collect again"),
                m.ActionOffered(request="leave_undecided", label="Leave it undecided"),
                STOP,
            ),
            "instruction": "Too near the limit to tell; collect for at least 57 s. "
            "Extend the hold, or leave it undecided.",
        }
    )


def bleeding():
    """C is measured: the first volume was drawn off and read, the second is asked for."""
    return update(
        signal=signal(496.02),
        stage=stage_view(phase=Phase.BLEEDING, hold_left_s=None, lowest_in_hold=None, drawn_off=1, change_per_min=None),
        instruction="Draw off 1 mL at the burette, close it, wait, then say so. 2 of 3.",
        cautions=("Open only a metering valve made for this pressure. Stand clear of its outlet.",
                  STORED_ENERGY, NO_TIGHTENING),
        actions=(m.ActionOffered(request="drawn_off", label="Drawn off, closed"),
                 m.ActionOffered(request="leave_c", label="Leave C"), VENT_AGAIN, STOP),
        notices=(m.Notice(at_s=210.0, utc="", sentence="1 mL cost 11.30 psi, 1 of 3."),),
    )  # fmt: skip


def depressurizing():
    return update(
        signal=signal(143.2),
        at_s=262.0,
        stage=stage_view(phase=Phase.DEPRESSURIZING, phase_s=6.0, hold_left_s=None),
        instruction="Open the release valve slowly, down to below 5 psi.",
        cautions=(RELEASE_FIRST, LOCKED),
        actions=(),
        trace=(*trace(256.0), *((256 + t / 10, round(507 - 6.1 * t, 2)) for t in range(60))),
    )


def found(criterion, conformity, sentence):
    return CriterionFinding(
        criterion=criterion,
        required="",
        measured="",
        limit="",
        uncertainty="",
        conformity=conformity,
        sentence=sentence,
    )


def rejected():
    """The seat test of the second valve leaked too much; pressure is released."""
    finding = Finding(
        verdict=Verdict.REJECTED,
        criteria=(
            found("instrument", Conformity.CONFORMS,
                  "Channel PT-101: calibration CAL-26-0311 in date, range covered, zero checked."),
            found("hold", Conformity.CONFORMS, "Held 96.2 s, never below 250 psi plus U = 1 psi."),
            found("largest-leakage-rate", Conformity.DOES_NOT_CONFORM,
                  "8.4 mL in 60.2 s is 502.33 mL/h with U = 33.10 mL/h; 177.44 mL/h is allowed: above the limit."),
            found("pressure released", Conformity.CONFORMS, "Pressure was seen released below 2.5 psi."),
        ),
        lowest=Pressure.parse("261.9 psi"),
        highest=Pressure.parse("263.4 psi"),
        held_ms=96_200,
    )  # fmt: skip
    return collecting().model_copy(
        update={
            "signal": signal(0.4),
            "stage": collecting().stage.model_copy(
                update={
                    "phase": Phase.CLOSED,
                    "finding": finding,
                    "ended": "completed",
                    "collecting_s": None,
                    "collect_left_s": None,
                }
            ),
            "cautions": (LOCKED,),
            "instruction": "Close the run.",
            "actions": (START_STAGE, END_RUN),
        }
    )


def accepted_run():
    return update(
        run=run_view(
            open=False,
            verdict=Verdict.ACCEPTED,
            sentence="Every demanded stage was accepted.",
            document="certificates/B1-2026-0007.pdf",
            stages=(
                m.StageLine(stage="shell test", state="accepted", sentence="No leakage was seen (body and cover)."),
                m.StageLine(stage="seat test", state="accepted", sentence="1.2 mL in 60.4 s is 71.52 mL/h."),
            ),
        ),
        signal=signal(0.02),
        stage=stage_view(phase=Phase.CLOSED, hold_left_s=None, ended="completed"),
        orders=ORDERS,
        actions=(START_RUN,),
        instruction="Mount the next valve with its vent open, then choose it.",
        cautions=(LOCKED,),
    )


SCENES = {
    one.__name__: one
    for one in (choosing, filling, pressurizing, stabilizing, holding, stale, lost, lost_stage, observing, collecting,
                volume_owed, undecided, bleeding, depressurizing, rejected, accepted_run)
}  # fmt: skip

# Pictures ----------------------------------------------------------------------------------------


async def svg_of(scene, size=(120, 36), keys=()):
    """A scene as Textual's SVG."""
    app = app_with(FakeLink(scene), Hand())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.press(*keys)
        await pilot.pause()
        app.tick()
        await pilot.pause()
        return app.export_screenshot()


def picture(scene, target, size=(120, 36), keys=()):
    """Write a PNG of a scene."""
    png_of(asyncio.run(svg_of(scene, size, keys)), target)


def png_of(svg, target):
    """Write Textual's SVG as a PNG."""
    # The drawing begins at its viewBox; the window gets the same proportions.
    width, height = (float(n) for n in svg.split('viewBox="0 0 ', 1)[1].split('"', 1)[0].split())
    scale = 1600 / width
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder, "screen.html")
        page.write_text(
            f"<meta charset=utf-8><style>*{{margin:0}}svg{{width:1600px;height:{height * scale:.0f}px;display:block}}"
            # A little larger than the drawing's own 20 px: then full blocks touch as they do in a terminal.
            f"svg *{{font-family:'DejaVu Sans Mono'!important}}svg text{{font-size:21.2px}}</style>{svg}"
        )
        subprocess.run(
            [shutil.which("chromium"), "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
             "--hide-scrollbars", f"--screenshot={Path(target).resolve()}",
             f"--window-size=1600,{height * scale:.0f}", page.as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip


if __name__ == "__main__":
    picture(holding(), sys.argv[1])
