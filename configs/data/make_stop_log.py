"""Make stops.csv, shifts.csv and events.csv: an invented plant's event logs, simulated.

Run it beside the files: python make_stop_log.py. The true values are in LINE and stand at the head
of the files; what is odd in them was put there, and is named there too.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from feedsim.accounts import MachineRecord, Window, read
from feedsim.accounts.record import MOVING
from feedsim.accounts.timeline import Segment, segments_of
from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.model.shift import run_shift

SHIFTS, SEED = 24, 11
FIRST_SHIFT = datetime(2025, 9, 1, 6)
NIGHTS = (datetime(2025, 10, 24, 22), datetime(2025, 10, 25, 22))
BERLIN = ZoneInfo("Europe/Berlin")
SPEED = 30
LINE = f"""
[study]
shift_h = 8

[[machine]]
name = "granola line"
speed_per_min = {SPEED}

[machine.magazine]
capacity_bags = 8000

[machine.bag]
faults = {{ skewed = 0.004 }}

[[machine.station]]
name = "sealer"
between_stops = {{ family = "exponential", mean_min = 45 }}
stop = {{ family = "lognormal", mean_min = 2.5, cv = 1.2 }}

[[machine.station]]
name = "coder"
between_stops = {{ family = "weibull", mean_h = 3, shape = 1.6 }}
stop = {{ family = "lognormal", mean_min = 9, cv = 0.7 }}

[[machine.station]]
name = "checkweigher"
between_stops = {{ family = "exponential", mean_min = 90 }}
stop = {{ family = "exponential", mean_min = 0.8 }}
"""
TRUTH = f"""\
# Simulated, not measured: a line that packs granola at {SPEED} a minute, in shifts of 8 h.
# True values: sealer: exponential, 45 min of running between stops, lognormal stops of 2.5 min
# (cv 1.2); coder: Weibull, 3 h (shape 1.6), lognormal stops of 9 min (cv 0.7); checkweigher:
# exponential, 90 min, exponential stops of 0.8 min; 0.4 % of the packs are rejected.
# Made by make_stop_log.py.
"""
ODD = """\
# Odd on purpose: the sealer's second stop stands twice, the last row but two has no end, and the
# last one lies outside the shifts.
"""


def shift(number: int) -> tuple[MachineRecord, dict[str, int], list[Segment]]:
    """One simulated shift: its record, its sums, and its states in time."""
    cell = build_cell(parse_config(LINE))
    record = run_shift(cell, SEED, number)
    sums = read(record, cell, Window(0, cell.shift_us)).machines[0]
    segments = segments_of(record.machines[0], record.shift_us)
    return record.machines[0], sums, [s for s in segments if s.end_us > s.begin_us]


def at(start: datetime, after_us: int) -> datetime:
    """The local time so long after a start; clocks may have changed in between."""
    if start.tzinfo is None:
        return start + timedelta(microseconds=after_us)
    utc = start.astimezone(ZoneInfo("UTC")) + timedelta(microseconds=after_us)
    return utc.astimezone(BERLIN)


def shown(time: datetime) -> str:
    """A time to the millisecond, without its offset."""
    return time.replace(tzinfo=None).isoformat(sep=" ", timespec="milliseconds")


def stops_and_shifts() -> tuple[list[str], list[str]]:
    """Rows of stops.csv and of shifts.csv: early shifts on weekdays."""
    stops, shifts = [], []
    start = FIRST_SHIFT
    for number in range(1, SHIFTS + 1):
        _, sums, segments = shift(number)
        end = start + timedelta(hours=8)
        good, rejected = sums["good_packs"], sums["rejected_packs"]
        shifts.append(f"{start},{end},{good},{rejected},{SPEED}")
        for segment in segments:
            if segment.state not in MOVING:
                begin, until = at(start, segment.begin_us), at(start, segment.end_us)
                stops.append(f"{shown(begin)},{shown(until)},{segment.state}")
        start += timedelta(days=3 if start.weekday() == 4 else 1)
    second = [row for row in stops if row.endswith("sealer")][1]
    stops.insert(stops.index(second), second)
    begin, _, reason = stops[-2].split(",")
    stops[-2] = f"{begin},,{reason}"
    stops.append(f"{shown(start)},{shown(start + timedelta(minutes=4))},sealer")
    return stops, shifts


def events() -> Iterator[str]:
    """Rows of events.csv: two night shifts, the second over the end of summer time."""
    for number, night in enumerate(NIGHTS, start=101):
        start = night.replace(tzinfo=BERLIN)
        machine, _, segments = shift(number)
        for segment in segments:
            packs = sum(
                run.ends_until(segment.end_us) - run.ends_until(segment.begin_us)
                for run in machine.runs
            )
            state = "run" if segment.state in MOVING else segment.state
            begin = at(start, segment.begin_us).strftime("%d.%m.%Y %H:%M:%S")
            minutes = f"{(segment.end_us - segment.begin_us) / 6e7:.2f}".replace(".", ",")
            yield f"{begin};{minutes};{state};{packs}"


def main() -> None:
    """Write the three files."""
    stops, shifts = stops_and_shifts()
    folder = Path(__file__).parent
    for name, head, columns, rows in (
        ("stops.csv", TRUTH + ODD, "start,end,reason", stops),
        ("shifts.csv", TRUTH, "start,end,good,rejected,speed_per_min", shifts),
        (
            "events.csv",
            TRUTH
            + "# Local times of Europe/Berlin, two nights, one over the end of summer time.\n",
            "begin;minutes;state;packs",
            list(events()),
        ),
    ):
        text = head + "\n".join([columns, *rows]) + "\n"
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
