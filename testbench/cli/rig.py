"""``testbench rig``: a simulated rig on a serial line, for trying things out and for tests."""

import contextlib
import json
import signal
from pathlib import Path
from typing import Any

import click

from testbench.cli.output import json_option, say


def _address(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, int] | None:
    if value is None:
        return None
    host, colon, port = value.rpartition(":")
    if not colon or host not in {"127.0.0.1", "localhost"} or not port.isdigit() or int(port) > 65_535:
        raise click.BadParameter(f"'{value}' is not 127.0.0.1:PORT; the rig is reachable from this machine only.")
    return host, int(port)


_path = click.Path(dir_okay=False, path_type=Path)


@click.command(short_help="A simulated rig on a serial line.")
@click.option("--control", type=_path, help="Control socket; default: rig.sock in this folder.")
@click.option("--link", type=_path, help="Keep a symbolic link to the terminal here, also when it is unplugged.")
@click.option("--listen", callback=_address, metavar="127.0.0.1:PORT", help="A TCP port instead of a terminal.")
@click.option("--clock", type=_path, help="Publish the simulated time in this file, for a recorder that follows it.")
@click.option("--speed", type=click.FloatRange(0, 1000, min_open=True), default=1.0, help="Times faster than life.")
@click.option("--rate", type=click.FloatRange(0, 1000, min_open=True), default=10.0, help="Lines a second.")
@click.option("--seed", type=int, default=1, help="Seed of the noise.")
@click.option("--values", type=click.IntRange(1, 4), default=1, help="Transmitters on the line, their values in one.")
@click.option("--serial", help="Serial number of the valve that is mounted from the start.")
@json_option
def command(
    *,
    control: Path | None,
    link: Path | None,
    listen: tuple[str, int] | None,
    clock: Path | None,
    speed: float,
    rate: float,
    seed: int,
    values: int,
    serial: str | None,
    as_json: bool,
) -> None:
    """Run a simulated rig until it is interrupted or told to quit.

    It writes lines such as +0250.13 on a terminal that a recorder opens like any serial port, and takes commands
    on its control socket, one JSON object a line: {"command": "look"}.
    """
    from testbench.rig.server import RigServer, ServerSettings
    from testbench.rig.transmitter import TransmitterSettings

    settings = ServerSettings(
        control=(control or Path("rig.sock")).absolute(),
        link=link.absolute() if link else None,
        listen=listen,
        clock=clock.absolute() if clock else None,
        speed=speed,
        rate_hz=rate,
        serial=serial,
        transmitter=TransmitterSettings(seed=seed, values=values),
    )

    def announce(facts: dict[str, Any]) -> None:
        with contextlib.suppress(OSError):  # whoever started the rig may have stopped listening
            say(json.dumps(facts) if as_json else "\n".join(f"{name}: {found}" for name, found in facts.items()))

    server = RigServer(settings, announce)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: server.stop())
    server.run()
