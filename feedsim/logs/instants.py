"""Instants: how a file writes them, and what they are in time.

An instant is whole microseconds since 1970-01-01. With a zone, or with offsets in the file, it is
of UTC, and hours that a clock change brings twice or leaves out are told; without either it is of
the log's own clock.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from feedsim.logs.findings import LogError, shown

US = timedelta(microseconds=1)
EPOCH = datetime(1970, 1, 1)
FIRST, LAST = datetime(1980, 1, 1), datetime(2100, 1, 1)
LEAST_PROOFS = 5

_CLOCK = (
    r"(?P<H>\d\d?):(?P<M>\d\d)(?::(?P<S>\d\d)(?:[.,](?P<f>\d{1,9}))?)?(?: ?(?P<half>[AaPp])[Mm])?"
)
_OFFSET = r"(?: ?(?P<off>[Zz]|[+-]\d\d(?::?\d\d)?))?"
_DAYS = {
    "year-month-day": r"(?P<y>\d{4})-(?P<m>\d\d)-(?P<d>\d\d)",
    "year/month/day": r"(?P<y>\d{4})/(?P<m>\d\d?)/(?P<d>\d\d?)",
    "day.month.year": r"(?P<d>\d\d?)\.(?P<m>\d\d?)\.(?P<y>\d{4})",
    "day/month/year": r"(?P<d>\d\d?)/(?P<m>\d\d?)/(?P<y>\d{4})",
    "month/day/year": r"(?P<m>\d\d?)/(?P<d>\d\d?)/(?P<y>\d{4})",
}
_PATTERNS = {name: re.compile(f"{day}(?:[Tt]| +){_CLOCK}{_OFFSET}") for name, day in _DAYS.items()}
_SLASHED = ("day/month/year", "month/day/year")
TIME_OF_DAY = re.compile(_CLOCK)


@dataclass(frozen=True, slots=True)
class Written:
    """A time as written: on the clock, with its offset from UTC or none."""

    clock: datetime
    offset: timedelta | None = None
    coarse: bool = False


class TimeFormat:
    """How a file writes its times; one way for all of it.

    Parameters
    ----------
    file : str
        For messages.
    texts : sequence of (int, str)
        Lines and times of the file.
    told : str, optional
        A format of strptime.

    Raises
    ------
    LogError
        If the format is none, none of the times can be read, or day and month cannot be told
        apart.
    """

    def __init__(self, file: str, texts: Sequence[tuple[int, str]], told: str | None = None):
        if told is not None and (wrong := time_format_problem(told)):
            raise LogError(f"--time-format: {wrong}")
        self.told = told
        self._read_before: dict[str, Written | None] = {}
        self.name = told or _format_of(file, texts)
        if not any(self.read(text) for _, text in texts):
            line, text = texts[0]
            raise LogError(
                f"{file}:{line}: a time must be like 2025-03-30 14:05:09, is {shown(text)}, "
                "allowed: other ways with --time-format"
            )

    def read(self, text: str) -> Written | None:
        """A time as written, or None where it is none."""
        if text not in self._read_before:
            self._read_before[text] = self._read(text)
        return self._read_before[text]

    def _read(self, text: str) -> Written | None:
        if self.told is None:
            return _read(_PATTERNS[self.name], text)
        try:
            clock = datetime.strptime(text, self.told)
        except ValueError:
            return None
        offset = clock.utcoffset()
        return _sensible(Written(clock.replace(tzinfo=None), offset))


def _format_of(file: str, texts: Sequence[tuple[int, str]]) -> str:
    read_by: dict[str, set[int]] = {}
    for name, pattern in _PATTERNS.items():
        read_by[name] = {n for n, (_, text) in enumerate(texts) if _read(pattern, text)}
        if name not in _SLASHED and len(read_by[name]) == len(texts):
            return name
    best = max(read_by, key=lambda name: len(read_by[name]))
    if best in _SLASHED and read_by[best]:
        other = _SLASHED[best == _SLASHED[0]]
        proofs = len(read_by[best] - read_by[other])
        against = len(read_by[other] - read_by[best])
        if proofs < LEAST_PROOFS or 20 * against > proofs:
            line, text = next(entry for n, entry in enumerate(texts) if n in read_by[best])
            raise LogError(
                f"{file}:{line}: {shown(text)} could be day/month or month/day, allowed: "
                '--time-format "%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S"'
            )
    return best


def _read(pattern: re.Pattern[str], text: str) -> Written | None:
    found = pattern.fullmatch(text)
    if found is None:
        return None
    hour, second = int(found["H"]), found["S"]
    if found["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (found["half"] in "pP")
    extra = timedelta()
    if hour == 24 and int(found["M"]) == int(second or 0) == int(found["f"] or 0) == 0:
        hour, extra = 0, timedelta(days=1)
    try:
        clock = datetime(int(found["y"]), int(found["m"]), int(found["d"]), hour, int(found["M"]))
        clock += extra
        if second and int(second) > 59:
            return None
        clock += timedelta(seconds=int(second or 0), microseconds=_micro(found["f"]))
    except (ValueError, OverflowError):
        return None
    offset = _offset(found["off"])
    if found["off"] and offset is None:
        return None
    return _sensible(Written(clock, offset, second is None))


def _micro(fraction: str | None) -> int:
    """Microseconds of a fraction of a second, rounded once, halves to even."""
    return round(int((fraction or "0").ljust(9, "0")) / 1000)


def _offset(text: str | None) -> timedelta | None:
    if not text:
        return None
    if text in "Zz":
        return timedelta()
    digits = text[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        return None
    return timedelta(hours=hours, minutes=minutes) * (-1 if text[0] == "-" else 1)


def _sensible(written: Written) -> Written | None:
    return written if FIRST <= written.clock < LAST else None


def time_format_problem(told: str) -> str:
    """What is wrong with a format of strptime, or nothing."""
    try:
        datetime.strptime("", told)
    except re.error:
        reason = "a directive stands twice"
    except ValueError as error:
        if str(error).startswith("time data"):
            return ""
        reason = "no such directive"
    else:
        reason = "it reads nothing"
    return f"no format of strptime ({reason}), is {shown(told)}, allowed: like %d/%m/%Y %H:%M:%S"


def zone_problem(name: str) -> str:
    """What is wrong with the name of a time zone, or nothing."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return f"no such time zone, is {shown(name)}, allowed: an IANA name such as Europe/Berlin"
    return ""


class Zone:
    """From what is written to instants, and back to days.

    Parameters
    ----------
    name : str, optional
        An IANA name; without one, times without an offset stay on their own clock.

    Raises
    ------
    LogError
        If there is no such zone.
    """

    def __init__(self, name: str | None = None) -> None:
        self.name = name
        self._zone: ZoneInfo | None = None
        if name is not None:
            if wrong := zone_problem(name):
                raise LogError(f"--zone: {wrong}")
            self._zone = ZoneInfo(name)

    def instants_us(self, written: Written) -> tuple[int, ...]:
        """The instants that a time may be: one, or two in an hour that comes twice."""
        if written.offset is not None:
            return (_us(written.clock - written.offset),)
        if self._zone is None:
            return (_us(written.clock),)
        before, after = self._offsets(written.clock)
        if before > after:
            return _us(written.clock - before), _us(written.clock - after)
        return (_us(written.clock - before),)

    def leaves_out(self, written: Written) -> bool:
        """Whether the clock change leaves out this local time."""
        if written.offset is not None or self._zone is None:
            return False
        before, after = self._offsets(written.clock)
        return before < after

    def _offsets(self, clock: datetime) -> tuple[timedelta, timedelta]:
        """Offsets from UTC of a local time as before a clock change and as after it."""
        local = clock.replace(tzinfo=self._zone)
        none = timedelta()
        return local.utcoffset() or none, local.replace(fold=1).utcoffset() or none

    def clock_of(self, at_us: int) -> datetime:
        """What the clock shows at an instant."""
        shows = EPOCH + at_us * US
        if self._zone is None:
            return shows
        return shows.replace(tzinfo=UTC).astimezone(self._zone).replace(tzinfo=None)

    def day_of(self, at_us: int) -> date:
        """The day of an instant."""
        return self.clock_of(at_us).date()

    def midnight_after_us(self, at_us: int) -> int:
        """The instant at which the next day begins."""
        next_day = datetime.combine(self.day_of(at_us) + timedelta(days=1), datetime.min.time())
        return self.instants_us(Written(next_day))[0]

    def text_of(self, at_us: int) -> str:
        """An instant as people write it, with its offset where there is a zone."""
        if self._zone is None:
            return str(self.clock_of(at_us))
        there = (EPOCH + at_us * US).replace(tzinfo=UTC).astimezone(self._zone)
        return there.isoformat(sep=" ")


def _us(clock: datetime) -> int:
    return (clock - EPOCH) // US
