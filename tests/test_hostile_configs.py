"""Hostile configs: whatever a file holds, it is refused with its line or runs, balances kept."""

from __future__ import annotations

import os
import random
import sys
import time
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import pytest
from hostile import TEXTS, Tally, command_line, mutated_toml, within
from test_config_base import CELL
from test_film_model import CELL as FILM_CELL
from test_film_model import MODEL

from feedsim.accounts import check_balances, read
from feedsim.cell import Cell, build_cell
from feedsim.cli import main
from feedsim.config import (
    ConfigError,
    dump_toml,
    explain,
    load_config,
    parse_config,
    starter_text,
    warnings_of,
)
from feedsim.config.write import toml_value
from feedsim.film import table_of
from feedsim.model.shift import run_shift
from feedsim.verify.random_cells import random_config

# What a mutant that loads may cost: cycles of all machines, and due times of duties and rounds.
MOST_CYCLES = 300
MOST_DUE = 200
MOST_MACHINES = 20

TIMES_CELL = """\
title = "granola, from logs"
[money]
currency = "EUR"
pack_margin = 0.4
[[machine]]
name = "granola"
at_m = [4, 0]
speed_per_min = 50
[machine.magazine]
capacity_bags = 100
bundle_bags = 50
bundle = { family = "empirical", file_s = "times.txt" }
[[machine.station]]
name = "sealer"
between_stops = { family = "weibull", mean_min = 20, shape = 1.2 }
stop = { family = "exponential", mean_s = 60, covariance = [[0.02]] }
[machine.pick]
clear = { family = "empirical", file_min = "times.txt" }
retries = 2
retry_s = 0.4
misses_to_stop = 2
on_lane_fault = "other_lane"
single_lane_speed_per_min = 30
[machine.bag]
faults = { missed = 0.05, double = 0.01, jam = 0.01 }
"""


STARTER = starter_text()


def prepare(folder: Path) -> None:
    """Write what the configs name: a film model, measured times, and a pipe that never ends."""
    (folder / "film.toml").write_text(dump_toml(table_of(MODEL)))
    (folder / "times.txt").write_text("18\n22.5\n31\n")
    os.mkfifo(folder / "pipe")


def check(path: Path) -> None:
    """Load a config and do with it what the commands do; what loads must also run."""
    config = load_config(path)
    assert explain(config)
    warnings_of(config)
    assert parse_config(dump_toml(config)) == config, "the resolved config is another one"
    names = [
        config.title.replace("\n", " "),
        *(name for machine in config.machine for name in machine.names),
    ]
    names += [station.name for machine in config.machine for station in machine.station]
    names += [config.money.currency] if config.money else []
    assert all(name.isprintable() for name in names), names
    run(build_cell(config))


def run(cell: Cell) -> None:
    """Simulate the beginning of a shift."""
    if len(cell.machines) > MOST_MACHINES:
        return
    cycle_us = min(machine.cycle_us for machine in cell.machines)
    every = [duty.every_us for duty in cell.crew.duties]
    every += [] if cell.crew.rounds_us is None else [cell.crew.rounds_us]
    longest_us = MOST_CYCLES * cycle_us // len(cell.machines)
    longest_us = min([longest_us, *(each * MOST_DUE // len(every) for each in every)])
    short = replace(cell, shift_us=max(1, min(cell.shift_us, longest_us)), warm_up_us=0)
    record = run_shift(short, seed=1, replication=1)
    check_balances(record, short)
    read(record, short)


PLAIN = (CELL, FILM_CELL, TIMES_CELL, STARTER)


@cache
def drawn() -> list[str]:
    """Sound configs in which every mechanism occurs."""
    return [random_config(random.Random(number)) for number in range(100)]


def bases(rng: random.Random) -> list[str]:
    """Sound configs to be mutated, and to take parts of."""
    return [*rng.choices(PLAIN, k=2), *rng.choices(drawn(), k=2)]


def attack(seeds: range, folder: Path) -> Tally:
    """Load mutants, each told by its number."""
    tally = Tally()
    prepare(folder)
    path = folder / "cell.toml"
    named = ("film.toml", "times.txt", "../../etc/passwd")
    files = [str(path), "/etc/passwd", *(str(folder / name) for name in named)]
    for seed in seeds:
        rng = random.Random(f"config {seed}")
        data = mutated_toml(rng, bases(rng))
        path.write_bytes(data)
        tally.judge(f"config {seed}", data, partial(check, path), files)
    return tally


def test_hostile_configs(tmp_path: Path) -> None:
    tally = attack(range(60), tmp_path)
    tally.refuse_faults()
    assert tally.taken and tally.refused, tally


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(10))
def test_100_000_hostile_configs(part: int, tmp_path: Path) -> None:
    tally = attack(range(10_000 * (part + 1), 10_000 * (part + 2)), tmp_path)
    print(f"\n{tally}")
    tally.refuse_faults()


# The harness finds what it is there to find.


def _fail(*_: object, **__: object) -> None:
    raise KeyError("lanes")


@pytest.mark.parametrize(
    ("place", "planted", "said"),
    [
        ("feedsim.config.load.line_of", lambda *_: None, "no line"),
        ("feedsim.config.problems.escaped", lambda text: text + "\x1b[m", "not printable"),
        ("feedsim.config.load.findings_of_sense", _fail, "KeyError (test_hostile_configs.py:"),
        ("test_hostile_configs.warnings_of", lambda _: time.sleep(60), "TooSlow: waits"),
        ("test_hostile_configs.run", _fail, "KeyError"),
        ("test_hostile_configs.dump_toml", lambda _: CELL, "the resolved config is another one"),
    ],
)
def test_a_planted_fault_is_found(
    place: str, planted: object, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(place, planted)
    monkeypatch.setattr("hostile.LONGEST_S", 0.05)
    tally = attack(range(25), tmp_path)
    assert any(said in found for found in tally.faults), tally.faults
    with pytest.raises(AssertionError, match=r"config \d+: "):
        tally.refuse_faults()


# Sizes that nobody has.

ABSURD = (
    "study.shift_h=1e9",
    "study.shift_h=1e-300",
    "study.replications=1000000000",
    "study.seed=9223372036854775808",
    "study.warm_up_h=1e300",
    "crew.operators=1000000",
    "crew.rounds_every_min=1e-300",
    "crew.walk_s=1e300",
    'crew.duty=[{ name = "sweep", every_min = 1e-300, takes = 0 }]',
    "machine.count=1000000",
    "machine.speed_per_min=1e300",
    "machine.speed_per_min=1e-300",
    "machine.magazine.lanes=100000",
    "machine.magazine.capacity_bags=1000000000000",
    "machine.magazine.bundle_bags=1000000000000",
    "machine.magazine.carry_bundles=1000000000000",
    'machine.magazine.bundle={ family = "constant", mean_s = 1e300 }',
    'machine.magazine.bundle={ family = "lognormal", mean_s = 22, cv = 1e300 }',
    'machine.magazine.bundle={ family = "empirical", values_s = [1e300] }',
    "machine.pick.retries=1000000000",
    "machine.pick.discard_on_clear_bags=1000000000000",
    "machine.outfeed.accumulation_packs=1000000000000",
    "machine.scrap_packs=1000000000000",
)
THIN = '{ loading = "stacked", stack_height_mm = 1e5, bag_thickness_mm = 1e-310 }'


@pytest.mark.parametrize("absurd", ABSURD)
def test_absurd_sizes_are_refused_at_once(absurd: str) -> None:
    with within(1), pytest.raises(ConfigError) as refused:
        parse_config(TIMES_CELL.replace("times.txt", ""), overrides=[absurd])
    key = absurd.partition("=")[0].replace("machine.", "machine[0].")
    told = [str(problem) for problem in refused.value.problems if problem.file == "--set"]
    assert any(key.split(".")[-1].split("[")[0] in line for line in told), told
    assert all(line.isprintable() and len(line) < 400 for line in told)


def test_a_lane_of_bags_without_thickness_is_refused() -> None:
    text = FILM_CELL.replace("capacity_bags = 100", f"geometry = {THIN}")
    with pytest.raises(ConfigError, match=r"at most 1000000 bags per lane, holds 1000000000000000"):
        parse_config(text)


# Names that a terminal would obey, or that lead elsewhere.

KEYS = ("title", "money.currency", "machine.name", "machine.bag.closure", "machine.bag.film")


NAMED_CELL = """\
[[machine]]
speed_per_min = 50
[machine.magazine]
capacity_bags = 100
"""


@pytest.mark.parametrize("key", KEYS)
def test_hostile_texts_are_refused_or_shown_as_they_are(key: str, tmp_path: Path) -> None:
    taken = 0
    for text in TEXTS:
        override = f"{key}={toml_value(text)}"
        try:
            config = parse_config(NAMED_CELL, "c", tmp_path, [override])
        except ConfigError as error:
            assert str(error).replace("\n", "").isprintable(), text
            assert len(str(error)) < 1000, text
            continue
        taken += 1
        assert text.replace("\n", " " if key == "title" else "\n").isprintable()
        assert all(row.value.isprintable() for row in explain(config))
        assert parse_config(dump_toml(config)) == config
    assert taken or key.rsplit(".", maxsplit=1)[-1] in ("closure", "film", "file_s")


NAMES = (
    *("$\\frac{1}{", "$", "_$^", "..", ".", "[bold]x[link]", "=1+1", "<script>alert(1)"),
    *("{{7*7}}", "%s%n", "$(touch x)", "`x`", "名前", "شريط", "🥣", "C:\\x"),
)


@pytest.mark.campaign
def test_names_lead_nowhere_but_into_the_folder(tmp_path: Path) -> None:
    """Machines and stations of hostile names, on figures, in tables and in files."""
    text = f"title = {toml_value(NAMES[0])}\n[study]\nreplications = 2\nshift_h = 0.2\n"
    for name in NAMES:
        text += f"[[machine]]\nname = {toml_value(name)}\nspeed_per_min = 30\n"
        text += "[machine.magazine]\ncapacity_bags = 50\n"
        text += f"[[machine.station]]\nname = {toml_value('s' + name)}\n"
        text += 'between_stops = { family = "exponential", mean_min = 2 }\nstop = 0\n'
    (tmp_path / "cell.toml").write_text(text)
    ended = command_line(tmp_path, "run", "cell.toml", "--jobs", "1", "--out", "out")
    assert ended.returncode == 0, ended.stderr
    assert all(line.isprintable() for line in (ended.stdout + ended.stderr).splitlines())
    assert {path.name for path in tmp_path.iterdir()} == {"cell.toml", "out"}
    assert all(path.is_file() for path in (tmp_path / "out").iterdir())


@pytest.mark.campaign
def test_the_command_line_ends_as_the_loader_does(tmp_path: Path, monkeypatch, capsys) -> None:
    """Exit code 0 or 2 of `check`, on 300 mutants, by what loading them comes to."""
    prepare(tmp_path)
    path = tmp_path / "cell.toml"
    monkeypatch.setattr(sys, "argv", ["feedsim", "check", str(path)])
    for seed in range(500, 800):
        rng = random.Random(f"config {seed}")
        path.write_bytes(mutated_toml(rng, bases(rng)))
        try:
            load_config(path)
            wanted = 0
        except ConfigError:
            wanted = 2
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        assert ended.value.code == wanted, (seed, err)
        assert all(line.isprintable() for line in (out + err).splitlines()), seed
        if seed % 30 == 0:
            process = command_line(tmp_path, "check", str(path))
            assert (process.returncode, process.stdout) == (wanted, out)
            assert "Traceback" not in process.stderr
