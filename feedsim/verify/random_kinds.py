"""Kinds of random cells, by number: with a warm-up, with long runs, with nearly all at once."""

from __future__ import annotations

import random
import tomllib
from typing import Any

from feedsim.config import dump_toml
from feedsim.verify.random_cells import random_config


def random_text(number: int) -> str:
    """A random config by its number; half of all have a warm-up."""
    rng = random.Random(f"cell {number}")
    values = tomllib.loads(random_config(rng))
    _add_warm_up(values, rng)
    return dump_toml(values)


def _add_warm_up(values: dict[str, Any], rng: random.Random) -> None:
    """Open the window at a whole second, at any instant, or where a break or a stop has an edge.

    What counts as a minor stop is of the length of the stops that these cells have.
    """
    study = values["study"]
    spans = [*values.get("planned_stop", ()), *values["crew"].get("break", ())]
    edges = [span["at_h"] for span in spans]
    edges += [span["at_h"] + span["takes_min"] / 60 for span in spans]
    second = rng.randrange(1, round(study["shift_h"] * 3600)) / 3600
    if rng.random() < 0.5:
        warm_up_h = rng.choice([second, second, rng.random() * study["shift_h"], *edges])
        study["warm_up_h"] = warm_up_h if warm_up_h < study["shift_h"] else second
    study["minor_stop_min"] = rng.choice([0, 0.1, 0.5, 1, 5])


def text_with_long_runs(number: int) -> str:
    """A random config with bigger lanes and accumulations and fewer faults: longer jumps."""
    rng = random.Random(f"long runs {number}")
    values = tomllib.loads(random_config(rng))
    values["study"]["shift_h"] = max(values["study"]["shift_h"], rng.choice([0.5, 1, 2]))
    _add_warm_up(values, rng)
    for machine in values["machine"]:
        times = rng.choice([10, 25])
        magazine, bag = machine["magazine"], machine.get("bag", {})
        for name in {"capacity_bags", "start_bags", "call_level_bags"} & magazine.keys():
            magazine[name] *= times
        magazine["bundle_bags"] *= rng.choice([1, 5, times])
        for chances in {"faults", "bad_bundles"} & bag.keys():
            for name in bag[chances].keys() - {"share"}:
                bag[chances][name] /= 30
        for station in machine.get("station", ()):
            minutes = rng.choice([2, 5, 20])
            station["between_stops"] = {"family": "exponential", "mean_min": minutes}
        outfeed = machine.get("outfeed", {"accumulation_packs": 0})
        if outfeed["accumulation_packs"]:
            outfeed["accumulation_packs"] *= times
            outfeed["speed_per_min"] = rng.choice([rng.randint(15, 130), machine["speed_per_min"]])
            outfeed["restart_packs"] = rng.randrange(outfeed["accumulation_packs"])
    return dump_toml(values)


def text_full_of_ties(number: int) -> str:
    """A random config in which all times are whole cycles, so that most things coincide."""
    rng = random.Random(f"ties {number}")
    values = tomllib.loads(random_config(rng))
    values["study"]["shift_h"] = rng.choice([0.05, 0.1, 0.2])
    for span in (*values.get("planned_stop", ()), *values["crew"].get("break", ())):
        span["at_h"] = rng.randrange(175) / 3600
        span["takes_min"] = rng.choice([1, 2, 10, 30, 60]) / 60
    _add_warm_up(values, rng)
    _on_the_second(values, rng)
    return dump_toml(values)


RATES = {
    "speed_per_min": (60,),
    "single_lane_speed_per_min": (30, 60, 20),
    "retry_s": (0, 1, 2),
    "restart_s": (0, 1, 2, 5),
    "scrap_after_s": (0, 1, 2, 5),
    "walk_s": (0, 1, 2),
    "walk_m_per_s": (0.5, 1),
    "every_min": (0.1, 0.2, 0.5, 1),
    "rounds_every_min": (0.1, 0.2, 0.5, 1),
}
OUTFEED_RATES = (60, 60, 30, 20, 120)
WAITS_S = {"between_stops": (1, 2, 4, 5, 10, 20), "bundle": (0, 1, 1, 2), "visit": (0, 0, 1, 2)}


def _on_the_second(table: dict[str, Any], rng: random.Random, above: str = "") -> None:
    """Turn every time and rate in a table to whole cycles of one second."""
    for name, value in table.items():
        if isinstance(value, dict) and "family" in value:
            seconds = rng.choice(WAITS_S.get(name, (0, 1, 2, 3, 5, 10)))
            table[name] = {"family": "constant", "mean_s": seconds}
        elif isinstance(value, dict):
            _on_the_second(value, rng, name)
        elif isinstance(value, list) and isinstance(value[0], dict):
            for inner in value:
                _on_the_second(inner, rng)
        elif name in RATES:
            table[name] = rng.choice(OUTFEED_RATES if above == "outfeed" else RATES[name])
