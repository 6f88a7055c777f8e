"""Which column of a file is what: as told, else by obvious names."""

from __future__ import annotations

import re
from collections.abc import Iterable

from feedsim.logs.findings import LogError, listed, shown
from feedsim.logs.layout import Columns
from feedsim.logs.sheet import Sheet

# For each role its names, the plainest first.
NAMES = {
    "start": (
        *("start", "begin", "start_time", "begin_time", "started", "began", "start_at", "from"),
        *("stop_start", "downtime_start", "window_start", "run_start", "timestamp", "time"),
    ),
    "end": (
        *("end", "finish", "end_time", "finish_time", "ended", "finished", "end_at", "to", "until"),
        *("stop_end", "downtime_end", "window_end", "run_end", "restart", "stop"),
    ),
    "duration": (
        "duration",
        "length",
        "downtime",
        "stop_length",
        *("minutes", "seconds", "hours"),
    ),
    "date": ("date", "day"),
    "reason": (
        *("reason", "cause", "stop_reason", "fault", "downtime_reason", "state", "status"),
        *("category", "description", "message"),
    ),
    "machine": ("machine", "line", "asset", "equipment", "machine_name", "line_name", "station"),
    "good": ("good", "good_packs", "good_units", "good_count", "good_parts", "accepted"),
    "made": (
        *("made", "total", "produced", "made_packs", "packs", "units", "count", "output"),
        *("packs_made", "total_packs", "total_count", "quantity"),
    ),
    "rejected": (
        *("rejected", "rejects", "rejected_packs", "scrap", "reject", "reject_count", "bad"),
    ),
    "speed": ("speed", "speed_per_min", "packs_per_min", "ideal_speed", "rated_speed"),
}
_UNITS = {
    "us": ("us", "microseconds"),
    "ms": ("ms", "milliseconds"),
    "s": ("s", "sec", "secs", "second", "seconds"),
    "min": ("min", "mins", "minute", "minutes"),
    "h": ("h", "hr", "hrs", "hour", "hours"),
}


def plain(name: str) -> str:
    """A column's name in lower case with underscores."""
    return re.sub(r"\W+", "_", name.casefold()).strip("_")


def find_columns(sheet: Sheet, told: Columns, roles: Iterable[str], table: str) -> dict[str, int]:
    """Places of the columns that have a role.

    Parameters
    ----------
    sheet : Sheet
    told : Columns
        What the user says.
    roles : iterable of str
        Which to look for under their obvious names; those told are found in any case.
    table : str
        Of the layout, for messages.

    Raises
    ------
    LogError
        If a column told is not there, or its name stands there twice.
    """
    found: dict[str, int] = {}
    for role in NAMES:
        name = getattr(told, role)
        if name is not None:
            found[role] = _told(sheet, name, _key(table, role))
    names = [plain(name) for name in sheet.heading]
    for role in roles:
        if role in found:
            continue
        for place in _candidates(role, names):
            if place not in found.values():
                found[role] = place
                break
    return found


def _key(table: str, role: str) -> str:
    """A column's key in a layout, and its option."""
    prefix = "window-" if table == "windows" and role in ("start", "end", "machine") else ""
    return f"{table}.{role} (--{prefix}{role})"


def _candidates(role: str, names: list[str]) -> list[int]:
    places = [names.index(name) for name in NAMES[role] if names.count(name) == 1]
    if role == "duration":
        bare = [unit_in(name)[0] for name in names]
        places += [bare.index(n) for n in NAMES[role] if n in bare and bare.count(n) == 1]
    return places


def _told(sheet: Sheet, name: str, key: str) -> int:
    for same in (lambda a, b: a == b, lambda a, b: plain(a) == plain(b)):
        places = [n for n, column in enumerate(sheet.heading) if same(column, name.strip())]
        if len(places) == 1:
            return places[0]
        if places:
            raise LogError(
                f"{sheet.file}:{sheet.heading_line}: {key}: the heading has {shown(name)} "
                f"{len(places)} times, allowed: a name that stands there once"
            )
    raise LogError(
        f"{sheet.file}:{sheet.heading_line}: {key}: no such column, is {shown(name)}, allowed: "
        + listed(sheet.heading)
    )


def unit_in(name: str) -> tuple[str, str | None]:
    """A column's name without its unit, and the unit that it ends in."""
    words = plain(name).split("_")
    for unit, endings in _UNITS.items():
        if words[-1] in endings:
            return "_".join(words[:-1]) or words[-1], unit
    return plain(name), None
