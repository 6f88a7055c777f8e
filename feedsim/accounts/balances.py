"""Balances that every shift's record must keep; one that does not is a fault of the program."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

from feedsim.accounts.record import GOOD, RUNNING, MachineRecord, Record
from feedsim.accounts.timeline import segments_of
from feedsim.cell import Cell, MachinePlan


class BalanceError(RuntimeError):
    """The accounts of a shift contradict themselves: a fault of the program."""


def check_balances(record: Record, cell: Cell) -> None:
    """Check the whole record of a shift.

    Raises
    ------
    BalanceError
        If time, pockets, bags, packs or tasks do not add up.
    """
    for plan, machine in zip(cell.machines, record.machines, strict=True):
        _check_time(plan, machine, cell.shift_us)
        _check_bags(plan, machine)
        _check_packs(plan, machine)
    _check_work(record, cell)


def _demand(holds: bool, where: str, what: str) -> None:
    if not holds:
        raise BalanceError(f"{where}: {what}")


def _check_time(plan: MachinePlan, record: MachineRecord, shift_us: int) -> None:
    """Every microsecond is in one state, and running time is the cycles' own time."""
    times = [change.at_us for change in record.changes]
    _demand(times[:1] == [0], plan.name, "its states do not begin with the shift")
    in_order = all(a <= b for a, b in pairwise([*times, shift_us]))
    _demand(in_order, plan.name, "its states are not in order")
    running_us = sum(
        s.end_us - s.begin_us for s in segments_of(record, shift_us) if s.state == RUNNING
    )
    under_way_us = running_us - sum(run.count * run.cycle_us for run in record.runs)
    longest_us = max(plan.cycle_us, plan.single_lane_cycle_us)
    _demand(
        0 <= under_way_us <= longest_us,
        plan.name,
        f"running time and cycles differ by {under_way_us} us",
    )


def _check_bags(plan: MachinePlan, record: MachineRecord) -> None:
    """Bags at the start + loaded = gone + left, in every lane."""
    added = Counter[int]()
    for load in record.loads:
        added[load.lane] += load.bags
    for run in record.runs:
        added[run.lane] -= run.count * run.bags_each
    for discard in record.discards:
        added[discard.lane] -= discard.bags
    for lane, left in enumerate(record.lanes_left, start=1):
        bags = plan.start_bags + added[lane]
        _demand(bags == left, plan.name, f"lane {lane} has {left}, not {bags}")
        _demand(0 <= left <= plan.capacity_bags, plan.name, f"lane {lane} holds {left} bags")


def _check_packs(plan: MachinePlan, record: MachineRecord) -> None:
    """Good packs are in the accumulation or gone on; scrapped ones were made."""
    made = sum(run.count for run in record.runs if run.outcome == GOOD)
    last = 0
    for scrap in record.scraps:
        _demand(last < scrap.first_pack, plan.name, "a pack was scrapped twice")
        last = scrap.last_pack
    _demand(last <= made, plan.name, "a pack was scrapped that was not made")
    if plan.outfeed is not None:
        taken = sum(run.count for run in record.outfeed_cycles)
        left = made - taken
        _demand(
            left == record.accumulation_left and 0 <= left <= plan.outfeed.accumulation_packs,
            plan.name,
            f"the accumulation holds {record.accumulation_left} packs, not {left}",
        )


def _check_work(record: Record, cell: Cell) -> None:
    """Every operator takes, begins and ends one task after the other."""
    follows = {"takes": "begins", "begins": "ends", "ends": "takes"}
    expected = dict.fromkeys(range(1, cell.crew.operators + 1), "takes")
    last_us = 0
    for work in record.work:
        who = f"operator {work.operator}"
        _demand(work.operator in expected, who, "is not of the crew")
        _demand(expected[work.operator] == work.event, who, f"{work.event} out of turn")
        _demand(last_us <= work.at_us <= record.shift_us, who, "works out of order")
        expected[work.operator] = follows[work.event]
        last_us = work.at_us
