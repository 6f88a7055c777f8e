"""What is sound but surprising is said where it applies, and only there."""

from __future__ import annotations

import pytest
from test_config_base import CELL, edited

from feedsim.config import loading_share, parse_config, warnings_of

QUIET = """\
[study]
warm_up_h = 1
[crew]
operators = 2
rounds_every_min = 10
[[machine]]
name = "oats"
speed_per_min = 50
[machine.magazine]
capacity_bags = 300
"""

BAG = "machine.bag."
MAGAZINE = "machine.magazine."
STATION = (
    'machine.station=[{ name = "s", between_stops = { family = "constant", mean_s = 9 }, '
    "stop = 0, %s }]"
)

# (keys set over the quiet cell, words of the warning)
CASES: list[tuple[list[str], list[str]]] = [
    (["crew.operators=0"], ["0 operators nobody ever refills"]),
    (["crew.calls=none", "crew.rounds_every_min=480"], ['calls = "none" and no rounds nobody']),
    (["crew.rounds_every_min=480"], ["rounds every 480 min never fall due", "480 min"]),
    (
        ['crew.duty=[{ name = "sweep", every_min = 500, takes = 0 }]'],
        ["duty sweep: every 500 min never falls due"],
    ),
    (["machine.at_m=[1, 2]"], ["lowest operator number that is free goes, not the nearest"]),
    (["crew.walk_m_per_s=1"], ["no effect where machines have no at_m"]),
    (
        [MAGAZINE + 'bundle={ family = "constant", mean_s = 3 }', MAGAZINE + "live_loading=false"],
        ["loading alone takes 1.25 of each operator's time", "0.85"],
    ),
    (
        ["crew.break=[{ at_h = 7.5, takes_min = 31 }]"],
        ["a break of the crew from 7.5 h runs to 8.017 h", "8 h"],
    ),
    (
        ['planned_stop=[{ name = "wash", at_h = 7, takes_min = 90 }]'],
        ["planned stop wash from 7 h runs to 8.5 h"],
    ),
    (
        ["crew.operators=1", BAG + "faults={ jam = 0.001 }"],
        ["oats: an only operator who loads leaves this machine's jam"],
    ),
    (
        ["crew.operators=1", STATION % "needs_operator = true"],
        ["an only operator who loads leaves this machine's stopped station"],
    ),
    (
        [BAG + "closure=slider", BAG + "stiffness_uNm=50"],
        ["oats: fault chances of slider at 50 uN.m", "planning values from memory, replace by"],
    ),
    (
        [BAG + "closure=plain", BAG + "stiffness_uNm=9"],
        ["9 uN.m is outside 10 to 1000"],
    ),
    ([BAG + "closure=plain"], ["a closure without stiffness and without faults gives no faults"]),
    ([BAG + "stiffness_uNm=40"], ["a stiffness without closure and without faults"]),
    (
        [BAG + "closure=plain", BAG + "bad_bundles={ share = 0.1, missed = 0.2 }"],
        ["gives no faults but the misses of bad bundles"],
    ),
    (
        [BAG + "faults={ double = 0.1 }", "machine.pick.mouth_opener=true"],
        ["mouth_opener has no effect on faults"],
    ),
    (["machine.pick.mouth_opener=true"], ["mouth_opener has no effect without planning values"]),
    (
        [MAGAZINE + "lanes=1", "machine.pick.single_lane_speed_per_min=40"],
        ["no effect with one lane"],
    ),
    (
        ["machine.pick.single_lane_speed_per_min=50"],
        ["single_lane_speed_per_min = 50 has no effect at a machine speed of 50"],
    ),
    (["machine.pick.retry_s=1"], ["retry_s has no effect with retries = 0"]),
    (
        [BAG + "faults={ missed = 0.005 }"],
        ["without bad_bundles 3 missed cycles in a row", "1e-07", "practically never"],
    ),
    ([STATION % 'place = "outfeed"'], ["station s is of the outfeed, but without"]),
    (
        ["machine.outfeed.accumulation_packs=9", "machine.outfeed.speed_per_min=45"],
        ["the outfeed at 45 a minute is slower than the machine at 50"],
    ),
    (["machine.scrap_after_s=5"], ["scrap_after_s has no effect with scrap_packs = 0"]),
    (
        [MAGAZINE + "bundle_bags=300"],
        ["a lane of 300 bags holds one bundle of 300", "finds no room"],
    ),
    (
        [MAGAZINE + "bundle_bags=200"],
        ["holds one bundle of 200", "room only when 100 or fewer are left"],
    ),
    (
        [MAGAZINE + "bundle_bags=100", MAGAZINE + "call_level_bags=201"],
        ["call_level_bags = 201 is above capacity - bundle = 200"],
    ),
    (
        [MAGAZINE + 'fetch={ family = "constant", mean_s = 3 }'],
        ["fetch has no effect without carry_bundles"],
    ),
    (
        [MAGAZINE + 'bundle={ family = "constant", mean_s = 0.1 }'],
        ["live_loading loads a running machine", "guarded by design"],
    ),
    (
        [
            MAGAZINE + 'geometry={ loading = "stacked", stack_height_mm = 300, '
            "bag_thickness_mm = 1, gap_mm = 5, shingle_pitch_mm = 9 }"
        ],
        ["gap_mm has no effect on stacked bags"],
    ),
    (
        [
            MAGAZINE + 'geometry={ loading = "shingled", lane_length_mm = 3000, '
            "shingle_pitch_mm = 10, bag_thickness_mm = 1 }"
        ],
        ["bag_thickness_mm has no effect on shingled bags"],
    ),
    (
        ["study.warm_up_h=0"],
        ["oats: the 600 bags at the start are 2.5% of what a shift can use"],
    ),
]


@pytest.mark.parametrize(("overrides", "words"), CASES)
def test_it_is_said_where_it_applies(overrides: list[str], words: list[str]) -> None:
    said = warnings_of(parse_config(QUIET, overrides=overrides))
    assert any(all(word in line for word in words) for line in said), said


def test_of_a_quiet_cell_nothing_is_said() -> None:
    """Negative control of every case above."""
    assert warnings_of(parse_config(QUIET)) == []


@pytest.mark.parametrize(
    ("overrides", "word"),
    [
        ([MAGAZINE + "bundle_bags=150"], "one bundle"),
        ([MAGAZINE + "bundle_bags=100", MAGAZINE + "call_level_bags=200"], "call_level_bags"),
        (["crew.calls=dry", MAGAZINE + "call_level_bags=299"], "call_level_bags"),
        (["crew.operators=1", BAG + "faults={ double = 0.1 }"], "only operator"),
        ([BAG + "faults={ missed = 0.02 }"], "practically never"),
        (["machine.pick.misses_to_stop=2", BAG + "faults={ missed = 1e-4 }"], "practically"),
        (["study.warm_up_h=0", MAGAZINE + "start_bags=240"], "at the start"),
        (["crew.break=[{ at_h = 7.5, takes_min = 30 }]"], "runs to"),
        (["planned_stop=[{ name = 'w', at_h = 7.9, takes_min = 6 }]"], "runs to"),
        ([BAG + "closure=plain", BAG + "stiffness_uNm=10"], "outside"),
        (["crew.operators=1", "machine.at_m=[1, 2]"], "nearest"),
    ],
)
def test_at_the_edge_it_is_not_said(overrides: list[str], word: str) -> None:
    said = warnings_of(parse_config(QUIET, overrides=overrides))
    assert not any(word in line for line in said), said


def test_loading_share_counts_all_machines() -> None:
    config = parse_config(CELL)
    oats, granola = config.machine
    assert loading_share(config) == pytest.approx(2 * (22 + 4.5) / 50 * 50 / 60)
    assert granola.magazine.load_s_per_bag == 0.0
    assert oats.magazine.load_s_per_bag == pytest.approx(0.53)
    assert not any("reserve" in line for line in warnings_of(config))
    alone = edited(("operators = 2", "operators = 1"))
    assert any("takes 0.88 of" in line for line in warnings_of(parse_config(alone)))
