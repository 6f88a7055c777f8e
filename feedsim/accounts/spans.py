"""Spans of time: disjoint, in order, with how much of them lies in any interval."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

Span = tuple[int, int]


class Spans:
    """The union of intervals of time, in microseconds."""

    def __init__(self, intervals: Iterable[Span]) -> None:
        self._begins: list[int] = []
        self._ends: list[int] = []
        self._before: list[int] = []
        covered = 0
        for begin, end in sorted(intervals):
            if end <= begin:
                continue
            if self._ends and begin <= self._ends[-1]:
                covered += max(0, end - self._ends[-1])
                self._ends[-1] = max(self._ends[-1], end)
                continue
            self._begins.append(begin)
            self._ends.append(end)
            self._before.append(covered)
            covered += end - begin

    def _until(self, at_us: int) -> int:
        last = bisect_right(self._begins, at_us) - 1
        if last < 0:
            return 0
        return self._before[last] + min(at_us, self._ends[last]) - self._begins[last]

    def within(self, begin_us: int, end_us: int) -> int:
        """Time of the interval that the spans cover, in microseconds."""
        return max(0, self._until(end_us) - self._until(begin_us))


NO_SPANS = Spans(())
