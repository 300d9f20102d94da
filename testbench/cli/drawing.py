"""Drawings made of signs, for a terminal: readable without colour. Functions of values."""

from collections.abc import Mapping, Sequence

from testbench.metrology.charts import Chart

EIGHTHS = " ▏▎▍▌▋▊▉█"
POINT, SIGNAL, LIMIT, CENTRE = "●", "◆", "┄", "─"


def bar(share: float, width: int) -> str:
    """A bar of so many signs for a share of 0 to 1; anything above nought shows."""
    eighths = max(round(share * width * 8), 1 if share > 0 else 0)
    whole, rest = divmod(eighths, 8)
    return "█" * whole + (EIGHTHS[rest] if rest else "")


def whisker(low: float, value: float, high: float, begin: float, width: int) -> str:
    """``├──●─┤``: an interval and the value in it, on an axis from ``begin`` to 1."""
    signs = [" "] * width
    first, middle, last = (round((x - begin) / (1 - begin) * (width - 1)) for x in (low, value, high))
    signs[first : last + 1] = "─" * (last - first + 1)
    signs[first], signs[last], signs[middle] = "├", "┤", POINT
    return "".join(signs)


def chart_lines(chart: Chart, signals: Mapping[int, str], width: int, height: int = 15) -> list[str]:
    """The newest points of a chart between its limits; ◆ is a point that signals.

    Args:
        chart: points, centre and limits.
        signals: index of each point that signals.
        width: signs across, for the points.
        height: rows.
    """
    first = max(0, len(chart.points) - width)
    points = chart.points[first:]
    lower, upper = chart.lower[-1], chart.upper[-1]
    low, high = min(*points, lower, chart.centre), max(*points, upper, chart.centre)
    span = (high - low) or 1.0

    def row_of(value: float) -> int:
        return height - 1 - round((value - low) / span * (height - 1))

    rows = [[" "] * len(points) for _ in range(height)]
    labels: dict[int, str] = {}
    for value, sign, name in ((lower, LIMIT, "LCL"), (upper, LIMIT, "UCL"), (chart.centre, CENTRE, "centre")):
        rows[row_of(value)] = [sign] * len(points)
        labels[row_of(value)] = f"{name} {value:.4g}"
    for column, value in enumerate(points):
        rows[row_of(value)][column] = SIGNAL if first + column in signals else POINT
    return [f"{labels.get(index, ''):>16} │{''.join(row)}" for index, row in enumerate(rows)]


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns side by side: the first to the left, the others to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.ljust(width) if not place else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
