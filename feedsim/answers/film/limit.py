"""How far along a curve the targets are kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, log

from feedsim.answers.film.curves import between
from feedsim.answers.film.varied import STIFFNESS, Curve
from feedsim.answers.targets import Evidence, Judge, last_met
from feedsim.config import Config

FINE = 1.03


@dataclass(frozen=True)
class Limit:
    """How far along a curve the targets are kept.

    Attributes
    ----------
    tried : mapping from factor or stiffness to Evidence
        In the curve's order.
    value : float or None
        The last factor or stiffness such that it and all before it keep the targets.
    fails_from : float or None
        The next one tried, which is not shown to; None where all do.
    without : Evidence or None
        Without any such miss, where even the first does not do.
    """

    tried: Mapping[float, Evidence]
    value: float | None
    fails_from: float | None
    without: Evidence | None = None

    @property
    def evidence(self) -> Evidence:
        """At the limit; where there is none, at the curve's best end."""
        return next(iter(self.tried.values())) if self.value is None else self.tried[self.value]


def limit_of(judge: Judge, config: Config, curve: Curve) -> Limit:
    """The last value of a curve that keeps the targets, between its neighbours by halving."""
    found = judge.decide(list(curve.settings.values()))
    tried = dict(zip(curve.settings, found, strict=True))
    holds = last_met(tried)
    fails = next((value for value in tried if not tried[value].is_met), None)
    if holds is None:
        without = None if curve.without is None else judge.decide([curve.without])[0]
        return Limit(tried, None, fails, without)
    while fails is not None and abs(log(fails / holds)) > log(FINE):
        middle = float(f"{exp((log(holds) + log(fails)) / 2):.4g}")
        tried[middle] = judge.decide([between(config, curve, middle)])[0]
        if tried[middle].is_met:
            holds = middle
        else:
            fails = middle
    ordered = sorted(tried, reverse=curve.kind == STIFFNESS)
    return Limit({value: tried[value] for value in ordered}, holds, fails)
