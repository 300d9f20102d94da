"""What a valve must pass, as a quality engineer asks for it at the command line."""

import json

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import BenchError
from testbench.procedure_files.loader import shipped_folder

EIGHT = ["--type", "swing-check", "--nps", "8", "--rated", "250 psi", "--seat"]


def facts(*words: str):
    """The JSON that a command prints."""
    done = CliRunner().invoke(cli, [*words, "--json"], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.output)


def refused(*words: str) -> str:
    """The sentence that a command is refused with."""
    done = CliRunner().invoke(cli, [*words])
    assert isinstance(done.exception, BenchError)
    return str(done.exception)


def test_the_sheet_of_a_metal_seated_check_valve():
    """ALW-06: 8 inch, metal, 1 fl oz/h per inch: 236.6 mL/h; shell at twice the rating (common practice)."""
    sheet = facts("requirements", "waterworks-swing-check", *EIGHT, "metal", "--unit", "mL/h")
    shell, seat = sheet["stages"]
    assert (shell["stage"], shell["required_pressure"]) == ("shell test", {"value": 500, "unit": "psi"})
    assert (shell["upper_limit"], shell["hold_s"], shell["pressurized_side"]) == (
        {"value": 550, "unit": "psi"},
        120,
        "inlet",
    )
    assert (seat["required_pressure"], seat["pressurized_side"]) == ({"value": 250, "unit": "psi"}, "outlet")
    limit = seat["criteria"][0]["limit"]
    assert limit["unit"] == "mL/h"
    assert limit["value"] == pytest.approx(236.6, abs=0.05)
    assert any("verify against your copy of the standard" in source for source in seat["sources"])


def test_a_size_by_dn_is_the_same_size_and_another_unit_the_same_pressure():
    """DN 200 is NPS 8; 500 psi are 34.47 bar."""
    words = ["--type", "swing-check", "--dn", "200", "--rated", "250 psi", "--seat", "resilient", "--unit", "bar"]
    shell = facts("requirements", "waterworks-swing-check", *words)["stages"][0]
    assert shell["required_pressure"]["value"] == pytest.approx(34.4738, abs=1e-4)
    assert shell["required_pressure"]["unit"] == "bar"


def test_two_procedures_stand_beside_each_other():
    """The same valve under two standards."""
    both = facts("requirements", "waterworks-swing-check", *EIGHT, "metal", "--compare", "us-nebraska-195-check")
    assert [sheet["procedure"] for sheet in both] == ["waterworks-swing-check", "us-nebraska-195-check"]
    shown = CliRunner().invoke(
        cli, ["requirements", "waterworks-swing-check", *EIGHT, "metal", "--compare", "us-nebraska-195-check"]
    )
    assert shown.exit_code == 0
    assert "SHELL TEST\n  waterworks-swing-check   500 psi (up to 550 psi), 120 s, from the inlet;" in shown.output
    assert "[memory: verify against your copy]" in shown.output


def test_a_procedure_that_does_not_apply_says_so_in_its_own_place():
    """The others are compared all the same."""
    both = facts("requirements", "waterworks-swing-check", *EIGHT, "metal", "--compare", "api-598-10-steel")
    assert len(both[0]["stages"]) == 2
    assert both[1]["stages"] == []
    assert both[1]["refused"].startswith("Procedure ")


NO_NINE = (
    "The valve's size cannot be 'NPS 9': Size NPS 9 is not in the table of nominal sizes; it holds 2, 2.5, 3, "
    "4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 24, 26, 28, 30, 32, 36, 40, 42, 48."
)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            ["--type", "swing-check", "--nps", "8", "--seat", "metal"],
            "The valve's rated pressure is not stated; this procedure cannot tell it from class, material or PN.",
        ),
        (
            ["--type", "swing-check", "--rated", "250 psi", "--seat", "metal"],
            "The valve's size is not stated; give it as NPS or as DN.",
        ),
        (
            ["--type", "swing-check", "--nps", "9", "--rated", "250 psi", "--seat", "metal"],
            NO_NINE,
        ),
        (
            ["--type", "gate", "--nps", "8", "--rated", "250 psi", "--seat", "metal"],
            "Procedure waterworks-swing-check does not apply: valve type is gate; allowed: swing-check.",
        ),
        (
            ["--type", "swing-check", "--nps", "8", "--rated", "250", "--seat", "metal"],
            "The valve's rated cannot be '250': Pressure cannot be read from '250'; a number and a unit are needed.",
        ),
    ],
)
def test_a_half_known_valve_is_refused_with_what_is_missing(words, sentence):
    """Nothing is guessed and nothing has a silent default."""
    assert refused("requirements", "waterworks-swing-check", *words) == sentence


def test_a_procedure_is_adopted_once_every_source_is_confirmed(tmp_path):
    """Who confirmed which number, from which copy, when; the list says so afterwards."""
    home = ["--home", str(tmp_path / "home")]
    assert CliRunner().invoke(cli, ["init", *home], catch_exceptions=False).exit_code == 0
    shown = facts("procedure", "show", "waterworks-swing-check", *home)
    adopt = ["procedure", "adopt", "waterworks-swing-check", "--by", "Tobin Ashe", *home]
    first, *rest = shown["to_confirm"]
    copies = [f"--copy={key}=C508-17, works copy 3" for key in rest]
    assert refused(*adopt, *copies) == (f"Procedure waterworks-swing-check was not adopted: not confirmed are {first}.")
    assert not listed(home)["adopted"]
    adopted = facts(*adopt, *copies, f"--copy={first}=decision of the works, 2026-11-25")
    assert {found["source"]: found["copy_seen"] for found in adopted["confirmed"]}[first] == (
        "decision of the works, 2026-11-25"
    )
    assert (listed(home)["adopted"], listed(home)["adopted_by"]) == (True, "Tobin Ashe")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--by", "   "], "adopted_by is empty or too long"),
        (["--by", "Tobin Ashe", "--copy", "house=x", "--copy", "house=y"], "a source is confirmed twice"),
        (["--by", "Tobin Ashe", "--copy", "house=  "], "copy_seen is empty or too long"),
    ],
)
def test_an_adoption_by_nobody_or_from_nothing_is_refused(tmp_path, words, sentence):
    """It would make real certificates."""
    home = ["--home", str(tmp_path / "home")]
    assert CliRunner().invoke(cli, ["init", *home], catch_exceptions=False).exit_code == 0
    said = refused("procedure", "adopt", "us-46cfr-56-20-15", *home, "--decision", "of the works", *words)
    assert said == f"Procedure us-46cfr-56-20-15 was not adopted: {sentence}."


def test_the_house_recipe_of_the_readme_works(tmp_path):
    """Copy the template, give it a name, check, adopt by a decision of the works."""
    home = tmp_path / "home"
    assert CliRunner().invoke(cli, ["init", "--home", str(home)], catch_exceptions=False).exit_code == 0
    text = (shipped_folder() / "house-template.toml").read_text().replace('id = "house-template"', 'id = "our-check"')
    file = home / "procedures" / "our-check.toml"
    file.write_text(text)
    assert facts("procedure", "check", str(file))["id"] == "our-check"
    adopt = ["procedure", "adopt", "our-check", "--by", "Tobin Ashe", "--decision", "of the works, 2026-11-25"]
    assert facts(*adopt, "--home", str(home))["adopted_by"] == "Tobin Ashe"


def test_one_broken_house_file_hides_no_other(tmp_path):
    """It is named, and the rest is listed."""
    home = tmp_path / "home"
    assert CliRunner().invoke(cli, ["init", "--home", str(home)], catch_exceptions=False).exit_code == 0
    (home / "procedures" / "broken.toml").write_text("x=")
    shown = CliRunner().invoke(cli, ["procedure", "list", "--home", str(home)], catch_exceptions=False)
    assert "waterworks-swing-check (revision 2)" in shown.output
    assert "REFUSED" in shown.output
    assert "broken.toml: the text: found Invalid value" in shown.output


def test_a_unit_that_nothing_is_measured_in_is_refused():
    """Not silently left out of account."""
    assert refused("requirements", "waterworks-swing-check", *EIGHT, "metal", "--unit", "furlong").startswith(
        "A requirement has no unit 'furlong'; allowed are psi, bar,"
    )


def test_the_key_is_made_out_to_the_works_before_anything_is_sealed(tmp_path):
    """``init`` makes a key before anybody described the bench; the first run makes it anew in the right name."""
    from testbench.certificate.keys import CERTIFICATE_FILE, read_certificate, signer_of
    from testbench.wiring import Home, fit_key

    home = tmp_path / "home"
    assert CliRunner().invoke(cli, ["init", "--home", str(home)], catch_exceptions=False).exit_code == 0
    bench = home / "bench.toml"
    bench.write_text(bench.read_text().replace("Name of the works", "Harrow Lane Valve Works"))
    fit_key(Home(home))
    assert "Harrow Lane Valve Works" in signer_of(read_certificate(home / "keys" / CERTIFICATE_FILE))
    kept = sorted(file.name.split("-")[1] for file in (home / "keys").glob("station-*"))
    assert kept == ["cert", "cert.pem", "key.pem"]  # of the old one the certificate stays, the key is destroyed
    (home / "certificates" / "C-1.pdf").write_bytes(b"")
    bench.write_text(bench.read_text().replace("Harrow Lane Valve Works", "Another Works"))
    fit_key(Home(home))
    assert "Harrow Lane Valve Works" in signer_of(read_certificate(home / "keys" / CERTIFICATE_FILE))


def listed(home):
    """The waterworks procedure as the list tells it."""
    return next(fact for fact in facts("procedure", "list", *home) if fact["id"] == "waterworks-swing-check")


def test_with_a_bench_the_sheet_says_what_its_channel_must_show(tmp_path):
    """Required 500 psi, U = 1 psi, the transmitter 1 m above the valve (GAU-3: 1.42 psi): 499.58 psi."""
    home = tmp_path / "home"
    assert CliRunner().invoke(cli, ["init", "--home", str(home)], catch_exceptions=False).exit_code == 0
    bench = home / "bench.toml"
    bench.write_text(bench.read_text().replace('height_above_valve_m = "0"', 'height_above_valve_m = "1"'))
    shell = facts("requirements", "waterworks-swing-check", *EIGHT, "metal", "--home", str(home))["stages"][0]
    assert shell["least_indication"]["value"] == pytest.approx(499.578, abs=5e-4)
    assert (shell["channel"], shell["range_covers"], shell["range_suits"]) == ("PT-101", True, True)
