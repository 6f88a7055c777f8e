"""Curves over the bending stiffness of the bags, one a closure."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

from feedsim import film as films
from feedsim.answers.film.varied import STIFFNESS, Curve, FilmError, is_planned
from feedsim.answers.magazines import swept_tables
from feedsim.answers.misfits import misfit_text
from feedsim.cell import build_cell
from feedsim.config import Config, ConfigError
from feedsim.config.machine import Machine
from feedsim.study import Setting, Value


def stiffness_curves(
    config: Config,
    stiffness: Sequence[float],
    closures: Sequence[str] | None,
    machine: str | None,
) -> tuple[tuple[int, ...], tuple[Curve, ...]]:
    """Curves over stiffness, one a closure.

    Raises
    ------
    CapacityError, FilmError
        As `film_curves`.
    """
    for value in stiffness:
        if not (isfinite(value) and value > 0):
            raise FilmError(f"--stiffness: is {value:g}, allowed: numbers above 0, in uN.m")
    if not stiffness:
        raise FilmError("--stiffness: is empty, allowed: numbers above 0, in uN.m")
    for closure in closures or ():
        if closure not in films.CLOSURES:
            known = ", ".join(films.CLOSURES)
            raise FilmError(f"--closure: is {closure!r}, allowed: all, or some of {known}")
    named = swept_tables(config, machine)
    tables = [n for n in named if machine or _has_chances(config.machine[n])]
    if not tables:
        raise FilmError("--stiffness: no bag of this config has chances, allowed: --machine NAME")
    bare = [config.machine[n].name for n in tables if config.machine[n].bag.closure is None]
    if bare and not closures:
        raise FilmError(
            f"--stiffness: the bag of {bare[0]} has no closure, and the chances hang on it, "
            "allowed: with --closure"
        )
    for number in tables:
        model = config.machine[number].bag.film
        if model is not None and not model.needs_stiffness:
            raise FilmError(
                f"--stiffness: the film model {model.name} of {config.machine[number].name} rests "
                "on trials that told no stiffness, allowed: --factors, or a model that has it"
            )
    own = {config.machine[n].bag.closure for n in tables}
    wanted: Sequence[str | None] = tuple(dict.fromkeys(closures or ()))
    if not closures:
        wanted = (own.pop() if len(own) == 1 else None,)
    values = sorted(set(stiffness), reverse=True)
    return tuple(tables), tuple(
        Curve(
            STIFFNESS,
            closure,
            tuple(tables),
            {value: with_stiffness(config, tables, closure, value) for value in values},
            is_planned(_stiffened(config, tables, closure, values[0]), tables),
        )
        for closure in wanted
    )


def _has_chances(machine: Machine) -> bool:
    return any(machine.chances) or any(machine.bad_chances)


def with_stiffness(
    config: Config,
    tables: Sequence[int],
    closure: str | None,
    stiffness_uNm: float,  # noqa: N803
) -> Setting:
    """The cell with bags of a stiffness; closure None: as they are."""
    changed = _stiffened(config, tables, closure, stiffness_uNm)
    label: dict[str, Value] = {}
    whole = len(tables) == len(config.machine)
    for number in tables:
        told = "machine.bag" if whole else f"machine[{number}].bag"
        if closure is not None:
            label[f"{told}.closure"] = closure
        label[f"{told}.stiffness_uNm"] = stiffness_uNm
    return Setting(label, build_cell(changed))


def _stiffened(
    config: Config,
    tables: Sequence[int],
    closure: str | None,
    stiffness_uNm: float,  # noqa: N803
) -> Config:
    values: dict[str, Any] = {}
    for number in tables:
        key = f"machine[{number}].bag"
        values |= {
            f"{key}.faults": None,
            f"{key}.layers": None,
            f"{key}.stiffness_uNm": stiffness_uNm,
        }
        if closure is not None:
            values[f"{key}.closure"] = closure
    try:
        return config.with_values(values)
    except ConfigError as error:
        raise FilmError(misfit_text(f"--stiffness: {stiffness_uNm:g}", error)) from error
