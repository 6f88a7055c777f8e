"""Peak memory of the driving process of a study with 12 capacities and 100 replications.

python tests/benchmarks/memory.py
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

CONFIG = Path(__file__).parents[2] / "configs" / "oats_slider.toml"


def main() -> None:
    """Run the command as a user does and read what it took."""
    with tempfile.TemporaryDirectory() as folder:
        words = ["capacity", str(CONFIG), "--bags", "50:325:25", "--replications", "100"]
        words += ["--out", str(Path(folder) / "study"), "--jobs", "2"]
        code = (
            "import resource, sys\n"
            "from feedsim.cli import main\n"
            "if __name__ == '__main__':\n"
            "    try:\n        main()\n"
            "    finally:\n"
            "        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
            "        print(f'peak {peak / 1024:.0f} MB', file=sys.stderr)\n"
        )
        script = Path(folder) / "driver.py"
        script.write_text(code)
        found = subprocess.run(
            [sys.executable, str(script), *words], capture_output=True, text=True, check=True
        )
        print(found.stdout.splitlines()[0])
        print(f"driving process: {found.stderr.strip().splitlines()[-1]} (wanted: below 400 MB)")
        workers = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        print(f"largest of all processes: {workers:.0f} MB; {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
