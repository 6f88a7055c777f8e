"""Which measures a log knows, in which windows: what it does not tell is left empty."""

from __future__ import annotations

import numpy as np

from feedsim.accounts.record import BLOCKED, DRY, JAM, LANE_FAULT, RESTARTING, RETRY
from feedsim.logs import EventLog
from feedsim.logs.sums import Flags, Known
from feedsim.measures import CREW_BUSY, Figure, SumArrays

# What must be known of a window for a measure.
NEEDS = {
    "oee": ("good", "cycle"),
    "performance": ("made", "cycle"),
    "quality": ("good", "made"),
    "good_packs": ("good",),
    "packs_per_h": ("good",),
    "rejected_packs": ("good", "made"),
    "bags_used": ("made",),
}
# What no log of stops tells.
NEVER = frozenset(
    {
        *("bags_loaded", "bags_wasted", "lost_pockets", "bags_per_refill", "start_bags_share"),
        *("wait_share", f"time_{RETRY}_share", f"time_{RESTARTING}_share", CREW_BUSY.name),
    }
)


def known_mask(measure: str, known: Known) -> Flags:
    """The windows in which a measure is known, as far as that hangs on counts and speed."""
    mask = np.ones_like(known.good)
    for need in NEEDS.get(measure, ()):
        mask &= getattr(known, need)
    if measure == "quality" and known.cycle.any():
        # Packs of unlike speeds have unlike weights.
        mask &= known.cycle
    return mask


def is_told(log: EventLog, measure: str) -> bool:
    """Whether a log tells a measure at all, counts and speed apart."""
    if measure in NEVER:
        return False
    told = set(log.states.values())
    for state in (DRY, LANE_FAULT, JAM, BLOCKED):
        of_state = (f"{state}_share", f"time_{state}_share", f"stops_{state}_per_h")
        if measure in of_state:
            return state in told
    states = {log.states.get(reason) for reason in log.visited}
    refills, faults = DRY in states, bool(states - {DRY})
    of_visits = {
        "visits_per_h": refills or faults,
        "refill_visits_per_h": refills,
        "fault_visits_per_h": faults,
    }
    return of_visits.get(measure, True)


def part_of(sums: SumArrays, mask: Flags) -> SumArrays:
    """The sums of some replications."""
    return {name: numbers[mask] for name, numbers in sums.items()}


def unknown(found: Figure) -> Figure:
    """The figure of a measure that is not known: not a number, which is not a zero unseen."""
    nothing = np.full(len(found.seen), np.nan)
    return Figure(found.measure, float("nan"), nothing, np.ones(len(found.seen), bool))
