"""Where a log's planned busy time went, as far as its packs are counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from feedsim.accounts.record import RUNNING, SKEWED
from feedsim.answers.account_known import known_mask
from feedsim.cell import MachinePlan
from feedsim.logs.sums import Known
from feedsim.losses import CLOSED_BADLY, REST, SLOW, Breakdown, breakdown, loss_of
from feedsim.measures import SumArrays

# Running time that no pack accounts for.
SLOW_SUM = "slow_cycles_us"


def log_breakdown(sums: SumArrays, plan: MachinePlan, known: Known, confidence: float) -> Breakdown:
    """Cut planned busy time into packs, as far as they are counted, and losses by reason.

    Where packs or the speed are not known everywhere, the first part is all running time. Else
    what is left of running time is told as one loss, which no log can tell apart: running slower
    than stated, and stops that were not logged.

    Parameters
    ----------
    sums : mapping from the name of a sum to an array of shape (n,)
    plan : MachinePlan
    known : Known
    confidence : float
    """
    has_good = bool(known_mask("oee", known).all())
    has_made = bool(known_mask("performance", known).all())
    if not has_good and not has_made:
        nothing = np.zeros_like(sums["window_us"])
        sums = {
            **sums,
            "good_packs": nothing,
            "rejected_packs": nothing,
            f"pockets_{SKEWED}": nothing,
            SLOW_SUM: sums[f"time_{RUNNING}_us"],
        }
    whole = breakdown(sums, plan, confidence)
    labels = {station.state: f"stopped: {station.name}" for station in plan.stations}
    labels[CLOSED_BADLY] = "rejected packs"
    losses = [
        replace(loss, label=labels.get(loss.name, loss.label))
        for loss in whole.losses
        if loss.name != SLOW and loss.time_us.any()
    ]
    if not has_good and not has_made:
        good = loss_of(
            sums,
            RUNNING,
            "running, packs not counted",
            RUNNING,
            sums[f"time_{RUNNING}_us"],
            confidence,
        )
        return Breakdown(whole.planned_busy_us, good, tuple(losses))
    label = "running slower than stated, stops not logged"
    if not has_made:
        label = "rejects, running slower, stops not logged"
    losses.append(loss_of(sums, REST, label, REST, sums[SLOW_SUM], confidence))
    losses.sort(key=lambda loss: -np.nan_to_num(loss.share.value))
    good = whole.good if has_good else replace(whole.good, label="packs made, good or not")
    return Breakdown(whole.planned_busy_us, good, tuple(losses))
