"""``testbench quality yield``."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.quality.told import check_out, draw, out_option, printed
from testbench.cli.searching import search_options

if TYPE_CHECKING:
    from testbench.run.yields import Yield

GROUPS = ("month", "product", "operator", "order", "procedure")
AXIS = 40
MOST_LINES = 60


@click.command()
@click.option("--by", type=click.Choice(GROUPS), default="month", show_default=True, help="What to group by.")
@search_options("verdict", origin="live")
@out_option
@home_option
@json_option
def command(*, by: str, out: Path | None, home: Path | None, as_json: bool, **written: str | None) -> None:
    """First-pass yield: the share of valves that passed in the first run that decided anything.

    Void runs are not counted; an inconclusive one did not pass. Whiskers are Wilson's intervals at 95 %; of all
    together the exact interval of Clopper and Pearson is told as well.
    """
    from testbench.errors import NothingFoundError
    from testbench.run.yields import together
    from testbench.station.searching import search_of
    from testbench.wiring import Home, read_store

    check_out(out)
    asked, bench = search_of(**written), Home(home_of(home))
    with read_store(bench) as store:
        found = store.yields(asked, by)  # type: ignore[arg-type]  # click has checked it
    everything = together(found)
    if everything is None:
        raise NothingFoundError("a first-pass yield", asked.in_words)
    if as_json:
        say_json({
            "asked": asked.in_words,
            "by": by,
            "groups": [_facts(one) for one in found],
            "all": _facts(everything),
        })
    else:
        _tell(found, everything)

    if out is not None:
        from testbench.certificate.quality_page import yields_drawn

        draw(out, yields_drawn(found, everything, by, printed(bench, asked.in_words, out)), quiet=as_json)


def _facts(one: "Yield") -> dict[str, Any]:
    wilson, exact = one.wilson, one.clopper_pearson
    return {
        "group": one.group, "tested": one.tested, "passed": one.passed, "percent": one.percent,
        "wilson_95": [wilson.low, wilson.high], "clopper_pearson_95": [exact.low, exact.high],
    }  # fmt: skip


def _tell(found: "tuple[Yield, ...]", everything: "Yield") -> None:
    from testbench.cli.drawing import whisker

    shown = (*found[-MOST_LINES:], everything)
    begin = max(0.0, min(one.wilson.low for one in shown) // 0.1 * 0.1)
    begin = min(begin, 0.9)
    wide = max(len(one.group) for one in shown)
    if len(found) > MOST_LINES:
        say(f"The last {MOST_LINES} of {len(found)} groups; --json tells all.")
    say(f"{'':{wide}}  {'passed':>8} of {'tested':>8}    share  {f'{100 * begin:.0f} %':<{AXIS - 5}}100 %")
    for one in shown:
        interval = one.wilson
        drawn = whisker(interval.low, one.passed / one.tested, interval.high, begin, AXIS)
        say(f"{one.group:{wide}}  {one.passed:>8} of {one.tested:>8}  {one.percent:>5} %  {drawn.rstrip()}")
    wilson, exact = everything.wilson, everything.clopper_pearson
    say(f"95 %: {_range(wilson)} (Wilson, as drawn); of all {_range(exact)} (Clopper and Pearson, for claims).")


def _range(interval: Any) -> str:
    return f"{100 * interval.low:.2f} to {100 * interval.high:.2f} %"
