"""Who follows a long reading: more than how many bytes are done."""


class Watcher:
    """A progress call that is also given the phase and the counts so far, by what knows them.

    Every function that takes a progress call takes a plain `progress(done_bytes, total_bytes)` too.
    """

    def __call__(self, done_bytes: int, total_bytes: int) -> None:
        """So many bytes of all are done."""

    def enter(self, phase: str) -> None:
        """Another phase begins, of which it is not known how long it takes."""

    def count(self, differing_blocks: int, unreadable_blocks: int) -> None:
        """So many blocks differ, and so many could not be read, so far."""
