"""Events, states and instants in words."""

from __future__ import annotations

from collections.abc import Mapping

from feedsim.accounts.record import (
    BLOCKED,
    CHANGEOVER,
    DOUBLE,
    DRY,
    JAM,
    JAMMED,
    LANE_FAULT,
    MISSED,
    PLANNED_STOP,
    RESTARTING,
    RETRY,
    RUNNING,
    SKEWED,
    UNOPENED,
)
from feedsim.answers.events import (
    BEGINS,
    BUNDLE_IN,
    CALL,
    ENDS,
    OUTFEED_READY,
    OUTFEED_STOPS,
    OUTFEED_TAKES,
    PACK,
    SCRAPPED,
    STATE,
    TAKES,
    THROWN_AWAY,
    Event,
)
from feedsim.cell import MachinePlan

SECOND_US = 1_000_000
MINUTE_US, HOUR_US = 60 * SECOND_US, 3600 * SECOND_US

STATES = {
    RUNNING: "running",
    RETRY: "trying again",
    RESTARTING: "restarting",
    DRY: "dry: no bags",
    LANE_FAULT: "lane fault",
    JAM: "jam",
    BLOCKED: "blocked",
    CHANGEOVER: "changeover",
    PLANNED_STOP: "planned stop",
}
POCKETS = {
    MISSED: "missed: the pick took nothing, the pocket stays empty",
    DOUBLE: "double: more than one bag taken, the pocket is lost",
    UNOPENED: "unopened: the bag did not open, the pocket is lost",
    SKEWED: "skewed: filled, but closed badly, a reject",
    JAMMED: "jam: the bag is stuck, the pocket is lost",
}


def clock(at_us: int) -> str:
    """An instant as hours, minutes and whole seconds of the shift: 2:05:09."""
    minutes, seconds = divmod(at_us // SECOND_US, 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


def exact_clock(at_us: int) -> str:
    """An instant to the microsecond: 2:05:09.000250."""
    return f"{clock(at_us)}.{at_us % SECOND_US:06d}"


def lasting(length_us: int) -> str:
    """A length of time to about three digits: 42 s, 3.5 min, 1.25 h."""
    if length_us < 2 * MINUTE_US:
        return f"{length_us / SECOND_US:.3g} s"
    if length_us < 2 * HOUR_US:
        return f"{length_us / MINUTE_US:.3g} min"
    return f"{length_us / HOUR_US:.3g} h"


def state_names(plan: MachinePlan) -> dict[str, str]:
    """States of a machine, and of the stations behind it, in words."""
    return STATES | {station.state: f"{station.name} stopped" for station in plan.all_stations}


def in_words(event: Event, states: Mapping[str, str]) -> str:
    """What happened, in a line; who it happened to stands apart.

    Parameters
    ----------
    event : Event
    states : mapping of str to str
        The machine's states in words, from `state_names`.
    """
    what, detail = event.what, event.detail
    if what == PACK:
        again = f" ({detail})" if detail else ""
        return f"good pack{again}, a bag from {_lane(event)}"
    if what in POCKETS:
        return f"{POCKETS[what]}{f' ({detail})' if detail else ''}; {_lane(event)}"
    if what == STATE:
        return states.get(detail, detail)
    if what == CALL:
        return f"calls: {detail}"
    if what in (BUNDLE_IN, THROWN_AWAY):
        return f"{abs(event.bags or 0)} bags {_WAY[what]} {_lane(event)}"
    if what == SCRAPPED:
        return f"scrapped after the halt: {detail}"
    if what in (TAKES, BEGINS, ENDS):
        return f"{_WORK[what]} {detail}"
    if what in (OUTFEED_STOPS, OUTFEED_READY):
        after = "stops" if what == OUTFEED_STOPS else "ready again"
        station = states.get(detail, detail).removesuffix(" stopped")
        return f"behind the accumulation: {station} {after}"
    if what == OUTFEED_TAKES:
        return "the outfeed takes a pack from the accumulation"
    return f"{what}{f': {detail}' if detail else ''}"


_WAY = {BUNDLE_IN: "loaded into", THROWN_AWAY: "thrown away from"}
_WORK = {TAKES: "sets out to", BEGINS: "begins to", ENDS: "has ended:"}


def _lane(event: Event) -> str:
    return f"lane {event.lane} ({event.lane_bags} left)"
