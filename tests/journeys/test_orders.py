"""An order on its way in: killed at any moment there is all of it or nothing; two at once take turns."""

import signal
import subprocess
import time

import pytest

from testbench.procedure_files.loader import load_orders
from tests.journeys.program import PROGRAM, call, facts_of

COMMON = ("--customer", "Ellery Water Board", "--procedure", "waterworks-swing-check", "--type", "swing-check",
          "--size", "NPS 8", "--rated", "250 psi", "--seat", "metal")  # fmt: skip


@pytest.fixture
def home(tmp_path):
    assert call("init", "--home", tmp_path / "home", "--bench", "B1").returncode == 0
    return tmp_path / "home"


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "order.csv"
    path.write_text("serial,heat_numbers\n" + "".join(f"HL-8-{n:05d},F{n}\n" for n in range(5000)))
    return path


def test_an_import_that_is_killed_leaves_all_of_the_order_or_nothing(home, file):
    """At a dozen moments from its start to its end; what is left of it is cleared away by the next."""
    begun = time.monotonic()
    assert call("order", "import", file, "--number", "WHOLE", *COMMON, "--home", home, "--dry-run").returncode == 0
    takes = time.monotonic() - begun
    command = [*PROGRAM, "order", "import", str(file), "--number", "HL-2050", *COMMON, "--home", str(home)]
    for tenth in range(1, 13):
        importing = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(takes * tenth / 10)
        importing.send_signal(signal.SIGKILL)
        importing.wait(30)
        orders, refused = load_orders(home)
        assert refused == ()
        assert [len(order.valves) for order in orders] in ([], [5000])
        for order in (home / "orders").glob("HL-*.toml"):
            order.unlink()
    (home / "orders" / ".HL-2050.toml.1.part").write_text("number = ")
    assert call(*command[3:]).returncode == 0
    assert sorted(path.name for path in (home / "orders").iterdir()) == ["HL-2050.toml", "order-template.txt"]


def test_two_imports_of_the_same_numbers_at_once(home, file):
    """One of them finds them taken."""
    both = [
        subprocess.Popen(
            [*PROGRAM, "order", "import", str(file), "--number", number, *COMMON, "--home", str(home), "--json"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )
        for number in ("HL-2050", "HL-2051")
    ]  # fmt: skip
    said = [one.communicate(timeout=120)[1] for one in both]
    assert sorted(one.returncode for one in both) == [0, 1]
    (refused,) = (text for text in said if text)
    assert "'HL-8-00000' stands on order HL-205" in refused
    (kept,) = facts_of("order", "list", "--home", home)
    assert kept["valves"] == 5000


def test_a_refusal_says_one_sentence_and_exits_with_one(home, file):
    """No traceback, whatever the file is."""
    file.write_bytes(b"\x00\xff\xfe=1+1\n")
    done = call("order", "import", file, "--number", "HL-2050", *COMMON, "--home", home)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        f"{file}:1: encoding: found byte 0xff, which no UTF-8 text has there; "
        "UTF-8, or UTF-16 with a byte-order mark, is needed.\n"
        "→ Save the file as 'CSV UTF-8' and import it again; nothing has been changed.\n"
    )
