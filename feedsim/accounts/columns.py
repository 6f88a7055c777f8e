"""Names of the sums that a reading holds, in their order: what engines hand to a study."""

from __future__ import annotations

from feedsim.accounts.record import DOUBLE, JAMMED, MISSED, SKEWED, UNOPENED
from feedsim.accounts.timeline import blockers_of, causes_of, states_of
from feedsim.cell import Cell, MachinePlan


def columns_of(cell: Cell) -> list[list[str]]:
    """Names of the sums of a shift.

    Parameters
    ----------
    cell : Cell

    Returns
    -------
    list of list of str
        Of each machine, in their order, and last the crew's.
    """
    return [*(_machine_columns(plan) for plan in cell.machines), ["busy_us", "present_us"]]


def _machine_columns(plan: MachinePlan) -> list[str]:
    return [
        "window_us",
        "cycle_us",
        *(f"time_{state}_us" for state in states_of(plan)),
        *(f"stops_{cause}" for cause in causes_of(plan)),
        "long_halts_us",
        "wait_us",
        *(f"blocked_by_{name}_us" for name in blockers_of(plan)),
        "good_packs",
        "rejected_packs",
        "scrapped_packs",
        "slow_cycles_us",
        "lost_pockets",
        *(f"pockets_{fault}" for fault in (SKEWED, MISSED, DOUBLE, UNOPENED, JAMMED)),
        "bags_loaded",
        "bags_gone",
        "bags_from_start",
        "refill_visits",
        "fault_visits",
    ]
