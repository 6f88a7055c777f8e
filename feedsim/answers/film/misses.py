"""Curves over the miss rate: the config's single misses or bad bundles, multiplied."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

from feedsim import film as films
from feedsim.answers.film.varied import (
    BAD_BUNDLES,
    SINGLE,
    Curve,
    FilmError,
    is_planned,
)
from feedsim.answers.magazines import swept_tables
from feedsim.answers.misfits import misfit_text
from feedsim.cell import build_cell
from feedsim.config import Config, ConfigError
from feedsim.config.machine import Machine
from feedsim.study import Setting, Value

FACTORS = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0)
_KINDS = {SINGLE: "the chance of a single miss", BAD_BUNDLES: "the share of bad bundles"}


def miss_curves(
    config: Config, factors: Sequence[float] | None, machine: str | None
) -> tuple[tuple[int, ...], tuple[Curve, ...]]:
    """Curves of single misses and of bad bundles, as far as the config has them.

    Raises
    ------
    CapacityError, FilmError
        As `film_curves`.
    """
    named = swept_tables(config, machine)
    if factors is not None and not factors:
        raise FilmError("--factors: is empty, allowed: numbers above 0")
    tables = {
        SINGLE: [n for n in named if config.machine[n].chances[0] > 0],
        BAD_BUNDLES: [n for n in named if _has_bad_bundles(config.machine[n])],
    }
    curves = [
        _miss_curve(config, kind, numbers, factors) for kind, numbers in tables.items() if numbers
    ]
    if not curves:
        of = f"machine {machine}" if machine else "this config"
        raise FilmError(
            f"--factors: no bag of {of} misses a pick, so there is nothing to multiply, allowed: "
            "bags with faults, a closure and stiffness, or bad_bundles; or --stiffness with "
            "--closure"
        )
    return tuple(sorted({n for numbers in tables.values() for n in numbers})), tuple(curves)


def _has_bad_bundles(machine: Machine) -> bool:
    """Whether bundles may be bad, and worse for it."""
    bad = machine.bag.bad
    return bad is not None and bad.share > 0 and bad.missed > machine.chances[0]


def _miss_curve(
    config: Config, kind: str, tables: Sequence[int], factors: Sequence[float] | None
) -> Curve:
    settings = {}
    for factor in sorted({*FACTORS} if factors is None else {*factors}):
        if not (isfinite(factor) and factor > 0):
            raise FilmError(f"--factors: is {factor:g}, allowed: numbers above 0")
        try:
            settings[factor] = with_factor(config, kind, tables, factor)
        except FilmError:
            # The default grid goes as far as chances can.
            if factors is not None:
                raise
    without = with_factor(config, kind, tables, 0.0)
    return Curve(kind, None, tuple(tables), settings, is_planned(config, tables), without)


def with_factor(config: Config, kind: str, tables: Sequence[int], factor: float) -> Setting:
    """The cell with the misses of a kind multiplied.

    Raises
    ------
    FilmError
        If the config cannot have so many.
    """
    try:
        return with_amounts(config, kind, amounts_of(config, kind, tables, factor))
    except ConfigError as error:
        asked = f"--factors: {factor:g} of {_KINDS[kind]}"
        raise FilmError(misfit_text(asked, error)) from error


def amounts_of(config: Config, kind: str, tables: Sequence[int], factor: float) -> dict[int, float]:
    """Chance of a single miss, or share of bad bundles, by table: the config's multiplied."""
    found = {}
    for number in tables:
        machine = config.machine[number]
        bad = machine.bag.bad
        own = machine.chances[0] if kind == SINGLE or bad is None else bad.share
        found[number] = _times(own, factor)
    return found


def with_amounts(config: Config, kind: str, amounts: Mapping[int, float]) -> Setting:
    """The cell with so many misses of a kind, all else of its bags as the config has it.

    Raises
    ------
    ConfigError
        If the config cannot have so many.
    """
    values: dict[str, Any] = {}
    label: dict[str, Value] = {}
    for number, amount in amounts.items():
        machine = config.machine[number]
        key = f"machine[{number}].bag"
        bad = machine.bag.bad
        if machine.bag.film is not None and bad is not None:
            # Faults take the place of a film model, and its bad bundles would go with it.
            values[f"{key}.bad_bundles"] = {"share": bad.share, "missed": bad.missed}
        if kind == SINGLE:
            chances = [amount, *machine.chances[1:]]
            values[f"{key}.faults"] = dict(zip(films.FAULTS, chances, strict=True))
            label[f"{key}.faults.missed"] = amount
        else:
            values[f"{key}.bad_bundles.share"] = label[f"{key}.bad_bundles.share"] = amount
    return Setting(label, build_cell(config.with_values(values)))


def _times(chance: float, factor: float) -> float:
    """A chance multiplied, in as many digits as anybody reads."""
    return chance if factor == 1 else float(f"{factor * chance:.6g}")
