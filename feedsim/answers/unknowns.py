"""Which inputs of a config were fitted, and so are known with an error only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Any

import numpy as np

from feedsim.answers.uncertain import Draw, Unknown
from feedsim.config import Config, Spread
from feedsim.film import FilmModel


@dataclass(frozen=True, slots=True)
class Fit:
    """What was fitted at once, and stands at some keys of a config.

    Attributes
    ----------
    unknown : str
        The input that it is part of, by the name that readers know.
    kind : {"film", "between_stops", "stop"}
    found : FilmModel or Spread
    keys : tuple of str
        Keys of the config that hold it.
    """

    unknown: str
    kind: str
    found: FilmModel | Spread
    keys: tuple[str, ...]

    def drawn(self, luck: np.random.Generator) -> dict[str, Any]:
        """The keys' values as the data leave them open, the same at all of them."""
        if isinstance(self.found, FilmModel):
            return dict.fromkeys(self.keys, self.found.draw(luck))
        return dict.fromkeys(self.keys, drawn_time(self.found, luck))


def unknowns_of(config: Config) -> list[Unknown]:
    """The fits that a config names; machines that share one draw the same from it."""
    found: dict[str, list[Fit]] = {}
    for fit in fits_of(config):
        found.setdefault(fit.unknown, []).append(fit)
    return [Unknown(name, _draw_of(fits)) for name, fits in found.items()]


def fits_of(config: Config) -> list[Fit]:
    """The fits of a config: film models, then the times of each station."""
    films: dict[FilmModel, list[int]] = {}
    for number, machine in enumerate(config.machine):
        bag = machine.bag
        if bag.film is not None and bag.faults is None:
            films.setdefault(bag.film, []).append(number)
    picks = [
        Fit(
            f"picks at {_named(config, numbers)}",
            "film",
            film,
            tuple(f"machine[{number}].bag.film" for number in numbers),
        )
        for film, numbers in films.items()
    ]
    return [*picks, *_stops(config)]


def _stops(config: Config) -> Iterator[Fit]:
    """Stations' times that were fitted or measured; a station's are one unknown."""
    for number, machine in enumerate(config.machine):
        for place, station in enumerate(machine.station):
            times = {"between_stops": station.between_stops, "stop": station.stop}
            for kind, time in times.items():
                if time.covariance is not None or time.values_s is not None:
                    yield Fit(
                        f"stops of {station.name} at {machine.name}",
                        kind,
                        time,
                        (f"machine[{number}].station[{place}].{kind}",),
                    )


def _draw_of(fits: Sequence[Fit]) -> Draw:
    def draw(luck: np.random.Generator) -> Mapping[str, Any]:
        values: dict[str, Any] = {}
        for fit in fits:
            values |= fit.drawn(luck)
        return values

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
