"""Variance of the paired difference between neighbouring capacities against independent runs.

python tests/benchmarks/pairing.py [CONFIG ...]
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np

from feedsim.answers.capacity import capacity
from feedsim.config import load_config
from feedsim.study import Work

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))


def main() -> None:
    """Print the ratio for OEE at each step of each config's default capacities."""
    for path in map(Path, sys.argv[1:] or CONFIGS):
        result = capacity(load_config(path), work=Work(jobs=2))
        curve = result.curve()
        print(f"{path.name}: variance of the paired difference of OEE / of independent runs")
        for smaller, larger in pairwise(curve):
            a, b = smaller.figures["oee"].deviations, larger.figures["oee"].deviations
            ratio = np.var(b - a, ddof=1) / (np.var(a, ddof=1) + np.var(b, ddof=1))
            steps = f"{result.capacity_bags(smaller)} -> {result.capacity_bags(larger)}"
            print(f"  {steps:>12} bags per lane: {ratio:.3f}")


if __name__ == "__main__":
    main()
