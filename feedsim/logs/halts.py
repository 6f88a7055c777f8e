"""Stops that overlap or touch made into halts, and halts cut to production windows."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from feedsim.logs.spans import LoggedHalt, LoggedStop, ProductionWindow

IsPlanned = Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class WholeHalt:
    """A halt before it is cut; `parts` are disjoint, in order, each of one logged stop."""

    begin_us: int
    end_us: int
    parts: tuple[LoggedStop, ...]


def clusters_of(stops: Sequence[LoggedStop]) -> Iterator[list[LoggedStop]]:
    """Stops of one machine, in order of time, in groups that overlap or touch."""
    group: list[LoggedStop] = []
    end_us = 0
    for stop in stops:
        if group and stop.begin_us > end_us:
            yield group
            group = []
        end_us = max(end_us, stop.end_us) if group else stop.end_us
        group.append(stop)
    if group:
        yield group


def whole_halts(stops: Sequence[LoggedStop], is_planned: IsPlanned) -> list[WholeHalt]:
    """Halts of a machine.

    Of several stops at once the time is a planned one's, else that of the stop which began first,
    ties by line.

    Parameters
    ----------
    stops : sequence of LoggedStop
        Of one machine, in order of time.
    is_planned : callable
        Whether a reason is a planned stop or a changeover.
    """
    return [
        WholeHalt(
            group[0].begin_us,
            max(stop.end_us for stop in group),
            tuple(_parts(group, is_planned)) if len(group) > 1 else (group[0],),
        )
        for group in clusters_of(stops)
    ]


def _parts(group: Sequence[LoggedStop], is_planned: IsPlanned) -> Iterator[LoggedStop]:
    edges = sorted({edge for stop in group for edge in (stop.begin_us, stop.end_us)})
    if len(edges) == 1:
        yield group[0]
        return
    there: list[tuple[bool, int, int]] = []
    coming = 0
    part: LoggedStop | None = None
    owner = -1
    for left_us, right_us in pairwise(edges):
        while coming < len(group) and group[coming].begin_us <= left_us:
            unplanned = not is_planned(group[coming].reason)
            heapq.heappush(there, (unplanned, group[coming].begin_us, coming))
            coming += 1
        while group[there[0][2]].end_us <= left_us:
            heapq.heappop(there)
        if part is not None and there[0][2] == owner:
            part = replace(part, end_us=right_us)
            continue
        if part is not None:
            yield part
        owner = there[0][2]
        part = replace(group[owner], begin_us=left_us, end_us=right_us)
    if part is not None:
        yield part


def cut_to(
    halt: WholeHalt, window: ProductionWindow, is_planned: IsPlanned, *, is_counted: bool
) -> LoggedHalt:
    """A halt's part in a window that it touches."""
    parts = tuple(
        replace(
            part,
            begin_us=max(part.begin_us, window.begin_us),
            end_us=min(part.end_us, window.end_us),
        )
        for part in halt.parts
        if window.touches(part)
    )
    unplanned = [part for part in parts if not is_planned(part.reason)]
    return LoggedHalt(
        begin_us=parts[0].begin_us,
        end_us=parts[-1].end_us,
        reason=(unplanned or parts)[0].reason,
        machine=parts[0].machine,
        parts=parts,
        whole_us=sum(p.length_us for p in halt.parts if not is_planned(p.reason)),
        is_counted=is_counted,
    )
