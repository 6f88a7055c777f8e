"""A cell laid out in memory, as the kernel finds it at a shift's beginning."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts.timeline import blockers_of, causes_of, states_of
from feedsim.cell import Cell, MachinePlan, StationPlan
from feedsim.config import Spread
from feedsim.film import Chances
from feedsim.kernel import codes, luck, memory
from feedsim.kernel.block import STRETCHES, SUMS, Rows, joined, whole
from feedsim.kernel.memory import NEVER, NOBODY
from feedsim.model.calendar import edges_of
from feedsim.model.crew import CLEAR, LOAD_DRY, LOAD_LOW, OTHER_DUTY, TOP_UP
from feedsim.model.lane import total
from feedsim.streams import name_words
from feedsim.times import scale_and_form, to_us


@dataclass(frozen=True, slots=True)
class TaskPlan:
    """A task that may have to be done: what it is, and how a record names it."""

    priority: int
    kind: int
    machine: int
    what: int
    call: str
    detail: str


@dataclass(frozen=True, slots=True)
class Layout:
    """A cell's block of memory, and what its numbers stand for.

    In `plan` an address is counted from the block's beginning; `addresses` are the places of all
    such words.
    """

    plan: NDArray[np.int64]
    addresses: NDArray[np.int64]
    tasks: tuple[TaskPlan, ...]


def lay_out(cell: Cell, seed: int) -> Layout:
    """Lay a cell out for the kernel.

    Parameters
    ----------
    cell : Cell
    seed : int
        The study's seed, 0 or more.

    Returns
    -------
    Layout
        The block as a shift begins, the replication left open, all addresses counted from 0.
    """
    return _Plan(cell, seed).layout()


class _Plan:
    """The tables of a cell, row by row."""

    def __init__(self, cell: Cell, seed: int) -> None:
        self.cell = cell
        self.seed_words = _words_of(seed)
        self.streams = Rows(memory.STREAM)
        self.machines = Rows(memory.MACHINE)
        self.outfeeds = Rows(memory.OUTFEED)
        self.lanes = Rows(memory.LANE)
        self.stations = Rows(memory.STATION)
        self.operators = Rows(memory.OPERATOR)
        self.tasks: list[TaskPlan] = []
        self.duties = Rows(memory.DUTY)
        self.values_s: list[float] = []
        self.leaves: list[tuple[int, int]] = []
        self.sums = 0
        self.stretches = 0

    def layout(self) -> Layout:
        """Fill the tables in the order of places within an instant, and join them."""
        cell, crew = self.cell, self.cell.crew
        leaf_of = {
            kind: self._leaf(kind)
            for kind in (codes.STOPS_LEAF, codes.BREAKS_LEAF, codes.ROUNDS_LEAF)
        }
        for number, duty in enumerate(crew.duties):
            self.duties.add(
                leaf=self._leaf(codes.DUTY_LEAF, number),
                every_us=duty.every_us,
                task=self._task(OTHER_DUTY, codes.DUTY_TASK, NOBODY, number, "", duty.name),
                takes=self._times(duty.takes, "duty", duty.name),
            )
        for plan in cell.machines:
            self._add_machine(plan)
        leaf_of[codes.NOTICE_LEAF] = self._leaf(codes.NOTICE_LEAF)
        for place in range(crew.operators):
            self.operators.add(
                number=place + 1,
                leaf=self._leaf(codes.OPERATOR_LEAF, place),
                task=NOBODY,
                at=memory.BASE,
            )
        for kind, rows in (
            (codes.OUTFEED_LEAF, self.outfeeds),
            (codes.MACHINE_LEAF, self.machines),
        ):
            for plan in cell.machines:
                rows.rows[plan.index]["leaf"] = self._leaf(kind, plan.index)
        leaf_of[codes.WARM_UP_LEAF] = self._leaf(codes.WARM_UP_LEAF)
        leaf_of[codes.END_LEAF] = self._leaf(codes.END_LEAF)
        block, addresses = joined(self._tables(), self._numbers(leaf_of))
        return Layout(block, addresses, tuple(self.tasks))

    def _leaf(self, kind: int, owner: int = 0) -> int:
        self.leaves.append((kind, owner))
        return len(self.leaves) - 1

    def _task(
        self, priority: int, kind: int, machine: int, what: int, call: str, detail: str
    ) -> int:
        self.tasks.append(TaskPlan(priority, kind, machine, what, call, detail))
        return len(self.tasks) - 1

    def _stream(self, *parts: object) -> int:
        words = name_words("/".join(map(str, parts)))
        return self.streams.add(**{f"word_{k}": word for k, word in enumerate(words)})

    def _times(self, spread: Spread, *parts: object) -> dict[str, Any]:
        """The times of a purpose, as `feedsim.times.Times` draws them."""
        if spread.family == "constant":
            constant_us = min(to_us(spread.mean_s), luck.LONGEST_US)
            return {"family": luck.CONSTANT, "constant_us": constant_us}
        scale, form = scale_and_form(spread)
        times = {"stream": self._stream(*parts), "scale": scale, "form": form}
        if spread.family != "empirical":
            return times | {"family": luck.FAMILIES[spread.family]}
        values_s = list(spread.values_s or [spread.mean_s])
        place = len(self.values_s)
        self.values_s += values_s
        return times | {"family": luck.EMPIRICAL, "first_value": place, "values": len(values_s)}

    def _add_machine(self, plan: MachinePlan) -> None:
        owner = (plan.table, plan.ordinal)
        number = plan.index
        load = codes.LOAD_TASK
        states = states_of(plan)
        counters = len(states) + len(causes_of(plan))
        row: dict[str, Any] = {
            "number": number,
            "cycle_us": plan.cycle_us,
            "single_lane_cycle_us": plan.single_lane_cycle_us,
            "restart_us": plan.restart_us,
            "scrap_packs": plan.scrap_packs,
            "scrap_after_us": plan.scrap_after_us,
            "lanes": plan.lanes,
            "first_lane": len(self.lanes.rows),
            "capacity_bags": plan.capacity_bags,
            "start_bags": plan.start_bags,
            "calls_at_bags": self.cell.crew.calls_at_bags(plan),
            "live_loading": plan.live_loading,
            "bundle_bags": plan.bundle_bags,
            "carry_bundles": -1 if plan.carry_bundles is None else plan.carry_bundles,
            "retries": plan.retries,
            "retry_us": plan.retry_us,
            "misses_to_stop": plan.misses_to_stop,
            "halts_on_lane_fault": plan.halts_on_lane_fault,
            "discard_bags": plan.discard_bags,
            "has_bad_bundles": plan.bad_share is not None,
            "most_stretches": _most_bundles(plan),
            "bad_share": plan.bad_share or 0.0,
            "total_chance": total(plan.chances),
            "total_bad_chance": total(plan.bad_chances),
            "log_good": _log_good(plan.chances),
            "log_good_bad": _log_good(plan.bad_chances),
            "chances": plan.chances,
            "bad_chances": plan.bad_chances,
            "has_outfeed": plan.outfeed is not None,
            "jam_task": self._task(CLEAR, codes.JAM_TASK, number, 0, "jam", ""),
            "dry_task": self._task(LOAD_DRY, load, number, 0, "dry", ""),
            "low_task": self._task(LOAD_LOW, load, number, 0, "low", ""),
            "round_task": self._task(TOP_UP, load, number, 0, "round", ""),
            "states": len(states),
            "blocked_state": len(states) - codes.STATES_AFTER_STATIONS,
            "changeover_state": len(states) - 2,
            "planned_stop_state": len(states) - 1,
            "times": self.sums,
            "stops": self.sums + len(states),
            "blocked_by": self.sums + counters,
            "window_words": counters + len(blockers_of(plan)),
            "state": NOBODY,
            "halt_cause": NOBODY,
            "held_jam": NOBODY,
            "held_lane_fault": NOBODY,
            "held_blocked": NOBODY,
            "held_dry": NOBODY,
            "next_stop_us": NEVER,
        }
        self.sums += counters + len(blockers_of(plan))
        for purpose in ("visit", "bundle", "fetch", "clear"):
            row[purpose] = self._times(getattr(plan, purpose), purpose, *owner)
        row["notice"] = self._times(self.cell.crew.notice, "notice", *owner)
        for place in range(plan.lanes):
            name = str(place + 1)
            self.lanes.add(
                number=place + 1,
                luck=self._stream("pick", *owner, place + 1),
                bad_luck=self._stream("bad_bundles", *owner, place + 1),
                task=self._task(CLEAR, codes.LANE_TASK, number, place, f"lane {name}", name),
                picks_to_fault=NEVER,
                first_stretch=self.stretches,
            )
            self.stretches += _most_bundles(plan)
        row["first_station"], row["stations"] = self._add_stations(plan, plan.stations, True)
        self.machines.add(**row)
        outfeed: dict[str, Any] = {"next_stop_us": NEVER}
        if plan.outfeed is not None:
            first, count = self._add_stations(plan, plan.outfeed.stations, False)
            outfeed |= {
                "accumulation_packs": plan.outfeed.accumulation_packs,
                "restart_packs": plan.outfeed.restart_packs,
                "cycle_us": plan.outfeed.cycle_us,
                "first_station": first,
                "stations": count,
            }
        self.outfeeds.add(**outfeed)

    def _add_stations(
        self, plan: MachinePlan, stations: Sequence[StationPlan], inline: bool
    ) -> tuple[int, int]:
        owner = (plan.table, plan.ordinal)
        first = len(self.stations.rows)
        for place, station in enumerate(stations):
            number = first + place
            self.stations.add(
                machine=plan.index,
                number=number,
                inline=inline,
                needs_operator=station.needs_operator,
                state=codes.FIRST_STATION_STATE + place,
                leaf=self._leaf(codes.STATION_LEAF, number),
                task=self._task(
                    CLEAR,
                    codes.STATION_TASK,
                    plan.index,
                    number,
                    f"station {station.name}",
                    station.state,
                ),
                between_stops=self._times(
                    station.between_stops, "between_stops", *owner, station.name
                ),
                stop=self._times(station.stop, "stop", *owner, station.name),
                held_since=NOBODY,
            )
        return first, len(stations)

    def _tables(self) -> dict[str, NDArray[Any]]:
        """Everything but the shift's row, named by the word that holds where it begins."""
        crew = self.cell.crew
        tasks, stops, breaks = Rows(memory.TASK), Rows(memory.SPAN), Rows(memory.SPAN)
        for task in self.tasks:
            tasks.add(priority=task.priority, kind=task.kind, machine=task.machine, what=task.what)
        for stop in self.cell.planned_stops:
            stops.add(begin_us=stop.begin_us, end_us=stop.end_us, is_break=stop.is_break)
        for pause in crew.breaks:
            breaks.add(begin_us=pause.begin_us, end_us=pause.end_us, cover=pause.cover)
        places = [None, *self.cell.machines]
        return {
            "first_stream": self.streams.array(),
            "first_machine": self.machines.array(),
            "first_outfeed": self.outfeeds.array(),
            "first_lane": self.lanes.array(),
            "first_station": self.stations.array(),
            "first_operator": self.operators.array(),
            "first_task": tasks.array(),
            "first_duty": self.duties.array(),
            "first_stop": stops.array(),
            "first_break": breaks.array(),
            "first_value": np.array(self.values_s, float),
            "first_seed_word": whole(self.seed_words),
            "first_waiting": whole([0] * len(self.tasks)),
            "first_due": whole([NEVER] * (2 * self.leaves_held)),
            "first_leaf_kind": whole(kind for kind, _ in self.leaves),
            "first_leaf_owner": whole(owner for _, owner in self.leaves),
            "first_walk": whole(crew.walk_time_us(a, b) for a in places for b in places),
            "first_stop_edge": whole(edges_of(self.cell.planned_stops)),
            "first_break_edge": whole(edges_of(crew.breaks)),
            SUMS: whole([0] * self.sums),
            STRETCHES: whole([0] * self.stretches),
        }

    def _numbers(self, leaf_of: dict[int, int]) -> dict[str, int]:
        """What the shift's row says besides where the tables begin."""
        cell, crew = self.cell, self.cell.crew
        return {
            "shift_us": cell.shift_us,
            "warm_up_us": cell.warm_up_us,
            "minor_stop_us": cell.minor_stop_us,
            "seed_words": len(self.seed_words),
            "machines": len(cell.machines),
            "lanes": len(self.lanes.rows),
            "stations": len(self.stations.rows),
            "operators": crew.operators,
            "duties": len(crew.duties),
            "leaves": self.leaves_held,
            "leaf_bits": self.leaves_held.bit_length() - 1,
            "stops_leaf": leaf_of[codes.STOPS_LEAF],
            "breaks_leaf": leaf_of[codes.BREAKS_LEAF],
            "rounds_leaf": leaf_of[codes.ROUNDS_LEAF],
            "notice_leaf": leaf_of[codes.NOTICE_LEAF],
            "warm_up_leaf": leaf_of[codes.WARM_UP_LEAF],
            "end_leaf": leaf_of[codes.END_LEAF],
            "calls": codes.CALLS.index(crew.calls),
            "rounds_us": crew.rounds_us or 0,
            "stops": len(cell.planned_stops),
            "stop_edges": len(edges_of(cell.planned_stops)),
            "breaks": len(crew.breaks),
            "break_edges": len(edges_of(crew.breaks)),
            "reached": NOBODY,
            **luck.numpy_functions(),
        }

    @property
    def leaves_held(self) -> int:
        """Leaves of the agenda's tree: the next power of two."""
        return 1 << (len(self.leaves) - 1).bit_length()


def _words_of(number: int) -> list[int]:
    """A whole number's 32-bit words, the lowest first, as numpy's SeedSequence takes it apart."""
    words = [number & 0xFFFFFFFF]
    while number := number >> 32:
        words.append(number & 0xFFFFFFFF)
    return words


def _most_bundles(plan: MachinePlan) -> int:
    """Bundles that a lane can hold at once, if any of them may be a bad one."""
    return 0 if plan.bad_share is None else plan.capacity_bags // plan.bundle_bags + 2


def _log_good(chances: Chances) -> float:
    """Logarithm of the chance of a good attempt."""
    return math.log1p(-total(chances)) if total(chances) < 1 else -math.inf
