"""What the film costs: OEE, visits and lane faults over the miss rate, or over its stiffness."""

from feedsim.answers.film.cost import MissCost, times_paired
from feedsim.answers.film.curves import film_curves
from feedsim.answers.film.limit import FINE, Limit
from feedsim.answers.film.result import FilmResult
from feedsim.answers.film.study import film_study
from feedsim.answers.film.varied import (
    BAD_BUNDLES,
    SINGLE,
    STIFFNESS,
    Curve,
    FilmError,
    chance_source,
    miss_rate,
)

__all__ = [
    "BAD_BUNDLES",
    "FINE",
    "SINGLE",
    "STIFFNESS",
    "Curve",
    "FilmError",
    "FilmResult",
    "Limit",
    "MissCost",
    "chance_source",
    "film_curves",
    "film_study",
    "miss_rate",
    "times_paired",
]
