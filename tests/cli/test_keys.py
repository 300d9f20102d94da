"""``testbench keys`` from a fresh home to a customer's check, and the recorder's child that nobody sits at."""

import json
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from testbench.certificate import pkcs12
from testbench.certificate.verify import verify
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import BenchError
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve

ROOT, ISSUING, STATION, PERSON = (
    "the root's phrase",
    "the issuing phrase",
    "the station's phrase",
    "Mara Quill's phrase",
)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench with one closed run; keys under fewer rounds than in earnest."""
    monkeypatch.setattr(pkcs12, "ROUNDS", 1000)
    monkeypatch.delenv("TESTBENCH_PASSPHRASE_FILE", raising=False)
    made = make_home(tmp_path / "home")
    with open_store(Home(made.folder)) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    return made.folder


def keys(home: Path, *arguments: str, told: tuple[str, ...] = ()) -> Result:
    said = "".join(f"{line}\n" for line in told)
    return CliRunner().invoke(cli, ["keys", *arguments, "--passphrase-stdin", "--home", str(home)], input=said)


def founded(home: Path) -> Result:
    return keys(home, "init", "--root-dir", str(home.parent / "root"), told=(ROOT, ISSUING, STATION))


def shown(home: Path) -> list[dict[str, str]]:
    found = CliRunner().invoke(cli, ["keys", "show", "--json", "--home", str(home)])
    return list(json.loads(found.output))


def test_a_works_founds_its_authority(home: Path) -> None:
    """Root, issuing authority, station; and it is said where the root belongs."""
    found = founded(home)
    assert found.exit_code == 0, found.output
    assert f"Made the works' root in {home.parent / 'root'}. Move that folder to a medium of its own" in found.output
    assert [entry["role"] for entry in shown(home)] == ["root", "issuing", "station", "station"]
    assert [entry["state"].split()[0] for entry in shown(home)] == ["in", "in", "revoked", "in"]
    assert (home / "keys" / "station.p12").stat().st_mode & 0o777 == 0o600


def test_persons_come_and_go(home: Path) -> None:
    """Issue, renew, revoke: the list tells each step."""
    founded(home)
    assert keys(home, "issue", "Mara Quill", told=(ISSUING, PERSON)).exit_code == 0
    assert keys(home, "renew", "Mara Quill", told=(ISSUING, PERSON)).exit_code == 0
    assert keys(home, "revoke", "Mara Quill", "--reason", "left", told=(ISSUING,)).exit_code == 0
    states = [entry["state"] for entry in shown(home) if entry["role"] == "person"]
    assert states[0] == "in force"
    assert states[1].startswith("revoked ")
    assert states[1].endswith(" (affiliationChanged)")


def test_stations_and_authorities_are_renewed(home: Path) -> None:
    """The authority only with its root at hand."""
    founded(home)
    assert keys(home, "renew", "station", told=(ISSUING, STATION)).exit_code == 0
    refused = keys(home, "renew", "issuing", told=(ROOT, ISSUING))
    assert isinstance(refused.exception, BenchError)
    root = str(home.parent / "root")
    assert keys(home, "renew", "issuing", "--root-dir", root, told=(ROOT, ISSUING)).exit_code == 0
    assert [entry["role"] for entry in shown(home)] == ["root", "issuing", *["station"] * 3, "issuing"]
    written = keys(home, "crl", "--root-dir", root, told=(ISSUING, ISSUING, ROOT))
    assert written.output.count("Written: ") == 3


def test_a_passphrase_that_does_not_come_changes_nothing(home: Path) -> None:
    """Standard input ends too early."""
    found = keys(home, "init", "--root-dir", str(home.parent / "root"), told=(ROOT,))
    assert str(found.exception) == (
        "Passphrase of the issuing authority cannot be used: standard input ended; "
        "allowed is one line for each passphrase."
    )
    assert not (home.parent / "root").exists()
    assert not (home / "keys" / "authority").exists()


@pytest.mark.parametrize("words", [("renew", "station"), ("crl",)])
def test_without_a_terminal_the_other_way_is_named(home: Path, words: tuple[str, ...]) -> None:
    """Not a file in the environment, which no command that unlocks the authority reads."""
    founded(home)
    found = CliRunner().invoke(cli, ["keys", *words, "--home", str(home)])
    where = home / "keys" / "authority" / "issuing.p12"
    assert str(found.exception) == (
        f"Passphrase of {where} cannot be used: there is no terminal to ask at; "
        "allowed is a terminal, or standard input with --passphrase-stdin."
    )
    assert found.exception.remedy == (
        "Type it at a terminal, or give it as a line of standard input with --passphrase-stdin."
    )


def test_no_passphrase_is_an_argument(home: Path) -> None:
    """It would stand in the list of processes."""
    for command in ("init", "issue", "renew", "revoke", "crl", "token"):
        told = CliRunner().invoke(cli, ["keys", command, "--help"]).output
        assert "--passphrase " not in told
        assert "--passphrase-stdin" in told


def test_the_recorders_child_seals_with_the_passphrase_file(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The environment names a file; without it the refusal says what to do, and the document can follow later."""
    founded(home)
    monkeypatch.setattr("sys.stdin", StringIO())
    with pytest.raises(BenchError, match=r"Passphrase of .*station\.p12 cannot be used: there is no terminal"):
        issue_document(Home(home), "B1-000001")
    secret = home / "secret"
    secret.write_text(f"{STATION}\n")
    secret.chmod(0o600)
    monkeypatch.setenv("TESTBENCH_PASSPHRASE_FILE", str(secret))
    issued = issue_document(Home(home), "B1-000001")
    found = CliRunner().invoke(cli, ["certificate", "verify", str(issued.path), "--home", str(home)])
    assert found.exit_code == 0, found.output
    assert verify(issued.path, ()).signatures[0].signer.startswith("Station seal, bench B1")
    words = ("certificate", "replace", issued.number, "--why", "Letterhead", "--by", "Tobin Ashe", "--secret-stdin")
    replaced = CliRunner().invoke(cli, [*words, "--home", str(home)], input="")
    assert replaced.exit_code == 0, replaced.exception
    monkeypatch.delenv("TESTBENCH_PASSPHRASE_FILE")
    words = ("certificate", "replace", f"{issued.number}-2", *words[3:])
    assert CliRunner().invoke(cli, [*words, "--home", str(home)], input=f"{STATION}\n").exit_code == 0


def test_a_station_without_passphrase_serves_a_bench_that_nobody_unlocks(home: Path) -> None:
    """Its key is as before, its certificate leads to the root."""
    arguments = ("init", "--root-dir", str(home.parent / "root"), "--station-without-passphrase")
    assert keys(home, *arguments, told=(ROOT, ISSUING)).exit_code == 0
    issued = issue_document(Home(home), "B1-000001")
    found = CliRunner().invoke(cli, ["certificate", "verify", str(issued.path), "--home", str(home), "--json"])
    assert json.loads(found.output)["signatures"][0]["revocation"].startswith("not revoked as of ")


def test_a_bench_without_a_time_stamp_authority_says_so(home: Path) -> None:
    """Which file and which table."""
    found = CliRunner().invoke(cli, ["certificate", "stamp", "--home", str(home)])
    assert str(found.exception) == (f"{home / 'bench.toml'}: time_stamp: found nothing; a table with a url is needed.")


def test_what_waits_for_its_time_stamp_is_listed(home: Path) -> None:
    """Exit code 1 as long as one waits; the document is valid meanwhile."""
    issued = issue_document(Home(home), "B1-000001")
    bench = home / "bench.toml"
    bench.write_text(f'{bench.read_text()}\n[time_stamp]\nurl = "http://127.0.0.1:9/"\n')
    found = CliRunner().invoke(cli, ["certificate", "stamp", "--home", str(home), "--json"])
    assert found.exit_code == 1
    assert json.loads(found.output) == {
        "stamped": [],
        "waiting": {
            str(issued.path): (
                "Time-stamp authority http://127.0.0.1:9/ gave no time stamp: [Errno 111] Connection refused."
            )
        },
    }
