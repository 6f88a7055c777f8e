"""A machine's states as a line in time: windows of it, its segments and halts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from feedsim.accounts.record import (
    BLOCKED,
    CHANGEOVER,
    DRY,
    JAM,
    LANE_FAULT,
    MOVING,
    PLANNED,
    PLANNED_STOP,
    RESTARTING,
    RETRY,
    RUNNING,
    MachineRecord,
)
from feedsim.cell import MachinePlan

BY_SPEED = "speed"


class Window(NamedTuple):
    """The part of a shift that is read, in microseconds from the shift's start."""

    start_us: int
    end_us: int

    def holds(self, at_us: int) -> bool:
        """Whether an instant belongs to the window."""
        return self.start_us < at_us <= self.end_us or at_us == self.start_us == 0

    def cut(self, begin_us: int, end_us: int) -> tuple[int, int]:
        """The part of an interval that lies in the window; its end is first where none does."""
        return max(begin_us, self.start_us), min(end_us, self.end_us)

    def part_us(self, begin_us: int, end_us: int) -> int:
        """How much of an interval lies in the window."""
        return max(0, min(end_us, self.end_us) - max(begin_us, self.start_us))


class Segment(NamedTuple):
    """A stretch of time that a machine's state held; it may be of no length."""

    begin_us: int
    end_us: int
    state: str


@dataclass(frozen=True, slots=True)
class Halt:
    """From the end of a cycle to the start of the restart or of the next cycle."""

    segments: tuple[Segment, ...]

    @property
    def begin_us(self) -> int:
        """When it began."""
        return self.segments[0].begin_us

    @property
    def unplanned(self) -> list[Segment]:
        """Its time without planned stops."""
        return [s for s in self.segments if s.state not in PLANNED and s.end_us > s.begin_us]

    @property
    def length_us(self) -> int:
        """Its whole length, planned stops left out."""
        return sum(s.end_us - s.begin_us for s in self.unplanned)

    @property
    def cause(self) -> str:
        """Where its first unplanned microsecond went, or without one its first instant."""
        unplanned = self.unplanned
        return unplanned[0].state if unplanned else self.segments[0].state


def states_of(plan: MachinePlan) -> tuple[str, ...]:
    """All states that a machine can be in, in the order in which tables show them."""
    stations = (station.state for station in plan.stations)
    return (
        *(RUNNING, RETRY, RESTARTING, DRY, LANE_FAULT, JAM),
        *stations,
        *(BLOCKED, CHANGEOVER, PLANNED_STOP),
    )


def causes_of(plan: MachinePlan) -> tuple[str, ...]:
    """All states that a halt can be counted under."""
    return tuple(state for state in states_of(plan) if state not in MOVING)


def blockers_of(plan: MachinePlan) -> tuple[str, ...]:
    """What a machine's blocked time is told apart by."""
    if plan.outfeed is None:
        return ()
    return (*(station.state for station in plan.outfeed.stations), BY_SPEED)


def segments_of(record: MachineRecord, shift_us: int) -> list[Segment]:
    """The states of a machine over the shift, without a gap."""
    ends = [change.at_us for change in record.changes[1:]] + [shift_us]
    return [
        Segment(change.at_us, end, change.state)
        for change, end in zip(record.changes, ends, strict=True)
    ]


def halts_of(segments: list[Segment]) -> Iterator[Halt]:
    """The halts of a machine: whatever lies between two times of moving."""
    standing: list[Segment] = []
    for segment in segments:
        if segment.state not in MOVING:
            standing.append(segment)
        elif standing:
            yield Halt(tuple(standing))
            standing = []
    if standing:
        yield Halt(tuple(standing))
