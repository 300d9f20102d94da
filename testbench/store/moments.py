"""Times of day as they are stored."""

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_us(at: datetime) -> int:
    """Microseconds since 1970, UTC."""
    return (at - _EPOCH) // _MICROSECOND


def from_us(us: int) -> datetime:
    """The time of day of a stored number."""
    return _EPOCH + us * _MICROSECOND
