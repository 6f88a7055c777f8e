"""The main job on the stop log of a real bottling line, where the log lies beside the project.

The log stays where it is; nothing of it is part of the package.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import real_log

from feedsim.answers.capacity import capacity
from feedsim.config import load_config

DATA = Path(__file__).parents[2] / "shared" / "data"
STOPS, RUNS = DATA / "bottling-stops.csv", DATA / "bottling-runs.csv"

pytestmark = pytest.mark.skipif(
    not STOPS.exists(), reason="the real line's stop log does not lie beside the project"
)

CONFIG = """
[study]
shift_h = 24
warm_up_h = 4
replications = 40
minor_stop_min = 0
confidence = 0.99

[crew]
rounds_every_min = 10

[[machine]]
name = "line"
speed_per_min = 20

[machine.magazine]
capacity_bags = 200
bundle_bags = 50
bundle = { family = "constant", mean_s = 22 }

[[machine.station]]
name = "as logged"
between_stops = { family = "empirical", file_s = "runs_s.txt" }
stop = { family = "empirical", file_s = "stops_s.txt" }
"""


@pytest.fixture(scope="module")
def log() -> real_log.LineLog:
    return real_log.read_line(STOPS, RUNS)


def test_nothing_of_the_log_is_lost_in_silence(log):
    # The data's README: 1,388 stops, 59 windows, 29 stops touch no window, 3 lie across an
    # edge, 8 stops of the whole log overlap the one before.
    assert log.windows == 59
    assert log.outside == 29
    assert log.across_an_edge == 3
    kept = len(log.stops_s) + log.overlapping
    assert kept == len(real_log.read_intervals(STOPS)) - log.outside


def test_availability_agrees_with_the_renewal_value(log, tmp_path):
    real_log.write_times(log, tmp_path)
    (tmp_path / "line.toml").write_text(CONFIG)
    result = capacity(load_config(tmp_path / "line.toml"), [100, 200, 400])
    ample = result.curve("line")[-1]
    assert ample["dry_share"].value == 0
    found = ample["availability"]
    assert found.low <= log.renewal_availability <= found.high
    # A model without the long stops is told apart.
    shorter = [min(stop, 600.0) for stop in log.stops_s]
    run_s = sum(log.runs_s) / len(log.runs_s)
    wrong = run_s / (run_s + sum(shorter) / len(shorter))
    assert not found.low <= wrong <= found.high
    # Cut-off runs make the log's own ratio another number: said, not hidden.
    assert log.running_ratio > log.renewal_availability
