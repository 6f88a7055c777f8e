"""Production windows: from their own file, from rows that tell of running, or day by day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from feedsim.logs.findings import LogError, Notebook, shown
from feedsim.logs.instants import Zone
from feedsim.logs.layout import FASTEST_PER_MIN, SLOWEST_PER_MIN, Layout
from feedsim.logs.numbers import US_IN, Marks, read_count
from feedsim.logs.sheet import Row, Sheet
from feedsim.logs.spans import ALL_MACHINES, LoggedStop, ProductionWindow
from feedsim.logs.times import TimedRow
from feedsim.times import cycle_us

COUNTS = ("good", "made", "rejected")
GAP_US = 1_000_000
DAY_US = 24 * US_IN["h"]
MOST_DAYS = 10_000


@dataclass(frozen=True, slots=True)
class Counts:
    """What a row says was made; what it does not say is None."""

    good: int | None = None
    made: int | None = None
    rejected: int | None = None


class CountReader:
    """Reads the counts and the speed of rows, differences where they are counters' readings."""

    def __init__(self, sheet: Sheet, at: dict[str, int], layout: Layout, notes: Notebook) -> None:
        self._at = {role: at[role] for role in (*COUNTS, "speed") if role in at}
        self._notes = notes
        self._counters = layout.counters
        self._before: dict[tuple[str, str], int] = {}
        self._marks = {
            role: Marks((row.cells[place] for row in sheet.rows), layout.decimal)
            for role, place in self._at.items()
        }

    @property
    def has_counts(self) -> bool:
        """Whether the file has a column of counts."""
        return any(role in self._at for role in COUNTS)

    def read(self, row: Row, machine: str) -> Counts:
        """The counts of a row; rows come in order of time."""
        found = {role: self._count(row, role, machine) for role in COUNTS if role in self._at}
        return self._completed(row, Counts(**found))

    def _count(self, row: Row, role: str, machine: str) -> int | None:
        text = row.cells[self._at[role]]
        value = read_count(text, self._marks[role])
        if value is None:
            kind = "bad_count" if text else "no_count"
            self._notes.note(row.line, kind, f"{role} {shown(text)}" if text else role)
            return None
        if not self._counters:
            return value
        before = self._before.get((machine, role))
        self._before[machine, role] = value
        if before is None:
            self._notes.note(row.line, "first_reading", f"{role} {value:,}")
            return None
        if value < before:
            self._notes.note(row.line, "reset", f"{role} {before:,} before, {value:,} here")
            return value
        return value - before

    def _completed(self, row: Row, counts: Counts) -> Counts:
        """Two of good, made and rejected give the third."""
        good, made, rejected = counts.good, counts.made, counts.rejected
        if made is None and good is not None and rejected is not None:
            made = good + rejected
        elif rejected is None and good is not None and made is not None:
            rejected = made - good
        elif good is None and made is not None and rejected is not None:
            good = made - rejected
        wrong = any(count is not None and count < 0 for count in (good, made, rejected))
        if None not in (good, made, rejected):
            wrong = wrong or made != (good or 0) + (rejected or 0)
        if wrong:
            told = ", ".join(
                f"{role} {getattr(counts, role):,}"
                for role in COUNTS
                if getattr(counts, role) is not None
            )
            self._notes.note(row.line, "counts_disagree", told)
            return Counts()
        return Counts(good, made, rejected)

    def cycle(self, row: Row) -> int | None:
        """The cycle at the row's speed, in microseconds, or None where it is not told."""
        if "speed" not in self._at:
            return None
        text = row.cells[self._at["speed"]]
        speed = self._marks["speed"].read(text)
        # By its decimal text: as a binary fraction the least is a hair above what people write.
        if speed is None or not Decimal(str(SLOWEST_PER_MIN)) <= speed <= FASTEST_PER_MIN:
            self._notes.note(row.line, "bad_speed", shown(text))
            return None
        return cycle_us(float(speed))


def windows_of_file(
    rows: Iterable[TimedRow],
    machine_of: dict[int, str],
    counts: CountReader,
    cycle: int | None,
    notes: Notebook,
) -> list[ProductionWindow]:
    """Windows of a file, in order of time, none over another of the same machine.

    Parameters
    ----------
    rows : iterable of TimedRow
    machine_of : dict of line to machine
    counts : CountReader
    cycle : int or None
        Where the file has no speed, in microseconds.
    notes : Notebook
    """
    whole = []
    for timed in sorted(rows, key=lambda each: each.begin_us):
        line = timed.row.line
        if timed.end_us is None:
            notes.note(line, "no_end")
        elif timed.end_us < timed.begin_us:
            notes.note(line, "negative")
        elif timed.end_us == timed.begin_us:
            notes.note(line, "empty_window")
        else:
            machine = machine_of[line]
            made = counts.read(timed.row, machine)
            own_cycle = counts.cycle(timed.row)
            whole.append(
                ProductionWindow(
                    timed.begin_us,
                    timed.end_us,
                    machine,
                    made.good,
                    made.made,
                    made.rejected,
                    cycle if own_cycle is None else own_cycle,
                    line,
                )
            )
    return list(_apart(whole, notes))


def _apart(windows: Iterable[ProductionWindow], notes: Notebook) -> Iterator[ProductionWindow]:
    ends: dict[str, tuple[int, int]] = {}
    for window in windows:
        end_us, line = ends.get(window.machine, (window.begin_us, 0))
        if window.end_us <= end_us:
            notes.note(window.line, "window_within", f"line {line}")
            continue
        if window.begin_us < end_us:
            notes.note(window.line, "window_overlap", f"line {line}")
        ends[window.machine] = window.end_us, window.line
        yield replace(window, begin_us=max(window.begin_us, end_us))


def windows_of_rows(
    running: Sequence[LoggedStop],
    stops: Sequence[LoggedStop],
    counts: dict[int, Counts],
    cycle: int | None,
) -> list[ProductionWindow]:
    """Windows from a log that tells of running too: whatever its rows cover without a gap."""
    covered: dict[str, list[LoggedStop]] = defaultdict(list)
    for row in sorted((*running, *stops), key=lambda each: each.begin_us):
        covered[row.machine].append(row)
    windows: list[ProductionWindow] = []
    for machine, rows in covered.items():
        begin_us, end_us, line = rows[0].begin_us, rows[0].end_us, rows[0].line
        for row in rows[1:]:
            if row.begin_us > end_us + GAP_US:
                windows.append(ProductionWindow(begin_us, end_us, machine, line=line))
                begin_us, end_us, line = row.begin_us, row.end_us, row.line
            end_us = max(end_us, row.end_us)
        windows.append(ProductionWindow(begin_us, end_us, machine, line=line))
    windows = [window for window in windows if window.length_us > 0]
    found = []
    for window in windows:
        made = _summed(window, covered[window.machine], counts)
        found.append(
            replace(window, cycle_us=cycle, good=made.good, made=made.made, rejected=made.rejected)
        )
    return sorted(found, key=lambda each: each.begin_us)


def _summed(
    window: ProductionWindow, rows: Iterable[LoggedStop], counts: dict[int, Counts]
) -> Counts:
    """Counts of the rows that begin in a window; unknown where one of them is."""
    inside = [r.line for r in rows if window.begin_us <= r.begin_us < window.end_us]
    told = [counts[line] for line in inside if line in counts]

    def total(role: str) -> int | None:
        each = [getattr(count, role) for count in told]
        return None if not each or None in each else sum(each)

    return Counts(total("good"), total("made"), total("rejected"))


def windows_of_days(
    file: str, stops: Sequence[LoggedStop], zone: Zone, cycle: int | None
) -> list[ProductionWindow]:
    """A window a day, from the first stop's start to the last stop's end: nobody said them.

    Raises
    ------
    LogError
        If they are too many: a year is mistyped, or a length in another unit.
    """
    last = max(stops, key=lambda stop: stop.end_us)
    at_us, last_us = min(s.begin_us for s in stops), last.end_us
    days = (last_us - at_us) // DAY_US
    if days > MOST_DAYS:
        raise LogError(
            f"{file}:{last.line}: the stops go on over {days:,} days, the last of them ends here, "
            f"allowed: at most {MOST_DAYS:,} days, or --windows"
        )
    windows = []
    while at_us < last_us:
        next_us = min(zone.midnight_after_us(at_us), last_us)
        windows.append(ProductionWindow(at_us, next_us, ALL_MACHINES, cycle_us=cycle))
        at_us = next_us
    return windows
