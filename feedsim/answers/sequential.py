"""Sequential trials: boundaries that end a trial early, with exact risks and lengths."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from math import ceil, floor, log

import numpy as np

from feedsim.answers.binomial import count_chances
from feedsim.answers.clusters import ALONE, Mix, Pattern
from feedsim.stats import Floats

LONGER = 1.5
SHORTER = 0.93
ATTEMPTS = 60
CLOSE = 1e-9
MOST_STRETCHES = 20_000
# Part of the trials that still go on when nine in ten have ended.
LAST_TENTH = 0.1


@dataclass(frozen=True, slots=True)
class Lines:
    """Wald's two parallel lines over the number of picks n.

    The trial is passed where faults <= slope n - below, failed where faults >= slope n + above.
    """

    slope: float
    below: float
    above: float


def wald_lines(good_rate: float, bad_rate: float, producer: float, consumer: float) -> Lines:
    """Lines of the sequential probability ratio test of two rates.

    Parameters
    ----------
    good_rate, bad_rate : float
        0 < good < bad < 1.
    producer, consumer : float
        Nominal risks: that good bags fail, that bad ones pass.

    Returns
    -------
    Lines

    References
    ----------
    Wald, Sequential Analysis (1947), sec. 5.3; NIST/SEMATECH e-Handbook of Statistical Methods,
    6.2.6 (h1, h2 and s there are below, above and slope here).
    """
    unit = log(bad_rate / good_rate) + log((1 - good_rate) / (1 - bad_rate))
    return Lines(
        log((1 - good_rate) / (1 - bad_rate)) / unit,
        log((1 - producer) / consumer) / unit,
        log((1 - consumer) / producer) / unit,
    )


@dataclass(frozen=True, slots=True)
class Course:
    """What becomes of a trial at one rate.

    Attributes
    ----------
    passes : float
        Chance that it is passed.
    mean_picks : float
        Its mean length.
    nine_tenths_picks : int
        After so many, at most one in ten trials still goes on.
    """

    passes: float
    mean_picks: float
    nine_tenths_picks: int


@dataclass(frozen=True, slots=True)
class SequentialPlan:
    """A trial that ends as soon as it is decided.

    Attributes
    ----------
    passed_from : tuple of int
        At index k: with k faults the trial is passed at this pick; ascending.
    failed_until : tuple of int
        At index k: the (k + 1)th fault fails the trial if it comes at this pick or before (0:
        never); ascending, the last one at the last pick of all.
    """

    passed_from: tuple[int, ...]
    failed_until: tuple[int, ...]

    @property
    def most_picks(self) -> int:
        """Picks at which it ends at the latest."""
        return self.failed_until[-1]

    @property
    def most_faults(self) -> int:
        """Most faults with which it can be passed."""
        return len(self.passed_from) - 1

    def decide(self, faults_at: list[int]) -> tuple[bool, int]:
        """Follow one trial: whether it is passed, and at which pick it ends.

        Parameters
        ----------
        faults_at : list of int
            Numbers of the picks, from 1, that fail, ascending.
        """
        for seen, pick in enumerate(faults_at):
            if pick > self.passed_from[seen]:
                return True, self.passed_from[seen]
            if pick <= self.failed_until[seen]:
                return False, pick
            # Passed at this very pick: the fault that comes with it is counted first.
        return True, self.passed_from[len(faults_at)]

    def course(self, rate: float, pattern: Pattern = ALONE) -> Course:
        """Risk and length at a rate, exactly.

        Parameters
        ----------
        rate : float
        pattern : Pattern

        Returns
        -------
        Course

        References
        ----------
        Own derivation. Counts only rise, so over a stretch without a change of the boundaries a
        trial fails if and only if its count at the end would reach the failing number: each
        stretch is one binomial step. Its mean length is by Wald's identity the mean rise of the
        stopped count over the rate.
        """
        return _Walk(self, rate, pattern).course()


def truncated(lines: Lines, most_picks: int) -> SequentialPlan:
    """Cut Wald's lines off at a last pick, and round them to whole picks and faults.

    At the last pick the trial is passed with no more faults than half-way between the lines.
    """
    half_way = lines.slope * most_picks + (lines.above - lines.below) / 2
    most_faults = max(0, floor(half_way))
    faults = range(most_faults + 1)
    passed = [min(most_picks, max(1, ceil((k + lines.below) / lines.slope))) for k in faults]
    failed = [
        min(passed[k] - 1, max(0, floor((k + 1 - lines.above) / lines.slope))) for k in faults
    ]
    return SequentialPlan(tuple(passed), (*failed[:-1], most_picks))


def sequential_plan(
    good_rate: float,
    bad_rate: float,
    producer: float,
    consumer: float,
    fixed_picks: int,
    pattern: Pattern = ALONE,
) -> SequentialPlan | None:
    """A sequential plan whose exact risks keep to what is stated.

    Wald's lines, cut off at one and a half times the fixed plan; where cutting off or bad bundles
    take a risk too high, its nominal value is lowered until the exact one fits.

    Parameters
    ----------
    good_rate, bad_rate : float
    producer, consumer : float
        The highest chance that good bags fail, and that bad ones pass.
    fixed_picks : int
        Length of the plan of fixed length with these risks.
    pattern : Pattern

    Returns
    -------
    SequentialPlan or None
        None where none is found, or it would be too long to work out.
    """
    nominal_producer, nominal_consumer = producer, consumer
    longer = LONGER
    for _ in range(ATTEMPTS):
        most_picks = ceil(longer * fixed_picks)
        if pattern.bundles and most_picks / pattern.bundles.bundle_picks > MOST_STRETCHES:
            return None
        lines = wald_lines(good_rate, bad_rate, nominal_producer, nominal_consumer)
        plan = truncated(lines, most_picks)
        fails = 1 - plan.course(good_rate, pattern).passes
        passes = plan.course(bad_rate, pattern).passes
        if fails <= producer + CLOSE and passes <= consumer + CLOSE:
            return _cut_shorter(plan, lines, (good_rate, producer), (bad_rate, consumer), pattern)
        if fails > producer:
            nominal_producer *= min(0.95, max(0.5, producer / fails))
        if passes > consumer:
            nominal_consumer *= min(0.95, max(0.5, consumer / passes))
        longer *= 1.02
    return None


def _cut_shorter(
    plan: SequentialPlan,
    lines: Lines,
    good: tuple[float, float],
    bad: tuple[float, float],
    pattern: Pattern,
) -> SequentialPlan:
    """Cut a plan off sooner while its risks still keep to what is stated."""
    (good_rate, producer), (bad_rate, consumer) = good, bad
    for _ in range(ATTEMPTS):
        shorter = truncated(lines, int(SHORTER * plan.most_picks))
        if shorter.course(good_rate, pattern).passes < 1 - producer - CLOSE:
            break
        if shorter.course(bad_rate, pattern).passes > consumer + CLOSE:
            break
        plan = shorter
    return plan


class _Walk:
    """Follows the chances of the counts of a trial that still goes on, stretch by stretch."""

    def __init__(self, plan: SequentialPlan, rate: float, pattern: Pattern) -> None:
        self._plan = plan
        self._bundle_picks = plan.most_picks
        self._mix = Mix(0.0, rate, rate)
        if pattern.bundles is not None and rate < pattern.bundles.missed:
            self._bundle_picks = pattern.bundles.bundle_picks
            self._mix = pattern.bundles.mix(rate)

    def course(self) -> Course:
        """Go through all stretches."""
        plan, mix = self._plan, self._mix
        going = np.zeros(plan.most_faults + 1)
        going[0] = 1.0
        steps = {True: _Steps(mix.bad_rate, len(going)), False: _Steps(mix.good_rate, len(going))}
        passed = mean_picks = 0.0
        nine_tenths = plan.most_picks
        begin = 0
        kinds = [(1 - mix.bad_share) * going, mix.bad_share * going]
        for end in self._ends():
            if begin % self._bundle_picks == 0:
                going = kinds[0] + kinds[1]
                kinds = [(1 - mix.bad_share) * going, mix.bad_share * going]
            failing = bisect_left(plan.failed_until, end) + 1
            for is_bad in (False, True) if mix.bad_share else (False,):
                kinds[is_bad], made = steps[is_bad].take(kinds[is_bad], end - begin, failing)
                mean_picks += made
            accepted = bisect_right(plan.passed_from, end)
            for kind in kinds:
                passed += float(kind[:accepted].sum())
                kind[:accepted] = 0.0
            begin = end
            left = float(kinds[0].sum() + kinds[1].sum())
            if left <= LAST_TENTH and nine_tenths == plan.most_picks:
                nine_tenths = end
        return Course(min(1.0, passed), mean_picks, nine_tenths)

    def _ends(self) -> list[int]:
        """Picks after which a boundary changes or a bundle ends."""
        last = self._plan.most_picks
        ends = {*self._plan.passed_from, *self._plan.failed_until, last}
        ends |= set(range(self._bundle_picks, last, self._bundle_picks))
        return sorted(ends - {0})


class _Steps:
    """Stretches at one rate."""

    def __init__(self, rate: float, size: int) -> None:
        self._rate = rate
        self._counts = np.arange(size)
        self._known: dict[int, tuple[Floats, Floats]] = {}

    def take(self, going: Floats, picks: int, failing: int) -> tuple[Floats, float]:
        """The counts that still go on after a stretch, and the mean picks made in it.

        `failing` is the count that fails a trial within the stretch.
        """
        if picks not in self._known:
            chances = count_chances(len(going) - 1, picks, self._rate)
            # Mean of min(X, k) for k = 0, 1, ...: the sum of P(X > j) over j below k.
            rise = np.concatenate([[0.0], np.cumsum(1 - np.cumsum(chances))])
            self._known[picks] = chances, rise
        chances, rise = self._known[picks]
        after = np.convolve(going, chances)[: len(going)]
        after[failing:] = 0.0
        if self._rate <= 0:
            return after, float(going.sum()) * picks
        room = np.maximum(failing - self._counts, 0)
        return after, float(going @ rise[room]) / self._rate
