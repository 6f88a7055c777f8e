"""The compiled kernel against the SimPy model: equal to the last microsecond, in all they tell."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from campaigns import one_in
from cells import cell_of

from feedsim.cell import Cell, build_cell
from feedsim.config import load_config, parse_config
from feedsim.engines import Engine
from feedsim.model.shift import run_shift
from feedsim.verify.alterations import ALTERATIONS, Altered
from feedsim.verify.random_kinds import random_text, text_full_of_ties, text_with_long_runs
from feedsim.verify.shrinking import story
from feedsim.verify.twins import (
    AT_THE_END,
    NARRATED,
    Difference,
    differences,
    differences_of,
    named,
    sums_read,
    telling,
    the_kernel,
)

CONFIGS = sorted((Path(__file__).parents[1] / "configs").glob("*.toml"))


@pytest.fixture(scope="session")
def kernel() -> Engine:
    return the_kernel()


# The shipped configs.


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_the_shipped_configs(path: Path, kernel: Engine) -> None:
    config = load_config(path)
    cell = build_cell(config)
    for replication in (1, 2, 40):
        assert differences(cell, config.study.seed, replication, kernel) == []


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_shifts_in_a_row_are_those_one_by_one(path: Path, kernel: Engine) -> None:
    """Nothing of a shift is left over in the next one."""
    cell = build_cell(load_config(path))
    rows = kernel.sums(cell, 5, range(3, 8))
    for replication, row in zip(range(3, 8), rows, strict=True):
        assert named(cell, row) == sums_read(run_shift(cell, 5, replication), cell)


# Each mechanism alone.

PLAIN = """
[study]
shift_h = 0.5
minor_stop_min = 0.5

[crew]
operators = 1

[[machine]]
name = "oats"
speed_per_min = 60

[machine.magazine]
lanes = 2
capacity_bags = 60
bundle_bags = 10
call_level_bags = 20
bundle = { family = "lognormal", mean_s = 4, cv = 0.3 }
visit = 6 s

[machine.pick]
misses_to_stop = 0
clear = 20 s
"""


def seconds(mean_s: float) -> dict[str, Any]:
    return {"family": "constant", "mean_s": mean_s}


def varying(family: str, mean_s: float, **more: float) -> dict[str, Any]:
    return {"family": family, "mean_s": mean_s, **more}


def faults(**chances: float) -> dict[str, Any]:
    return {"machine.bag": {"faults": chances}}


def station(name: str, **more: Any) -> dict[str, Any]:
    between, stop = varying("exponential", 200), varying("lognormal", 30, cv=1)
    return {"name": name, "between_stops": between, "stop": stop, **more}


def stations(*tables: dict[str, Any]) -> dict[str, Any]:
    return {"machine.station": list(tables)}


MISSES = faults(missed=0.05)
MANY_MISSES = faults(missed=0.2)
FAULTED_LANES = MANY_MISSES | {"machine.pick.misses_to_stop": 2}
OTHER_LANE = FAULTED_LANES | {"machine.pick.on_lane_fault": "other_lane"}
SEALER = stations(station("sealer"))
TENDED = stations(station("sealer", needs_operator=True))
BEHIND = stations(station("case packer", place="outfeed"))
ACCUMULATION = {"machine.outfeed.accumulation_packs": 20}
CASES = BEHIND | ACCUMULATION
TENDED_CASES = ACCUMULATION | stations(station("case packer", place="outfeed", needs_operator=True))
TWO_OPERATORS = {"crew.operators": 2}
TWO_MACHINES = {"machine.count": 2}
DUTIES = {"crew.duty": [{"name": "samples", "every_min": 2, "takes": varying("exponential", 40)}]}
PLACES = {"machine.count": 2, "machine.at_m": [[3, 0], [9, 4]]}
BRING_ALONG = {"machine.magazine.carry_bundles": 2}
# Often one lane is faulted as the other is closed, so that the cycle under way brings two causes.
CLOSED_BESIDE_FAULTED = {
    "crew.operators": 2,
    "crew.rounds_every_min": 0.2,
    "machine.magazine.live_loading": False,
    "machine.magazine.bundle_bags": 5,
    "machine.magazine.bundle": seconds(2.5),
    "machine.magazine.visit": 0,
    "machine.pick.misses_to_stop": 1,
    "machine.pick.on_lane_fault": "other_lane",
}


def planned(kind: str, at_h: float = 0.2) -> dict[str, Any]:
    stop = {"name": kind, "at_h": at_h, "takes_min": 3, "kind": kind}
    return {"planned_stop": [stop]}


def pause(**more: Any) -> dict[str, Any]:
    return {"crew.break": [{"at_h": 0.2, "takes_min": 6, **more}]}


# Where a mechanism has something to act on, and the mechanism.
MECHANISMS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "misses": ({}, MISSES),
    "double picks": ({}, faults(double=0.02)),
    "unopened bags": ({}, faults(unopened=0.02)),
    "skewed bags": ({}, faults(skewed=0.02)),
    "jams": ({}, faults(jam=0.005)),
    "all five faults": ({}, faults(missed=0.02, double=0.01, unopened=0.02, skewed=0.01, jam=0.01)),
    "a pick that always fails": ({}, faults(unopened=1)),
    "retries within the cycle": (MISSES, {"machine.pick.retries": 2}),
    "retries that hold the machine": (
        MANY_MISSES,
        {"machine.pick.retries": 2, "machine.pick.retry_s": 0.7},
    ),
    "lane faults that stop": (MANY_MISSES, {"machine.pick.misses_to_stop": 2}),
    "lane faults that leave the other lane": (
        FAULTED_LANES,
        {"machine.pick.on_lane_fault": "other_lane"},
    ),
    "a jam beside a faulted lane": (CLOSED_BESIDE_FAULTED, faults(missed=0.1, jam=0.3)),
    "no room beside a faulted lane": (
        CLOSED_BESIDE_FAULTED | faults(missed=0.1),
        {"machine.outfeed.accumulation_packs": 2, "machine.outfeed.speed_per_min": 40},
    ),
    "discards": (OTHER_LANE, {"machine.pick.discard_on_clear_bags": 15}),
    "no discards": (OTHER_LANE, {"machine.pick.discard_on_clear_bags": 0}),
    "bad bundles": (MISSES, {"machine.bag.bad_bundles": {"share": 0.3, "missed": 0.4}}),
    "bad bundles as good as good ones": (
        MISSES,
        {"machine.bag.bad_bundles": {"share": 0.3, "missed": 0.0}},
    ),
    "scrap": (SEALER, {"machine.scrap_packs": 3}),
    "scrap after long halts": (
        SEALER | {"machine.scrap_packs": 3},
        {"machine.scrap_after_s": 30},
    ),
    "restarts": (SEALER, {"machine.restart_s": 6}),
    "single-lane speed": (OTHER_LANE, {"machine.pick.single_lane_speed_per_min": 37}),
    "bundles brought along": ({"machine.magazine.fetch": seconds(20)}, BRING_ALONG),
    "fetches": (BRING_ALONG, {"machine.magazine.fetch": varying("weibull", 15, shape=2)}),
    "closed loading": ({}, {"machine.magazine.live_loading": False}),
    "rounds": ({}, {"crew.rounds_every_min": 1.5}),
    "rounds alone": ({"crew.calls": "none"}, {"crew.rounds_every_min": 1.5}),
    "calls when dry": ({}, {"crew.calls": "dry"}),
    "no calls": ({}, {"crew.calls": "none"}),
    "notice": ({}, {"crew.notice": varying("exponential", 20)}),
    "notice of everything": (
        OTHER_LANE | TENDED,
        {"crew.notice": {"family": "empirical", "values_s": [0, 5, 30]}},
    ),
    "duties": ({}, DUTIES),
    "breaks": ({}, pause()),
    "breaks with cover": (TWO_OPERATORS | TWO_MACHINES, pause(cover=1)),
    "breaks one behind the other": (
        {},
        {"crew.break": [{"at_h": 0.2, "takes_min": 3}, {"at_h": 0.25, "takes_min": 3}]},
    ),
    "planned breaks": ({}, planned("break")),
    "changeovers": ({}, planned("changeover")),
    "planned stops at the beginning": (SEALER, planned("break", 0)),
    "planned stops that overlap": (
        SEALER,
        {
            "planned_stop": [
                {"name": "meal", "at_h": 0.2, "takes_min": 5},
                {"name": "granola", "at_h": 0.25, "takes_min": 5, "kind": "changeover"},
            ]
        },
    ),
    "stations": ({}, SEALER),
    "stations attended": ({}, TENDED),
    "three stations": ({}, stations(*(station(name) for name in ("doser", "sealer", "coder")))),
    "stations behind": ({}, BEHIND),
    "stations behind an accumulation": (BEHIND, ACCUMULATION),
    "stations behind attended": (ACCUMULATION, TENDED_CASES),
    "two stations behind": (
        ACCUMULATION,
        stations(station("cases", place="outfeed"), station("pallets", place="outfeed")),
    ),
    "an outfeed as fast": (CASES, {"machine.outfeed.speed_per_min": 60.0}),
    "a fast outfeed": (CASES, {"machine.outfeed.speed_per_min": 77}),
    "a slow outfeed": (CASES, {"machine.outfeed.speed_per_min": 49}),
    "an outfeed of half the speed": (ACCUMULATION, {"machine.outfeed.speed_per_min": 30}),
    "room for one pack": ({}, {"machine.outfeed.accumulation_packs": 1}),
    "a restart level": (CASES, {"machine.outfeed.restart_packs": 5}),
    "a restart level of 0": (CASES, {"machine.outfeed.restart_packs": 0}),
    "two machines": ({}, TWO_MACHINES),
    "twenty machines": ({}, {"machine.count": 20}),
    "walks": ({}, {"crew.walk_s": 7.5}),
    "places": (TWO_MACHINES, PLACES),
    "another base": (PLACES, {"crew.base_m": [20, 5]}),
    "warm-up": ({}, {"study.warm_up_h": 0.21}),
    "warm-up until a cycle's end": ({}, {"study.warm_up_h": 0.1}),
    "warm-up during a planned stop": (planned("changeover"), {"study.warm_up_h": 0.22}),
    "warm-up until a planned stop": (planned("changeover"), {"study.warm_up_h": 0.2}),
    "minor stops": (SEALER, {"study.minor_stop_min": 0}),
    "one lane": ({}, {"machine.magazine.lanes": 1}),
    "three lanes": ({}, {"machine.magazine.lanes": 3}),
    "four lanes": ({}, {"machine.magazine.lanes": 4}),
    "nobody": ({}, {"crew.operators": 0}),
    "eleven operators": (TENDED | {"machine.count": 20}, {"crew.operators": 11}),
    "empty lanes at the start": ({}, {"machine.magazine.start_bags": 0}),
    "a smaller bundle at the start": (
        {"machine.bag": {"bad_bundles": {"share": 0.5, "missed": 0.3}}},
        {"machine.magazine.start_bags": 57},
    ),
    "a lane of one bag": (
        {"machine.magazine.call_level_bags": 0, "machine.magazine.bundle_bags": 1},
        {"machine.magazine.capacity_bags": 1},
    ),
    "odd cycles": ({}, {"machine.speed_per_min": 47}),
    "constant times": ({}, {"machine.magazine.bundle": seconds(4)}),
    "exponential times": ({}, {"machine.magazine.bundle": varying("exponential", 4)}),
    "lognormal times": ({}, {"machine.magazine.bundle": varying("lognormal", 4, cv=1.5)}),
    "weibull times by shape": ({}, {"machine.magazine.bundle": varying("weibull", 4, shape=0.7)}),
    "weibull times by cv": ({}, {"machine.magazine.bundle": varying("weibull", 4, cv=0.4)}),
    "empirical times": (
        {},
        {"machine.magazine.bundle": {"family": "empirical", "values_s": [1.5, 4, 4, 8.25]}},
    ),
}


def plain_cell(*changes: dict[str, Any]) -> Cell:
    values: dict[str, Any] = {}
    for change in changes:
        values |= change
    return cell_of(PLAIN, **values)


@pytest.mark.parametrize("name", MECHANISMS)
def test_each_mechanism_alone(name: str, kernel: Engine) -> None:
    context, mechanism = MECHANISMS[name]
    cell = plain_cell(context, mechanism)
    for replication in (1, 2):
        assert differences(cell, 1, replication, kernel) == []


@pytest.mark.parametrize(
    "name", sorted(MECHANISMS.keys() - {"an outfeed as fast", "constant times"})
)
def test_each_mechanism_matters(name: str) -> None:
    """Control: without it something else is told, so its cell does put it to the test."""
    context, mechanism = MECHANISMS[name]
    without, with_it = plain_cell(context), plain_cell(context, mechanism)
    assert telling(without, 1, 1) != telling(with_it, 1, 1)


@pytest.mark.parametrize(
    "seed", [0, 1, 2**31, 2**32 - 1, 2**32, 2**32 + 1, 2**63 - 1, 2**64, 2**64 + 3, 3**90]
)
def test_seeds_of_any_size(seed: int, kernel: Engine) -> None:
    cell = plain_cell(OTHER_LANE, TENDED, {"crew.notice": varying("exponential", 5)})
    for replication in (1, 2**31):
        assert differences(cell, seed, replication, kernel) == []


# Random cells.

Make = Callable[[int], str]


def agree(make: Make, numbers: range, kernel: Engine) -> None:
    for number in numbers:
        replication = 1 + number % 3

        def differs(text: str, replication: int = replication) -> list[Difference]:
            return differences_of(text, replication, kernel)

        text = make(number)
        if differs(text):
            where = f"{make.__name__}({number}), replication {replication}, shrunk:"
            pytest.fail(f"{where}\n{story(text, differs)}", pytrace=False)


@pytest.mark.parametrize("first", one_in(5, range(0, 1_000, 50)))
def test_random_cells(first: int, kernel: Engine) -> None:
    agree(random_text, range(first, first + 50), kernel)


@pytest.mark.parametrize("first", one_in(4, range(0, 200, 50)))
def test_cells_full_of_ties(first: int, kernel: Engine) -> None:
    agree(text_full_of_ties, range(first, first + 50), kernel)


@pytest.mark.parametrize("first", one_in(3, range(0, 60, 20)))
def test_cells_with_long_runs(first: int, kernel: Engine) -> None:
    agree(text_with_long_runs, range(first, first + 20), kernel)


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(1_000, 21_000, 200))
def test_random_cells_often(first: int, kernel: Engine) -> None:
    agree(random_text, range(first, first + 200), kernel)


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(200, 10_200, 200))
def test_cells_full_of_ties_often(first: int, kernel: Engine) -> None:
    agree(text_full_of_ties, range(first, first + 200), kernel)


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(60, 3_060, 50))
def test_cells_with_long_runs_often(first: int, kernel: Engine) -> None:
    agree(text_with_long_runs, range(first, first + 50), kernel)


# Controls: the random cells do meet what they are for, and a cell altered on one side is told.


def test_random_cells_meet_everything() -> None:
    """Every list of a record has entries somewhere, every kind of sum is somewhere above 0."""
    met: set[str] = set()
    for number in range(60):
        for make in (random_text, text_full_of_ties):
            config = parse_config(make(number))
            told = telling(build_cell(config), config.study.seed, 1)
            met |= {where.split(" ", 2)[-1] for where, entries in told.items() if any(entries)}
            met |= {where.split()[-1] for where, entries in told.items() if any(entries)}
    assert set(NARRATED) <= met
    sums = "good scrapped slow_cycles lost_pockets bags_loaded bags_gone bags_from_start wait_us"
    assert all(any(name.startswith(wanted) for name in met) for wanted in sums.split())
    states = "running retry restarting dry lane_fault jam sealer blocked changeover planned_stop"
    assert {f"time_{state}_us" for state in states.split()} <= met
    assert {f"stops_{state}" for state in states.split()[3:]} <= met
    assert {"blocked_by_sealer_us", "blocked_by_speed_us", "busy_us", "present_us"} <= met


def test_cells_full_of_ties_are_full_of_ties() -> None:
    """At most instants at which something happens several things do."""

    def share_of_ties(make: Make) -> float:
        lone = tied = 0
        for number in range(30):
            config = parse_config(make(number))
            record = run_shift(build_cell(config), config.study.seed, 1)
            steps = [step[0] for step in record.work]
            steps += [c.at_us for machine in record.machines for c in machine.changes]
            lone += len(set(steps))
            tied += len(steps) - len(set(steps))
        return tied / lone

    assert share_of_ties(text_full_of_ties) > 1 > share_of_ties(random_text)


@pytest.mark.parametrize("name", ALTERATIONS)
def test_a_cell_altered_on_one_side_is_told_apart(name: str, kernel: Engine) -> None:
    """Whatever a cell says has a part in the comparison: some random cell tells."""
    altered = Altered(kernel, ALTERATIONS[name])
    assert any(differences_of(random_text(number), 1, altered) for number in range(100))


@pytest.mark.parametrize("other", [(2, 1), (1, 2)], ids=["seed", "replication"])
def test_other_luck_is_told_apart(other: tuple[int, int], kernel: Engine) -> None:
    cell = plain_cell(MISSES)
    assert telling(cell, 1, 1) == telling(cell, 1, 1) != telling(cell, *other)
    seed, replication = other
    ours, theirs = (
        kernel.sums(cell, 1, range(1, 2)),
        kernel.sums(cell, seed, range(replication, replication + 1)),
    )
    assert ours.tolist() != theirs.tolist()


# What a failure says.


def test_a_failure_shows_the_smallest_cell_and_the_first_event(kernel: Engine) -> None:
    """A restart a microsecond longer: what has no part in it is left out."""
    longer = Altered(kernel, ALTERATIONS["machine restart_us"])

    def differs(text: str) -> list[Difference]:
        return differences_of(text, 1, longer)

    text = next(text for text in map(random_text, range(100)) if differs(text))
    smallest, told = story(text, differs).split("first at ")
    left = tomllib.loads(smallest)
    assert len(left["machine"]) == 1
    assert "crew" not in left or len(left["crew"]) <= 2
    assert len(smallest) < len(text) / 3
    assert "simpy" in told
    assert "compiled" in told
    found = differs(text)
    assert found == sorted(found)
    assert found[0][0] < AT_THE_END


def test_a_kernel_that_fails_is_told(kernel: Engine) -> None:
    def fail(cell: Cell) -> Cell:
        raise ValueError("no such cell")

    broken = Altered(kernel, fail)
    assert "no such cell" in differences_of(random_text(0), 1, broken)[0][1]


def test_equal_numbers_give_equal_configs() -> None:
    for make in (random_text, text_full_of_ties, text_with_long_runs):
        before = random.getstate()
        assert make(3) == make(3) != make(4)
        assert random.getstate() == before
