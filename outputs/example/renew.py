"""Make the examples of README.md anew: answers that it shows, figures and tables kept here.

    python outputs/example/renew.py

runs every command that README shows with its answer, and writes the answer's first sentences there;
the tables and figures of the first examples are kept beside this file.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
README = ROOT / "README.md"
KEPT = {
    "capacity configs/oats_slider.toml": ("capacity", "capacity.png"),
    "run configs/oats_slider.toml": ("run", "losses.png"),
    "size configs/oats_slider.toml --oee 0.77 --up-to 300": ("size", "size.png"),
}
BLOCK = re.compile(r"```console\n((?:.*\n)*?)```")
COMMAND = "$ feedsim "


def answer(words: str, folder: Path) -> list[str]:
    """What a command prints, line by line; its study goes to a folder."""
    command = [sys.executable, "-m", "feedsim", *shlex.split(words), "--out", str(folder)]
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if found.returncode > 1:
        raise SystemExit(found.stderr)
    return [line.rstrip() for line in found.stdout.splitlines()]


def sentences(lines: list[str]) -> list[str]:
    """The answer without the tables that follow it."""
    first_table = next(n for n, line in enumerate(lines) if not line.strip())
    return lines[: first_table - 1]


def main() -> None:
    """Run all of them."""
    with tempfile.TemporaryDirectory() as scratch:
        for number, (words, (name, figure)) in enumerate(KEPT.items()):
            folder = Path(scratch) / str(number)
            (HERE / f"{name}.txt").write_text("\n".join(answer(words, folder)) + "\n")
            shutil.copy(folder / figure, HERE / figure)

        def renewed(block: re.Match[str]) -> str:
            lines = ["```console"]
            for number, line in enumerate(block[1].splitlines()):
                if line.startswith(COMMAND):
                    folder = Path(scratch) / f"{block.start()}-{number}"
                    lines += [line, *sentences(answer(line.removeprefix(COMMAND), folder))]
            return "\n".join([*lines, "```"])

        README.write_text(BLOCK.sub(renewed, README.read_text(encoding="utf-8")))


if __name__ == "__main__":
    main()
