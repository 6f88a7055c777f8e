"""Times between stops within windows of running time: the last one of each window is cut off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from feedsim.fit.families import FitError
from feedsim.fit.goodness import DrawTimes
from feedsim.fit.survival import CensoredTimes
from feedsim.stats import Floats

Ints = NDArray[np.int64]
_BLOCK, _LARGEST_BLOCK = 8, 4096
_MOST_STOPS = 5_000_000


@dataclass(frozen=True, eq=False)
class Renewals:
    """Times between stops, window by window, in running time.

    A window's first time counts from the window's start, and its last one, which the window's
    end cuts off, is right-censored: as in the model, whose stations are as new at the shift's
    start.

    Attributes
    ----------
    times_s : array of shape (n,)
        In order within each window, windows one after the other, s.
    seen : array of bool, shape (n,)
    window : array of int, shape (n,)
        Number of each time's window, from 0.
    running_s : array of shape (w,)
        Running time of each window, s.
    """

    times_s: Floats
    seen: NDArray[np.bool_]
    window: Ints
    running_s: Floats

    @classmethod
    def of(cls, stops_at_s: Sequence[Sequence[float]], running_s: Sequence[float]) -> Renewals:
        """Times between stops of the instants of the stops in each window's running time, s.

        A stop at a window's start has no time before it; the clock begins after it.
        """
        times, seen, window = [], [], []
        for number, (instants, whole_s) in enumerate(zip(stops_at_s, running_s, strict=True)):
            edges = np.array([0.0, *instants, whole_s])
            steps = np.diff(edges)
            times.append(steps)
            seen.append(np.arange(len(steps)) < len(steps) - 1)
            window.append(np.full(len(steps), number))
        flat = np.concatenate(times) if times else np.zeros(0)
        there = flat > 0
        return cls(
            flat[there],
            (np.concatenate(seen) if seen else np.zeros(0, bool))[there],
            (np.concatenate(window) if window else np.zeros(0, int)).astype(np.int64)[there],
            np.asarray(running_s, float),
        )

    @cached_property
    def data(self) -> CensoredTimes:
        """The times without their windows."""
        return CensoredTimes(self.times_s, self.seen)

    @cached_property
    def counts(self) -> Floats:
        """Stops in each window."""
        counts = np.bincount(self.window, weights=self.seen, minlength=len(self.running_s))
        return counts.astype(float)

    @cached_property
    def instants_s(self) -> Floats:
        """Running time of all windows, one after the other, at each stop, s."""
        ends = np.cumsum(self.times_s)
        return ends[self.seen]

    @property
    def total_s(self) -> float:
        """Running time of all windows, s."""
        return float(self.running_s.sum())

    def like(self, rng: np.random.Generator, draw: DrawTimes) -> Renewals:
        """Independent times in the same windows, drawn by a function.

        Raises
        ------
        FitError
            If millions of them fit into the windows.
        """
        going = np.flatnonzero(self.running_s > 0)
        spent = np.zeros(len(going))
        parts: list[tuple[Floats, NDArray[np.bool_], Ints]] = []
        block, drawn = _BLOCK, 0
        while len(going):
            times = draw(rng, (len(going), block))
            whole = self.running_s[going][:, None]
            after = spent[:, None] + np.cumsum(times, axis=1)
            before = after - times
            there = before < whole
            kept = np.where(after <= whole, times, whole - before)[there]
            number = np.broadcast_to(going[:, None], times.shape)[there].astype(np.int64)
            parts.append((kept, (after <= whole)[there], number))
            drawn += len(kept)
            if drawn > _MOST_STOPS:
                raise FitError("a fit has more stops in the windows than can be")
            on = after[:, -1] < self.running_s[going]
            going, spent = going[on], after[on, -1]
            block = min(2 * block, _LARGEST_BLOCK)
        kept, seen, number = (
            np.concatenate([part[k] for part in parts] or [np.zeros(0)]) for k in range(3)
        )
        order = np.argsort(number, kind="stable")
        order = order[kept[order] > 0]
        return Renewals(
            kept[order], seen[order].astype(bool), number[order].astype(np.int64), self.running_s
        )

    def __call__(self, rng: np.random.Generator, draw: DrawTimes) -> CensoredTimes:
        """A sample of the same windows, for a test of fit."""
        return self.like(rng, draw).data
