"""The uncertain inputs of a config, and from where to where each of them may lie.

A range is a planning range about a planning value, carried over to the config's own value: what
may be a third or three times as much there may be so here. Where no planning range is known, half
and double are taken, and it is said. A user's own range takes a key's place.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, nan
from typing import Any, Literal, NamedTuple

from feedsim.answers.spreads import with_times
from feedsim.config import Config, Spread
from feedsim.config.catalog import declaration_of
from feedsim.config.declare import Table
from feedsim.film import FAULTS
from feedsim.mistakes import Mistake

MEMORY = "planning range, from memory"
HALF_DOUBLE = "half and double: no range is known"
OWN = "your own range"
# Of 1.5 to 7 alarmed stops in a running hour, 3.8 in all five machines: Packaging Industry Anomaly
# DEtection (PIADE), Zenodo, doi 10.5281/zenodo.7071747, CC BY 4.0. Lengths are not told so.
STATIONS = "half and double, as the rates of five logged machines differ (PIADE, CC BY 4.0)"
LENGTHS = "half and double: no range is known of lengths"

Origin = Literal["planning", "log", "factor", "own"]
Place = tuple[str, float | Spread]


class RangeError(Mistake):
    """A range that cannot be taken."""


class Factors(NamedTuple):
    """Low and high end as parts of the config's value, and where they come from."""

    low: float
    high: float
    source: str
    origin: Origin


def about(planning: float, low: float, high: float, unit: str) -> Factors:
    """A planning range about its planning value."""
    told = f"{MEMORY}: {low:g} to {high:g} {unit} about {planning:g}"
    return Factors(low / planning, high / planning, told, "planning")


HALVED_DOUBLED = Factors(0.5, 2.0, HALF_DOUBLE, "factor")
BETWEEN_STOPS = Factors(0.5, 2.0, STATIONS, "log")
STOP = Factors(0.5, 2.0, LENGTHS, "factor")
BUNDLE = about(22, 16, 33, "s")
CLEAR = about(40, 20, 60, "s")
NOTICE = about(20, 10, 30, "s")
SPEED = about(1.2, 1.0, 1.5, "m/s")
WALK = Factors(1.2 / 1.5, 1.2 / 1.0, f"{MEMORY}: of the walking speed", "planning")
ROOM = Factors(
    0.8, 1.25, "a fifth less, a quarter more: trapped air and curl, no range is known", "factor"
)
BAD_SHARE = about(3, 1, 10, "%")
BAD_MISSED = about(20, 10, 50, "%")
CHANCES = {
    "missed": ("misses per pick", about(0.3, 0.1, 1, "%")),
    "double": ("double picks", about(0.05, 0.01, 0.5, "%")),
    "unopened": ("unopened bags", about(0.3, 0.1, 3, "%")),
    "skewed": ("packs closed badly", HALVED_DOUBLED),
    "jam": ("jams", HALVED_DOUBLED),
}
# Key below a machine, what it is called, and its range.
MACHINE_TIMES = (
    ("magazine.bundle", "loading time of a bundle", BUNDLE),
    ("magazine.visit", "time of a loading visit", HALVED_DOUBLED),
    ("magazine.fetch", "time to fetch bundles", HALVED_DOUBLED),
    ("pick.clear", "time to clear a lane or jam", CLEAR),
    ("restart_s", "time lost after a halt", HALVED_DOUBLED),
    ("magazine.geometry.bag_thickness_mm", "thickness of a bag in the lane", ROOM),
    ("magazine.geometry.shingle_pitch_mm", "pitch of the bags in the lane", ROOM),
)


@dataclass(frozen=True, slots=True)
class Input:
    """An uncertain input, the same at all machines that have it.

    Attributes
    ----------
    name : str
        In words.
    key : str
        The config key, without list numbers.
    places : tuple of (path, value)
        Where it stands, with the config's values; a Spread is changed in its mean.
    low, high : float
        Ends of its range: as parts of the config's values, or as they are (`is_absolute`).
    source : str
        Where the range comes from.
    origin : {"planning", "log", "factor", "own"}
        The same in a word.
    """

    name: str
    key: str
    places: tuple[Place, ...]
    low: float
    high: float
    source: str
    origin: Origin
    is_absolute: bool = False

    def values(self, level: float) -> dict[str, Any]:
        """The config's keys at a level: 0 is the low end, 1 the high end.

        Between them by equal ratios, or by equal steps where an end is 0 or below.
        """
        end = self._between(level)
        if self.is_absolute and all(isinstance(value, int) for _, value in self.places):
            end = round(end)
        scaled = _set if self.is_absolute else _scaled
        return {path: scaled(value, end) for path, value in self.places}

    def _between(self, level: float) -> float:
        if level in (0.0, 1.0):
            return self.high if level else self.low
        if self.low > 0:
            return float(self.low ** (1 - level) * self.high**level)
        return self.low + level * (self.high - self.low)

    def shown(self, level: float | None = None) -> str:
        """Its value at a level, or the config's own, with a unit; a range where machines differ."""
        scale, unit = _unit_of(self.key)
        if self.is_absolute and level is not None:
            return f"{three_digits(scale * self._between(level))}{unit}"
        factor = 1.0 if level is None else self._between(level)
        numbers = [scale * factor * _number(value) for _, value in self.places]
        ends = [number for number in numbers if isfinite(number)]
        if not ends:
            return "not given"
        low, high = three_digits(min(ends)), three_digits(max(ends))
        return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"


def three_digits(number: float) -> str:
    """A number to three digits, or to whole ones."""
    return f"{number:,.0f}" if abs(number) >= 1000 else f"{number:.3g}"


def _scaled(value: float | Spread, factor: float) -> float | Spread:
    if not isinstance(value, Spread):
        return value * factor
    return with_times(value, lambda time_s: time_s * factor)


def _set(value: float | Spread, end: float) -> float | Spread:
    if not isinstance(value, Spread):
        return end
    return _scaled(value, end / value.mean_s) if value.mean_s else Spread("constant", end)


def _number(value: float | Spread) -> float:
    return value.mean_s if isinstance(value, Spread) else value


def _unit_of(key: str) -> tuple[float, str]:
    """What a key's value is shown times, and its unit."""
    declared = declaration_of(tuple(key.split(".")))
    if ".faults." in key or ".bad_bundles." in key:
        return 100.0, " %"
    if declared is not None and declared.kind == "time":
        return (1 / 60, " min") if ".between_stops" in key or ".station.stop" in key else (1, " s")
    return 1.0, f" {declared.unit}" if declared is not None and declared.unit else ""


def with_chances(config: Config) -> Config:
    """The same cell, with the chances of its faults as keys of their own.

    What follows from a closure, a stiffness or a film model is written out, so that each chance
    can be changed alone.
    """
    values: dict[str, Any] = {}
    for number, machine in enumerate(config.machine):
        chances, bad = machine.chances, machine.bag.bad
        if any(chances):
            faults = dict(zip(FAULTS, chances, strict=True))
            values[f"machine[{number}].bag.faults"] = faults
        if bad is not None:
            told = {"share": bad.share, "missed": bad.missed}
            values[f"machine[{number}].bag.bad_bundles"] = told
    return config.with_values(values) if values else config


def inputs_of(config: Config, own: Mapping[str, tuple[float, float]] | None = None) -> list[Input]:
    """List a config's uncertain inputs with their ranges.

    Parameters
    ----------
    config : Config
        As `with_chances` returns it.
    own : mapping from a key's path to (low, high), optional
        Ranges of the user's, in the key's unit (a time: its mean in s); without list numbers a
        path means all machines. One takes the place of the input with the same key.

    Returns
    -------
    list of Input
        Those of which the config has a value other than 0.

    Raises
    ------
    RangeError
    """
    own = own or {}
    given = [_own(config, key, low, high) for key, (low, high) in own.items()]
    taken = {path for item in given for path, _ in item.places}
    planned = list(_planned(config))
    found = [_as_planned(item, planned) for item in given]
    for item in planned:
        left = tuple((path, value) for path, value in item.places if path not in taken)
        found += [replace(item, places=left)] if left else []
    return found


def _as_planned(item: Input, planned: Sequence[Input]) -> Input:
    """A user's input under the name of the planned one that stands in the same places."""
    places = {path for path, _ in item.places}
    alike = [one.name for one in planned if places == {path for path, _ in one.places}]
    return replace(item, name=alike[0]) if alike else item


def _planned(config: Config) -> Iterator[Input]:
    machines = list(enumerate(config.machine))
    for fault, (name, factors) in CHANCES.items():
        yield from _made(
            name,
            factors,
            f"machine.bag.faults.{fault}",
            [
                (f"machine[{n}].bag.faults.{fault}", getattr(m.bag.faults, fault))
                for n, m in machines
                if m.bag.faults is not None
            ],
            most=1.0,
        )
    for part, name, factors in (
        ("share", "share of bad bundles", BAD_SHARE),
        ("missed", "misses in a bad bundle", BAD_MISSED),
    ):
        yield from _made(
            name,
            factors,
            f"machine.bag.bad_bundles.{part}",
            [
                (f"machine[{n}].bag.bad_bundles.{part}", getattr(m.bag.bad_bundles, part))
                for n, m in machines
                if m.bag.bad_bundles is not None
            ],
            most=1.0,
        )
    for key, name, factors in MACHINE_TIMES:
        places = [(f"machine[{n}].{key}", _reached(m, key)) for n, m in machines]
        yield from _made(name, factors, f"machine.{key}", places)
    yield from _of_stations(config)
    yield from _of_crew(config)


def _reached(table: Any, key: str) -> Any:
    for name in key.split("."):
        table = getattr(table, name, None)
    return table


def _of_stations(config: Config) -> Iterator[Input]:
    """Stations of one name are one input each: how often they stop, and for how long."""
    names = dict.fromkeys(s.name for m in config.machine for s in m.station)
    for name in names:
        for key, words, factors in (
            ("between_stops", "time between stops", BETWEEN_STOPS),
            ("stop", "length of stops", STOP),
        ):
            places = [
                (f"machine[{n}].station[{place}].{key}", getattr(station, key))
                for n, machine in enumerate(config.machine)
                for place, station in enumerate(machine.station)
                if station.name == name
            ]
            yield from _made(f"{name}: {words}", factors, f"machine.station.{key}", places)


def _of_crew(config: Config) -> Iterator[Input]:
    crew = config.crew
    if not crew.operators:
        return
    yield from _made(
        "time until a call is noticed", NOTICE, "crew.notice", [("crew.notice", crew.notice)]
    )
    if any(machine.at_m is not None for machine in config.machine):
        places: list[Place] = [("crew.walk_m_per_s", crew.walk_m_per_s)]
        yield from _made("walking speed", SPEED, "crew.walk_m_per_s", places)
    else:
        yield from _made("walking time", WALK, "crew.walk_s", [("crew.walk_s", crew.walk_s)])
    duties = [(f"crew.duty[{n}].takes", duty.takes) for n, duty in enumerate(crew.duty)]
    yield from _made("time of other duties", HALVED_DOUBLED, "crew.duty.takes", duties)


def _made(
    name: str,
    factors: Factors,
    key: str,
    places: Sequence[tuple[str, Any]],
    most: float = inf,
) -> Iterator[Input]:
    """An input of the places that have a value other than 0."""
    kept = tuple((path, value) for path, value in places if value and _number(value) > 0)
    if not kept:
        return
    largest = max(_number(value) for _, value in kept)
    high = max(1.0, min(factors.high, most / largest))
    yield Input(name, key, kept, factors.low, high, factors.source, factors.origin)


def _own(config: Config, path: str, low: float, high: float) -> Input:
    """An input with a range of the user's."""
    pattern = tuple(re.sub(r"\[\d+\]", "", path).split("."))
    key = ".".join(pattern)
    declared = declaration_of(pattern)
    numbered = [place + 1 for place, part in enumerate(path.split(".")) if part.endswith("]")]
    are_lists = all(_is_list(pattern[:length]) for length in numbered)
    if declared is None or declared.kind not in ("key", "time") or not are_lists:
        raise RangeError(
            f"--range: {path[:80]} is no key with a number, allowed: a key by its path as with "
            "--set, such as machine.magazine.bundle or crew.walk_s"
        )
    if not (isfinite(low) and isfinite(high) and low < high):
        raise RangeError(
            f"--range: {path[:80]}={low:g}:{high:g}, allowed: LOW:HIGH with the lower number first"
        )
    if pattern[0] in ("study", "money", "planned_stop"):
        raise RangeError(
            f"--range: {path[:80]} is the same for the whole study, allowed: keys of the crew and "
            "of the machines"
        )
    places = tuple(_places(config, path))
    if not places:
        raise RangeError(
            f"--range: {path[:80]} is not in this config, allowed: a key that it can have"
        )
    return Input(path, key, places, low, high, OWN, "own", is_absolute=True)


def _is_list(pattern: tuple[str, ...]) -> bool:
    declared = declaration_of(pattern)
    return declared is not None and declared.kind == "tables"


def _places(config: Config, path: str) -> Iterator[Place]:
    """Where a path leads, list numbers filled in, with the config's values (or no number)."""
    found: list[tuple[str, Any]] = [("", config)]
    for part in path.split("."):
        name, _, number = part.rstrip("]").partition("[")
        attribute = "breaks" if name == "break" else name
        below = [(f"{at}.{name}".lstrip("."), getattr(t, attribute, None)) for at, t in found]
        found = []
        for at, value in below:
            if isinstance(value, tuple) and value and isinstance(value[0], Table):
                items = [(n, item) for n, item in enumerate(value) if number in ("", str(n))]
                found += [(f"{at}[{n}]", item) for n, item in items]
            else:
                found.append((at, value))
    for at, value in found:
        if isinstance(value, Spread):
            yield at, value
        else:
            yield at, value if isinstance(value, int | float) else nan
