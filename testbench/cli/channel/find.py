"""``testbench channel find``."""

import json
from typing import TYPE_CHECKING, Any, get_args

import click

from testbench.cli.output import FiniteRange, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.instruments.ports import FoundPort, Heard


@click.command()
@click.argument("paths", nargs=-1, metavar="[PORT]…")
@click.option("--listen", is_flag=True, help="Open each free port and propose settings from what arrives.")
@click.option("--seconds", type=FiniteRange(0, 60, min_open=True), default=2.0, show_default=True,
              help="To listen at each baud rate.")  # fmt: skip
@json_option
def command(paths: tuple[str, ...], seconds: float, *, listen: bool, as_json: bool) -> None:
    """List the serial ports, and those named here (pseudo-terminals are never listed).

    With --listen each one that nobody holds is opened and listened to; nothing is written to it. Opening a port may
    still reset an instrument that watches its control lines.
    """
    from testbench.instruments.ports import FoundPort, ports

    found = [*ports(), *(FoundPort(path, path, "named on the command line") for path in paths)]
    facts = [_facts(port, seconds if listen else None) for port in found]
    if as_json:
        say_json(facts)
        return
    for port in facts:
        _tell(port)
    if not facts:
        say("There are no serial ports. Is the adapter plugged in? A pseudo-terminal must be named.")


def _facts(port: "FoundPort", seconds: float | None) -> dict[str, Any]:
    from testbench.errors import BenchError
    from testbench.instruments.ports import listen

    facts = {"port": port.path, "device": port.device, "description": port.description}
    if seconds is None:
        return facts
    try:
        heard = listen(port.path, seconds)
    except BenchError as refusal:
        return facts | {"free": False, "sure": "none", "why": str(refusal), "unit": None, "settings": None, "toml": ""}
    settings = _settings(heard)
    toml = _unit_toml(heard.guess.unit) + toml_of(settings) if settings else ""
    sure = {"sure": heard.guess.sure, "why": heard.guess.why, "unit": heard.guess.unit}
    return facts | {"free": True, **sure, "settings": settings, "toml": toml, "bytes": len(heard.data)}


def _settings(heard: "Heard") -> dict[str, Any] | None:
    """The whole [channel.line]; None where nothing can be proposed, or the proposal is no line after all."""
    from pydantic import ValidationError

    from testbench.station.line_settings import LINE_SETTINGS

    if not heard.guess.settings:
        return None
    settings = {**heard.guess.settings, **heard.settings.model_dump()}
    try:
        LINE_SETTINGS.validate_python(settings)
    except ValidationError:
        return None
    return {"protocol": settings.pop("protocol"), **heard.settings.model_dump(), **heard.guess.settings}


def _tell(facts: dict[str, Any]) -> None:
    """As comments, so that what is proposed for one port can be kept as a file as it is."""
    device = f"  ({facts['device']})" if facts["device"] != facts["port"] else ""
    say(f"# {facts['port']}  {facts['description']}{device}")
    if "sure" in facts:
        say(f"# {'no proposal' if not facts['toml'] else facts['sure']}: {facts['why']}")
    if facts.get("toml"):
        say(facts["toml"])


def _unit_toml(unit: str | None) -> str:
    """The line of [channel] that goes with a line that names its unit."""
    from testbench.station.entries import ChannelUnit

    if unit is None:
        return ""
    if unit not in get_args(ChannelUnit):
        return f"# It sends {unit}; let it send one of {', '.join(get_args(ChannelUnit))}, which a channel can be in.\n"
    return f'[channel]\nunit = "{unit}"\n\n'


def toml_of(line: dict[str, Any]) -> str:
    """A table [channel.line] for bench.toml."""
    rows = ["[channel.line]"]
    for name, found in line.items():
        if name == "parts":
            rows += ["parts = [", *(f"  {_inline(part)}," for part in found), "]"]
        else:
            rows.append(f"{name} = {_inline(found)}")
    return "\n".join(rows) + "\n"


def _inline(found: Any) -> str:
    if isinstance(found, dict):
        pairs = (
            f"{name if name.isidentifier() else json.dumps(name)} = {_inline(value)}" for name, value in found.items()
        )
        return "{ " + ", ".join(pairs) + " }"
    return json.dumps(found)
