"""A walk through tries, restarts, new secrets and a clock that is set, beside a slow oracle that only counts."""

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from testbench.certificate.data import statements
from testbench.credentials.secrets import Argon2Secrets
from testbench.errors import BenchError
from testbench.run.signature import Method, Role
from testbench.station.desk import Around, Desk, Given
from testbench.station.lockout import LockOut
from testbench.station.people import OWNER, Change
from testbench.store.repository import SqliteStore

PINS = ("7394", "8052")
RULE = LockOut()


class Walk(RuleBasedStateMachine):
    """What a desk answers is what a person with pencil and paper would."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.now = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
        self.open()
        self.desk.add(OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER,), {Method.PASSWORD: "the tide at Port Ellery"})
        self.desk.add("ashe", "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: PINS[0]})
        self.pin, self.enabled = PINS[0], True
        self.wrong: list[datetime] = []
        """The oracle: when the wrong tries in a row were made."""

    def open(self) -> None:
        self.store = SqliteStore(Path(self.folder.name) / "testbench.db", "B1")
        around = Around("B1", RULE, lambda: self.now, lambda: "of a test", lambda bits: 0, statements())
        self.desk = Desk(self.store, Argon2Secrets(Path(self.folder.name) / "keys", cheap=True), around)

    def locked(self) -> bool:
        if len(self.wrong) < 5:
            return False
        delay = min(60 * 2 ** (len(self.wrong) - 5), 3600)
        return self.now < max(self.wrong) + timedelta(seconds=delay)

    def answer(self, pin: str) -> str:
        try:
            return self.desk.authenticate(Given("quill", pin), Method.PIN).id
        except BenchError as refusal:
            return type(refusal).__name__

    @rule(pin=st.sampled_from([*PINS, "1111"]))
    def tries(self, pin: str) -> None:
        """Anybody, with any PIN."""
        found = self.answer(pin)
        if self.locked():
            assert found == "PersonLockedError"
        elif pin == self.pin:
            assert found == ("quill" if self.enabled else "PersonDisabledError")
            self.wrong = []
        else:
            assert found == "NotAuthenticatedError"
            self.wrong.append(self.now)

    @rule(seconds=st.sampled_from([1, 59, 61, 3600, -60, -86400]))
    def clock(self, seconds: int) -> None:
        """Time passes, or the clock is set back."""
        before, self.now = self.locked(), self.now + timedelta(seconds=seconds)
        assert not (seconds < 0 and before and not self.locked())

    @rule(pin=st.sampled_from(PINS))
    def new_pin(self, pin: str) -> None:
        """An engineer sets one."""
        self.desk.set_secret("ashe", "quill", Method.PIN, pin)
        self.pin, self.wrong = pin, []

    @rule()
    def restart(self) -> None:
        """The recorder is killed and started."""
        self.store.close()
        self.open()

    @rule()
    @precondition(lambda self: self.enabled)
    def disable(self) -> None:
        """Rights go, tries still count."""
        self.desk.change("ashe", "quill", Change.DISABLED)
        self.enabled = False

    @rule()
    @precondition(lambda self: not self.enabled)
    def enable(self) -> None:
        """Rights come back, a lock stays."""
        self.desk.change("ashe", "quill", Change.ENABLED)
        self.enabled = True

    @invariant()
    def the_register_only_grows(self) -> None:
        """Two people, whatever happens."""
        assert list(self.desk.people()) == ["ashe", "quill"]

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()


Walk.TestCase.settings = settings(max_examples=25, stateful_step_count=30)
test_walk = Walk.TestCase
