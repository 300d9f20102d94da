"""A file from a stranger, checked in a child process that can do nothing but say what it found.

The child gets the bytes on its standard input and answers one JSON value. It has limits of time, of memory and of open
files written to (none), no network of its own where the kernel grants that to an ordinary user, and an audit hook that
refuses sockets, other programs and writing everywhere. A child that dies means: not intact.
"""

import base64
import gc
import json
import os
import resource
import socket
import subprocess
import sys
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from testbench.certificate.reader import MIB
from testbench.certificate.revocation import Gone
from testbench.certificate.trust import Anchors
from testbench.certificate.verify import LARGEST_FILE, Signature, Verification, bytes_of, refused, verify

CPU_S, WALL_S = 30, 60
MEMORY = 1024 * MIB
NEW_USERS, NEW_NETWORK = 0x1000_0000, 0x4000_0000
"""CLONE_NEWUSER and CLONE_NEWNET of unshare(2)."""
FORBIDDEN = (
    "socket.connect", "socket.bind", "socket.send", "socket.get", "subprocess.", "os.exec", "os.fork", "os.posix_spawn",
    "os.system", "os.remove", "os.rename", "os.mkdir", "os.chmod", "os.kill", "ctypes.dlopen", "shutil.",
)  # fmt: skip
KEPT = ("PATH", "PYTHONPATH", "LANG", "LC_ALL", "TZ")
FILES = ("certificates", "lists", "stamps")
TOO_MUCH = "Reading the file took more time or memory than any document of ours needs."


def verify_apart(document: bytes | Path, anchors: Anchors) -> Verification:
    """Check a document as :func:`testbench.certificate.verify.verify` does, in a process of its own.

    Args:
        document: the file, or its bytes.
        anchors: what the reader trusts.

    Returns:
        The judgement; nothing is raised.
    """
    try:
        data = bytes_of(document)
    except OSError as failure:
        return refused(f"The file cannot be opened: {failure.strerror}.")
    if len(data) > LARGEST_FILE:
        return verify(data, anchors)  # which refuses it without looking
    told = _told(anchors)
    environment = {name: os.environ[name] for name in KEPT if name in os.environ} | {"OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-m", "testbench.certificate.checking"]
    said = json.dumps(told).encode() + b"\n" + data
    try:
        child = subprocess.run(command, input=said, capture_output=True, timeout=WALL_S, check=False, env=environment)
        return _answer(json.loads(child.stdout))
    except (subprocess.TimeoutExpired, ValueError, KeyError, TypeError):
        return refused(TOO_MUCH)


def _told(anchors: Anchors) -> dict[str, Any]:
    """What the reader trusts, as JSON."""
    told: dict[str, Any] = {name: [base64.b64encode(one).decode() for one in getattr(anchors, name)] for name in FILES}
    told["gone"] = [one.model_dump_json() for one in anchors.gone]
    return told | {"at": None if anchors.at is None else anchors.at.isoformat()}


def _heard(told: dict[str, Any]) -> Anchors:
    """What :func:`_told` told."""
    files = {name: tuple(base64.b64decode(one) for one in told[name]) for name in FILES}
    at = None if told["at"] is None else datetime.fromisoformat(told["at"])
    return Anchors(**files, gone=tuple(Gone.model_validate_json(one) for one in told["gone"]), at=at)


def _answer(told: dict[str, Any]) -> Verification:
    signatures = tuple(Signature(**one) for one in told.pop("signatures"))
    judged = Verification(**told)
    return replace(judged, reasons=tuple(told["reasons"]), signed=tuple(told["signed"]), signatures=signatures)


# The child --------------------------------------------------------------------------------------


def confine() -> None:
    """Give up everything that reading a file does not need. There is no way back."""
    _without_network()
    limits = {
        resource.RLIMIT_CPU: CPU_S, resource.RLIMIT_AS: MEMORY, resource.RLIMIT_FSIZE: 0, resource.RLIMIT_CORE: 0,
    }  # fmt: skip
    for limit, most in limits.items():
        hard = resource.getrlimit(limit)[1]
        lowest = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(limit, (lowest, lowest))
    sys.addaudithook(_refuse)


def _without_network() -> None:
    """A network namespace with nothing in it; older kernels and some containers refuse, then the hook must do."""
    import ctypes

    ctypes.CDLL(None).unshare(NEW_USERS | NEW_NETWORK)


def _refuse(event: str, arguments: tuple[Any, ...]) -> None:
    writes = event == "open" and bool(arguments[2] & (os.O_ACCMODE | os.O_CREAT | os.O_TRUNC))
    abroad = event == "socket.__new__" and arguments[1] != socket.AF_UNIX  # an event loop talks to itself over a pair
    if writes or abroad or event.startswith(FORBIDDEN):
        raise PermissionError(f"{event} is refused while a stranger's file is read")


def main() -> None:
    """Be the child: read, check, answer."""
    head = json.loads(sys.stdin.buffer.readline())
    data = sys.stdin.buffer.read(LARGEST_FILE + 1)
    confine()
    sys.stdout.write(json.dumps(asdict(verify(data, _heard(head)))))
    gc.freeze()  # the end looks for no garbage


if __name__ == "__main__":
    main()
