"""The five facts that a document carries three times: printed, in its QR code and in its metadata."""

import re
from dataclasses import dataclass

SPECIMEN = "SPECIMEN"
_LINE = re.compile(r"(\S+) \| (.+) \| (accepted|rejected) \| ([0-9a-f]{64})( \| SPECIMEN)?")


@dataclass(frozen=True, slots=True)
class DocumentFacts:
    """What a verifier compares with the attached record."""

    number: str
    serial: str
    verdict: str
    record_sha256: str
    specimen: bool

    @property
    def text(self) -> str:
        """All facts on one plain line: what the QR code holds. It can be read back whatever the serial number holds."""
        mark = (SPECIMEN,) if self.specimen else ()
        return " | ".join((self.number, self.serial, self.verdict, self.record_sha256, *mark))

    @classmethod
    def read(cls, text: str) -> "DocumentFacts | None":
        """The facts in a text, or None where it is no such text."""
        found = _LINE.fullmatch(text)
        if found is None:
            return None
        number, serial, verdict, record_sha256, mark = found.groups()
        return cls(number, serial, verdict, record_sha256, specimen=mark is not None)
