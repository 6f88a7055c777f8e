"""Event logs of known rows, broken in ways of known effect.

`mutated` gives a text and what reading it must come to: the stops, and the lines that must be
told; or that the file is refused, with the line named.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

Stop = tuple[int, int, str, str]
EPOCH = datetime(1970, 1, 1)
REASONS = ("sealer", "coder", "film jam", "no bags", "checkweigher")
MACHINES = ("granola 1", "granola 2")
STYLES = ("iso", "iso_t", "iso_fraction", "dotted")
ISO = re.compile(r"\d{4}-\d\d-\d\d(?:[Tt]| +)\d\d?:\d\d(:\d\d([.,]\d{1,9})?)?")


def us(time: datetime) -> int:
    return (time - EPOCH) // timedelta(microseconds=1)


def written(time: datetime, style: str) -> str:
    if style == "dotted":
        return time.strftime("%d.%m.%Y %H:%M:%S")
    if style == "iso_t":
        return time.isoformat(timespec="seconds")
    return time.isoformat(
        sep=" ", timespec="microseconds" if style == "iso_fraction" else "seconds"
    )


@dataclass(frozen=True)
class Log:
    """A log as rows of fields; line n of the file is row n - 2."""

    style: str
    mark: str
    rows: tuple[tuple[str, ...], ...]
    stops: tuple[Stop, ...]
    heading: tuple[str, ...] = ("id", "start", "end", "reason", "machine")

    def lines(self) -> list[str]:
        return [self.mark.join(row) for row in (self.heading, *self.rows)]


@dataclass(frozen=True)
class Case:
    """A broken file and what reading it must come to.

    `stops` None: the file is refused, naming one of `lines`. `open_line`: the stop of this line
    may be read as the line now says, or not at all.
    """

    name: str
    data: bytes
    stops: tuple[Stop, ...] | None
    lines: frozenset[int] = frozenset()
    silent: bool = False
    open_line: int | None = None
    kinds: frozenset[str] = field(default=frozenset())


def sound(rng: random.Random) -> Log:
    """A log of 8 to 20 stops on two machines, none over another."""
    style, mark = rng.choice(STYLES), rng.choice(",;\t|")
    at = datetime(2025, 1, 1) + timedelta(days=rng.randrange(300), minutes=rng.randrange(1440))
    rows, stops = [], []
    for number in range(rng.randint(8, 20)):
        at += timedelta(seconds=rng.randint(20, 7000))
        length = timedelta(seconds=rng.randint(2, 1500))
        if style == "iso_fraction":
            at += timedelta(microseconds=rng.randrange(1, 10**6))
        end = at + length
        reason, machine = rng.choice(REASONS), rng.choice(MACHINES)
        rows.append((f"s{number}", written(at, style), written(end, style), reason, machine))
        stops.append((us(at), us(end), reason, machine))
        at = end
    return Log(style, mark, tuple(rows), tuple(stops))


def _text(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def _without(log: Log, n: int) -> tuple[Stop, ...]:
    return log.stops[:n] + log.stops[n + 1 :]


def _with_row(log: Log, n: int, row: tuple[str, ...]) -> list[str]:
    lines = log.lines()
    lines[n + 1] = log.mark.join(row)
    return lines


def _aside(name: str, kind: str, change: Callable[[Log, random.Random, list[str]], list[str]]):
    """A change of one row's fields that sets the row aside."""

    def case(log: Log, rng: random.Random) -> Case:
        n = rng.randrange(len(log.rows))
        lines = _with_row(log, n, tuple(change(log, rng, list(log.rows[n]))))
        kinds = frozenset({kind})
        return Case(name, _text(lines), _without(log, n), frozenset({n + 2}), kinds=kinds)

    return case


def _set(place: int, value: Callable[[Log, random.Random, list[str]], str]):
    def change(log: Log, rng: random.Random, row: list[str]) -> list[str]:
        row[place] = value(log, rng, row)
        return row

    return change


def _letter(log: Log, rng: random.Random, row: list[str]) -> str:
    text = row[1]
    digits = [n for n, letter in enumerate(text) if letter.isdigit()]
    n = rng.choice(digits)
    return text[:n] + rng.choice("xlO?") + text[n + 1 :]


def _impossible(log: Log, rng: random.Random, row: list[str]) -> str:
    day, clock = row[1].replace("T", " ").split(" ")
    if rng.random() < 0.5:
        day = rng.choice(
            ["2025-02-30", "2025-13-01", "2025-00-10"]
            if log.style != "dotted"
            else ["30.02.2025", "01.13.2025", "00.01.2025"]
        )
        return f"{day} {clock}"
    return f"{day} {rng.choice(['25:10:00', '12:60:00', '12:10:61'])}"


def _other_style(log: Log, rng: random.Random, row: list[str]) -> str:
    time = datetime(2025, 3, 7, 12, 30)
    return written(time, "iso" if log.style == "dotted" else "dotted")


def _far(log: Log, rng: random.Random, row: list[str]) -> str:
    return row[2].replace("2025", rng.choice(["2205", "1905", "0025"])).replace("2026", "2206")


def blank(log: Log, rng: random.Random) -> Case:
    lines = log.lines()
    n = rng.randint(1, len(lines))
    lines.insert(n, rng.choice(["", "   ", log.mark * 4]))
    return Case("blank", _text(lines), log.stops, frozenset({n + 1}), kinds=frozenset({"blank"}))


def heading_again(log: Log, rng: random.Random) -> Case:
    lines = log.lines()
    n = rng.randint(1, len(lines))
    lines.insert(n, lines[0])
    kinds = frozenset({"heading"})
    return Case("heading again", _text(lines), log.stops, frozenset({n + 1}), kinds=kinds)


def doubled(log: Log, rng: random.Random) -> Case:
    lines = log.lines()
    n = rng.randint(1, len(lines) - 1)
    lines.insert(n, lines[n])
    kinds = frozenset({"duplicate"})
    return Case("doubled", _text(lines), log.stops, frozenset({n + 2}), kinds=kinds)


def trailing(log: Log, rng: random.Random) -> Case:
    n = rng.randrange(len(log.rows))
    lines = _with_row(log, n, (*log.rows[n], "", ""))
    kinds = frozenset({"trailing"})
    return Case("trailing", _text(lines), log.stops, frozenset({n + 2}), kinds=kinds)


def zero(log: Log, rng: random.Random) -> Case:
    n = rng.randrange(len(log.rows))
    row = log.rows[n]
    begin, _, reason, machine = log.stops[n]
    lines = _with_row(log, n, (row[0], row[1], row[1], *row[3:]))
    stops = (*_without(log, n), (begin, begin, reason, machine))
    return Case("zero", _text(lines), stops, frozenset({n + 2}), kinds=frozenset({"zero"}))


def several_lines(log: Log, rng: random.Random) -> Case:
    n = rng.randrange(len(log.rows))
    row = log.rows[n]
    begin, end, _, machine = log.stops[n]
    lines = _with_row(log, n, (*row[:3], '"film\njam"', row[4]))
    stops = (*_without(log, n), (begin, end, "film jam", machine))
    kinds = frozenset({"several_lines"})
    return Case("several lines", _text(lines), stops, frozenset({n + 2}), kinds=kinds)


def quoted(log: Log, rng: random.Random) -> Case:
    n = rng.randrange(len(log.rows))
    row = log.rows[n]
    begin, end, _, machine = log.stops[n]
    lines = _with_row(log, n, (*row[:3], f'"film{log.mark}""jam"""', row[4]))
    text = " ".join(f'film{log.mark}"jam"'.split())
    stops = (*_without(log, n), (begin, end, text, machine))
    return Case("quoted", _text(lines), stops, silent=True)


def unended(log: Log, rng: random.Random) -> Case:
    lines = log.lines()
    last = frozenset({len(lines)})
    kinds = frozenset({"unended"})
    return Case("no last line end", "\n".join(lines).encode(), log.stops, last, kinds=kinds)


def cut_off(log: Log, rng: random.Random) -> Case:
    lines = log.lines()
    lines[-1] = lines[-1][: rng.randint(1, len(lines[-1]) - 1)]
    return Case(
        "cut off",
        "\n".join(lines).encode(),
        log.stops[:-1],
        frozenset({len(lines)}),
        open_line=len(lines),
    )


def harmless(log: Log, rng: random.Random) -> Case:
    """The same rows in another dress."""
    text = "\n".join(log.lines()) + "\n"
    dress = rng.randrange(8)
    if dress == 0:
        data = text.replace("\n", "\r\n").encode()
    elif dress == 1:
        data = text.replace("\n", "\r").encode()
    elif dress == 2:
        data = b"\xef\xbb\xbf" + text.encode()
    elif dress == 3:
        data = text.encode("utf-16")
    elif dress == 4:
        order = list(range(5))
        rng.shuffle(order)
        rows = [tuple(row[n] for n in order) for row in (log.heading, *log.rows)]
        data = _text([log.mark.join(row) for row in rows])
    elif dress == 5:
        lines = [log.mark.join(f" {cell} " for cell in row) for row in (log.heading, *log.rows)]
        data = _text(lines)
    elif dress == 6:
        lines = [log.mark.join(f'"{cell}"' for cell in row) for row in (log.heading, *log.rows)]
        data = _text(lines)
    else:
        lines = log.lines()
        data = _text([lines[0].upper(), *lines[:0:-1]])
    return Case(f"dress {dress}", data, log.stops, silent=True)


def shuffled(log: Log, rng: random.Random) -> Case:
    lines = log.lines()
    rows = lines[1:]
    rng.shuffle(rows)
    return Case("shuffled", _text([lines[0], *rows]), log.stops)


def overlapping(log: Log, rng: random.Random) -> Case:
    n = rng.randrange(len(log.rows))
    begin, end, _, machine = log.stops[n]
    middle = EPOCH + timedelta(microseconds=(begin + end) // 2 // 10**6 * 10**6)
    later = middle + timedelta(seconds=1)
    if not begin <= us(middle) < end:
        return harmless(log, rng)
    row = ("new", written(middle, log.style), written(later, log.style), "pallet", machine)
    lines = [*log.lines(), log.mark.join(row)]
    stops = (*log.stops, (us(middle), us(later), "pallet", machine))
    return Case("overlapping", _text(lines), stops, frozenset({len(lines), n + 2}))


def refused(log: Log, rng: random.Random) -> Case:
    """What cannot be read at all, or in two ways."""
    lines = log.lines()
    n = rng.randrange(1, len(lines))
    kind = rng.randrange(5)
    if kind == 0:
        lines[0] = lines[0].replace("start", "xyz")
        n = 0
    elif kind == 1:
        lines[n] = lines[n][:3] + "\0" + lines[n][3:]
    elif kind == 2:
        data = _text(lines)
        at = data.index(lines[n].encode())
        return Case("bytes", data[:at] + b"\xff" + data[at:], None, frozenset({n + 1}))
    elif kind == 3:
        row = list(log.rows[n - 1])
        row[1] += "Z"
        lines[n] = log.mark.join(row)
    else:
        lines[0] = lines[0].replace("end", "start")
        n = 0
    return Case(f"refused {kind}", _text(lines), None, frozenset({n + 1}))


def edited(log: Log, rng: random.Random) -> Case:
    """One character of a row replaced, taken out or put in."""
    lines = log.lines()
    n = rng.randrange(1, len(lines))
    line = lines[n]
    at = rng.randrange(len(line))
    new = rng.choice("0123456789 :-.x" + log.mark)
    line = rng.choice(
        [line[:at] + new + line[at + 1 :], line[:at] + line[at + 1 :], line[:at] + new + line[at:]]
    )
    lines[n] = line
    stops = log.stops[: n - 1] + log.stops[n:]
    stop = oracle(line, log)
    if stop is None:
        return Case("edited", _text(lines), stops, frozenset({n + 1}))
    return Case("edited", _text(lines), (*stops, stop))


def oracle(line: str, log: Log) -> Stop | None:
    """What a line says, read in another way than the package does; None: nothing sound."""
    cells = [cell.strip() for cell in line.split(log.mark)]
    if len(cells) > 5 and not any(cells[5:]):
        cells = cells[:5]
    if len(cells) != 5:
        return None
    times = []
    for text in cells[1:3]:
        try:
            if log.style == "dotted":
                if not re.fullmatch(r"\d\d?\.\d\d?\.\d{4} +\d\d?:\d\d(:\d\d([.,]\d+)?)?", text):
                    return None
                day, clock = text.split()
                d, m, y = map(int, day.split("."))
                time = _clocked(datetime(y, m, d), clock)
            else:
                if not ISO.fullmatch(text):
                    return None
                day, clock = re.split(r"[Tt ] *", text, maxsplit=1)
                time = _clocked(datetime.strptime(day, "%Y-%m-%d"), clock)
        except ValueError:
            return None
        if not 1980 <= time.year < 2100:
            return None
        times.append(us(time))
    if times[1] < times[0]:
        return None
    return times[0], times[1], cells[3] or "reason not given", cells[4] or "machine not given"


def _clocked(day: datetime, clock: str) -> datetime:
    hour, minute, second = (*clock.replace(",", ".").split(":"), "0")[:3]
    if clock in ("24:00", "24:00:00"):
        return day + timedelta(days=1)
    whole, _, fraction = second.partition(".")
    micro = round(int((fraction or "0").ljust(9, "0")[:9]) / 1000)
    if int(whole) > 59 or int(minute) > 59 or int(hour) > 23:
        raise ValueError(clock)
    return day.replace(hour=int(hour), minute=int(minute), second=int(whole)) + timedelta(
        microseconds=micro
    )


MUTATIONS = (
    blank,
    heading_again,
    doubled,
    trailing,
    zero,
    several_lines,
    quoted,
    unended,
    cut_off,
    harmless,
    shuffled,
    overlapping,
    refused,
    edited,
    edited,
    edited,
    _aside("field missing", "ragged", lambda log, rng, row: row[:2] + row[3:]),
    _aside("field too many", "ragged", lambda log, rng, row: [*row, "more"]),
    _aside("no end", "no_end", _set(2, lambda log, rng, row: "")),
    _aside("no start", "no_start", _set(1, lambda log, rng, row: "")),
    _aside("turned", "negative", lambda log, rng, row: [row[0], row[2], row[1], *row[3:]]),
    _aside("letter", "bad_time", _set(1, _letter)),
    _aside("impossible", "bad_time", _set(1, _impossible)),
    _aside("other style", "bad_time", _set(1, _other_style)),
    _aside("far", "bad_time", _set(2, _far)),
    _aside("mark in a reason", "ragged", _set(3, lambda log, rng, row: f"a{log.mark}b")),
    _aside("open quote", "quote", _set(3, lambda log, rng, row: '"' + row[3])),
)


def mutated(seed: int) -> Case:
    """The case of a number."""
    rng = random.Random(seed)
    log = sound(rng)
    case = rng.choice(MUTATIONS)(log, rng)
    return replace(case, name=f"{seed}: {case.name}")
