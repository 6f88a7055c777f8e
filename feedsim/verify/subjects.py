"""The theory cases by subject."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from feedsim.verify import people, picks, refill, stops
from feedsim.verify.case import Case

SUBJECTS: Mapping[str, Callable[[], list[Case]]] = {
    "people": people.cases,
    "stops": stops.cases,
    "picks": picks.cases,
    "refill": refill.cases,
}


def all_cases() -> list[Case]:
    """All cases; those that look at the same shifts stand together."""
    return [case for cases in SUBJECTS.values() for case in cases()]
