"""``testbench calibration``: the register of calibrations."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "add": "Enter a calibration certificate: a TOML file, points as CSV, or a form.",
    "list": "Every calibration, newest first; which one is in force.",
    "show": "Points, residuals, uncertainty budget and drift of one calibration; its picture and PDF sheet.",
    "due": "What is due when; exit code 1 if something is overdue.",
    "impact": "The runs that an instrument found bad calls into question.",
    "check": "Record a check of the channel against a second gauge.",
}


@click.group(cls=LazyGroup, package="testbench.cli.calibration", summaries=COMMANDS)
def command() -> None:
    """Keep the register of calibrations.

    A run measures with the newest calibration of its instrument. Entries are only ever added.
    """
