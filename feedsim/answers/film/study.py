"""The study of a film: its curves simulated, and where they cease to keep the targets."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.film.cost import costs_of
from feedsim.answers.film.curves import all_settings, film_curves
from feedsim.answers.film.limit import Limit, limit_of
from feedsim.answers.film.result import FilmResult
from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import rows_of
from feedsim.answers.targets import BUDGET, Judge, Target, refuse_unjudgeable
from feedsim.config import Config
from feedsim.study import HERE, Shifts, Work, refuse_absurd

CURVE_SHIFTS = 10_000


def film_study(
    config: Config,
    targets: Sequence[Target] = (),
    *,
    factors: Sequence[float] | None = None,
    stiffness: Sequence[float] | None = None,
    closures: Sequence[str] | None = None,
    machine: str | None = None,
    budget: int = BUDGET,
    work: Work = HERE,
    precision: Precision | None = None,
) -> FilmResult:
    """Simulate a cell over the miss rate of its bags or their stiffness, and find the limit.

    Over the miss rate there is a curve for single misses (factors on their chance) and one for
    bad bundles (factors on their share), each with the other as the config has it. Over the
    stiffness there is one for each closure; their chances are planning values, from memory,
    unless the bag has a film model of its own.

    Parameters
    ----------
    config : Config
    targets : sequence of Target, optional
        Whose limit to look for: the last value such that it and all with fewer misses tried
        keep them with the study's confidence, to three percent.
    factors : sequence of float, optional
        On the config's misses; by default from 0.25 to 8, as far as chances can go.
    stiffness : sequence of float, optional
        Bending stiffness of a panel in uN.m, in place of factors.
    closures : sequence of str, optional
        With stiffness: closures to compare; by default the config's.
    machine : str, optional
        The machine table whose bags are varied, and at whose machines the targets must hold; by
        default all that have chances, and the targets hold at every machine.
    budget : int
        The most replications to spend on one value, with targets.
    work : Work
    precision : Precision, optional
        Half-widths to reach, without targets.

    Returns
    -------
    FilmResult

    Raises
    ------
    CapacityError, FilmError, TargetError, PrecisionError
        If a value makes no sense.
    TooLarge
        If the study would run for hours.
    """
    tables, curves = film_curves(
        config, factors=factors, stiffness=stiffness, closures=closures, machine=machine
    )
    settings = list(all_settings(config, curves))
    limits: tuple[Limit, ...] = ()
    shortfalls: Sequence[Shortfall] = ()
    simulated = 0
    if targets:
        refuse_unjudgeable(targets, settings[0].cell)
        study = config.study
        refuse_absurd([setting.cell for setting in settings], study.replications, work)
        with Shifts(study.seed, work) as shifts:
            judge = Judge(
                shifts,
                targets,
                confidence=study.confidence,
                first=study.replications,
                budget=budget,
                tables=None if machine is None else [machine],
            )
            judge.decide([each for curve in curves for each in curve.settings.values()])
            limits = tuple(limit_of(judge, config, curve) for curve in curves)
            drawn = _drawn_replications(limits, len(settings), study.replications)
            results = shifts.results(settings, drawn, study.confidence)
            simulated = shifts.simulated
    else:
        results, shortfalls = simulate_settings(config, settings, work, precision)
        simulated = results.replications * len(settings)
    rows = rows_of(results)
    return FilmResult(
        config,
        tuple(targets),
        machine,
        tables,
        curves,
        limits,
        list(costs_of(curves, results, rows)),
        results,
        rows,
        shortfalls,
        simulated,
    )


def _drawn_replications(limits: Sequence[Limit], settings: int, first: int) -> int:
    """Shifts of the curves: like those of the closest decision, as far as that is bearable."""
    most = max(found.replications for limit in limits for found in limit.tried.values())
    return max(first, min(most, CURVE_SHIFTS // settings))
