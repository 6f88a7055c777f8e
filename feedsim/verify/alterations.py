"""Cells altered a little on one side: what a comparison of the engines has to tell apart."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from feedsim.accounts import Record
from feedsim.cell import BreakPlan, Cell, DutyPlan, MachinePlan, PlannedStopPlan
from feedsim.config import Spread
from feedsim.engines import Engine
from feedsim.stats import Floats

Alter = Callable[[Cell], Cell]


@dataclass(frozen=True)
class Altered:
    """An engine that simulates a slightly different cell."""

    kernel: Engine
    alter: Alter

    def record(self, cell: Cell, seed: int, replication: int) -> Record:
        """The record of the altered cell."""
        return self.kernel.record(self.alter(cell), seed, replication)

    def sums(self, cell: Cell, seed: int, replications: range) -> Floats:
        """Sums of the altered cell."""
        return self.kernel.sums(self.alter(cell), seed, replications)


def _other(value: Any) -> Any:
    """A value a little different from a cell's own."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return value * 0.9
    if isinstance(value, Spread):
        return Spread("constant", value.mean_s + 0.5)
    if value in ("low", "none"):
        return "dry"
    if value == "dry":
        return "low"
    if isinstance(value, tuple) and all(isinstance(v, float) for v in value):
        return (value[0] / 2, value[1], value[2], value[4], value[3])
    if isinstance(value, tuple):
        return tuple(_altered(inner) for inner in value)
    return value


PARTS = {
    DutyPlan: "takes",
    BreakPlan: "end_us",
    PlannedStopPlan: "is_break",
}


def _altered(part: Any, field: str | None = None) -> Any:
    field = field or PARTS[type(part)]
    return replace(part, **{field: _other(getattr(part, field))})


OF_MACHINE = (
    *("cycle_us", "single_lane_cycle_us", "restart_us", "scrap_packs", "scrap_after_us"),
    *("capacity_bags", "call_level_bags", "live_loading", "bundle_bags", "bundle", "visit"),
    *("carry_bundles", "fetch", "retries", "retry_us", "misses_to_stop", "halts_on_lane_fault"),
    *("clear", "discard_bags", "chances", "bad_share", "bad_chances"),
)
OF_STATION = ("between_stops", "stop", "needs_operator")
OF_OUTFEED = ("accumulation_packs", "restart_packs", "cycle_us")
OF_CREW = ("calls", "rounds_us", "notice", "walk_us", "walk_m_per_s", "duties", "breaks")
OF_CELL = ("warm_up_us", "minor_stop_us", "planned_stops")


def _machines(cell: Cell, alter: Callable[[MachinePlan], MachinePlan]) -> Cell:
    return replace(cell, machines=tuple(alter(plan) for plan in cell.machines))


def _in_machines(field: str) -> Alter:
    return lambda cell: _machines(cell, lambda plan: _altered(plan, field))


def _in_stations(field: str) -> Alter:
    def alter(plan: MachinePlan) -> MachinePlan:
        return replace(plan, stations=tuple(_altered(each, field) for each in plan.stations))

    return lambda cell: _machines(cell, alter)


def _in_outfeed(field: str) -> Alter:
    def alter(plan: MachinePlan) -> MachinePlan:
        if plan.outfeed is None:
            return plan
        return replace(plan, outfeed=_altered(plan.outfeed, field))

    return lambda cell: _machines(cell, alter)


def _in_stations_behind(field: str) -> Alter:
    def alter(plan: MachinePlan) -> MachinePlan:
        if plan.outfeed is None:
            return plan
        stations = tuple(_altered(each, field) for each in plan.outfeed.stations)
        return replace(plan, outfeed=replace(plan.outfeed, stations=stations))

    return lambda cell: _machines(cell, alter)


def _in_crew(field: str) -> Alter:
    return lambda cell: replace(cell, crew=_altered(cell.crew, field))


def _in_cell(field: str) -> Alter:
    def alter(cell: Cell) -> Cell:
        other: Cell = _altered(cell, field)
        return other

    return alter


def _half_of_the_start(plan: MachinePlan) -> MachinePlan:
    return replace(plan, start_bags=plan.start_bags // 2)


# Each thing that a cell says, and the cell with a little of it altered.
ALTERATIONS: Mapping[str, Alter] = {
    "machine start_bags": lambda cell: _machines(cell, _half_of_the_start),
    "crew operators": lambda cell: replace(
        cell, crew=replace(cell.crew, operators=cell.crew.operators + 1)
    ),
    **{f"machine {field}": _in_machines(field) for field in OF_MACHINE},
    **{f"station {field}": _in_stations(field) for field in OF_STATION},
    **{f"station behind {field}": _in_stations_behind(field) for field in OF_STATION},
    **{f"outfeed {field}": _in_outfeed(field) for field in OF_OUTFEED},
    **{f"crew {field}": _in_crew(field) for field in OF_CREW},
    **{f"cell {field}": _in_cell(field) for field in OF_CELL},
}
