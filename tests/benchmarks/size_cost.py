"""Shifts that `size` takes, beside a plain scan of all capacities that is as sure.

python tests/benchmarks/size_cost.py

The scan would give every capacity as many shifts as the search gave the one that took most.
"""

from __future__ import annotations

from pathlib import Path

from feedsim.answers.size import bundle_grid, size
from feedsim.answers.targets import Target
from feedsim.config import load_config
from feedsim.engines import COMPILED
from feedsim.study import Work

CONFIGS = Path(__file__).parents[2] / "configs"
CASES = (
    ("oats_slider", 300, (("oee", 0.77),)),
    ("granola_three_machines", 900, (("dry_share", 0.008),)),
    ("granola_mono_film", 600, (("oee", 0.69), ("visits_per_h", 20))),
)


def main() -> None:
    """Size each config and count."""
    for name, up_to, stated in CASES:
        config = load_config(CONFIGS / f"{name}.toml")
        targets = [Target(*target) for target in stated]
        found = size(config, targets, up_to=up_to, work=Work(engine=COMPILED))
        grid = bundle_grid(config, range(len(config.machine)), up_to)
        most = max(evidence.replications for evidence in found.found.tried.values())
        told = " and ".join(target.in_words() for target in targets)
        print(
            f"{name:24} {told}: {found.capacity_bags or 'none'} bags; {found.shifts:,} shifts, a "
            f"scan of {len(grid)} capacities {most * len(grid):,}: "
            f"{found.shifts / most / len(grid):.2f}"
        )


if __name__ == "__main__":
    main()
