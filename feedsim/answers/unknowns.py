"""Which inputs of a config were fitted, and so are known with an error only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from feedsim.answers.uncertain import Draw, Unknown
from feedsim.config import Config
from feedsim.film import FilmModel


def unknowns_of(config: Config) -> list[Unknown]:
    """The fits that a config names; machines that share one draw the same from it."""
    films: dict[FilmModel, list[int]] = {}
    for number, machine in enumerate(config.machine):
        bag = machine.bag
        if bag.film is not None and bag.faults is None:
            films.setdefault(bag.film, []).append(number)
    return [
        Unknown(f"picks at {_named(config, numbers)}", _film_draw(film, numbers))
        for film, numbers in films.items()
    ]


def _named(config: Config, numbers: Sequence[int]) -> str:
    return ", ".join(config.machine[number].name for number in numbers)


def _film_draw(film: FilmModel, numbers: Sequence[int]) -> Draw:
    def draw(luck: np.random.Generator) -> Mapping[str, Any]:
        drawn = film.draw(luck)
        return {f"machine[{number}].bag.film": drawn for number in numbers}

    return draw
