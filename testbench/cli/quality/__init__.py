"""``testbench quality``: what many runs show together."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "yield": "First-pass yield by month, product, operator or order, with its intervals.",
    "pareto": "Why runs were rejected or void, the most frequent reason first.",
    "chart": "Control chart of leakage or pressure loss from run to run.",
    "gauge-study": "How much of the scatter is the gauge, the operators, the valves.",
}


@click.group(cls=LazyGroup, package="testbench.cli.quality", summaries=COMMANDS)
def command() -> None:
    """Tell what many runs show together, on the terminal or as PDF or SVG.

    Live runs are counted, unless --origin says otherwise; those of a rig never count together with real ones.
    """
