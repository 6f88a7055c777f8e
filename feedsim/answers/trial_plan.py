"""Before a trial of a rate: how long it must be, and whom it passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.binomial import (
    ROUNDING,
    fewest,
    picks_needed,
    picks_until_failed,
)
from feedsim.answers.clusters import ALONE, MOST_COUNTED, BadBundles, Pattern
from feedsim.answers.sequential import Course, SequentialPlan, sequential_plan
from feedsim.answers.trial import (
    LARGEST_TRIAL,
    LEAST_RATE,
    TrialError,
    refuse_picks,
    refuse_share,
)
from feedsim.shown import Shown

if TYPE_CHECKING:
    import pandas as pd

MOST_FAULTS = 500
CURVE_POINTS = 51
CURVE_TO = 2.5


@dataclass(frozen=True, slots=True)
class FixedPlan:
    """A trial of fixed length, passed with at most so many faults.

    Attributes
    ----------
    faults, picks : int
    picks_alone : int
        How many would do if no bundle were bad.
    passes : float or None
        Chance that bags of the true rate pass.
    mean_picks : float or None
        Its mean length with them, if it ends at the first fault too many; None in bad bundles.
    rate_passing : float
        The true rate with which it is passed with the stated chance.
    passes_if_taken_for_alone : float
        Chance that bags at the contract's rate pass after `picks_alone`: more than is allowed
        where faults come in bad bundles.
    """

    faults: int
    picks: int
    picks_alone: int
    passes: float | None
    mean_picks: float | None
    rate_passing: float
    passes_if_taken_for_alone: float


@dataclass(frozen=True)
class PlanResult(Shown):
    """The answer of `trial plan`.

    Attributes
    ----------
    rate, confidence : float
        What the trial must show: at most this rate, with this confidence.
    true_rate : float or None
        Of bags that should pass, with at least the chance `pass_chance`.
    rows : list of FixedPlan
        By faults allowed.
    chosen : FixedPlan or None
        The shortest plan that bags of the true rate pass with that chance.
    sequential : SequentialPlan or None
        With risks no higher; None where it would not be shorter on average with such bags.
    affordable : int or None
        Faults allowed in the `picks` that can be afforded, where they are stated; -1: they are
        too few even without a fault.
    alone : FixedPlan or None
        The shortest plan if faults came alone, where they come in bad bundles.
    """

    rate: float
    confidence: float
    true_rate: float | None
    pass_chance: float
    pattern: Pattern
    rows: list[FixedPlan]
    chosen: FixedPlan | None
    sequential: SequentialPlan | None
    picks: int | None = None
    affordable: int | None = None
    alone: FixedPlan | None = None

    @property
    def is_met(self) -> bool:
        """Whether there is a plan for all that was stated."""
        wanted = self.true_rate is not None and self.true_rate < self.rate
        return (self.chosen is not None or not wanted) and self.affordable != -1

    @property
    def design_effect(self) -> float:
        """How much wider counts spread at the contract's rate than without bad bundles."""
        bundles = self.pattern.bundles
        return bundles.design_effect(self.rate) if bundles else 1.0

    @cached_property
    def sequential_courses(self) -> dict[float, Course]:
        """What becomes of sequential trials at the true rate, and at the contract's."""
        if self.sequential is None or self.true_rate is None:
            return {}
        rates = (self.true_rate, self.rate)
        return {rate: self.sequential.course(rate, self.pattern) for rate in rates}

    def affordable_passes(self, rate: float) -> float:
        """Chance that bags of a rate pass the trial that can be afforded."""
        if self.picks is None or self.affordable is None:
            raise ValueError("no number of picks is stated")
        return self.pattern.chance_at_most(self.affordable, self.picks, rate)

    @cached_property
    def curve(self) -> pd.DataFrame:
        """The operating characteristic: the chance to pass over the true rate, a column a plan.

        Of a sequential plan the mean length too.
        """
        import pandas as pd

        top = min(1 - 1e-9, CURVE_TO * self.rate)
        rates = np.linspace(0, top, CURVE_POINTS)
        columns: dict[str, Any] = {"rate": rates}
        for plan in self._drawn():
            name = f"passes_{plan.faults}_in_{plan.picks}"
            columns[name] = [self.passes(plan.faults, plan.picks, rate) for rate in rates]
        if self.if_alone is not None:
            faults, picks = self.if_alone
            columns[f"passes_{faults}_in_{picks}"] = [
                self.passes(faults, picks, rate) for rate in rates
            ]
        if self.sequential is not None:
            courses = [self.sequential.course(rate, self.pattern) for rate in rates]
            columns["passes_sequential"] = [course.passes for course in courses]
            columns["mean_picks_sequential"] = [course.mean_picks for course in courses]
        return pd.DataFrame(columns)

    def passes(self, faults: int, picks: int, rate: float) -> float:
        """Chance that bags of a rate pass a plan."""
        return self.pattern.chance_at_most(faults, picks, rate)

    @property
    def main(self) -> FixedPlan:
        """The plan chosen; without one the first of the table."""
        return self.chosen or self.rows[0]

    @property
    def if_alone(self) -> tuple[int, int] | None:
        """Faults and picks of the plan of somebody who takes no account of bad bundles."""
        if self.pattern.bundles is None:
            return None
        if self.alone is not None:
            return self.alone.faults, self.alone.picks
        return self.main.faults, self.main.picks_alone

    def _drawn(self) -> list[FixedPlan]:
        """The plan of the fewest faults, and the one chosen or of the most."""
        return list(dict.fromkeys([self.rows[0], self.chosen or self.rows[-1]]))

    def frame(self) -> pd.DataFrame:
        """The table of plans."""
        import pandas as pd

        names = FixedPlan.__slots__
        return pd.DataFrame([{name: getattr(plan, name) for name in names} for plan in self.rows])

    def answer_json(self) -> dict[str, Any]:
        """The command's own part of the JSON document."""
        told: dict[str, Any] = {
            "rate": self.rate,
            "confidence": self.confidence,
            "true_rate": self.true_rate,
            "pass_chance": self.pass_chance,
            "met": self.is_met,
            "design_effect": self.design_effect,
            "plans": [_plan_json(plan) for plan in self.rows],
            "chosen": _plan_json(self.chosen) if self.chosen else None,
            "chosen_if_alone": _plan_json(self.alone) if self.alone else None,
            "sequential": self._sequential_json(),
        }
        if self.picks is not None and self.affordable is not None:
            told["affordable"] = {"picks": self.picks, "faults": self.affordable}
        return told

    def _sequential_json(self) -> dict[str, Any] | None:
        if self.sequential is None:
            return None
        return {
            "passed_from_picks": list(self.sequential.passed_from),
            "failed_until_picks": list(self.sequential.failed_until),
            "most_picks": self.sequential.most_picks,
            "courses": [
                {
                    "rate": rate,
                    "passes": course.passes,
                    "mean_picks": course.mean_picks,
                    "nine_tenths_picks": course.nine_tenths_picks,
                }
                for rate, course in self.sequential_courses.items()
            ],
        }

    def __repr__(self) -> str:
        return f"PlanResult(rate {self.rate:g}: {self.main.faults} in {self.main.picks} picks)"


def _plan_json(plan: FixedPlan) -> dict[str, Any]:
    return {name: getattr(plan, name) for name in FixedPlan.__slots__}


def trial_plan(
    rate: float,
    confidence: float = 0.95,
    *,
    faults_allowed: Sequence[int] = range(6),
    true_rate: float | None = None,
    pass_chance: float = 0.9,
    bundles: BadBundles | None = None,
    picks: int | None = None,
) -> PlanResult:
    """Plan a trial that shows a rate of at most `rate` with a confidence.

    Parameters
    ----------
    rate : float
        The contract's rate of faults per pick.
    confidence : float
        Bags at that rate pass with a chance of at most 1 - confidence.
    faults_allowed : sequence of int
        Plans to tabulate.
    true_rate : float, optional
        Of bags that should pass.
    pass_chance : float
        With at least this chance.
    bundles : BadBundles, optional
        How faults cluster; by default every pick fails alone.
    picks : int, optional
        How many can be afforded.

    Returns
    -------
    PlanResult

    Raises
    ------
    TrialError
        If a value makes no sense.

    References
    ----------
    Clopper and Pearson 1934; Wilks 1941; Wald 1947; see the functions of `binomial` and
    `sequential`.
    """
    _refuse_plan(rate, confidence, faults_allowed, true_rate, pass_chance, picks)
    pattern = Pattern(bundles)
    planner = _Planner(rate, confidence, true_rate, pass_chance, pattern)
    rows = [planner.plan(faults) for faults in dict.fromkeys(sorted(faults_allowed))]
    chosen = planner.shortest()
    alone = None
    if bundles is not None:
        alone = _Planner(rate, confidence, true_rate, pass_chance, ALONE).shortest()
    if chosen is not None and chosen not in rows:
        rows = sorted([*rows, chosen], key=lambda plan: plan.faults)
    sequential = None
    if chosen is not None and true_rate is not None:
        sequential = sequential_plan(
            true_rate, rate, 1 - pass_chance, 1 - confidence, chosen.picks, pattern
        )
        if sequential and sequential.course(true_rate, pattern).mean_picks >= chosen.picks:
            sequential = None
    affordable = None if picks is None else planner.most_faults(picks)
    return PlanResult(
        rate,
        confidence,
        true_rate,
        pass_chance,
        pattern,
        rows,
        chosen,
        sequential,
        picks,
        affordable,
        alone,
    )


class _Planner:
    """Finds plans of fixed length."""

    def __init__(
        self,
        rate: float,
        confidence: float,
        true_rate: float | None,
        pass_chance: float,
        pattern: Pattern,
    ) -> None:
        self._rate = rate
        self._confidence = confidence
        self._true_rate = true_rate
        self._pass_chance = pass_chance
        self._pattern = pattern

    def picks(self, faults: int, least: int = 1) -> int:
        """Fewest picks, from `least` on, that show the rate with so many faults."""
        alone = picks_needed(faults, self._rate, self._confidence)
        if self._pattern.bundles is None:
            return alone

        def passes(picks: int) -> float:
            return self._pattern.chance_at_most(faults, picks, self._rate)

        return fewest(passes, max(least, faults + 1), 1 - self._confidence)

    def plan(self, faults: int) -> FixedPlan:
        """The plan with so many faults allowed."""
        picks = self.picks(faults)
        if picks > LARGEST_TRIAL:
            raise TrialError(
                f"--rate: {self._rate:g} with {faults} faults takes {picks:,} picks, allowed: "
                f"trials of up to {LARGEST_TRIAL:,}"
            )
        alone = picks_needed(faults, self._rate, self._confidence)
        pattern, true_rate = self._pattern, self._true_rate
        mean_picks = None
        if true_rate is not None and pattern.bundles is None:
            mean_picks = picks_until_failed(faults, picks, true_rate)
        return FixedPlan(
            faults,
            picks,
            alone,
            None if true_rate is None else pattern.chance_at_most(faults, picks, true_rate),
            mean_picks,
            pattern.rate_where(faults, picks, self._pass_chance),
            pattern.chance_at_most(faults, alone, self._rate),
        )

    def shortest(self) -> FixedPlan | None:
        """The plan of the fewest faults that bags of the true rate pass often enough."""
        if self._true_rate is None or self._true_rate >= self._rate:
            return None
        picks = 1
        for faults in range(MOST_FAULTS + 1):
            picks = self.picks(faults, least=picks)
            passes = self._pattern.chance_at_most(faults, picks, self._true_rate)
            if passes >= self._pass_chance:
                return self.plan(faults)
        return None

    def most_faults(self, picks: int) -> int:
        """Most faults in so many picks that show the rate; -1 where not even none does."""
        limit = (1 - self._confidence) * (1 + ROUNDING)
        allowed, above = -1, picks if self._pattern.bundles is None else MOST_COUNTED + 1
        while above - allowed > 1:
            middle = (allowed + above) // 2
            shows = self._pattern.chance_at_most(middle, picks, self._rate) <= limit
            allowed, above = (middle, above) if shows else (allowed, middle)
        return allowed


def _refuse_plan(
    rate: float,
    confidence: float,
    faults_allowed: Sequence[int],
    true_rate: float | None,
    pass_chance: float,
    picks: int | None,
) -> None:
    refuse_share("--rate", rate, least=LEAST_RATE)
    refuse_share("--confidence", confidence)
    refuse_share("--pass-chance", pass_chance)
    if true_rate is not None:
        refuse_share("--true-rate", true_rate, least=LEAST_RATE)
    if not faults_allowed:
        raise TrialError("--faults-allowed: is empty, allowed: such as 0..5")
    for faults in (min(faults_allowed), max(faults_allowed)):
        if not 0 <= faults <= MOST_FAULTS:
            raise TrialError(f"--faults-allowed: is {faults}, allowed: 0 to {MOST_FAULTS}")
    if picks is not None:
        refuse_picks(picks)
