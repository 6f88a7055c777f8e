"""Curves of a measure: any, and those over magazine capacity out of a study's results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from feedsim.answers.magazines import CAPACITY, ROUNDS
from feedsim.answers.set_ranges import Range
from feedsim.measures import CREW_BUSY, Measure, figure
from feedsim.stats import Estimate
from feedsim.study import Results, Setting, Value

Group = tuple[tuple[str, Value], ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """A measure over what is varied, all else being equal.

    Attributes
    ----------
    label : str
    at : tuple of float
        Where its points lie along the axis: capacities, factors, miss rates or stiffnesses, in
        the axis's unit.
    estimates : tuple of Estimate
        One a point.
    over_inputs : tuple of Range or None, optional
        What is known of each point over uncertain inputs.
    """

    label: str
    at: tuple[float, ...]
    estimates: tuple[Estimate, ...]
    over_inputs: tuple[Range | None, ...] = ()


@dataclass(frozen=True, slots=True)
class Family:
    """Which settings belong to which curve; every measure has a curve for each.

    Attributes
    ----------
    labels : tuple of str
        What tells each curve from the others; empty for an only one.
    points : tuple of tuples of (capacity in bags per lane, number of the setting)
        One tuple a curve, by capacity.
    machine : int or None
        The machine's number from 0; None is the whole cell.
    """

    results: Results
    labels: tuple[str, ...]
    points: tuple[tuple[tuple[float, int], ...], ...]
    machine: int | None

    def curves(self, measure: Measure) -> list[Curve]:
        """Work out a measure at every point."""
        return [
            Curve(
                label,
                tuple(capacity for capacity, _ in points),
                tuple(self._estimate(measure, number) for _, number in points),
            )
            for label, points in zip(self.labels, self.points, strict=True)
        ]

    def _estimate(self, measure: Measure, number: int) -> Estimate:
        sums = self.results.sums[number]
        machines = sums.machines if self.machine is None else [sums.machines[self.machine]]
        if measure is CREW_BUSY:
            machines = [sums.crew]
        return figure(measure, machines).estimate(self.results.confidence)

    @property
    def capacities_bags(self) -> list[float]:
        """All capacities, each once, the smallest first."""
        return sorted({capacity for points in self.points for capacity, _ in points})


def family_of(results: Results, machine: str | None) -> Family:
    """Sort the settings of a study into curves over capacity.

    Parameters
    ----------
    results : Results
        Settings differ in a capacity key, and perhaps in the interval of the rounds or others.
    machine : str or None
        A machine's name; None is the whole cell.

    Raises
    ------
    ValueError
        If the cell has no such machine, or two settings have the same capacity and all else.
    """
    number = None if machine is None else _number_of(results, machine)
    capacities = _capacities(results.settings, number)
    groups: dict[Group, list[tuple[float, int]]] = {}
    for index, setting in enumerate(results.settings):
        others = tuple((k, v) for k, v in setting.values.items() if not k.endswith(CAPACITY))
        groups.setdefault(others, []).append((capacities[index], index))
    for points in groups.values():
        points.sort()
        if len({capacity for capacity, _ in points}) < len(points):
            raise ValueError(f"two settings have the same capacity: {points}")
    ordered = sorted(groups, key=_order)
    labels = tuple(_label(dict(group)) if len(ordered) > 1 else "" for group in ordered)
    return Family(results, labels, tuple(tuple(groups[group]) for group in ordered), number)


def _number_of(results: Results, machine: str) -> int:
    names = [plan.name for plan in results.settings[0].cell.machines]
    if machine not in names:
        raise ValueError(f"no machine is called {machine!r}; there are {', '.join(names)}")
    return names.index(machine)


def _capacities(settings: Sequence[Setting], machine: int | None) -> list[float]:
    """Take each setting's capacity: what was asked for, or what that came to at a machine.

    Each machine rounds to its own bundles, so its lanes may hold more than was asked for; they
    say nothing where they hold the same in settings that differ.
    """
    asked = [_asked(setting) for setting in settings]
    own = [float(setting.cell.machines[machine or 0].capacity_bags) for setting in settings]
    if machine is not None and len(set(zip(asked, own, strict=True))) == len(set(own)):
        return own
    return [other if bags is None else bags for bags, other in zip(asked, own, strict=True)]


def _asked(setting: Setting) -> float | None:
    values = (value for key, value in setting.values.items() if key.endswith(CAPACITY))
    return next((float(value) for value in values), None)


def _order(group: Group) -> list[tuple[bool, float, str]]:
    """Sort numbers by size, and before words."""
    return [
        (isinstance(value, str), 0.0 if isinstance(value, str) else float(value), str(value))
        for _, value in group
    ]


def _label(others: Mapping[str, Value]) -> str:
    found = [
        _rounds(value) if key == ROUNDS else f"{key} = {value}" for key, value in others.items()
    ]
    return ", ".join(found) or "as in the config"


def _rounds(value: Value) -> str:
    if isinstance(value, str | bool):
        return f"rounds: {value}"
    return f"rounds every {value:g} min"
