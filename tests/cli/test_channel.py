"""``testbench channel`` as a user calls it: on a port without any home, on a capture, on a home with its recorder."""

import contextlib
import json
import os
import pty
import threading
import tomllib
import tty
from pathlib import Path

import pytest

from testbench.cli.channel.options import channel_of
from testbench.errors import FileRefusedError
from testbench.procedure_files.loader import load_bench
from testbench.station.line_settings import LINE_SETTINGS
from testbench.wiring import Home, attach_or_start, end_recorder
from tests.journeys.program import call, facts_of

CAPTURES = Path(__file__).parents[1] / "captures"
ASKED = {
    "values", "rejected", "gaps", "rate_hz", "noise", "resolution", "first", "last", "minimum", "maximum",
    "sample_time",
}  # fmt: skip


@pytest.fixture
def line():
    """A tty on which a line comes every 10 ms; gives its path and what came from the other side."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop, heard = threading.Event(), bytearray()

    def write():
        number = 0
        while not stop.wait(0.01):
            with contextlib.suppress(OSError):
                os.write(master, b"%+08.2f\r\n" % (250 + (0, 3, 1, 6, 2, 5, 4)[number % 7] / 100))
            with contextlib.suppress(OSError):
                heard.extend(os.read(master, 4096))
            number += 1

    thread = threading.Thread(target=write)
    thread.start()
    yield os.ttyname(slave), heard
    stop.set()
    thread.join()
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize("protocol", [(), ("--protocol", "plain-line"), ("--protocol", "ascii-line")])
def test_a_port_is_watched_without_any_home(line, tmp_path, protocol):
    """A hundred lines a second, 0.01 psi apart."""
    path, heard = line
    facts = facts_of("channel", "watch", "--port", path, "--seconds", "1", "--home", tmp_path / "none", *protocol)
    assert facts.keys() >= ASKED
    assert 60 <= facts["values"] <= 105
    assert 60 <= facts["rate_hz"] <= 105
    assert (facts["rejected"], facts["gaps"], facts["fault"]) == (0, 0, "")
    assert (facts["minimum"], facts["maximum"], facts["resolution"], facts["unit"]) == (250.0, 250.06, 0.01, "psi")
    assert 0.005 < facts["noise"] < 0.06
    assert heard == b""


def test_what_is_watched_is_told_in_words(line):
    """Without --json."""
    said = call("channel", "watch", "--port", line[0], "--seconds", "0.5").stdout.splitlines()
    assert said[0].endswith("a second")
    assert said[4:8] == [
        "0 rejected", "0 gaps", "line errors: not counted by this driver",
        (f"line: plain-line on {line[0]}, 9600 baud 8N1; exclusive; low latency not offered by the driver; "
        "parity of input none; line errors not counted"),
    ]  # fmt: skip


def test_the_derived_line_is_told_as_such():
    """With its residual; and its drift, where the rate is a usual one."""
    from testbench.cli.channel.watch import _sample_time

    found = {"period_s": 0.100008, "residual_rms_s": 0.0008, "residual_max_s": 0.0149, "nominal_hz": 10.0}
    assert _sample_time(found | {"drift_ppm": 80.4}) == (
        "sample time, derived by line fit: period 100.008 ms (+80 ppm beside 10 Hz), residual of the arrivals "
        "0.8 ms rms, 14.9 ms at most"
    )
    assert _sample_time(found | {"drift_ppm": None}) == (
        "sample time, derived by line fit: period 100.008 ms, residual of the arrivals 0.8 ms rms, 14.9 ms at most"
    )


def test_what_was_watched_is_kept_and_watched_again(line, tmp_path):
    """--capture, then --from-capture: the same figures, but for the state of the port."""
    file = tmp_path / "a.capture"
    live = facts_of("channel", "watch", "--port", line[0], "--seconds", "0.5", "--capture", file)
    again = facts_of("channel", "watch", "--from-capture", file)
    assert live["values"] > 20
    same = ("values", "rejected", "gaps", "rate_hz", "noise", "first", "last", "minimum", "maximum", "sample_time")
    assert {name: again[name] for name in same} == {name: live[name] for name in same}
    assert (live["capture"], again["capture"]) == (None, {"end_seal": True, "unsealed_steps": 0, "sentence": ""})
    assert (again["gaps"], again["fault"], again["minimum"]) == (0, "", 250.0)
    refused = call("channel", "watch", "--port", line[0], "--seconds", "0.5", "--capture", file)
    assert refused.stderr.splitlines()[0] == f"Capture {file} cannot be written: File exists."


def test_a_captured_fault_is_told_from_the_command_line():
    """The echo of tests/captures."""
    facts = facts_of("channel", "watch", "--from-capture", CAPTURES / "echo.capture")
    assert (facts["values"], facts["rejected"], facts["gaps"]) == (1, 4, 1)
    assert facts["rejected_reasons"] == {"our own query came back instead of an answer": 4}


def test_a_capture_without_its_end_seal_is_read_and_said_to_be_cut_off(tmp_path):
    """As the power leaves it; in words and in --json."""
    file = tmp_path / "cut.capture"
    lines = (CAPTURES / "echo.capture").read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:-1]))
    steps = len(lines) - 2
    sentence = (
        "Capture cut.capture has no end seal: it was cut off, or is still being written. "
        f"{steps} steps stand after its last seal, and nothing vouches for them."
    )
    facts = facts_of("channel", "watch", "--from-capture", file)
    assert facts["capture"] == {"end_seal": False, "unsealed_steps": steps, "sentence": sentence}
    assert sentence in call("channel", "watch", "--from-capture", file).stdout.splitlines()


def test_a_capture_that_was_changed_is_refused(tmp_path):
    """One digit."""
    file = tmp_path / "echo.capture"
    file.write_bytes((CAPTURES / "echo.capture").read_bytes().replace(b'"at":0.1', b'"at":0.2', 1))
    done = call("channel", "watch", "--from-capture", file, "--json")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"Capture {file}, line ")


@pytest.mark.parametrize("command", [("watch", "--port"), ("find", "--listen")])
def test_a_port_that_another_program_holds_is_left_alone(line, command):
    """An exclusive lock; our recorder takes one, too."""
    from testbench.instruments.serial_port import open_port
    from testbench.station.line_settings import PlainLineSettings

    held = open_port(PlainLineSettings(port=line[0]))
    done = call("channel", *command, line[0])
    held.close()
    assert f"Port {line[0]} is in use by another program." in done.stdout + done.stderr


SERIAL_OPTIONS = "--port, --baud, --byte-size, --parity, --stop-bits"
DECIMALS = f"{SERIAL_OPTIONS}, --decimals, --whole-digits"


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (
            "--protocol modbus-rtu --scale 0.1",
            "--scale: found '0.1' for float32; an integer needs one, a float has none.",
        ),
        ("--baud 4000001", "--baud: found 4000001; at most 4000000 is allowed."),
        ("--baud 299", "--baud: found 299; at least 300 is allowed."),
        ("--byte-size 9", "--byte-size: found 9; allowed are 7 or 8."),
        ("--decimals 5", "--decimals: found 5; at most 4 is allowed."),
        ("--protocol modbus-rtu --function 6", "--function: found 6; allowed are 3 or 4."),
        (
            "--protocol modbus-rtu --type real",
            "--type: found 'real'; allowed are 'int16', 'uint16', 'int32', 'uint32' or 'float32'.",
        ),
        ("--protocol modbus-rtu --poll-every 0", "--poll-every: found 0.0; at least 0.001 is allowed."),
        ("--protocol scpi", "--query: found nothing; it is needed."),
        (
            "--protocol modbus-rtu --address 400001",
            ("--address: found 400001, at most 65535 is allowed; addresses count from 0: where 400001 is the number in "
            "the manual, address 0 with function 3 is meant."),
        ),
        (
            "--query MEAS:PRES?",
            f"--query means nothing beside protocol plain-line; allowed there are {DECIMALS}, --protocol, --unit.",
        ),
        (
            "--protocol ascii-line --poll-every 1",
            (f"--poll-every means nothing beside protocol ascii-line; allowed there are {DECIMALS}, --delimiter, "
            "--protocol, --unit."),
        ),
        (
            f"--from-capture {CAPTURES / 'echo.capture'}",
            "--port means nothing beside --from-capture; allowed there are --speed, --seconds, --capture, --json.",
        ),
        (
            f"--settings {CAPTURES / 'echo.capture'} --baud 9600",
            "--baud means nothing beside --settings; allowed there are --settings, --port, --unit.",
        ),
        (
            "--channel PT-101",
            "--channel means nothing beside a line given here; allowed there are --seconds, --capture, --json.",
        ),
        (
            "--speed 2",
            "--speed means nothing beside a line that is no capture; allowed there are --seconds, --capture, --json.",
        ),
    ],
)  # fmt: skip
def test_options_that_describe_no_line_are_refused(options, sentence):
    """By their own name, with what is allowed; none is left unused without a word."""
    done = call("channel", "watch", "--port", "/dev/no-such-port", *options.split())
    assert (done.returncode, done.stderr.splitlines()[0]) == (1, sentence)


def test_options_of_a_line_without_a_line_are_refused(tmp_path):
    """They would not change what bench.toml says."""
    done = call("channel", "watch", "--home", tmp_path, "--baud", "9600")
    assert done.stderr.splitlines()[0] == (
        "--baud means nothing beside a channel of bench.toml; allowed there are --channel, --home, --seconds, "
        "--capture, --json."
    )


def test_what_is_wrong_in_a_settings_file_is_said_with_file_and_field(tmp_path):
    """Not as an option that nobody gave."""
    file = tmp_path / "line.toml"
    file.write_text('[channel.line]\nprotocol = "scpi"\nport = "/dev/no-such-port"\nvalues = [{ decimals = 2 }]\n')
    done = call("channel", "watch", "--settings", file)
    assert done.stderr.splitlines()[0] == f"{file}: channel.query: found nothing; it is needed."


@pytest.mark.parametrize(
    ("port", "why"),
    [
        ("foo://bar", "found 'foo://bar', allowed are a device path, socket://HOST:PORT and rfc2217://HOST:PORT"),
        *(
            (f"{kind}://{rest}",
             f"found '{kind}://{rest}', {kind}:// needs HOST:PORT, the port a number from 1 to 65535")
            for kind, rest in (
                ("socket", "127.0.0.1:notaport"), ("socket", "127.0.0.1"), ("socket", "127.0.0.1:65536"),
                ("socket", "127.0.0.1:0"), ("socket", ":5020"), ("rfc2217", "[::1"),
            )
        ),
    ],
)  # fmt: skip
def test_a_url_that_names_no_port_is_refused_before_it_is_opened(port, why):
    """With what it must look like."""
    done = call("channel", "watch", "--port", port)
    assert (done.returncode, done.stderr.splitlines()[0]) == (1, f"--port: {why}.")


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "0", "-1"])
@pytest.mark.parametrize(
    "options",
    [
        ("channel", "watch", "--port", "/dev/no-such-port", "--seconds"),
        ("channel", "watch", "--from-capture", CAPTURES / "echo.capture", "--speed"),
        ("channel", "find", "--seconds"),
        ("recorder", "--speed"),
    ],
    ids=lambda options: " ".join(map(str, (options[0], options[-1]))),
)
def test_a_time_or_speed_that_never_ends_is_refused(options, value):
    """``nan`` lies in every range."""
    done = call(*options, value)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"Error: Invalid value for '{options[-1]}': " in done.stderr


@pytest.mark.parametrize("option", ["--poll-every", "--answer-within"])
def test_a_pace_that_is_no_number_is_refused(option):
    """In every other range as well."""
    done = call("channel", "watch", "--port", "/dev/no-such-port", "--protocol", "modbus-rtu", option, "nan")
    assert done.stderr.splitlines()[-1] == f"Error: Invalid value for '{option}': nan is not a finite number."


def test_an_address_as_manuals_number_it_is_asked_about(line):
    """It may be meant, so it is read; common practice numbers holding registers from 40001."""
    asked = ("--protocol", "modbus-rtu", "--parity", "none", "--seconds", "0.5", "--address")
    facts = facts_of("channel", "watch", "--port", line[0], *asked, "40011")
    assert facts["hint"] == (
        "addresses count from 0: where 40011 is the number in the manual, address 10 with function 3 is meant"
    )
    assert call("channel", "watch", "--port", line[0], *asked, "30001").stdout.splitlines()[-1] == (
        "Hint: addresses count from 0: where 30001 is the number in the manual, address 0 with function 4 is meant."
    )
    assert facts_of("channel", "watch", "--port", line[0], *asked, "10")["hint"] == ""


def test_settings_are_proposed_from_what_arrives_and_nothing_is_written(line, tmp_path):
    """The proposal is valid TOML as it stands, and 'watch' takes it."""
    path, heard = line
    said = call("channel", "find", "--listen", "--seconds", "1", path).stdout
    assert heard == b""
    own = said[said.index(f"# {path}") :]
    assert own.splitlines()[1].startswith("# sure: ")
    assert LINE_SETTINGS.validate_python(tomllib.loads(own)["channel"]["line"]).port == path
    file = tmp_path / "line.toml"
    file.write_text(own)
    assert facts_of("channel", "watch", "--settings", file, "--seconds", "0.5")["values"] > 20


@pytest.mark.parametrize(
    ("sent", "more", "given", "unit"),
    [
        (" bar", "", {}, "bar"),
        ("", "", {}, "psi"),
        (" bar", '[channel]\nunit = "bar"\n', {}, "bar"),
        ("", '[channel]\nunit = "kPa"\n', {}, "kPa"),
        ("", '[channel]\nunit = "kPa"\n', {"unit": "MPa"}, "MPa"),
    ],
)
def test_settings_without_a_channel_are_read_in_the_unit_that_the_line_names(tmp_path, sent, more, given, unit):
    """Else psi; what is said on the command line goes first."""
    file = tmp_path / "line.toml"
    part = f', {{ part = "unit", text = "{sent}" }}' if sent else ""
    number = '{ part = "number", decimals = 2, whole_digits = 4 }'
    file.write_text(f'{more}[channel.line]\nprotocol = "ascii-line"\nport = "/dev/x"\nparts = [{number}{part}]\n')
    assert channel_of({"settings": file, **given}).unit == unit


def test_settings_in_a_unit_that_the_line_does_not_name_are_refused(tmp_path):
    """--unit psi for a line in bar."""
    file = tmp_path / "line.toml"
    parts = '[{ part = "number", decimals = 2, whole_digits = 4 }, { part = "unit", text = " bar" }]'
    file.write_text(f'[channel.line]\nprotocol = "ascii-line"\nport = "/dev/x"\nparts = {parts}\n')
    with pytest.raises(FileRefusedError) as refusal:
        channel_of({"settings": file, "unit": "psi"})
    assert str(refusal.value) == (
        f"{file}: channel.unit: found 'psi', the parts of its line say bar; write unit = \"bar\", or let the "
        "instrument send psi."
    )


def test_ports_are_listed_without_being_opened(line):
    """Those named on the command line among them."""
    listed = facts_of("channel", "find", line[0])
    assert listed[-1] == {"port": line[0], "device": line[0], "description": "named on the command line"}


# A home ------------------------------------------------------------------------------------------


def make_home(folder, port):
    assert call("init", "--home", folder, "--bench", "B1").returncode == 0
    file = folder / "bench.toml"
    text = file.read_text().replace("/dev/serial/by-id/put-the-adapter-here", port, 1)
    file.write_text(text.replace("2000-01-01", "2026-01-01").replace("2000-12-31", "2999-12-31"))
    load_bench(folder)
    return folder


def test_a_channel_that_sends_and_is_in_date_is_ready(line, tmp_path):
    """One line, exit code 0."""
    home = make_home(tmp_path / "home", line[0])
    done = call("channel", "check", "--home", home)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("PT-101: ready: port free; ")
    assert done.stdout.rstrip().endswith("calibrated 0 psi to 1000 psi, due 2999-12-31.")
    assert done.stdout.count("\n") == 1


def test_a_port_that_is_not_there_and_a_calibration_that_is_over_are_both_said(tmp_path):
    """Exit code 1."""
    home = make_home(tmp_path / "home", "/dev/no-such-port")
    file = home / "bench.toml"
    file.write_text(file.read_text().replace("2999-12-31", "2026-01-02"))
    done = call("channel", "check", "--home", home)
    assert (done.returncode, done.stdout) == (
        1,
        (
            "PT-101: NOT ready: Port /dev/no-such-port is not there. "
            "Plug the adapter in, or correct 'port' in bench.toml; "
            "its calibration was due on 2026-01-02.\n"
        ),
    )
    assert json.loads(call("channel", "check", "--home", home, "--json").stdout)[0]["ready"] is False


def test_pressure_at_the_check_is_asked_about_where_an_order_says_what_zero_is(line, tmp_path):
    """250 psi on a bench with a 250 psi valve on order."""
    home = make_home(tmp_path / "home", line[0])
    (home / "orders" / "a.toml").write_text(
        'number = "HL-1"\ncustomer = "Ellery Water Board"\nprocedure = "waterworks-swing-check"\n'
        '[[valves]]\nserial = "1"\ntype = "swing-check"\nsize = "NPS 8"\nrated = "250 psi"\nseat = "metal"\n'
    )
    done = call("channel", "check", "--home", home)
    assert done.returncode == 1
    assert done.stdout.startswith("PT-101: NOT ready: PT-101 shows 250.0")
    assert done.stdout.endswith(" psi, at atmosphere at most 2.50 psi is allowed: is it under pressure?\n")


def test_a_running_recorder_is_asked_and_its_port_is_not_touched(simulated):
    """It holds the port; it says what it reads."""
    folder = simulated.home.folder
    done = call("channel", "check", "--home", folder)
    assert done.stdout.startswith("PT-101: ready: held by our recorder; "), done.stdout + done.stderr
    refused = call("channel", "watch", "--home", folder)
    assert refused.returncode == 1
    port = load_bench(folder).channel.line.port
    assert refused.stderr.splitlines()[0] == f"Port {port} is held by the recorder of {folder}."


def test_a_running_recorder_is_asked_for_the_thermometer_too(line, tmp_path):
    """Its port is not there; the pressure channel is ready all the same."""
    home = Home(make_home(tmp_path / "home", line[0]))
    with (home.folder / "bench.toml").open("a") as file:
        file.write(
            '[temperature]\ntag = "TT-101"\ninstrument = "resistance thermometer"\nserial = "W-0007"\n'
            'expanded_uncertainty_k = "0.5"\nline = { port = "/dev/no-such-port" }\n'
        )
    attach_or_start(home).close()
    done = call("channel", "check", "--home", home.folder)
    end_recorder(home)
    first, second = done.stdout.splitlines()
    assert done.returncode == 1
    assert first.startswith("PT-101: ready: held by our recorder; ")
    assert second == "TT-101: NOT ready: Port /dev/no-such-port is not there."


def test_the_caution_stands_where_somebody_connects_a_transmitter():
    """Pressure may already be on."""
    assert "CAUTION: what is being connected may stand under pressure." in call("channel", "--help").stdout


@pytest.fixture
def simulated(tmp_path):
    from testbench.demonstration import Demonstration

    with Demonstration(tmp_path / "home", 20, 1) as demonstration:
        yield demonstration
