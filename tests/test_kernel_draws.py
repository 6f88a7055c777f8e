"""The kernel's luck is numpy's luck, to the last bit."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
import pytest
from campaigns import one_in
from cells import cell_of
from laid_out import LaidOut
from numpy.typing import NDArray

from feedsim.cell import Cell
from feedsim.config import Spread
from feedsim.kernel import luck, memory, seeding
from feedsim.kernel.memory import machine_of
from feedsim.streams import Streams, name_words
from feedsim.times import Times, to_us

# What is compiled for these tests is compiled in one process.
pytestmark = pytest.mark.xdist_group("draws")

SEEDS = (0, 1, 2**31, 2**32 - 1, 2**32, 2**32 + 1, 2**63 - 1, 2**64 + 3, 2**96, 2**96 - 1, 3**90)
NAMES = ("pick/oats/1/1", "visit/oats/1", "", "between_stops/Hafer Müsli/3/Öffner", "x" * 500)


def oats(visit: Any = 0) -> Cell:
    return cell_of(
        """
        [[machine]]
        name = "oats"
        speed_per_min = 60
        [machine.magazine]
        capacity_bags = 10
        """,
        **{"machine.magazine.visit": visit},
    )


PLAIN = oats()


class Stream:
    """A stream of the kernel under any name: the first one of a plain cell, named anew."""

    def __init__(self, seed: int, replication: int, name: str) -> None:
        self.laid_out = LaidOut(PLAIN, seed, replication)
        self.shift = self.laid_out.shift
        self.row = self.laid_out.rows("first_stream", memory.STREAM)[0]
        for number, word in enumerate(name_words(name)):
            self.row[f"word_{number}"] = word

    def state(self) -> dict[str, Any]:
        """The state as numpy tells one of its own."""
        row = self.row
        whole = {
            "state": int(row["state_high"]) << 64 | int(row["state_low"]),
            "inc": int(row["step_high"]) << 64 | int(row["step_low"]),
        }
        spare = {"has_uint32": int(row["has_spare"]), "uinteger": int(row["spare"])}
        return {"bit_generator": "PCG64", "state": whole, **spare}


def numpys(seed: int, replication: int, name: str) -> np.random.Generator:
    return Streams(seed, replication).named(name).generator


@pytest.mark.parametrize("seed", one_in(2, SEEDS))
def test_a_stream_begins_as_numpys(seed: int) -> None:
    for replication in (1, 2, 40, 2**31, 2**32 - 1):
        for name in NAMES:
            stream = Stream(seed, replication, name)
            seeding.seed(stream.shift, stream.row)
            assert stream.state() == numpys(seed, replication, name).bit_generator.state


def test_many_streams_begin_as_numpys() -> None:
    rng = np.random.default_rng(3)
    stream = Stream(1, 1, "")
    words = stream.laid_out.rows("first_seed_word", memory.WORD)
    for _ in range(2_000):
        seed, replication, *name = (int(word) for word in rng.integers(0, 2**32, 6))
        words[0]["value"], stream.shift["replication"] = seed, replication
        for number, word in enumerate(name):
            stream.row[f"word_{number}"] = word
        seeding.seed(stream.shift, stream.row)
        entropy = np.random.SeedSequence([seed, replication, *name])
        assert stream.state() == np.random.PCG64(entropy).state


def test_other_streams_begin_otherwise() -> None:
    """Control: seed, replication and name each have a part in the state."""
    begins = set()
    for place in ((1, 1, "a"), (2, 1, "a"), (1, 2, "a"), (1, 1, "b"), (2**32 + 1, 1, "a")):
        stream = Stream(*place)
        seeding.seed(stream.shift, stream.row)
        begins.add(stream.state()["state"]["state"])
    assert len(begins) == 5


# Every method that the kernel draws with.


@numba.njit
def draw_random(shift: Any, first: float, second: float, drawn: Any) -> None:
    for k in range(drawn.size):
        drawn[k] = luck.draw_share(shift, 0)


@numba.njit
def draw_geometric(shift: Any, first: float, second: float, drawn: Any) -> None:
    for k in range(drawn.size):
        drawn[k] = luck.draw_picks(shift, 0, first, second)


@numba.njit
def draw_exponential(shift: Any, first: float, second: float, drawn: Any) -> None:
    for k in range(drawn.size):
        drawn[k] = luck.generator_of(shift, 0).exponential(first)


@numba.njit
def draw_lognormal(shift: Any, first: float, second: float, drawn: Any) -> None:
    for k in range(drawn.size):
        drawn[k] = luck.generator_of(shift, 0).lognormal(first, second)


@numba.njit
def draw_weibull(shift: Any, first: float, second: float, drawn: Any) -> None:
    for k in range(drawn.size):
        drawn[k] = luck.generator_of(shift, 0).weibull(first)


@numba.njit
def draw_integers(shift: Any, first: float, second: float, drawn: Any) -> None:
    for k in range(drawn.size):
        drawn[k] = luck.generator_of(shift, 0).integers(0, int(first))


@numba.njit
def draw_in_turn(shift: Any, first: float, second: float, drawn: Any) -> None:
    """As a lane draws: attempts to the fault, which fault."""
    for k in range(drawn.size // 2):
        drawn[2 * k] = luck.draw_picks(shift, 0, first, second)
        drawn[2 * k + 1] = luck.draw_share(shift, 0)


def log_good(chance: float) -> float:
    """The logarithm of a good attempt's chance, as the cell's layout has it ready."""
    return math.log1p(-chance) if chance < 1 else -math.inf


Draw = Callable[[Any, float, float, NDArray[np.float64]], None]
Numpys = Callable[[np.random.Generator, float, float], float]

METHODS: dict[str, tuple[Draw, Numpys, list[tuple[float, float]]]] = {
    "random": (draw_random, lambda g, a, b: g.random(), [(0, 0)]),
    "geometric": (
        draw_geometric,
        lambda g, a, b: g.geometric(a),
        [(p, log_good(p)) for p in (1e-12, 1e-9, 1e-4, 0.02, 0.33, 1 / 3, 0.3334, 0.5, 0.95, 1)],
    ),
    "exponential": (
        draw_exponential,
        lambda g, a, b: g.exponential(a),
        [(1, 0), (1e-3, 0), (86_400, 0)],
    ),
    "lognormal": (
        draw_lognormal,
        lambda g, a, b: g.lognormal(a, b),
        [(0, 1), (3.2, 0.001), (-4, 0.3), (16, 3.03)],
    ),
    "weibull": (
        draw_weibull,
        lambda g, a, b: g.weibull(a),
        [(shape, 0) for shape in (0.1, 0.7, 1, 2.5, 2_000)],
    ),
    "integers": (
        draw_integers,
        lambda g, a, b: g.integers(0, int(a)),
        [(n, 0) for n in (1, 2, 3, 4, 7, 1_000, 65_536, 100_000)],
    ),
}


def drawn_by_kernel(
    draw: Draw, name: str, first: float, second: float, count: int
) -> tuple[NDArray[np.float64], Stream]:
    stream = Stream(42, 7, name)
    drawn = np.zeros(count)
    draw(stream.shift, float(first), float(second), drawn)
    return drawn, stream


@pytest.mark.parametrize("method", METHODS)
def test_draws_are_numpys(method: str) -> None:
    """Numbers and the state they leave."""
    draw, numpys_draw, parameters = METHODS[method]
    for first, second in parameters:
        for name in NAMES[:2]:
            drawn, stream = drawn_by_kernel(draw, name, first, second, 2_000)
            generator = numpys(42, 7, name)
            wanted = np.array([float(numpys_draw(generator, first, second)) for _ in range(2_000)])
            assert drawn.tobytes() == wanted.tobytes(), (first, second)
            assert stream.state() == generator.bit_generator.state


@pytest.mark.parametrize("method", sorted(METHODS.keys() - {"integers"}))
def test_a_draw_too_many_is_told_apart(method: str) -> None:
    """Control: the same draws, one later, are others."""
    draw, _, parameters = METHODS[method]
    drawn, _ = drawn_by_kernel(draw, NAMES[0], *parameters[0], 100)
    one_more, _ = drawn_by_kernel(draw, NAMES[0], *parameters[0], 101)
    assert drawn.tobytes() == one_more[:-1].tobytes() != one_more[1:].tobytes()


def test_draws_of_two_kinds_in_turn_are_numpys() -> None:
    for chance in (0.01, 0.4):
        drawn, _ = drawn_by_kernel(draw_in_turn, NAMES[0], chance, log_good(chance), 1_000)
        generator = numpys(42, 7, NAMES[0])
        wanted = [
            float(generator.random() if k % 2 else generator.geometric(chance))
            for k in range(1_000)
        ]
        assert drawn.tolist() == wanted


# Times, in whole microseconds.


@numba.njit
def draw_visits(shift: Any, drawn: Any) -> None:
    machine = machine_of(shift, 0)
    for k in range(drawn.size):
        drawn[k] = luck.draw_us(shift, machine.visit)


def visits(spread: Spread, seed: int, count: int = 200) -> list[int]:
    laid_out = LaidOut(oats(spread), seed, 3)
    drawn = np.zeros(count, np.int64)
    draw_visits(laid_out.shift, drawn)
    return [int(time_us) for time_us in drawn]


def times(spread: Spread, seed: int, count: int = 200) -> list[int]:
    times_of_visits = Times(spread, Streams(seed, 3).named("visit", "oats", 1))
    return [times_of_visits.draw_us() for _ in range(count)]


SPREADS = [
    Spread(),
    Spread("constant", 12.3456785),
    Spread("constant", 1e9),
    Spread("exponential", 22),
    Spread("exponential", 1e9),
    Spread("exponential", 1e-6),
    Spread("lognormal", 22, cv=0.3),
    Spread("lognormal", 22, cv=0.001),
    Spread("lognormal", 1e9, cv=100),
    Spread("weibull", 22, cv=0.3),
    Spread("weibull", 22, cv=20),
    Spread("weibull", 22, shape=1),
    Spread("weibull", 22, shape=2_000),
    Spread("weibull", 1e9, shape=0.1),
    Spread("empirical", 22, values_s=(22.0,)),
    Spread("empirical", 0, values_s=(0.0, 0.0)),
    Spread("empirical", 22, values_s=(18.0, 22.0, 31.123456789)),
    Spread("empirical", 50, values_s=tuple(k / 7 for k in range(700))),
]


@pytest.mark.parametrize("seed", one_in(2, [1, 2**40]))
@pytest.mark.parametrize("spread", one_in(3, SPREADS), ids=lambda s: f"{s.family} {s.mean_s:g}")
def test_times_are_the_models(spread: Spread, seed: int) -> None:
    """No shift outlasts the longest time, so beyond it nothing has to be told apart."""
    longest = [min(time_us, luck.LONGEST_US) for time_us in times(spread, seed)]
    assert visits(spread, seed) == longest


def test_the_longest_time_outlasts_every_shift() -> None:
    longest_shift_us = to_us(168 * 3600)
    assert 1_000 * longest_shift_us < luck.LONGEST_US
    assert luck.LONGEST_US in visits(Spread("weibull", 1e9, shape=0.1), 1, 20_000)


def test_times_of_another_seed_are_others() -> None:
    varying = [spread for spread in SPREADS if len(set(times(spread, 1))) > 1]
    assert len(varying) > 10
    for spread in varying:
        assert visits(spread, 1) != visits(spread, 2)


def test_halves_are_rounded_to_even() -> None:
    values_s = tuple((k + 0.5) / 1e6 for k in range(400)) + tuple(k / 3e6 for k in range(100))
    halves = {value for value in values_s if (value * 1e6) % 1 == 0.5}
    assert len(halves) > 100
    spread = Spread("empirical", 1, values_s=values_s)
    drawn = visits(spread, 5, 5_000)
    assert drawn == times(spread, 5, 5_000)
    # Control: rounding halves up gives other times.
    up = {int(np.floor(value * 1e6 + 0.5)) for value in halves}
    assert not up <= set(drawn)
