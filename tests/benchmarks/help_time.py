"""Time of `feedsim --help`, and of Python doing nothing, in turns.

python tests/benchmarks/help_time.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time


def seconds(*words: str) -> float:
    """Time of one call of Python."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], capture_output=True, check=True)
    return time.perf_counter() - start


def main() -> None:
    """Print the medians of 15 calls each."""
    pairs = [(seconds("-m", "feedsim", "--help"), seconds("-c", "pass")) for _ in range(15)]
    shown, bare = (statistics.median(times) for times in zip(*pairs, strict=True))
    print(f"feedsim --help {shown:.3f} s (wanted: under 0.2 s), python alone {bare:.3f} s")


if __name__ == "__main__":
    main()
