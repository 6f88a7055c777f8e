"""Are machines alike, and is it after a change as before: groups of windows compared."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from feedsim.fit.log_rank import LogRank, log_rank
from feedsim.fit.running_time import ReasonStops
from feedsim.fit.survival import CensoredTimes

BEFORE, AFTER = "before", "after"
# Chi-square is near enough where each group would have as many events if all were alike.
LEAST_EXPECTED = 5.0

Purpose = Literal["between_stops", "stop"]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Groups of a reason's times, compared by the log-rank test.

    Attributes
    ----------
    purpose : {"between_stops", "stop"}
    names : tuple of str
        Of the groups: machines, or before and after.
    data : tuple of CensoredTimes
    test : LogRank
    """

    purpose: Purpose
    names: tuple[str, ...]
    data: tuple[CensoredTimes, ...]
    test: LogRank

    @property
    def is_judged(self) -> bool:
        """Whether there are enough events for the test."""
        return self.test.degrees > 0 and bool((self.test.expected >= LEAST_EXPECTED).all())

    @property
    def ratios(self) -> dict[str, float]:
        """How many times as many events a group has as if all were alike."""
        pairs = zip(self.names, self.test.seen, self.test.expected, strict=True)
        return {name: float(seen / expected) for name, seen, expected in pairs if expected > 0}


def by_machine(stops: ReasonStops) -> dict[str, list[int]]:
    """Numbers of the windows of each machine."""
    found: dict[str, list[int]] = {}
    for number, window in enumerate(stops.windows):
        found.setdefault(window.machine, []).append(number)
    return found


def by_change(stops: ReasonStops, at_us: int) -> dict[str, list[int]]:
    """Numbers of the windows before and after an instant; one that it falls in is in neither."""
    found: dict[str, list[int]] = {BEFORE: [], AFTER: []}
    for number, window in enumerate(stops.windows):
        if window.end_us <= at_us:
            found[BEFORE].append(number)
        elif window.begin_us >= at_us:
            found[AFTER].append(number)
    return found


def compare(stops: ReasonStops, groups: dict[str, list[int]]) -> Iterator[Comparison]:
    """Compare times between stops, and lengths, of groups of windows.

    Parameters
    ----------
    stops : ReasonStops
    groups : mapping from name to numbers of windows

    Yields
    ------
    Comparison
        Of each time of which an event was seen.
    """
    parts = [stops.within(numbers) for numbers in groups.values()]
    kinds: dict[Purpose, tuple[CensoredTimes, ...]] = {
        "between_stops": tuple(part.between.data for part in parts),
        "stop": tuple(part.lengths for part in parts),
    }
    for purpose, data in kinds.items():
        if any(group.events for group in data):
            yield Comparison(purpose, tuple(groups), data, log_rank(data))
