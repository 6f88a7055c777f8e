"""Small studies of every kind, made by their commands, for tests of what is made of folders."""

from __future__ import annotations

import fcntl
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from feedsim.cli import main

DATA = Path(__file__).parents[1] / "configs" / "data"

OATS = """
title = "Oats, {title}"

[study]
shift_h = 1
replications = 6

[crew]
walk_s = 10
rounds_every_min = 10

[[machine]]
name = "{name}"
speed_per_min = 30

[machine.magazine]
capacity_bags = 60
bundle_bags = 20
call_level_bags = 20
bundle = {{ family = "constant", mean_s = 20 }}

[machine.pick]
clear = {{ family = "constant", mean_s = 30 }}

[machine.bag]
closure = "press_zip"
stiffness_uNm = 25

[[machine.station]]
name = "sealer"
between_stops = {{ family = "exponential", mean_min = 20 }}
stop = {{ family = "exponential", mean_s = 60 }}
needs_operator = true
"""
GRANOLA = OATS.format(title="and granola", name="granola") + (
    '\n[[machine]]\nname = "muesli"\nspeed_per_min = 20\n'
    "[machine.magazine]\ncapacity_bags = 80\nbundle_bags = 20\n"
)

STOPS = [str(DATA / "stops.csv"), "--windows", str(DATA / "shifts.csv")]
KINDS: dict[str, list[str]] = {
    "run": ["run", "cell.toml"],
    "run of two": ["run", "two.toml"],
    "capacity": ["capacity", "cell.toml", "--bags", "40:100:20", "--rounds", "5,15"],
    "capacity of two": ["capacity", "two.toml", "--bags", "40,80"],
    "size": ["size", "cell.toml", "--dry-share", "0.2", "--up-to", "100", "--budget", "24"],
    "size not met": ["size", "cell.toml", "--oee", "0.999", "--up-to", "80", "--budget", "24"],
    "rounds": [
        *("rounds", "cell.toml", "--dry-share", "0.3", "--bags", "40,80", "--budget", "24"),
        *("--intervals", "5,10", "--most-machines", "2"),
    ],
    "film": ["film", "cell.toml", "--factors", "0.5,1,4"],
    "compare": ["compare", "cell.toml", "two.toml"],
    "sweep": [
        *("sweep", "cell.toml", "--vary", "crew.operators=1,2"),
        *("--vary", "machine.bag.closure=plain,slider", "--vary", "machine.speed_per_min=20,30"),
    ],
    "sensitivity": ["sensitivity", "cell.toml", "--trajectories", "2"],
    "account": ["account", *STOPS],
    "fit stops": ["fit", "stops", *STOPS, "--samples", "19"],
    "fit picks": ["fit", "picks", str(DATA / "pick_trials.csv")],
    "trial plan": ["trial", "plan", "--rate", "0.005", "--true-rate", "0.002"],
    "trial result": ["trial", "result", "--faults", "1", "--picks", "500", "--rate", "0.005"],
    "trial efficiency": [
        *("trial", "efficiency", "cell.toml", "--hours", "1", "--target", "0.5"),
        *("--replications", "20", "--budget", "20"),
    ],
}
VARIANTS = ("size not met", "capacity of two", "sensitivity", "film", "trial efficiency")
SIMULATED = (
    *("run", "capacity", "size", "rounds", "film", "compare", "sweep", "sensitivity"),
    "trial efficiency",
)


def is_simulated(kind: str) -> bool:
    """Whether shifts are simulated for it."""
    return kind.startswith(SIMULATED)


def each_kind(is_meant: Callable[[str], bool] = lambda kind: True) -> list[Any]:
    """Those meant; variants are for campaigns.

    Tests of one kind run in one process, so that none waits for another that makes the study.
    """
    return [
        pytest.param(
            kind,
            id=kind,
            marks=[
                pytest.mark.xdist_group(f"study {kind}"),
                *([pytest.mark.campaign] if kind in VARIANTS else []),
            ],
        )
        for kind in KINDS
        if is_meant(kind)
    ]


def call(folder: Path, *words: str) -> int:
    """Call the command line in a folder; its exit code."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setattr(sys, "argv", ["feedsim", *words])
        with pytest.raises(SystemExit) as ended:
            main()
    return int(ended.value.code or 0)


class Studies:
    """Folders of studies, each made when it is first asked for, once for all test processes.

    Tests only read them.
    """

    def __init__(self, factory: pytest.TempPathFactory) -> None:
        base = factory.getbasetemp()
        if "PYTEST_XDIST_WORKER" in os.environ:
            base = base.parent
        self.folder = base / "studies"
        self.folder.mkdir(exist_ok=True)
        with self._alone():
            (self.folder / "cell.toml").write_text(OATS.format(title="slider", name="oats"))
            (self.folder / "two.toml").write_text(GRANOLA)

    def __getitem__(self, kind: str) -> Path:
        out = self.folder / kind.replace(" ", "_")
        with self._alone(out.name):
            if not out.exists():
                words = list(KINDS[kind])
                if is_simulated(kind):
                    words += ["--jobs", "1"]
                code = call(self.folder, *words, "--out", out.name)
                assert code in (0, 1), kind
        return out

    def page(self, kind: str) -> Path:
        """The page of a study."""
        path = self[kind] / "report.html"
        with self._alone(path.parent.name):
            if not path.exists():
                assert call(self.folder, "report", path.parent.name) == 0
        return path

    @contextmanager
    def _alone(self, name: str = "configs") -> Iterator[None]:
        with (self.folder / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
