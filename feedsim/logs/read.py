"""Reading a log: its file, its columns, its stops, its windows."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from feedsim.accounts.record import RUNNING
from feedsim.config.declare import state_of
from feedsim.logs.columns import find_columns
from feedsim.logs.findings import Finding, LogError, Notebook, listed
from feedsim.logs.halts import clusters_of
from feedsim.logs.instants import TIME_OF_DAY, Zone
from feedsim.logs.layout import PLAIN, STATES, Layout
from feedsim.logs.log import AS_LOGGED, NO_MACHINE, NO_REASON, EventLog
from feedsim.logs.numbers import US_IN
from feedsim.logs.sheet import Row, Sheet, read_sheet
from feedsim.logs.spans import ALL_MACHINES, LoggedStop, ProductionWindow
from feedsim.logs.times import TimedRow, TimedRows
from feedsim.logs.windows import (
    COUNTS,
    CountReader,
    Counts,
    windows_of_days,
    windows_of_file,
    windows_of_rows,
)
from feedsim.times import cycle_us

LONG_US = 7 * 24 * US_IN["h"]
LOG_ROLES = ("start", "end", "duration", "reason", "machine")
WINDOW_ROLES = ("start", "end", "machine", *COUNTS, "speed")


def read_log(
    path: str | Path, layout: Layout = PLAIN, windows: str | Path | None = None
) -> EventLog:
    """Read a plant's event log, and the file of its production windows.

    Nothing is dropped in silence: what is odd is in the log's `findings`, each with its line and
    the rule by which it was treated (`feedsim.logs.findings.RULES`).

    Parameters
    ----------
    path : str or Path
        A CSV file with a row a stop: start, and end or duration; reason and machine if there are.
    layout : Layout
        What the file does not say plainly.
    windows : str or Path, optional
        A CSV file with a row a production window: start, end, and counts if there are. Without
        one, rows of a reason that is the state ``running`` tell when there was production; else
        every day from the first stop to the last one is a window.

    Returns
    -------
    EventLog

    Raises
    ------
    LogError
        If a file cannot be read, or not without being told how.
    """
    path = Path(path)
    zone = Zone(layout.zone)
    notes = Notebook(str(path))
    sheet, at = _opened(path, layout, notes, "log")
    timed = TimedRows(sheet, at, layout.log, layout, zone, notes)
    rows = _LogRows(sheet, at, layout, notes)
    spans = rows.read(timed)
    named = {*layout.states, *layout.visited}
    states = _states(layout, [span.reason for span in spans])
    running = [span for span in spans if states.get(span.reason) == RUNNING]
    stops = [span for span in spans if states.get(span.reason) != RUNNING]
    cycle = None if layout.speed_per_min is None else cycle_us(layout.speed_per_min)
    columns = {"log": _named(sheet, at)}
    more: list[Finding] = []
    if windows is not None:
        file = _WindowFile(Path(windows), layout, zone)
        file.refuse_other_clock(timed, path)
        found, origin = file.windows(cycle), "file"
        columns["windows"] = _named(file.sheet, file.at)
        more = file.notes.findings
    elif running:
        found, origin = windows_of_rows(running, stops, rows.counts, cycle), "log"
    else:
        if not stops:
            raise LogError(f"{path}: holds no stop that can be read, and no windows are given")
        found, origin = windows_of_days(str(path), stops, zone, cycle), "days"
    if not found:
        raise LogError(f"{windows or path}: holds no production window of any length")
    _refuse_other_machines(path, stops, found)
    stops = _ended(stops, rows.open_ended, found, layout.missing_end, notes)
    _note_places(stops, found, notes, by_day=origin == "days")
    return EventLog(
        file=str(path),
        windows_file=str(windows or path),
        stops=tuple(stops),
        windows=tuple(found),
        findings=(*_by_line(notes.findings), *_by_line(more)),
        rows=sheet.lines,
        running_rows=len(running),
        states=states,
        visited=frozenset(layout.visited),
        zone=zone,
        windows_from=origin,
        columns=columns,
        unused=tuple(sorted(named - {span.reason for span in spans})),
    )


def _opened(
    path: Path, layout: Layout, notes: Notebook, table: str
) -> tuple[Sheet, dict[str, int]]:
    sheet = read_sheet(path, layout, notes)
    told = layout.log if table == "log" else layout.windows
    roles = LOG_ROLES if table == "log" else WINDOW_ROLES
    at = find_columns(sheet, told, roles, table)
    if "date" not in at and "start" in at:
        first = next((row.cells[at["start"]] for row in sheet.rows if row.cells[at["start"]]), "")
        if TIME_OF_DAY.fullmatch(first):
            at = find_columns(sheet, told, (*roles, "date"), table)
    return sheet, at


def _by_line(findings: list[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda finding: finding.line)


def _named(sheet: Sheet, at: dict[str, int]) -> dict[str, str]:
    return {role: sheet.heading[place] for role, place in at.items()}


class _LogRows:
    """Rows of the log as spans of time with a reason, odd ones noted."""

    def __init__(self, sheet: Sheet, at: dict[str, int], layout: Layout, notes: Notebook) -> None:
        self.counts: dict[int, Counts] = {}
        self.open_ended: list[LoggedStop] = []
        self._at, self._notes = at, notes
        self._counter = CountReader(sheet, at, layout, notes)

    def read(self, timed: TimedRows) -> list[LoggedStop]:
        """All spans with an end, in order of time; those without one are `open_ended`."""
        found = []
        for each in sorted(timed, key=lambda each: (each.begin_us, each.row.line)):
            span = self._span(each)
            if self._counter.has_counts:
                self.counts[span.line] = self._counter.read(each.row, span.machine)
            if each.end_us is None:
                self.open_ended.append(span)
            elif each.end_us < each.begin_us:
                self._notes.note(span.line, "negative", _seconds(each.end_us - each.begin_us))
            else:
                found.append(span)
        return list(self._once(found))

    def _span(self, timed: TimedRow) -> LoggedStop:
        reason = self._cell(timed.row, "reason", "no_reason", AS_LOGGED, NO_REASON)
        machine = self._cell(timed.row, "machine", "no_machine", ALL_MACHINES, NO_MACHINE)
        end_us = timed.begin_us if timed.end_us is None else timed.end_us
        return LoggedStop(timed.begin_us, end_us, reason, machine, timed.row.line)

    def _cell(self, row: Row, role: str, kind: str, absent: str, empty: str) -> str:
        if role not in self._at:
            return absent
        text = row.cells[self._at[role]]
        if not text:
            self._notes.note(row.line, kind)
        return text or empty

    def _once(self, spans: Sequence[LoggedStop]) -> Iterator[LoggedStop]:
        lines: dict[tuple[int, int, str, str], int] = {}
        for span in spans:
            key = (span.begin_us, span.end_us, span.reason, span.machine)
            if key in lines:
                self._notes.note(span.line, "duplicate", f"line {lines[key]}")
                continue
            lines[key] = span.line
            if span.length_us == 0:
                self._notes.note(span.line, "zero")
            elif span.length_us > LONG_US:
                self._notes.note(span.line, "long", f"{span.length_us / US_IN['h'] / 24:,.1f} days")
            yield span


def _seconds(length_us: int) -> str:
    return f"by {-length_us / 1e6:,.0f} s"


def _states(layout: Layout, reasons: Sequence[str]) -> dict[str, str]:
    """Reasons that are a state: those told, and those that bear a state's own name."""
    own = {reason: state_of(reason) for reason in reasons if state_of(reason) in STATES}
    return {**own, **layout.states}


class _WindowFile:
    """The file of production windows."""

    def __init__(self, path: Path, layout: Layout, zone: Zone) -> None:
        self.notes = Notebook(str(path))
        self.sheet, self.at = _opened(path, layout, self.notes, "windows")
        self._layout, self._path = layout, path
        self._timed = TimedRows(self.sheet, self.at, layout.windows, layout, zone, self.notes)

    def refuse_other_clock(self, log: TimedRows, path: Path) -> None:
        """Refuse to compare times of UTC with times of a clock that nobody says."""
        if self._layout.zone is None and log.has_offsets != self._timed.has_offsets:
            with_offset, without = (path, self._path) if log.has_offsets else (self._path, path)
            raise LogError(
                f"{without}: its times carry no offset from UTC, those of {with_offset} do, "
                "allowed: --zone to say where they are"
            )

    def windows(self, cycle: int | None) -> list[ProductionWindow]:
        """Its windows, in order of time."""
        counter = CountReader(self.sheet, self.at, self._layout, self.notes)
        rows = list(self._timed)
        machines = {}
        for timed in rows:
            machine = timed.row.cells[self.at["machine"]] if "machine" in self.at else ALL_MACHINES
            if "machine" in self.at and not machine:
                self.notes.note(timed.row.line, "no_machine")
                machine = NO_MACHINE
            machines[timed.row.line] = machine
        return windows_of_file(rows, machines, counter, cycle, self.notes)


def _refuse_other_machines(
    path: Path, stops: Sequence[LoggedStop], windows: Sequence[ProductionWindow]
) -> None:
    """Refuse windows of machines for a log that names none, or none of them."""
    of_windows = {w.machine for w in windows}
    of_stops = {s.machine for s in stops}
    if stops and ALL_MACHINES not in of_windows and not of_windows & of_stops:
        raise LogError(
            f"{path}: no stop is of a machine that has a window ({listed(sorted(of_windows))}), "
            f"machines of the stops: {listed(sorted(of_stops)) or 'none named'}; "
            "allowed: --machine, or windows without machines"
        )


def _ended(
    stops: Sequence[LoggedStop],
    open_ended: Sequence[LoggedStop],
    windows: Sequence[ProductionWindow],
    rule: str,
    notes: Notebook,
) -> list[LoggedStop]:
    """All stops in order of time, those without an end by the rule that the user chose."""
    found = list(stops)
    begins_us: dict[str, list[int]] = defaultdict(list)
    for stop in sorted((*stops, *open_ended), key=lambda stop: stop.begin_us):
        begins_us[stop.machine].append(stop.begin_us)
    for stop in open_ended:
        end_us = _end_at_most(stop, begins_us[stop.machine], windows)
        if rule == "until-next" and end_us is not None:
            notes.note(stop.line, "no_end_until", _minutes(end_us - stop.begin_us))
            found.append(replace(stop, end_us=end_us))
        else:
            at_most = "" if end_us is None else f"at most {_minutes(end_us - stop.begin_us)}"
            notes.note(stop.line, "no_end", at_most)
    return sorted(found, key=lambda stop: (stop.begin_us, stop.line))


def _end_at_most(
    stop: LoggedStop, begins_us: Sequence[int], windows: Sequence[ProductionWindow]
) -> int | None:
    """When a stop has ended at the latest: the machine's next stop, or its window's end."""
    machines = (stop.machine, ALL_MACHINES)
    ends = [w.end_us for w in windows if w.machine in machines and w.touches(stop)]
    following = bisect_right(begins_us, stop.begin_us)
    return min([*ends[:1], *begins_us[following : following + 1]], default=None)


def _minutes(length_us: int) -> str:
    return f"{length_us / US_IN['min']:,.1f} min"


def _note_places(
    stops: Sequence[LoggedStop],
    windows: Sequence[ProductionWindow],
    notes: Notebook,
    *,
    by_day: bool,
) -> None:
    """Note overlaps, and which stops lie outside the windows or across an edge.

    Midnight between two days that are windows by default is no edge to speak of.
    """
    by_machine: dict[str, list[LoggedStop]] = defaultdict(list)
    for stop in stops:
        by_machine[stop.machine].append(stop)
    for machine, own in by_machine.items():
        for group in clusters_of(own):
            _note_overlaps(group, notes)
        spans = [w for w in windows if w.machine in (machine, ALL_MACHINES)]
        begins = [w.begin_us for w in spans]
        for stop in own:
            if not spans:
                notes.note(stop.line, "no_windows", machine)
                continue
            touched = list(_touched(stop, spans, begins))
            if not touched:
                notes.note(stop.line, "outside")
            elif stop.begin_us < touched[0].begin_us or stop.end_us > touched[-1].end_us:
                inside = sum(_part_us(stop, window) for window in touched)
                notes.note(
                    stop.line, "edge", f"{_minutes(inside)} of {_minutes(stop.length_us)} inside"
                )
            elif len(touched) > 1 and not by_day:
                notes.note(stop.line, "edge", f"in {len(touched)} windows")


def _touched(
    stop: LoggedStop, windows: Sequence[ProductionWindow], begins: Sequence[int]
) -> Iterator[ProductionWindow]:
    """The windows that a stop touches; they are in order, and none over another."""
    at = max(0, bisect_right(begins, stop.begin_us) - 1)
    while at < len(windows) and windows[at].begin_us <= stop.end_us:
        if windows[at].touches(stop):
            yield windows[at]
        at += 1


def _part_us(stop: LoggedStop, window: ProductionWindow) -> int:
    return min(stop.end_us, window.end_us) - max(stop.begin_us, window.begin_us)


def _note_overlaps(group: Sequence[LoggedStop], notes: Notebook) -> None:
    last = group[0]
    for stop in group[1:]:
        notes.note(
            stop.line, "overlap" if stop.begin_us < last.end_us else "touch", f"line {last.line}"
        )
        if stop.end_us > last.end_us:
            last = stop
