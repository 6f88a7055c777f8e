"""Make pick_trials.csv: invented pick trials, simulated with known chances.

Run it beside the file: python make_pick_trials.py. The true values are the planning odds of the
package, made worse or better by what stands below, and bad bundles.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from feedsim.film import FAULTS, PLANNING_EXPONENTS, PLANNING_ODDS

# The truth: chances per attempt at 40 uN.m are the planning odds times these, and fall with the
# planning exponents of stiffness.
TIMES = {"press_zip": 1.2, "slider": 0.8, "plain": 1.0}
BAD_SHARE, BAD_MISSED = 0.04, 0.25
BAGS = 50
SEED = 20
# Closure, stiffness in uN.m, bundles of 50 bags: oats in a slider pouch, granola with a press zip.
TRIED = (
    ("press_zip", 23, 24),
    ("press_zip", 42, 40),
    ("press_zip", 75, 24),
    ("slider", 31, 24),
    ("slider", 75, 30),
    ("plain", 42, 16),
)
HEAD = """\
# Simulated, not measured: pick trials of a plant that packs breakfast cereals.
# True values: planning odds at 40 uN.m times 1.2 (press_zip), 0.8 (slider), 1.0 (plain), falling
# with the planning exponents of stiffness; 4 % of the bundles are bad, where 25 % of the attempts
# miss. Made by make_pick_trials.py.
"""


def chances(closure: str, stiffness: float) -> list[float]:
    """True chances in a good bundle."""
    odds = [
        TIMES[closure] * at_40 * (40 / stiffness) ** exponent
        for at_40, exponent in zip(PLANNING_ODDS[closure], PLANNING_EXPONENTS, strict=True)
    ]
    return [value / (1 + value) for value in odds]


def bundle(rng: np.random.Generator, good: list[float]) -> tuple[int, list[int]]:
    """Attempts until a bundle is used up, and the faults among them."""
    now = list(good)
    if rng.random() < BAD_SHARE:
        now[0] = BAD_MISSED
    attempts, bags, counts = 0, BAGS, [0] * len(FAULTS)
    while bags > 0:
        attempts += 1
        outcome = int(np.searchsorted(np.cumsum(now), rng.random(), side="right"))
        if outcome < len(FAULTS):
            counts[outcome] += 1
        # A missed bag stays in the lane, a double takes two.
        bags -= {0: 0, 1: 2}.get(outcome, 1)
    return attempts, counts


def main() -> None:
    """Write the file."""
    rng = np.random.default_rng(SEED)
    lines = [",".join(("closure", "stiffness_uNm", "lane", "bundle", "attempts", *FAULTS))]
    number = 0
    for closure, stiffness, bundles in TRIED:
        good = chances(closure, stiffness)
        for _ in range(bundles):
            number += 1
            attempts, counts = bundle(rng, good)
            fields = (closure, stiffness, 1 + number % 2, number, attempts, *counts)
            lines.append(",".join(map(str, fields)))
    path = Path(__file__).with_name("pick_trials.csv")
    path.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
