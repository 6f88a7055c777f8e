"""Stations from a stop log: a distribution for the running time between stops, and for the stop.

Reason by reason three families are fitted to either time. Of those that the times do not
contradict the likeliest is taken; where none is left the times themselves are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.config.declare import NAME_CHARACTERS, state_of
from feedsim.config.sense import BUILT_IN_STATES, state_problem
from feedsim.config.times import Family
from feedsim.fit.alike import Comparison, Purpose, by_change, by_machine, compare
from feedsim.fit.families import FAMILIES, FamilyFit, FitError, fit_family
from feedsim.fit.goodness import LEAST_EVENTS, SAMPLES, CutAsSeen, DrawSample, Goodness, judge
from feedsim.fit.profile import exact_mean_interval, interval
from feedsim.fit.running_time import ReasonStops, resolution_s, stops_by_reason
from feedsim.fit.survival import CensoredTimes, equally_likely
from feedsim.fit.trend import Clustering, Trend, clustering, trend
from feedsim.fit.two_kinds import TwoKinds, fit_two_kinds
from feedsim.logs import EventLog
from feedsim.logs.layout import STATES
from feedsim.mistakes import Mistake
from feedsim.shown import Shown
from feedsim.stats import Floats
from feedsim.streams import Streams

if TYPE_CHECKING:
    import pandas as pd

BETWEEN: Purpose = "between_stops"
LENGTH: Purpose = "stop"
EMPIRICAL: Family = "empirical"
LEVEL = 0.05
# Schwarz's criterion: within this of the best, the family that stands first is taken.
AS_GOOD = 2.0
# From here on the evidence for two kinds is very strong (Kass and Raftery 1995, from memory).
TWO_KINDS_GAIN = 10.0
LEAST_SIDE = 10
# With fewer samples no p-value is as small as 0.05.
LEAST_SAMPLES = 19
LEAST_SURE = 20
SEED = 1
# A clock's step over the median time, from which on times are too coarse to be taken as they are.
COARSE = 0.2
# Of each test; the trend and clustering of a reason are told below this.
TOLD = 0.05


class StopsError(Mistake):
    """A log, or a question to it, from which no stations can be fitted."""


@dataclass(frozen=True, eq=False)
class FittedFamily:
    """A family with the intervals of its parameters and how well it carries the times.

    Attributes
    ----------
    fit : FamilyFit
    mean_s : pair of float
        Likelihood-ratio interval of the mean, s.
    form : pair of float or None
        That of shape or cv.
    goodness : Goodness or None
        None where there are too few events to judge.
    """

    fit: FamilyFit
    mean_s: tuple[float, float]
    form: tuple[float, float] | None
    goodness: Goodness | None

    @property
    def carries(self) -> bool:
        """Whether the times do not contradict it."""
        return self.goodness is None or self.goodness.p_value > LEVEL


@dataclass(frozen=True, eq=False)
class FittedTime:
    """One time of a station: its families and which of them is taken.

    Attributes
    ----------
    purpose : {"between_stops", "stop"}
    data : CensoredTimes
    families : tuple of FittedFamily
        In the fixed order of `FAMILIES`, those that could be fitted.
    chosen : str
        A family, or empirical.
    """

    purpose: Purpose
    data: CensoredTimes
    families: tuple[FittedFamily, ...]
    chosen: str

    @property
    def family(self) -> FittedFamily | None:
        """The family that is taken; None where the times themselves are."""
        return next((f for f in self.families if f.fit.family == self.chosen), None)

    @cached_property
    def values_s(self) -> Floats:
        """Times drawn alike often, as an empirical time has them, s."""
        return equally_likely(self.data)

    @property
    def mean_s(self) -> float:
        """Mean of what is taken, s."""
        family = self.family
        return float(self.values_s.mean()) if family is None else family.fit.mean_s

    def table(self) -> dict[str, Any]:
        """The time as plain values of a config."""
        family = self.family
        if family is None:
            return {"family": EMPIRICAL, "values_s": [float(value) for value in self.values_s]}
        table = family.fit.spread.table()
        assert isinstance(table, dict)
        return table


@dataclass(frozen=True, eq=False)
class FittedStation:
    """A station of the model, fitted.

    Attributes
    ----------
    name : str
    reason : str
        Of the log.
    part : {"", "short", "long"}
    parting_s : float or None
        The length that parts short from long, s.
    stops : ReasonStops
    between, length : FittedTime
    trend : Trend or None
    clustering : Clustering or None
    machines : tuple of Comparison
        Machine against machine, where several are fitted as one.
    change : tuple of Comparison
        Before a change against after it, where one was stated.
    """

    name: str
    reason: str
    part: str
    parting_s: float | None
    stops: ReasonStops
    between: FittedTime
    length: FittedTime
    trend: Trend | None
    clustering: Clustering | None
    machines: tuple[Comparison, ...] = ()
    change: tuple[Comparison, ...] = ()

    @property
    def times(self) -> tuple[FittedTime, FittedTime]:
        """Between stops, and the stop."""
        return self.between, self.length


@dataclass(frozen=True, eq=False)
class StopsResult(Shown):
    """Stations fitted to a log.

    Attributes
    ----------
    stations : tuple of FittedStation
        Those that cost most first.
    machine : str or None
        Whose; None: of all machines as if alike.
    machines, windows, stops : int
        How many there were.
    running_s : float
        Running time of all windows, s.
    left_out : tuple of (reason, why)
        Reasons that give no station.
    confidence : float
        Of the intervals.
    step_s : float
        Resolution of the log's times, s.
    """

    stations: tuple[FittedStation, ...]
    machine: str | None
    machines: int
    windows: int
    stops: int
    running_s: float
    left_out: tuple[tuple[str, str], ...]
    confidence: float
    step_s: float

    def warnings(self) -> list[str]:
        """What a reader must know of the fits."""
        from feedsim.fit.stop_words import warnings_of

        return list(warnings_of(self))

    def frame(self) -> pd.DataFrame:
        """A row for each station, time and family; the one taken is marked.

        Lengths in s; an interval without a limit has an empty cell.
        """
        import pandas as pd

        rows = [
            _row(station, time, found, self.confidence)
            for station in self.stations
            for time in station.times
            for found in time.families
        ]
        return pd.DataFrame(rows)

    def __repr__(self) -> str:
        return (
            f"StopsResult({len(self.stations)} stations of {self.stops:,} stops in "
            f"{self.running_s / 3600:,.1f} h of running)"
        )

    def answer_json(self) -> list[dict[str, Any]]:
        """The command's part of the JSON document."""
        return [_station_json(station) for station in self.stations]


def fit_stops(
    log: EventLog,
    machine: str | None = None,
    reasons: Sequence[str] = (),
    *,
    confidence: float = 0.95,
    samples: int = SAMPLES,
    split: bool | float = True,
    changed_us: int | None = None,
    seed: int = SEED,
) -> StopsResult:
    """Fit the stations of a machine to its event log.

    Parameters
    ----------
    log : EventLog
    machine : str, optional
        One of the log's machines; by default all of them as if alike.
    reasons : sequence of str
        Only these; by default all.
    confidence : float
        Of the intervals.
    samples : int
        Of each bootstrap and simulation, at least 19.
    split : bool or float
        Whether short and long stops become two stations where no family carries both; a number
        parts them at that length (s) in any case.
    changed_us : int, optional
        An instant (us, as the log's) at which something was changed: what lies before it is
        compared with what lies after it.
    seed : int
        Of the bootstraps.

    Returns
    -------
    StopsResult

    Raises
    ------
    StopsError
        If there is nothing to fit, or samples are too few.

    Notes
    -----
    Where the log's clock is coarse beside the lengths of a reason (a step is more than a fifth of
    their median), their families are fitted by the likelihood of what such a clock tells
    (`rounded`); times between stops are always taken as they are.
    """
    if samples < LEAST_SAMPLES:
        raise StopsError(f"samples: is {samples}, allowed: at least {LEAST_SAMPLES}")
    found = _stops_asked_for(log, machine, reasons)
    if changed_us is not None:
        _refuse_change(found, log, changed_us)
    step_s = resolution_s(log)
    fitter = _Fitter(samples, confidence, split, seed, step_s, changed_us)
    stations: list[FittedStation] = []
    left_out: list[tuple[str, str]] = []
    for each in found:
        if reasons and each.reason not in reasons:
            continue
        state = log.state_of(each.reason)
        if state in STATES:
            left_out.append((each.reason, f"is {state}, which the model makes itself"))
        elif not each.lengths.events:
            left_out.append((each.reason, "has no stop whose whole length was seen"))
        elif not each.between.data.events:
            left_out.append((each.reason, "has no running time between stops"))
        else:
            taken = [station.name for station in stations]
            stations += fitter.stations_of(each, taken)
    if not stations:
        why = "; ".join(f"{reason} {what}" for reason, what in left_out) or "it has no stops"
        raise StopsError(f"{log.file}: no station can be fitted: {why}")
    some = found[0]
    return StopsResult(
        stations=tuple(stations),
        machine=machine,
        machines=1 if machine is not None else len(log.machines),
        windows=len(some.running_s),
        stops=sum(len(each.stops) for each in found),
        running_s=sum(some.running_s),
        left_out=tuple(left_out),
        confidence=confidence,
        step_s=step_s,
    )


def _stops_asked_for(
    log: EventLog, machine: str | None, reasons: Sequence[str]
) -> list[ReasonStops]:
    """Stops of all reasons, where the log has the machine and the reasons that are named."""
    if machine is not None and machine not in log.machines:
        raise StopsError(
            f"--of-machine: {log.file} has no machine {machine!r}, allowed: "
            f"{', '.join(filter(None, log.machines)) or 'all'}"
        )
    found = stops_by_reason(log, machine)
    known = [each.reason for each in found]
    for reason in reasons:
        if reason not in known:
            raise StopsError(
                f"--only: no stop of reason {reason!r} lies in a window, allowed: "
                f"{', '.join(known[:12])}"
            )
    return found


def _refuse_change(found: Sequence[ReasonStops], log: EventLog, changed_us: int) -> None:
    """Refuse an instant with no whole window on one of its sides."""
    for side, numbers in (by_change(found[0], changed_us) if found else {}).items():
        if not numbers:
            raise StopsError(
                f"--changed: no whole window of {log.file} lies {side} "
                f"{log.zone.text_of(changed_us)}, allowed: an instant between its windows"
            )


@dataclass(frozen=True)
class _Fitter:
    samples: int
    confidence: float
    split: bool | float
    seed: int
    step_s: float
    changed_us: int | None = None

    def stations_of(self, stops: ReasonStops, taken: Sequence[str]) -> Iterator[FittedStation]:
        """One station of a reason, or a short and a long one."""
        name = station_name(stops.reason, taken)
        forced = not isinstance(self.split, bool)
        if forced:
            parting_s: float | None = float(self.split)
            whole = None
        else:
            whole = self._length(stops, name)
            parting_s = self._parting(whole) if self.split else None
        sides = None if parting_s is None else self._sides(stops, parting_s, name, taken)
        if sides is not None and (forced or any(s.length.family is not None for s in sides)):
            yield from sides
            return
        if whole is None:
            whole = self._length(stops, name)
        yield self._station(name, stops, whole)

    def _parting(self, whole: FittedTime) -> float | None:
        """Where to part the lengths that no family carries, if there are two kinds."""
        if whole.family is not None or whole.data.events < 2 * LEAST_SIDE:
            return None
        two = fit_two_kinds(whole.data)
        if two is None or not _is_better(two, whole):
            return None
        return two.parting_s

    def _sides(
        self, stops: ReasonStops, parting_s: float, name: str, taken: Sequence[str]
    ) -> list[FittedStation] | None:
        """The short and the long station, None where one of them would have too few stops."""
        parts = {"short": stops.part(0.0, parting_s), "long": stops.part(parting_s, math.inf)}
        if any(
            min(part.lengths.events, part.between.data.events) < LEAST_SIDE
            for part in parts.values()
        ):
            return None
        stations: list[FittedStation] = []
        for kind, part in parts.items():
            others = [*taken, *(station.name for station in stations)]
            own = station_name(name, others, kind)
            length = self._length(part, own)
            station = self._station(own, part, length)
            stations.append(replace(station, part=kind, parting_s=parting_s))
        return stations

    def _station(self, name: str, stops: ReasonStops, length: FittedTime) -> FittedStation:
        between = stops.between
        machines, changed_us = by_machine(stops), self.changed_us
        return FittedStation(
            name=name,
            reason=stops.reason,
            part="",
            parting_s=None,
            stops=stops,
            between=self._time(BETWEEN, between.data, between, name),
            length=length,
            trend=trend(between),
            clustering=clustering(between, self._luck("clusters", name), self.samples),
            machines=tuple(compare(stops, machines)) if len(machines) > 1 else (),
            change=()
            if changed_us is None
            else tuple(compare(stops, by_change(stops, changed_us))),
        )

    def _length(self, stops: ReasonStops, name: str) -> FittedTime:
        """The lengths; where the clock is coarse beside them, as such a clock tells them."""
        data = stops.lengths
        if is_coarse(data, self.step_s):
            told = replace(data, step_s=self.step_s, told_none=stops.without_time)
            try:
                for family in FAMILIES:
                    fit_family(family, told)
            except FitError:
                pass  # two or three steps may be all that was told: then they are taken as they are
            else:
                data = told
        return self._time(LENGTH, data, CutAsSeen(data), name)

    def _time(
        self, purpose: Purpose, data: CensoredTimes, draw: DrawSample, name: str
    ) -> FittedTime:
        families = []
        for family in FAMILIES:
            try:
                fit = fit_family(family, data)
            except FitError:
                continue
            # A second parameter of a handful of times is no more than their accident.
            if data.events < LEAST_EVENTS and fit.parameters > 1:
                continue
            families.append(self._fitted(fit, purpose, draw, self._luck(purpose, name, family)))
        return FittedTime(purpose, data, tuple(families), _chosen(families))

    def _fitted(
        self, fit: FamilyFit, purpose: Purpose, draw: DrawSample, rng: np.random.Generator
    ) -> FittedFamily:
        if fit.form is None and fit.data.events < LEAST_EVENTS:
            # Running times are watched until the windows end, lengths until the stops do.
            mean_s = exact_mean_interval(
                fit.data.total_s,
                fit.data.events,
                self.confidence,
                ended_by_time=purpose == BETWEEN,
            )
        else:
            mean_s = interval(fit, "mean", self.confidence)
        form = None if fit.form is None else interval(fit, "form", self.confidence)
        enough = fit.data.events >= LEAST_EVENTS
        goodness = judge(fit, draw, rng, self.samples, self.step_s) if enough else None
        return FittedFamily(fit, mean_s, form, goodness)

    def _luck(self, *parts: str) -> np.random.Generator:
        return Streams(self.seed, 1).named("fit stops", *parts).generator


def is_coarse(data: CensoredTimes, step_s: float) -> bool:
    """Whether a clock with such steps, s, hardly tells times apart."""
    return bool(step_s > COARSE * float(np.median(data.times_s)))


def _is_better(two: TwoKinds, whole: FittedTime) -> bool:
    return all(two.bic + TWO_KINDS_GAIN <= found.fit.bic for found in whole.families)


def _chosen(families: Sequence[FittedFamily]) -> str:
    """The first family that is about as likely as the likeliest of those that carry the times."""
    carrying = [each for each in families if each.carries and each.fit.is_usable]
    if not carrying:
        return EMPIRICAL
    best = min(each.fit.bic for each in carrying)
    return next(each.fit.family for each in carrying if each.fit.bic <= best + AS_GOOD)


def station_name(reason: str, taken: Sequence[str], part: str = "") -> str:
    """A name that a config takes for a reason, with a state of its own.

    Parameters
    ----------
    reason : str
        May hold anything.
    taken : sequence of str
        Names of other stations.
    part : str
        Which stops of the reason, where it makes two stations: ends the name.
    """
    plain = "".join(c if c.isprintable() and c != "/" else " " for c in reason)
    plain = " ".join(plain.split())[: NAME_CHARACTERS - 12 - len(part)].strip() or "stop"
    if state_of(plain) in BUILT_IN_STATES:
        plain = f"{plain} stop"
    elif state_problem(state_of(plain), "inline"):
        plain = f"stop {plain}"
    plain = f"{plain} {part}".rstrip()
    states = {state_of(name) for name in taken}
    name, number = plain, 2
    while state_of(name) in states:
        name, number = f"{plain} {number}", number + 1
    return name


def _row(
    station: FittedStation, time: FittedTime, found: FittedFamily, confidence: float
) -> dict[str, Any]:
    fit = found.fit
    form_low, form_high = found.form or (math.nan, math.nan)
    mean_low, mean_high = (_or_nan(end) for end in found.mean_s)
    return {
        "station": station.name,
        "time": time.purpose,
        "family": fit.family,
        "taken": fit.family == time.chosen,
        "stops": time.data.events,
        "censored": time.data.censored,
        "mean_s": fit.mean_s,
        "mean_s_low": mean_low,
        "mean_s_high": mean_high,
        "form": fit.form_name or "",
        "form_value": math.nan if fit.form is None else fit.form,
        "form_low": _or_nan(form_low),
        "form_high": _or_nan(form_high),
        "confidence": confidence,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
        "bic": fit.bic,
        "anderson_darling": math.nan if found.goodness is None else found.goodness.distance,
        "p_value": math.nan if found.goodness is None else found.goodness.p_value,
    }


def _or_nan(value: float) -> float:
    return value if math.isfinite(value) else math.nan


def _none(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _station_json(station: FittedStation) -> dict[str, Any]:
    document: dict[str, Any] = {
        "station": station.name,
        "reason": station.reason,
        "part": station.part or None,
        "parting_s": station.parting_s,
        "stops": len(station.stops.stops),
    }
    for time in station.times:
        document[time.purpose] = {
            "family": time.chosen,
            "mean_s": time.mean_s,
            "events": time.data.events,
            "censored": time.data.censored,
            "step_s": time.data.step_s or None,
            "families": [_family_json(found) for found in time.families],
        }
    document["trend"] = _figures(station.trend, "laplace", "p_laplace", "renewal", "p_renewal")
    document["clustering"] = _figures(
        station.clustering, "neighbours", "p_neighbours", "dispersion", "p_dispersion"
    )
    document["machines"] = [_comparison_json(each) for each in station.machines]
    document["change"] = [_comparison_json(each) for each in station.change]
    return document


def _comparison_json(found: Comparison) -> dict[str, Any]:
    return {
        "time": found.purpose,
        "log_rank": found.test.statistic,
        "degrees": found.test.degrees,
        "p": found.test.p_value,
        "judged": found.is_judged,
        "groups": [
            {"name": name, "events": data.events, "expected": float(expected)}
            for name, data, expected in zip(
                found.names, found.data, found.test.expected, strict=True
            )
        ],
    }


def _figures(found: Any, *names: str) -> dict[str, float | None] | None:
    return None if found is None else {name: _none(getattr(found, name)) for name in names}


def _family_json(found: FittedFamily) -> dict[str, Any]:
    fit = found.fit
    document: dict[str, Any] = {
        "family": fit.family,
        "mean_s": {"value": fit.mean_s, "low": found.mean_s[0], "high": _none(found.mean_s[1])},
    }
    if fit.form_name is not None and found.form is not None:
        low, high = (_none(end) for end in found.form)
        document[fit.form_name] = {"value": fit.form, "low": low, "high": high}
    goodness = found.goodness
    return document | {
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
        "bic": fit.bic,
        "anderson_darling": None if goodness is None else goodness.distance,
        "p_value": None if goodness is None else goodness.p_value,
    }
