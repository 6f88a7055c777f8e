"""Which inputs of a config were fitted, and so are known with an error only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import log
from typing import Any

import numpy as np

from feedsim.answers.uncertain import Draw, Unknown
from feedsim.config import Config, Spread
from feedsim.film import FilmModel


def unknowns_of(config: Config) -> list[Unknown]:
    """The fits that a config names; machines that share one draw the same from it."""
    films: dict[FilmModel, list[int]] = {}
    for number, machine in enumerate(config.machine):
        bag = machine.bag
        if bag.film is not None and bag.faults is None:
            films.setdefault(bag.film, []).append(number)
    picks = [
        Unknown(f"picks at {_named(config, numbers)}", _film_draw(film, numbers))
        for film, numbers in films.items()
    ]
    return [*picks, *_stops(config)]


def _stops(config: Config) -> Iterator[Unknown]:
    """Stations whose times were fitted or measured, each by itself."""
    for number, machine in enumerate(config.machine):
        for place, station in enumerate(machine.station):
            times = {"between_stops": station.between_stops, "stop": station.stop}
            fitted = {
                f"machine[{number}].station[{place}].{key}": time
                for key, time in times.items()
                if time.covariance is not None or time.values_s is not None
            }
            if fitted:
                yield Unknown(f"stops of {station.name} at {machine.name}", _stops_draw(fitted))


def _stops_draw(fitted: Mapping[str, Spread]) -> Draw:
    def draw(luck: np.random.Generator) -> Mapping[str, Any]:
        return {key: drawn_time(time, luck) for key, time in fitted.items()}

    return draw


def drawn_time(time: Spread, luck: np.random.Generator) -> Spread:
    """A time as the data leave it open.

    A fitted one with its parameters drawn from the normal law of their logarithms, an empirical
    one with as many values drawn from its own, with replacement (Efron's bootstrap).
    """
    if time.values_s is not None:
        values = luck.choice(np.array(time.values_s), len(time.values_s))
        return replace(time, mean_s=float(values.mean()), values_s=tuple(map(float, values)))
    middle = [log(value) for value in (time.mean_s, time.form) if value is not None]
    drawn = np.exp(luck.multivariate_normal(middle, np.array(time.covariance), method="eigh"))
    mean_s, *form = (float(value) for value in drawn)
    named: dict[str, Any] = {} if not form else {"shape" if time.cv is None else "cv": form[0]}
    return replace(time, mean_s=mean_s, covariance=None, **named)


def _named(config: Config, numbers: Sequence[int]) -> str:
    return ", ".join(config.machine[number].name for number in numbers)


def _film_draw(film: FilmModel, numbers: Sequence[int]) -> Draw:
    def draw(luck: np.random.Generator) -> Mapping[str, Any]:
        drawn = film.draw(luck)
        return {f"machine[{number}].bag.film": drawn for number in numbers}

    return draw
