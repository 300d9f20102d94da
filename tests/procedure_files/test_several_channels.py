"""How bench.toml describes several pressure channels, and absolute ones; every mistake is refused in one sentence."""

import math

import pytest

from testbench.errors import FileRefusedError
from testbench.procedure_files.loader import bench_examples, bench_template, load_bench
from testbench.quantities import AbsolutePressure, Pressure
from testbench.station.bench import Bench, ChannelCalibration

SEVERAL, ABSOLUTE = "several-channels.toml", "absolute-transmitter.toml"


def load(folder, text: str) -> Bench:
    (folder / "bench.toml").write_text(text)
    return load_bench(folder)


def refused(folder, text: str) -> str:
    with pytest.raises(FileRefusedError) as refusal:
        load(folder, text)
    return str(refusal.value).replace(f"{folder}/", "")


def test_several_channels_share_a_line_or_have_their_own(tmp_path):
    """Two values of one line are read once; the third channel has its own; one decides."""
    bench = load(tmp_path, bench_examples()[SEVERAL])
    assert bench.channel.tag == "PT-101"
    assert [channel.tag for channel in bench.beside] == ["PT-102", "PT-103"]
    assert [[one.tag for one in line] for line in bench.lines] == [["PT-101", "PT-102"], ["PT-103"]]
    assert [channel.index for channel in bench.pressure_channels] == [0, 1, 0]
    (check,) = bench.cross_check
    assert (check.record.channels, check.record.lag_ms, check.record.lasting_ms) == (("PT-101", "PT-103"), 1000, 2000)


def test_the_deciding_channel_need_not_be_the_first(tmp_path):
    """It is named."""
    text = bench_examples()[SEVERAL].replace('deciding = "PT-101"', 'deciding = "PT-103"')
    bench = load(tmp_path, text)
    assert (bench.channel.tag, bench.lines[0][0].tag) == ("PT-103", "PT-103")
    assert [channel.tag for channel in bench.beside] == ["PT-101", "PT-102"]


def test_a_bench_with_one_channel_is_what_it_was(tmp_path):
    """[channel] alone."""
    bench = load(tmp_path, bench_template())
    assert (bench.beside, bench.cross_check, len(bench.lines)) == ((), (), 1)


@pytest.mark.parametrize(("old", "new", "sentence"), [
    (
        'deciding = "PT-101" ', "# ",
        ("bench.toml: deciding: found nothing, it must name one of the channels: PT-101, PT-102, PT-103; "
        "write it above the first table."),
    ),
    (
        'deciding = "PT-101" ', 'deciding = "PT-109" ',
        "bench.toml:6: deciding: found 'PT-109', it must name one of the channels: PT-101, PT-102, PT-103.",
    ),
    (
        "[collecting]", '[channel]\ntag = "PT-104"\n[collecting]',
        "bench.toml:13: channels: found beside [channel]; write all pressure channels as [[channels]], or just one.",
    ),
    (
        'tag = "PT-102"', 'tag = "PT-101"',
        "bench.toml:13: channels: found tag 'PT-101' twice; give each instrument a tag of its own.",
    ),
    (
        '"put the second serial number here"', '"put the first serial number here"',
        ("bench.toml:13: channels: found serial number 'put the first serial number here' for PT-101 and PT-102; "
         "each instrument has its own."),
    ),
    (
        'value = "seat side"', 'value = "shell side"',
        ("bench.toml:13: channels: found the same value of /dev/serial/by-id/put-the-adapter-here for PT-101 and "
         "PT-102; name another one with value = …."),
    ),
    (
        "put-the-second-adapter-here", "put-the-adapter-here",
        ("bench.toml:13: channels: found other settings of /dev/serial/by-id/put-the-adapter-here for PT-103 than for "
         "PT-101; a line is opened once, so write the same for both."),
    ),
    (
        'channels = ["PT-101", "PT-103"]', 'channels = ["PT-101", "PT-104"]',
        ("bench.toml:64: cross_check[1].channels: found 'PT-104', the pressure channels are PT-101, PT-102, "
         "PT-103."),
    ),
    (
        'channels = ["PT-101", "PT-103"]', 'channels = ["PT-101", "PT-101"]',
        "bench.toml:64: cross_check[1].channels: found 'PT-101' twice, two channels are compared.",
    ),
    (
        'channels = ["PT-101", "PT-103"]',
        'channels = ["PT-101", "PT-103"]\n[[cross_check]]\nchannels = ["PT-103", "PT-101"]',
        "bench.toml:66: cross_check[2].channels: found PT-103 and PT-101 once more; leave one of them out.",
    ),
    (
        'tag = "PT-102"', 'tag = "../PT-102"',
        ("bench.toml:33: channels[2].tag: found '../PT-102'; it becomes part of file names; leave out '/', '\\', "
         "control characters and a dot in front."),
    ),
    (
        'tag = "PT-102"', 'tag = "PT\\u001b102"',
        ("bench.toml:33: channels[2].tag: found 'PT\\x1b102'; it becomes part of file names; leave out '/', '\\', "
         "control characters and a dot in front."),
    ),
    (
        '# allowed = "2 psi" ', 'allowed = "0 psi" ',
        "bench.toml:65: cross_check[1].allowed: found '0 psi'; it must be above 0.",
    ),
    (
        'deciding = "PT-101" ', 'second_gauge = "PT-101"\ndeciding = "PT-101" ',
        "bench.toml:6: second_gauge: found 'PT-101', beside the deciding one there are PT-102, PT-103.",
    ),
    (
        "lag_s = 1.0", "lag_s = 0.01",
        "bench.toml:66: cross_check[1].lag_s: found 0.01; Input should be greater than or equal to 0.05.",
    ),
])  # fmt: skip
def test_what_does_not_fit_together_is_refused(tmp_path, old, new, sentence):
    """Place, what was found, and what to write instead."""
    assert refused(tmp_path, bench_examples()[SEVERAL].replace(old, new, 1)) == sentence


@pytest.mark.parametrize(("allowed", "fine"), [("999.9 psi", True), ("1000 psi", False)])
def test_a_difference_that_could_never_be_is_no_limit(tmp_path, allowed, fine):
    """Spans of 1000 psi and 100 bar, as the calibrations of bench.toml state them; the smaller counts."""
    text = bench_examples()[SEVERAL].replace('# allowed = "2 psi" ', f'allowed = "{allowed}" ')
    sheet = (
        'certificate_number = "C"\nlaboratory = "L"\ncalibrated_on = 2000-01-01\ndue_on = 2000-12-31\n'
        'lowest = "0 {unit}"\nhighest = "{most} {unit}"\nexpanded_uncertainty = "1 {unit}"\n'
    )
    for tag, most, unit in (("PT-101", 1000, "psi"), ("PT-103", 100, "bar")):
        head, found, rest = text.partition(f'tag = "{tag}"')
        before, line, after = rest.partition("[channels.line]")
        text = f"{head}{found}{before}[channels.calibration]\n{sheet.format(most=most, unit=unit)}{line}{after}"
    if fine:
        assert load(tmp_path, text).cross_check[0].allowed == Pressure.parse(allowed)
    else:
        assert refused(tmp_path, text).partition(": ")[2] == (
            "cross_check[1].allowed: found 1000 psi, the smaller span of the two is 1000 psi, so they could "
            "never disagree; state less, or leave it out for what both U allow."
        )


@pytest.mark.parametrize(("u", "fine"), [("0 hPa", False), ("0.1 hPa", True), ("50 hPa", True), ("50.1 hPa", False)])
def test_a_barometer_is_neither_perfect_nor_worthless(tmp_path, u, fine):
    """U above 0 and up to 50 hPa, our own choice."""
    text = bench_examples()[ABSOLUTE].replace('"10 hPa" ', f'"{u}" ')
    if fine:
        assert str(load(tmp_path, text).channel.atmosphere.expanded_uncertainty) == u
    else:
        assert refused(tmp_path, text) == (
            f"bench.toml:13: barometer.expanded_uncertainty: found {u}, it must be above 0 and at most 50 hPa, more "
            "than the weather moves a barometer; state how well it is known and how far it moves until it is stated "
            "again."
        )


def test_a_deciding_channel_needs_channels_to_choose_from(tmp_path):
    """Beside the one [channel] it says nothing."""
    text = 'deciding = "PT-101"\n' + bench_template()
    assert refused(tmp_path, text) == (
        "bench.toml:1: deciding: found it without [[channels]]; leave it out beside the one [channel]."
    )


def test_no_more_than_four(tmp_path):
    """Five tables."""
    head, *tables = bench_examples()[SEVERAL].partition("[[cross_check]]")[0].split("[[channels]]")
    more = [
        tables[-1].replace("PT-103", f"PT-{number}").replace("third", f"{number}").replace("second", f"{number}")
        for number in (104, 105)
    ]
    text = "[[channels]]".join([head, *tables, *more]) + '[collecting]\nname = "cup"\nvolume_uncertainty = "1 mL"\n'
    assert refused(tmp_path, text) == (
        "bench.toml:13: channels: Tuple should have at most 4 items after validation, not 5."
    )


# Absolute transmitters --------------------------------------------------------------------------


def test_an_absolute_transmitter_is_read_as_gauge(tmp_path):
    """1013 hPa is 14.692 psi, taken off range and readings; U = √(1.0² + 0.145²) = 1.0105 psi (10 hPa)."""
    channel = load(tmp_path, bench_examples()[ABSOLUTE]).channel
    record = channel.record(ChannelCalibration(**dict(channel.calibration)))
    assert (str(record.lowest), str(record.highest)) == ("-14.692 psi", "985.307 psi")  # −14.6923 and 985.3077
    ten_hpa = 10 * 100 / 6894.757293168361
    assert str(record.expanded_uncertainty) == "1.011 psi"
    assert record.expanded_uncertainty.to("psi") >= math.hypot(1.0, ten_hpa)
    assert record.scale.pressure(1469).text(2) == "0.00 psi"
    assert record.at_atmosphere.pressure(1469).text(2) == "0.00 psi"
    assert record.atmosphere.pressure == AbsolutePressure.parse("1013 hPa")
    assert channel.scale(None).pressure(25_000) > Pressure.of(235, "psi")


def test_an_absolute_transmitter_needs_a_barometric_value(tmp_path):
    """Without it nobody could tell what it must show at atmosphere."""
    text = bench_examples()[ABSOLUTE]
    start, end = text.index("[barometer]"), text.index("[channel]")
    assert refused(tmp_path, text[:start] + text[end:]) == (
        "bench.toml:16: channel.reference: found 'absolute' and no barometric value, which must be taken off; state it "
        "in [barometer]."
    )


@pytest.mark.parametrize(("old", "new", "sentence"), [
    (
        '"1013 hPa" ', '"1013" ',
        ("bench.toml:12: barometer.pressure: found '1013'; AbsolutePressure cannot be read from '1013'; a number and a "
         "unit are needed."),
    ),
    (
        'stated = "works barometer, read by First Operator on 2000-01-01"', "",
        "bench.toml:11: barometer.stated: found nothing; this field is needed.",
    ),
    (
        '"1013 hPa" ', '"30 psi" ',
        "bench.toml:12: barometer.pressure: found '30 psi'; an atmosphere has 500 hPa to 1100 hPa.",
    ),
])  # fmt: skip
def test_what_the_barometer_says_must_be_an_atmosphere(tmp_path, old, new, sentence):
    """Its value, who read it, and its order of magnitude."""
    assert refused(tmp_path, bench_examples()[ABSOLUTE].replace(old, new, 1)) == sentence


def test_a_barometer_beside_gauge_transmitters_changes_nothing(tmp_path):
    """Only what is absolute takes it."""
    text = bench_examples()[ABSOLUTE].replace('reference = "absolute"\n', "")
    assert load(tmp_path, text).channel.atmosphere is None
