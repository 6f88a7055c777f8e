"""Reading a log: its file, its columns, its stops, its windows."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from feedsim.accounts.record import RUNNING
from feedsim.config.declare import state_of
from feedsim.logs.columns import find_columns
from feedsim.logs.findings import LogError, Notebook
from feedsim.logs.halts import clusters_of
from feedsim.logs.instants import TIME_OF_DAY, Zone
from feedsim.logs.layout import PLAIN, STATES, Layout
from feedsim.logs.log import (
    ALL_MACHINES,
    AS_LOGGED,
    NO_MACHINE,
    NO_REASON,
    EventLog,
    LoggedStop,
    ProductionWindow,
)
from feedsim.logs.numbers import US_IN
from feedsim.logs.sheet import Row, Sheet, read_sheet
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
    reader = _RowReader(sheet, at, layout, notes)
    spans = reader.read(timed)
    states = _states(layout, [span.reason for span in spans])
    running = [span for span in spans if states.get(span.reason) == RUNNING]
    stops = [span for span in spans if states.get(span.reason) != RUNNING]
    cycle = None if layout.speed_per_min is None else cycle_us(layout.speed_per_min)
    columns = {"log": _named(sheet, at)}
    findings = notes.findings
    if windows is not None:
        found = _WindowFile(Path(windows), layout, zone)
        found.refuse_other_clock(timed, path)
        shifts = found.windows(cycle)
        columns["windows"] = _named(found.sheet, found.at)
        findings = [*findings, *found.notes.findings]
        notes.findings = []
        windows_from = "file"
    elif running:
        shifts = windows_of_rows(running, stops, reader.counts, cycle, notes)
        windows_from = "log"
    else:
        if not stops:
            raise LogError(f"{path}: holds no stop that can be read, and no windows are given")
        shifts = windows_of_days(stops, zone, cycle)
        windows_from = "days"
    if windows is None:
        notes.findings = []
    if not shifts:
        raise LogError(f"{windows or path}: holds no production window that can be read")
    log = EventLog(
        file=str(path),
        stops=tuple(sorted(stops, key=lambda s: (s.begin_us, s.line))),
        windows=tuple(shifts),
        findings=(),
        rows=sheet.lines,
        running_rows=len(running),
        states=states,
        visited=frozenset(layout.visited),
        zone=zone,
        windows_from=windows_from,
        columns=columns,
    )
    _refuse_other_machines(log, path)
    return log
