"""``testbench measure``: what the recorder computes, on plain data from a CSV file."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "slope": "The rate of change over a hold, with its interval.",
    "leakage": "A leakage rate, collected or by pressure decay, against a limit.",
    "calibration": "A line through calibration points, and the uncertainty at each.",
    "uncertainty": "An uncertainty budget, and a decision with it.",
    "chart": "Control charts, run rules, capability and yield.",
    "gauge-study": "How much of what is seen comes from gauge, operators and parts.",
    "method": "How well all this keeps its word: coverage and wrong decisions, by simulation.",
}


@click.group(cls=LazyGroup, package="testbench.cli.measure", summaries=COMMANDS)
def command() -> None:
    """Measure plain data from a CSV file, by the very functions that the recorder uses.

    A column's header is its name and its unit: time_s, pressure_psi, volume_mL, temperature_degC.
    """
