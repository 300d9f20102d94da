"""How the line fared during one run, for its record: settings, openings, counted errors, and the raw bytes kept."""

from collections.abc import Callable

from testbench.errors import BenchError
from testbench.run.record import LineRecord
from testbench.station.acquisition import LineHistory
from testbench.station.ports import RawBytes


class LineLog:
    """From the beginning of a run to its end.

    Args:
        line: counts since the recorder started.
        raw: keeps the raw bytes; None where nobody asked for it.
    """

    def __init__(self, line: LineHistory, raw: RawBytes | None) -> None:
        self._line, self._raw = line, raw
        self._opened, self._errors = line.opened_times, dict(line.errors or {})

    def begin(self, run: str, say: Callable[[str], None]) -> None:
        """A run begins. Raw bytes that cannot be kept hold up nothing: the samples are kept all the same."""
        if self._raw is not None:
            try:
                self._raw.begin(run)
            except BenchError as refusal:
                say(str(refusal))

    def end(self, say: Callable[[str], None]) -> LineRecord:
        """The run ends."""
        file = digest = ""
        if self._raw is not None:
            try:
                file, digest = self._raw.end()
            except BenchError as refusal:
                say(str(refusal))
        counted = self._line.errors
        errors = counted and {name: now - self._errors.get(name, 0) for name, now in counted.items()}
        return LineRecord(
            settings=self._line.settings,
            opened=self._line.opened_times - self._opened,
            errors=errors,
            raw_file=file,
            raw_sha256=digest,
        )
