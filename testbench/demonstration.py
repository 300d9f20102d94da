"""The demonstration: a bench home, a rig, a recorder and a simulated operator, brought together and taken apart."""

import contextlib
import subprocess
import threading
import tomllib
from collections.abc import Sequence
from contextlib import ExitStack
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from testbench.errors import (
    BenchError,
    DemonstrationFailedError,
    RecorderNotRunningError,
    RigNotRunningError,
    RigStartFailedError,
)
from testbench.identity import desk_of, sign_run
from testbench.link.client import LinkClient
from testbench.rig.client import RigClient
from testbench.rig.operator import SimulatedOperator
from testbench.run.record import Verdict
from testbench.run.signature import Meaning, Method, Role
from testbench.station import messages as m
from testbench.station.desk import Given
from testbench.station.people import OWNER
from testbench.station.sign_off import owed_for_document
from testbench.wiring import (
    Home,
    attach,
    attach_or_start,
    end_recorder,
    make_home,
    open_store,
    program,
    read_store,
    wait_for,
)

SCENARIO = Path(str(files("testbench"))) / "rig" / "scenario"
VALVES = 3
DOCUMENTS_S = 30.0
RIG_START_S = 10.0


class Demonstration:
    """A simulated bench for as long as the ``with`` block lasts; its home stays.

    Args:
        folder: home of the bench; made anew.
        speed: times faster than life.
        seed: of the rig's noise.
        compared: whether a second transmitter stands beside the first and is compared with it.
    """

    def __init__(self, folder: Path, speed: float, seed: int, *, compared: bool = False) -> None:
        self._folder, self._compared = folder, compared
        self._rig_link, self.control, self._clock = folder / "rig.tty", folder / "rig.sock", folder / "rig.clock"
        self.home = make_home(folder, self._bench_toml())
        (folder / "orders" / "HL-2041.toml").write_text((SCENARIO / "HL-2041.toml").read_text())
        self._people = _register_people(self.home)
        self._speed, self._seed = speed, seed
        self._closing = ExitStack()

    def __enter__(self) -> Self:
        self._start_rig()
        try:
            attach_or_start(self.home).close()
        except BaseException:
            self._closing.close()
            raise
        self._closing.callback(end_recorder, self.home)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.close()

    def work_alone(self) -> None:
        """Let the simulated operator test every valve of the order.

        Raises:
            DemonstrationFailedError: a valve did not come to a verdict.
        """
        helper = Helper(self._people["quill"], hands_only=False)
        self._beside(threading.Event(), helper)
        with read_store(self.home) as store:
            decided = sum(run.verdict is not None for run in store.history())
        if not helper.operator.finished or decided < VALVES:
            heard = helper.operator.said[-1] if helper.operator.said else ""
            raise DemonstrationFailedError(f"{decided} of {VALVES} valves have a verdict", heard)

    def with_screen(self, *, hands_only: bool) -> None:
        """Open the operator's screen, with a simulated operator beside it.

        Args:
            hands_only: leave the keys to the person; only the rig is worked, and what the hands and eyes find is said
                in the notice line.
        """
        from testbench.tui.app import run

        ended, helper = threading.Event(), Helper(self._people["quill"], hands_only=hands_only)
        worker = threading.Thread(target=self._beside, args=(ended, helper), daemon=True)
        worker.start()
        run(SpokenLink(attach(self.home), helper))
        ended.set()
        worker.join(timeout=5)

    def runs(self) -> list[dict[str, Any]]:
        """What was recorded, oldest first, once every document is written."""
        wait_for(self._documents_written, DOCUMENTS_S, lambda: False)
        with read_store(self.home) as store:
            found = reversed(store.history(limit=1000))
        return [
            {
                "run": run.run,
                "serial": run.serial,
                "verdict": run.verdict or "void",
                "ended": run.ended,
                "document": run.document,
            }
            for run in found
        ]

    def _documents_written(self) -> bool | None:
        """Whether every decided run that bears the signatures for it has its document."""
        with read_store(self.home) as store:
            waiting = [run.run for run in store.history(limit=1000) if run.verdict and not run.document]
            records = [store.load(run)[0] for run in waiting]
            owed = [r for r in records if r.decided and not owed_for_document(r, store.signatures_of(r.run))]
        return None if owed else True

    def _beside(self, ended: threading.Event, helper: "Helper") -> None:
        try:
            with RigClient(self.control) as rig:
                link = attach(self.home)
                link.send(m.Attach(request="attach"))
                with Reviewer(self.home, self._people["ashe"]) as reviewer:
                    while link.connected and not helper.operator.finished and not ended.is_set():
                        said = link.receive(0.5)
                        reviewer.hear(said)
                        helper.hear(said, link, rig)
                link.close()
        except (RigNotRunningError, RecorderNotRunningError):
            return  # the screen says what is missing

    def _bench_toml(self) -> str:
        today = date.today()  # noqa: DTZ011 - the calibration of an invented transmitter
        return (
            (SCENARIO / ("bench-of-two.toml" if self._compared else "bench.toml"))
            .read_text()
            .replace("@PORT@", str(self._rig_link))
            .replace("@CLOCK@", str(self._clock))
            .replace("@CALIBRATED@", str(today - timedelta(days=100)))
            .replace("@DUE@", str(today + timedelta(days=265)))
        )

    def _start_rig(self) -> None:
        command = [
            *program(), "rig", "--link", str(self._rig_link), "--control", str(self.control),
            "--clock", str(self._clock), "--speed", str(self._speed), "--seed", str(self._seed), "--json",
            "--values", "2" if self._compared else "1",
        ]  # fmt: skip
        rig = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
        assert rig.stdout is not None
        announced = rig.stdout.readline()
        self._closing.callback(self._end_rig, rig)
        if not announced.startswith("{"):
            self._closing.close()
            raise RigStartFailedError(str(self.control), "it ended before it named its port")

    def _end_rig(self, rig: subprocess.Popen[str]) -> None:
        rig.terminate()
        rig.wait(timeout=10)
        assert rig.stdout is not None
        rig.stdout.close()


def _register_people(home: Home) -> dict[str, str]:
    """Enter the people of the scenario; gives their secrets by id."""
    known: dict[str, str] = {}
    with open_store(home) as store:
        desk = desk_of(home, store)
        for one in tomllib.loads((SCENARIO / "people.toml").read_text())["person"]:
            secrets = {Method(key): one[key] for key in ("PIN", "password") if key in one}
            by = next(iter(known), OWNER)
            desk.add(by, one["id"], one["name"], tuple(map(Role, one["roles"])), secrets)
            known[one["id"]] = next(iter(secrets.values()))
    return known


class Reviewer:
    """Releases what was accepted and signed, each run in a thread of its own: the reviewer is not at the bench.

    Args:
        home: the bench.
        password: the reviewer's.
    """

    def __init__(self, home: Home, password: str) -> None:
        self._home, self._given = home, Given("ashe", password)
        self._at_work: dict[str, threading.Thread] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for thread in self._at_work.values():
            thread.join(timeout=DOCUMENTS_S)

    def hear(self, messages: Sequence[m.Update | m.Answer]) -> None:
        """Look at what the recorder said, and release what is ready."""
        for said in messages:
            if isinstance(said, m.Update) and said.run is not None and not said.run.open:
                self._look_at(said.run, {one.run for one in said.unsigned})

    def _look_at(self, run: m.RunView, unsigned: set[str]) -> None:
        if run.verdict is Verdict.ACCEPTED and run.run not in unsigned and run.run not in self._at_work:
            self._at_work[run.run] = threading.Thread(target=self._release, args=(run.run,))
            self._at_work[run.run].start()

    def _release(self, run: str) -> None:
        with contextlib.suppress(BenchError):  # whatever it is, the run stays unreleased and is listed so
            sign_run(self._home, run, self._given, Meaning.RELEASED)


class Helper:
    """Carries a simulated operator's requests to the recorder and commands to the rig; or only the commands."""

    def __init__(self, pin: str, *, hands_only: bool) -> None:
        self.operator = SimulatedOperator(pin="" if hands_only else pin)
        self.sentence = ""
        """What hands and eyes found last; only while a person presses the keys."""
        self._hands_only, self._pin = hands_only, pin
        self._waiting: m.AnyRequest | None = None

    def hear(self, messages: Sequence[m.Update | m.Answer], link: LinkClient, rig: RigClient) -> None:
        """Take what the recorder said, and act on the newest update."""
        newest: m.Update | None = None
        for message in messages:
            if isinstance(message, m.Answer):
                self.operator.answered(message)
            else:
                newest = message
        if newest is None:
            return
        self._the_person_has_asked(newest)
        if self._hands_only and newest.pin_needed and (newest.run is None or not newest.run.open):
            self.sentence = f"In this demonstration the PIN of {newest.operators[0]} is {self._pin}."
        step = self.operator.see(newest)
        for command in step.commands:
            self._work(command, rig)
        for request in step.requests:
            if self._hands_only:
                self._waiting = request
            else:
                link.send(request)

    def _the_person_has_asked(self, update: m.Update) -> None:
        """What the screen offers no longer was asked for: the hands go on."""
        waiting = self._waiting
        if waiting is not None and waiting.request not in {action.request for action in update.actions}:
            self._waiting = None
            self.operator.answered(m.Answer(id=waiting.id, done=True))

    def _work(self, command: dict[str, Any], rig: RigClient) -> None:
        answer = rig.ask(command)
        self.operator.rig_answered(command, answer)
        if not self._hands_only or not answer.get("done"):
            return
        if command["command"] == "look":
            self.sentence = (
                f"Seen at the rig: shell {answer['shell']} {answer['where']}, seat {answer['seat']}, "
                f"vent {answer['vent']}."
            ).replace(" ,", ",")
        if "collected_ml" in answer:
            self.sentence = f"The vessel holds {answer['collected_ml']:.1f} mL."


class SpokenLink:
    """A screen's link on which the helper's findings appear as the newest notice."""

    def __init__(self, link: LinkClient, helper: Helper) -> None:
        self._link = link
        self._helper = helper
        self.send, self.close = link.send, link.close

    @property
    def connected(self) -> bool:
        """Whether the recorder is there."""
        return self._link.connected

    def receive(self) -> list[m.Update | m.Answer]:
        """What has come, the helper's sentence added."""
        return [self._spoken(message) for message in self._link.receive()]

    def _spoken(self, message: m.Update | m.Answer) -> m.Update | m.Answer:
        if isinstance(message, m.Answer) or not self._helper.sentence:
            return message
        said = m.Notice(at_s=message.at_s, utc=message.utc, sentence=self._helper.sentence)
        return message.model_copy(update={"notices": (*message.notices, said)})
