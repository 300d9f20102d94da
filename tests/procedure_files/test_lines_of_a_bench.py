"""How bench.toml says that an instrument speaks: every example loads, every mistake is refused in one sentence."""

import re

import pytest

from testbench.errors import FileRefusedError
from testbench.framing.lines import GrammarFramer
from testbench.procedure_files.loader import bench_template, line_examples, load_bench
from testbench.station.line_settings import PlainLineSettings

EXAMPLES = line_examples()
PLAIN = re.compile(r"\[channel\.line\].*?\n\n", re.DOTALL)


def with_line(text: str) -> str:
    """The template with another line; how many digits it has is then said by the line."""
    template = re.sub(r"^(decimals = 2|whole_digits = 4) .*\n", "", bench_template(), flags=re.MULTILINE)
    return PLAIN.sub(lambda _: f"{text}\n", template, count=1)


def load(folder, text: str):
    (folder / "bench.toml").write_text(text)
    return load_bench(folder)


def refused(folder, text: str) -> str:
    with pytest.raises(FileRefusedError) as refusal:
        load(folder, text)
    assert refusal.value.remedy == "Correct what is named in the file and try again; nothing has been changed."
    return str(refusal.value).replace(f"{folder}/", "")


def test_there_is_an_example_of_every_protocol():
    """Six protocols beside the plain lines of the template."""
    assert list(EXAMPLES) == [
        "ascii-line.toml", "ascii-prompt.toml", "modbus-rtu-over-tcp.toml", "modbus-rtu.toml", "modbus-tcp.toml",
        "scpi.toml",
    ]  # fmt: skip


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_shipped_example_stands_in_place_of_the_templates_line(tmp_path, name):
    """Copied as it is."""
    channel = load(tmp_path, with_line(EXAMPLES[name])).channel
    assert f"{channel.line.protocol}.toml" == name
    assert (channel.index, channel.places) == (0, 3 if name == "scpi.toml" else 2)
    assert isinstance(channel.framer(), GrammarFramer) == (name == "ascii-line.toml")


def test_a_line_without_a_protocol_is_what_it_always_was(tmp_path):
    """Files from before load: plain lines, digits beside the line."""
    channel = load(tmp_path, bench_template()).channel
    assert isinstance(channel.line, PlainLineSettings)
    assert (channel.places, channel.whole_digits) == (2, 4)


def test_the_channel_names_the_value_that_it_means(tmp_path):
    """The second value of the Modbus example, a temperature in tenths."""
    text = with_line(EXAMPLES["modbus-rtu.toml"]).replace('# value = "pressure" ', 'value = "temperature" ')
    channel = load(tmp_path, text).channel
    assert (channel.index, channel.places) == (1, 1)


def test_the_thermometer_takes_any_protocol_as_well(tmp_path):
    """Its table within [temperature]."""
    text = bench_template() + (
        '\n[temperature]\ntag = "TT-101"\ninstrument = "resistance thermometer"\nserial = "W-0007"\n'
        'expanded_uncertainty_k = "0.5"\n'
        '[temperature.line]\nprotocol = "modbus-tcp"\nhost = "192.0.2.10"\nfunction = 4\n'
        '[[temperature.line.values]]\nname = "water"\naddress = 2\ntype = "int16"\nscale = "0.01"\ndecimals = 2\n'
    )
    assert load(tmp_path, text).temperature.places == 2


@pytest.mark.parametrize(
    ("example", "old", "new", "sentence"),
    [
        (
            "modbus-rtu.toml", '"modbus-rtu"', '"modbus-ascii"',
            ("bench.toml:30: channel.line.protocol: found 'modbus-ascii'; allowed are 'plain-line', 'ascii-line', "
            "'ascii-prompt', 'scpi', 'modbus-rtu', 'modbus-tcp', 'modbus-rtu-over-tcp'."),
        ),
        (
            "modbus-rtu.toml", "address = 2", "address = 70000",
            "bench.toml:49: channel.line.values[2].address: found 70000; Input should be less than or equal to 65535.",
        ),
        (
            "modbus-rtu.toml", "answer_within_s = 0.1 ", "answer_within_s = 0.01 ",
            ("bench.toml:37: channel.line.answer_within_s: found 0.01, query and answer alone take 0.014 s at 19200 "
            "baud; allow three times what the device needs at worst."),
        ),
        (
            "ascii-line.toml", "decimals = 2 },", "decimals = 9 },",
            "bench.toml:38: channel.line.parts[1].decimals: found 9; Input should be less than or equal to 6.",
        ),
        (
            "scpi.toml", "MEAS:PRES?", "MEAS:PRES",
            ("bench.toml:32: channel.line.query: found 'MEAS:PRES'; String should match pattern "
             r"'^[\x21-\x7e][\x20-\x7e]*\?[\x20-\x7e]*$'."),
        ),
    ],
)  # fmt: skip
def test_a_mistake_in_a_line_is_refused_with_place_and_remedy(tmp_path, example, old, new, sentence):
    """The place as the file has it, without the names that only the program knows."""
    assert refused(tmp_path, with_line(EXAMPLES[example]).replace(old, new, 1)) == sentence


@pytest.mark.parametrize(
    ("part", "sentence"),
    [
        (
            '"unit", text = " bar"',
            ("found 'psi', the parts of its line say bar; write unit = \"bar\", or let the instrument send psi."),
        ),
        (
            '"text", text = " BARG"',
            ("found 'psi', the parts of its line say bar; write unit = \"bar\", or let the instrument send psi."),
        ),
        (
            '"unit", text = " mbar"',
            "found 'psi', the parts of its line say mbar; let the instrument send psi.",
        ),
        ('"unit", text = " PSIG"', ""),
        ('"unit", text = " %"', ""),
        ('"text", text = " barn"', ""),
    ],
)
@pytest.mark.parametrize("protocol", ["ascii-line", "ascii-prompt"])
def test_a_channel_has_the_unit_that_its_line_names(tmp_path, protocol, part, sentence):
    """Bar read as psi would be wrong by a factor of 14.5; a text that is no pressure unit says nothing."""
    example = EXAMPLES["ascii-line.toml"].replace("parts = [ ", 'query = "P?"\nparts = [ ', protocol == "ascii-prompt")
    text = with_line(example.replace('"ascii-line"', f'"{protocol}"').replace('"unit", text = " psi"', part))
    if sentence:
        assert refused(tmp_path, text) == f"bench.toml:18: channel.unit: {sentence}"
    else:
        assert load(tmp_path, text).channel.unit == "psi"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            '# value = "pressure" ', 'value = "presure" ',
            "bench.toml:19: channel.value: found 'presure', the line brings pressure, temperature.",
        ),
        (
            '# value = "pressure" ', "decimals = 3 ",
            "bench.toml:19: channel.decimals: found 3, the line's own settings say 2.",
        ),
    ],
)  # fmt: skip
def test_what_the_channel_says_of_its_line_must_be_so(tmp_path, old, new, sentence):
    """A value that the line does not bring; decimals that are not the line's."""
    assert refused(tmp_path, with_line(EXAMPLES["modbus-rtu.toml"]).replace(old, new, 1)) == sentence


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "decimals = 2  ", "# ",
            "bench.toml:14: channel.decimals: found nothing, plain lines need it: +0250.13 has 2.",
        ),
        (
            '# value = "pressure" ', 'value = "pressure" ',
            "bench.toml:21: channel.value: found 'pressure', a plain line has one value without a name.",
        ),
    ],
)  # fmt: skip
def test_plain_lines_need_their_digits_and_have_no_names(tmp_path, old, new, sentence):
    """+0250.13 says nothing of itself."""
    assert refused(tmp_path, bench_template().replace(old, new, 1)) == sentence
