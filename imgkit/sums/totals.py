"""The sums of several areas of one medium, all from one reading in order."""

from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Self

from imgkit.core.spans import Stretch
from imgkit.medium.workers import hand_over
from imgkit.sums.ranges import workers
from imgkit.sums.rules import RULES, Rule
from imgkit.sums.running import Implementation, RunningSum, best_implementation, new_sum

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor


class Totals:
    """Every rule's sum of each area; areas may overlap, the same area is summed once.

    Used as a context: its threads end with it.
    """

    def __init__(self, areas: Sequence[Stretch], implementation: Implementation | None = None) -> None:
        self.areas = tuple(areas)
        wanted = sum(end - start for start, end in set(areas))
        self._sums: dict[tuple[Stretch, Rule], RunningSum] = {
            (area, rule): new_sum(rule, implementation or best_implementation(rule, wanted))
            for area in dict.fromkeys(areas)
            for rule in RULES
        }
        self._pool: ThreadPoolExecutor | None = None

    def __enter__(self) -> Self:
        from concurrent.futures import ThreadPoolExecutor

        self._pool = ThreadPoolExecutor(workers())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._pool is not None
        self._pool.shutdown()

    def take(self, offset: int, view: memoryview) -> None:
        """The next bytes of the medium; each area takes its own of them. Returns when all are done with `view`."""
        assert self._pool is not None
        waiting = [
            hand_over(self._pool, running.update, view[max(0, start - offset) : end - offset])
            for ((start, end), _), running in self._sums.items()
            if start < offset + len(view) and offset < end
        ]
        for each in waiting:
            each.result()

    def values(self) -> list[dict[Rule, int]]:
        """The sums of each area, in the order in which the areas were given."""
        return [{rule: self._sums[area, rule].value() for rule in RULES} for area in self.areas]
