"""Checkpoints as somebody outside the bench hands them in: a file, a certificate, the log beside backups, a line."""

import json
from pathlib import Path

from testbench.errors import CheckpointRefusedError
from testbench.run.ledger import Checkpoint, Held, read_checkpoint

OF_A_LOG = '"checkpoint":'
"""In each line of the log beside backups."""


def held_elsewhere(bench: str, against: str) -> tuple[Held, ...]:
    """What somebody outside holds of the ledger of a bench: one checkpoint, or all those of a log.

    Args:
        bench: whose ledger it is.
        against: the name of a file, or the text itself.

    Raises:
        CheckpointRefusedError: it is no checkpoint of this bench.
    """
    text, where, is_file = _text_of(against)
    lines = text.strip().splitlines()
    if any(OF_A_LOG in line for line in lines):
        found = [_of_a_log(line, f"line {n} of {where}") for n, line in enumerate(lines, start=1)]
    else:
        found = [_signed(read_checkpoint(text, where if is_file else f"{where} (no such file)"), where)]
    ours = tuple(held for held in found if held.bench == bench)
    if not ours:
        raise CheckpointRefusedError(where, f"it is of bench {found[0].bench}; this is bench {bench}")
    return ours


def _of_a_log(line: str, where: str) -> Held:
    try:
        text = json.dumps(json.loads(line)["checkpoint"])
    except (ValueError, KeyError, TypeError) as damage:
        raise CheckpointRefusedError(where, "it holds no checkpoint that can be read") from damage
    return _signed(read_checkpoint(text, where), where)


def _signed(found: Checkpoint | Held, where: str) -> Held:
    from testbench.certificate.ledger_key import is_signed

    if isinstance(found, Checkpoint):
        if not is_signed(found):
            raise CheckpointRefusedError(where, "its signature is wrong")
        found = Held(found.bench, found.n, found.head, f"the checkpoint {where}", found.key)
    if found.n == 0:
        raise CheckpointRefusedError(where, "it names no entry and so proves nothing")
    return found


def _text_of(against: str) -> tuple[str, str, bool]:
    """The text of a checkpoint, what to call it, and whether it lies in a file."""
    path = Path(against)
    try:
        if against.lstrip().startswith("{") or not path.is_file():  # a line of a log is too long for a name
            return against, f"'{against}'", False
        data = path.read_bytes()
    except OSError as failure:
        raise CheckpointRefusedError(against, f"the file cannot be read ({failure.strerror})") from failure
    if not data.startswith(b"%PDF-"):
        return data.decode("utf-8", errors="replace"), against, True
    from testbench.certificate.checking import verify_apart
    from testbench.certificate.trust import Anchors

    judged = verify_apart(data, Anchors())
    if not judged.intact:
        raise CheckpointRefusedError(against, "the document was changed after it was sealed")
    if not judged.checkpoint:
        raise CheckpointRefusedError(against, "the document carries no checkpoint; it is older than the ledger")
    return judged.checkpoint, against, True
