"""Options that describe a line without a bench: what bench.toml would say in [channel]."""

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args

import click

from testbench.cli.output import FiniteRange

if TYPE_CHECKING:
    from pydantic import ValidationError

    from testbench.errors import BenchError
    from testbench.station.bench import ChannelEntry

F = TypeVar("F", bound=Callable[..., Any])

PROTOCOLS = ("plain-line", "ascii-line", "ascii-prompt", "scpi", "modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp")
ASCII = {"ascii-line", "ascii-prompt"}
_SERIAL = ("port", "baud", "byte_size", "parity", "stop_bits")
_TCP = ("host", "tcp_port")
_PACE = ("poll_every_s", "answer_within_s")
_REGISTERS = ("unit_id", "function", "address", "type_", "order", "scale", "decimals")
_OWN = {
    "plain-line": (*_SERIAL, "decimals", "whole_digits"),
    "ascii-line": (*_SERIAL, "decimals", "whole_digits", "delimiter"),
    "ascii-prompt": (*_SERIAL, "decimals", "whole_digits", "delimiter", "query", *_PACE),
    "scpi": (*_SERIAL, "decimals", "query", "terminator", *_PACE),
    "modbus-rtu": (*_SERIAL, *_REGISTERS, *_PACE),
    "modbus-tcp": (*_TCP, *_REGISTERS, *_PACE),
    "modbus-rtu-over-tcp": (*_TCP, *_REGISTERS, *_PACE),
}
"""Protocol → the options that describe its line, beside --protocol and --unit."""

_OPTIONS = (
    click.option("--port", help="Device path or URL such as socket://127.0.0.1:5020; no home is needed."),
    click.option("--host", help="Of modbus-tcp and modbus-rtu-over-tcp."),
    click.option("--tcp-port", type=int, help="Beside --host."),
    click.option("--protocol", type=click.Choice(PROTOCOLS), default=None, help="How it speaks; default: plain-line."),
    click.option("--settings", type=click.Path(exists=True, dir_okay=False, path_type=Path),
                 help="A TOML file with a [channel.line], such as an example of the home or what 'find' proposed."),
    click.option("--unit", type=click.Choice(["psi", "bar", "kPa", "MPa"]),
                 help="Default: what the settings say, else psi."),
    click.option("--baud", type=int), click.option("--byte-size", type=int),
    click.option("--parity", type=click.Choice(["none", "even", "odd"])), click.option("--stop-bits", type=int),
    click.option("--decimals", type=int, help="Of the number; default 2."),
    click.option("--whole-digits", type=int, help="Of a number in text; default 4."),
    click.option("--delimiter", help=r"Ends a line of text, for example '\r\n'."),
    click.option("--query", help="Of ascii-prompt and scpi, for example 'MEAS:PRES?'."),
    click.option("--terminator", help="Of scpi."),
    click.option("--unit-id", type=int), click.option("--function", type=int, help="Of Modbus: 3 or 4; default 3."),
    click.option("--address", type=int, help="Of the first register, from 0."),
    click.option("--type", "type_", help="int16, uint16, int32, uint32 or float32 (default)."),
    click.option("--order", help="ABCD (default), CDAB, BADC or DCBA."),
    click.option("--scale", help="What one unit of an integer register is, for example 0.1."),
    click.option("--poll-every", "poll_every_s", type=FiniteRange(), help="Seconds from one query to the next."),
    click.option("--answer-within", "answer_within_s", type=FiniteRange(), help="Seconds that an answer may take."),
)  # fmt: skip


def line_options(command: F) -> F:
    """Put all of them on a command; their values come in ``given``."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def channel_of(given: Mapping[str, Any]) -> "ChannelEntry | None":
    """The channel that the options describe; None where there are none.

    Raises:
        OptionError: one of them has a value that is not allowed, or is missing.
        OptionUnusedError: one of them means nothing beside the others.
    """
    from pydantic import ValidationError

    from testbench.station.bench import ChannelEntry

    said = {name: found for name, found in given.items() if found is not None}
    if not said.keys() & {"port", "host", "settings"}:
        refuse_beside("a channel of bench.toml", said, ("--channel", "--home", "--seconds", "--capture", "--json"))
        return None
    if "settings" in said:
        _refuse_others(said, "--settings", ("settings", "port", "unit"))
    else:
        protocol = said.get("protocol", PROTOCOLS[0])
        _refuse_others(said, f"protocol {protocol}", (*_OWN[protocol], "protocol", "unit"))
    entry: dict[str, Any] = {"tag": "channel", "instrument": "not stated", "serial": "not stated"}
    try:
        return ChannelEntry.model_validate(entry | _described(said))
    except ValidationError as failure:
        raise _refusal(said, failure) from failure


def refuse_beside(beside: str, said: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
    """Refuse every option that was given.

    Raises:
        OptionUnusedError: there is one.
    """
    from testbench.errors import OptionUnusedError

    unused = next((name for name, found in said.items() if found is not None), None)
    if unused is not None:
        raise OptionUnusedError(_option(unused), beside, allowed)


def _refuse_others(said: Mapping[str, Any], beside: str, allowed: tuple[str, ...]) -> None:
    others = {name: found for name, found in said.items() if name not in allowed}
    refuse_beside(beside, others, tuple(_option(name) for name in allowed))


def _option(name: str) -> str:
    """A name as it is written on the command line."""
    return "--" + name.removesuffix("_s").rstrip("_").replace("_", "-")


_NAMED = {"poll_every_s", "answer_within_s", *(name.rstrip("_") for names in _OWN.values() for name in names)}


def _refusal(said: Mapping[str, Any], failure: "ValidationError") -> "BenchError":
    """The first thing that is wrong, by the option that says it; of a file, by its field."""
    from testbench.errors import FileRefusedError, OptionError

    first = failure.errors()[0]
    field = next((part for part in reversed(first["loc"]) if isinstance(part, str)), "line")
    why, within = first.get("ctx", {}), first["msg"].removeprefix("Value error, ")
    found = "nothing" if first["type"] == "missing" else repr(first["input"])
    allowed = {
        "missing": "it is needed",
        "less_than_equal": f"at most {why.get('le')} is allowed",
        "greater_than_equal": f"at least {why.get('ge')} is allowed",
        "literal_error": f"allowed are {why.get('expected')}",
        "enum": f"allowed are {why.get('expected')}",
    }.get(first["type"], within)
    sentence = within if first["type"] == "value_error" else f"found {found}; {allowed}"
    head, colon, rest = sentence.partition(": ")
    if first["type"] == "value_error" and colon and " " not in head:  # a rule across fields names its field itself
        field, sentence = head, rest
    if "settings" in said:
        return FileRefusedError(str(said["settings"]), f"channel.{field}", "", sentence)
    return OptionError(_option(field) if field in _NAMED else field, sentence)


def _described(said: dict[str, Any]) -> dict[str, Any]:
    """The table [channel] that the options stand for."""
    if "settings" in said:
        table = _from_file(said["settings"])
        if "port" in said:
            table["line"]["port"] = said["port"]
        return {"unit": _unit_sent(table)} | table | ({"unit": said["unit"]} if "unit" in said else {})
    unit = said.get("unit", "psi")
    protocol = said.get("protocol", "plain-line")
    same = ("port", "host", "tcp_port", "baud", "byte_size", "parity", "stop_bits", "unit_id", "poll_every_s")
    line = {"protocol": protocol} | {name: said[name] for name in (*same, "answer_within_s") if name in said}
    if protocol == "plain-line":
        digits = {"decimals": said.get("decimals", 2), "whole_digits": said.get("whole_digits", 4)}
        return {"unit": unit, "line": line} | digits
    return {"unit": unit, "line": line | _values(protocol, said)}


def _unit_sent(table: Mapping[str, Any]) -> str:
    """The unit that a line of text names for the value that is meant; psi where it names none that a channel has."""
    from testbench.station.ascii_settings import AsciiLineSettings, AsciiPromptSettings
    from testbench.station.entries import ChannelUnit
    from testbench.station.line_settings import LINE_SETTINGS

    if table["line"].get("protocol") not in ASCII:
        return "psi"
    line = LINE_SETTINGS.validate_python(table["line"])
    assert isinstance(line, AsciiLineSettings | AsciiPromptSettings)
    names = [*line.decimals]
    sent = line.pressure_unit(names.index(table["value"]) if table.get("value") in names else 0)
    return sent if sent is not None and sent in get_args(ChannelUnit) else "psi"


def _values(protocol: str, said: Mapping[str, Any]) -> dict[str, Any]:
    """What a protocol needs beside the port: its one value."""
    decimals = said.get("decimals", 2)
    if protocol in ASCII:
        number = {"part": "number", "decimals": decimals, "whole_digits": said.get("whole_digits", 4)}
        wire = {name: _unescaped(said[name]) for name in ("query", "delimiter") if name in said}
        return {"parts": [number], **wire}
    if protocol == "scpi":
        terminator = {"terminator": _unescaped(said["terminator"])} if "terminator" in said else {}
        return {
            "values": [{"decimals": decimals}],
            **({"query": said["query"]} if "query" in said else {}),
            **terminator,
        }
    value = {"address": said.get("address", 0), "type": said.get("type_", "float32"), "decimals": decimals}
    value |= {name: said[name] for name in ("order", "scale") if name in said}
    return {"function": said.get("function", 3), "values": [value]}


def _unescaped(text: str) -> str:
    return text.replace("\\r", "\r").replace("\\n", "\n")


def _from_file(path: Path) -> dict[str, Any]:
    from testbench.errors import FileRefusedError

    try:
        table = tomllib.loads(path.read_text()).get("channel", {})
    except (OSError, ValueError) as failure:
        raise FileRefusedError(str(path), "the text", str(failure), "valid TOML is needed") from failure
    if not isinstance(table, dict) or not isinstance(table.get("line"), dict):
        raise FileRefusedError(str(path), "channel.line", "nothing", "this table is needed")
    known = {name: found for name, found in table.items() if name in {"value", "decimals", "whole_digits", "unit"}}
    return {**known, "line": table["line"]}
