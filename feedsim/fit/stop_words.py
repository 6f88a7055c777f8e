"""Fitted stops in words: the answer, and what a reader must know of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from feedsim.fit.alike import AFTER, Comparison
from feedsim.fit.goodness import LEAST_EVENTS
from feedsim.fit.stops import (
    LEAST_SURE,
    LEVEL,
    TOLD,
    FittedStation,
    FittedTime,
    StopsResult,
    is_coarse,
)

MOST_NAMED = 4
LEAST_P = 1e-6
PURPOSES = {"between_stops": "times between stops", "stop": "stop lengths"}
BELIEVED_HALF = 0.5


def unit_of(value_s: float) -> tuple[str, float]:
    """The unit that suits a time, and its size in seconds."""
    if value_s < 90:
        return "s", 1.0
    return ("min", 60.0) if value_s < 120 * 60 else ("h", 3600.0)


def length(value_s: float) -> str:
    """A time in the unit that suits it: "45 s", "12.3 min", "4.1 h"."""
    if not math.isfinite(value_s):
        return "no limit"
    unit, size_s = unit_of(value_s)
    return f"{value_s / size_s:.3g} {unit}"


def p_text(p_value: float) -> str:
    """A p-value: "0.012", "0.3", "below 1e-6"."""
    if math.isnan(p_value):
        return "-"
    return f"{p_value:.2g}" if p_value >= LEAST_P else f"below {LEAST_P:g}"


def answer(result: StopsResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    whose = "The machine" if result.machines == 1 else f"Of {result.machines} machines each"
    if result.machine:
        whose = f"{result.machine!r}"
    per_h = result.stops / (result.running_s / 3600) if result.running_s else math.nan
    windows = "one window" if result.windows == 1 else f"{result.windows:,} windows"
    yield (
        f"{whose} stopped {result.stops:,} times in {result.running_s / 3600:,.1f} h of running "
        f"({windows}): {per_h:.2g} stops per running hour."
    )
    worst = max(result.stations, key=lambda each: each.length.mean_s / each.between.mean_s)
    yield (
        f"Most time goes to {worst.name!r}: one stop in {length(worst.between.mean_s)} of "
        f"running, {length(worst.length.mean_s)} long on average."
    )
    carried = [time.family is not None for station in result.stations for time in station.times]
    if all(carried):
        yield "A family of distributions carries every time of every station."
    else:
        which = [
            f"{station.name} ({' and '.join(PURPOSES[p] for p in uncarried)})"
            for station in result.stations
            if (uncarried := [t.purpose for t in station.times if t.family is None])
        ]
        yield (
            f"No family carries {_listed(which)}: there the station takes the times of the log "
            "themselves."
        )
    parted = {s.reason: s.parting_s for s in result.stations if s.parting_s is not None}
    for reason, parting_s in parted.items():
        yield (
            f"{reason!r} is parted at {length(parting_s or 0)} into short and long stops, two "
            "stations."
        )
    yield from _of_change(result.stations)


def _of_change(stations: Sequence[FittedStation]) -> Iterator[str]:
    """What differs after a change; nothing where none was stated."""
    compared = [(station, each) for station in stations for each in station.change]
    if not compared:
        return
    told = [
        f"{station.name} {_how(each, AFTER)}"
        for station, each in compared
        if each.is_judged and each.test.p_value < TOLD
    ]
    if told:
        yield f"After the change {_listed(told)} than before."
    else:
        yield "No time is shown to differ after the change from before it."
    few = [s.name for s, each in compared if not each.is_judged]
    if few:
        names = _listed(list(dict.fromkeys(few)))
        yield f"Before or after the change {names} has too few stops to tell."


def _how(found: Comparison, name: str) -> str:
    """How a group differs: "stops more often (34 stops, 21 if alike; p = 0.003)"."""
    at = found.names.index(name)
    seen, expected = float(found.test.seen[at]), float(found.test.expected[at])
    often, longer = ("more", "shorter") if seen > expected else ("less", "longer")
    what = f"stops {often} often" if found.purpose == "between_stops" else f"has {longer} stops"
    return (
        f"{what} ({seen:,.0f} seen, {expected:,.1f} if alike; log-rank test, p = "
        f"{p_text(found.test.p_value)})"
    )


def warnings_of(result: StopsResult) -> Iterator[str]:
    """What a reader must know of the fits."""
    if result.machines > 1:
        yield f"The {result.machines} machines are taken as alike; their stops are put together."
    for reason, why in result.left_out:
        yield f"{reason!r} gives no station: it {why}."
    yield from _few(result.stations)
    for station in result.stations:
        yield from _of_trend(station)
        yield from _of_clusters(station)
        yield from _of_machines(station)
        yield from _of_cuts(station)
        yield from _of_parts(station)
    yield from _wide(result.stations)
    yield from _coarse(result)
    yield (
        "Lengths of stops hold the wait for an operator where the log does: a station with "
        "needs_operator = true would wait again."
    )


def _few(stations: Sequence[FittedStation]) -> Iterator[str]:
    few = [s.name for s in stations if min(t.data.events for t in s.times) < LEAST_EVENTS]
    if few:
        yield (
            f"{_listed(few)}: fewer than {LEAST_EVENTS} times were seen, too few to tell a family; "
            "exponential was assumed."
        )
    some = [
        s.name for s in stations if LEAST_EVENTS <= min(t.data.events for t in s.times) < LEAST_SURE
    ]
    if some:
        yield (
            f"{_listed(some)}: with fewer than {LEAST_SURE} times a test of fit rejects little; "
            "the family is not shown to be right."
        )


def _of_trend(station: FittedStation) -> Iterator[str]:
    found = station.trend
    if found is not None and found.p_renewal < TOLD:
        which = "more" if found.laplace > 0 else "less"
        yield (
            f"{station.name}: stops become {which} frequent over the log (Laplace "
            f"{found.laplace:+.2f}, p = {p_text(found.p_laplace)}; over the cv of the times "
            f"{found.renewal:+.2f}, p = {p_text(found.p_renewal)}); one distribution for all of "
            "it is an average."
        )


def _of_clusters(station: FittedStation) -> Iterator[str]:
    found = station.clustering
    if found is None or not found.p_value < TOLD:
        return
    told = []
    if found.p_neighbours < TOLD:
        told.append(
            f"short times follow short ones (rank correlation {found.neighbours:+.2f}, p = "
            f"{p_text(found.p_neighbours)})"
        )
    if found.p_dispersion < TOLD:
        told.append(
            f"windows differ more than chance (index of dispersion {found.dispersion:.2f}, p = "
            f"{p_text(found.p_dispersion)})"
        )
    yield (
        f"{station.name}: stops cluster: {' and '.join(told)}. The model draws times "
        "independently: its bad hours are not as bad as the plant's."
    )


def _of_machines(station: FittedStation) -> Iterator[str]:
    """Machines that are taken as alike, and are not."""
    for found in station.machines:
        if found.is_judged and found.test.p_value < TOLD:
            farthest = max(found.ratios, key=lambda name: _away(found.ratios[name]))
            yield (
                f"{station.name}: the machines are not alike in their {PURPOSES[found.purpose]}: "
                f"{farthest!r} {_how(found, farthest)}; one distribution for all is an average."
            )


def _away(ratio: float) -> float:
    return abs(math.log(ratio)) if ratio > 0 else math.inf


def _of_cuts(station: FittedStation) -> Iterator[str]:
    stops = station.stops
    told = [
        f"{number:,} {what}"
        for number, what in (
            (stops.without_time, f"without a length ({_without(station)})"),
            (stops.at_start, "at their window's start (no running time before them)"),
            (len(stops.stops) - len(stops.began), "begun before their window (not counted)"),
            (station.length.data.censored, "cut off by their window's end (censored)"),
        )
        if number
    ]
    if told:
        yield f"{station.name}, of {len(stops.stops):,} stops: {'; '.join(told)}."


def _without(station: FittedStation) -> str:
    if station.length.data.told_none:
        return "fitted as shorter than a step of the clock"
    return "not in the lengths"


def _of_parts(station: FittedStation) -> Iterator[str]:
    if station.part == "short" and station.length.family is not None:
        fit = station.length.family.fit
        beyond = float(fit.survival(np.array([station.parting_s or math.inf]))[0])
        if beyond > 0.01:
            yield (
                f"{station.name}: its family puts {100 * beyond:.1f} % of its stops beyond the "
                f"{length(station.parting_s or 0)} that part them."
            )


def _wide(stations: Sequence[FittedStation]) -> Iterator[str]:
    """Means that lie far beyond what was seen."""
    for station in stations:
        for time in station.times:
            if _is_beyond(time):
                yield (
                    f"{station.name}: the mean of its {PURPOSES[time.purpose]} rests on the "
                    "family beyond the longest time seen: look at its interval."
                )


def _coarse(result: StopsResult) -> Iterator[str]:
    """Times that the log's clock hardly tells apart."""
    coarse = [
        (f"{station.name} ({PURPOSES[time.purpose]})", time.data.step_s > 0)
        for station in result.stations
        for time in station.times
        if is_coarse(time.data, result.step_s)
    ]
    for is_allowed_for, what in (
        (
            True,
            "The fits allow for it: a length may be up to a step shorter or longer than it is "
            "told, and stops told as none are shorter than a step.",
        ),
        (
            False,
            "The tests allow for it, the parameters are those of the times as written.",
        ),
    ):
        names = [name for name, is_allowed in coarse if is_allowed == is_allowed_for]
        if names:
            yield (
                f"{_listed(names)}: the log tells times in steps of {length(result.step_s)}, "
                f"coarse for so short ones. {what}"
            )


def _is_beyond(time: FittedTime) -> bool:
    """Whether much of the mean comes from times longer than any that was seen."""
    family = time.family
    if family is None:
        return False
    return float(family.fit.mean_s) > float(time.data.times_s.max()) * BELIEVED_HALF


def rules() -> str:
    """How a family is chosen, in words."""
    return (
        f"taken: of the families that the times do not contradict (p > {LEVEL:g}) the likeliest "
        "(BIC; about as good: the first listed)"
    )


def _listed(names: Sequence[str]) -> str:
    if len(names) > MOST_NAMED:
        return f"{', '.join(names[:MOST_NAMED])} and {len(names) - MOST_NAMED} more"
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
