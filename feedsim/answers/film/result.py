"""The answer of `film`, as tables and as the JSON document has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from feedsim.answers.film.cost import MissCost
from feedsim.answers.film.limit import Limit
from feedsim.answers.film.varied import STIFFNESS, Curve, chance_source, miss_rate, plan_of
from feedsim.answers.precision import Shortfall
from feedsim.answers.rows import Row, estimate_json, row_of
from feedsim.answers.shown import ShownRows
from feedsim.answers.targets import Target, check_json
from feedsim.cell import MachinePlan, build_cell
from feedsim.config import Config
from feedsim.study import Results

if TYPE_CHECKING:
    import pandas as pd

SHOWN = (
    "oee",
    "visits_per_h",
    "refill_visits_per_h",
    "fault_visits_per_h",
    "stops_lane_fault_per_h",
    "time_lane_fault_share",
)


@dataclass(frozen=True)
class FilmResult(ShownRows):
    """The answer of `film`.

    Attributes
    ----------
    tables : tuple of int
        Numbers of the machine tables that were varied.
    curves : tuple of Curve
    limits : tuple of Limit
        One a curve where there are targets, else empty.
    costs : list of MissCost
        By machine and kind of miss; empty over stiffness.
    results, rows
        Where misses are multiplied, first of the config itself; of all settings of all curves; and
        last without misses of each kind. All on the same shifts.
    """

    config: Config
    targets: tuple[Target, ...]
    machine: str | None
    tables: tuple[int, ...]
    curves: tuple[Curve, ...]
    limits: tuple[Limit, ...]
    costs: list[MissCost]
    results: Results
    rows: list[Row]
    shortfalls: Sequence[Shortfall] = ()
    shifts: int = 0

    @property
    def is_met(self) -> bool:
        """Whether each curve keeps the targets at its best end at least."""
        return all(limit.value is not None for limit in self.limits)

    @property
    def is_of_stiffness(self) -> bool:
        """Whether the stiffness is varied, by the planning values."""
        return self.curves[0].kind == STIFFNESS

    @property
    def machines(self) -> list[MachinePlan]:
        """The machines that were varied, as the config has them."""
        names = {self.config.machine[number].name for number in self.tables}
        return [plan for plan in build_cell(self.config).machines if plan.table in names]

    def points(self, curve: Curve, machine: str | None) -> list[tuple[float, Row]]:
        """A curve's factors or stiffnesses with a machine's rows (None: the whole cell)."""
        place = self.first_number(curve)
        return [
            (value, row_of(self.rows, machine, place + number))
            for number, value in enumerate(curve.settings)
        ]

    def first_number(self, curve: Curve) -> int:
        """The number of a curve's first setting."""
        before = self.curves[: self.curves.index(curve)]
        own = 0 if self.is_of_stiffness else 1
        return own + sum(len(other.settings) for other in before)

    def curves_frame(self) -> pd.DataFrame:
        """All curves as a table: a line for each of their points and machines."""
        import pandas as pd

        lines = []
        for curve in self.curves:
            for plan in self.machines:
                for value, row in self.points(curve, plan.name):
                    rate = miss_rate(plan_of(curve.settings[value].cell, plan.name))
                    line: dict[str, Any] = {
                        "kind": curve.kind,
                        "closure": _closure(self.config, curve, plan),
                        "machine": plan.name,
                        "factor": None if self.is_of_stiffness else value,
                        "stiffness_uNm": value if self.is_of_stiffness else None,
                        "miss_rate": rate,
                        "source": chance_source(self.config, curve, plan.table),
                        "replications": row.replications,
                    }
                    for name in SHOWN:
                        found = row[name]
                        line |= {name: found.value}
                        line |= {f"{name}_low": found.low, f"{name}_high": found.high}
                    lines.append(line)
        return pd.DataFrame(lines)

    def tried_frame(self) -> pd.DataFrame:
        """What was judged against the targets: a line for each value and check."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "kind": curve.kind,
                    "closure": curve.closure or "",
                    "stiffness_uNm" if self.is_of_stiffness else "factor": value,
                    "replications": evidence.replications,
                    **check_json(check),
                }
                for curve, limit in zip(self.curves, self.limits, strict=True)
                for value, evidence in limit.tried.items()
                for check in evidence.checks
            ]
        )

    def answer_json(self) -> list[dict[str, Any]]:
        """The command's own part of the JSON document."""
        limits = self.limits or (None,) * len(self.curves)
        return [
            self._limit_json(curve, limit, plan)
            for curve, limit in zip(self.curves, limits, strict=True)
            for plan in self.machines
        ]

    def _limit_json(self, curve: Curve, limit: Limit | None, plan: MachinePlan) -> dict[str, Any]:
        value = None if limit is None else limit.value
        told: dict[str, Any] = {
            "machine": plan.name,
            "kind": curve.kind,
            "closure": _closure(self.config, curve, plan),
            "source": chance_source(self.config, curve, plan.table),
            "met": None if limit is None else value is not None,
            "miss_rate": None,
            "stiffness_uNm": value if self.is_of_stiffness else None,
            "factor": None if self.is_of_stiffness else value,
        }
        if limit is not None:
            if value is not None:
                cell = limit.tried[value].setting.cell
                told["miss_rate"] = miss_rate(plan_of(cell, plan.name))
            told |= {
                "fails_from": limit.fails_from,
                "replications": limit.evidence.replications,
                "checks": [
                    check_json(check)
                    for check in limit.evidence.checks
                    if check.machine in (plan.name, None)
                ],
            }
        told["curve"] = [
            {
                "stiffness_uNm" if self.is_of_stiffness else "factor": at,
                "miss_rate": miss_rate(plan_of(curve.settings[at].cell, plan.name)),
                **{name: estimate_json(row[name]) for name in SHOWN if name in row.figures},
            }
            for at, row in self.points(curve, plan.name)
        ]
        return told

    def costs_json(self) -> list[dict[str, Any]]:
        """What misses cost, as the JSON document has it."""
        return [
            {
                "machine": cost.machine,
                "kind": cost.kind,
                "miss_rate": cost.rate,
                "oee": estimate_json(cost.oee),
                "oee_per_miss_rate": estimate_json(cost.per_point),
                "times_single": estimate_json(cost.times_single) if cost.times_single else None,
            }
            for cost in self.costs
        ]

    def __repr__(self) -> str:
        over = "stiffness" if self.is_of_stiffness else "miss rate"
        told = "; ".join(target.in_words() for target in self.targets) or "no targets"
        ends = ", ".join(
            f"{curve.label} {'none' if limit.value is None else f'{limit.value:.3g}'}"
            for curve, limit in zip(self.curves, self.limits, strict=False)
        )
        return f"FilmResult(over {over}, {told}{': ' + ends if ends else ''})"


def _closure(config: Config, curve: Curve, plan: MachinePlan) -> str | None:
    if curve.closure is not None:
        return curve.closure
    return next(machine.bag.closure for machine in config.machine if machine.name == plan.table)
