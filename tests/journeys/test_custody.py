"""The records looked after beside a running recorder, as a user does it."""

import json
from pathlib import Path

from testbench.store.reading import RunReader
from tests.journeys.program import call, facts_of
from tests.journeys.test_bad_days import into_the_hold


def test_a_backup_is_made_in_the_middle_of_a_run_and_the_run_goes_on(simulated, tmp_path):
    """Copied and proved beside the recorder; not restored under it; the ledger holds on both sides."""
    watcher = into_the_hold(simulated)
    run, home = watcher.update.run.run, simulated.home.folder
    kept = facts_of("backup", "--to", tmp_path / "stick", "--home", home)
    with RunReader.beside(Path(kept["file"])) as reader:
        (open_run,) = reader.open_runs()
    assert (open_run.run, len(open_run.traces[0]) > 100) == (run, True)
    refused = call("restore", kept["file"], "--home", home)
    assert (refused.returncode, refused.stderr.splitlines()[0]) == (1, f"A recorder is already running for {home}.")
    told = facts_of("ledger", "verify", "--against", kept["checkpoint"], "--home", home)
    at_s = watcher.update.at_s
    assert (told["whole"], told["open_runs"], told["kinds"]["backup"]) == (True, [run], 1)
    watcher.wait(lambda update: update.at_s > at_s and update.signal.state == "good" and update.run.run == run)
    watcher.close()


def test_a_ledger_with_a_bad_entry_says_so_by_its_exit_code(simulated):
    """For a script that looks every night."""
    home = simulated.home.folder
    line = facts_of("ledger", "checkpoint", "--home", home)["line"]
    bench, n, head = line.split(maxsplit=2)
    other = f"{bench} {n} {'0' if head[0] != '0' else '1'}{head[1:]}"
    told = call("ledger", "verify", "--against", other, "--json", "--home", home)
    assert (told.returncode, json.loads(told.stdout)["fault"]["entry"]) == (1, int(n))
