"""Reading event logs: every hostile thing counted, shown with its line, treated by its rule."""

from __future__ import annotations

import random
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from log_mutations import Case, mutated

from feedsim.accounts.record import (
    BLOCKED,
    DRY,
    JAM,
    LANE_FAULT,
    MOVING,
    PLANNED,
    RESTARTING,
    RETRY,
)
from feedsim.config import ConfigError
from feedsim.config.sense import BUILT_IN_STATES
from feedsim.logs import Layout, LogError, counts_by_kind, load_layout, read_log
from feedsim.logs.findings import RULES
from feedsim.logs.layout import STATES
from feedsim.logs.numbers import Marks, read_count, read_length_us

S, MIN, H = 1_000_000, 60_000_000, 3_600_000_000
DAY = "2025-03-03"


def us(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


@pytest.fixture
def read(tmp_path):
    def call(text: str, windows: str | None = None, /, **layout):
        (tmp_path / "log.csv").write_text(text)
        path = None
        if windows is not None:
            path = tmp_path / "windows.csv"
            path.write_text(windows)
        return read_log(tmp_path / "log.csv", Layout.model_validate(layout), path)

    return call


def kinds(log) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for finding in log.findings:
        found.setdefault(finding.line, []).append(finding.kind)
    return found


def rows(*texts: str) -> str:
    """Stops of one day: `10:00 10:05 reason`."""
    lines = ["start,end,reason"]
    for text in texts:
        begin, end, *reason = text.split(" ")
        lines.append(f"{DAY} {begin},{DAY} {end},{' '.join(reason)}")
    return "\n".join(lines) + "\n"


WINDOW = f"start,end\n{DAY} 08:00:00,{DAY} 16:00:00\n"


def test_a_plain_log(read):
    log = read(rows("10:00:00 10:05:00 sealer", "11:00:00 11:01:30 coder"), WINDOW)
    assert [(s.begin_us, s.length_us, s.reason, s.line) for s in log.stops] == [
        (us(f"{DAY} 10:00:00"), 5 * MIN, "sealer", 2),
        (us(f"{DAY} 11:00:00"), 90 * S, "coder", 3),
    ]
    assert log.findings == ()
    [window] = log.windows
    assert window.length_us == 8 * H


def test_overlapping_stops_are_one_halt_and_each_microsecond_has_one_reason(read):
    log = read(
        rows("10:00:00 10:10:00 sealer", "10:05:00 10:20:00 coder", "10:06:00 10:07:00 jamming"),
        WINDOW,
    )
    [halt] = log.stops_in(log.windows[0])
    assert halt.length_us == 20 * MIN
    assert halt.reason == "sealer"
    assert [(p.reason, p.length_us) for p in halt.parts] == [
        ("sealer", 10 * MIN),
        ("coder", 10 * MIN),
    ]
    assert kinds(log) == {3: ["overlap"], 4: ["overlap"]}


def test_touching_stops_are_one_halt(read):
    log = read(rows("10:00:00 10:10:00 sealer", "10:10:00 10:20:00 coder"), WINDOW)
    [halt] = log.stops_in(log.windows[0])
    assert [(p.reason, p.length_us) for p in halt.parts] == [
        ("sealer", 10 * MIN),
        ("coder", 10 * MIN),
    ]
    assert kinds(log) == {3: ["touch"]}


def test_a_planned_stop_goes_before_what_it_overlaps(read):
    log = read(
        rows("10:00:00 10:30:00 sealer", "10:10:00 10:20:00 lunch"),
        WINDOW,
        states={"lunch": "planned_stop"},
    )
    [halt] = log.stops_in(log.windows[0])
    assert [(p.reason, p.length_us // MIN) for p in halt.parts] == [
        ("sealer", 10),
        ("lunch", 10),
        ("sealer", 10),
    ]
    assert halt.whole_us == 20 * MIN


def test_windows_cut_and_leave_out(read):
    log = read(
        rows("07:50:00 08:10:00 a", "15:50:00 18:00:00 b", "18:30:00 18:40:00 c"),
        f"start,end\n{DAY} 08:00:00,{DAY} 16:00:00\n{DAY} 17:00:00,{DAY} 18:20:00\n",
    )
    first, second = log.windows
    assert [(h.length_us // MIN, h.is_counted) for h in log.stops_in(first)] == [
        (10, True),
        (10, True),
    ]
    # It counts in the first window that it touches, and is judged by its whole length.
    [halt] = log.stops_in(second)
    assert (halt.length_us // MIN, halt.whole_us // MIN, halt.is_counted) == (60, 130, False)
    assert kinds(log) == {2: ["edge"], 3: ["edge"], 4: ["outside"]}


def test_a_stop_without_time_counts(read):
    log = read(
        rows("10:00:00 10:00:00 sealer", "08:00:00 08:00:00 a", "16:00:00 16:00:00 b"), WINDOW
    )
    assert [h.reason for h in log.stops_in(log.windows[0])] == ["a", "sealer"]
    assert kinds(log)[4] == ["zero", "outside"]


@pytest.mark.parametrize(
    ("row", "kind"),
    [
        (f"{DAY} 10:00:00,,sealer", "no_end"),
        (f",{DAY} 10:00:00,sealer", "no_start"),
        (f"{DAY} 10:00:00,{DAY} 09:00:00,sealer", "negative"),
        (f"{DAY} 1o:00:00,{DAY} 11:00:00,sealer", "bad_time"),
        (f"{DAY} 10:00:00,{DAY} 11:00:00", "ragged"),
        (f"{DAY} 10:00:00,{DAY} 11:00:00,sealer,2", "ragged"),
        (f'{DAY} 10:00:00,{DAY} 11:00:00,"sealer', "quote"),
        ("", "blank"),
        (",,", "blank"),
        ("start,end,reason", "heading"),
        (f"{DAY} 12:00:00,{DAY} 12:05:00,coder", "duplicate"),
        ("2205-03-03 10:00:00,2205-03-03 11:00:00,sealer", "bad_time"),
    ],
)
def test_what_is_set_aside_is_told_with_its_line(read, row, kind):
    log = read(f"start,end,reason\n{DAY} 12:00:00,{DAY} 12:05:00,coder\n{row}\n", WINDOW)
    assert len(log.stops) == 1
    [finding] = log.findings
    assert (finding.line, finding.kind, finding.sets_aside) == (3, kind, True)
    assert log.rows == 2
    assert f"log.csv:3: {RULES[kind].what}" in str(finding)


def test_a_missing_end_may_be_taken_as_long_as_it_can_have_been(read):
    text = f"start,end,reason\n{DAY} 10:00:00,,a\n{DAY} 10:30:00,{DAY} 10:40:00,b\n"
    text += f"{DAY} 15:00:00,,c\n"
    log = read(text, WINDOW, missing_end="until-next")
    assert [s.length_us // MIN for s in log.stops] == [30, 10, 60]
    assert kinds(log) == {2: ["no_end_until"], 3: ["touch"], 4: ["no_end_until"]}
    assert [f.detail for f in read(text, WINDOW).findings] == [
        "at most 30.0 min",
        "at most 60.0 min",
    ]


def test_a_missing_end_lies_before_the_next_stop_though_that_has_none_either(read):
    text = f"start,end,reason\n{DAY} 10:00:00,,a\n{DAY} 10:30:00,,b\n"
    text += f"{DAY} 11:00:00,{DAY} 11:05:00,c\n"
    log = read(text, WINDOW, missing_end="until-next")
    assert [s.length_us // MIN for s in log.stops] == [30, 30, 5]


# Summer time in Berlin: 2025-03-30 02:00 to 03:00 is left out, 2025-10-26 02:00 to 03:00 comes
# twice (EU directive 2000/84/EC; tz database).
def test_hours_that_a_clock_change_brings_twice_or_leaves_out(read):
    log = read(
        "start,end\n"
        "2025-03-30 01:50:00,2025-03-30 03:10:00\n"
        "2025-03-30 02:30:00,2025-03-30 03:40:00\n"
        "2025-10-26 01:50:00,2025-10-26 03:10:00\n"
        "2025-10-27 01:50:00,2025-10-27 02:10:00\n",
        zone="Europe/Berlin",
    )
    assert [s.length_us // MIN for s in log.stops] == [20, 10, 140, 20]
    # 02:30 on a clock not yet changed is 01:30 UTC, after the first stop's end at 01:10 UTC.
    assert kinds(log) == {3: ["never"]}
    log = read(
        "start,end\n"
        "2025-10-26 02:50:00,2025-10-26 02:55:00\n"
        "2025-10-26 02:10:00,2025-10-26 02:15:00\n"
        "2025-10-26 02:40:00,2025-10-26 02:20:00\n",
        zone="Europe/Berlin",
    )
    # In the file's order the second row is of the second 02:10, the third one of the second 02:40
    # and cannot end at 02:20.
    assert [s.begin_us for s in log.stops] == [us("2025-10-26 00:50:00"), us("2025-10-26 01:10:00")]
    assert "negative" in kinds(log)[4]
    assert all("twice" in found for found in kinds(log).values())


def test_offsets_are_understood_and_never_mixed_up(read):
    log = read(
        "start,end\n2025-03-03T10:00:00+01:00,2025-03-03T09:30:00Z\n"
        "2025-03-03T12:00:00-0500,2025-03-03T17:00:01Z\n"
    )
    assert [s.length_us // S for s in log.stops] == [1800, 1]
    with pytest.raises(LogError, match=r"log\.csv:3: 1 of 4 times carry an offset"):
        read("start,end\n2025-03-03 10:00,2025-03-03 10:10\n2025-03-03 11:00,2025-03-03 11:10Z\n")
    with pytest.raises(LogError, match="--zone"):
        read("start,end\n2025-03-03 10:00Z,2025-03-03 10:10Z\n", WINDOW)


def test_dates_that_could_be_two_are_refused(read):
    text = "start,end\n03/04/2025 10:00,03/04/2025 10:10\n"
    with pytest.raises(LogError, match=r"log\.csv:2: '03/04/2025 10:00' could be day/month"):
        read(text)
    [stop] = read(text, time_format="%d/%m/%Y %H:%M").stops
    assert stop.begin_us == us("2025-04-03 10:00:00")
    days = [f"{day}/{month:02}/2025" for month in (4, 5, 6) for day in range(11, 26)]
    sure = "start,end\n" + "".join(f"{day} 10:00,{day} 10:10\n" for day in days)
    assert len(read(sure).stops) == 45
    # One row of another order among them is no proof against them, and is told.
    log = read(sure + "04/26/2025 10:00,04/26/2025 10:10\n")
    assert kinds(log) == {47: ["bad_time"]}


def test_durations_with_decimal_commas_and_units(read):
    log = read("start;duration_min;reason\n2025-03-03 10:00:00;1,5;a\n2025-03-03 11:00:00;2;b\n")
    assert [s.length_us for s in log.stops] == [90 * S, 120 * S]
    # 1,250 alone could be a thousand: not read, and told.
    log = read("start;duration_s\n2025-03-03 10:00:00;1,250\n2025-03-03 11:00:00;2\n")
    assert kinds(log) == {2: ["bad_duration"]}
    log = read("start;duration_s\n2025-03-03 10:00:00;1,250\n", decimal=",")
    assert log.stops[0].length_us == 1_250_000
    with pytest.raises(LogError, match="the unit of 'length' is not known"):
        read("start,length\n2025-03-03 10:00:00,5\n")
    assert read("start,length\n2025-03-03 10:00:00,0:01:30\n").stops[0].length_us == 90 * S


def test_end_and_duration_that_disagree(read):
    log = read(
        "start,end,duration_s\n"
        f"{DAY} 10:00:00,{DAY} 10:05:00,301\n{DAY} 11:00:00,{DAY} 11:05:00,400\n"
        f"{DAY} 12:00:00,{DAY} 12:o5:00,60\n{DAY} 13:00:00,{DAY} 13:05:00,x\n"
    )
    assert [s.length_us // S for s in log.stops] == [300, 300, 60, 300]
    assert kinds(log) == {3: ["disagree"], 4: ["bad_end"], 5: ["bad_beside"]}


def test_times_of_day_beside_a_date(read):
    log = read(f"date,start,end\n{DAY},10:00,10:10\n{DAY},23:50,00:10\n")
    assert [s.length_us // MIN for s in log.stops] == [10, 20]
    assert kinds(log) == {3: ["midnight"]}


COUNTED = "start,end,good,made,rejected\n"


def counted(read, *counts: str, **layout):
    text = COUNTED
    for day, count in enumerate(counts, start=1):
        text += f"2025-03-0{day} 08:00,2025-03-0{day} 16:00,{count}\n"
    log = read(rows("10:00:00 10:05:00 a"), text, **layout)
    return [(w.good, w.made, w.rejected) for w in log.windows], log


def test_two_counts_give_the_third_and_contradictions_are_told(read):
    found, log = counted(read, "90,100,", "90,,10", ",100,10", "90,100,20", "110,100,", "x,100,5")
    assert found[:3] == [(90, 100, 10)] * 3
    assert found[3:5] == [(None, None, None)] * 2
    assert found[5] == (95, 100, 5)
    told = {f.line: f.kind for f in log.findings if f.file.endswith("windows.csv")}
    assert told[5] == told[6] == "counts_disagree"
    assert [f.kind for f in log.findings if f.line == 7] == ["bad_count"]


def test_counters_that_go_on_and_begin_anew(read):
    text = "start,end,good\n"
    for day, reading in enumerate((1000, 1500, 1500, 200, 650), start=1):
        text += f"2025-03-0{day} 08:00,2025-03-0{day} 16:00,{reading}\n"
    log = read(rows("10:00:00 10:05:00 a"), text, counters=True)
    assert [w.good for w in log.windows] == [None, 500, 0, 200, 450]
    assert [(f.line, f.kind) for f in log.findings if f.kind in ("reset", "first_reading")] == [
        (2, "first_reading"),
        (5, "reset"),
    ]


def test_windows_that_overlap(read):
    log = read(
        rows("10:00:00 10:05:00 a"),
        f"start,end\n{DAY} 08:00,{DAY} 12:00\n{DAY} 11:00,{DAY} 16:00\n{DAY} 12:00,{DAY} 13:00\n"
        f"{DAY} 20:00,{DAY} 20:00\n",
    )
    assert [w.length_us // H for w in log.windows] == [4, 4]
    told = [(f.line, f.kind) for f in log.findings]
    assert sorted(told) == [(3, "window_overlap"), (4, "window_within"), (5, "empty_window")]


def test_rows_that_tell_of_running_are_the_windows(read):
    log = read(
        "start,end,reason,packs\n"
        f"{DAY} 08:00:00,{DAY} 09:00:00,run,1000\n{DAY} 09:00:00,{DAY} 09:10:00,sealer,0\n"
        f"{DAY} 09:10:00,{DAY} 10:00:00,run,900\n{DAY} 12:00:00,{DAY} 13:00:00,run,1100\n",
        states={"run": "running"},
        log={"made": "packs"},
    )
    assert [(w.length_us // MIN, w.made) for w in log.windows] == [(120, 1900), (60, 1100)]
    assert (log.windows_from, log.running_rows, len(log.stops)) == ("log", 3, 1)


def test_days_where_nobody_says_the_windows(read):
    log = read(
        "start,end\n2025-10-25 22:00:00,2025-10-25 23:00:00\n2025-10-27 01:00:00,"
        "2025-10-27 02:00:00\n",
        zone="Europe/Berlin",
    )
    # 2025-10-26 has 25 hours there.
    assert [w.length_us // H for w in log.windows] == [2, 25, 2]
    assert log.windows_from == "days"


@pytest.mark.parametrize(
    ("text", "layout", "told"),
    [
        ("", {}, "holds no heading"),
        ("start,end\n", {}, "holds no row with a time"),
        ("start\n2025-03-03\n", {}, "the heading must have several columns"),
        ("a,b\n1,2\n", {}, "needs two columns of start, end and duration, has none"),
        ("start,reason\n2025-03-03 10:00,x\n", {}, "has start"),
        ("start,end\nsoon,later\n", {}, "log.csv:2: a time must be like"),
        ("start,end\n2025-03-03 10:00,2025-03-03 10:00\n", {"zone": "Atlantis"}, "--zone"),
        (
            "start,end\n2025-03-03 10:00,2025-03-03 10:00\n",
            {"log": {"reason": "fault"}},
            "no such column, is 'fault', allowed: start, end",
        ),
        ("start,end,end\n2025-03-03 10:00,x,y\n", {}, "needs two columns"),
        ("start,end\n2025-03-03 10:00,2025-03-03 10:00\n", {"encoding": "klingon"}, "--encoding"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line(read, text, layout, told):
    with pytest.raises(LogError) as refused:
        read(text, **layout)
    assert told in str(refused.value)
    assert "\n" not in str(refused.value)


def test_machines_of_windows_and_of_stops_must_meet(read):
    windows = f"start,end,machine\n{DAY} 08:00,{DAY} 16:00,granola 1\n"
    with pytest.raises(LogError, match="no stop is of a machine that has a window"):
        read(rows("10:00:00 10:05:00 a"), windows)
    text = f"start,end,machine\n{DAY} 10:00,{DAY} 10:05,granola 1\n{DAY} 11:00,{DAY} 11:05,oats\n"
    log = read(text, windows)
    assert log.machines == ("granola 1",)
    assert kinds(log)[3] == ["no_windows"]


def test_numbers():
    point, comma, unsure = Marks(["1.5", "2"]), Marks(["1,5"]), Marks(["1.500", "2.250"])
    assert [read_length_us(t, "s", point) for t in ("1.5", "1,5", "-1", "x", "1e3")] == [
        1_500_000,
        *[None] * 4,
    ]
    assert read_length_us("0,25", "min", comma) == 15 * S
    assert read_count("1.500", unsure) is None
    assert read_count("1.500", Marks([], ",")) == 1500
    # Of proofs for both marks the more frequent one holds.
    assert Marks(["1,5", "2,5", "3.5"]).decimal == ","


def test_a_layout_file(tmp_path):
    path = tmp_path / "columns.toml"
    path.write_text('zone = "Europe/Berlin"\n[log]\nstart = "begin"\n[states]\nrun = "running"\n')
    layout = load_layout(path)
    assert (layout.zone, layout.log.start, layout.states) == (
        "Europe/Berlin",
        "begin",
        {"run": "running"},
    )
    path.write_text('zone = 3\n[log]\nstrat = "begin"\n[states]\nrun = "walking"\n')
    with pytest.raises(ConfigError) as wrong:
        load_layout(path)
    text = str(wrong.value)
    assert "columns.toml:1: zone: must be a text" in text
    assert "columns.toml:3: log.strat: no such key: meant is perhaps start" in text
    assert "columns.toml:5: states.run: must be" in text


def stops_of(log) -> Counter:
    return Counter((s.begin_us, s.end_us, s.reason, s.machine) for s in log.stops)


DAY_US = 24 * 3600 * 10**6


def misread(case: Case, path: Path) -> str:
    """What is wrong with the reading of a broken file, or nothing."""
    path.write_bytes(case.data)
    try:
        log = read_log(path)
    except LogError as error:
        if case.stops is not None:
            # A year that was edited may be a sound one, but far from all others.
            days = (max(s[1] for s in case.stops) - min(s[0] for s in case.stops)) / DAY_US
            is_far = days > 10_000 and "the stops go on over" in str(error)
            return "" if is_far else f"refused: {error}"
        named = any(f":{line}:" in str(error) for line in case.lines)
        return "" if named else f"refused without the line {set(case.lines)}: {error}"
    if case.stops is None:
        return "not refused"
    told = {finding.line for finding in log.findings}
    if case.open_line:
        found = Counter(
            (s.begin_us, s.end_us, s.reason, s.machine)
            for s in log.stops
            if s.line != case.open_line
        )
    else:
        found = stops_of(log)
    if found != Counter(case.stops):
        return f"other stops: {found - Counter(case.stops)}, {Counter(case.stops) - found}"
    if case.lines and not case.lines & told:
        return f"line {set(case.lines)} not told, but {log.findings}"
    if case.kinds and not case.kinds & {f.kind for f in log.findings if f.line in case.lines}:
        return f"told as another kind: {log.findings}"
    if case.silent and log.findings:
        return f"told without cause: {log.findings}"
    aside = {finding.line for finding in log.findings if finding.sets_aside}
    if log.rows != len(log.stops) + len(aside):
        return f"{log.rows} rows, {len(log.stops)} stops, {len(aside)} set aside"
    return ""


def check_mutations(numbers: range, folder: Path) -> None:
    wrong = []
    for number in numbers:
        case = mutated(number)
        said = misread(case, folder / "log.csv")
        if said:
            wrong.append(f"{case.name}: {said}")
    assert not wrong, f"{len(wrong)}: " + "\n".join(wrong[:10])


def test_broken_logs_are_never_misread_in_silence(tmp_path):
    check_mutations(range(500), tmp_path)


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(10))
def test_50_000_broken_logs(tmp_path, part):
    check_mutations(range(5000 * part, 5000 * (part + 1)), tmp_path)


def test_the_check_of_broken_logs_can_fail(tmp_path, monkeypatch):
    """A reader that keeps what it should tell is found out."""
    monkeypatch.setattr("feedsim.logs.findings.Notebook.note", lambda *told: None)
    with pytest.raises(AssertionError):
        check_mutations(range(100), tmp_path)


WRONG_COUNTS = ("x", "", "-3", "12.5", "12,5", "2,849", "2.849", "1e3", "1 200", "0x10", "nan", "³")


def test_broken_counts_are_never_misread_in_silence(read):
    rng = random.Random(7)
    for _ in range(100):
        counts = [str(rng.randrange(20_000)) for _ in range(rng.randint(2, 9))]
        sound = [int(count) for count in counts]
        broken = rng.randrange(len(counts))
        counts[broken] = rng.choice(WRONG_COUNTS)
        text = "start;end;good\n"
        for day, count in enumerate(counts, start=1):
            text += f"2025-03-0{day} 08:00;2025-03-0{day} 16:00;{count}\n"
        log = read(rows("10:00:00 10:05:00 a"), text)
        found = [window.good for window in log.windows]
        assert found == [*sound[:broken], None, *sound[broken + 1 :]], counts
        told = [(f.line, f.kind) for f in log.findings if f.file.endswith("windows.csv")]
        assert told == [(broken + 2, "bad_count" if counts[broken] else "no_count")]


def test_states_that_a_config_or_a_log_names_are_those_of_the_accounts():
    assert set(BUILT_IN_STATES) == MOVING | PLANNED | {DRY, LANE_FAULT, JAM, BLOCKED}
    assert set(STATES) == set(BUILT_IN_STATES) - {RETRY, RESTARTING}


def test_every_rule_is_counted_in_order():
    assert list(counts_by_kind([])) == []
    assert all(rule.what and rule.done for rule in RULES.values())
