"""Random small cells: valid configs in which every mechanism meets every other one often.

Times are mostly whole seconds and speeds mostly whole seconds a cycle, so that many things fall
due at the same instant and the order of steps within it is put to the test.
"""

from __future__ import annotations

import random

FAULTS = ("missed", "double", "unopened", "skewed", "jam")
STATIONS = ("sealer", "Oat doser", "coder", "case packer", "checkweigher")
SECONDS = (0, 1, 2, 5, 6, 10, 20, 30)
LONG_SECONDS = (10, 20, 30, 60, 120)


def _maybe(rng: random.Random, chance: float, line: str) -> list[str]:
    return [line] if rng.random() < chance else []


def _flag(rng: random.Random, chance: float = 0.5) -> str:
    return "true" if rng.random() < chance else "false"


def _constant(rng: random.Random, seconds: tuple[int, ...]) -> str:
    value = rng.choice(seconds)
    if value == 0:
        return rng.choice(["0", '{ family = "constant", mean_s = 0 }'])
    if value % 30 == 0 and rng.random() < 0.5:
        return f'{{ family = "constant", mean_min = {value / 60} }}'
    return f'{{ family = "constant", mean_s = {value} }}'


def _spread(rng: random.Random, seconds: tuple[int, ...] = SECONDS) -> str:
    """Write a time, in about half of all cases a constant one."""
    if rng.random() < 0.5:
        return _constant(rng, seconds)
    positive = [value for value in seconds if value > 0]
    mean_s = rng.choice(positive)
    mean = rng.choice([f"mean_s = {mean_s}", f"mean_min = {mean_s / 60}"])
    family = rng.choice(["exponential", "lognormal", "weibull", "empirical", "empirical"])
    if family == "exponential":
        return f'{{ family = "exponential", {mean} }}'
    if family == "lognormal":
        return f'{{ family = "lognormal", {mean}, cv = {rng.choice([0.3, 1.0, 1.5])} }}'
    if family == "weibull":
        return f'{{ family = "weibull", {mean}, shape = {rng.choice([0.7, 1.0, 2.5])} }}'
    values = [rng.choice(positive) for _ in range(rng.randint(1, 4))]
    if rng.random() < 0.3:
        return f'{{ family = "empirical", values_min = {[value / 60 for value in values]} }}'
    return f'{{ family = "empirical", values_s = {values} }}'


def _study(rng: random.Random, shift_h: float) -> list[str]:
    lines = ["[study]", f"shift_h = {shift_h}"]
    return lines + _maybe(rng, 0.9, f"seed = {rng.randint(0, 10_000)}")


def _instant_h(rng: random.Random, shift_h: float) -> float:
    """Choose an instant inside the shift, on a grid of 36 seconds."""
    return rng.randrange(round(shift_h * 100)) / 100


def _crew(rng: random.Random, shift_h: float, has_places: bool) -> list[str]:
    operators = rng.choice([0, 1, 1, 1, 2, 2, 3])
    lines = ["", "[crew]", f"operators = {operators}"]
    lines += _maybe(rng, 0.5, f"rounds_every_min = {rng.choice([0.5, 1, 2, 3, 5])}")
    lines += _maybe(rng, 0.7, f'calls = "{rng.choice(["low", "low", "dry", "none"])}"')
    lines += _maybe(rng, 0.5, f"notice = {_spread(rng)}")
    if has_places:
        lines += _maybe(rng, 0.5, f"base_m = [{rng.randint(0, 6)}, {rng.randint(0, 6)}]")
        lines += _maybe(rng, 0.7, f"walk_m_per_s = {rng.choice([1, 0.5, 1.5])}")
    else:
        lines += _maybe(rng, 0.6, f"walk_s = {rng.choice([0, 1, 2, 5, 7.5])}")
    for k in range(rng.choice([0, 0, 1, 2])):
        every_min = rng.choice([0.5, 1, 2, 5])
        lines += ["", "[[crew.duty]]", f'name = "pallets {k + 1}"', f"every_min = {every_min}"]
        lines += [f"takes = {_spread(rng)}"]
    for _ in range(rng.choice([0, 0, 1, 2])):
        lines += ["", "[[crew.break]]", f"at_h = {_instant_h(rng, shift_h)}"]
        lines += [f"takes_min = {rng.choice([0.6, 1.2, 3, 6])}"]
        lines += _maybe(rng, 0.7, f"cover = {rng.randint(0, operators)}")
    return lines


def _planned_stops(rng: random.Random, shift_h: float) -> list[str]:
    lines = []
    for k in range(rng.choice([0, 0, 1, 2, 3])):
        lines += ["", "[[planned_stop]]", f'name = "stop {k + 1}"']
        lines += [f"at_h = {_instant_h(rng, shift_h)}"]
        lines += [f"takes_min = {rng.choice([0.1, 0.6, 1.2, 3, 6])}"]
        lines += _maybe(rng, 0.7, f'kind = "{rng.choice(["break", "changeover"])}"')
    return lines


def _place(rng: random.Random) -> str:
    return f"[{rng.randint(0, 9)}, {rng.choice([0, 3, 4.5])}]"


def _machine(rng: random.Random, name: str, has_places: bool) -> list[str]:
    count = rng.choice([1, 1, 1, 2])
    lines = ["", "[[machine]]", f'name = "{name}"']
    lines += [f"count = {count}"] if count > 1 else _maybe(rng, 0.3, "count = 1")
    lines += [f"speed_per_min = {rng.choice([30, 60, 60, 20, 47, 120])}"]
    if has_places:
        places = [_place(rng) for _ in range(count)]
        lines += [f"at_m = {places[0]}" if count == 1 else f"at_m = [{', '.join(places)}]"]
    lines += _maybe(rng, 0.5, f"restart_s = {rng.choice([0, 1, 2, 5, 10])}")
    lines += _maybe(rng, 0.5, f"scrap_packs = {rng.randint(1, 6)}")
    lines += _maybe(rng, 0.4, f"scrap_after_s = {rng.choice([0, 1, 5, 10, 30])}")
    accumulation_packs = rng.choice([0, 0, 1, 2, 3, 6])
    lines += _magazine(rng) + _pick(rng) + _bag(rng)
    return lines + _stations(rng) + _outfeed(rng, accumulation_packs)


def _magazine(rng: random.Random) -> list[str]:
    bundle_bags = rng.choice([1, 2, 3, 5, 8, 10])
    capacity_bags = bundle_bags * rng.randint(1, 4) + rng.choice([0, 0, 1, 3])
    capacity_bags = max(2, capacity_bags)
    lines = ["", "[machine.magazine]", f"capacity_bags = {capacity_bags}"]
    lines += _maybe(rng, 0.8, f"lanes = {rng.randint(1, 4)}")
    lines += [f"bundle_bags = {bundle_bags}"]
    lines += _maybe(rng, 0.4, f"start_bags = {rng.randint(0, capacity_bags)}")
    lines += _maybe(rng, 0.7, f"call_level_bags = {rng.randrange(capacity_bags)}")
    lines += _maybe(rng, 0.8, f"live_loading = {_flag(rng, 0.4)}")
    lines += _maybe(rng, 0.7, f"bundle = {_spread(rng)}")
    lines += _maybe(rng, 0.6, f"visit = {_spread(rng)}")
    if rng.random() < 0.4:
        lines += [f"carry_bundles = {rng.randint(1, 3)}"]
        lines += _maybe(rng, 0.8, f"fetch = {_spread(rng)}")
    return lines


def _pick(rng: random.Random) -> list[str]:
    lines = ["", "[machine.pick]"]
    lines += _maybe(rng, 0.5, f"retries = {rng.randint(1, 3)}")
    lines += _maybe(rng, 0.5, f"retry_s = {rng.choice([0, 0.5, 1, 2])}")
    lines += _maybe(rng, 0.7, f"misses_to_stop = {rng.choice([0, 1, 1, 2, 2, 3])}")
    reaction = rng.choice(["stop", "other_lane", "other_lane"])
    lines += _maybe(rng, 0.7, f'on_lane_fault = "{reaction}"')
    lines += _maybe(rng, 0.8, f"clear = {_spread(rng)}")
    lines += _maybe(rng, 0.6, f"discard_on_clear_bags = {rng.choice([0, 1, 2, 4, 12])}")
    single_speed = rng.choice([15, 20, 30, 45, 60])
    return lines + _maybe(rng, 0.4, f"single_lane_speed_per_min = {single_speed}")


def _bag(rng: random.Random) -> list[str]:
    if rng.random() < 0.1:
        return []
    scale = rng.choice([0.01, 0.05, 0.15])
    chances = {fault: round(rng.random() * scale, 3) for fault in FAULTS}
    chances["missed"] = rng.choice([chances["missed"], 0.1, 0.3])
    named = [fault for fault in FAULTS if rng.random() < 0.75]
    rng.shuffle(named)
    lines = ["", "[machine.bag]"]
    lines += [f"faults = {{ {', '.join(f'{fault} = {chances[fault]}' for fault in named)} }}"]
    # The four others sum to at most 0.6, so that a missed chance of 0.4 still fits.
    missed = rng.choice([0, 0.05, 0.3, 0.4])
    share = rng.choice([0.1, 0.3, 0.5, 1])
    return lines + _maybe(rng, 0.5, f"bad_bundles = {{ share = {share}, missed = {missed} }}")


def _stations(rng: random.Random) -> list[str]:
    lines = []
    for name in rng.sample(STATIONS, rng.choice([0, 1, 2, 3, 4])):
        lines += ["", "[[machine.station]]", f'name = "{name}"']
        lines += [f"between_stops = {_spread(rng, LONG_SECONDS)}", f"stop = {_spread(rng)}"]
        lines += _maybe(rng, 0.8, f"needs_operator = {_flag(rng)}")
        lines += _maybe(rng, 0.8, f'place = "{rng.choice(["inline", "outfeed"])}"')
    return lines


def _outfeed(rng: random.Random, accumulation_packs: int) -> list[str]:
    if accumulation_packs == 0 and rng.random() < 0.8:
        return []
    lines = ["", "[machine.outfeed]", f"accumulation_packs = {accumulation_packs}"]
    if accumulation_packs > 0:
        lines += _maybe(rng, 0.6, f"speed_per_min = {rng.choice([20, 30, 40, 60, 90])}")
        lines += _maybe(rng, 0.5, f"restart_packs = {rng.randrange(accumulation_packs)}")
    return lines


def random_config(rng: random.Random) -> str:
    """Write a small random cell as a valid config.

    Parameters
    ----------
    rng : random.Random
        Source of all choices; equal states give equal configs.

    Returns
    -------
    str
        The config in TOML.
    """
    shift_h = rng.choice([0.1, 0.2, 0.25, 0.5, 1])
    has_places = rng.random() < 0.4
    lines = _study(rng, shift_h) + _crew(rng, shift_h, has_places) + _planned_stops(rng, shift_h)
    for k in range(rng.choice([1, 1, 2, 3])):
        lines += _machine(rng, f"{rng.choice(['oats', 'granola'])} {k + 1}x", has_places)
    return "\n".join(lines) + "\n"
