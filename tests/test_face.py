"""Face validity: counted as a log counts, judged by the interval, and nothing outside unsaid."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from feedsim.accounts.timeline import Halt, Segment
from feedsim.config import load_config, parse_config
from feedsim.stats import Estimate
from feedsim.verify.face import (
    ABOVE,
    BELOW,
    EDGE,
    FEW,
    INSIDE,
    NO_RANGE,
    FaceLine,
    _halt_sums,
    face_validity,
    shown_estimate,
)
from feedsim.verify.real_lines import CREW, OF_MACHINE, RealRange, station_ranges

CONFIGS = Path(__file__).parents[1] / "configs"
MINUTE_US = 60_000_000

# Stops of 2 min after each 8 min of running, by the clock.
CELL = """
[study]
shift_h = 2.1
replications = 2

[crew]
operators = 0

[[machine]]
name = "oats"
speed_per_min = 20

[machine.magazine]
capacity_bags = 100_000
bundle_bags = 1_000

[[machine.station]]
name = "labeller"
between_stops = { family = "constant", mean_min = 8 }
stop = { family = "constant", mean_min = 2 }
"""
REAL = RealRange("OEE", "%", 0.3, 0.8, "a source", below="too simple")


def estimate(value, half=0.0, seen_in=40):
    return Estimate(value, value - half, value + half, 40, seen_in)


def line(value, half=0.0, real=REAL, seen_in=40):
    return FaceLine("oats", "OEE", "%", estimate(value, half, seen_in), real)


def found(values=None, ranges=OF_MACHINE):
    return face_validity(parse_config(CELL).with_values(values or {}), ranges=ranges)


def value_of(result, name):
    what = OF_MACHINE[name].what
    return next(one.found.value for one in result.lines if one.what == what)


# --- the verdict ---


@pytest.mark.parametrize(
    ("value", "half", "verdict"),
    [
        (0.5, 0.1, INSIDE),
        (0.5, 0.9, INSIDE),
        (0.82, 0.05, EDGE),
        (0.82, 0.01, ABOVE),
        (0.2, 0.05, BELOW),
        (0.28, 0.05, EDGE),
        (0.9, float("nan"), ABOVE),
    ],
)
def test_the_whole_interval_must_lie_outside(value, half, verdict):
    assert line(value, half).verdict == verdict


def test_what_was_seen_too_seldom_is_not_judged():
    assert line(0.9, 0.01, seen_in=19).verdict == FEW
    assert line(0.9, 0.01, seen_in=20).verdict == ABOVE
    assert line(float("nan")).verdict == FEW


def test_a_reason_counts_only_on_the_side_that_it_is_declared_for():
    below, above = line(0.1), line(0.9)
    assert (below.reason, below.is_unexplained) == ("too simple", False)
    assert (above.reason, above.is_unexplained) == ("", True)
    assert above.cells()[-2] == "no reason declared"
    assert (line(0.5).reason, line(0.5).is_unexplained) == ("", False)


def test_without_a_range_nothing_is_judged():
    one = line(0.9, real=None)
    assert one.verdict == NO_RANGE
    assert not one.is_outside


# --- counted as the log counts ---


def test_stops_are_counted_per_running_hour():
    result = found()
    # 126 min: 12 times 8 min of running and a stop, and 6 min more of running.
    assert value_of(result, "short_stops_per_h") == pytest.approx(12 / 1.7, rel=0.01)
    assert value_of(result, "short_stop_min") == pytest.approx(2, rel=0.02)
    assert value_of(result, "running_between_min") == pytest.approx(102 / 12, rel=0.01)
    assert value_of(result, "technical_availability") == pytest.approx(102 / 126, abs=0.002)
    assert value_of(result, "commonest_part") == pytest.approx(1)
    assert value_of(result, "long_part") == 0
    assert value_of(result, "waiting_share") == 0


def test_stops_of_ten_minutes_are_long_ones():
    result = found({"machine[0].station[0].stop": {"family": "constant", "mean_min": 10}})
    assert value_of(result, "long_part") == 1
    assert value_of(result, "long_stop_min") == pytest.approx(10, rel=0.01)
    assert value_of(result, "long_time_part") == 1
    assert value_of(result, "short_stops_per_h") == 0


def test_changeovers_are_no_stops():
    stop = {"name": "oats to honey", "at_h": 1, "takes_min": 20, "kind": "changeover"}
    result = found({"planned_stop": [stop], "machine[0].station": []})
    assert value_of(result, "planned_part") == pytest.approx(20 / 126, abs=1e-3)
    assert value_of(result, "short_stops_per_h") == 0
    assert value_of(result, "long_part") != value_of(result, "long_part")  # nothing under it


def halt(at_min, length_min, cause="sealer"):
    begin = at_min * MINUTE_US
    return Halt((Segment(begin, begin + length_min * MINUTE_US, cause),))


@pytest.mark.parametrize(
    ("before", "preceded"),
    [
        (halt(10, 1), 1),
        (halt(10, 1, "weigher"), 0),
        (halt(10, 12), 0),
        (halt(5, 1), 0),
    ],
)
def test_a_long_stop_has_a_short_one_of_its_cause_in_the_hour_before(before, preceded):
    sums = _halt_sums([before, halt(66, 15)], ["sealer", "weigher"])
    assert sums["preceded"] == preceded


def test_waiting_is_no_own_stop():
    sums = _halt_sums([halt(0, 3, "dry"), halt(10, 4), halt(20, 30, "blocked")], ["sealer"])
    assert (sums["halts"], sums["own_halts"], sums["long_halts"]) == (3, 1, 0)
    assert sums["own_us"] == 4 * MINUTE_US
    assert sums["short_us"] == 7 * MINUTE_US


# --- the whole ---


def test_a_spoilt_range_is_flagged():
    values = {"study.replications": 3}
    sound = {"oee": replace(OF_MACHINE["oee"], low=0.7, high=0.9)}
    spoilt = {"oee": replace(OF_MACHINE["oee"], low=0.2, high=0.3)}
    good, bad = found(values, sound), found(values, spoilt)
    assert [one.what for one in good.unexplained] == []
    assert [one.what for one in bad.unexplained] == ["OEE"]
    assert "outside" not in good.title
    assert "outside" in bad.title
    assert any("no reason is declared: oats, OEE" in text for text in bad.words)
    assert all(len(row) == len(bad.columns) for row in bad.rows)
    texts = [text.get_text() for text in bad.figure().axes[0].texts]
    assert "OEE" in texts


def test_losses_and_the_crew_stand_there_too():
    config = load_config(CONFIGS / "oats_slider.toml").with_values(
        {"study.replications": 2, "study.shift_h": 2, "crew.break": [], "planned_stop": []}
    )
    result = face_validity(config)
    whats = {one.what for one in result.lines}
    assert {"loss: sealer stopped", "loading visits", CREW.what} <= whats
    assert "weigher: mean of its stops" in whats


def test_ranges_are_ranges_with_a_source():
    ranges = [*OF_MACHINE.values(), CREW]
    for name in ("weigher", "Technical", "case packer"):
        ranges += station_ranges(name, waits=False) or ()
    assert len(ranges) == len(OF_MACHINE) + 1 + 6
    for real in ranges:
        assert real.low < real.high
        assert real.source
    assert station_ranges("my own station", waits=False) is None


def test_a_wait_is_a_reason_only_where_somebody_must_come():
    waits, alone = (station_ranges("weigher", waits=waits)[1].above for waits in (True, False))
    assert "waits for an operator" in waits
    assert alone == ""


@pytest.mark.campaign
@pytest.mark.parametrize(
    "name", ["oats_slider.toml", "granola_mono_film.toml", "granola_three_machines.toml"]
)
def test_shipped_configs_look_like_real_lines(name):
    """What carries the answers lies within what real lines show, at every machine."""
    result = face_validity(load_config(CONFIGS / name).with_values({"study.replications": 200}))
    core = [OF_MACHINE[key].what for key in OF_MACHINE if "share" not in key]
    core.remove(OF_MACHINE["rejected_part"].what)
    outside = [one for one in result.unexplained if one.what in core]
    assert outside == []
    assert not [one for one in result.lines if one.what == CREW.what and one.is_outside]


def test_large_figures_are_told_in_whole_numbers():
    found = Estimate(1063.7, 0.123, 1611.2, 40, 40)
    assert shown_estimate(found, 1.0) == "1,064 (0.123 to 1,611)"
