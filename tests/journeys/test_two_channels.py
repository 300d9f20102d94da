"""A bench with two transmitters on one line, from the serial line to the certificate; and one that goes wrong."""

import subprocess

import pytest

from testbench.demonstration import Demonstration
from testbench.rig.client import RigClient
from testbench.store.reading import RunReader
from tests.journeys.program import call, facts_of
from tests.journeys.test_bad_days import into_the_hold


@pytest.fixture
def of_two(tmp_path):
    with Demonstration(tmp_path / "home", 100, 1, compared=True) as demonstration:
        yield demonstration


def test_two_transmitters_that_disagree_trip_the_stage(of_two):
    """The second one drops by 20 psi in the hold: tripped with both values, kept, and judged again the same."""
    watcher = into_the_hold(of_two)
    assert watcher.update.beside[0].tag == "PT-102"
    with RigClient(of_two.control) as rig:
        rig.tell("shift", value=2, psi=-20)
        update = watcher.wait(lambda update: update.stage.ended == "tripped")
        assert " apart, at most 1.4 psi is allowed; an engineer must look at this bench." in update.stage.reason
        assert update.stage.reason.startswith("PT-101 reads 51")
        rig.tell("shift", value=2, psi=0)
        rig.tell("release", position="open")
        watcher.wait(lambda update: not update.run.open)
    run = watcher.update.run.run
    watcher.close()
    with RunReader.beside(of_two.home.database) as store:
        record, traces = store.load(run)
    assert (record.stages[0].ended, record.verdict) == ("tripped", None)
    (trace,) = traces
    assert len(trace.beside[0]) == len(trace) > 100
    assert record.reason.startswith("The shell test tripped: PT-101 reads 51")
    judged = facts_of("judge", run, "--home", of_two.home.folder)
    assert (judged["verdict"], judged["same"]) == ("void", True)


def test_a_day_with_two_transmitters_ends_in_certificates_with_both(of_two, tmp_path):
    """The simulated operator tests the three valves; the page and its attachments hold both channels."""
    of_two.work_alone()
    runs = of_two.runs()
    assert [run["verdict"] for run in runs] == ["accepted", "rejected", "accepted"]
    document = of_two.home.folder / "certificates" / runs[0]["document"].rsplit("/", 1)[-1]
    signer = of_two.home.folder / "keys" / "station-cert.pem"
    verified = facts_of("certificate", "verify", document, "--signer", signer)
    assert (verified["intact"], verified["trusted"]) == (True, True)
    listed = subprocess.run(["pdfdetach", "-list", str(document)], capture_output=True, text=True, check=True).stdout
    assert "trace-01-shell-test-attempt-1-beside-1.csv" in listed
    judged = facts_of("judge", runs[0]["run"], "--home", of_two.home.folder)
    assert judged["same"]
    assert any("PT-101 and PT-102 agree" in said for stage in judged["stages"] for said in stage["sentences"])
    checked = call("channel", "check", "--home", of_two.home.folder)
    assert [line.partition(":")[0] for line in checked.stdout.splitlines()] == ["PT-101", "PT-102"]
