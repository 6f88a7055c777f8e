"""The computed points of a study, for tables and for the sliders of its page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from feedsim.answers.key_words import key_words
from feedsim.answers.rows import WHOLE_CELL, short_keys, value_text
from feedsim.labels import label_of
from feedsim.pages.finished_study import FinishedStudy, Found, StudyRow

MOST_POINTS = 2_000
EXPLORED = ("capacity", "rounds", "sweep")

MEASURES = ("oee", "visits_per_h", "dry_share", "crew_busy")


@dataclass(frozen=True)
class Axis:
    """One thing that was varied; keys that went together are one.

    Attributes
    ----------
    label : str
    values : tuple of str
        As a config writes them, in order.
    numbers : tuple of float or None
        The same where all are numbers.
    """

    label: str
    values: tuple[str, ...]
    numbers: tuple[float, ...] | None


@dataclass(frozen=True)
class Grid:
    """The points that were computed.

    `points` are each a place on every axis, the machine's place in `machines`, and the row.
    """

    axes: tuple[Axis, ...]
    machines: tuple[str, ...]
    points: tuple[tuple[tuple[int, ...], int, StudyRow], ...]

    @property
    def start(self) -> tuple[int, ...]:
        """Where the sliders start: at the whole cell's highest OEE."""
        places, _, _ = max(self.points, key=lambda point: (-point[1], oee_of(point[2])))
        return places

    def data(self) -> dict[str, Any]:
        """What the page's script works with."""
        return {
            "axes": [
                {"label": axis.label, "values": axis.values, "numbers": axis.numbers}
                for axis in self.axes
            ],
            "machines": self.machines,
            "start": self.start,
            "measures": [
                {"label": label.text, "digits": label.digits} for label in map(label_of, MEASURES)
            ],
            "points": [
                [
                    *places,
                    machine,
                    row.replications,
                    *(_numbers(row.measures.get(n), label_of(n).factor) for n in MEASURES),
                ]
                for places, machine, row in self.points
            ],
        }


def oee_of(row: StudyRow) -> float:
    """A row's OEE, to compare by; below all others where there is none."""
    found = row.measures.get("oee")
    return -1.0 if found is None or found.value is None else found.value


def explored_rows(study: FinishedStudy) -> list[StudyRow]:
    """The rows of a study's grid."""
    return study.answer.map or study.answer.rows


def grid_of(study: FinishedStudy) -> Grid | None:
    """The grid of a study whose page has sliders; None where there is nothing to slide along."""
    rows = explored_rows(study)
    if study.kind not in EXPLORED or not rows:
        return None
    machines: list[str | None] = list(dict.fromkeys(row.machine for row in rows))
    if len(rows) > MOST_POINTS or len(machines) == 2:
        # Of a single machine the cell's row says the same, and the crew's share besides.
        rows = [row for row in rows if row.machine is None]
        machines = [None]
    if not rows or len(rows) > MOST_POINTS:
        return None
    axes, places = _axes(rows)
    if not axes:
        return None
    machines.sort(key=lambda name: name is not None)
    named = [WHOLE_CELL if name is None else name for name in machines]
    if len(machines) == 1:
        named = [""]
    points = [
        (place, machines.index(row.machine), row) for place, row in zip(places, rows, strict=True)
    ]
    return Grid(tuple(axes), tuple(named), tuple(points))


def _axes(rows: Sequence[StudyRow]) -> tuple[list[Axis], list[tuple[int, ...]]]:
    """What was varied, and each row's place along it."""
    keys = dict.fromkeys(key for row in rows for key in row.setting)
    short = short_keys(keys)
    axes: list[Axis] = []
    columns: list[list[int]] = []
    for key in keys:
        values = [row.setting.get(key, "") for row in rows]
        distinct = list(dict.fromkeys(values))
        are_numbers = not any(isinstance(value, bool | str) for value in distinct)
        if are_numbers:
            distinct.sort(key=float)
        if len(distinct) < 2:
            continue
        column = [distinct.index(value) for value in values]
        if column in columns:
            continue
        columns.append(column)
        axes.append(
            Axis(
                key_words(key, short[key]).axis,
                tuple(value_text(value) for value in distinct),
                tuple(float(value) for value in distinct) if are_numbers else None,
            )
        )
    return axes, list(zip(*columns, strict=True)) if columns else []


def _numbers(found: Found | None, factor: float) -> list[float | int] | None:
    """Value, ends and whether events were many (2), few (1) or none (0); rounded for the page."""
    if found is None or found.value is None:
        return None
    ends = [found.low, found.high]
    seen = 2 if found.seen_in is None else min(found.seen_in, 1)
    if seen == 0 or ends[0] is None or ends[1] is None:
        return [_short(factor * found.value), seen]
    return [_short(factor * found.value), seen, *(_short(factor * (end or 0.0)) for end in ends)]


def _short(number: float) -> float:
    return float(f"{number:.6g}")


def figure_text(measure: str, found: Found | None) -> str:
    """A figure with its interval, as a table of the page has it."""
    label = label_of(measure)
    factor, digits = label.factor, label.digits
    if found is None or found.value is None:
        return "-"
    if found.seen_in == 0 and found.value == 0:
        return "none seen"
    value = f"{factor * found.value:,.{digits}f}"
    if found.low is None or found.high is None:
        return value
    few = "" if found.seen_in is None else "*"
    return f"{value} ({factor * found.low:,.{digits}f} to {factor * found.high:,.{digits}f}){few}"
