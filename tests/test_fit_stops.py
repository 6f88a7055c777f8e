"""From a log to stations: rules, choice of families, files, and known inputs found again."""

from __future__ import annotations

import json
import math
import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from feedsim.accounts.record import MOVING
from feedsim.accounts.timeline import halts_of, segments_of
from feedsim.answers.unknowns import unknowns_of
from feedsim.cell import build_cell
from feedsim.cli.fit_stops_command import command
from feedsim.config import parse_config
from feedsim.fit.alike import by_change, by_machine, compare
from feedsim.fit.running_time import ReasonStops, Stop, Window, resolution_s, stops_by_reason
from feedsim.fit.station_text import files_of_times, stations_text
from feedsim.fit.stop_words import answer
from feedsim.fit.stops import StopsError, StopsResult, fit_stops, is_coarse, station_name
from feedsim.fit.survival import CensoredTimes
from feedsim.logs import EventLog, Layout, read_log
from feedsim.model.shift import run_shift
from feedsim.plots.fit_stops import stops_figures

ROOT = Path(__file__).parents[1]
DATA = ROOT / "configs" / "data"
BOTTLING = ROOT.parent / "shared" / "data"
EPOCH = datetime(2025, 3, 3, 6)
MACHINE = (
    '[[machine]]\nname = "oats"\nspeed_per_min = 30\n[machine.magazine]\ncapacity_bags = 9000\n'
)
SAMPLES = 39


def clock(minute: float) -> str:
    return (EPOCH + timedelta(minutes=minute)).isoformat(sep=" ", timespec="microseconds")


exact = clock


def log_of(
    folder: Path,
    stops: list[tuple[float, float, str]],
    windows: list[tuple[float, float]],
    layout: Layout | None = None,
    name: str = "log.csv",
) -> EventLog:
    """A log of stops and windows in minutes."""
    rows = [f'{clock(b)},{clock(e)},"{reason}"' for b, e, reason in stops]
    (folder / name).write_text("\n".join(["start,end,reason", *rows]) + "\n")
    shifts = [f"{clock(b)},{clock(e)}" for b, e in windows]
    (folder / "shifts.csv").write_text("\n".join(["start,end", *shifts]) + "\n")
    return read_log(folder / name, layout or Layout(), folder / "shifts.csv")


# Rules.


def test_any_halt_stops_the_clock_and_what_the_end_cuts_is_censored(tmp_path):
    log = log_of(
        tmp_path,
        [
            (10, 12, "sealer"),
            (20, 25, "coder"),
            (30, 31, "sealer"),
            (98, 130, "coder"),
            (205, 206, "sealer"),
        ],
        [(0, 100), (200, 260)],
    )
    coder, sealer = stops_by_reason(log)
    assert (coder.reason, sealer.reason) == ("coder", "sealer")
    # First window: 100 min less stops of 2, 5, 1 and 2; second: 60 less 1.
    assert np.array(sealer.running_s) / 60 == pytest.approx([90, 59])
    between = sealer.between
    # 10 to the first; 30 - 12 less the coder's 5; the rest of the window is cut off.
    assert between.times_s / 60 == pytest.approx([10, 13, 67, 5, 54])
    assert between.seen.tolist() == [True, True, False, True, False]
    assert sealer.lengths.times_s / 60 == pytest.approx([2, 1, 1])
    # The coder's last stop goes on behind the window: 2 min of it were seen.
    assert coder.lengths.times_s / 60 == pytest.approx([5, 2])
    assert coder.lengths.seen.tolist() == [True, False]
    assert coder.between.times_s / 60 == pytest.approx([18, 72, 59])
    assert coder.between.seen.tolist() == [True, True, False]


def test_stops_at_the_start_without_length_and_planned(tmp_path):
    log = log_of(
        tmp_path,
        [(-5, 4, "sealer"), (20, 20, "sealer"), (30, 40, "break"), (50, 52, "sealer")],
        [(0, 60)],
        Layout(states={"break": "planned_stop"}),
    )
    [sealer] = stops_by_reason(log)
    assert [stop.begun for stop in sealer.stops] == [False, True, True]
    assert (sealer.without_time, sealer.at_start) == (1, 0)
    # The clock begins when the machine does; the break stops it, and gives no station.
    assert sealer.between.times_s / 60 == pytest.approx([16, 20, 8])
    assert sealer.lengths.times_s / 60 == pytest.approx([2])


def test_overlapping_stops_of_a_reason_are_one(tmp_path):
    log = log_of(
        tmp_path,
        [(10, 14, "sealer"), (12, 16, "sealer"), (16, 17, "coder"), (17, 18, "sealer")],
        [(0, 60)],
    )
    sealer, coder = stops_by_reason(log)
    assert sealer.lengths.times_s / 60 == pytest.approx([7])
    assert sealer.between.times_s / 60 == pytest.approx([10, 42])
    assert coder.between.times_s / 60 == pytest.approx([10, 42])


def test_the_step_of_the_clock_is_seen(tmp_path):
    stops = [(10, 12, "sealer"), (20, 25, "sealer"), (31, 33, "sealer")]
    assert resolution_s(log_of(tmp_path, stops, [(0, 100)])) == 60
    assert resolution_s(log_of(tmp_path, [*stops, (40, 40.5, "sealer")], [(0, 100)])) == 30


def test_running_time_and_stops_fill_the_windows(tmp_path):
    rng = np.random.default_rng(1)
    at, stops = 0.0, []
    for _ in range(60):
        at += rng.exponential(12)
        end = at + rng.exponential(3)
        stops.append((at, end, str(rng.choice(["sealer", "coder"]))))
        at = end
    log = log_of(tmp_path, stops, [(0, 300), (350, 700)])
    found = stops_by_reason(log)
    lost = sum(each.lost_s for each in found)
    assert sum(found[0].running_s) + lost == pytest.approx(650 * 60)


# Known inputs found again.

PLANT = """
[study]
shift_h = 8
[[machine]]
name = "oats"
speed_per_min = 120
[machine.magazine]
capacity_bags = 70000
[[machine.station]]
name = "sealer"
between_stops = { family = "weibull", mean_min = 30, shape = 1.5 }
stop = { family = "lognormal", mean_min = 3, cv = 1 }
[[machine.station]]
name = "coder"
between_stops = { family = "exponential", mean_min = 60 }
stop = { family = "exponential", mean_min = 6 }
[[machine.station]]
name = "weigher"
between_stops = { family = "lognormal", mean_min = 45, cv = 0.8 }
stop = { family = "weibull", mean_min = 2, shape = 2 }
"""
TRUE_MEANS_MIN = {"sealer": (30, 3), "coder": (60, 6), "weigher": (45, 2)}
TRUE_FORMS = {"sealer": ("weibull", 1.5), "weigher": ("lognormal", 0.8)}


def simulated(folder: Path, seed: int, shifts: int, plant: str = PLANT) -> EventLog:
    """Shifts of a plant, one a day, as a log."""
    cell = build_cell(parse_config(plant))
    stops, windows = [], []
    for number in range(1, shifts + 1):
        record = run_shift(cell, seed, number)
        start = 1440.0 * (number - 1)
        windows.append((start, start + record.shift_us / 6e7))
        for halt in halts_of(segments_of(record.machines[0], record.shift_us)):
            stops += [
                (start + s.begin_us / 6e7, start + s.end_us / 6e7, s.state)
                for s in halt.segments
                if s.end_us > s.begin_us and s.state not in MOVING
            ]
    return log_of(folder, stops, windows, name=f"seed-{seed}.csv")


def misses(result: StopsResult) -> dict[str, bool]:
    """Whether the intervals of the true families miss the true values."""
    found = {}
    for station in result.stations:
        for time, mean_min in zip(station.times, TRUE_MEANS_MIN[station.name], strict=True):
            true = parse_config(PLANT).machine[0].station
            spread = next(getattr(s, time.purpose) for s in true if s.name == station.name)
            family = next(f for f in time.families if f.fit.family == spread.family)
            low, high = family.mean_s
            found[f"{station.name} {time.purpose} mean"] = not low <= 60 * mean_min <= high
            form = spread.shape if spread.cv is None else spread.cv
            if form is not None:
                low, high = family.form
                found[f"{station.name} {time.purpose} form"] = not low <= form <= high
    return found


@pytest.mark.campaign
def test_known_inputs_are_found_again(tmp_path):
    result = fit_stops(simulated(tmp_path, 1, 40), samples=SAMPLES)
    assert {station.name for station in result.stations} == set(TRUE_MEANS_MIN)
    missed = misses(result)
    # Ten intervals of 95 %: more than two miss with a chance of 0.012 (binomial).
    assert len(missed) == 10
    assert sum(missed.values()) <= 2
    chosen = {
        (station.name, time.purpose): time.chosen
        for station in result.stations
        for time in station.times
    }
    assert chosen["coder", "between_stops"] == "exponential"
    assert chosen["sealer", "between_stops"] == "weibull"
    assert chosen["sealer", "stop"] == "lognormal"
    assert chosen["weigher", "stop"] == "weibull"


@pytest.mark.campaign
def test_clock_time_would_not_find_them(tmp_path):
    """Negative control: other stops' time in it, or none of what is cut off."""
    # The sealer stops half of the time: by the clock the coder's times are about twice as long.
    plant = PLANT.replace("mean_min = 30, shape", "mean_min = 20, shape").replace(
        "mean_min = 3, cv", "mean_min = 20, cv"
    )
    log = simulated(tmp_path, 1, 40, plant)
    [station] = fit_stops(log, reasons=["coder"], samples=19).stations
    low, high = station.between.families[0].mean_s
    assert low <= 3600 <= high
    coder = [stop for stop in log.stops if stop.reason == "coder"]
    hours = 8 * len(log.windows) - sum(stop.length_us for stop in coder) / 3.6e9
    assert 3600 * hours / len(coder) > high
    assert float(station.between.data.seen_s.mean()) < low


@pytest.mark.campaign
def test_known_inputs_are_found_as_often_as_stated(tmp_path):
    missed: dict[str, list[bool]] = {}
    for seed in range(1, 101):
        result = fit_stops(simulated(tmp_path, seed, 10), samples=19, split=False)
        for name, value in misses(result).items():
            missed.setdefault(name, []).append(value)
    for name, values in missed.items():
        # 100 logs: within four standard errors of 5 %.
        assert np.mean(values) <= 0.05 + 4 * math.sqrt(0.05 * 0.95 / 100), name


# The choice.


def renewals_log(folder: Path, lengths: list[float], gaps: list[float], **kwargs) -> EventLog:
    """Stops of one reason, one after the other, in minutes, in windows of ten stops."""
    stops, windows, at = [], [], 0.0
    for begin in range(0, len(lengths), 10):
        start = at
        for length, gap in zip(lengths[begin : begin + 10], gaps[begin : begin + 10], strict=True):
            at += gap
            stops.append((at, at + length, "sealer"))
            at += length
        at += 1.0
        windows.append((start, at))
        at += 100.0
    return log_of(folder, stops, windows, **kwargs)


def test_short_and_long_stops_become_two_stations(tmp_path):
    rng = np.random.default_rng(3)
    # 8 % long ones, 25 min; short ones of 1 min.
    lengths = np.where(
        rng.random(600) < 0.08, rng.lognormal(3.1, 0.5, 600), rng.lognormal(-0.3, 0.7, 600)
    )
    log = renewals_log(tmp_path, lengths.tolist(), rng.exponential(15, 600).tolist())
    result = fit_stops(log, samples=SAMPLES)
    assert [station.part for station in result.stations] == ["short", "long"]
    short, long = result.stations
    assert (short.name, long.name) == ("sealer short", "sealer long")
    assert 3 < short.parting_s / 60 < 12
    assert short.length.mean_s / 60 == pytest.approx(math.exp(-0.3 + 0.245), rel=0.15)
    assert long.length.mean_s / 60 == pytest.approx(math.exp(3.1 + 0.125), rel=0.25)
    # Both together stop the machine as often as before.
    rate = sum(1 / station.between.mean_s for station in result.stations)
    assert 60 * rate == pytest.approx(1 / 15, rel=0.12)
    assert any("parted" in sentence for sentence in answer(result))


@pytest.mark.campaign
def test_one_kind_of_stop_stays_one_station(tmp_path):
    rng = np.random.default_rng(4)
    log = renewals_log(
        tmp_path, rng.lognormal(0, 1.3, 400).tolist(), rng.exponential(15, 400).tolist()
    )
    result = fit_stops(log, samples=SAMPLES)
    assert [station.part for station in result.stations] == [""]
    forced = fit_stops(log, samples=SAMPLES, split=300.0)
    assert [station.part for station in forced.stations] == ["short", "long"]
    assert forced.stations[0].parting_s == 300
    # Where one side would have hardly any stop, there is one station.
    assert len(fit_stops(log, samples=19, split=1e6).stations) == 1


@pytest.mark.campaign
def test_where_no_family_fits_the_times_themselves_are_taken(tmp_path):
    rng = np.random.default_rng(5)
    # Lengths on a comb of three values: no family, and no two kinds of one.
    lengths = rng.choice([1.0, 2.0, 4.0], 300) + rng.uniform(0, 0.01, 300)
    log = renewals_log(tmp_path, lengths.tolist(), rng.exponential(15, 300).tolist())
    result = fit_stops(log, samples=SAMPLES)
    [station] = result.stations
    assert station.length.chosen == "empirical"
    assert station.length.mean_s == pytest.approx(60 * lengths.mean())
    assert "No family carries sealer (stop lengths)" in " ".join(answer(result))
    [(name, text)] = files_of_times(result).items()
    assert name == "sealer-stop-s.txt"
    (tmp_path / name).write_text(text)
    config = parse_config(MACHINE + stations_text(result, "log.csv"), folder=tmp_path)
    spread = config.machine[0].station[0].stop
    assert spread.family == "empirical"
    assert spread.mean_s == pytest.approx(station.length.mean_s, abs=1e-5)


def test_each_empirical_time_has_a_file_of_its_own(monkeypatch):
    alike = "jam at the second transfer belt behind the coder, where the packs turn"
    names = [f"{alike} left", f"{alike} right", "film roll", "film-roll", "???"]
    stations = [
        SimpleNamespace(
            name=name,
            times=[
                SimpleNamespace(
                    purpose="stop", family=None, chosen="empirical", values_s=[float(place)]
                )
            ],
        )
        for place, name in enumerate(names)
    ]
    files = files_of_times(SimpleNamespace(stations=stations))
    assert [float(text) for text in files.values()] == [0, 1, 2, 3, 4]
    assert list(files)[2:] == [
        "film-roll-stop-s.txt",
        "film-roll-2-stop-s.txt",
        "station-stop-s.txt",
    ]
    # The tables name them.
    monkeypatch.setattr("feedsim.fit.station_text.answer", lambda result: [])
    monkeypatch.setattr("feedsim.fit.station_text._basis", lambda time: "as logged")
    told = tomllib.loads(stations_text(SimpleNamespace(stations=stations), "log.csv"))
    assert [table["stop"]["file_s"] for table in told["machine"]["station"]] == list(files)


def test_a_handful_of_stops_is_told_as_such(tmp_path):
    log = log_of(tmp_path, [(10, 12, "sealer"), (30, 31, "sealer")], [(0, 100)])
    result = fit_stops(log, samples=19)
    [station] = result.stations
    assert station.between.chosen == "exponential"
    assert station.between.families[0].goodness is None
    assert station.trend is None
    # 97 min of running, two stops: 2 T / chi-square(6) and (4), NIST 8.4.5.1.
    assert station.between.families[0].mean_s == pytest.approx(
        (2 * 97 * 60 / 14.449, 2 * 97 * 60 / 0.48442), rel=1e-4
    )
    assert "too few to tell a family" in " ".join(result.warnings())


def test_states_of_the_model_give_no_station(tmp_path):
    log = log_of(tmp_path, [(10, 12, "dry"), (20, 21, "sealer"), (40, 42, "dry")], [(0, 100)])
    result = fit_stops(log, samples=19)
    assert [station.name for station in result.stations] == ["sealer"]
    assert result.left_out == (("dry", "is dry, which the model makes itself"),)


def test_nothing_to_fit_is_said(tmp_path):
    log = log_of(tmp_path, [(10, 12, "dry")], [(0, 100)])
    with pytest.raises(StopsError, match="dry is dry, which the model makes itself"):
        fit_stops(log)
    log = log_of(tmp_path, [(10, 12, "sealer")], [(0, 100)])
    with pytest.raises(StopsError, match="no stop of reason 'coder' lies in a window"):
        fit_stops(log, reasons=["coder"])


@pytest.mark.campaign
def test_same_answer_every_time_and_for_each_reason_alone(tmp_path):
    log = simulated(tmp_path, 2, 10)
    both = fit_stops(log, samples=19).frame()
    again = fit_stops(log, samples=19).frame()
    alone = fit_stops(log, reasons=["coder"], samples=19).frame()
    assert both.equals(again)
    of_coder = both[both["station"] == "coder"].reset_index(drop=True)
    assert of_coder.equals(alone)
    assert both["family"].tolist()[:3] == ["exponential", "weibull", "lognormal"]


@pytest.mark.parametrize(
    ("reason", "taken", "name"),
    [
        ("a/b\tc", (), "a b c"),
        ("Jam", (), "Jam stop"),
        ("Blocked by palletizer", (), "stop Blocked by palletizer"),
        ("!?", (), "stop !?"),
        ("Sealer", ("sealer",), "Sealer 2"),
        ("x" * 300, (), "x" * 88),
        ("包装机 $\\frac{$", (), "包装机 $\\frac{$"),
    ],
)
def test_any_reason_makes_a_name_that_a_config_takes(reason, taken, name):
    assert station_name(reason, taken) == name
    stop = 'between_stops = { family = "constant", mean_min = 5 }\nstop = 0\n'
    names = "".join(
        f"[[machine.station]]\nname = {json.dumps(each)}\n{stop}" for each in (*taken, name)
    )
    parse_config(MACHINE + names)


# Files.


@pytest.fixture(scope="module")
def fitted(tmp_path_factory) -> StopsResult:
    return fit_stops(read_log(DATA / "stops.csv", Layout(), DATA / "shifts.csv"), samples=19)


def test_stations_are_what_a_config_takes(fitted):
    config = parse_config(MACHINE + stations_text(fitted, "stops.csv"))
    stations = config.machine[0].station
    assert [s.name for s in stations] == [s.name for s in fitted.stations]
    for station, own in zip(fitted.stations, stations, strict=True):
        assert own.between_stops.mean_s == pytest.approx(station.between.mean_s, rel=1e-5)
        assert own.stop.mean_s == pytest.approx(station.length.mean_s, rel=1e-5)
        for key, time in zip(("between_stops", "stop"), station.times, strict=True):
            np.testing.assert_allclose(
                getattr(own, key).covariance, time.family.fit.covariance, rtol=1e-5
            )
    build_cell(config)
    # So uncertain inputs draw them anew.
    assert [unknown.name for unknown in unknowns_of(config)] == [
        f"stops of {s.name} at oats" for s in fitted.stations
    ]


def test_the_example_finds_its_true_values(fitted):
    # What stands at the head of configs/data/stops.csv.
    true_min = {"sealer": (45, 2.5), "coder": (180, 9), "checkweigher": (90, 0.8)}
    for station in fitted.stations:
        for time, value in zip(station.times, true_min[station.name], strict=True):
            low, high = time.family.mean_s
            assert low / 60 <= value <= high / 60


# The command line.


def call(*words: str):
    return CliRunner().invoke(command, list(words), standalone_mode=False)


def test_the_command_writes_its_folder_and_json(undrawn, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    words = [str(DATA / "stops.csv"), "--windows", str(DATA / "shifts.csv"), "--samples", "19"]
    done = call(*words, "--out", "fit", "--json")
    assert done.exception is None
    document = json.loads(done.stdout.splitlines()[0])
    assert (document["schema"], document["command"]) == (1, "fit stops")
    assert [each["station"] for each in document["fit_stops"]] == [
        "sealer",
        "coder",
        "checkweigher",
    ]
    families = document["fit_stops"][0]["stop"]["families"]
    assert [each["family"] for each in families] == ["exponential", "weibull", "lognormal"]
    assert {path.name for path in Path("fit").iterdir()} == {
        *("manifest.json", "answer.json", "stations.toml", "families.csv"),
        *("stops.png", "stops.svg"),
    }
    assert "covariance" in Path("fit/stations.toml").read_text()
    table = call(*words)
    assert table.output.startswith("The machine stopped ")
    assert "Families, in a fixed order" in table.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--part", "often"], "--part: must be auto, none or a number of minutes above 0"),
        (["--part", "-1"], "--part: must be"),
        (["--of-machine", "oats"], "has no machine 'oats'"),
        (["--changed", "soon"], "--changed: must be a time like 2025-03-30 14:05"),
        (["--changed", "2024-01-01"], "--changed: no whole window of"),
        (["--only", "sealr"], "no stop of reason 'sealr'"),
        (["--alike", "--of-machine", "x"], "--alike: does not go with --of-machine"),
    ],
)
def test_bad_options_are_told_in_one_line(words, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = call(str(DATA / "stops.csv"), "--windows", str(DATA / "shifts.csv"), *words)
    assert told in str(done.exception)
    assert "\n" not in str(done.exception)
    assert not Path("outputs").exists()


def test_several_machines_are_asked_for(undrawn, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rows = [f"{clock(10 * k)},{clock(10 * k + 1)},sealer,line {1 + k % 2}" for k in range(1, 41)]
    Path("log.csv").write_text("start,end,reason,machine\n" + "\n".join(rows) + "\n")
    Path("shifts.csv").write_text(f"start,end\n{clock(0)},{clock(480)}\n")
    words = ["log.csv", "--windows", "shifts.csv", "--samples", "19"]
    told = str(call(*words).exception)
    assert told.startswith("--of-machine: log.csv has 2 machines, allowed: one of line ")
    assert told.endswith("; or --alike for all as one")
    one = call(*words, "--of-machine", "line 2", "--json")
    both = call(*words, "--alike", "--json")
    stops = [json.loads(d.stdout.splitlines()[0])["fit_stops"][0]["stops"] for d in (one, both)]
    assert stops == [20, 40]
    assert "2 machines are taken as alike" in both.output


# Are they alike?


def days_of(rng: np.random.Generator, gaps_s: list[float], machines: list[str]) -> ReasonStops:
    """Windows of 8 h of running, a day each: mean time between stops and machine of each."""
    stops, windows = [], []
    for number, (gap_s, machine) in enumerate(zip(gaps_s, machines, strict=True)):
        begin_us = number * 86_400_000_000
        windows.append(Window(machine, begin_us, begin_us + 28_800_000_000, 28_800.0))
        instants = np.cumsum(rng.exponential(gap_s, 200))
        stops += [
            Stop(number, float(at), float(rng.exponential(100))) for at in instants if at < 28_800
        ]
    return ReasonStops("sealer", tuple(stops), tuple(windows))


def test_groups_of_windows_differ_as_often_as_stated():
    """Windows that are alike: 5 %; such with half the time between stops: nearly always."""
    rng = np.random.default_rng(1)
    machines = ["a", "b", "c"] * 4
    alike, differ = [], []
    for _ in range(40):
        stops = days_of(rng, [1200.0] * 12, machines)
        alike += [each.test.p_value for each in compare(stops, by_machine(stops))]
        alike += [
            each.test.p_value for each in compare(stops, by_change(stops, 6 * 86_400_000_000))
        ]
        stops = days_of(rng, [1200.0, 1200.0, 600.0] * 4, machines)
        between, length = compare(stops, by_machine(stops))
        differ.append(between.test.p_value)
        assert max(between.ratios, key=between.ratios.__getitem__) == "c"
        assert length.is_judged
    assert sum(p <= 0.05 for p in alike) <= 19  # P(more of 160 | 5 %) = 0.03 %
    assert np.mean(np.array(differ) <= 0.05) > 0.95


def test_few_stops_are_not_judged():
    stops = days_of(np.random.default_rng(1), [9000.0] * 2, ["a", "b"])
    assert not any(each.is_judged for each in compare(stops, by_machine(stops)))


def alternating_log(folder: Path, machines: str = "") -> EventLog:
    """Eight days of 8 h, a stop in 12 min of running by turns with one in 30."""
    rng = np.random.default_rng(4)
    column = ",machine" if machines else ""
    rows, windows = [f"start,end,reason{column}"], [f"start,end{column}"]
    for day in range(8):
        machine = f",line {1 + day % 2}" if machines else ""
        slow = day % 2 if machines else day >= 4
        at = 1440.0 * day
        windows.append(f"{clock(at)},{clock(at + 480)}{machine}")
        while (at := at + rng.exponential(30 if slow else 12)) < 1440 * day + 470:
            rows.append(f"{clock(at)},{clock(at + 2 + rng.random())},sealer{machine}")
            at += 3
    (folder / "log.csv").write_text("\n".join(rows) + "\n")
    (folder / "shifts.csv").write_text("\n".join(windows) + "\n")
    return read_log(folder / "log.csv", Layout(), folder / "shifts.csv")


def test_machines_that_are_not_alike_are_told(tmp_path):
    result = fit_stops(alternating_log(tmp_path, "two"), samples=19)
    [told] = [note for note in result.warnings() if "not alike in their times between" in note]
    assert told.startswith("sealer: the machines are not alike in their times between stops: ")
    assert "'line 1' stops more often" in told or "'line 2' stops less often" in told
    # Windows of all machines stand in order of time: no trend from machine to machine.
    assert not any("frequent over the log" in note for note in result.warnings())
    [station] = result.answer_json()
    between, length = station["machines"]
    assert (between["time"], length["time"], between["degrees"]) == ("between_stops", "stop", 1)
    assert [group["name"] for group in between["groups"]] == ["line 1", "line 2"]
    # One machine alone is compared with none.
    assert station["change"] == []


def test_before_and_after_a_change(tmp_path, monkeypatch):
    log = alternating_log(tmp_path)
    changed_us = log.windows[4].begin_us
    result = fit_stops(log, samples=19, changed_us=changed_us)
    [told] = [sentence for sentence in answer(result) if "change" in sentence]
    assert told.startswith("After the change sealer stops less often (")
    assert not any("not alike" in note for note in result.warnings())
    with pytest.raises(StopsError, match=r"--changed: no whole window of .*log.csv lies after"):
        fit_stops(log, samples=19, changed_us=log.windows[-1].begin_us + 1)
    monkeypatch.setattr("feedsim.plots.fit_stops.stops_figures", lambda *_: {})
    monkeypatch.chdir(tmp_path)
    words = ["log.csv", "--windows", "shifts.csv", "--samples", "19", "--changed", "2025-03-07"]
    shown = call(*words).output
    assert told in shown
    assert "Are they alike?" in shown


def test_a_change_within_a_window_leaves_it_out(tmp_path):
    log = log_of(tmp_path, [(10, 12, "s"), (130, 131, "s")], [(0, 60), (100, 200), (300, 400)])
    [stops] = stops_by_reason(log)
    middle_us = stops.windows[1].begin_us + 1
    assert by_change(stops, middle_us) == {"before": [0], "after": [2]}
    assert by_change(stops, stops.windows[1].begin_us) == {"before": [0], "after": [1, 2]}


# A coarse clock.


def test_lengths_in_whole_minutes_are_fitted_as_such(tmp_path, monkeypatch):
    rng = np.random.default_rng(1)
    lengths, gaps = rng.exponential(1.0, 400), rng.exponential(25, 400)
    monkeypatch.setattr("test_fit_stops.clock", lambda minute: exact(math.floor(minute)))
    log = renewals_log(tmp_path, lengths.tolist(), gaps.tolist())
    [station] = fit_stops(log, samples=19, split=False).stations
    low, high = station.length.family.mean_s
    assert low < 60 < high
    assert station.length.data.step_s == 60
    assert station.length.data.told_none > 100
    # Negative control: as told, and without those told as none, they last far longer.
    assert float(station.length.data.times_s.mean()) > 1.4 * high
    # Longer ones are taken as they are.
    assert not is_coarse(CensoredTimes.of(600 * lengths + 300), 60.0)


# Figures and a real log.


@pytest.mark.campaign
def test_figures_are_the_same_every_time_and_take_any_name(fitted, tmp_path):
    from feedsim.plots.style import save

    for name in ("a", "b"):
        save(stops_figures(fitted, "$\\frac{$ 包装")["stops"], tmp_path, name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


@pytest.mark.campaign
def test_many_stations_take_several_figures(tmp_path):
    rng = np.random.default_rng(1)
    stops = [
        (20.0 * k, 20.0 * k + float(rng.exponential(2)), f"_{k % 6} $\\alpha$")
        for k in range(1, 121)
    ]
    result = fit_stops(log_of(tmp_path, stops, [(0, 2500)]), samples=19)
    assert list(stops_figures(result, "x")) == ["stops-1", "stops-2"]


@pytest.mark.skipif(not BOTTLING.is_dir(), reason="the real log is not beside the checkout")
def test_a_real_log_is_carried_by_no_family():
    log = read_log(BOTTLING / "bottling-stops.csv", Layout(), BOTTLING / "bottling-runs.csv")
    [stops] = stops_by_reason(log)
    # Of 1,388 stops 29 touch no window, and 10 overlap the one before within a window.
    assert len(stops.stops) == 1388 - 29 - 10
    result = fit_stops(log, samples=19, split=False)
    [station] = result.stations
    assert [time.chosen for time in station.times] == ["empirical", "empirical"]
    assert station.clustering.p_value <= 0.1


def test_both_parts_of_a_long_reason_keep_their_ends():
    names = [station_name("x" * 300, (), part) for part in ("short", "long")]
    assert [name[-6:] for name in names] == [" short", "x long"]
    assert all(len(name) <= 100 for name in names)


def test_too_few_samples_are_refused(tmp_path):
    with pytest.raises(StopsError, match="samples: is 0, allowed: at least 19"):
        fit_stops(None, samples=0)  # type: ignore[arg-type]


def test_lengths_end_with_their_stops_and_running_times_with_the_window(tmp_path):
    # A length of which n were seen whole has the exact interval of n exponential times, 2 T over
    # chi-square of 2 n (Epstein and Sobel, J. Am. Stat. Assoc. 48 (1953) 486, from memory).
    from scipy.stats import chi2

    path = tmp_path / "log.csv"
    path.write_text(
        "begin,end,reason\n"
        "2025-09-01 08:00:00,2025-09-01 08:02:00,coder\n"
        "2025-09-01 09:00:00,2025-09-01 09:05:00,coder\n"
        "2025-09-01 11:00:00,2025-09-01 11:01:00,coder\n"
    )
    [station] = fit_stops(read_log(path)).stations
    [length] = [f for f in station.length.families if f.fit.family == "exponential"]
    assert length.mean_s[0] == pytest.approx(2 * 480 / chi2.ppf(0.975, 6), rel=1e-6)
    [between] = [f for f in station.between.families if f.fit.family == "exponential"]
    total_s, events = between.fit.data.total_s, between.fit.data.events
    assert between.mean_s[0] == pytest.approx(2 * total_s / chi2.ppf(0.975, 2 * events + 2))
