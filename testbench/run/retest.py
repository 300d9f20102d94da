"""When a valve may be tested again after a nonconformity. Pure.

A void or inconclusive run needs no rework: it has shown nothing against the valve. A rejected one does: testing the
same valve again until it passes shows nothing for it (common practice).

Every run carries out every stage that its procedure demands, and stands by itself. So nothing of an earlier run is
kept, also where only the seat was worked on; and what was worked on at the shell is tested again with it. That the
procedure has a shell test is asked before the run, that it was accepted when the nonconformity is closed.
"""

from collections.abc import Sequence

from testbench.errors import (
    ReworkMissingError,
    SerialConcededError,
    SerialScrappedError,
    SerialUndecidedError,
    ShellTestMissingError,
)
from testbench.procedure.requirements import Requirements
from testbench.procedure.stages import StageName
from testbench.run.nonconformity import Disposition, Nonconformity, Standing, stands_in_the_way


def check_retest(serial: str, found: Sequence[Nonconformity], requirements: Requirements, *, trial: bool) -> None:
    """Refuse a run that the nonconformities of its valve do not allow.

    Args:
        serial: the valve.
        found: its nonconformities, in the order of their opening.
        requirements: what the run would demand.
        trial: whether the run can only yield a specimen.

    Raises:
        SerialScrappedError: it was scrapped; that is for good, closed or not.
        SerialUndecidedError: nobody has decided what becomes of it.
        SerialConcededError: it goes as it is.
        ReworkMissingError: it is to be reworked, and no rework is entered.
        ShellTestMissingError: the rework disturbed the shell, and the procedure would not test it.
    """
    for one in found:
        if not stands_in_the_way(one, trial=trial):
            continue
        if one.disposition is Disposition.SCRAP:
            raise SerialScrappedError(serial, one.number)
        if one.disposition is Disposition.CONCESSION:
            raise SerialConcededError(serial, one.number)
        if one.standing is Standing.UNDECIDED:
            raise SerialUndecidedError(serial, one.number, one.opened.run)
        if one.standing is Standing.TO_REWORK:
            raise ReworkMissingError(serial, one.number)
        if one.shell_owed and not _tests_the_shell(requirements):
            raise ShellTestMissingError(serial, one.number, requirements.procedure)


def _tests_the_shell(requirements: Requirements) -> bool:
    return any(one.stage is StageName.SHELL for one in requirements.stages)
