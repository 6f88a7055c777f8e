"""Results as rows: every measure of every machine and of the whole cell, with intervals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from feedsim.cell import MachinePlan
from feedsim.labels import label_of
from feedsim.measures import CREW_BUSY, START_SHARE, Figure, figure, measures_of
from feedsim.stats import FEW_EVENTS, Estimate, Floats
from feedsim.study import Results, Value

if TYPE_CHECKING:
    import pandas as pd

WHOLE_CELL = "whole cell"
START_SHARE_SHOWN = 0.02
PART = 5_000


@dataclass(frozen=True, slots=True)
class Row:
    """The measures of one machine of one setting; `machine` None is the whole cell.

    `capacity_bags` is the machine's own, per lane; None for a cell of unlike machines.
    """

    number: int
    setting: Mapping[str, Value]
    machine: str | None
    figures: Mapping[str, Figure]
    confidence: float
    replications: int
    capacity_bags: int | None

    def __getitem__(self, measure: str) -> Estimate:
        """The estimate of a measure by its name."""
        return self.figures[measure].estimate(self.confidence)

    def get(self, measure: str) -> Estimate | None:
        """The estimate of a measure, or None where the row has none."""
        return self[measure] if measure in self.figures else None

    @property
    def title(self) -> str:
        """The machine's name, or the whole cell."""
        return WHOLE_CELL if self.machine is None else self.machine


def rows_of(results: Results) -> list[Row]:
    """One row per setting and machine, and after its machines one for the whole cell."""
    return [row for number in range(len(results.settings)) for row in _rows(results, number)]


def _rows(results: Results, number: int) -> Iterator[Row]:
    setting, sums = results.settings[number], results.sums[number]
    plans = setting.cell.machines

    def row(machine: str | None, figures: dict[str, Figure], capacity: int | None) -> Row:
        return Row(
            number,
            setting.values,
            machine,
            figures,
            results.confidence,
            results.replications,
            capacity,
        )

    for plan, machine_sums in zip(plans, sums.machines, strict=True):
        own = {m.name: figure(m, [machine_sums]) for m in measures_of([plan])}
        yield row(plan.name, own, plan.capacity_bags)
    figures = {m.name: figure(m, sums.machines) for m in measures_of(plans)}
    if setting.cell.crew.operators:
        figures[CREW_BUSY.name] = figure(CREW_BUSY, [sums.crew])
    alike = {plan.capacity_bags for plan in plans}
    yield row(None, figures, alike.pop() if len(alike) == 1 else None)


def row_of(rows: Iterable[Row], machine: str | None, number: int | None = None) -> Row:
    """The row of a machine (None: the whole cell) at a setting by its number.

    Without a number that of the first setting.
    """
    return next(r for r in rows if r.machine == machine and number in (None, r.number))


def short_keys(keys: Iterable[str]) -> dict[str, str]:
    """For each key path its shortest end that tells it from the others."""
    paths = [key.split(".") for key in dict.fromkeys(keys)]
    found = {}
    for path in paths:
        ends = [path[-length:] for length in range(1, len(path) + 1)]
        own = next(
            (end for end in ends if sum(other[-len(end) :] == end for other in paths) == 1), path
        )
        found[".".join(path)] = ".".join(own)
    return found


def value_text(value: Value) -> str:
    """A setting's value as a config writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def summary_frame(
    rows: list[Row], of_cells: Mapping[int, Mapping[str, float]] | None = None
) -> pd.DataFrame:
    """One line per setting and machine (empty for the whole cell), `_low` and `_high` beside.

    `of_cells` are further columns of the whole cells, by the setting's number.
    """
    import pandas as pd

    lines = []
    for row in rows:
        line: dict[str, Any] = {**row.setting, "machine": row.machine or ""}
        line |= {"capacity_bags": row.capacity_bags, "replications": row.replications}
        for name in row.figures:
            found = row[name]
            line |= {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
        if of_cells and row.machine is None:
            line |= of_cells.get(row.number, {})
        lines.append(line)
    frame = pd.DataFrame(lines)
    return frame.astype({"capacity_bags": "Int64"})


def replications_frame(results: Results) -> pd.DataFrame:
    """One line per setting, machine and replication; `crew_busy` is the whole cell's."""
    import pandas as pd

    return pd.concat(replications_frames(results), ignore_index=True)


def replications_frames(results: Results) -> Iterator[pd.DataFrame]:
    """The table of replications in parts, in the order of its lines, each with all columns."""
    columns = _replications_columns(results)
    for setting, sums in zip(results.settings, results.sums, strict=True):
        for plan, machine_sums in zip(setting.cell.machines, sums.machines, strict=True):
            for first in range(0, results.replications, PART):
                part = slice(first, first + PART)
                own = {name: numbers[part] for name, numbers in machine_sums.items()}
                crew = {name: numbers[part] for name, numbers in sums.crew.items()}
                told = {**setting.values, "machine": plan.name}
                yield _part_frame(told, results.numbers[part], plan, own, crew).reindex(
                    columns=columns
                )


def _replications_columns(results: Results) -> list[str]:
    """All columns, in the order in which settings and machines bring them."""
    columns: dict[str, None] = {}
    for setting in results.settings:
        for plan in setting.cell.machines:
            names = [measure.name for measure in measures_of([plan])]
            told = [*setting.values, "machine", "replication", *names, CREW_BUSY.name]
            columns |= dict.fromkeys(told)
    return list(columns)


def _part_frame(
    told: Mapping[str, Value],
    numbers: NDArray[np.int64],
    plan: MachinePlan,
    machine_sums: Mapping[str, Floats],
    crew_sums: Mapping[str, Floats],
) -> pd.DataFrame:
    import pandas as pd

    columns: dict[str, Any] = {key: [value] * len(numbers) for key, value in told.items()}
    columns["replication"] = numbers
    with np.errstate(divide="ignore", invalid="ignore"):
        for measure in measures_of([plan]):
            ratio = measure.top(machine_sums) / measure.bottom(machine_sums)
            columns[measure.name] = np.where(np.isfinite(ratio), ratio, np.nan)
        columns[CREW_BUSY.name] = CREW_BUSY.top(crew_sums) / CREW_BUSY.bottom(crew_sums)
    return pd.DataFrame(columns)


def estimate_json(found: Estimate) -> dict[str, Any]:
    """An estimate as JSON; what is not a number becomes null."""
    told: dict[str, Any] = {
        "value": finite_or_none(found.value),
        "low": finite_or_none(found.low),
        "high": finite_or_none(found.high),
    }
    if found.unseen:
        told |= {"seen_in": 0, "chance_high": found.chance_high}
    elif found.few_events:
        told["seen_in"] = found.seen_in
    return told


def finite_or_none(value: float) -> float | None:
    """A number as JSON has it: what is not finite becomes null."""
    return value if isfinite(value) else None


def finite_or_least(value: float) -> float:
    """A number to be compared by: what is not finite stands below all others."""
    return value if isfinite(value) else float("-inf")


def rows_json(rows: list[Row]) -> list[dict[str, Any]]:
    """The rows as the JSON document has them."""
    return [
        {
            "setting": dict(row.setting),
            "machine": row.machine,
            "replications": row.replications,
            "measures": {name: estimate_json(row[name]) for name in row.figures},
        }
        for row in rows
    ]


def notes_on(rows: list[Row]) -> list[str]:
    """What a reader must know of the figures: too few events, and bags from the start."""
    notes = []
    names = list(dict.fromkeys(name for row in rows for name in row.figures))
    few = [n for n in names if any(n in r.figures and r.figures[n].has_few_events for r in rows)]
    if few:
        shown = ", ".join(label_of(name).heading.removesuffix(" %") for name in few[:6])
        shown += f" and {len(few) - 6} more" if len(few) > 6 else ""
        notes.append(
            f"Too few events for the stated confidence (seen in fewer than {FEW_EVENTS} shifts; "
            f"take more replications): {shown}."
        )
    shares = [row[START_SHARE.name].value for row in rows]
    highest = max((share for share in shares if isfinite(share)), default=0.0)
    if highest > START_SHARE_SHOWN:
        notes.append(
            f"Up to {100 * highest:.0f} % of the bags that left the lanes were there at the "
            "shift's start, so nobody had to load them: set or lengthen study.warm_up_h, or read "
            "the visits as too few."
        )
    return notes
