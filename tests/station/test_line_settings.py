"""Settings of a line: the shipped examples, the decoders they make, and a sentence for each mistake."""

import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

import testbench
from testbench.framing.checksums import crc16
from testbench.framing.readings import Reading, Rejected, RejectReason
from testbench.station.line_settings import LINE_SETTINGS

EXAMPLES = Path(testbench.__file__).parent / "procedure_files" / "examples"
NUMBER = {"part": "number", "whole_digits": 4, "decimals": 2}
VALUE = {"address": 0, "type": "float32", "decimals": 2}
LINE = {"protocol": "ascii-line", "port": "/dev/x", "parts": [NUMBER]}
RTU = {"protocol": "modbus-rtu", "port": "/dev/x", "baud": 19200, "function": 4, "values": [VALUE]}
TCP = {"protocol": "modbus-tcp", "host": "192.0.2.10", "function": 3, "values": [VALUE]}
SCPI = {"protocol": "scpi", "port": "/dev/x", "query": "MEAS:PRES?", "values": [{"decimals": 2}]}


def example(name):
    return LINE_SETTINGS.validate_python(tomllib.loads((EXAMPLES / f"{name}.toml").read_text())["channel"]["line"])


def answered(name, answer):
    conversation = example(name).conversation()
    conversation.ask()
    return conversation.feed(answer)


def test_every_protocol_has_an_example_and_no_example_is_of_none():
    """One commented file each."""
    protocols = {"ascii-line", "ascii-prompt", "modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp", "scpi"}
    assert {path.stem for path in EXAMPLES.glob("*.toml")} == protocols
    assert {example(name).protocol for name in protocols} == protocols


def test_the_example_of_lines_reads_what_it_says():
    """Value, unit, status and checksum: the exclusive or of "+0250.13 psi G" is 2D, by hand."""
    framer = example("ascii-line").framer()
    found = framer.feed(b"\r\n+0250.13 psi G*2D\r\n+0250.13 psi H*22\r\nNO SENSOR\r\n+0250.13 psi G*2C\r\n")
    assert found[1] == Reading(25013)
    assert [item.reason for item in found[2:]] == [
        RejectReason.OVER_RANGE,
        RejectReason.FAULT,
        RejectReason.CHECKSUM,
    ]


def test_the_example_of_a_prompt_reads_what_it_says():
    """ "P?" is asked, a line comes back."""
    assert example("ascii-prompt").conversation().ask() == b"P?\r"
    assert answered("ascii-prompt", b"+0250.13\r") == Reading(25013)


def test_the_example_of_modbus_rtu_reads_what_it_says():
    """250.13 as float32 (437A2148), 18.5 as int16, status good; then over range, then a temperature that is none."""
    assert example("modbus-rtu").conversation().ask()[:-2] == bytes.fromhex("010400000004")

    def frame(registers):
        body = bytes.fromhex("010408") + bytes.fromhex(registers)
        return (body + crc16(body).to_bytes(2, "little")).replace(b"\xff", b"\xff\xff")  # as the kernel hands it on

    assert answered("modbus-rtu", frame("437A214800B90008")) == Reading(25013, (185,))
    assert answered("modbus-rtu", frame("437A214800B90001")).reason is RejectReason.OVER_RANGE
    assert answered("modbus-rtu", frame("437A21487FFF0000")).reason is RejectReason.FAULT


def test_the_examples_over_tcp_read_what_they_say():
    """int32 25013 with its low word first, and 250.13 as float32 with its low word first."""
    assert answered("modbus-tcp", bytes.fromhex("000100000007010304") + bytes.fromhex("61B50000")) == Reading(25013)
    body = bytes.fromhex("0104042148437A")
    assert answered("modbus-rtu-over-tcp", body + crc16(body).to_bytes(2, "little")) == Reading(25013)


def test_the_example_of_ieee_488_2_reads_what_it_says():
    """An NR3 number."""
    assert example("scpi").conversation().ask() == b"MEAS:PRES?\n"
    assert answered("scpi", b"+2.5013E+02\n") == Reading(250130)


def test_values_are_told_apart_by_name():
    """The first is the channel's reading; each says what a count of it is."""
    assert example("modbus-rtu").decimals == {"pressure": 2, "temperature": 1}
    assert example("ascii-line").decimals == {"pressure": 2}
    assert example("scpi").decimals == {"pressure": 3}


@pytest.mark.parametrize(
    ("baud", "gap_s"),
    [(9600, 38.5 / 9600), (19200, 38.5 / 19200), (19201, 0.00175), (115200, 0.00175)],
)
def test_the_silence_before_a_query_is_three_and_a_half_characters(baud, gap_s):
    """MODBUS over Serial Line V1.02, 2.5.1.1 (from memory): of 11 bits; fixed at 1.75 ms above 19 200 baud."""
    settings = LINE_SETTINGS.validate_python(RTU | {"baud": baud})
    assert settings.timing().gap_s == pytest.approx(gap_s)


@pytest.mark.parametrize(("parity", "port", "marked"), [("even", "/dev/x", True), ("none", "/dev/x", False)])
def test_damage_is_looked_for_where_the_kernel_marks_it(parity, port, marked):
    """With parity a pair FF FF is one byte; without it, it is two."""
    settings = LINE_SETTINGS.validate_python(RTU | {"parity": parity, "port": port})
    conversation = settings.conversation()
    conversation.ask()
    assert conversation.feed(b"\xff\xff") is None
    assert conversation.give_up().raw == (b"\xff" if marked else b"\xff\xff")


def test_behind_a_url_nothing_is_marked():
    """There is no kernel of ours at the far end."""
    settings = LINE_SETTINGS.validate_python(RTU | {"port": "socket://192.0.2.11:4001"})
    conversation = settings.conversation()
    conversation.ask()
    conversation.feed(b"\xff\xff")
    assert conversation.give_up().raw == b"\xff\xff"


VARYING = NUMBER | {"fewest_whole_digits": 1}
CHECKSUM = {"part": "checksum", "kind": "xor"}
STATUS = {"part": "status", "codes": {"G": "good", "E": "fault"}}
COMMA = {"part": "separator", "text": ","}
SECOND = NUMBER | {"name": "temperature"}
INTEGER = {"address": 0, "type": "int16", "scale": "0.1", "decimals": 1}


@pytest.mark.parametrize(
    ("settings", "place", "sentence"),
    [
        (LINE | {"parts": [COMMA]}, (), "parts: found no number, at least one is needed"),
        (
            LINE | {"parts": [NUMBER, CHECKSUM, CHECKSUM]}, (),
            "parts: found 2 checksums, at most one is allowed",
        ),
        (
            LINE | {"parts": [NUMBER, COMMA, NUMBER]}, (),
            "parts: found two numbers of one name; give each a name of its own",
        ),
        (
            LINE | {"parts": [VARYING]}, (),
            ("parts: found a number of varying width and no checksum, so a line that lost a digit is still one; "
            "let the instrument send all digits, or a checksum, or accept it with lost_digits_may_pass = true"),
        ),
        (
            LINE | {"parts": [NUMBER | {"sign": "optional"}]}, (),
            ("parts: found a number of varying width and no checksum, so a line that lost a digit is still one; "
            "let the instrument send all digits, or a checksum, or accept it with lost_digits_may_pass = true"),
        ),
        (
            LINE | {"parts": [VARYING | {"fewest_whole_digits": 5}, CHECKSUM]}, (),
            "parts: found fewest_whole_digits = 5 for 'pressure', at most its whole_digits = 4 is allowed",
        ),
        (
            LINE | {"parts": [VARYING | {"padded": True}]}, (),
            "parts: found padded and fewest_whole_digits for 'pressure'; padding alone says that digits vary",
        ),
        (
            LINE | {"parts": [VARYING | {"decimals": 0}, CHECKSUM]}, (),
            "parts: found digits that vary in number directly before other digits; put a separator between them",
        ),
        (
            LINE | {"parts": [NUMBER, COMMA], "delimiter": ","}, (),
            "parts: found ',', which ends the line, within a part; choose another delimiter",
        ),
        (
            LINE | {"delimiter": "."}, (),
            "parts: found '.', which ends the line, within a part; choose another delimiter",
        ),
        (
            LINE | {"delimiter": "5", "parts": [NUMBER, CHECKSUM]}, (),
            "parts: found '5', which ends the line, within a part; choose another delimiter",
        ),
        (LINE | {"delimiter": "\n\n"}, ("delimiter",), "found '\\n\\n', two bytes of a delimiter must differ"),
        (
            LINE | {"parts": [NUMBER, {"part": "status", "codes": {"G": "good", "ERR": "fault"}}]},
            ("parts", 1, "status", "codes"), "found codes 'G', 'ERR', all must have one length",
        ),
        (
            LINE | {"parts": [NUMBER, {"part": "status", "codes": {"E": "fault"}}]}, ("parts", 1, "status", "codes"),
            "found no code that means good, so no line could be a reading; list it",
        ),
        (
            SCPI | {"query": "MEAS:PRES?;*RST?"}, ("query",),
            "found a ';', only one query is sent at a time; ask for several values with one query",
        ),
        (
            RTU | {"values": [VALUE | {"scale": "0.1"}]}, ("values", 0),
            "scale: found '0.1' for float32; an integer needs one, a float has none",
        ),
        (
            RTU | {"values": [VALUE | {"type": "int16"}]}, ("values", 0),
            "scale: found None for int16; an integer needs one, a float has none",
        ),
        (
            RTU | {"values": [INTEGER | {"decimals": 0}]}, ("values", 0),
            "decimals: found 0, too few to hold steps of 0.1 without rounding",
        ),
        (
            RTU | {"values": [INTEGER | {"order": "CDAB"}]}, ("values", 0),
            "order: found CDAB for one register, allowed are ABCD and BADC",
        ),
        (
            TCP | {"values": [VALUE, VALUE | {"address": 2}]}, (),
            "values: found two of one name; give each a name of its own",
        ),
        (
            TCP | {"values": [VALUE, VALUE | {"name": "second", "address": 124}]}, (),
            "values: found registers that span 126, one query reads at most 125, and all values must come of one query",
        ),
        (
            TCP | {"status": {"address": 9, "codes": {"1": "fault"}}}, ("status", "codes"),
            "found no code that means good, so no answer could be a reading; list it",
        ),
        (
            RTU | {"baud": 300, "answer_within_s": 0.7}, (),
            ("answer_within_s: found 0.7, query and answer alone take 0.752 s at 300 baud; "
            "allow three times what the device needs at worst"),
        ),
    ],
)  # fmt: skip
def test_a_mistake_is_refused_with_place_and_remedy(settings, place, sentence):
    """The whole sentence, and where it stands."""
    with pytest.raises(ValidationError) as refusal:
        LINE_SETTINGS.validate_python(settings)
    error = refusal.value.errors()[0]
    assert error["msg"].removeprefix("Value error, ") == sentence
    assert error["loc"][1:] == place


@pytest.mark.parametrize(
    "settings",
    [
        LINE,
        LINE | {"parts": [VARYING, CHECKSUM]},
        LINE | {"parts": [VARYING], "lost_digits_may_pass": True},
        LINE | {"parts": [NUMBER | {"padded": True, "sign": "optional"}]},
        LINE | {"parts": [NUMBER, COMMA, SECOND]},
        LINE | {"parts": [VARYING | {"decimals": 0}, STATUS, CHECKSUM]},
        LINE | {"delimiter": "\n\r"},
        TCP | {"values": [VALUE, VALUE | {"name": "second", "address": 123}]},
        RTU | {"values": [INTEGER | {"order": "BADC"}]},
        RTU | {"baud": 300, "answer_within_s": 0.76},
        RTU | {"parity": "none", "stop_bits": 2},
    ],
)
def test_on_the_other_side_of_each_limit_it_is_taken(settings):
    """The last value that is allowed."""
    LINE_SETTINGS.validate_python(settings)


@pytest.mark.parametrize(
    ("settings", "place"),
    [
        (RTU | {"function": 6}, "function"),
        (RTU | {"function": 16}, "function"),
        (RTU | {"unit_id": 0}, "unit_id"),
        (RTU | {"unit_id": 248}, "unit_id"),
        (RTU | {"byte_size": 7}, "byte_size"),
        (SCPI | {"query": "*RST"}, "query"),
        (SCPI | {"query": "MEAS?\n*RST"}, "query"),
        (LINE | {"instead": {"OK": "good"}}, "instead"),
        (LINE | {"delimiter": ""}, "delimiter"),
        (LINE | {"delimiter": "abc"}, "delimiter"),
        (LINE | {"speed": 9600}, "speed"),
    ],
)
def test_what_no_setting_may_be(settings, place):
    """Functions that write, commands, units that do not exist, keys that nobody knows."""
    with pytest.raises(ValidationError) as refusal:
        LINE_SETTINGS.validate_python(settings)
    assert place in refusal.value.errors()[0]["loc"]


def test_a_line_longer_than_usual_is_read_whole():
    """The longest line allowed follows from the parts."""
    parts = [{"part": "text", "text": "x" * 60}, NUMBER, {"part": "text", "text": "y" * 10}]
    line = b"x" * 60 + b"+0250.13" + b"y" * 10 + b"\r\n"
    framer = LINE_SETTINGS.validate_python(LINE | {"parts": parts}).framer()
    assert framer.feed(b"\n" + line) == [Rejected(b"", RejectReason.FIRST_PARTIAL), Reading(25013)]
    prompt = LINE | {"protocol": "ascii-prompt", "query": "?", "parts": parts}
    conversation = LINE_SETTINGS.validate_python(prompt).conversation()
    conversation.ask()
    assert conversation.feed(line) == Reading(25013)
