"""What a sensitivity simulates: each input at its two ends, and all of them moved together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from feedsim.answers.input_ranges import Input, inputs_of, with_chances
from feedsim.answers.misfits import misfit_error
from feedsim.answers.morris import trajectories
from feedsim.cell import Cell, build_cell
from feedsim.config import Config, ConfigError
from feedsim.mistakes import Mistake
from feedsim.stats import Floats
from feedsim.streams import Streams
from feedsim.study import Setting, Value

AS_GIVEN, LOW, HIGH = "as given", "low", "high"


class SensitivityError(Mistake):
    """Inputs of which no sensitivity can be found."""


@dataclass(frozen=True)
class Plan:
    """What is simulated: the ends of each input, and the points of the second design.

    Attributes
    ----------
    config : Config
        With the chances written out.
    inputs : list of Input
        k of them.
    settings : list of Setting
        The config as given, then each input at its low and at its high end.
    levels : array of shape (t, k + 1, k)
        The second design, see `feedsim.answers.morris.trajectories`.
    points : list of Cell
        Its cells, t (k + 1) of them.
    left_out : list of str
        Inputs whose range makes no config, and why.
    """

    config: Config
    inputs: list[Input]
    settings: list[Setting]
    levels: Floats
    points: list[Cell]
    left_out: list[str]

    @property
    def cells(self) -> list[Cell]:
        """All cells."""
        return [*(setting.cell for setting in self.settings), *self.points]


def plan_of(config: Config, ranges: Mapping[str, tuple[float, float]] | None, design: int) -> Plan:
    """Lay out what `feedsim.answers.sensitivity.sensitivity` simulates; see there."""
    written = with_chances(config)
    settings = [Setting(_label(AS_GIVEN, ""), build_cell(written))]
    kept, left_out = [], []
    for item in inputs_of(written, ranges):
        try:
            ends = [build_cell(written.with_values(item.values(end))) for end in (0.0, 1.0)]
        except ConfigError as error:
            if item.origin == "own":
                raise misfit_error("--range", error) from error
            left_out.append(f"{item.name}: {error.problems[0].message}")
            continue
        kept.append(item)
        settings += [
            Setting(_label(item.name, end), cell)
            for end, cell in zip((LOW, HIGH), ends, strict=True)
        ]
    if not kept:
        raise SensitivityError(
            f"{config.origin.name}: has no uncertain input, allowed: a config with times, stops or "
            "chances other than 0"
        )
    luck = Streams(config.study.seed, 1).named("sensitivity").generator
    levels = trajectories(len(kept), design, luck)
    points = [cell_at(written, kept, point) for point in levels.reshape(-1, len(kept))]
    return Plan(written, kept, settings, levels, points, left_out)


def _label(name: str, end: str) -> dict[str, Value]:
    return {"input": name, "end": end}


def cell_at(config: Config, inputs: Sequence[Input], point: Floats) -> Cell:
    """The cell with each input at a level between 0, its low end, and 1."""
    values: dict[str, Any] = {}
    for item, level in zip(inputs, point, strict=True):
        values |= item.values(float(level))
    return build_cell(config.with_values(values))
