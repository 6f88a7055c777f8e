"""The choice of the engine, and that no answer hangs on it."""

from __future__ import annotations

import json
import os
import stat
import sys
from dataclasses import replace
from pathlib import Path
from threading import Thread

import numpy as np
import pytest
from test_cli import CONFIG, feedsim  # noqa: F401 (a fixture)

import feedsim.engines as engines
from feedsim.accounts import BalanceError, columns_of
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.engines import (
    AUTO,
    COMPILED,
    COMPILING,
    SIMPY,
    NoEngineError,
    choose,
    engine_named,
    made_ready,
    simulate,
)
from feedsim.executors import executor_for
from feedsim.kernel import machine_code
from feedsim.kernel.limits import refusal
from feedsim.study import Setting, Work, run_study
from feedsim.verify.random_cells import random_config

SMALL, MIDDLING, LARGE = 1_000, 10_000_000, 10_000_000_000


@pytest.fixture
def cell() -> Cell:
    return build_cell(parse_config(CONFIG))


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_code, "is_kept", lambda: True)
    monkeypatch.setattr(engines, "_ready", {})


@pytest.fixture
def not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_code, "is_kept", lambda: False)
    monkeypatch.setattr(engines, "_ready", {})


# What is chosen.


def test_auto_loads_machine_code_for_what_takes_longer(cell: Cell, kept: None) -> None:
    assert choose(AUTO, [cell], SMALL).engine == SIMPY
    assert choose(AUTO, [cell], MIDDLING) == (COMPILED, "")


def test_auto_takes_what_is_loaded(
    cell: Cell, not_kept: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(engines._ready, COMPILED, engines.SimpyModel())
    assert choose(AUTO, [cell], SMALL) == (COMPILED, "")
    assert choose(SIMPY, [cell], SMALL) == (SIMPY, "")


def test_auto_does_not_compile_for_what_simpy_does_sooner(cell: Cell, not_kept: None) -> None:
    assert choose(AUTO, [cell], MIDDLING) == (SIMPY, "")
    assert choose(AUTO, [cell], LARGE) == (COMPILED, COMPILING)
    assert choose(AUTO, [cell], LARGE, jobs=1_000).engine == SIMPY


def test_what_is_asked_for_is_taken(cell: Cell, not_kept: None) -> None:
    assert choose(SIMPY, [cell], LARGE) == (SIMPY, "")
    assert choose(COMPILED, [cell], SMALL) == (COMPILED, COMPILING)


def test_without_numba_simpy_runs_and_compiled_is_refused(
    cell: Cell, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engines, "find_spec", lambda name: None)
    assert choose(AUTO, [cell], LARGE) == (SIMPY, "")
    with pytest.raises(NoEngineError, match="pip install"):
        choose(COMPILED, [cell], SMALL)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"chances": (1e-13, 0.0, 0.0, 0.0, 0.0)}, "a chance below"),
        ({"bad_share": 0.1, "capacity_bags": 10**8, "bundle_bags": 1}, "bundles in a lane"),
        ({"capacity_bags": 10**14}, "the lane lasts too long"),
    ],
)
def test_what_the_compiled_model_does_not_run_is_refused_by_name(
    cell: Cell, kept: None, changes: dict[str, object], said: str
) -> None:
    odd = replace(cell, machines=(replace(cell.machines[0], **changes),))
    assert said in (refusal(odd) or "")
    choice = choose(COMPILED, [cell, odd], SMALL)
    assert choice.engine == SIMPY
    assert said in choice.note
    assert "oats" in choice.note


def test_a_shift_beyond_all_numbers_is_refused(cell: Cell) -> None:
    assert refusal(cell) is None
    assert "study.shift_h" in (refusal(replace(cell, shift_us=1 << 58)) or "")


def test_a_compiler_that_fails_leaves_simpy(monkeypatch: pytest.MonkeyPatch, cell: Cell) -> None:
    def fail(name: str) -> None:
        raise RuntimeError("no such processor\nand more")

    monkeypatch.setattr(engines, "engine_named", fail)
    ready = made_ready(engines.Choice(COMPILED))
    assert ready.engine == SIMPY
    assert "no such processor" in ready.note


# What it answers.


def test_sums_are_named_as_the_reading_names_them(cell: Cell) -> None:
    reading = simulate(cell, 1, 1)
    assert [list(sums) for sums in (*reading.machines, reading.crew)] == columns_of(cell)


def test_columns_of_random_cells() -> None:
    import random

    for seed in range(30):
        some = build_cell(parse_config(random_config(random.Random(seed))))
        reading = simulate(some, 1, 1)
        assert [list(sums) for sums in (*reading.machines, reading.crew)] == columns_of(some)


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_study_is_the_same_on_both_engines(cell: Cell, jobs: int) -> None:
    settings = [Setting({}, cell), Setting({}, replace(cell, shift_us=cell.shift_us // 2))]
    found = [
        run_study(
            settings, replications=7, seed=3, confidence=0.9, work=Work(jobs=jobs, engine=engine)
        )
        for engine in (SIMPY, COMPILED)
    ]
    assert [results.engine for results in found] == [SIMPY, COMPILED]
    for ours, theirs in zip(found[0].sums, found[1].sums, strict=True):
        for a, b in zip([*ours.machines, ours.crew], [*theirs.machines, theirs.crew], strict=True):
            assert a.keys() == b.keys()
            assert all(np.array_equal(a[name], b[name]) for name in a)


def test_replications_in_any_grouping(cell: Cell) -> None:
    kernel = engine_named(COMPILED)
    whole = kernel.sums(cell, 5, range(1, 9))
    parts = [kernel.sums(cell, 5, range(1, 4)), kernel.sums(cell, 5, range(4, 9))]
    assert np.array_equal(whole, np.vstack(parts))


def test_processes_can_be_used_with_the_compiled_model(cell: Cell) -> None:
    with executor_for(2) as pool:
        study = [Setting({}, cell)]
        there = run_study(
            study, replications=4, seed=3, confidence=0.9, work=Work(2, COMPILED, pool)
        )
    here = run_study(study, replications=4, seed=3, confidence=0.9, work=Work(engine=COMPILED))
    assert np.array_equal(there.sums[0].crew["busy_us"], here.sums[0].crew["busy_us"])


def test_a_broken_balance_is_told(cell: Cell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lane's stock at the start that is not what was put in: the bags do not add up."""
    import feedsim.kernel.engine as engine

    lay_out = engine.lay_out

    def with_one_bag_more(cell: Cell, seed: int):  # type: ignore[no-untyped-def]
        layout = lay_out(cell, seed)
        from feedsim.kernel.memory import LANE, SHIFT

        plan = layout.plan.view(np.uint8)
        first = int(plan[: SHIFT.itemsize].view(SHIFT)["first_lane"][0])
        plan[first : first + LANE.itemsize].view(LANE)["gone_bags"] = 1
        return layout

    monkeypatch.setattr(engine, "lay_out", with_one_bag_more)
    with pytest.raises(BalanceError, match="oats, replication 3: bags at the start"):
        engine_named(COMPILED).sums(cell, 1, range(3, 5))


# The command line.


def test_tables_do_not_hang_on_the_engine(feedsim) -> None:  # noqa: F811
    told = {}
    for engine in (SIMPY, COMPILED):
        words = ("run", "cell.toml", "--engine", engine, "--out", engine, "--json")
        code, out, err = feedsim(*words)
        assert code == 0, err
        told[engine] = json.loads(out)
        assert json.loads(Path(engine, "manifest.json").read_text())["engine"] == engine
    assert told[SIMPY] == told[COMPILED]
    for name in ("replications.csv", "summary.csv"):
        assert Path(SIMPY, name).read_bytes() == Path(COMPILED, name).read_bytes()


def test_compiled_without_numba_is_bad_usage(feedsim, monkeypatch) -> None:  # noqa: F811
    monkeypatch.setattr(engines, "find_spec", lambda name: None)
    code, _, err = feedsim("run", "cell.toml", "--engine", "compiled")
    assert code == 2
    assert err.startswith("--engine: 'compiled' needs numba")
    assert not Path("outputs").exists()


def test_a_first_run_says_that_it_compiles(feedsim, monkeypatch) -> None:  # noqa: F811
    monkeypatch.setattr(machine_code, "is_kept", lambda: False)
    # Nothing is loaded but what is ready from other tests, so that this one does not compile.
    monkeypatch.setattr(engines, "_ready", {})
    code, _, err = feedsim("run", "cell.toml", "--engine", "compiled")
    assert code == 0
    assert COMPILING in err


# Where machine code is kept. A stand-in for the compiler: compiling is not what is tested.


@pytest.fixture
def compiler(monkeypatch: pytest.MonkeyPatch) -> list[Path | None]:
    asked: list[Path | None] = []

    def compile_into(function: object, folder: Path | None) -> object:
        asked.append(folder)
        if folder is not None and (folder / "broken.nbc").exists():
            raise EOFError
        return function

    monkeypatch.setattr(machine_code, "_compiled", compile_into)
    return asked


def test_machine_code_is_kept_where_it_is_told(
    compiler: list[Path | None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(machine_code.FOLDER_VARIABLE, str(tmp_path))
    assert not machine_code.is_kept()
    machine_code.load()
    assert compiler == [machine_code.cache_folder()]
    assert compiler[0] is not None
    assert compiler[0].parent == tmp_path
    (compiler[0] / "some.nbc").touch()
    assert machine_code.is_kept()


def test_a_folder_that_cannot_be_made_stops_nothing(
    compiler: list[Path | None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv(machine_code.FOLDER_VARIABLE, str(tmp_path / "file" / "below"))
    machine_code.load()
    assert compiler == [None]


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="all may write here")
def test_a_read_only_folder_stops_nothing(
    compiler: list[Path | None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(machine_code.FOLDER_VARIABLE, str(tmp_path))
    tmp_path.chmod(stat.S_IREAD | stat.S_IEXEC)
    machine_code.load()
    assert compiler == [None]


def test_while_another_process_compiles_it_is_waited_for(
    compiler: list[Path | None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl", reason="no locks of this kind here")
    # What it imports takes longer than the wait below.
    pytest.importorskip("feedsim.kernel.shift", exc_type=ImportError, reason="no numba")
    monkeypatch.setenv(machine_code.FOLDER_VARIABLE, str(tmp_path))
    folder = machine_code.cache_folder()
    folder.mkdir()
    with (folder / "compiling.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        waiting = Thread(target=machine_code.load)
        waiting.start()
        waiting.join(0.2)
        assert waiting.is_alive()
        assert compiler == []
    waiting.join(10)
    assert compiler == [folder]


def test_what_cannot_be_read_is_made_anew(
    compiler: list[Path | None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(machine_code.FOLDER_VARIABLE, str(tmp_path))
    folder = machine_code.cache_folder()
    folder.mkdir()
    (folder / "broken.nbc").touch()
    machine_code.load()
    assert compiler == [folder, folder]
    assert not list(folder.glob("*.nbc"))
