"""The simulation against closed forms, and the closed forms against the printed digits."""

from __future__ import annotations

import doctest
import importlib
import math

import numpy as np
import pytest
from campaigns import one_in, some_quick

from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.engines import COMPILED, SIMPY
from feedsim.verify import Case, all_cases, run_case
from feedsim.verify.case import RecordsRatio
from feedsim.verify.formulas import (
    availability_at,
    constant_service,
    finite_source,
    fluid_line,
    mean_availability,
    mean_to_draw,
    product_of_availabilities,
    run_across_lanes,
    run_of_misses,
    run_of_one_bag,
    series_line,
    series_line_in_cycles,
    stage_of_stations,
)
from feedsim.verify.run import distance

CASES = all_cases()
HEAVY = 10
# Beyond these machine cycles the quick suite leaves a case to the compiled model.
SIMPY_CYCLES = 60_000


def agree(case: Case, scale: int, engine: str) -> None:
    outcome = run_case(case, scale, engine)
    said = f"{outcome.value:.6g} +- {outcome.standard_error:.2g}, z {outcome.z:+.2f}"
    assert outcome.agrees, f"{case.reference:.6g} ({case.source}) against {said}"
    assert outcome.control_fails, f"{case.control.why} passes: z {outcome.control_z:+.2f}"
    assert outcome.passed


def cycles_of(case: Case) -> int:
    return build_cell(parse_config(case.config)).cycles_per_shift * case.replications


@pytest.mark.theory
@pytest.mark.parametrize(
    "case",
    some_quick(CASES, lambda case: cycles_of(case) < SIMPY_CYCLES),
    ids=lambda case: case.name,
)
def test_simulation_agrees_with_theory(case: Case) -> None:
    agree(case, 1, SIMPY)


@pytest.mark.theory
@pytest.mark.parametrize("case", one_in(2, CASES), ids=lambda case: case.name)
def test_compiled_model_agrees_with_theory_at_ten_times_the_size(case: Case) -> None:
    """The standard error, and with it the tolerance, is a third of the quick check's.

    Cases that count in whole records are as large as the quick check: writing them takes longer
    than simulating.
    """
    agree(case, 1 if isinstance(case.looks_at, RecordsRatio) else HEAVY, COMPILED)


@pytest.mark.theory
@pytest.mark.campaign
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_simulation_agrees_with_theory_at_ten_times_the_size(case: Case) -> None:
    agree(case, HEAVY, SIMPY)


@pytest.mark.theory
@pytest.mark.campaign
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_compiled_model_agrees_with_theory_at_a_hundred_times_the_size(case: Case) -> None:
    agree(case, HEAVY if isinstance(case.looks_at, RecordsRatio) else HEAVY**2, COMPILED)


def test_each_case_says_where_it_comes_from() -> None:
    assert len({case.name for case in CASES}) == len(CASES)
    for case in CASES:
        assert case.source
        assert case.control.why
        assert case.reason or not case.allowance
        assert case.control.reference != case.reference
        assert case.control.config != case.config
        assert (case.control.reference is None) != (case.control.config is None)


def test_distance_counts_standard_errors_beyond_the_allowance() -> None:
    assert distance(1.3, 1.0, 0.1, 0.1) == pytest.approx(2.0)
    assert distance(0.7, 1.0, 0.1, 0.1) == pytest.approx(-2.0)
    assert distance(1.05, 1.0, 0.1, 0.1) == 0.0
    assert distance(1.3, 1.0, 0.0, 0.0) == math.inf
    assert distance(1.0, 1.0, 0.0, 0.0) == 0.0
    assert math.isnan(distance(math.nan, 1.0, 0.1, 0.0))


@pytest.mark.parametrize("name", ["queues", "lines", "misses"])
def test_examples_of_the_formulas(name: str) -> None:
    module = importlib.import_module(f"feedsim.verify.formulas.{name}")
    found = doctest.testmod(module)
    assert found.attempted
    assert not found.failed


# Printed digits: K. E. Stecke 1992 (M/M/c/5/5, up 10 h, service 4 h).
@pytest.mark.parametrize(
    ("operators", "stopped", "waiting", "served", "busy", "utilisation"),
    [
        (1, 2.674, 1.744, 0.930, 0.930, 0.465),
        (2, 1.661, 0.325, 1.336, 0.668, 0.668),
        (3, 1.457, 0.040, 1.417, 0.472, 0.709),
        (4, 1.430, 0.002, 1.428, 0.357, 0.714),
        (5, 1.429, 0.000, 1.429, 0.286, 0.714),
    ],
)
def test_stecke(
    operators: int, stopped: float, waiting: float, served: float, busy: float, utilisation: float
) -> None:
    found = finite_source(5, operators, 10, 4)
    got = (found.stopped, found.waiting, found.served, found.served / operators)
    assert [round(x, 3) for x in got] == [stopped, waiting, served, busy]
    assert round(1 - found.stopped / 5, 3) == utilisation


# Printed digits: Anderson, Sweeney, Williams (6 machines, up 20 h, service 2 h), and D beside.
def test_anderson() -> None:
    one, two = (finite_source(6, operators, 20, 2) for operators in (1, 2))
    assert (one.waiting, one.stopped, one.all_busy) == pytest.approx(
        (0.3297, 0.8451, 0.5155), abs=6e-5
    )
    per_h = (6 - one.stopped) / 20
    assert one.waiting / per_h == pytest.approx(1.279, abs=5e-4)
    assert one.stopped / per_h == pytest.approx(3.279, abs=5e-4)
    assert (two.all_busy, two.waiting / ((6 - two.stopped) / 20)) == pytest.approx(
        (0.1036, 0.0834), abs=5e-5
    )
    assert (one.found_busy, two.found_busy) == pytest.approx((0.43605, 0.07211), abs=5e-6)


# Printed digits: Peck and Hazelwood 1958, N = 5.
@pytest.mark.parametrize(
    ("factor", "operators", "waits", "efficiency"),
    [
        (0.012, 1, 0.048, 0.999),
        (0.025, 1, 0.100, 0.997),
        (0.050, 1, 0.198, 0.989),
        (0.060, 2, 0.020, 0.999),
        (0.060, 1, 0.237, 0.983),
        (0.070, 2, 0.027, 0.999),
        (0.070, 1, 0.275, 0.977),
        (0.080, 2, 0.035, 0.998),
        (0.080, 1, 0.313, 0.969),
        (0.090, 2, 0.044, 0.998),
        (0.090, 1, 0.350, 0.960),
        (0.100, 2, 0.054, 0.997),
        (0.100, 1, 0.386, 0.950),
    ],
)
def test_finite_queuing_tables(
    factor: float, operators: int, waits: float, efficiency: float
) -> None:
    found = finite_source(5, operators, 1 - factor, factor)
    assert found.found_busy == pytest.approx(waits, abs=6e-4)
    assert 1 - found.waiting / 5 == pytest.approx(efficiency, abs=6e-4)


def test_two_machines_one_mechanic() -> None:
    found = finite_source(2, 1, 12, 8)
    assert found.stopped == pytest.approx(28 / 29, rel=1e-14)
    assert found.waiting == pytest.approx(8 / 29, rel=1e-14)
    assert found.served == pytest.approx(20 / 29, rel=1e-14)


# Computed from Ashcroft's formula (from memory), not printed there in this form.
@pytest.mark.parametrize(
    ("machines", "running"),
    [
        (1, [0.9524, 0.9091, 0.8333, 0.6667, 0.5000]),
        (2, [1.9025, 1.8102, 1.6411, 1.2449, 0.8446]),
        (3, [2.8501, 2.7012, 2.4107, 1.6731, 0.9788]),
        (5, [4.7361, 4.4398, 3.7521, 1.9843, 1.0000]),
    ],
)
def test_constant_service(machines: int, running: list[float]) -> None:
    loads = (0.05, 0.1, 0.2, 0.5, 1.0)
    assert [round(constant_service(machines, load), 4) for load in loads] == running
    for load in loads:
        exponential = machines - finite_source(machines, 1, 1, load).stopped
        assert exponential - 1e-12 <= constant_service(machines, load) <= 1 / load


def test_fluid_line() -> None:
    sizes = (0, 1, 2, 5, 10, 20, 50, 100, 200)
    expected = [
        *(0.833333, 0.836969, 0.840273, 0.848586),
        *(0.858726, 0.871369, 0.887574, 0.896552, 0.902256),
    ]
    assert [round(fluid_line(100, 10, 100, 10, c), 6) for c in sizes] == expected
    assert fluid_line(100, 10, 100, 10, 1e7) == pytest.approx(1 / 1.1, abs=1e-5)
    # Unequal machines: no buffer is a line in series, an endless one the worse machine alone;
    # and a line run backwards makes as much.
    assert fluid_line(20, 5, 10, 10, 0) == pytest.approx(series_line([(20, 5), (10, 10)]))
    assert fluid_line(20, 5, 10, 10, 500) == pytest.approx(0.5, abs=1e-6)
    assert fluid_line(20, 5, 10, 10, 7) == pytest.approx(fluid_line(10, 10, 20, 5, 7))


def test_stations_in_series() -> None:
    stations = [(50.0, 2.0), (30.0, 1.0), (80.0, 5.0)]
    assert round(series_line(stations), 6) == 0.880411
    assert round(product_of_availabilities(stations), 6) == 0.875785
    assert series_line_in_cycles(1e-5, stations) == pytest.approx(series_line(stations), abs=1e-6)


# Printed: Groover, 20 stations, Tc 1.2 min, p .005, Td 8 min.
@pytest.mark.parametrize(("stages", "efficiency"), [(1, 0.6), (2, 0.75), (4, 0.8571), (20, 0.9677)])
def test_transfer_line(stages: int, efficiency: float) -> None:
    assert round(stage_of_stations(20 // stages, 1.2, 0.005, 8), 4) == efficiency


# After Feller 1968, XIII.7 (exact values of the rounded words of the table), and machine values.
@pytest.mark.parametrize(
    ("miss", "run", "mean"),
    [
        (0.6, 5, 29.65),
        (0.5, 5, 62),
        (1 / 6, 5, 9330),
        (0.6, 10, 410.95),
        (0.5, 10, 2046),
        (0.5, 15, 65534),
        (0.5, 2, 6),
        (0.5, 3, 14),
        (0.01, 2, 10100),
        (0.02, 2, 2550),
        (0.05, 2, 420),
        (0.05, 3, 8420),
        (0.1, 2, 110),
        (0.1, 3, 1110),
        (0.1, 4, 11110),
    ],
)
def test_runs_of_misses(miss: float, run: int, mean: float) -> None:
    assert run_of_misses(miss, run) == pytest.approx(mean, abs=0.005 if mean < 1000 else 0.5)


def test_runs_in_single_bad_bags_against_a_direct_count() -> None:
    """A plain count of picks, without the simulation, tells the two formulas apart."""
    rng = np.random.default_rng(7)
    share, miss, run = 0.5, 0.5, 3
    picks = 400_000
    bad = [bool(rng.random() < share), bool(rng.random() < share)]
    in_row, across = [0, 0], 0
    own_faults = across_faults = 0
    luck, news = rng.random(picks), rng.random(picks)
    for k in range(picks):
        lane = k % 2
        if bad[lane] and luck[k] < miss:
            in_row[lane] += 1
            across += 1
            if in_row[lane] == run:
                own_faults, in_row[lane] = own_faults + 1, 0
            if across == run:
                across_faults, across = across_faults + 1, 0
        else:
            bad[lane] = bool(news[k] < share)
            in_row[lane] = across = 0
    own, wrong = run_of_one_bag(share, miss, run), run_across_lanes(share, miss, run)
    assert picks / own_faults == pytest.approx(own, rel=0.04)
    assert picks / across_faults == pytest.approx(wrong, rel=0.05)
    assert abs(wrong / own - 1) > 0.3


# Birolini, sec. 6.2 (values computed from the formulas).
def test_availability_over_time() -> None:
    assert [round(availability_at(100, 5, t), 6) for t in (1, 5, 10)] == [
        *(0.990980, 0.969045, 0.958212),
    ]
    assert [round(mean_availability(100, 5, t), 6) for t in (10, 100)] == [0.972280, 0.954649]
    assert round(availability_at(100, 10, 10), 6) == 0.939352
    assert round(mean_availability(100, 10, 10), 6) == 0.964226
    assert mean_availability(100, 5, 1e7) == pytest.approx(0.952381, abs=1e-6)


def test_mean_to_draw_gives_the_mean_of_whole_cycles() -> None:
    mean = mean_to_draw(25.0, 2.0)
    # Sum over k of the chance that k cycles have not been enough.
    whole_cycles = 2.0 * sum(math.exp(-2.0 * k / mean) for k in range(2000))
    assert whole_cycles == pytest.approx(25.0, rel=1e-12)
