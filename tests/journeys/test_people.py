"""People at a running bench: a PIN to start, a signature to end, a release from elsewhere; no PIN is kept anywhere."""

from pathlib import Path

from testbench.rig.client import RigClient
from tests.journeys.program import ENGINEER, Watcher, call, call_as, facts_of, until

PIN = "73940518"
"""Eight digits, so that they are nowhere by chance."""


def started(watcher: Watcher, serial: str, pin: str):
    return watcher.send("start_run", order="HL-2041", serial=serial, operator="Mara Quill", pin=pin)


def holding(folder: Path, text: bytes) -> list[str]:
    """The files below a folder that hold a text, raw or in hexadecimal."""
    found = [path for path in folder.rglob("*") if path.is_file()]
    return [path.name for path in found if any(form in path.read_bytes() for form in (text, text.hex().encode()))]


def test_a_pin_starts_and_signs_and_is_kept_nowhere(simulated):
    """Wrong and right PINs over the link, a run that is signed later, the next one started meanwhile."""
    folder = simulated.home.folder
    home = ("--home", folder)
    done = call_as(f"{ENGINEER}\n{PIN}", "people", "set-pin", "quill", "--by", "ashe", *home)
    assert done.returncode == 0, done.stderr
    watcher = Watcher(simulated.home)
    with RigClient(simulated.control) as rig:
        rig.tell("mount", serial="HL-4-0117")
    watcher.wait(lambda update: update.signal.state == "good")
    refused = started(watcher, "HL-4-0117", "73940519")
    assert refused.sentence == "'Mara Quill' and what was entered do not belong together."
    until(lambda: started(watcher, "HL-4-0117", PIN).done)
    assert watcher.send("end_run").done
    assert [one.run for one in watcher.wait(lambda update: update.unsigned).unsigned] == ["B1-000001"]
    until(lambda: started(watcher, "HL-4-0117", PIN).done)
    assert watcher.send("end_run").done
    waiting = watcher.wait(lambda update: len(update.unsigned) == 2).unsigned
    assert waiting[0].statement.startswith("I performed run B1-000002 on valve HL-4-0117")
    for one in waiting:
        assert watcher.send("sign", run=one.run, pin=PIN).done
    watcher.wait(lambda update: not update.unsigned)
    signed = facts_of("signatures", "B1-000001", *home)
    assert [(one["person"], one["meaning"], one["method"], one["binds"]) for one in signed] == [
        ("quill", "performed", "PIN", True)
    ]
    assert signed[0]["clock_status"] == "of a simulated rig"
    watcher.close()
    assert "testbench.db" in holding(folder, b"Mara Quill"), "what is kept is found this way"
    assert holding(folder, PIN.encode()) == []
    assert holding(folder, b"73940519") == []
    assert holding(folder, ENGINEER.encode()) == []


def test_a_recorder_started_anew_still_knows_what_waits(simulated):
    """The queue lies in the records, not in its memory; so does the lock."""
    folder = simulated.home.folder
    watcher = Watcher(simulated.home)
    with RigClient(simulated.control) as rig:
        rig.tell("mount", serial="HL-4-0117")
    until(lambda: started(watcher, "HL-4-0117", "7394").done)
    assert watcher.send("end_run").done
    for _ in range(5):
        assert "do not belong together" in watcher.send("sign", run="B1-000001", pin="1111").sentence
    watcher.close()
    assert call("recorder", "--stop", "--home", folder).returncode == 0
    from testbench.wiring import attach_or_start

    again = Watcher(simulated.home, attach_or_start(simulated.home))
    assert [one.run for one in again.wait(lambda update: update.unsigned).unsigned] == ["B1-000001"]
    assert again.send("sign", run="B1-000001", pin="7394").sentence.startswith("'quill' is locked until ")
    again.close()


def test_the_unattended_demonstration_is_signed_and_released(simulated):
    """By the operator at the bench and the reviewer elsewhere; the pages carry it, an open screen names the last."""
    home = ("--home", simulated.home.folder)
    simulated.work_alone()
    runs = simulated.runs()
    watcher = Watcher(simulated.home)
    watcher.wait(lambda update: update.run is not None and update.run.document == runs[-1]["document"])
    watcher.close()
    signed = [[one["meaning"] for one in facts_of("signatures", run["run"], *home)] for run in runs]
    assert signed == [["performed", "released"], ["performed"], ["performed", "released"]]
    for run, meanings in zip(runs, signed, strict=True):
        found = facts_of("certificate", "verify", run["document"], *home)
        assert found["intact"]
        assert [one.split(" ")[0] for one in found["signed"]] == meanings
