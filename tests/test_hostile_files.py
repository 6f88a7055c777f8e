"""Hostile data files: whatever a file holds, it is read or refused with its line."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from unicodedata import category

import numpy as np
import pytest
from hostile import Tally, command_line, mutated_csv, mutated_toml, within
from log_mutations import sound
from test_film_model import MODEL
from test_fit_picks import GOOD

from feedsim.answers.account import account
from feedsim.answers.account_json import account_json
from feedsim.config import ConfigError, Problem, dump_toml
from feedsim.config.datafile import read_numbers
from feedsim.config.film import read_film_model
from feedsim.config.times import MOST_VALUES
from feedsim.config.write import toml_value
from feedsim.film import table_of
from feedsim.fit.trials import read_trials
from feedsim.logs import EventLog, LogError, load_layout, read_log

OBEYED = ("Cc", "Cf", "Cs", "Zl", "Zp")
LOG = """\
start,end,duration_min,reason,machine,good,rejects
2025-03-03 10:00:00,2025-03-03 10:05:00,5,sealer,oats,300,2
2025-03-03 11:00:00,2025-03-03 11:01:30,1.5,coder,oats,120,0
2025-03-03 12:00:00,2025-03-03 12:30:00,30,lunch,granola,7,1
2025-03-03 14:00:00+01:00,2025-03-03 14:00:20+01:00,0.3,film jam,oats,1,1
"""
OF_DAYS = """\
date;start;minutes;cause
03.03.2025;10:00:00;5,5;sealer
03.03.2025;23:58:00;4,25;coder
04.03.2025;00:30:00;1,75;running
"""
WINDOWS = """\
start,end,machine,made,rejected,speed
2025-03-03 08:00:00,2025-03-03 16:00:00,oats,2849,12,40
2025-03-04 08:00:00,2025-03-04 16:00:00,oats,3102,0,40.5
2025-03-04 08:00:00,2025-03-04 16:00:00,granola,1204,3,
"""
LAYOUT = """\
zone = "Europe/Berlin"
decimal = ","
delimiter = ";"
encoding = "cp1252"
counters = true
missing_end = "until-next"
visited = ["film jam", "no bags"]
speed_per_min = 42.5
time_format = "%d.%m.%Y %H:%M"
[log]
start = "begin"
duration = "length"
duration_unit = "min"
[windows]
good = "ok"
[states]
lunch = "planned_stop"
"""
NUMBERS = "# seconds\n18\n22.5\n31 # odd\n\n1e2\n"
# As LAYOUT says that it is written.
STOPS = """\
begin;length;cause;ok
03.03.2025 10:00;5,5;film jam;120
03.03.2025 23:58;4,25;lunch;300
04.03.2025 07:30;1,75;pâte;420
"""
FILMS = """\
film;attempts;missed;double;unopened;skewed;jam
PET12/LLDPE80;500;2;0;1;0;0
PET12/LLDPE100;400;0;0;0;3;1
"""
FILM = dump_toml(table_of(MODEL))


STOPS_OF_2025 = "start,end,reason\n2025-03-03 10:00:00,2025-03-03 10:05:00,sealer\n"
# Logs that are taken to accounts, which takes longer than reading them.
ACCOUNTS_EVERY = 20


class Reader:
    """Reads mutants of one kind of file; what is taken must keep what its kind promises."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.logs = 0
        (folder / "plain.csv").write_text(LOG.replace("+01:00", ""))
        (folder / "stops.csv").write_text(STOPS, encoding="cp1252")

    def log(self, path: Path) -> None:
        self._account(read_log(path), path)

    def windows(self, path: Path) -> None:
        self._account(read_log(self.folder / "plain.csv", windows=path), path)

    def layout(self, path: Path) -> None:
        layout = load_layout(path)
        read_log(self.folder / "stops.csv", layout)

    def trials(self, path: Path) -> None:
        trials = read_trials(path)
        assert trials.lines
        assert all(0 < line.attempts >= sum(line.counts.values()) for line in trials.lines)
        assert all(note.isprintable() for note in trials.notes)

    def film(self, path: Path) -> None:
        model = read_film_model(path)
        for closure in model.closures:
            for stiffness in (1e-3, 40.0, 1e6):
                chances = model.chances(closure, stiffness)
                assert all(0 <= chance <= 1 for chance in chances), chances
                assert all(line.isprintable() for line in model.warnings(closure, stiffness))
        model.draw(np.random.default_rng(1))
        again = self.folder / "again.toml"
        again.write_text(dump_toml(table_of(model)), encoding="utf-8")
        assert read_film_model(again) == model

    def numbers(self, path: Path) -> None:
        numbers, problems = read_numbers(path, MOST_VALUES)
        if problems:
            raise ConfigError([Problem(str(path), line, "", text) for line, text in problems])
        assert all(0 <= number < float("inf") for number in numbers)

    def _account(self, log: EventLog, path: Path) -> None:
        assert all(stop.begin_us <= stop.end_us for stop in log.stops)
        assert all(window.begin_us < window.end_us for window in log.windows)
        told = [*log.reasons, *log.machines, *map(str, log.findings), *log.columns.get("log", {})]
        # Spaces and letters of all scripts stay; what a terminal would obey does not.
        assert not any(category(letter) in OBEYED for text in told for letter in text), told
        self.logs += 1
        if self.logs % ACCOUNTS_EVERY:
            return
        result = account(log, per="day")
        assert result.findings_frame().shape[0] >= len(log.findings)
        json.dumps(account_json(result), allow_nan=False)
        for machine in result.machines:
            assert sum(each.stops for each in machine.lengths.classes) == machine.lengths.stops


KINDS: dict[str, tuple[Callable[..., bytes], Callable[[random.Random], list[str]]]] = {
    "log": (mutated_csv, lambda rng: [LOG, OF_DAYS, "\n".join(sound(rng).lines()) + "\n"]),
    "windows": (mutated_csv, lambda rng: [WINDOWS]),
    "layout": (mutated_toml, lambda rng: [LAYOUT]),
    "trials": (mutated_csv, lambda rng: [GOOD, GOOD.replace(",", ";"), FILMS]),
    "film": (mutated_toml, lambda rng: [FILM]),
    "numbers": (mutated_csv, lambda rng: [NUMBERS]),
}


def attack(kind: str, seeds: range, folder: Path) -> Tally:
    """Read mutants of a kind of file, each told by its number."""
    tally, read = Tally(), getattr(Reader(folder), kind)
    mutate, bases = KINDS[kind]
    path = folder / "mutant.txt"
    files = (str(path), str(folder / "stops.csv"), str(folder / "plain.csv"))
    for seed in seeds:
        rng = random.Random(f"{kind} {seed}")
        data = mutate(rng, bases(rng))
        path.write_bytes(data)
        tally.judge(f"{kind} {seed}", data, partial(read, path), files)
    return tally


@pytest.mark.parametrize("kind", KINDS)
def test_hostile_files(kind: str, tmp_path: Path) -> None:
    tally = attack(kind, range(40), tmp_path)
    tally.refuse_faults()
    assert tally.taken and tally.refused, tally


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("kind", "number"),
    [
        ("log", 30_000), ("windows", 20_000), ("layout", 15_000), ("trials", 15_000),
        ("film", 15_000), ("numbers", 5_000),
    ],
)  # fmt: skip
def test_100_000_hostile_files(kind: str, number: int, tmp_path: Path) -> None:
    tally = attack(kind, range(1000, 1000 + number), tmp_path)
    print(f"\n{kind}: {tally}")
    tally.refuse_faults()


# The harness finds what it is there to find.


def _fail(*_: object, **__: object) -> None:
    raise KeyError("start")


@pytest.mark.parametrize(
    ("kind", "place", "planted", "said"),
    [
        ("log", "feedsim.logs.read.windows_of_days", _fail, "KeyError"),
        (
            "log",
            "feedsim.logs.sheet._harmless",
            lambda cell: cell.replace("coder", "\x07"),
            "AssertionError",
        ),
        ("layout", "feedsim.logs.layout.line_of", lambda *_: None, "no line"),
        ("trials", "feedsim.fit.trials.MOST_ATTEMPTS", 0, "taken too seldom"),
        ("film", "feedsim.film.file._is_covariance", lambda *_: True, "Error"),
        ("film", "feedsim.config.film.line_of", lambda *_: None, "no line"),
        ("numbers", "feedsim.config.datafile._NUMBER", re.compile(".*"), "ValueError"),
    ],
)
def test_a_planted_fault_is_found(
    kind: str, place: str, planted: object, said: str, tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.setattr(place, planted)
    tally = attack(kind, range(40), tmp_path)
    if said == "taken too seldom":
        assert not tally.taken
        return
    assert any(said in found for found in tally.faults), tally.faults
    with pytest.raises(AssertionError, match=rf"{kind} \d+: "):
        tally.refuse_faults()


# Cases that mutants seldom meet.


def refusal(text: str, path: Path) -> str:
    """What a log is refused with, at once."""
    path.write_text(text)
    with within(1), pytest.raises(LogError) as refused:
        read_log(path)
    return str(refused.value)


def test_stops_of_decades_are_no_days_of_production(tmp_path: Path) -> None:
    """A mistyped year would make a window of each day until then."""
    path = tmp_path / "log.csv"
    told = refusal(STOPS_OF_2025 + "2025-03-04 10:00:00,2099-03-04 10:05:00,sealer\n", path)
    assert told.startswith(f"{path}:3: the stops go on over 27,029 days")
    assert "at most 10,000 days, or --windows" in told


def test_a_length_beyond_all_times_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "start,duration_h,reason\n2025-03-03 10:00:00,999999999999999999,a\n"
        "2025-03-04 10:00:00,2,b\n"
    )
    with within(1):
        log = read_log(path)
    assert [stop.reason for stop in log.stops] == ["b"]
    assert [(found.line, found.kind) for found in log.findings] == [(2, "bad_duration")]


@pytest.mark.parametrize("letter", ["\x1b", "\x07", "\u202e", "\u2066", "\u200b", "\x9b", "\x0b"])
def test_no_terminal_obeys_a_reason_a_machine_or_a_heading(letter: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        f"start,end,reason,machine,good{letter}\n"
        f"2025-03-03 10:00:00,2025-03-03 10:05:00,film{letter}jam,gra{letter}nola,1\n"
        f"2025-03-03 11:00:00,,film{letter}jam,gra{letter}nola,1{letter}\n",
        encoding="utf-8",
    )
    log = read_log(path)
    told = [*log.reasons, *log.machines, *map(str, log.findings), *log.columns["log"].values()]
    assert len(told) == 7
    assert all(text.isprintable() for text in told), told
    escape = letter.encode("unicode_escape").decode()
    assert log.reasons == (f"film{escape}jam",)


def test_letters_of_all_languages_stay(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = "2025-03-03 10:00:00,2025-03-03 10:05:00,Beutel fehlt\u00a0– café 名 شريط 🥣\n"
    path.write_text("start,end,reason\n" + rows, encoding="utf-8")
    assert read_log(path).reasons == ("Beutel fehlt\u00a0– café 名 شريط 🥣",)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("zone", "../../etc/passwd", "no such time zone"),
        ("zone", "\x00", "no such time zone"),
        ("zone", "Europe", "no such time zone"),
        ("speed_per_min", 1e-308, "must be a number from 0.001 to 100000"),
        ("encoding", "hex", "no such encoding of text"),
        ("encoding", "x" * 10_000, "no such encoding of text"),
        ("time_format", "%d.%d", "a directive stands twice"),
        ("time_format", "%Q", "no such directive"),
        ("delimiter", "", r'one of ",", ";", "\t", "|"'),
    ],
)
def test_a_layout_tells_its_line(key: str, value: str | float, words: str, tmp_path: Path) -> None:
    path = tmp_path / "columns.toml"
    path.write_text(f"counters = true\n{key} = {toml_value(value)}\n")
    with pytest.raises(ConfigError) as refused:
        load_layout(path)
    assert str(refused.value).startswith(f"{path}:2: {key}: ")
    assert words in str(refused.value)
    assert str(refused.value).isprintable()


def test_keys_and_numbers_without_end_are_refused_at_once(tmp_path: Path) -> None:
    """Of what takes a reader of TOML, or a pattern, a time that grows with the square."""
    path = tmp_path / "mutant.txt"
    path.write_text("a = 1\n" + "a." * 100_000 + "b = 1\n")
    with within(1), pytest.raises(ConfigError, match=":2: not valid TOML: keys are nested too dee"):
        load_layout(path)
    path.write_text("1" * 100_000 + "x")
    with within(1):
        assert read_numbers(path, 10)[1][0][0] == 1
    path.write_text("film,attempts,missed\n" + "1" * 100_000 + ",5,1\n")
    with within(1), pytest.raises(ConfigError, match=":2: film: must be layers"):
        read_trials(path)


@pytest.mark.campaign
def test_the_command_line_ends_as_the_reader_does(tmp_path: Path) -> None:
    """Exit code 0 or 2 of `account`, on 20 mutants, by what reading them comes to."""
    path = tmp_path / "log.csv"
    for seed in range(20):
        rng = random.Random(f"log {seed}")
        path.write_bytes(mutated_csv(rng, KINDS["log"][1](rng)))
        try:
            read_log(path)
            wanted = 0
        except LogError:
            wanted = 2
        ended = command_line(tmp_path, "account", "log.csv", "--out", f"out{seed}")
        assert ended.returncode == wanted, (seed, ended.stderr)
        assert "Traceback" not in ended.stderr
        said = (ended.stdout + ended.stderr).splitlines()
        assert all(line.isprintable() for line in said), (seed, said)
