"""Make stop lengths and running times from the log of a real line.

    python tests/real_log.py STOPS.csv RUNS.csv FOLDER

writes FOLDER/stops_s.txt and FOLDER/runs_s.txt, one number of seconds a line, as the empirical
families of a station read them. Rules: a stop counts inside the production window that it
touches, cut at the window's edges; stops that overlap are one; a running time is what lies
between two stops, or between the window's start and its first stop; the last one, which the
window's end cuts off, is no running time between stops and is left out (counted as `cut_off_s`).
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

Interval = tuple[float, float]


@dataclass
class LineLog:
    """What a log gives, in seconds; nothing of it is lost without being counted."""

    stops_s: list[float] = field(default_factory=list)
    runs_s: list[float] = field(default_factory=list)
    cut_off_s: list[float] = field(default_factory=list)
    windows: int = 0
    outside: int = 0
    across_an_edge: int = 0
    overlapping: int = 0

    @property
    def renewal_availability(self) -> float:
        """Mean running time over the sum of the means."""
        run_s = sum(self.runs_s) / len(self.runs_s)
        return run_s / (run_s + sum(self.stops_s) / len(self.stops_s))

    @property
    def running_ratio(self) -> float:
        """The log's own ratio of running time, cut-off runs included."""
        running = sum(self.runs_s) + sum(self.cut_off_s)
        return running / (running + sum(self.stops_s))


def read_intervals(path: Path) -> list[Interval]:
    """Start and end of each line of a CSV file, in seconds, in order."""
    with path.open(newline="", encoding="utf-8") as stream:
        return sorted(
            (_seconds(row["start"]), _seconds(row["end"])) for row in csv.DictReader(stream)
        )


def _seconds(text: str) -> float:
    return (datetime.fromisoformat(text) - datetime(2000, 1, 1)).total_seconds()


def read_line(stops: Path, windows: Path) -> LineLog:
    """Read a line's log into stop lengths and running times."""
    log = LineLog()
    all_stops, spans = read_intervals(stops), read_intervals(windows)
    log.windows = len(spans)
    for begin, end in all_stops:
        touched = [span for span in spans if begin < span[1] and end > span[0]]
        log.outside += not touched
        log.across_an_edge += any(begin < span[0] or end > span[1] for span in touched)
    for start, finish in spans:
        _read_window(log, start, finish, all_stops)
    return log


def _read_window(log: LineLog, start: float, finish: float, all_stops: list[Interval]) -> None:
    stops: list[Interval] = []
    for begin, end in all_stops:
        if begin >= finish or end <= start:
            continue
        cut = max(begin, start), min(end, finish)
        if stops and cut[0] < stops[-1][1]:
            log.overlapping += 1
            stops[-1] = stops[-1][0], max(stops[-1][1], cut[1])
        else:
            stops.append(cut)
    at = start
    for begin, end in stops:
        if begin > at:
            log.runs_s.append(begin - at)
        log.stops_s.append(end - begin)
        at = end
    if finish > at:
        log.cut_off_s.append(finish - at)


def write_times(log: LineLog, folder: Path) -> None:
    """Write the two files of a station's empirical families."""
    for name, times in (("stops_s.txt", log.stops_s), ("runs_s.txt", log.runs_s)):
        (folder / name).write_text("".join(f"{time!r}\n" for time in times), encoding="utf-8")


def main() -> None:
    """Make the two files and say what was read."""
    stops, windows, folder = map(Path, sys.argv[1:4])
    log = read_line(stops, windows)
    write_times(log, folder)
    print(
        f"{len(log.stops_s)} stops (mean {sum(log.stops_s) / len(log.stops_s):.1f} s), "
        f"{len(log.runs_s)} running times (mean {sum(log.runs_s) / len(log.runs_s):.1f} s) in "
        f"{log.windows} windows; {log.outside} stops touch no window, {log.across_an_edge} lie "
        f"across an edge and were cut, {log.overlapping} overlapped the one before; "
        f"{len(log.cut_off_s)} last runs were cut off by their window's end. "
        f"Renewal availability {log.renewal_availability:.4f}, the log's own ratio of running "
        f"time {log.running_ratio:.4f}."
    )


if __name__ == "__main__":
    main()
