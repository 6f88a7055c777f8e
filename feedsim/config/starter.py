"""The starter config: every key with its unit, default and meaning, written from declarations."""

from __future__ import annotations

import textwrap
from typing import Any

from feedsim.config.catalog import Declaration, Pattern, declarations, time_declarations
from feedsim.config.write import toml_value

_WIDTH = 96

# The invented plant of the starter: a small line that packs oats. All else stays at its default.
_ACTIVE: dict[str, Any] = {
    "title": "oats, one machine",
    "study.shift_h": 8,
    "study.warm_up_h": 1,
    "study.replications": 40,
    "study.seed": 1,
    "crew.operators": 1,
    "crew.rounds_every_min": 10,
    "crew.calls": "low",
    "crew.notice": {"family": "exponential", "mean_s": 30},
    "crew.walk_s": 20,
    "crew.break.at_h": 4,
    "crew.break.takes_min": 30,
    "crew.break.cover": 1,
    "planned_stop.name": "cleaning",
    "planned_stop.at_h": 6,
    "planned_stop.takes_min": 20,
    "planned_stop.kind": "break",
    "machine.name": "oats",
    "machine.speed_per_min": 50,
    "machine.restart_s": 5,
    "machine.scrap_packs": 2,
    "machine.scrap_after_s": 20,
    "machine.magazine.lanes": 2,
    "machine.magazine.capacity_bags": 150,
    "machine.magazine.call_level_bags": 50,
    "machine.magazine.live_loading": False,
    "machine.magazine.bundle_bags": 50,
    "machine.magazine.bundle": {"family": "lognormal", "mean_s": 22, "cv": 0.3},
    "machine.magazine.visit": {"family": "constant", "mean_s": 5},
    "machine.magazine.carry_bundles": 10,
    "machine.magazine.fetch": {"family": "lognormal", "mean_s": 45, "cv": 0.3},
    "machine.pick.retries": 1,
    "machine.pick.misses_to_stop": 3,
    "machine.pick.clear": {"family": "lognormal", "mean_s": 60, "cv": 1},
    "machine.bag.closure": "press_zip",
    "machine.bag.layers": [{"material": "PET", "um": 12}, {"material": "LLDPE", "um": 80}],
    "machine.bag.bad_bundles": {"share": 0.03, "missed": 0.2},
    "machine.station.name": "sealer",
    "machine.station.between_stops": {"family": "exponential", "mean_min": 120},
    "machine.station.stop": {"family": "lognormal", "mean_min": 2, "cv": 1.2},
    "machine.station.needs_operator": True,
}
_INLINE_TABLES = ("geometry", "layers", "faults", "bad_bundles")


def starter_text() -> str:
    """Text of a commented config that loads, with every key there is.

    Keys that are not needed are commented out with their default, or an example.

    Returns
    -------
    str
        TOML.

    References
    ----------
    Its values: planning values, from memory.
    """
    lines = ["# A feedsim config. `#` begins a comment; keys that are commented out show their"]
    lines += ["# default or an example. The values are planning values, from memory: use your own."]
    lines += _time_lines()
    for pattern, declared in declarations().items():
        if any(name in _INLINE_TABLES for name in pattern[:-1]):
            continue
        if declared.kind in ("table", "tables") and pattern[-1] not in _INLINE_TABLES:
            lines += ["", *_head_lines(declared)]
        else:
            lines += _key_lines(declared)
    return "\n".join(lines) + "\n"


def _time_lines() -> list[str]:
    lines = ["#", "# A time that varies is a bare 0 or a table of:"]
    for inner in time_declarations().values():
        text = f"{inner.pattern[-1]:<10} {inner.meaning}; {inner.allowed}"
        lines += textwrap.wrap(text, _WIDTH, initial_indent="#   ", subsequent_indent="#     ")
    return lines


def _is_active(pattern: Pattern) -> bool:
    path = ".".join(pattern)
    return any(key == path or key.startswith(path + ".") for key in _ACTIVE)


def _head_lines(declared: Declaration) -> list[str]:
    head = f"[[{declared.path}]]" if declared.kind == "tables" else f"[{declared.path}]"
    return [f"# {declared.meaning}", head if _is_active(declared.pattern) else f"# {head}"]


def _key_lines(declared: Declaration) -> list[str]:
    name = declared.pattern[-1]
    comment = _wrapped(f"{declared.meaning} ({_notes(declared)})")
    if declared.path in _ACTIVE:
        return [*comment, *_inner_lines(declared), f"{name} = {toml_value(_ACTIVE[declared.path])}"]
    value = declared.default if _shows_default(declared) else declared.example
    return [*comment, *_inner_lines(declared), f"# {name} = {toml_value(value)}"]


def _notes(declared: Declaration) -> str:
    unit = {"": "", "time": "a time that varies"}.get(declared.unit, f"unit: {declared.unit}")
    notes = [unit, f"default: {declared.default_text}"]
    if declared.kind == "key":
        notes.append(f"allowed: {declared.allowed}")
    if declared.source:
        notes.append(f"source: {declared.source}")
    return "; ".join(note for note in notes if note)


def _wrapped(text: str, indent: str = "") -> list[str]:
    first, later = f"# {indent}", f"#   {indent}"
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=later)


def _shows_default(declared: Declaration) -> bool:
    return not declared.required and declared.default is not None


def _inner_lines(declared: Declaration) -> list[str]:
    return [
        line
        for pattern, inner in declarations().items()
        if pattern[:-1] == declared.pattern
        for line in _wrapped(f"{pattern[-1]}: {inner.meaning} ({_notes(inner)})", "    ")
    ]
