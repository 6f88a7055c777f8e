"""What the kernel does not run: numbers beyond what its whole numbers and its memory hold."""

from __future__ import annotations

from feedsim.cell import Cell, MachinePlan

MOST_BITS = 60
LEAST_CHANCE = 1e-12
MOST_BUNDLES = 1_000_000
MOST_MACHINES = 1_000


def refusal(cell: Cell) -> str | None:
    """Say why the kernel does not run a cell.

    Parameters
    ----------
    cell : Cell

    Returns
    -------
    str or None
        The key and what is beyond the limit; None for a cell that it runs.
    """
    actors = cell.crew.operators + len(cell.crew.duties) + len(cell.planned_stops)
    for plan in cell.machines:
        actors += len(plan.stations) + (len(plan.outfeed.stations) if plan.outfeed else 0) + 2
        reason = _machine_refusal(plan)
        if reason is not None:
            return f"{plan.name}: {reason}"
    if len(cell.machines) > MOST_MACHINES:
        return f"more than {MOST_MACHINES:,} machines"
    if (cell.shift_us * (actors + 8)).bit_length() + 1 > MOST_BITS:
        return "study.shift_h is too long for so many machines, stations and operators"
    return None


def _machine_refusal(plan: MachinePlan) -> str | None:
    for chances in (plan.chances, plan.bad_chances):
        if any(0 < chance < LEAST_CHANCE for chance in chances):
            return f"bag: a chance below {LEAST_CHANCE:g}"
    if plan.bad_share is not None and plan.capacity_bags // plan.bundle_bags > MOST_BUNDLES:
        return f"magazine.capacity_bags: more than {MOST_BUNDLES:,} bundles in a lane"
    if _bits(plan.capacity_bags, plan.single_lane_cycle_us) > MOST_BITS:
        return "magazine.capacity_bags: the lane lasts too long"
    outfeed = plan.outfeed
    if outfeed is not None:
        longest_us = max(outfeed.cycle_us, plan.single_lane_cycle_us)
        if _bits(outfeed.accumulation_packs + 1, longest_us) > MOST_BITS:
            return "outfeed.accumulation_packs: the accumulation lasts too long"
    return None


def _bits(number: int, times: int) -> int:
    return (number * times).bit_length()
