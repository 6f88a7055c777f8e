"""The figures and the breakdown of losses: sums, odd cases, whole files, no overlaps."""

import json
import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from itertools import combinations
from math import nan

import matplotlib
import numpy as np
import pytest
from campaigns import one_in
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from feedsim.accounts import BalanceError
from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.losses import MIN_PER_8_H, SMALL, breakdown, gathered, losses
from feedsim.plots import capacity_figure, loss_breakdown, save
from feedsim.plots.curves import Curve, family_of
from feedsim.plots.loss_rows import MachineLosses
from feedsim.plots.losses import draw_losses
from feedsim.plots.panels import WAITING, draw_panel
from feedsim.plots.style import LOOKS, figure_style, line_looks, look_of
from feedsim.plots.wording import fitted, percent, title_lines, width_in, wrapped
from feedsim.stats import Estimate
from feedsim.study import Results, Setting, run_study

ODD = 'oats $\\frac{ <b> & "quotes" -- ]]> ' + "granola " * 7 + "燕麦"
STATIONS = ("sealer", "coder", "weigher", "doser", "printer", "flush")


def _text(names=("oats",), stations=2, faults=True, outfeed=False, shift_h=1.0, warm_up_h=0.25):
    lines = ["[study]", f"shift_h = {shift_h}", f"warm_up_h = {warm_up_h}"]
    lines += ["[crew]", "rounds_every_min = 10", "walk_s = 5"]
    for name in names:
        lines += ["[[machine]]", f"name = {json.dumps(name)}", "speed_per_min = 30"]
        lines += ["restart_s = 7", "scrap_packs = 2"] if faults else []
        lines += ["[machine.magazine]", "capacity_bags = 50", "bundle_bags = 25"]
        lines += ['visit = { family = "constant", mean_s = 20 }']
        lines += ['bundle = { family = "exponential", mean_s = 15 }']
        if faults:
            lines += ["[machine.pick]", "single_lane_speed_per_min = 22", "retries = 1"]
            lines += ["retry_s = 0.5", 'clear = { family = "exponential", mean_s = 60 }']
            lines += ["[machine.bag]", "faults = { missed = 0.1, double = 0.004,"]
            lines[-1] += " unopened = 0.01, skewed = 0.01, jam = 0.004 }"
        if outfeed:
            lines += ["[machine.outfeed]", "accumulation_packs = 30", "speed_per_min = 29"]
            lines += ["[[machine.station]]", 'name = "case packer"', 'place = "outfeed"']
            lines += ['between_stops = { family = "exponential", mean_min = 10 }']
            lines += ['stop = { family = "exponential", mean_min = 2 }']
        for number in range(stations):
            station = f"{STATIONS[number % 6]} {number}" if number > 5 else STATIONS[number]
            lines += ["[[machine.station]]", f'name = "{station}"']
            lines += ['between_stops = { family = "exponential", mean_min = 20 }']
            lines += ['stop = { family = "lognormal", mean_min = 1, cv = 1 }']
    return "\n".join(lines)


@cache
def _results(bags=(25, 50, 100), rounds=(), replications=4, **kinds):
    settings = []
    for every in rounds or (None,):
        for capacity in bags:
            values = {"machine.magazine.capacity_bags": capacity}
            if every is not None:
                values["crew.rounds_every_min"] = every
            overrides = [f"{key}={value}" for key, value in values.items()]
            settings.append(
                Setting(values, build_cell(parse_config(_text(**kinds), overrides=overrides)))
            )
    return run_study(settings, replications=replications, seed=7, confidence=0.95)


CASES = {
    "plain": {},
    "one replication": {"replications": 1},
    "one capacity": {"bags": (50,)},
    "one capacity, one replication": {"bags": (50,), "replications": 1},
    "nothing happens": {"stations": 0, "faults": False, "bags": (1000,), "warm_up_h": 0.0},
    "family": {"rounds": (2, 5, 20)},
    "family at one capacity": {"rounds": (2, 5, 20), "bags": (50,)},
    "many curves": {"rounds": (2, 3, 4, 5, 6, 8, 10, 12), "bags": (50, 100), "replications": 2},
    "three machines": {"names": ("oats", ODD, "x" * 100), "outfeed": True},
    "twelve stations": {"names": ("W" * 60,), "stations": 12, "outfeed": True, "bags": (50,)},
}


def _drawn(figure):
    canvas = FigureCanvasAgg(figure)
    with figure_style():
        canvas.draw()
    return canvas.get_renderer()


def _undrawn(figure):
    """Labels of ticks outside their axis: matplotlib has them, but does not draw them."""
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks():
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9 or not axes.axison:
                    yield tick.label1


def _texts(figure):
    """Every text that a figure shows, with its box."""
    renderer = _drawn(figure)
    undrawn = set(_undrawn(figure))
    return [
        (artist.get_text(), artist.get_window_extent(renderer))
        for artist in figure.findobj(matplotlib.text.Text)
        if artist not in undrawn and artist.get_visible() and artist.get_text().strip()
    ]


def _misplaced(figure):
    """Texts that leave the figure, and pairs of texts that overlap."""
    texts, whole = _texts(figure), figure.bbox
    out = [
        t for t, b in texts if b.x0 < -1 or b.y0 < -1 or b.x1 > whole.x1 + 1 or b.y1 > whole.y1 + 1
    ]
    over = [
        (a, b)
        for (a, one), (b, two) in combinations(texts, 2)
        if min(one.x1, two.x1) - max(one.x0, two.x0) > 2
        and min(one.y1, two.y1) - max(one.y0, two.y0) > 3
    ]
    return out + over


@pytest.mark.parametrize("case", one_in(6, CASES))
def test_texts_of_the_loss_figure_stay_apart_and_inside(case):
    results = _results(**CASES[case])
    assert _misplaced(loss_breakdown(results, len(results.settings) - 1)) == []


@pytest.mark.parametrize("case", one_in(6, CASES))
def test_texts_of_the_capacity_figure_stay_apart_and_inside(case):
    assert _misplaced(capacity_figure(_results(**CASES[case]), own_capacity=50)) == []


def test_misplaced_texts_are_found():
    figure = Figure()
    figure.text(0.95, 0.5, "leaves the figure on the right")
    figure.text(0.2, 0.2, "one")
    figure.text(0.21, 0.2, "two")
    assert _misplaced(figure) == ["leaves the figure on the right", ("one", "two")]


@pytest.mark.campaign
def test_a_machine_of_a_cell_by_its_name(tmp_path):
    results = _results(**CASES["three machines"])
    figure = capacity_figure(results, machine=ODD, own_capacity=400)
    assert _misplaced(figure) == []
    for file in save(figure, tmp_path, "one"):
        assert file.stat().st_size > 10_000
    with pytest.raises(ValueError, match="no machine is called 'muesli'"):
        capacity_figure(results, machine="muesli")


def test_figures_of_a_window_without_planned_busy_time():
    text = _text() + '\n[[planned_stop]]\nname = "lunch"\nat_h = 0\ntakes_min = 60\nkind = "break"'
    setting = Setting({}, build_cell(parse_config(text)))
    results = run_study([setting], replications=3, seed=1, confidence=0.9)
    assert "no planned busy time" in [text for text, _ in _texts(loss_breakdown(results))]
    assert "no value" in [text for text, _ in _texts(capacity_figure(results))]


def test_names_are_drawn_as_written(tmp_path):
    _, svg = save(loss_breakdown(_results(names=("oats $x$ & <b>",))), tmp_path, "losses")
    ET.parse(svg)
    assert "oats $x$ & <b>" in [
        text for text, _ in _texts(loss_breakdown(_results(names=("oats $x$ & <b>",))))
    ]


# The breakdown.


def _machine(results, number=0, setting=0):
    plan = results.settings[setting].cell.machines[number]
    return results.sums[setting].machines[number], plan


@pytest.mark.parametrize("case", CASES)
def test_parts_fill_planned_busy_time(case):
    results = _results(**CASES[case])
    for number in range(len(results.settings[0].cell.machines)):
        sums, plan = _machine(results, number)
        for whole in (
            breakdown(sums, plan, 0.95),
            gathered(breakdown(sums, plan, 0.95), sums, 0.95),
        ):
            total = whole.good.time_us + sum(loss.time_us for loss in whole.losses)
            np.testing.assert_array_equal(total, sums["window_us"] - sums["time_planned_stop_us"])
            shares = whole.good.share.value + sum(loss.share.value for loss in whole.losses)
            assert shares == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "more"),
    [("time_dry_us", 2.0), ("pockets_skewed", 1.0), ("good_packs", 40.0), ("time_running_us", 9e6)],
)
def test_parts_that_do_not_add_up_are_refused(name, more):
    results = _results(**CASES["nothing happens"])
    sums, plan = _machine(results)
    breakdown(sums, plan, 0.95)
    with pytest.raises(BalanceError, match="oats: "):
        breakdown({**sums, name: sums[name] + more}, plan, 0.95)


def test_breakdown_by_hand():
    """100 s: 20 good cycles of 2 s, rejects, lost pockets, stops, the rest slow cycles."""
    _, plan = _machine(_results(outfeed=True))
    seconds = {
        "running": 66,
        "restarting": 4,
        "dry": 20,
        "sealer": 3,
        "blocked": 5,
        "changeover": 2,
    }
    base = {name: np.zeros(2) for name in _machine(_results(outfeed=True))[0]}
    sums = base | {f"time_{state}_us": np.full(2, 1e6 * s) for state, s in seconds.items()}
    sums |= {name: np.full(2, float(n)) for name, n in (("good_packs", 20), ("pockets_missed", 4))}
    sums |= {"lost_pockets": np.full(2, 4.0), "rejected_packs": np.full(2, 3.0)}
    sums |= {"pockets_skewed": np.full(2, 2.0), "scrapped_packs": np.full(2, 1.0)}
    sums |= {"slow_cycles_us": np.full(2, 12e6)}
    sums |= {"window_us": np.full(2, 1e8), "cycle_us": np.full(2, 2e6)}
    sums |= {"blocked_by_case_packer_us": np.full(2, 4e6), "blocked_by_speed_us": np.full(2, 1e6)}
    found = {loss.name: round(loss.share.value, 9) for loss in losses(sums, plan, 0.95)}
    assert {name: share for name, share in found.items() if share} == {
        "dry": 0.2,
        "speed/slow_cycles": 0.12,
        "pockets/missed": 0.08,
        "restarting": 0.04,
        "blocked_by_case_packer": 0.04,
        "rejects/skewed": 0.04,
        "sealer": 0.03,
        "changeover": 0.02,
        "rejects/scrapped": 0.02,
        "blocked_by_speed": 0.01,
    }
    assert losses(sums, plan, 0.95)[0].minutes == pytest.approx(0.2 * MIN_PER_8_H)


def test_what_cannot_happen_is_left_out():
    sums, plan = _machine(_results(**CASES["nothing happens"]))
    assert [loss.name for loss in losses(sums, plan, 0.95)] == ["dry"]
    sums, plan = _machine(_results(outfeed=True))
    named = {loss.name for loss in losses(sums, plan, 0.95)}
    assert {
        "lane_fault",
        "blocked_by_speed",
        "blocked_by_case_packer",
        "speed/slow_cycles",
    } <= named
    assert "changeover" not in named


def test_only_several_small_losses_are_gathered():
    sums, plan = _machine(_results(stations=6, bags=(100,)))
    whole = breakdown(sums, plan, 0.95)
    small = {x.name for x in whole.losses if x.time_us.any() and x.share.value < SMALL}
    kept = {loss.name for loss in gathered(whole, sums, 0.95).losses}
    left_out = {loss.name for loss in whole.losses} - kept
    assert left_out == (small if len(small) > 1 else set())
    assert ("other" in kept) == (len(small) > 1)


def test_intervals_of_losses_hold_their_values():
    sums, plan = _machine(_results())
    for loss in losses(sums, plan, 0.95):
        if loss.share.unseen:
            assert loss.share.value == 0
            assert np.isnan(loss.share.low)
        else:
            assert loss.share.low <= loss.share.value <= loss.share.high


# Families of curves.


def test_settings_of_one_place_are_refused():
    results = _results(bags=(25, 50))
    twice = Results(results.settings * 2, results.sums * 2, 4, 7, 0.95, "simpy")
    with pytest.raises(ValueError, match="same capacity"):
        family_of(twice, None)


def test_curves_are_in_the_order_of_their_intervals():
    results = _results(rounds=(20, 2, 5))
    family = family_of(results, None)
    assert family.labels == ("rounds every 2 min", "rounds every 5 min", "rounds every 20 min")
    assert [[bags for bags, _ in points] for points in family.points] == [[25, 50, 100]] * 3
    for label, points in zip(family.labels, family.points, strict=True):
        for bags, number in points:
            values = results.settings[number].values
            assert values["machine.magazine.capacity_bags"] == bags
            assert label == f"rounds every {values['crew.rounds_every_min']} min"


def test_a_machine_stands_at_its_own_capacity_where_that_tells_settings_apart():
    def study(other):
        settings = []
        for asked, bags in ((40, 50), (60, 75)):
            overrides = [
                f"machine[0].magazine.capacity_bags={bags}",
                f"machine[1].magazine.capacity_bags={other or bags}",
            ]
            config = parse_config(_text(names=("oats", "rye")), overrides=overrides)
            values = {"machine.magazine.capacity_bags": asked}
            settings.append(Setting(values, build_cell(config)))
        return Results(tuple(settings), (), 1, 1, 0.95, "simpy")

    assert family_of(study(None), "rye").capacities_bags == [50, 75]
    assert family_of(study(25), "rye").capacities_bags == [40, 60]
    assert family_of(study(25), "oats").capacities_bags == [50, 75]
    assert family_of(study(None), None).capacities_bags == [40, 60]


def test_a_title_of_ones_own():
    figure = capacity_figure(_results(**CASES["plain"]), title="Oats need 50 bags per lane")
    assert "Oats need 50 bags per lane" in [text for text, _ in _texts(figure)]


def test_what_is_never_seen_is_said_and_not_drawn():
    figure = capacity_figure(_results(**CASES["nothing happens"] | {"bags": (1000, 1025)}))
    named = {axes.get_title(loc="left"): axes for axes in figure.axes}
    assert not any(title.startswith("Blocked") for title in named)
    for title in ("Dry: no bags", WAITING.title):
        assert [line for line in named[title].lines if line.get_xdata().size] == []
        assert [text.get_text() for text in named[title].texts] == ["none seen in 4 shifts"]
    with_blocked = capacity_figure(_results(**CASES["twelve stations"]))
    assert any(axes.get_title(loc="left") == "Blocked" for axes in with_blocked.axes)


def test_what_is_not_seen_at_one_point_is_drawn_open():
    axes = Figure().add_subplot()
    estimates = (Estimate(0.01, 0.005, 0.02, 40, 20), Estimate(0.0, nan, nan, 40, 0))
    draw_panel(axes, WAITING, [Curve("", (50.0, 75.0), estimates)])
    open_points = [
        line.get_xdata()[0]
        for line in axes.lines
        if line.get_linestyle() == "None" and line.get_markerfacecolor() == "white"
    ]
    assert open_points == [75.0]


# Files and style.


@pytest.mark.campaign
def test_same_curve_same_bytes(tmp_path):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        save(capacity_figure(_results(rounds=(2, 5))), tmp_path / folder, "capacity")
    for name in ("capacity.svg", "capacity.png"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_same_data_same_bytes(tmp_path):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        save(loss_breakdown(_results(outfeed=True)), tmp_path / folder, "losses")
    for name in ("losses.svg", "losses.png"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    drawing = (tmp_path / "one" / "losses.svg").read_text(encoding="utf-8")
    assert "<dc:date>" not in drawing
    other = loss_breakdown(_results(outfeed=True), 1)
    assert save(other, tmp_path, "other")[1].read_text(encoding="utf-8") != drawing


@pytest.mark.parametrize("fails", ["replace", "fsync"])
def test_a_failing_write_leaves_the_old_file(tmp_path, monkeypatch, fails):
    old = {name: f"old {name}".encode() for name in ("a.png", "a.svg")}
    for name, content in old.items():
        (tmp_path / name).write_bytes(content)

    def fail(*arguments, **keywords):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(os, fails, fail)
        with pytest.raises(OSError, match="No space left"):
            save(Figure(), tmp_path, "a")
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == old
    save(Figure(), tmp_path, "a")
    assert sorted(file.name for file in tmp_path.iterdir()) == sorted(old)
    assert (tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.campaign
def test_settings_of_the_user_neither_matter_nor_change(tmp_path):
    with matplotlib.rc_context({"font.size": 30, "text.parse_math": True, "axes.grid": False}):
        before = dict(matplotlib.rcParams)
        save(loss_breakdown(_results()), tmp_path, "a")
        assert dict(matplotlib.rcParams) == before
    save(loss_breakdown(_results()), tmp_path, "b")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_pyplot_is_not_imported():
    code = "import sys, feedsim.plots; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_states_and_lines_are_told_apart_without_colour():
    stations = [f"station {number}" for number in range(30)]
    looks = [look_of(station, stations) for station in stations]
    assert len({(look.colour, look.hatch) for look in looks}) == 30
    halts = ("retry", "restarting", "dry", "lane_fault", "jam", "blocked", "changeover")
    assert len({LOOKS[state].hatch for state in halts}) == len(halts)
    assert len({line_looks(number)["marker"] for number in range(8)}) == 8
    assert len({str(line_looks(number)["linestyle"]) for number in range(6)}) == 6


def test_texts_are_cut_and_broken_to_their_room():
    assert fitted("oats", 3) == "oats"
    cut = fitted("oats and granola " * 9, 3)
    assert "…" in cut
    assert width_in(cut) <= 3
    assert all(width_in(line) <= 3 for line in wrapped("oats and granola " * 9 + "W" * 99, 3))
    assert percent(0.12345) == "12.3 %"
    assert percent(-1e-9) == "0.00 %"
    assert percent(float("nan")) == "–"


def test_a_title_is_broken_evenly_and_not_before_a_unit():
    title = "150 bags per lane are the fewest that meet: OEE at least 70 %; crew busy at most 85 %"
    greedy, lines = wrapped(title, 9, 16, bold=True), title_lines(title, 9, 16)
    assert " ".join(lines) == " ".join(greedy) == title
    assert len(lines) == len(greedy) == 2
    assert not any(line.startswith("%") for line in (*lines, *wrapped("70 % " * 40, 2)))
    apart_in = [abs(width_in(a, 16) - width_in(b, 16)) for a, b in (greedy, lines)]
    assert apart_in[1] < 0.5 * apart_in[0]
    assert title_lines("W" * 99, 3, 16) == wrapped("W" * 99, 3, 16, bold=True)


def test_of_many_machines_those_with_least_are_drawn_and_it_is_said(monkeypatch):
    monkeypatch.setattr("feedsim.plots.losses.MOST_MACHINES", 2)
    results = _results(bags=(50,), replications=1)
    plan, sums = results.settings[0].cell.machines[0], results.sums[0].machines[0]
    whole = gathered(breakdown(sums, plan, 0.95), sums, 0.95)
    best = replace(whole, good=replace(whole.good, share=replace(whole.good.share, value=0.99)))
    shown = [
        MachineLosses(f"line {n}", [], best if n == 1 else whole, "Running") for n in (1, 2, 3)
    ]
    with figure_style():
        texts = [text for text, _ in _texts(draw_losses(shown, "One day.", 0.95))]
    assert any("The 2 of 3 machines with the lowest Running." in text for text in texts)
    assert {"line 2", "line 3"} < set(texts)
    assert "line 1" not in texts
