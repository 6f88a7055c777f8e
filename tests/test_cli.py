"""The command line as its users meet it: answers, files, exit codes, clear lines for bad input."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from feedsim.cli import main

CONFIG = """
[study]
shift_h = 1
replications = 6

[crew]
walk_s = 10

[[machine]]
name = "oats"
speed_per_min = 30

[machine.magazine]
capacity_bags = 60
bundle_bags = 20
call_level_bags = 20
bundle = { family = "constant", mean_s = 20 }

[machine.pick]
clear = { family = "constant", mean_s = 30 }

[machine.bag]
faults = { missed = 0.01, jam = 0.002 }
"""


@pytest.fixture
def feedsim(undrawn, monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cell.toml").write_text(CONFIG)

    def call(*words: str):
        monkeypatch.setattr(sys, "argv", ["feedsim", *words])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return call


def test_run_answers_first_and_writes_a_folder(feedsim):
    code, out, err = feedsim("run", "cell.toml", "--jobs", "1")
    assert code == 0
    assert out.startswith("OEE is ")
    assert "(95 % confidence, 6 shifts)" in out.splitlines()[0]
    assert "no safety assessment" in out
    [folder] = Path("outputs").iterdir()
    assert folder.name.startswith("run-cell-")
    assert str(folder) in err
    assert {path.name for path in folder.iterdir()} == {
        "config.toml",
        "resolved.toml",
        "answer.json",
        "manifest.json",
        "replications.csv",
        "summary.csv",
        "losses.png",
        "losses.svg",
        "runs.sqlite",
    }
    assert (folder / "config.toml").read_text() == CONFIG


def test_resolved_config_gives_the_same_answer(feedsim):
    feedsim("run", "cell.toml", "--jobs", "1", "--out", "a", "--set", "machine.speed_per_min=40")
    code, _, _ = feedsim("run", "a/resolved.toml", "--jobs", "1", "--out", "b")
    assert code == 0
    assert Path("a/summary.csv").read_bytes() == Path("b/summary.csv").read_bytes()


def test_capacity_curve_in_json(feedsim):
    code, out, _ = feedsim(
        "capacity", "cell.toml", "--bags", "40:80:20", "--rounds", "5,10", "--json", "--jobs", "1"
    )
    document = json.loads(out)
    assert code == 0
    assert (document["schema"], document["command"]) == (1, "capacity")
    settings = [row["setting"] for row in document["rows"] if row["machine"] is None]
    assert [s["machine.magazine.capacity_bags"] for s in settings] == [40, 60, 80] * 2
    assert [s["crew.rounds_every_min"] for s in settings] == [5.0] * 3 + [10.0] * 3
    for row in document["rows"]:
        oee = row["measures"]["oee"]
        assert 0 <= oee["low"] <= oee["value"] <= oee["high"]
    steps = [step["step"] for step in document["capacity"] if step["machine"] == "oats"]
    assert steps[0] == {}
    assert set(steps[1]["oee"]) >= {"value", "low", "high"}


def test_replications_and_summary_agree(feedsim):
    feedsim("capacity", "cell.toml", "--bags", "40,60", "--jobs", "1", "--out", "study")
    rows = pd.read_csv("study/replications.csv", keep_default_na=False, na_values=[""])
    summary = pd.read_csv("study/summary.csv", keep_default_na=False, na_values=[""])
    assert len(rows) == 2 * 6
    assert len(summary) == 2 * 2
    key = "machine.magazine.capacity_bags"
    means = rows.groupby(key)["good_packs"].mean()
    whole = summary[summary["machine"].isna()].set_index(key)["good_packs"]
    np.testing.assert_allclose(means, whole)


def test_an_unseen_event_is_said_not_trusted(feedsim):
    _, out, _ = feedsim("run", "cell.toml", "--json", "--jobs", "1")
    blocked = json.loads(out)["rows"][-1]["measures"]["blocked_share"]
    assert blocked["value"] == 0
    assert blocked["high"] is None
    # Clopper-Pearson at 0 of 6: 1 - 0.05^(1/6).
    assert blocked["chance_high"] == pytest.approx(1 - 0.05 ** (1 / 6))


@pytest.mark.draws
def test_same_answer_on_one_and_two_processes(feedsim):
    feedsim("run", "cell.toml", "--jobs", "1", "--out", "one")
    feedsim("run", "cell.toml", "--jobs", "2", "--out", "two")
    for name in ("replications.csv", "summary.csv", "losses.svg"):
        assert Path("one", name).read_bytes() == Path("two", name).read_bytes()


def test_new_writes_a_starter_that_check_finds_sound(feedsim):
    assert feedsim("new", "fresh.toml")[0] == 0
    code, out, _ = feedsim("check", "fresh.toml")
    assert code == 0
    assert "is sound" in out
    code, _, err = feedsim("new", "fresh.toml")
    assert code == 2
    assert "is there already" in err


def test_check_shows_where_values_come_from(feedsim):
    _, out, _ = feedsim("check", "cell.toml", "--set", "machine.speed_per_min=25")
    lines = {line.split()[0]: line for line in out.splitlines() if line.split()}
    assert lines["machine.speed_per_min"].split()[-1] == "--set"
    assert "line 14" in lines["machine.magazine.capacity_bags"]
    assert lines["study.seed"].split()[-1] == "default"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["run", "absent.toml"], ["absent.toml"]),
        (["run", "."], ["."]),
        (
            ["run", "cell.toml", "--set", "machine.sped_per_min=3"],
            ["sped_per_min", "speed_per_min"],
        ),
        (["run", "cell.toml", "--set", "machine.speed_per_min"], ["--set"]),
        (["run", "cell.toml", "--replications", "0"], ["--replications", "0"]),
        (["run", "cell.toml", "--seed", "-1"], ["--seed", "-1"]),
        (["run", "cell.toml", "--confidence", "95"], ["--confidence", "95"]),
        (["run", "cell.toml", "--jobs", "0"], ["--jobs"]),
        (["rum", "cell.toml"], ["rum"]),
        (["capacity", "cell.toml", "--bags", "100-200"], ["--bags", "100-200"]),
        (["capacity", "cell.toml", "--bags", "1:1000000000000:1"], ["--bags"]),
        (["capacity", "cell.toml", "--bags", "0,50"], ["--bags"]),
        (["capacity", "cell.toml", "--bags", "20"], ["call_level_bags", "20"]),
        (["capacity", "cell.toml", "--rounds", "soon"], ["--rounds", "soon"]),
        (["capacity", "cell.toml", "--rounds", "0"], ["rounds_every_min", "0"]),
        (["capacity", "cell.toml", "--machine", "muesli"], ["--machine", "muesli", "oats"]),
        (
            [
                *("run", "cell.toml", "--replications", "1000000", "--set", "study.shift_h=8"),
                *("--engine", "simpy"),
            ],
            ["hours"],
        ),
        (["run", "cell.toml", "--out", "cell.toml"], ["cell.toml"]),
    ],
)
def test_bad_input_gets_one_clear_line(feedsim, words, told):
    code, out, err = feedsim(*words)
    assert code == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    for word in told:
        assert word in err
    assert "Traceback" not in err
    assert not Path("outputs").exists()


def test_errors_in_json(feedsim):
    code, out, _ = feedsim("run", "absent.toml", "--json")
    assert code == 2
    assert "absent.toml" in json.loads(out)["error"]


def test_another_study_in_the_folder_is_refused_with_what_changed(feedsim):
    assert feedsim("run", "cell.toml", "--jobs", "1", "--out", "study")[0] == 0
    before = Path("study/summary.csv").read_bytes()
    code, _, err = feedsim(
        "run", "cell.toml", "--out", "study", "--set", "machine.speed_per_min=31"
    )
    assert code == 2
    assert "speed_per_min = 31" in err
    assert Path("study/summary.csv").read_bytes() == before
    assert feedsim("run", "cell.toml", "--jobs", "1", "--out", "study")[0] == 0


def test_a_repeated_study_stays_finished_while_it_runs(feedsim, monkeypatch):
    feedsim("run", "cell.toml", "--jobs", "1", "--out", "study")

    def interrupt(*arguments, **keywords):
        raise KeyboardInterrupt

    with monkeypatch.context() as interrupted:
        interrupted.setattr("feedsim.answers.run.run", interrupt)
        assert feedsim("run", "cell.toml", "--jobs", "1", "--out", "study")[0] == 130
    code, _, _ = feedsim("run", "cell.toml", "--out", "study", "--set", "machine.speed_per_min=31")
    assert code == 2


def test_a_folder_with_other_things_is_left_alone(feedsim):
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("keep")
    code, _, err = feedsim("run", "cell.toml", "--out", "mine")
    assert code == 2
    assert "is not empty" in err
    assert os.listdir("mine") == ["notes.txt"]


@pytest.mark.draws
def test_names_are_never_read_as_markup_or_mathematics(feedsim, tmp_path):
    nasty = CONFIG.replace('"oats"', r"'[bold]$\frac{$ <b>&amp;'")
    (tmp_path / "nasty.toml").write_text(nasty)
    code, out, _ = feedsim("run", "nasty.toml", "--jobs", "1")
    assert code == 0
    assert r"[bold]$\frac{$ <b>&amp;" in out


def test_help_is_quick_to_import():
    code = (
        "import sys; sys.argv = ['feedsim', '--help']\n"
        "from feedsim.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'pandas', 'scipy.stats', 'matplotlib', 'numba', 'numpy', 'pydantic'}\n"
        "sys.exit(' '.join(heavy & set(sys.modules)) or 0)"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stderr
    assert "capacity" in found.stdout


def test_module_runs_as_a_program(tmp_path):
    found = subprocess.run(
        [sys.executable, "-m", "feedsim", "--version"], capture_output=True, text=True, check=True
    )
    assert found.stdout.startswith("feedsim ")


@pytest.mark.campaign
def test_a_reader_that_goes_away_stops_nothing(tmp_path):
    (tmp_path / "cell.toml").write_text(CONFIG)
    command = f"'{sys.executable}' -m feedsim run cell.toml --jobs 1 --out study | true"
    found = subprocess.run(
        ["bash", "-c", command + "; exit ${PIPESTATUS[0]}"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0
    assert "Traceback" not in found.stderr
    assert (tmp_path / "study" / "losses.png").exists()


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("surroundings", "redirection"),
    [
        ({"PYTHONIOENCODING": "ascii"}, ""),
        ({"MPLBACKEND": "bogus"}, ""),
        ({"COLUMNS": "20"}, ""),
        ({}, ">&-"),
        ({}, "2>&-"),
    ],
)
def test_odd_surroundings_are_no_fault(tmp_path, surroundings, redirection):
    (tmp_path / "cell.toml").write_text(CONFIG)
    command = f"'{sys.executable}' -m feedsim run cell.toml --jobs 1 --out study {redirection}"
    found = subprocess.run(
        ["bash", "-c", command],
        cwd=tmp_path,
        env={**os.environ, **surroundings},
        capture_output=True,
        check=False,
    )
    assert found.returncode == 0, found.stderr
    assert (tmp_path / "study" / "losses.png").exists()


def _children(pid: int) -> list[int]:
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[1]) == pid and fields[0] != "Z":
            found.append(int(path.parent.name))
    return found


def _long_run(folder: Path, engine: str, replications: int) -> subprocess.Popen[bytes]:
    (folder / "cell.toml").write_text(CONFIG)
    words = [sys.executable, "-m", "feedsim", "run", "cell.toml", "--jobs", "2"]
    words += ["--set", "study.shift_h=8", "--out", "study"]
    words += ["--engine", engine, "--replications", str(replications)]
    return subprocess.Popen(
        words, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    )


@pytest.fixture
def long_run(tmp_path):
    """A study with SimPy, in two processes."""
    driver = _long_run(tmp_path, "simpy", 20_000)
    until = time.monotonic() + 20
    while len(_children(driver.pid)) < 3 and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(2)
    yield driver
    driver.kill()
    driver.communicate()


@pytest.mark.campaign
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_no_worker_outlives_its_driver(long_run):
    workers = _children(long_run.pid)
    assert len(workers) >= 2
    long_run.kill()
    until = time.monotonic() + 5
    while any(Path(f"/proc/{pid}").exists() for pid in workers) and time.monotonic() < until:
        time.sleep(0.05)
    assert not [pid for pid in workers if Path(f"/proc/{pid}").exists()]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.campaign
def test_an_interrupt_ends_a_study_within_seconds(long_run, tmp_path):
    os.killpg(long_run.pid, signal.SIGINT)
    started = time.monotonic()
    long_run.communicate(timeout=20)
    assert long_run.returncode == 130
    assert time.monotonic() - started < 3
    # Nothing of it is lost: another study is refused, the same goes on (see test_resume.py).
    assert not json.loads((tmp_path / "study" / "manifest.json").read_text())["finished"]
    words = [sys.executable, "-m", "feedsim", "run", "cell.toml", "--jobs", "1", "--out", "study"]
    assert subprocess.run(words, cwd=tmp_path, capture_output=True, check=False).returncode == 2


@pytest.mark.campaign
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_an_interrupt_ends_a_compiled_study_within_seconds(tmp_path):
    from feedsim.engines import COMPILED, engine_named

    engine_named(COMPILED)  # its machine code is kept from here on
    driver = _long_run(tmp_path, COMPILED, 1_000_000)
    try:
        time.sleep(6)
        assert driver.poll() is None
        os.killpg(driver.pid, signal.SIGINT)
        started = time.monotonic()
        driver.communicate(timeout=20)
        assert driver.returncode == 130
        assert time.monotonic() - started < 3
    finally:
        driver.kill()
        driver.communicate()
