"""What stands between a transmitter and its readings, by name: rejected bytes → the reason of a gap, and what to do."""

from testbench.framing.readings import Rejected, RejectReason
from testbench.run.samples import GapReason

_REASONS = {
    RejectReason.NOT_A_NUMBER: GapReason.GARBAGE,
    RejectReason.TOO_LONG: GapReason.FRAMING,
    RejectReason.DAMAGED: GapReason.FRAMING,
    RejectReason.CHECKSUM: GapReason.DAMAGED,
    RejectReason.FAULT: GapReason.FAULT,
    RejectReason.NOT_FINITE: GapReason.NO_NUMBER,
    RejectReason.CUT: GapReason.CUT,
    RejectReason.LATE: GapReason.LATE_ANSWER,
    RejectReason.ECHO: GapReason.ECHO,
    RejectReason.ECHO_SPOILT: GapReason.TWO_AT_ONCE,
    RejectReason.FOREIGN_UNIT: GapReason.OTHER_UNIT,
    RejectReason.FOREIGN_FUNCTION: GapReason.TWO_AT_ONCE,
    RejectReason.WRONG_LENGTH: GapReason.GARBAGE,
    RejectReason.EXCEPTION: GapReason.REFUSED,
    RejectReason.BROKEN_STREAM: GapReason.GARBAGE,
}
"""Of a rejection while nothing usable comes. What follows from another fault (no answer, a doubtful one, the first
partial line) and what the reading itself says (its range) is not among them."""

_CHECK_LINE = "Check baud, byte_size and parity in bench.toml; 'testbench channel find --listen' tries them."
_SEE_BYTES = "Compare what it sends with the form in bench.toml; without a recorder 'testbench channel watch' shows it."
_BYTES_HERE = "Compare the newest rejected bytes, shown here, with the form of the line in its settings."
_REMEDIES = {
    GapReason.SILENT: "Check the cable, the supply and the address of this transmitter.",
    GapReason.GARBAGE: _SEE_BYTES,
    GapReason.FROZEN: "Check the transmitter.",
    GapReason.OUT_OF_RANGE: "Check the transmitter and the pressure on another gauge.",
    GapReason.LATE: "Wait; if it comes again, look what holds this machine or its adapter up.",
    GapReason.FRAMING: _CHECK_LINE,
    GapReason.DAMAGED: "Check the cable, its screen and the termination of the line.",
    GapReason.CUT: "Check the cable; let no second program read this port.",
    GapReason.ECHO: "Set echoed = true if the adapter echoes; else the transmitter is away.",
    GapReason.TWO_AT_ONCE: "Let one program only use this port, and one master only ask on this line.",
    GapReason.LATE_ANSWER: "Raise answer_within_s to three times the slowest answer.",
    GapReason.OTHER_UNIT: "Check unit_id in bench.toml and the address set in the transmitter.",
    GapReason.REFUSED: "Check function and addresses in bench.toml with the transmitter's manual.",
    GapReason.NO_NUMBER: "Check the sensor and its cable, and type and order in bench.toml.",
    GapReason.FAULT: "Check the sensor and its cable with the transmitter's manual.",
}


def fault_of(rejected: Rejected) -> GapReason | None:
    """Why there is no reading, as far as these bytes tell; None where they say nothing of their own."""
    return _REASONS.get(rejected.reason)


def remedy_of(fault: GapReason) -> str:
    """What to do about a fault; empty where only waiting helps."""
    return _REMEDIES.get(fault, "")


def sentence_of(fault: GapReason, detail: str) -> str:
    """The fault and what to do about it, in one line for the screen.

    Args:
        fault: why there is no usable reading.
        detail: what exactly, such as the name of an exception; may be empty.
    """
    remedy = remedy_of(fault)
    said = f"{fault} ({detail})." if detail else fault if fault.endswith("?") else f"{fault}."
    return f"No reading: {said} {remedy}".rstrip()


def beside_the_bytes(sentence: str) -> str:
    """The same where the rejected bytes stand beside it: nobody is sent to look for them elsewhere."""
    return sentence.replace(_SEE_BYTES, _BYTES_HERE)
