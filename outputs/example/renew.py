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
KEPT = {"capacity": ("capacity.png", "summary.csv"), "run": ("losses.png",)}


def main() -> None:
    """Run each command into a folder of its own and copy what README shows."""
    with tempfile.TemporaryDirectory() as scratch:
        for command, names in KEPT.items():
            study = Path(scratch) / command
            words = [sys.executable, "-m", "feedsim", command, str(CONFIG), "--out", str(study)]
            found = subprocess.run(words, check=True, capture_output=True, text=True)
            (HERE / f"{command}.txt").write_text(found.stdout)
            for name in names:
                shutil.copy(study / name, HERE / f"{command}-{name}" if name.endswith("csv")
                            else HERE / name)


if __name__ == "__main__":
    main()
