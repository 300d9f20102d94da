"""Operators at the bench: who starts a run, and who signs it once it is sealed. That never holds up the bench."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from testbench.run.record import RunRecord
from testbench.run.signature import Meaning, Method, Role, Signature
from testbench.station import messages as m
from testbench.station import readiness
from testbench.station.bench import Bench
from testbench.station.clock_watch import ClockStatus
from testbench.station.desk import Desk, Given
from testbench.station.people import operators_of
from testbench.station.ports import UnsignedRun
from testbench.station.sign_off import owed_for_document

LINES_SHOWN = 12
"""Unsigned runs that screens are told of, several times a second; older ones come up as these are signed."""


@dataclass(frozen=True, slots=True)
class Signing:
    """What the signing at the bench works through."""

    desk: Desk
    load: Callable[[str], RunRecord]
    unsigned: Callable[[], tuple[UnsignedRun, ...]]
    """Newest first."""
    signatures_of: Callable[[str], Sequence[Signature]]
    clock: ClockStatus


class Operators:
    """Who may start a run, and what is still to be signed.

    Args:
        bench: its operators count as long as nobody is registered.
        signing: None: nobody can be, names only.
    """

    def __init__(self, bench: Bench, signing: Signing | None) -> None:
        self._bench, self._signing = bench, signing
        self.pin_needed = False
        self.names: tuple[str, ...] = bench.operators
        self.unsigned: tuple[UnsignedRun, ...] = ()
        """Newest first."""
        self.lines: tuple[m.UnsignedLine, ...] = ()
        """The newest of them, as screens show them."""

    def read(self) -> bool:
        """Take the register as it stands now; gives whether from now on it counts in place of names in bench.toml."""
        if self._signing is None:
            return False
        before, self.pin_needed = self.pin_needed, self._signing.desk.asks_for_pins()
        if self.pin_needed:
            self.names = tuple(one.name for one in operators_of(self._signing.desk.people()))
            self.unsigned = self._signing.unsigned()
            self.lines = tuple(_line(one, self._signing.desk) for one in self.unsigned[:LINES_SHOWN])
        return self.pin_needed and not before and bool(self._bench.operators)

    def identify(self, request: m.StartRun) -> tuple[str, str]:
        """Printed name and id of whoever starts a run; without registered operators the name alone.

        Raises:
            OperatorUnknownError: bench.toml does not name them.
            NotAuthenticatedError, PersonLockedError, PersonDisabledError, RoleMissingError: see ``Desk``.
        """
        if self._signing is None or not self._signing.desk.asks_for_pins():
            readiness.check_operator(self._bench, request.operator)
            return request.operator, ""
        given = Given(request.operator, request.pin.get_secret_value())
        person = self._signing.desk.in_role(given, Role.OPERATOR, Method.PIN)
        return person.name, person.id

    def witnesses(self) -> tuple[str, ...] | None:
        """Printed names of the registered witnesses who are enabled; None: nobody is registered here."""
        people = {} if self._signing is None else self._signing.desk.people()
        return tuple(one.name for one in people.values() if one.may(Role.WITNESS)) if people else None

    def sign(self, request: m.Sign) -> tuple[Signature, bool]:
        """Sign a closed run as performed.

        Returns:
            The signature, and whether the document of the run waited for it.

        Raises:
            RunUnknownError, RunOpenError: there is no such closed run.
            BenchError: see ``Desk.sign_run``; nothing was signed.
        """
        assert self._signing is not None
        record = self._signing.load(request.run)
        operator = record.operator_id or record.operator
        owed = owed_for_document(record, self._signing.signatures_of(record.run)) if record.decided else None
        given = Given(operator, request.pin.get_secret_value())
        try:
            signature = self._signing.desk.sign_run(record, given, Meaning.PERFORMED)
        finally:
            self.read()  # it may have been signed elsewhere meanwhile
        return signature, owed is Meaning.PERFORMED

    def clock_set(self, seconds: float, at: str) -> None:
        """Remember for the signatures to come that the time of day was set."""
        if self._signing is not None:
            self._signing.clock.was_set(seconds, at)


def _line(one: UnsignedRun, desk: Desk) -> m.UnsignedLine:
    said = desk.statement(Meaning.PERFORMED, run=one.run, serial=one.serial, verdict=one.verdict)
    return m.UnsignedLine(run=one.run, serial=one.serial, operator=one.operator, statement=said)
