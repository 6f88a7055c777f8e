"""A log in the accounts of a simulation: the same sums, and nothing that the log does not know."""

from __future__ import annotations

import json
import math
import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from feedsim.accounts import read as read_accounts
from feedsim.accounts.record import MOVING, PLANNED_STOP
from feedsim.accounts.timeline import segments_of
from feedsim.answers.account import account
from feedsim.answers.rows import rows_of
from feedsim.cell import build_cell
from feedsim.cli import main
from feedsim.config import load_config, parse_config
from feedsim.logs import Layout, read_log
from feedsim.logs.lengths import lengths_of
from feedsim.model.shift import run_shift
from feedsim.study import Setting, run_study

ROOT = Path(__file__).parents[1]
DATA = ROOT / "configs" / "data"
EPOCH = datetime(2025, 3, 3)
MIN = 60_000_000

CONFIG = """
[study]
shift_h = 4
minor_stop_min = 3

[[planned_stop]]
name = "lunch"
at_h = 2
takes_min = 20

[[planned_stop]]
name = "new film"
at_h = 3
takes_min = 10
kind = "changeover"

[crew]
rounds_every_min = 12

[[machine]]
name = "oats"
speed_per_min = 40
restart_s = 0

[machine.magazine]
capacity_bags = 200
bundle_bags = 50
bundle = { family = "exponential", mean_s = 30 }

[machine.pick]
clear = { family = "exponential", mean_s = 40 }

[machine.bag]
faults = { jam = 0.002, skewed = 0.003 }

[[machine.station]]
name = "sealer"
between_stops = { family = "exponential", mean_min = 20 }
stop = { family = "lognormal", mean_min = 3, cv = 1 }

[[machine.station]]
name = "Film jam"
between_stops = { family = "exponential", mean_min = 30 }
stop = { family = "exponential", mean_min = 1 }
needs_operator = true
"""


def time_text(at_us: int) -> str:
    return (EPOCH + timedelta(microseconds=at_us)).isoformat(timespec="microseconds")


def simulated_log(folder: Path, shifts: int):
    """Shifts simulated, and written as a log: every time to the microsecond."""
    cell = build_cell(parse_config(CONFIG))
    [plan] = cell.machines
    spoken = {station.state: station.name for station in plan.stations}
    stops, windows, sums = ["start,end,reason"], ["start,end,good,rejected"], []
    for number in range(1, shifts + 1):
        record = run_shift(cell, 5, number)
        [own] = read_accounts(record, cell).machines
        sums.append(own)
        begin_us = number * 24 * 3600 * 1_000_000
        for segment in segments_of(record.machines[0], record.shift_us):
            if segment.state not in MOVING and segment.end_us > segment.begin_us:
                reason = spoken.get(segment.state, segment.state)
                begin, end = (begin_us + at for at in segment[:2])
                stops.append(f"{time_text(begin)},{time_text(end)},{reason}")
        counts = f"{own['good_packs']},{own['rejected_packs']}"
        end_us = begin_us + cell.shift_us
        windows.append(f"{time_text(begin_us)},{time_text(end_us)},{counts}")
    (folder / "stops.csv").write_text("\n".join(stops) + "\n")
    (folder / "shifts.csv").write_text("\n".join(windows) + "\n")
    return sums


def test_a_simulated_log_has_the_sums_of_the_simulation(tmp_path):
    sums = simulated_log(tmp_path, 12)
    log = read_log(tmp_path / "stops.csv", Layout(speed_per_min=40), tmp_path / "shifts.csv")
    result = account(log, minor_stop_min=3)
    [found] = result.sums.results.sums[0].machines
    names = [n for n in sums[0] if n.startswith(("time_", "stops_"))]
    names += ["window_us", "cycle_us", "long_halts_us", "good_packs", "rejected_packs"]
    assert len(names) > 20
    for name in names:
        if name in ("time_retry_us", "time_restarting_us"):
            continue
        np.testing.assert_array_equal(found[name], [own[name] for own in sums], err_msg=name)
    # The same measures by the same code, from the simulation's own study.
    config = parse_config(CONFIG)
    study = run_study([Setting({}, build_cell(config))], replications=12, seed=5, confidence=0.95)
    simulated = rows_of(study)[-1]
    for name in ("oee", "availability", "performance", "quality", "time_sealer_share"):
        mine, theirs = result.cell[name], simulated[name]
        assert (mine.value, mine.low, mine.high) == pytest.approx(
            (theirs.value, theirs.low, theirs.high), rel=1e-12
        )


def small(tmp_path, windows: str, stops: str, **layout):
    (tmp_path / "log.csv").write_text(stops)
    (tmp_path / "windows.csv").write_text(windows)
    return read_log(tmp_path / "log.csv", Layout(**layout), tmp_path / "windows.csv")


# Nakajima, Introduction to TPM, Productivity Press 1988, ch. 3 (from memory): loading time 460
# min, downtime 60, 400 pieces, ideal cycle 0.5 min, 2 % defects: availability 400/460 (87 %),
# performance 50 %, quality 98 %, OEE 42.6 %.
def test_a_worked_oee(tmp_path):
    log = small(
        tmp_path,
        "start,end,good,made,speed_per_min\n2025-03-03 08:00,2025-03-03 16:00,392,400,2\n",
        "start,end,reason\n2025-03-03 08:00,2025-03-03 08:20,meeting\n"
        "2025-03-03 10:00,2025-03-03 11:00,breakdown\n",
        states={"meeting": PLANNED_STOP},
    )
    result = account(log)
    row = result.cell
    assert repr(result).endswith(", 1 windows)")
    assert row["availability"].value == pytest.approx(400 / 460)
    assert row["performance"].value == pytest.approx(0.5)
    assert row["quality"].value == pytest.approx(0.98)
    assert round(100 * row["oee"].value, 1) == 42.6


# SMRP Best Practices, 6th ed. 2020, metric 2.1.1, table 1, machine D: 24 h, idle 8 h, down 3.74 h:
# availability 76.63 %. There scheduled stops are a loss.
def test_a_worked_availability(tmp_path):
    hours = (8, 0.66, 1.0, 0.46, 0.33, 0.26, 0.23, 0.30, 0.50)
    at, lines = datetime(2025, 3, 3), ["start,duration_h,reason"]
    for number, length in enumerate(hours):
        lines.append(f"{at},{length},{'idle' if number == 0 else f'down {number}'}")
        at += timedelta(hours=length, minutes=20)
    log = small(
        tmp_path,
        "start,end\n2025-03-03 00:00,2025-03-04 00:00\n",
        "\n".join(lines) + "\n",
        states={"idle": PLANNED_STOP},
    )
    found = account(log, minor_stop_min=0).cell["availability"]
    assert found.value == pytest.approx(12.26 / 16)
    assert math.isnan(found.low)


STOPS = (
    "start,end,reason\n2025-03-03 09:00,2025-03-03 09:30,sealer\n"
    "2025-03-04 10:00,2025-03-04 10:02,no bags\n2025-03-04 11:00,2025-03-04 11:20,sealer\n"
)
SHIFTS = "2025-03-03 08:00,2025-03-03 16:00", "2025-03-04 08:00,2025-03-04 16:00"


def test_what_is_not_counted_is_empty_and_never_one(tmp_path):
    log = small(tmp_path, "start,end\n" + "\n".join(SHIFTS) + "\n", STOPS)
    result = account(log)
    for name in ("oee", "performance", "quality", "good_packs", "bags_wasted", "dry_share"):
        assert math.isnan(result.cell[name].value), name
    for name in ("visits_per_h", "wait_share", "time_retry_share"):
        assert math.isnan(result.cell[name].value), name
    assert result.cell["availability"].value == pytest.approx(1 - 50 / 960)
    [machine] = result.machines
    assert machine.oee_at_most.value == pytest.approx(1 - 52 / 960)
    assert [loss.name for loss in machine.whole.losses] == ["sealer", "no_bags"]
    frame = result.days_frame()
    assert frame["oee"].isna().all()
    assert list(frame["date"]) == ["2025-03-03", "2025-03-04"]


def test_counts_of_some_windows_give_the_measures_of_those(tmp_path):
    windows = f"start,end,good\n{SHIFTS[0]},9000\n{SHIFTS[1]},\n"
    log = small(tmp_path, windows, STOPS, speed_per_min=25)
    result = account(log)
    assert result.cell["oee"].value == pytest.approx(9000 / 25 / 480)
    assert result.cell["availability"].value == pytest.approx(1 - 50 / 960)
    assert math.isnan(result.cell["performance"].value)
    assert not result.machines[0].is_counted
    assert list(result.windows_frame()["good_packs"].isna()) == [False, True]


def test_reasons_that_are_states_and_stops_that_are_visits(tmp_path):
    log = small(
        tmp_path,
        "start,end\n" + "\n".join(SHIFTS) + "\n",
        STOPS,
        states={"no bags": "dry"},
        visited=("sealer", "no bags"),
    )
    row = account(log).cell
    assert row["dry_share"].value == pytest.approx(2 / 960)
    assert row["refill_visits_per_h"].value == pytest.approx(1 / 16)
    assert row["fault_visits_per_h"].value == pytest.approx(2 / 16)
    assert row["visits_per_h"].value == pytest.approx(3 / 16)


def test_a_reason_may_be_called_as_a_measure_is(tmp_path):
    log = small(
        tmp_path, "start,end\n" + "\n".join(SHIFTS) + "\n", STOPS.replace("sealer", "fault visits")
    )
    row = account(log).cell
    assert row["stops_fault_visits_per_h"].value > 0
    assert math.isnan(row["fault_visits_per_h"].value)


def test_more_packs_than_the_speed_allows_are_told(tmp_path):
    windows = f"start,end,good\n{SHIFTS[0]},13000\n{SHIFTS[1]},11000\n"
    result = account(small(tmp_path, windows, STOPS, speed_per_min=25))
    assert [(f.kind, f.line) for f in result.findings] == [("faster", 2)]
    parts = [result.machines[0].whole.good, *result.machines[0].whole.losses]
    assert sum(part.share.value for part in parts) == pytest.approx(1)


def test_unlike_speeds_weigh_packs_with_their_cycles(tmp_path):
    windows = (
        "start,end,good,made,speed_per_min\n"
        "2025-03-03 06:00,2025-03-03 10:00,2000,2400,10\n"
        "2025-03-03 10:00,2025-03-03 14:00,4800,4800,20\n"
    )
    log = small(tmp_path, windows, "start,end\n2025-03-03 07:00,2025-03-03 07:01\n")
    result = account(log)
    # 200 + 240 good minutes of 240 + 240 made, in 480.
    assert result.cell["oee"].value == pytest.approx(440 / 480)
    assert result.cell["quality"].value == pytest.approx(440 / 480)
    [day] = result.days_frame().to_dict("records")
    assert day["oee"] == pytest.approx(440 / 480)


def test_machines_with_windows_of_their_own(tmp_path):
    windows = (
        "start,end,machine,good\n"
        "2025-03-03 08:00,2025-03-03 16:00,oats,9000\n2025-03-03 08:00,2025-03-03 12:00,bran,4000\n"
    )
    stops = (
        "start,end,machine\n2025-03-03 09:00,2025-03-03 10:00,oats\n"
        "2025-03-03 09:00,2025-03-03 09:30,bran\n2025-03-03 13:00,2025-03-03 13:30,bran\n"
    )
    result = account(small(tmp_path, windows, stops, speed_per_min=30))
    values = {row.title: row["oee"].value for row in result.rows}
    assert values["oats"] == pytest.approx(9000 / 30 / 480)
    assert values["bran"] == pytest.approx(4000 / 30 / 240)
    assert values["whole cell"] == pytest.approx(13000 / 30 / 720)
    assert result.places["outside_windows"] == 1
    assert account(result.log, per="day").cell.replications == 1


def test_lengths_in_classes(tmp_path):
    at, lines = datetime(2025, 3, 3, 8), ["start,duration_s"]
    for seconds in (0, 10, 29, 30, 59, 60, 300, 301, 599, 7200):
        lines.append(f"{at},{seconds}")
        at += timedelta(seconds=seconds + 100)
    log = small(tmp_path, "start,end\n2025-03-03 08:00,2025-03-03 20:00\n", "\n".join(lines) + "\n")
    found = lengths_of(log, 5, log.machines[0])
    assert {c.label: c.stops for c in found.classes} == {
        "below 30 s": 3,
        "30 s to 1 min": 2,
        "1 min to 2 min": 1,
        "2 min to 5 min": 0,
        "5 min to 10 min": 3,
        "10 min to 30 min": 0,
        "30 min to 1 h": 0,
        "1 h to 2 h": 0,
        "2 h or longer": 1,
    }
    assert sum(c.time_us for c in found.classes) == found.time_us == 8588 * 1_000_000
    assert found.median_s == 59.5
    assert (found.minor_stops, found.minor_time_us) == (6, 188 * 1_000_000)


def test_rows_of_the_log_add_up(tmp_path):
    result = account(read_log(DATA / "stops.csv", windows=DATA / "shifts.csv"))
    places = result.places
    assert places["rows"] == places["set_aside"] + places["running"] + places["stops"]
    assert places["stops"] == places["outside_windows"] + places["in_windows"]
    joined = sum(f.kind in ("overlap", "touch") for f in result.findings)
    assert places["in_windows"] == places["halts"] + places["planned_halts"] + joined
    assert places["set_aside"] == sum(f.sets_aside for f in result.findings)
    # What the file's head says was put into it.
    kinds = sorted(f.kind for f in result.findings)
    assert kinds == ["duplicate", "no_end", "outside"]


def test_the_example_log_is_as_its_script_makes_it(tmp_path, monkeypatch):
    made = tmp_path / "make_stop_log.py"
    made.write_text((DATA / "make_stop_log.py").read_text())
    space: dict[str, object] = {"__name__": "made", "__file__": str(made)}
    exec(compile(made.read_text(), made, "exec"), space)
    space["main"]()
    for name in ("stops.csv", "shifts.csv", "events.csv"):
        assert (tmp_path / name).read_text() == (DATA / name).read_text(), name


@pytest.fixture
def feedsim(undrawn, monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)

    def call(*words: str):
        monkeypatch.setattr(sys, "argv", ["feedsim", *words])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return call


def test_the_command_answers_first_and_writes_a_folder(feedsim):
    code, out, err = feedsim(
        "account", str(DATA / "stops.csv"), "--windows", str(DATA / "shifts.csv")
    )
    assert code == 0
    assert out.startswith("OEE is ")
    assert "Read 414 rows: 412 stops, 2 set aside" in out
    [folder] = Path("outputs").iterdir()
    assert folder.name.startswith("account-stops-")
    assert str(folder) in err
    assert {path.name for path in folder.iterdir()} == {
        *("manifest.json", "answer.json", "summary.csv", "windows.csv", "days.csv", "findings.csv"),
        *("losses.png", "losses.svg", "account.png", "account.svg"),
    }
    findings = pd.read_csv(folder / "findings.csv")
    assert list(findings["line"]) == [16, 420, 422]
    manifest = json.loads((folder / "manifest.json").read_text())
    assert manifest["finished"]
    assert set(manifest["inputs"]) == {"stops.csv", "shifts.csv"}


def test_the_document_has_the_rows_of_run(feedsim):
    code, out, _ = feedsim(
        *("account", str(DATA / "stops.csv"), "--windows", str(DATA / "shifts.csv"), "--json")
    )
    document = json.loads(out)
    assert code == 0
    assert (document["schema"], document["command"]) == (1, "account")
    whole = document["rows"][-1]
    assert whole["machine"] is None
    assert whole["replications"] == 24
    oee = whole["measures"]["oee"]
    assert oee["low"] < oee["value"] < oee["high"]
    assert whole["measures"]["dry_share"] == {"value": None, "low": None, "high": None}
    own = document["account"]
    assert len(own["days"]) == 24
    assert own["stops"]["halts"] == 411
    lengths = own["machines"][0]["lengths"]
    assert sum(each["stops"] for each in lengths["classes"]) == lengths["stops"] == 411
    assert {f["kind"] for f in own["findings"]} == {"duplicate", "no_end", "outside"}


def test_the_night_of_a_clock_change_has_nine_hours_on_the_clock(feedsim):
    code, out, _ = feedsim(
        *("account", str(DATA / "events.csv"), "--zone", "Europe/Berlin", "--as", "run=running"),
        *("--made", "packs", "--json"),
    )
    own = json.loads(out)["account"]
    assert code == 0
    assert own["windows_from"] == "log"
    # Two shifts of 8 h (the rows' lengths are rounded to 0.01 min), though the second one's clock
    # runs from 22:00 to 05:00.
    machine = own["machines"][0]
    hours = sum(each["share"]["value"] for each in machine["losses"])
    assert hours == pytest.approx(1)
    assert own["stops"]["joined"] == 0
    log = read_log(
        DATA / "events.csv",
        Layout.model_validate(
            {"zone": "Europe/Berlin", "states": {"run": "running"}, "log": {"made": "packs"}}
        ),
    )
    assert [window.length_us / 3.6e9 for window in log.windows] == pytest.approx([8, 8], abs=0.001)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["absent.csv"], ["absent.csv", "no such file"]),
        (["."], ["is a folder"]),
        (
            ["LOG", "--start", "begin"],
            ["stops.csv:8", "--start", "'begin'", "start, end, reason"],
        ),
        (["LOG", "--windows", "absent.csv"], ["absent.csv"]),
        (["LOG", "--as", "run"], ["--as", "REASON=STATE", "'run'"]),
        (["LOG", "--as", "run=walking"], ["--as", "planned_stop"]),
        (["LOG", "--zone", "Atlantis"], ["--zone", "Atlantis", "Europe/Berlin"]),
        (["LOG", "--minor-stop-min", "-1"], ["--minor-stop-min"]),
        (
            ["LOG", "--minor-stop-min", "nan"],
            ["--minor-stop-min: must be a number from 0 to 100,000"],
        ),
        (["LOG", "--confidence", "1"], ["--confidence: must be a number above 0, below 1, is 1"]),
        (
            ["LOG", "--confidence", "nan"],
            ["--confidence: must be a number above 0, below 1, is nan"],
        ),
        (["LOG", "--columns", "absent.toml"], ["absent.toml"]),
        (["LOG", "--decimal", ";"], ["--decimal"]),
        (["LOG", "--speed-per-min", "0"], ["--speed-per-min: must be a number from 0.001 to"]),
        (["LOG", "--speed-per-min", "nan"], ["--speed-per-min: must be a number from 0.001 to"]),
        (["LOG", "--out", "LOG"], ["stops.csv"]),
    ],
)
def test_bad_input_gets_one_clear_line(feedsim, words, told):
    log = str(DATA / "stops.csv")
    code, out, err = feedsim("account", *(log if word == "LOG" else word for word in words))
    assert code == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    for word in told:
        assert word in err
    assert "Traceback" not in err
    assert not Path("outputs").exists()


def test_columns_of_a_file_and_of_options(feedsim, tmp_path):
    (tmp_path / "log.csv").write_text(
        "von;bis;Grund\n03.03.2025 10:00:00;03.03.2025 10:05:00;Siegel\n"
    )
    (tmp_path / "columns.toml").write_text('[log]\nstart = "von"\nreason = "Grund"\n')
    code, out, _ = feedsim(
        *("account", "log.csv", "--columns", "columns.toml", "--end", "bis", "--json")
    )
    assert code == 0
    assert json.loads(out)["account"]["columns"]["log"] == {
        "start": "von",
        "end": "bis",
        "reason": "Grund",
    }


@pytest.mark.draws
def test_names_are_never_read_as_markup_or_mathematics(feedsim, tmp_path):
    nasty = r"[bold]$\frac{$ <b>&amp;"
    (tmp_path / "log.csv").write_text(
        f"start,end,reason\n2025-03-03 10:00,2025-03-03 10:05,{nasty}\n"
        "2025-03-03 11:00,2025-03-03 11:05,running\n"
    )
    code, out, _ = feedsim("account", "log.csv")
    assert code == 0
    assert "$" in out


def test_the_example_configs_are_others(tmp_path):
    """The line of the example log is sound as a config, so that its fit can be checked."""
    space: dict[str, object] = {"__name__": "made", "__file__": str(DATA / "make_stop_log.py")}
    exec(compile((DATA / "make_stop_log.py").read_text(), "made", "exec"), space)
    (tmp_path / "line.toml").write_text(str(space["LINE"]))
    assert load_config(tmp_path / "line.toml").machine[0].speed_per_min == 30
