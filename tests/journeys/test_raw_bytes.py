"""keep_raw = true: the bytes of a run lie beside its record, and drive a second run that says what it is."""

import hashlib
import os
import signal
import subprocess

from testbench.demonstration import Demonstration
from testbench.rig.client import RigClient
from testbench.run.record import Origin
from testbench.store.reading import RunReader
from testbench.wiring import attach_or_start
from tests.journeys.program import PIN, PROGRAM, Watcher, facts_of, until
from tests.journeys.test_bad_days import SERIAL, into_the_hold, recorder_of


def keeping_raw(folder):
    """A demonstration whose bench.toml says keep_raw = true."""
    demonstration = Demonstration(folder, 100, 1)
    file = folder / "bench.toml"
    file.write_text(file.read_text().replace('paper = "A4"', 'paper = "A4"\nkeep_raw = true', 1))
    return demonstration


def test_a_killed_recorder_leaves_a_capture_that_the_lost_run_names_as_unsealed(tmp_path):
    """kill -9 in the hold: the next start says where the raw bytes are, and their hash stands in the record."""
    with keeping_raw(tmp_path / "home") as demonstration:
        watcher = into_the_hold(demonstration)
        run = watcher.update.run.run
        os.kill(recorder_of(tmp_path / "home"), signal.SIGKILL)
        until(lambda: watcher.look() and not watcher.link.connected)
        watcher.close()
        attach_or_start(demonstration.home).close()
        again = Watcher(demonstration.home)
        said = [notice.sentence for notice in again.wait(lambda update: update.orders).notices]
        again.close()
    ending = f"a hold is never resumed. Its raw bytes are in {run}.capture, without an end seal."
    assert sum(sentence.endswith(ending) for sentence in said) == 1
    with RunReader.beside(demonstration.home.database) as store:
        record, _ = store.load(run)
    raw = tmp_path / "home" / "captures" / f"{run}.capture"
    assert (record.line.raw_file, record.line.raw_ended) == (raw.name, False)
    assert record.line.raw_sha256 == hashlib.sha256(raw.read_bytes()).hexdigest()
    assert facts_of("channel", "watch", "--from-capture", raw)["values"] > 100


def test_the_raw_bytes_of_a_run_are_kept_and_replayed_through_the_recorder(tmp_path):
    """The record names the file and its hash; the replay reads the same pressures and is marked."""
    with keeping_raw(tmp_path / "home") as demonstration:
        watcher = into_the_hold(demonstration)
        assert watcher.send("stop", reason="enough").done
        with RigClient(demonstration.control) as rig:
            rig.tell("release", position="open")
        watcher.wait(lambda update: any(offered.request == "end_run" for offered in update.actions))
        assert watcher.send("end_run").done
        run = watcher.update.run.run
        watcher.close()
    with RunReader.beside(demonstration.home.database) as store:
        record, _ = store.load(run)
    raw = tmp_path / "home" / "captures" / f"{run}.capture"
    assert (record.line.raw_file, record.line.raw_sha256) == (raw.name, hashlib.sha256(raw.read_bytes()).hexdigest())
    facts = facts_of("channel", "watch", "--from-capture", raw)
    assert facts["values"] > 300
    assert facts["maximum"] > 505
    lines = raw.read_bytes().splitlines(keepends=True)
    raw.write_bytes(b"".join(lines[:-1]))  # its end seal is lost: it is replayed, and that is said
    recorder = subprocess.Popen([
        *PROGRAM, "recorder", "--home", str(tmp_path / "home"), "--from-capture", str(raw), "--speed", "2",
    ], stderr=subprocess.PIPE, text=True)  # fmt: skip
    try:
        link = until(lambda: _attached(demonstration.home))
        again = Watcher(demonstration.home, link)
        cut_off = f"Capture {raw.name} has no end seal: it was cut off, or is still being written. "
        again.wait(lambda update: any(notice.sentence.startswith(cut_off) for notice in update.notices))
        until(lambda: again.send("start_run", order="HL-2041", serial=SERIAL, operator="Mara Quill", pin=PIN).done)
        assert again.wait(lambda update: update.run and update.run.open).run.origin is Origin.REPLAYED
        assert again.send("end_run").done
        again.close()
    finally:
        recorder.terminate()
        _, said = recorder.communicate(timeout=20)
    assert said.startswith(cut_off)


def _attached(home):
    from testbench.wiring import attach_if_running

    return attach_if_running(home)
