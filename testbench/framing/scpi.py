"""Answers of instruments that speak IEEE 488.2: numbers in its three response forms, separated by commas.

Sources, from memory: IEEE 488.2-1992, 8.7.2 to 8.7.4 (NR1, NR2, NR3 response data) and 8.4 (separators); SCPI-99 volume
1, 7.2.1 for 9.9E37 as infinity and 9.91E37 as not a number. The numbers become whole counts at a stated number of
decimals: exact value, rounded half to even.
"""

import re
from decimal import Decimal

from testbench.framing.exchange import Exchange, line_judge
from testbench.framing.readings import Found, Rejected, RejectReason, counts_of, reading

LONGEST_ANSWER = 255
NO_NUMBER = Decimal("9.9E37")
"""From here on SCPI means infinity, or that there is no number."""

_NR1 = rb"[+-]?[0-9]+"
_NR2 = rb"[+-]?[0-9]+\.[0-9]+"
_NR3 = rb"[+-]?[0-9]+\.[0-9]+E[+-][0-9]{1,3}"
_NUMBER = re.compile(b"|".join((_NR3, _NR2, _NR1)))


def conversation(
    query: bytes, decimals: tuple[int, ...], terminator: bytes = b"\n", *, marked: bool = False, echoed: bool = False
) -> Exchange:
    """Ask with a query and take one line of numbers for its answer.

    Args:
        query: for example ``MEAS:PRES?``, without its terminator.
        decimals: what a count is, for each number of the answer.
        terminator: end of the query and of the answer.
        marked: whether the kernel marks damaged bytes.
        echoed: whether the adapter hands our own bytes back before the answer.
    """

    def read(line: bytes) -> Found:
        return read_answer(line, decimals)

    return Exchange(query + terminator, line_judge(read, terminator), LONGEST_ANSWER, marked=marked, echoed=echoed)


def read_answer(line: bytes, decimals: tuple[int, ...]) -> Found:
    """Read one response: exactly as many numbers as were agreed.

    Args:
        line: the response without its terminator.
        decimals: what a count is, for each number.
    """
    if line[:1] in {b"'", b'"', b"#"}:
        return Rejected(line, RejectReason.NOT_A_NUMBER, "a string, a block or a number in another base")
    texts = line.split(b",")
    if not all(_NUMBER.fullmatch(text) for text in texts):
        return Rejected(line, RejectReason.NOT_A_NUMBER)
    if len(texts) != len(decimals):
        return Rejected(line, RejectReason.WRONG_LENGTH, f"{len(texts)} numbers, asked were {len(decimals)}")
    numbers = [Decimal(text.decode("ascii")) for text in texts]
    if any(abs(number) >= NO_NUMBER for number in numbers):
        return Rejected(line, RejectReason.NOT_FINITE, "9.9E37 and above mean infinity or no number")
    return reading([counts_of(number, places) for number, places in zip(numbers, decimals, strict=True)])
