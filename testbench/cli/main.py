"""The command group. A command's module is imported only when it is called, so that --help stays quick."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "demo": "A throw-away bench with three valves: watch it, drive it, or run it unattended.",
    "init": "Make a bench home: configuration, station key, empty records.",
    "run": "The operator's screen; starts the recorder if none is running.",
    "recorder": "The recorder by itself, without a screen.",
    "rig": "A simulated rig on a serial line.",
    "link": "The socket between recorder and screens: its schema.",
    "order": "Import, type, list and export orders; the board of what is to do.",
    "judge": "Decide a stored run again from its record alone; or all of them.",
    "blank": "Declare and list blank runs: holds on a body known to be tight.",
    "valve": "The whole life of one serial number on one page.",
    "nonconformity": "What was rejected: evidence, disposition, rework, retest, end.",
    "recall": "Recall the runs that a bad calibration or a withdrawn procedure undoes; lift a recall.",
    "history": "Search the runs of this bench; export, sum up, browse.",
    "quality": "What many runs show together: first-pass yield, reasons, control charts, gauge studies.",
    "people": "Operators, reviewers, engineers, witnesses: add, disable, roles, PINs, passwords.",
    "sign": "Sign a closed run: performed, reviewed, released or witnessed.",
    "signatures": "The signatures under a run.",
    "review": "What waits for a signature: look at it, release, return, answer; the reviewer's screen.",
    "ledger": "The chain behind the records: walk it, sign how far it has come.",
    "backup": "Copy the records while they are in use, and prove the copy.",
    "restore": "Let a backup take the place of the records.",
    "archive": "Older runs as plain files with their proof; what is due by the retention of bench.toml.",
    "certificate": "Issue, verify, stamp, withdraw or list certificates; sum up a lot or a shift.",
    "keys": "The works' own certificates: make, renew, revoke, hand to customers.",
    "channel": "Find a port, watch what arrives, check whether it is ready; raw bytes to a capture and back.",
    "calibration": "The register of calibrations: enter, show, what is due, what a bad one undoes.",
    "measure": "Slopes, leakage rates and uncertainties of plain data, by the recorder's own functions.",
    "procedure": "Show, check and adopt procedures.",
    "requirements": "What a valve must pass, and why.",
}


@click.command(
    cls=LazyGroup, package="testbench.cli", summaries=COMMANDS, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(package_name="testbench")
def cli() -> None:
    """Record hydrostatic acceptance tests of valves, from the serial line to a signed certificate."""


def main() -> None:
    """Run the command line; refusals become one sentence, a remedy and a non-zero exit."""
    import atexit
    import gc

    from testbench.cli.output import run

    atexit.register(gc.freeze)  # the system takes back what is left; to look through it first costs a tenth of a start
    run(cli)
