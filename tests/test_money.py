"""What settings are worth in a year: by hand, in proportion to prices, with their intervals."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import test_cli
from campaigns import one_in
from scipy import stats as reference

from feedsim.answers.money import worth
from feedsim.answers.sweep import sweep
from feedsim.cell import build_cell
from feedsim.config import parse_config, warnings_of
from feedsim.config.study import Money
from feedsim.study import Results, Setting, Sums

feedsim = test_cli.feedsim

PRICES = {"pack_margin": 0.5, "bag_cost": 0.2, "operator_cost_h": 30.0, "shifts_per_year": 100.0}
MONEY = """
[money]
currency = "CHF"
pack_margin = 0.5
bag_cost = 0.2
operator_cost_h = 30
shifts_per_year = 100
"""
CELL = """
[study]
shift_h = 8
warm_up_h = 2
replications = 3
[[machine]]
name = "oats"
speed_per_min = 30
count = 2
magazine = { capacity_bags = 50 }
"""
HOUR_US = 3.6e9


def results_of(packs, gone, busy_h, cell=None) -> Results:
    """Results with these good packs and bags gone (setting, machine, shift) and busy hours."""
    cell = cell or build_cell(parse_config(CELL))
    sums = []
    for own_packs, own_gone, own_busy in zip(packs, gone, busy_h, strict=True):
        machines = [
            {
                "good_packs": np.array(good, float),
                "rejected_packs": np.zeros(len(good)),
                "bags_gone": np.array(all_, float),
            }
            for good, all_ in zip(own_packs, own_gone, strict=True)
        ]
        busy_us = np.array(own_busy) * HOUR_US
        sums.append(Sums(tuple(machines), {"busy_us": busy_us, "present_us": busy_us}))
    settings = tuple(Setting({"number": n}, cell) for n in range(len(sums)))
    numbers = np.arange(1, len(busy_h[0]) + 1)
    return Results(settings, tuple(sums), numbers, 1, 0.9, "simpy")


def test_a_year_by_hand():
    """Two machines, three shifts of 8 h of which 6 h are read, 100 shifts a year.

    The window's figures are scaled by 8/6 x 100 = 133.33. Second setting against the first:
    good packs +10, +20, +30 in the three shifts: mean 20 x 0.50 = 10.00 a window.
    wasted bags +3, +3, +3 (bags gone +13, +23, +33 less packs): 3 x 0.20 = 0.60 lost.
    busy hours -0.1, -0.2, -0.3: mean 0.2 h x 30 = 6.00 saved.
    Together 15.40 a window. By shift: 7.4, 15.4, 23.4, so s = 8 and the 90 % half-width is
    2.9200 (t table, 2 degrees of freedom) x 8 / sqrt(3).
    """
    results = results_of(
        packs=[[[100, 100, 100], [200, 200, 200]], [[110, 110, 110], [200, 210, 220]]],
        gone=[[[105, 105, 105], [205, 205, 205]], [[118, 118, 118], [205, 215, 225]]],
        busy_h=[[2, 2, 2], [1.9, 1.8, 1.7]],
    )
    [found] = worth(results, Money(**PRICES))
    scale = 8 / 6 * 100
    values = {part: amount.value for part, amount in found.parts.items()}
    assert values == pytest.approx(
        {
            "packs": 10.0 * scale,
            "bags": -0.6 * scale,
            "operator_time": 6.0 * scale,
            "total": 15.4 * scale,
        }
    )
    total = found.parts["total"]
    assert total.high - total.value == pytest.approx(2.9200 * 8 / math.sqrt(3) * scale, rel=1e-4)
    assert total.value - total.low == pytest.approx(total.high - total.value)
    bags = found.parts["bags"]
    assert (bags.low, bags.high) == pytest.approx((bags.value, bags.value))


def test_a_rejected_pack_brings_nothing_and_its_bag_is_not_wasted():
    results = results_of([[[10, 12]], [[8, 10]]], [[[10, 12]], [[10, 12]]], [[0, 0], [0, 0]])
    for sums in results.sums[1:]:
        sums.machines[0]["rejected_packs"] += 2
    [found] = worth(results, Money(**PRICES))
    assert found.parts["packs"].value == pytest.approx(-2 * 0.5 * 100 * 8 / 6)
    assert found.parts["bags"].value == 0


def config(changes=()):
    text = test_cli.CONFIG.replace("replications = 6", "replications = 8")
    return parse_config(text + MONEY, overrides=changes)


def test_doubled_prices_double_every_amount():
    results = sweep(config(), {"machine.magazine.capacity_bags": [40, 60, 80]}).results
    once = worth(results, Money(**PRICES))
    assert repr(once[0]).startswith("Worth(")
    twice = worth(results, Money(**{key: 2 * p for key, p in PRICES.items()} | {
        "shifts_per_year": 100.0
    }))  # fmt: skip
    longer = worth(results, Money(**PRICES | {"shifts_per_year": 200.0}))
    for own, *others in zip(once, twice, longer, strict=True):
        for other in others:
            for part, amount in own.parts.items():
                found = other.parts[part]
                assert [found.value, found.low, found.high] == pytest.approx(
                    [2 * amount.value, 2 * amount.low, 2 * amount.high]
                )


def test_parts_sum_to_the_total_and_prices_act_on_their_own_part():
    results = sweep(config(), {"crew.operators": [1, 2]}).results
    [found] = worth(results, Money(**PRICES))
    parts = {part: amount.value for part, amount in found.parts.items()}
    assert parts.pop("total") == pytest.approx(sum(parts.values()))
    [cheap] = worth(results, Money(**PRICES | {"operator_cost_h": 0.0}))
    assert cheap.parts["operator_time"].value == 0
    assert cheap.parts["packs"] == found.parts["packs"]


def test_differences_are_paired():
    """Shifts that differ much, settings that differ little: the interval is of the difference."""
    shifts = np.array([100, 300, 200, 500])
    packs = [[shifts], [shifts + np.array([1, 2, 1, 2])]]
    results = results_of(packs, packs, [[0] * 4] * 2)
    [found] = worth(results, Money(**PRICES))
    gains = np.array([1, 2, 1, 2]) * 0.5 * 100 * 8 / 6
    low, high = reference.t.interval(0.9, 3, gains.mean(), reference.sem(gains))
    assert (found.parts["packs"].low, found.parts["packs"].high) == pytest.approx((low, high))


def test_each_setting_is_scaled_by_its_own_window():
    cell = build_cell(parse_config(CELL.replace("warm_up_h = 2", "warm_up_h = 4")))
    results = results_of([[[60, 60]], [[40, 40]]], [[[60, 60]], [[40, 40]]], [[0, 0], [0, 0]])
    settings = (results.settings[0], Setting({"number": 1}, cell))
    both = Results(settings, results.sums, results.numbers, 1, 0.9, "simpy")
    # 60 packs in 6 h and 40 in 4 h are 80 a shift of 8 h, both.
    [found] = worth(both, Money(**PRICES))
    assert found.parts["packs"].value == pytest.approx(0, abs=1e-9)


def test_one_shift_has_no_value():
    results = results_of([[[1]], [[2]]], [[[1]], [[2]]], [[0], [0]])
    assert worth(results, Money(**PRICES)) == []


# On the command line.


@pytest.fixture
def priced(feedsim):
    Path("cell.toml").write_text(test_cli.CONFIG + MONEY)
    return feedsim


WORDS = {
    "capacity": ["capacity", "cell.toml", "--bags", "40,60,80"],
    "sweep": ["sweep", "cell.toml", "--vary", "machine.magazine.capacity_bags=40,60,80"],
    "compare": ["compare", "cell.toml", "--set-b", "machine.magazine.capacity_bags=80"],
}


@pytest.mark.parametrize("command", one_in(3, WORDS))
def test_the_values_are_in_the_table_the_summary_and_the_document(priced, command):
    words = [*WORDS[command], "--jobs", "1", "--out", "study"]
    _, out, _ = priced(*words)
    assert "Worth a year against" in out
    assert "in CHF (± half-width of the interval)" in out
    assert "only where it can" in out
    document = json.loads(priced(*words, "--json")[1])
    whole = [row["setting"] for row in document["rows"] if row["machine"] is None]
    assert [each["setting"] for each in document["money"]] == whole[1:]
    for each in document["money"]:
        parts = each["a_year"]
        assert set(parts) == {"packs", "bags", "operator_time", "total"}
        assert all(part["low"] <= part["value"] <= part["high"] for part in parts.values())
    summary = pd.read_csv("study/summary.csv", keep_default_na=False, na_values=[""])
    cells = summary[summary["machine"].isna()]
    found = cells["money_total_a_year"].tolist()
    assert math.isnan(found[0])
    assert found[1:] == [each["a_year"]["total"]["value"] for each in document["money"]]
    assert summary[summary["machine"].notna()]["money_total_a_year"].isna().all()


def test_the_same_sums_by_another_way(priced):
    """From the table of replications: packs and bags wasted, an hour's shift, no warm-up."""
    document = json.loads(priced(*WORDS["sweep"], "--jobs", "1", "--out", "s", "--json")[1])
    rows = pd.read_csv("s/replications.csv")
    key = "machine.magazine.capacity_bags"
    means = rows.groupby(key)[["good_packs", "bags_wasted"]].mean()
    gains = means - means.loc[40]
    for each in document["money"]:
        gain = gains.loc[each["setting"][key]]
        assert each["a_year"]["packs"]["value"] == pytest.approx(gain["good_packs"] * 0.5 * 100)
        assert each["a_year"]["bags"]["value"] == pytest.approx(-gain["bags_wasted"] * 0.2 * 100)


@pytest.mark.parametrize(
    ("key", "is_said"), [("crew.operators=1,2", True), ("crew.walk_s=1,9", False)]
)
def test_what_idle_operators_cost_is_said_where_crews_differ(priced, key, is_said):
    """By hand: a shift of 1 h, 100 of them a year, at 30 an hour."""
    _, out, _ = priced("sweep", "cell.toml", "--vary", key, "--jobs", "1", "--out", "s")
    assert ("each operator more costs CHF 3,000 a year" in " ".join(out.split())) == is_said


def test_one_shift_is_told_and_not_valued(priced):
    _, out, _ = priced(*WORDS["sweep"], "--replications", "1", "--jobs", "1")
    assert "Worth a year" not in out
    assert "one shift has no interval" in out


@pytest.mark.parametrize("words", [["run", "cell.toml"], WORDS["sweep"]])
def test_nothing_is_valued_without_prices_or_settings(feedsim, words):
    if words[0] == "run":
        Path("cell.toml").write_text(test_cli.CONFIG + MONEY)
    _, out, _ = feedsim(*words, "--jobs", "1", "--out", "s")
    assert "Worth" not in out
    assert "money" not in Path("s/summary.csv").read_text()


def test_check_says_where_money_says_nothing():
    assert not [text for text in warnings_of(config()) if text.startswith("money")]
    bare = parse_config(test_cli.CONFIG + "\n[money]\n")
    [found] = [text for text in warnings_of(bare) if text.startswith("money")]
    assert "worth the same" in found
