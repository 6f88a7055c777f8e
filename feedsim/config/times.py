"""A time that varies: its table in TOML, and what the model draws from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, GetCoreSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from feedsim.config.datafile import read_numbers
from feedsim.config.declare import LONGEST_FILE_NAME, Table, Text, key, plain_error

Family = Literal["constant", "exponential", "lognormal", "weibull", "empirical"]

LONGEST_S = 1e9
SMALLEST_CV, LARGEST_CV = 0.001, 100.0
SMALLEST_SHAPE, LARGEST_SHAPE = 0.1, 2e3
MOST_VALUES = 100_000
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
MEANS = ("mean_s", "mean_min", "mean_h")
VALUES = ("values_s", "values_min", "file_s", "file_min")
ALLOWED = 'a table like { family = "lognormal", mean_s = 22, cv = 0.3 }, or a bare 0'
HOW_TO_WRITE = (
    'a time needs its family and unit: write { family = "constant", mean_s = 22 } or '
    '{ family = "exponential", mean_min = 1.5 }; only 0 may stand alone'
)


Covariance = tuple[Annotated[tuple[float, ...], Field(strict=False)], ...]


class SpreadTable(Table):
    """The table of a time that varies."""

    family: Family = key("Family of the distribution", example="lognormal")
    mean_s: float | None = key("Mean", unit="s", default=None, example=22, ge=0, le=LONGEST_S)
    mean_min: float | None = key("Mean", unit="min", default=None, example=1.5, ge=0, le=1e7)
    mean_h: float | None = key("Mean", unit="h", default=None, example=0.5, ge=0, le=2e5)
    cv: float | None = key(
        "Standard deviation over mean (lognormal; weibull, in place of shape)",
        default=None,
        example=0.3,
        ge=SMALLEST_CV,
        le=LARGEST_CV,
    )
    shape: float | None = key(
        "Shape of a Weibull distribution, in place of cv",
        default=None,
        example=1.5,
        ge=SMALLEST_SHAPE,
        le=LARGEST_SHAPE,
    )
    values_s: tuple[float, ...] | None = key(
        "Times measured, drawn with replacement (empirical)",
        unit="s",
        default=None,
        example=[18, 22, 31],
        allowed="a list of numbers of at least 0",
        listed=True,
    )
    values_min: tuple[float, ...] | None = key(
        "Times measured, drawn with replacement (empirical)",
        unit="min",
        default=None,
        example=[0.5, 1.5, 4.0],
        allowed="a list of numbers of at least 0",
        listed=True,
    )
    file_s: Text | None = key(
        "File of times measured, one number a line, relative to the config (empirical)",
        unit="s",
        default=None,
        example="load-times.txt",
        allowed="the path of a file, relative to the config",
        max_length=LONGEST_FILE_NAME,
    )
    file_min: Text | None = key(
        "File of times measured, one number a line, relative to the config (empirical)",
        unit="min",
        default=None,
        example="stops.txt",
        allowed="the path of a file, relative to the config",
        max_length=LONGEST_FILE_NAME,
    )
    covariance: Covariance | None = key(
        "Covariance of the logarithms of the mean and of cv or shape, where they were fitted",
        default=None,
        example=[[0.01, 0.0], [0.0, 0.02]],
        allowed="a list of lists of numbers, as a fit writes it",
        listed=True,
    )


@dataclass(frozen=True, slots=True)
class Spread:
    """A time that varies, in seconds.

    Parameters
    ----------
    family : str
        constant, exponential, lognormal, weibull or empirical.
    mean_s : float
        Mean, s, at least 0; for an empirical time the mean of its values.
    cv, shape : float or None
        As given: cv for lognormal, one of the two for weibull.
    values_s : tuple of float or None
        Values of an empirical time, s.
    covariance : tuple of tuples or None
        Of ln(mean) and, where there is one, ln(cv) or ln(shape): how well a fit knows them.
    """

    family: Family = "constant"
    mean_s: float = 0.0
    cv: float | None = None
    shape: float | None = None
    values_s: tuple[float, ...] | None = None
    covariance: Covariance | None = None

    @property
    def form(self) -> float | None:
        """The cv or the shape, where the family has one."""
        return self.shape if self.cv is None else self.cv

    def table(self) -> dict[str, Any] | int:
        """The plain value that gives this time again when loaded."""
        if self == Spread():
            return 0
        if self.values_s is not None:
            return {"family": self.family, "values_s": list(self.values_s)}
        table: dict[str, Any] = {"family": self.family, "mean_s": self.mean_s}
        if self.cv is not None:
            table["cv"] = self.cv
        if self.shape is not None:
            table["shape"] = self.shape
        if self.covariance is not None:
            table["covariance"] = [list(row) for row in self.covariance]
        return table

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Read through SpreadTable, so that errors carry the path of the inner key."""
        table = handler.generate_schema(SpreadTable)
        return core_schema.no_info_before_validator_function(
            _as_table, core_schema.with_info_after_validator_function(_spread, table)
        )


def _as_table(value: Any) -> Any:
    if isinstance(value, Spread):
        value = value.table()
    if isinstance(value, int | float) and not isinstance(value, bool):
        if value != 0:
            raise plain_error(HOW_TO_WRITE)
        return {"family": "constant", "mean_s": 0}
    if not isinstance(value, dict | SpreadTable):
        raise plain_error(f"must be {ALLOWED}")
    return value


def _spread(table: SpreadTable, info: ValidationInfo) -> Spread:
    wrong = list(_misfits(table))
    if wrong:
        raise PydanticCustomError("findings", "several", {"findings": wrong})
    if table.family == "empirical":
        values = _empirical_values(table, info)
        return Spread("empirical", math.fsum(values) / len(values), values_s=values)
    mean_s = next(
        getattr(table, name) * SECONDS[name.removeprefix("mean_")]
        for name in MEANS
        if getattr(table, name) is not None
    )
    return Spread(table.family, mean_s, table.cv, table.shape, covariance=table.covariance)


def _misfits(table: SpreadTable) -> list[tuple[str, str]]:
    """Keys that do not go with the family, or are missing, each with what is wrong."""
    family = table.family
    means = [name for name in MEANS if getattr(table, name) is not None]
    values = [name for name in VALUES if getattr(table, name) is not None]
    wrong: list[tuple[str, str]] = []
    if family == "empirical":
        wrong += [(name, "an empirical time takes its mean from its values") for name in means]
        wrong += _exactly_one(values, VALUES, "an empirical time")
    else:
        wrong += [(name, f'only family "empirical" has values, not "{family}"') for name in values]
        wrong += _exactly_one(means, MEANS, f"{_article(family)} {family} time")
        wrong += _not_positive(table, means)
    return wrong + _spread_misfits(table) + _covariance_misfits(table)


def _not_positive(table: SpreadTable, means: list[str]) -> list[tuple[str, str]]:
    if table.family == "constant":
        return []
    return [
        (name, f"the mean of {_article(table.family)} {table.family} time must be above 0, is 0")
        for name in means
        if getattr(table, name) == 0
    ]


def _spread_misfits(table: SpreadTable) -> list[tuple[str, str]]:
    family = table.family
    given = [name for name in ("cv", "shape") if getattr(table, name) is not None]
    if family == "weibull":
        return _exactly_one(given, ("cv", "shape"), "a weibull time")
    wanted = ["cv"] if family == "lognormal" else []
    missing = [name for name in wanted if name not in given]
    surplus = [name for name in given if name not in wanted]
    return [
        (name, f"missing: {_article(family)} {family} time needs {name}") for name in missing
    ] + [
        (name, f"{_article(family)} {family} time has no {name}, here {getattr(table, name):g}")
        for name in surplus
    ]


def _covariance_misfits(table: SpreadTable) -> list[tuple[str, str]]:
    """Whether a covariance is one, and of as many parameters as the family has."""
    rows = table.covariance
    if rows is None:
        return []
    size = {"exponential": 1, "lognormal": 2, "weibull": 2}.get(table.family, 0)
    if not size:
        return [("covariance", f"{_article(table.family)} {table.family} time has none")]
    variances = [row[place] for place, row in enumerate(rows) if place < len(row)]
    if [len(row) for row in rows] != [size] * size or min(variances) < 0:
        return [("covariance", f"must be {size} x {size} with no negative variance")]
    if size == 2:
        (first, one), (other, second) = rows
        if abs(one - other) > 1e-9 * max(first, second) or one * other > first * second * (
            1 + 1e-9
        ):
            return [("covariance", "must be symmetric, with a correlation from -1 to 1")]
    return []


def _exactly_one(given: list[str], choices: tuple[str, ...], what: str) -> list[tuple[str, str]]:
    needs = f"{what} needs exactly one of {', '.join(choices)}"
    if not given:
        return [("", needs + ", none is given")]
    return [(name, f"{needs}, given are {' and '.join(given)}") for name in given[1:]]


def _article(word: str) -> str:
    return "an" if word[0] in "aeiou" else "a"


def _empirical_values(table: SpreadTable, info: ValidationInfo) -> tuple[float, ...]:
    name = next(name for name in VALUES if getattr(table, name) is not None)
    given = getattr(table, name)
    if name.startswith("file_"):
        folder = Path((info.context or {}).get("folder", "."))
        numbers, wrong = read_numbers(folder / given, MOST_VALUES)
        if wrong:
            found = [(name, message, str(folder / given), line) for line, message in wrong]
            raise PydanticCustomError("findings", "several", {"findings": found})
    else:
        numbers = given
    values = tuple(number * SECONDS[name.rpartition("_")[2]] for number in numbers)
    message = _wrong_values(values)
    if message:
        raise PydanticCustomError("findings", "several", {"findings": [(name, message)]})
    return values


def _wrong_values(values: tuple[float, ...]) -> str:
    if not values:
        return "must hold at least one number, is empty"
    if len(values) > MOST_VALUES:
        return f"must hold at most {MOST_VALUES} numbers, holds {len(values)}"
    if min(values) < 0:
        return f"times must be at least 0, one is {min(values):g} s"
    if max(values) > LONGEST_S:
        return f"times must be at most {LONGEST_S:g} s, one is {max(values):g} s"
    return ""
