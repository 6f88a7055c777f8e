"""One cause of misses varied: the curve of its settings, and what its chances rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from feedsim import film as films
from feedsim.cell import Cell, MachinePlan
from feedsim.config import Config
from feedsim.mistakes import Mistake
from feedsim.study import Setting

SINGLE, BAD_BUNDLES, STIFFNESS = "single", "bad_bundles", "stiffness"


class FilmError(Mistake):
    """A miss rate, stiffness or closure that cannot be studied."""


@dataclass(frozen=True)
class Curve:
    """One cause varied from its best value to its worst: a kind of miss, or a closure.

    Attributes
    ----------
    kind : {"single", "bad_bundles", "stiffness"}
        What is varied: the chance of single misses, the share of bad bundles, or the stiffness.
    closure : str or None
        Of all machines varied; None where each keeps its own, or stiffness is not varied.
    tables : tuple of int
        Numbers of the machine tables that it is varied at.
    settings : mapping from a factor on the config's chance, or a stiffness in uN.m, to Setting
        From the least misses on: factors ascend, stiffness descends.
    is_planned : bool
        Whether any of its chances are planning values.
    without : Setting or None
        The same without any such miss; None over stiffness.
    """

    kind: str
    closure: str | None
    tables: tuple[int, ...]
    settings: Mapping[float, Setting]
    is_planned: bool
    without: Setting | None = None

    @property
    def label(self) -> str:
        """What tells it from the others, in words."""
        if self.kind == STIFFNESS:
            return (self.closure or "the config's closures").replace("_", " ")
        return {SINGLE: "single misses", BAD_BUNDLES: "bad bundles"}[self.kind]


def miss_rate(plan: MachinePlan) -> float:
    """Chance that the first attempt at a bag misses, over good and bad bundles.

    Attempts miss more often than that where bundles are bad: a bag that is missed stays, and is
    tried again.
    """
    share = plan.bad_share or 0.0
    return (1 - share) * plan.chances[0] + share * plan.bad_chances[0]


def chance_source(config: Config, curve: Curve, table: str) -> str:
    """Where the chances of a curve's misses come from: planning values, or the config's key."""
    found = next(machine for machine in config.machine if machine.name == table)
    source = found.bag.chance_source
    planned = curve.is_planned if curve.kind == STIFFNESS else source == "planning"
    return films.PLANNING_SOURCE if planned else source


def is_planned(config: Config, tables: Sequence[int]) -> bool:
    """Whether some chances are planning values."""
    return any(config.machine[number].bag.chance_source == "planning" for number in tables)


def plan_of(cell: Cell, name: str) -> MachinePlan:
    """A cell's machine by its name."""
    return next(plan for plan in cell.machines if plan.name == name)
