"""Measures and their intervals: what they can be, what was not seen, whose name they bear."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from feedsim.answers.run import run
from feedsim.config import parse_config
from feedsim.losses import losses
from feedsim.measures import AVAILABILITY, OEE, QUALITY, figure
from feedsim.verify.random_cells import random_config

CELL = """
[study]
shift_h = 8
warm_up_h = 1
replications = 12

[[machine]]
name = "oats"
speed_per_min = 10
magazine = { capacity_bags = 10000 }
bag = { faults = { skewed = 0.01, double = 0.01 } }

[[machine.station]]
name = "NAME"
between_stops = { family = "exponential", mean_min = 30 }
stop = { family = "constant", mean_min = 2 }
"""
BREAK = '\n[[planned_stop]]\nname = "long"\nat_h = 2\ntakes_min = 300\n'


@pytest.mark.parametrize("seed", range(40))
def test_values_lie_in_their_intervals(seed):
    config = parse_config(random_config(random.Random(seed)))
    result = run(config.with_values({"study.replications": 3}))
    for row in result.rows:
        for name in row.figures:
            found = row[name]
            if not math.isnan(found.low) and not math.isnan(found.value):
                assert found.low <= found.value <= found.high, name


def test_planned_stops_may_exceed_the_time_they_are_a_share_of():
    result = run(parse_config(CELL + BREAK))
    found = result.cell["time_planned_stop_share"]
    assert found.value == pytest.approx(300 / (420 - 300), rel=0.01)
    assert found.low <= found.value <= found.high


def test_a_share_without_any_event_is_not_trusted():
    # No halt reaches five minutes, no changeover: availability saw nothing.
    row = run(parse_config(CELL)).cell
    availability = row["availability"]
    assert availability.value == 1
    assert availability.unseen
    assert math.isnan(availability.low)
    assert availability.chance_high == pytest.approx(1 - 0.05 ** (1 / 12))
    assert not row["quality"].unseen
    assert not row["oee"].unseen


def test_the_shown_half_width_is_the_longer_side():
    # Seen in few shifts, the interval is cut at 0 and longer above.
    text = CELL.replace("mean_min = 30", "mean_h = 40").replace("mean_min = 2 ", "mean_min = 30 ")
    found = run(parse_config(text)).cell["time_name_share"]
    assert found.few_events
    assert found.low == 0
    assert found.half_width == found.high - found.value > found.value - found.low


@pytest.mark.parametrize(
    "name", ["slow cycles", "scrapped", "skewed", "other", "pockets missed", "cut cycles", "good"]
)
def test_a_station_may_bear_the_name_of_a_loss(name):
    results = run(parse_config(CELL.replace("NAME", name))).results
    [plan], [sums] = results.settings[0].cell.machines, results.sums[0].machines
    found = losses(sums, plan, 0.95)
    assert len({loss.name for loss in found}) == len(found)
    [stop] = [loss for loss in found if loss.label == f"{name} stopped"]
    [rejects] = [loss for loss in found if loss.label == "rejects: closed badly"]
    assert stop.share.value > 0.03
    assert 0.005 < rejects.share.value < 0.015


def test_parts_multiply_to_oee():
    results = run(parse_config(CELL)).results
    [sums] = results.sums[0].machines
    parts = [figure(m, [sums]).value for m in (AVAILABILITY, QUALITY)]
    performance = figure(OEE, [sums]).value / np.prod(parts)
    packs = (sums["good_packs"] + sums["rejected_packs"]).sum() * sums["cycle_us"][0]
    available = AVAILABILITY.top(sums).sum()
    assert performance == pytest.approx(packs / available)


def test_after_a_warm_up_oee_may_exceed_one_by_a_part_of_a_cycle():
    # 60 s / 7 is 8,571,429 us, rounded up: 420 cycles take 180 us more than an hour, so the half
    # hour after the warm-up holds the ends of 210 cycles, which are worth more than half an hour.
    text = """
    [study]
    shift_h = 1
    warm_up_h = 0.5
    replications = 3
    [[machine]]
    speed_per_min = 7
    magazine = { capacity_bags = 1000 }
    """
    found = run(parse_config(text)).cell["oee"]
    assert found.value == pytest.approx(210 * 8.571429 / 1800, rel=1e-12)
    assert 1 < found.value == found.low == found.high
