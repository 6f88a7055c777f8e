"""Where every value of a config comes from, and what follows from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from feedsim import film
from feedsim.config.catalog import Declaration, declarations, pattern_of
from feedsim.config.lines import lines_of_keys
from feedsim.config.machine import Machine
from feedsim.config.problems import Path, escaped, key_text, number_text, show
from feedsim.config.root import Config
from feedsim.config.surprises import loading_share, machine_loading_share
from feedsim.config.times import Spread
from feedsim.film import FilmModel


@dataclass(frozen=True)
class Row:
    """One value: its key path, the value as text, its unit and where it comes from."""

    key: str
    value: str
    unit: str
    source: str


def explain(config: Config) -> list[Row]:
    """A row for every key of every table, and for what follows from them.

    Parameters
    ----------
    config : Config
        A sound one.

    Returns
    -------
    list of Row
        Sources are "file:line", "--set", "with_values", "default", "default (planning value)".
        Of what follows: "derived" or "from geometry"; of a stiffness "as given" or "from
        layers"; of a chance "faults", "film model", `film.PLANNING_SOURCE` or "no faults".
    """
    data = config.resolved()
    lines = lines_of_keys(config.origin.text)
    rows = [
        Row(key_text(path, data), _text(value, declared), _unit(declared), source)
        for path, value, declared in _values(config, ())
        for source in [_source(path, value, declared, config, lines)]
    ]
    for number, machine in enumerate(config.machine):
        rows += _derived(machine, key_text(("machine", number), data))
    share = loading_share(config)
    rows.append(Row("crew: persons busy loading", f"{share:.3g}", "persons", "derived"))
    return rows


def _values(table: Any, above: Path) -> Iterator[tuple[Path, Any, Declaration]]:
    """All keys of a table in order; tables that are not there stand as one row."""
    for name, field in type(table).model_fields.items():
        path: Path = (*above, field.alias or name)
        declared = declarations()[pattern_of(path)]
        value = getattr(table, name)
        if declared.kind in ("key", "time") or value is None or value == ():
            yield path, value, declared
        elif declared.kind == "table":
            yield from _values(value, path)
        else:
            for number, item in enumerate(value):
                yield from _values(item, (*path, number))


def _source(
    path: Path, value: Any, declared: Declaration, config: Config, lines: dict[Path, int]
) -> str:
    origin = config.origin
    for paths, where in ((origin.changed_paths, "with_values"), (origin.set_paths, "--set")):
        if any(_on_one_branch(path, given) for given in paths):
            return where
    if path in lines and value is not None:
        return f"{escaped(origin.name)}:{lines[path]}"
    if declared.kind in ("table", "tables"):
        return "default"
    return "default (planning value)" if "planning value" in declared.source else "default"


def _on_one_branch(path: Path, given: Path) -> bool:
    length = min(len(path), len(given))
    return path[:length] == given[:length]


def _unit(declared: Declaration) -> str:
    return "s" if declared.kind == "time" else declared.unit


def _text(value: Any, declared: Declaration) -> str:
    if isinstance(value, Spread):
        return _time_text(value)
    if isinstance(value, FilmModel):
        return str(value)
    if value is None or value == ():
        return declared.shown_default or "none"
    return show(value)


def _time_text(time: Spread) -> str:
    if time == Spread():
        return "0"
    words = f"{time.family}, mean {number_text(time.mean_s)}"
    if time.values_s is not None:
        return f"{words} of {len(time.values_s)} values"
    for name in ("cv", "shape"):
        value = getattr(time, name)
        if value is not None:
            words += f", {name} {number_text(value)}"
    return words


def _derived(machine: Machine, key: str) -> Iterator[Row]:
    magazine, bag = machine.magazine, machine.bag
    capacity = magazine.lane_capacity_bags
    source = "from geometry" if magazine.geometry is not None else "derived"
    yield Row(f"{key}: lane capacity", str(capacity), "bags", source)
    yield Row(f"{key}: magazine", str(capacity * magazine.lanes), "bags", source)
    yield Row(f"{key}: start of each lane", str(magazine.lane_start_bags), "bags", source)
    yield Row(f"{key}: autonomy", f"{machine.autonomy_min:.3g}", "min", "derived")
    if bag.stiffness is not None:
        source = "from layers" if bag.layers is not None else "as given"
        yield Row(f"{key}: stiffness", f"{bag.stiffness:.4g}", "uN.m", source)
    source = {
        "faults": "faults",
        "film model": "film model",
        "planning": film.PLANNING_SOURCE,
        "none": "no faults",
    }[bag.chance_source]
    for fault, chance in zip(film.FAULTS, machine.chances, strict=True):
        yield Row(f"{key}: chance of {fault}", f"{chance:.4g}", "per attempt", source)
    if bag.bad is not None and bag.bad_bundles is None:
        yield Row(f"{key}: chance of a bad bundle", f"{bag.bad.share:.4g}", "per bundle", source)
        yield Row(f"{key}: missed in bad bundles", f"{bag.bad.missed:.4g}", "per attempt", source)
    yield Row(f"{key}: loading", f"{magazine.load_s_per_bag:.3g}", "s per bag", "derived")
    share = machine_loading_share(machine)
    yield Row(f"{key}: loading", f"{share:.3g}", "persons per machine", "derived")
