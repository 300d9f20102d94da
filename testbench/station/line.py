"""One line of the bench, read and decoded once, whichever of its values several channels take."""

from testbench.station.acquisition import Arrived, Decoded, LineErrors, LineHistory, PortEvent, PortOpened
from testbench.station.bench import Instrument


class Line:
    """Turns what its port delivers into what was found in it, and knows how it has fared.

    Args:
        instrument: any that is read over the line; all of them decode it alike.
    """

    def __init__(self, instrument: Instrument) -> None:
        self._framer = instrument.framer()
        self.history = LineHistory()
        """How the line has fared since the recorder started."""

    def take(self, event: PortEvent) -> PortEvent | Decoded:
        """Take one port event; gives what the channels of the line take."""
        match event:
            case Arrived(at_s, data):
                return Decoded(at_s, tuple(self._framer.feed(data)) if self._framer is not None else ())
            case PortOpened():
                if self._framer is not None:
                    self._framer.reset()
                self.history.opened(event)
            case LineErrors():
                self.history.counted(event)
            case _:
                pass
        return event
