"""All curves of a study: over the miss rate, or over stiffness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from feedsim.answers.film.misses import miss_curves, with_factor
from feedsim.answers.film.stiffness import stiffness_curves, with_stiffness
from feedsim.answers.film.varied import STIFFNESS, Curve, FilmError
from feedsim.cell import build_cell
from feedsim.config import Config
from feedsim.study import Setting


def film_curves(
    config: Config,
    *,
    factors: Sequence[float] | None = None,
    stiffness: Sequence[float] | None = None,
    closures: Sequence[str] | None = None,
    machine: str | None = None,
) -> tuple[tuple[int, ...], tuple[Curve, ...]]:
    """What is varied: numbers of the machine tables, and the curves with their settings.

    Raises
    ------
    CapacityError
        If no machine has the name.
    FilmError
        If a value makes no sense, or there is nothing to vary.
    """
    if stiffness is not None:
        if factors is not None:
            raise FilmError("--stiffness: cannot stand beside --factors, allowed: one of them")
        return stiffness_curves(config, stiffness, closures, machine)
    if closures is not None:
        raise FilmError("--closure: is for a study over --stiffness, allowed: with it")
    return miss_curves(config, factors, machine)


def between(config: Config, curve: Curve, value: float) -> Setting:
    """The setting of a curve at a value that it may not have tried."""
    if curve.kind == STIFFNESS:
        return with_stiffness(config, curve.tables, curve.closure, value)
    return with_factor(config, curve.kind, curve.tables, value)


def all_settings(config: Config, curves: Sequence[Curve]) -> Iterator[Setting]:
    """The config itself where misses are multiplied, the curves', then those without a kind."""
    if curves[0].kind != STIFFNESS:
        own = [with_factor(config, curve.kind, curve.tables, 1.0) for curve in curves]
        values = {key: value for setting in own for key, value in setting.values.items()}
        yield Setting(values, build_cell(config))
    for curve in curves:
        yield from curve.settings.values()
    for curve in curves:
        if curve.without is not None:
            yield curve.without
