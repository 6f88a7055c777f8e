"""Make the example figures of README.md anew.

    python outputs/example/renew.py

runs the two commands that README shows and keeps their figures and tables here.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / "configs" / "oats_slider.toml"
KEPT = {"capacity": "capacity.png", "run": "losses.png"}


def main() -> None:
    """Run each command into a folder of its own and copy what README shows."""
    with tempfile.TemporaryDirectory() as scratch:
        for command, name in KEPT.items():
            study = Path(scratch) / command
            words = [sys.executable, "-m", "feedsim", command, str(CONFIG), "--out", str(study)]
            found = subprocess.run(words, check=True, capture_output=True, text=True)
            told = [line.rstrip() for line in found.stdout.splitlines()]
            (HERE / f"{command}.txt").write_text("\n".join(told) + "\n")
            shutil.copy(study / name, HERE / name)


if __name__ == "__main__":
    main()
