"""Any keys varied together: every combination of their values, all on the same luck."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations, islice, product
from math import isfinite, prod
from typing import Any

import numpy as np

from feedsim.answers.key_words import setting_words
from feedsim.answers.luck import streams_of
from feedsim.answers.misfits import misfit_error
from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import Row, estimate_json, finite_or_least, rows_of, short_keys
from feedsim.answers.shown import ShownRows
from feedsim.cell import Cell, build_cell
from feedsim.config import Config, ConfigError, Spread
from feedsim.config.write import toml_value
from feedsim.mistakes import Mistake
from feedsim.stats import Estimate
from feedsim.study import HERE, Results, Setting, Value, Work

MOST_SETTINGS = 10_000
FEW_SHIFTS = 10
IN_A_SHIFT = ("study.shift_h", "study.warm_up_h", "study.minor_stop_min")
SAME_FOR_ALL = ("study", "title", "money")


class SweepError(Mistake):
    """Keys or values that cannot be swept."""


@dataclass(frozen=True)
class SweepResult(ShownRows):
    """The answer of `sweep`: settings with the values of the varied keys, the first key slowest."""

    config: Config
    results: Results
    rows: list[Row]
    shortfalls: Sequence[Shortfall] = ()
    _rivals: dict[int, Estimate] = field(default_factory=dict, repr=False)

    @property
    def keys(self) -> list[str]:
        """The varied keys, in their order."""
        return list(self.results.settings[0].values)

    @cached_property
    def cells(self) -> list[Row]:
        """The whole cells' rows, one a setting, in the study's order."""
        return [row for row in self.rows if row.machine is None]

    @cached_property
    def best(self) -> Row | None:
        """The setting of the highest OEE (the first of equals); None where none has an OEE."""
        known = [row for row in self.cells if isfinite(row.figures["oee"].value)]
        return max(known, key=lambda row: row.figures["oee"].value, default=None)

    @property
    def comparisons(self) -> int:
        """How many settings are held against the best one."""
        return len(self.cells) - 1

    @cached_property
    def not_told_apart(self) -> list[Row]:
        """Settings whose paired difference of OEE to the best one's may be 0, the highest first.

        Bonferroni over all comparisons with the best: with the study's confidence, or more, the
        truly best setting is the best one found or among these. With one shift nothing is told
        apart.

        References
        ----------
        Bonferroni over comparisons: Law, Simulation Modeling and Analysis, sec. 10.3. That it
        holds for a best one picked from the data, own derivation: the truly best is wrongly left
        out only if some setting seems surely better than it, and those are k - 1 comparisons.
        """
        best = self.best
        if best is None:
            return []
        rivals = [
            row for row in self.cells if row is not best and not self.difference(row).high < 0
        ]
        return sorted(rivals, key=lambda row: -finite_or_least(row.figures["oee"].value))

    def difference(self, row: Row) -> Estimate:
        """Paired difference of a setting's OEE to the best one's, Bonferroni over comparisons.

        Raises
        ------
        ValueError
            If no setting has an OEE.
        """
        if self.best is None:
            raise ValueError("no setting has planned busy time, so none has an OEE")
        if row.number not in self._rivals:
            alpha = (1 - self.results.confidence) / max(1, self.comparisons)
            found = row.figures["oee"].minus(self.best.figures["oee"], 1 - alpha)
            self._rivals[row.number] = found
        return self._rivals[row.number]

    @cached_property
    def short(self) -> dict[str, str]:
        """The keys cut short to what tells them apart."""
        return short_keys(self.keys)

    def in_words(self, row: Row) -> str:
        """A row's setting in a few words."""
        return setting_words(row.setting, self.short)

    def warnings(self) -> list[str]:
        """What a reader must know of the settings before holding one against another."""
        cells = [setting.cell for setting in self.results.settings]
        return [*self._few(), *self._equals(cells), *_windows(cells), *_luck(cells)]

    def _few(self) -> Iterator[str]:
        if 1 < self.results.replications < FEW_SHIFTS and self.comparisons:
            yield (
                f"Only {self.results.replications} shifts: what is told apart leans on Student's "
                "t; take more before ruling a setting out."
            )

    def _equals(self, cells: Sequence[Cell]) -> Iterator[str]:
        equal = len(cells) - len(dict.fromkeys(cells))
        if equal:
            yield (
                f"{equal:,} of the {len(cells):,} settings come to the same cell as another: what "
                "was varied has no effect there."
            )

    def answer_json(self) -> dict[str, Any]:
        """The command's own part of the JSON document."""
        if self.best is None:
            return {"best": None}
        return {
            "best": {
                "setting": dict(self.best.setting),
                "oee": estimate_json(self.best["oee"]),
                "comparisons": self.comparisons,
                "not_told_apart": [
                    {
                        "setting": dict(row.setting),
                        "oee_minus_best": estimate_json(self.difference(row)),
                    }
                    for row in self.not_told_apart
                ],
            }
        }

    def __repr__(self) -> str:
        if self.best is None:
            return f"SweepResult({len(self.cells)} settings, none with an OEE)"
        oee = self.best.figures["oee"].value
        return (
            f"SweepResult({len(self.cells)} settings, best oee={oee:.4f} at "
            f"{self.in_words(self.best)})"
        )


def sweep(
    config: Config,
    vary: Mapping[str, Sequence[Any]],
    *,
    work: Work = HERE,
    precision: Precision | None = None,
) -> SweepResult:
    """Simulate a cell over every combination of some keys' values, all on the same luck.

    Parameters
    ----------
    config : Config
    vary : mapping of key path to values
        Paths as `--set` takes them; values plain as TOML would give them, a Spread, or None for
        the default. The first key varies slowest.
    work : Work
        Who simulates; the answer is the same.
    precision : Precision, optional
        Half-widths to reach, in place of the config's number of replications.

    Returns
    -------
    SweepResult

    Raises
    ------
    SweepError
        If a key cannot be varied, or there are more than 10,000 settings.
    ConfigError
        If a value does not go with the config; the setting is named.
    TooLarge
        If the study would run for hours.
    """
    return sweep_over(config, sweep_settings(config, vary), work=work, precision=precision)


def sweep_over(
    config: Config,
    settings: Sequence[Setting],
    *,
    work: Work = HERE,
    precision: Precision | None = None,
) -> SweepResult:
    """Simulate settings that `sweep_settings` has made; see `sweep`."""
    results, shortfalls = simulate_settings(config, settings, work, precision)
    return SweepResult(config, results, rows_of(results), shortfalls)


def sweep_settings(config: Config, vary: Mapping[str, Sequence[Any]]) -> list[Setting]:
    """The settings of a sweep, the first key slowest; equal labels come once.

    Raises
    ------
    SweepError, ConfigError
    """
    choices = {key: labelled(values) for key, values in vary.items()}
    _refuse(choices)
    settings = []
    for chosen in product(*choices.values()):
        label = {key: label for key, (label, _) in zip(choices, chosen, strict=True)}
        values = {key: value for key, (_, value) in zip(choices, chosen, strict=True)}
        settings.append(Setting(label, _cell(config, values, label)))
    return settings


def labelled(values: Iterable[Any]) -> list[tuple[Value, Any]]:
    """Values with what they are called in tables: themselves, or a table's text; each once."""
    found: dict[tuple[bool, Value], tuple[Value, Any]] = {}
    for given in values:
        value = given.item() if isinstance(given, np.generic) else given
        label = _label(value)
        # True and 1 are equal to Python, but not to a config.
        found.setdefault((isinstance(label, bool), label), (label, value))
    return list(found.values())


def _label(value: Any) -> Value:
    if isinstance(value, int | float | str | bool):
        return value
    if value is None:
        return "default"
    return toml_value(value.table() if isinstance(value, Spread) else value)


def _refuse(choices: Mapping[str, Sequence[tuple[Value, Any]]]) -> None:
    if not choices:
        raise SweepError("--vary: names no key, allowed: KEY=VALUES at least once")
    for key, values in choices.items():
        if not values:
            raise SweepError(f"--vary: {key}: has no value, allowed: at least one")
        if key.split(".")[0].partition("[")[0] in SAME_FOR_ALL and key not in IN_A_SHIFT:
            raise SweepError(
                f"--vary: {key}: is the same for all settings of a study, allowed: keys of the "
                f"crew, the machines, planned stops, and {', '.join(IN_A_SHIFT)}"
            )
    for key, other in combinations(choices, 2):
        if _overlap(key, other):
            raise SweepError(
                f"--vary: {key} and {other} set the same key, allowed: keys that do not hold one "
                "another"
            )
    number = prod(len(values) for values in choices.values())
    if number > MOST_SETTINGS:
        raise SweepError(
            f"--vary: {number:,} settings, allowed: at most {MOST_SETTINGS:,}: take fewer values"
        )


def _overlap(key: str, other: str) -> bool:
    """Whether a setting of both keys would set one over the other."""
    for own, others in zip(key.split("."), other.split("."), strict=False):
        (name, _, number), (other_name, _, other_number) = (
            own.partition("["),
            others.partition("["),
        )
        if name != other_name or (number and other_number and number != other_number):
            return False
    return True


def _cell(config: Config, values: Mapping[str, Any], label: Mapping[str, Value]) -> Cell:
    try:
        return build_cell(config.with_values(values))
    except ConfigError as error:
        place = ", ".join(f"{key} = {value}" for key, value in label.items())
        raise misfit_error(f"--vary: at {place}", error) from error


def _windows(cells: Sequence[Cell]) -> Iterator[str]:
    if len({(cell.shift_us, cell.warm_up_us) for cell in cells}) > 1:
        yield (
            "Shifts or warm-ups differ between settings: their differences are of different "
            "windows too, and counts (good packs, bags) are not alike."
        )


def _luck(cells: Sequence[Cell]) -> Iterator[str]:
    """Say where settings draw from streams that the first one has not."""
    first = set(streams_of(cells[0]))
    others: Iterable[str] = dict.fromkeys(
        name
        for cell in dict.fromkeys(cells)
        for name in first.symmetric_difference(streams_of(cell))
    )
    shown = list(islice(others, 4))
    if shown:
        yield (
            f"Not all settings draw from the same random streams ({', '.join(shown)} ...): what is "
            "drawn there is not shared."
        )
