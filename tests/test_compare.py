"""Two configs on the same luck: differences, losses, luck in common, what is said and drawn."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import test_cli
from matplotlib.figure import Figure as Drawing
from scipy import stats as reference
from test_plots import ODD, _misplaced

from feedsim.answers.compare import CompareResult, Pair, compare, one_sided_confidence
from feedsim.answers.luck import streams_of, unshared_streams, width_ratio
from feedsim.cell import build_cell
from feedsim.cli.compare_command import answer, headline
from feedsim.config import load_config, parse_config
from feedsim.measures import OEE, Figure
from feedsim.model.shift import run_shift
from feedsim.plots.compare import compare_figure
from feedsim.streams import Stream

feedsim = test_cli.feedsim
CONFIGS = Path(__file__).parents[1] / "configs"

TEXT = """
[study]
shift_h = 1
replications = 8
[crew]
walk_s = 20
notice = { family = "exponential", mean_s = 30 }
[[machine]]
name = "oats"
speed_per_min = 30
[machine.magazine]
capacity_bags = 60
bundle_bags = 20
call_level_bags = 20
bundle = { family = "lognormal", mean_s = 30, cv = 0.5 }
[machine.pick]
clear = { family = "exponential", mean_s = 60 }
[machine.bag]
faults = { missed = 0.01, jam = 0.004, skewed = 0.01 }
bad_bundles = { share = 0.1, missed = 0.3 }
[[machine.station]]
name = "sealer"
between_stops = { family = "exponential", mean_min = 20 }
stop = { family = "lognormal", mean_min = 1, cv = 1 }
needs_operator = true
"""
TWO = (
    TEXT + '[[machine]]\nname = "granola"\nspeed_per_min = 40\nmagazine = { capacity_bags = 80 }\n'
)


@cache
def compared(text=TEXT, other=None, own_set=(), other_set=()) -> CompareResult:
    return compare(
        parse_config(text, overrides=own_set), parse_config(other or text, overrides=other_set)
    )


def figure_of(values) -> Figure:
    """The mean of observations, as a measure's figure."""
    values = np.array(values)
    return Figure(OEE, values.mean(), values - values.mean(), np.ones(len(values), dtype=bool))


# Law, Simulation Modeling and Analysis, sec. 10.2: five pairs of two inventory policies; the
# paired 90 % interval is [1.65, 8.31], the wider one: Welch's is [2.66, 7.30].
LAW_1 = [126.97, 124.31, 126.68, 122.66, 127.23]
LAW_2 = [118.21, 120.22, 122.45, 122.68, 119.40]


def test_a_pairing_that_widens_is_reported_as_such():
    pair = Pair(None, {"oee": figure_of(LAW_2)}, {"oee": figure_of(LAW_1)}, 0.90)
    found = pair["oee"]
    assert [round(x, 2) for x in (found.value, found.low, found.high)] == [4.98, 1.65, 8.31]
    welch = (7.30 - 2.66) / 2 / reference.t.ppf(0.95, 7.99)
    paired = (8.31 - 1.65) / 2 / reference.t.ppf(0.95, 4)
    assert pair.width_ratio("oee") == pytest.approx(paired / welch, rel=0.01)
    assert pair.width_ratio("oee") > 1


def test_the_confidence_of_the_better_one_is_students():
    deviations = np.array(LAW_1) - LAW_2
    value = deviations.mean()
    found = one_sided_confidence(value, deviations - value)
    theirs = reference.ttest_rel(LAW_1, LAW_2, alternative="greater").pvalue
    assert found == pytest.approx(1 - theirs, rel=1e-9)
    # At the end of a two-sided 90 % interval the one-sided confidence is 95 %.
    half = reference.t.ppf(0.95, 4) * deviations.std(ddof=1) / math.sqrt(5)
    assert one_sided_confidence(half, deviations - value) == pytest.approx(0.95)


@pytest.mark.parametrize(("value", "sure"), [(0.0, 0.5), (0.01, 1.0), (-0.01, 0.0)])
def test_where_nothing_varies_the_better_one_is_sure(value, sure):
    assert one_sided_confidence(value, np.zeros(5)) == sure


def test_one_shift_makes_nobody_sure():
    assert math.isnan(one_sided_confidence(0.1, np.zeros(1)))
    assert math.isnan(width_ratio(np.zeros(1), np.zeros(1)))


def test_same_luck_narrows_where_the_cells_are_alike():
    ratio = compared(other_set=("machine.magazine.capacity_bags=80",)).cell.width_ratio("oee")
    assert 0 < ratio < 0.8
    # On other luck there is nothing in common.
    assert width_ratio(np.array([1.0, -1.0, 1, -1]), np.array([1.0, 1, -1, -1])) == 1


def test_identical_configs_differ_by_exactly_nothing():
    result = compared()
    for pair in (result.cell, result.pair("oats")):
        for change in pair.differences().values():
            assert change.value == 0
            assert change.unseen or (change.low, change.high) == (0, 0)
    assert all(loss.change.value == 0 and not loss.has_changed for loss in result.losses())
    assert result.better.confidence == 0.5
    assert (result.better.higher_share, result.better.equal_share) == (0, 1)
    assert result.warnings() == []
    assert next(answer(result)).startswith("A and B are the same cell: every difference is 0")


def test_exchanging_the_two_turns_all_signs():
    change = ("machine.magazine.capacity_bags=120",)
    there, back = compared(other_set=change), compared(own_set=change)
    for name, found in there.cell.differences().items():
        other = back.cell[name]
        np.testing.assert_allclose(
            [found.value, found.low, found.high], [-other.value, -other.high, -other.low]
        )
    assert there.better.confidence == pytest.approx(1 - back.better.confidence)


@pytest.mark.parametrize("machine", [None, "oats", "granola"])
def test_what_oee_gains_the_losses_give(machine):
    result = compared(TWO, other_set=("crew.operators=2", "machine[0].speed_per_min=25"))
    lost = sum(loss.change.value for loss in result.losses(machine))
    assert lost == pytest.approx(-result.pair(machine)["oee"].value, abs=1e-12)
    changed = [loss.has_changed for loss in result.losses(machine)]
    assert changed == sorted(changed, reverse=True)
    assert any(changed)
    sizes = [abs(loss.change.value) for loss in result.losses(machine) if loss.has_changed]
    assert sizes == sorted(sizes, reverse=True)


def test_differences_are_those_of_the_two_rows():
    result = compared(other_set=("crew.operators=2",))
    for name in ("oee", "dry_share", "visits_per_h", "crew_busy", "good_packs"):
        own, other = (result.row(which)[name].value for which in "AB")
        assert result.cell[name].value == pytest.approx(other - own)


def test_a_station_of_one_cell_is_nothing_in_the_other():
    other = TEXT.replace('name = "sealer"', 'name = "coder"')
    result = compared(other=other)
    gone = result.cell["time_sealer_share"]
    come = result.cell["time_coder_share"]
    assert gone.value == -result.row("A")["time_sealer_share"].value
    assert come.value == result.row("B")["time_coder_share"].value
    named = {loss.name: loss for loss in result.losses()}
    assert named["sealer"].other.value == 0 < named["sealer"].own.value


# Luck in common.


@pytest.mark.parametrize(
    "text",
    [
        TEXT,
        TEXT.replace("needs_operator = true", "needs_operator = false"),
        TEXT.replace("walk_s = 20", "operators = 0"),
        TEXT.replace("bad_bundles = { share = 0.1, missed = 0.3 }", ""),
        TEXT.replace("faults =", "# faults ="),
        TEXT.replace("capacity_bags = 60", "lanes = 1\ncapacity_bags = 60\ncarry_bundles = 1"),
        TEXT.replace(
            "bundle_bags = 20",
            'bundle_bags = 20\ncarry_bundles = 1\nfetch = { family = "exponential", mean_s = 9 }\n'
            'visit = { family = "exponential", mean_s = 9 }',
        )
        + 'place = "outfeed"\n[machine.outfeed]\naccumulation_packs = 20\n',
        TEXT.replace("[[machine]]", '[[crew.duty]]\nname = "samples"\nevery_min = 10\n'
                     'takes = { family = "exponential", mean_min = 1 }\n[[machine]]'),
        TWO.replace("speed_per_min = 40", "speed_per_min = 40\ncount = 2"),
    ],
)  # fmt: skip
def test_streams_are_those_that_the_model_draws_from(monkeypatch, text):
    drawn = set()
    plain = Stream.generator.fget

    def told(stream):
        drawn.add(stream._key[2])
        return plain(stream)

    monkeypatch.setattr(Stream, "generator", property(told))
    cell = build_cell(parse_config(text, overrides=["study.shift_h=6"]))
    for replication in (1, 2, 3):
        run_shift(cell, 1, replication)
    assert sorted(drawn) == sorted(streams_of(cell))


def test_shipped_cells_draw_from_no_other_stream(monkeypatch):
    drawn = set()
    plain = Stream.generator.fget
    monkeypatch.setattr(
        Stream, "generator", property(lambda s: (drawn.add(s._key[2]), plain(s))[1])
    )
    for path in CONFIGS.glob("*.toml"):
        cell = build_cell(load_config(path))
        drawn.clear()
        run_shift(cell, 1, 1)
        assert drawn <= set(streams_of(cell)), path
        assert len(drawn) > 0.7 * len(streams_of(cell)), path


def test_a_renamed_machine_draws_anew_and_that_is_told():
    result = compared(other=TEXT.replace('"oats"', '"muesli"'))
    only_a, only_b = result.unshared
    assert "pick/oats/1/1" in only_a
    assert "pick/muesli/1/1" in only_b
    assert len(only_a) == len(only_b) == len(streams_of(result.results.settings[0].cell))
    [note] = [note for note in result.warnings() if "Not all luck is shared" in note]
    assert "Random streams of both: 0" in note
    assert "renamed" in note
    assert result.machines == []
    assert "oee" in result.cell.own


def test_another_capacity_shares_all_luck():
    result = compared(other_set=("machine.magazine.capacity_bags=120",))
    assert result.unshared == ([], [])
    assert not any("luck is shared" in note for note in result.warnings())


def test_another_station_draws_from_streams_of_its_own():
    own = build_cell(parse_config(TEXT))
    other = build_cell(parse_config(TEXT.replace('"sealer"', '"coder"')))
    assert unshared_streams(own, other) == (
        ["between_stops/oats/1/sealer", "stop/oats/1/sealer"],
        ["between_stops/oats/1/coder", "stop/oats/1/coder"],
    )


def test_a_widened_interval_is_told():
    result = compared(other_set=("crew.operators=2",))
    against = Pair(None, {"oee": figure_of(LAW_2)}, {"oee": figure_of(LAW_1)}, 0.9)
    result = CompareResult(result.config, result.other, result.results, result.rows)
    assert not any("widened" in note for note in result.warnings())
    result.__dict__["cell"] = against
    assert any("widened" in note and "times as wide" in note for note in result.warnings())


# What the two studies ask for.


@pytest.mark.parametrize("key", ["seed", "replications", "confidence"])
def test_what_b_asked_for_otherwise_is_told_and_not_used(key):
    asked = {"seed": 7, "replications": 30, "confidence": 0.8}[key]
    result = compared(other_set=(f"study.{key}={asked}",))
    [note] = result.warnings()
    assert f"B's own study.{key} is {asked:g}" in note
    assert (result.results.seed, result.results.replications) == (1, 8)
    assert result.results.confidence == 0.95
    assert result.same_cell


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("study.shift_h=2", "different windows"),
        ("study.warm_up_h=0.5", "different windows"),
        ("study.minor_stop_min=1", "convention"),
    ],
)
def test_other_windows_and_conventions_are_told(change, told):
    assert any(told in note for note in compared(other_set=(change,)).warnings())


def test_the_money_of_b_is_told_and_not_used():
    [note] = compared(other_set=("money.currency=EUR", "money.pack_margin=0.1")).warnings()
    assert "B's own [money] is not used" in note


def test_a_machine_of_another_name_is_no_part_of_the_answer():
    with pytest.raises(KeyError, match="no machine is named 'barley'"):
        compared().pair("barley")
    assert repr(compared()) == "CompareResult(oee +0.0000 [+0.0000, +0.0000])"


def test_a_cell_without_a_crew_has_no_crew_to_compare():
    result = compared(other_set=("crew.operators=0",))
    assert "crew_busy" not in result.cell.own
    assert result.cell["oee"].high < 0
    assert result.better.confidence < 0.01
    assert any("luck is shared" in note for note in result.warnings())
    told = list(answer(result))
    assert "B's OEE is" in told[0]
    assert "lower" in told[0]
    assert "A is the better one" in told[0]


def test_no_planned_busy_time_is_no_fault():
    lunch = '\n[[planned_stop]]\nname = "lunch"\nat_h = 0\ntakes_min = 60\nkind = "break"'
    result = compared(other=TEXT + lunch)
    assert "cannot be compared" in next(answer(result))
    assert math.isnan(result.better.confidence)
    assert isinstance(compare_figure(result, None, headline(result)), Drawing)
    json.dumps(result.answer_json(), allow_nan=False)


def test_half_a_point_takes_as_many_shifts_as_the_square_says():
    result = compared(other_set=("crew.operators=2",))
    deviations = result.cell.other["oee"].deviations - result.cell.own["oee"].deviations
    half = reference.t.ppf(0.975, 7) * deviations.std(ddof=1) / math.sqrt(8)
    assert result.shifts_to_tell == math.ceil(8 * (half / 0.005) ** 2)


# Figures and the command.


@pytest.mark.parametrize(
    ("text", "other", "changes"),
    [
        (TEXT, None, ("machine.magazine.capacity_bags=120",)),
        (TEXT, None, ()),
        (TEXT, TWO, ("crew.operators=0",)),
        (TEXT.replace("replications = 8", "replications = 1"), None, ("crew.operators=2",)),
        (TWO.replace('"granola"', json.dumps(ODD)), None, ("crew.operators=2",)),
    ],
)
def test_texts_of_the_figure_stay_apart_and_inside(text, other, changes):
    text = text.replace("\ufeff", "")
    result = compared(text, other, (), changes)
    for machine in (None, *result.machines):
        drawn = compare_figure(result, machine, headline(result, machine))
        assert _misplaced(drawn) == []


def test_the_command_answers_first_and_keeps_both_configs(feedsim):
    words = ["compare", "cell.toml", "--jobs", "1", "--set-b", "crew.operators=2"]
    code, out, err = feedsim(*words)
    assert code == 0
    assert "OEE" in out.splitlines()[0]
    assert "6 shifts on the same luck" in out.splitlines()[0]
    [folder] = Path("outputs").iterdir()
    assert str(folder) in err
    assert {"compare.png", "compare.svg", "config-b.toml", "resolved-b.toml"} <= {
        path.name for path in folder.iterdir()
    }
    assert "operators = 2" in (folder / "resolved-b.toml").read_text()
    assert "operators = 1" in (folder / "resolved.toml").read_text()
    summary = pd.read_csv(folder / "summary.csv")
    assert summary["config"].tolist() == ["A", "A", "B", "B"]


def test_the_json_document_has_differences_and_who_is_better(feedsim):
    Path("b.toml").write_text(test_cli.CONFIG.replace("capacity_bags = 60", "capacity_bags = 80"))
    _, out, _ = feedsim("compare", "cell.toml", "b.toml", "--json", "--jobs", "1")
    document = json.loads(out)
    assert document["command"] == "compare"
    cells = {row["setting"]["config"]: row for row in document["rows"] if row["machine"] is None}
    for name, change in document["compare"].items():
        values = [cells[which]["measures"][name]["value"] for which in "BA"]
        if None not in values:
            assert change["value"] == pytest.approx(values[0] - values[1])
    assert {"value", "low", "high"} <= set(document["compare"]["oee"])
    assert 0 <= document["better"]["confidence"] <= 1
    assert [each["machine"] for each in document["machines"]] == ["oats"]
    assert document["streams"] == {"only_a": [], "only_b": []}


def test_what_is_set_for_both_holds_in_both(feedsim):
    words = ["--set", "machine.speed_per_min=40", "--set-b", "crew.operators=2", "--seed", "9"]
    feedsim("compare", "cell.toml", "--jobs", "1", "--out", "study", *words)
    for name in ("resolved.toml", "resolved-b.toml"):
        text = Path("study", name).read_text()
        assert "speed_per_min = 40" in text
        assert "seed = 9" in text


def test_another_b_is_another_study(feedsim):
    words = ["compare", "cell.toml", "--jobs", "1", "--out", "study", "--set-b"]
    assert feedsim(*words, "crew.operators=2")[0] == 0
    assert feedsim(*words, "crew.operators=2")[0] == 0
    code, _, err = feedsim(*words, "crew.operators=3")
    assert code == 2
    assert "another study" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["cell.toml"], ["CONFIG_B", "--set-b"]),
        (["cell.toml", "absent.toml"], ["absent.toml"]),
        (["cell.toml", "--set-b", "crew.operator=2"], ["--set-b", "operators"]),
        (["cell.toml", "--set-b", "machine[0].speed_per_min=-1"], ["--set-b", "speed_per_min"]),
        (["cell.toml", "--set-b", "crew"], ["--set-b"]),
        (
            ["cell.toml", "b.toml", "--set", "machine[0].station[0].stop=0"],
            ["--set, in B (b.toml)", "station"],
        ),
        (["cell.toml", "b.toml", "c.toml"], ["c.toml"]),
    ],
)
def test_bad_input_gets_one_clear_line(feedsim, words, told):
    station = '\n[[machine.station]]\nname = "sealer"\nbetween_stops = 9\nstop = 1\n'
    Path("b.toml").write_text(test_cli.CONFIG)
    if "b.toml" in words:
        with Path("cell.toml").open("a") as file:
            file.write(station.replace("= 9", '= { family = "exponential", mean_min = 9 }'))
    code, out, err = feedsim("compare", *words)
    assert code == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    for word in told:
        assert word in err
    assert not Path("outputs").exists()


def test_one_shift_proves_nothing(feedsim):
    words = ["compare", "cell.toml", "--replications", "1", "--set-b", "crew.operators=0"]
    code, out, _ = feedsim(*words, "--jobs", "1")
    assert code == 0
    assert "proves nothing" in out.splitlines()[0]
    assert "confidence" not in out.splitlines()[0]
