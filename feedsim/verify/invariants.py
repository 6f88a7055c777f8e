"""What every shift of every cell keeps, whatever happens in it."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Mapping
from math import isclose, isfinite

import numpy as np

from feedsim.accounts import (
    BalanceError,
    MachineRecord,
    Reading,
    Record,
    Window,
    check_balances,
    read,
)
from feedsim.accounts.timeline import causes_of, states_of
from feedsim.cell import Cell, MachinePlan, build_cell
from feedsim.config import parse_config
from feedsim.measures import AVAILABILITY, OEE, PERFORMANCE, QUALITY, Measure, figure, measures_of
from feedsim.model.shift import run_shift
from feedsim.verify.random_cells import random_config

MOVING = ("running", "retry", "restarting")
ROUNDING = 1e-12


def cell_at_random(number: int) -> Cell:
    """The random cell of a number."""
    return build_cell(parse_config(random_config(random.Random(number))))


def check_random_shift(number: int, part: float) -> None:
    """Simulate a shift of a random cell and check it; see `check_shift`."""
    cell = cell_at_random(number)
    check_shift(cell, run_shift(cell, number % 1000, 1 + number % 7), part)


def check_shift(cell: Cell, record: Record, part: float) -> None:
    """Check all that a shift's record and its readings must keep.

    Parameters
    ----------
    cell : Cell
    record : Record
        What happened in one shift of it.
    part : float
        Where the shift is cut into two windows, as a part of it, 0 to 1.

    Raises
    ------
    BalanceError
        If anything does not add up.
    """
    check_balances(record, cell)
    whole = read(record, cell, Window(0, cell.shift_us))
    for plan, machine, sums in zip(cell.machines, record.machines, whole.machines, strict=True):
        levels_stay_within(plan, machine)
        time_is_in_states(plan, sums, cell)
        bags_add_up(plan, machine, sums)
        halts_are_counted_once(plan, machine, sums)
        waiting_is_standing(plan, sums)
        shares_add_up(plan, sums)
        oee_is_its_parts_product(plan, sums)
    is_within = 0 <= whole.crew["busy_us"] <= whole.crew["present_us"]
    _demand(is_within, "crew", "busy for longer than present")
    # A window that ends at 0 covers that instant, as every one that begins there does.
    at_us = max(1, round(part * cell.shift_us))
    first = read(record, cell, Window(0, at_us))
    second = read(record, cell, Window(at_us, cell.shift_us))
    windows_add_up(whole, first, second)


def _demand(holds: bool, where: str, what: str) -> None:
    if not holds:
        raise BalanceError(f"{where}: {what}")


def value_of(measure: Measure, sums: Mapping[str, int]) -> float:
    """A measure of one reading's sums."""
    arrays = {name: np.array([float(number)]) for name, number in sums.items()}
    return figure(measure, [arrays]).value


def levels_stay_within(plan: MachinePlan, record: MachineRecord) -> None:
    """No lane is below nothing or above its capacity at the end of any instant."""
    for lane in range(1, plan.lanes + 1):
        steps: dict[int, int] = defaultdict(int)
        for load in record.loads:
            steps[load.at_us] += load.bags * (load.lane == lane)
        for discard in record.discards:
            steps[discard.at_us] -= discard.bags * (discard.lane == lane)
        for run in record.runs:
            if run.lane == lane:
                for end_us in run.ends_us():
                    steps[end_us] -= run.bags_each
        level = plan.start_bags
        for at_us in sorted(steps):
            level += steps[at_us]
            is_within = 0 <= level <= plan.capacity_bags
            _demand(is_within, plan.name, f"lane {lane} holds {level} bags at {at_us} us")


def time_is_in_states(plan: MachinePlan, sums: Mapping[str, int], cell: Cell) -> None:
    """The times in all states make the shift."""
    times = [sums[f"time_{state}_us"] for state in states_of(plan)]
    _demand(min(times) >= 0, plan.name, "a time below 0")
    adds_up = sum(times) == sums["window_us"] == cell.shift_us
    _demand(adds_up, plan.name, "the times in its states do not make the shift")
    blocked = [us for name, us in sums.items() if name.startswith("blocked_by_")]
    _demand(sum(blocked) == sums["time_blocked_us"], plan.name, "blocked time has other causes")


def bags_add_up(plan: MachinePlan, record: MachineRecord, sums: Mapping[str, int]) -> None:
    """Bags at the start + loaded = used + wasted + left; pockets are packs or lost."""
    left = sum(record.lanes_left)
    had = plan.lanes * plan.start_bags + sums["bags_loaded"]
    _demand(had == sums["bags_gone"] + left, plan.name, "bags come or go unaccounted for")
    used = sums["good_packs"] + sums["rejected_packs"]
    pockets = sum(run.count for run in record.runs)
    _demand(used + sums["lost_pockets"] == pockets, plan.name, "pockets are not packs or lost")
    _demand(0 <= used <= sums["bags_gone"], plan.name, "packs without bags")
    is_within = 0 <= sums["scrapped_packs"] <= sums["rejected_packs"]
    _demand(is_within, plan.name, "scrapped packs are not among the rejected ones")


def halts_are_counted_once(
    plan: MachinePlan, record: MachineRecord, sums: Mapping[str, int]
) -> None:
    """Halts are the stretches between the machine's times of moving."""
    standing = [change.state not in MOVING for change in record.changes]
    begun = sum(
        now and not before for before, now in zip([False, *standing], standing, strict=False)
    )
    counted = sum(sums[f"stops_{cause}"] for cause in causes_of(plan))
    _demand(counted == begun, plan.name, f"{begun} halts, {counted} counted")


def waiting_is_standing(plan: MachinePlan, sums: Mapping[str, int]) -> None:
    """A machine waits for people only where it stands for want of them."""
    needed = [station.state for station in plan.stations if station.needs_operator]
    stopped_us = sum(sums[f"time_{state}_us"] for state in ("dry", "lane_fault", "jam", *needed))
    _demand(0 <= sums["wait_us"] <= stopped_us, plan.name, "waits for longer than it stands")


def shares_add_up(plan: MachinePlan, sums: Mapping[str, int]) -> None:
    """The shares of planned busy time in all states make one."""
    if sums["window_us"] == sums["time_planned_stop_us"]:
        return
    names = {f"time_{state}_share" for state in states_of(plan) if state != "planned_stop"}
    shares = [value_of(m, sums) for m in measures_of([plan]) if m.name in names]
    adds_up = len(shares) == len(names) and isclose(sum(shares), 1, abs_tol=ROUNDING)
    _demand(adds_up, plan.name, "the shares of its states do not make one")


def oee_is_its_parts_product(plan: MachinePlan, sums: Mapping[str, int]) -> None:
    """OEE is good packs at cycle time over busy time, and its three parts' product."""
    busy_us = sums["window_us"] - sums["time_planned_stop_us"]
    if not busy_us:
        return
    oee = value_of(OEE, sums)
    by_definition = sums["good_packs"] * sums["cycle_us"] / busy_us
    _demand(oee == by_definition and 0 <= oee <= 1, plan.name, f"OEE is {oee}")
    product = value_of(AVAILABILITY, sums) * value_of(PERFORMANCE, sums) * value_of(QUALITY, sums)
    is_product = not isfinite(product) or isclose(product, oee, rel_tol=ROUNDING, abs_tol=1e-15)
    _demand(is_product, plan.name, "OEE is not the product of its parts")


def windows_add_up(whole: Reading, first: Reading, second: Reading) -> None:
    """All that is counted or timed; scrapped packs too, which count where they were made."""
    tables = [(reading.crew, *reading.machines) for reading in (whole, first, second)]
    for both, before, after in zip(*tables, strict=True):
        for name in both.keys() - {"cycle_us"}:
            adds_up = before[name] + after[name] == both[name]
            _demand(adds_up, "windows", f"{name} of two adjoining ones is not that of both")
