"""The clock of a piece of work: when it started and how long it has taken, the same in every result."""

import time


def now() -> str:
    """The present time, in UTC to the second, in the format of ISO 8601."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")


class Clock:
    """Runs from the moment at which it is made, which is `started_at`.

    For work that continues after an interruption it is made with the first start and the seconds used before.
    """

    def __init__(self, started_at: str | None = None, elapsed_before_seconds: float = 0.0) -> None:
        self.started_at = started_at or now()
        self._began = time.monotonic() - elapsed_before_seconds

    @property
    def elapsed_seconds(self) -> float:
        """How long the work has taken so far, to the millisecond."""
        return round(time.monotonic() - self._began, 3)
