"""The main job on the stop log of a real bottling line, where the log lies beside the project.

The log stays where it is; nothing of it is part of the package.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from feedsim.answers.account import account
from feedsim.answers.capacity import capacity
from feedsim.config import load_config
from feedsim.logs import EventLog, read_log

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
def log() -> EventLog:
    return read_log(STOPS, windows=RUNS)


def times_of(log: EventLog) -> tuple[list[float], list[float], list[float]]:
    """Stop lengths, running times between stops, and those cut off by a window's end, seconds."""
    stops, runs, cut_off = [], [], []
    for window in log.windows:
        at_us = window.begin_us
        for halt in log.stops_in(window):
            if halt.begin_us > at_us:
                runs.append((halt.begin_us - at_us) / 1e6)
            stops.append(halt.length_us / 1e6)
            at_us = halt.end_us
        if window.end_us > at_us:
            cut_off.append((window.end_us - at_us) / 1e6)
    return stops, runs, cut_off


def test_nothing_of_the_log_is_lost_in_silence(log):
    # The data's README: 1,388 stops, 59 windows, 29 stops touch no window, 3 lie across an
    # edge, 8 stops of the whole log overlap the one before (10 overlap one of those before).
    kinds = Counter(finding.kind for finding in log.findings)
    assert kinds == {"outside": 29, "edge": 3, "overlap": 10, "order": 2}
    assert (len(log.windows), len(log.stops), log.rows) == (59, 1388, 1388)
    before = zip(log.stops, log.stops[1:], strict=False)
    assert sum(later.begin_us < first.end_us for first, later in before) == 8
    assert account(log).places == {
        "rows": 1388,
        "set_aside": 0,
        "running": 0,
        "stops": 1388,
        "outside_windows": 29,
        "in_windows": 1359,
        "joined": 10,
        "planned_halts": 0,
        "halts": 1349,
    }


def test_the_accounts_add_up_to_the_windows(log):
    result = account(log)
    [sums] = result.sums.results.sums[0].machines
    window_us = sum(window.length_us for window in log.windows)
    assert sums["window_us"].sum() == window_us
    assert sums["time_running_us"].sum() + sums["time_as_logged_us"].sum() == window_us
    stops_s, runs_s, cut_off_s = times_of(log)
    assert sum(runs_s) + sum(cut_off_s) == pytest.approx(sums["time_running_us"].sum() / 1e6)
    assert sum(stops_s) == pytest.approx(sums["time_as_logged_us"].sum() / 1e6)
    # The runs file's own column sums to what was made.
    units = sum(int(line.rpartition(",")[2]) for line in RUNS.read_text().splitlines()[1:])
    assert sums["good_packs"].sum() + sums["rejected_packs"].sum() == units
    frame = result.days_frame()
    assert len(frame) == len({log.zone.day_of(window.begin_us) for window in log.windows})
    assert frame["windows"].sum() == 59
    assert frame["bags_used"].sum() == units
    assert frame["oee"].isna().all()


@pytest.mark.campaign
def test_availability_agrees_with_the_renewal_value(log, tmp_path):
    stops_s, runs_s, cut_off_s = times_of(log)
    for name, times in (("stops_s.txt", stops_s), ("runs_s.txt", runs_s)):
        (tmp_path / name).write_text("".join(f"{time!r}\n" for time in times), encoding="utf-8")
    run_s = sum(runs_s) / len(runs_s)
    renewal = run_s / (run_s + sum(stops_s) / len(stops_s))
    (tmp_path / "line.toml").write_text(CONFIG)
    result = capacity(load_config(tmp_path / "line.toml"), [100, 200, 400])
    ample = result.curve("line")[-1]
    assert ample["dry_share"].value == 0
    found = ample["availability"]
    assert found.low <= renewal <= found.high
    # A model without the long stops is told apart.
    shorter = [min(stop, 600.0) for stop in stops_s]
    wrong = run_s / (run_s + sum(shorter) / len(shorter))
    assert not found.low <= wrong <= found.high
    # Cut-off runs make the log's own ratio another number: said, not hidden.
    running = sum(runs_s) + sum(cut_off_s)
    own = account(log).cell["time_running_share"].value
    assert running / (running + sum(stops_s)) == pytest.approx(own)
    assert own > renewal
