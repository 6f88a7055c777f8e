"""Random streams: each known by its name, whatever else is in the cell."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from cells import Shift, cell_of, sequence_of, shift_of

import feedsim.model.shift
from feedsim.cell import Cell
from feedsim.engines import simulate
from feedsim.model.shift import run_shift
from feedsim.streams import Stream, Streams
from feedsim.study import Setting, Work, run_study
from feedsim.times import Times, weibull_shape

SEED = 20
NAMES = (
    *(f"pick/oats/{ordinal}/{lane}" for ordinal in (1, 2) for lane in (1, 2, 3)),
    *(f"bad_bundles/oats/{ordinal}/{lane}" for ordinal in (1, 2) for lane in (1, 2)),
    *(f"{use}/oats/1" for use in ("visit", "bundle", "fetch", "clear", "notice")),
    *(f"{use}/oats/1/{name}" for use in ("between_stops", "stop") for name in ("sealer", "coder")),
    *("duty/pallets", "duty/samples", "pick/granola/1/1", "pick/Haferflocken ü/1/1"),
)


def by_hand(name: str, replication: int = 1, seed: int = SEED) -> np.random.Generator:
    """A stream's generator from its description, in no code of the package."""
    first = hashlib.sha256(name.encode()).hexdigest()[:32]
    words = [int.from_bytes(bytes.fromhex(first[8 * k : 8 * k + 8]), "little") for k in range(4)]
    entropy = np.random.SeedSequence([seed, replication, *words])
    return np.random.Generator(np.random.PCG64(entropy))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("replication", [1, 2, 40])
def test_a_stream_is_its_name(name: str, replication: int) -> None:
    ours = sequence_of(Streams(SEED, replication).named(*name.split("/")))
    assert ours == by_hand(name, replication).random(20).tolist()


def test_a_published_digest() -> None:
    """The words of "abc", from the test vector of the SHA-256 standard (FIPS 180-2, B.1).

    Its digest begins ba7816bf 8f01cfea 414140de 5dae2223.
    """
    from feedsim.streams import name_words

    assert name_words("abc") == (0xBF1678BA, 0xEACF018F, 0xDE404141, 0x2322AE5D)


def test_the_order_in_which_streams_are_made_and_drawn_does_not_matter() -> None:
    one, other = Streams(SEED, 1), Streams(SEED, 1)
    forth = {name: one.named(name) for name in NAMES}
    back = {name: other.named(name) for name in reversed(NAMES)}
    in_turn: dict[str, list[float]] = defaultdict(list)
    for _ in range(20):
        for name in NAMES:
            in_turn[name] += sequence_of(forth[name], 1)
    for name in reversed(NAMES):
        assert sequence_of(back[name], 20) == in_turn[name]


# The names, each found again in what a shift did.

PICKS = """
[study]
shift_h = 3000 s
[crew]
operators = 0
[[machine]]
name = "oats"
count = 2
speed_per_min = 60
[machine.magazine]
capacity_bags = 3000
lanes = 1
[machine.pick]
misses_to_stop = 0
[machine.bag]
faults = { missed = 0.03, unopened = 0.02, skewed = 0.01 }
"""


def outcomes_by_hand(name: str, cycles: int) -> list[str]:
    """Outcomes of a lane's attempts from its stream: geometric draws, and which fault it is."""
    draw = by_hand(name)
    total = 0.03 + 0.02 + 0.01
    outcomes: list[str] = []
    while len(outcomes) < cycles:
        outcomes += ["good"] * (int(draw.geometric(total)) - 1)
        mark = draw.random() * total
        limits = {"missed": 0.03, "unopened": 0.03 + 0.02, "skewed": total}
        outcomes.append(next(fault for fault, limit in limits.items() if limit > mark))
    return outcomes[:cycles]


@pytest.mark.parametrize("ordinal", [1, 2])
def test_picks_from_the_stream_by_hand(ordinal: int) -> None:
    shift = shift_of(PICKS, seed=SEED)
    seen = [pocket[2] for pocket in shift.of("pockets", ordinal - 1)]
    assert len(seen) == 3000
    assert seen == outcomes_by_hand(f"pick/oats/{ordinal}/1", 3000)


def test_picks_from_another_stream_differ() -> None:
    """Negative control of the comparison by hand."""
    seen = [pocket[2] for pocket in shift_of(PICKS, seed=SEED).of("pockets", 0)]
    for name in ("pick/oats/2/1", "pick/oats/1/2", "pick/oats/1", "visit/oats/1"):
        assert seen != outcomes_by_hand(name, 3000)


BASE = """
[study]
shift_h = 4000 s
[crew]
operators = 1
calls = "{calls}"
{crew}
[[machine]]
name = "oats"
speed_per_min = 60
[machine.magazine]
capacity_bags = 20
bundle_bags = 20
lanes = 1
{magazine}
[machine.pick]
misses_to_stop = 1
{pick}
[[machine.station]]
name = "Oat doser"
between_stops = {between}
stop = {stop}
needs_operator = true
"""
EVERY_50_S = '{ family = "constant", mean_s = 50 }'
VARIES = '{ family = "exponential", mean_s = 7 }'
SETTLED = {
    "calls": "low",
    "crew": "",
    "magazine": "",
    "pick": "",
    "between": '{ family = "constant", mean_s = 1000000 }',
    "stop": "0",
}


def _loads(shift: Shift) -> list[tuple[int, int]]:
    """Arrival and end of each loading visit, in microseconds."""
    return [(begun, ended) for _, _, begun, ended, kind, _ in shift.told["tasks"] if kind == "load"]


def _visit_us(shift: Shift) -> list[int]:
    return [ended - begun for begun, ended in _loads(shift) if ended]


def _notice_us(shift: Shift) -> list[int]:
    calls = [at for at, kind in shift.told["machines"][0]["calls"] if kind == "dry"]
    return [task[1] - at for at, task in zip(calls, shift.told["tasks"], strict=False)]


def _clear_us(shift: Shift) -> list[int]:
    return [task[3] - task[2] for task in shift.told["tasks"] if task[4] == "lane" and task[3]]


def _stop_us(shift: Shift) -> list[int]:
    return [task[3] - task[2] for task in shift.told["tasks"] if task[4] == "station" and task[3]]


def _between_us(shift: Shift) -> list[int]:
    """Running time between stops in whole cycles, the drawn time rounded up to them."""
    stops = [at for at, kind in shift.told["machines"][0]["calls"] if kind.startswith("station")]
    return [after - before for before, after in zip([0, *stops], stops, strict=False)]


def _duty_us(shift: Shift) -> list[int]:
    return [task[3] - task[2] for task in shift.told["tasks"] if task[4] == "duty" and task[3]]


Seen = Callable[[Shift], list[int]]


@pytest.mark.parametrize(
    ("name", "changes", "seen"),
    [
        ("visit/oats/1", {"magazine": f"visit = {VARIES}"}, _visit_us),
        ("bundle/oats/1", {"magazine": f"bundle = {VARIES}"}, _visit_us),
        ("notice/oats/1", {"calls": "dry", "crew": f"notice = {VARIES}"}, _notice_us),
        (
            "clear/oats/1",
            {"pick": f"clear = {VARIES}\n[machine.bag]\nfaults = {{ missed = 0.5 }}"},
            _clear_us,
        ),
        ("stop/oats/1/Oat doser", {"between": EVERY_50_S, "stop": VARIES}, _stop_us),
        (
            "duty/pallet run",
            {"crew": f'[[crew.duty]]\nname = "pallet run"\nevery_min = 1\ntakes = {VARIES}'},
            _duty_us,
        ),
    ],
)
def test_times_from_the_stream_by_hand(name: str, changes: dict[str, str], seen: Seen) -> None:
    times = seen(shift_of(BASE.format(**SETTLED | changes), seed=SEED))
    draw = by_hand(name)
    assert len(times) > 20
    assert times == [round(draw.exponential(7.0) * 1e6) for _ in times]


def test_time_between_stops_from_the_stream_by_hand() -> None:
    """A cycle of 1 s: the station stops at the end of the cycle that reaches the drawn time."""
    between = '{ family = "exponential", mean_s = 30 }'
    times = _between_us(shift_of(BASE.format(**SETTLED | {"between": between}), seed=SEED))
    draw = by_hand("between_stops/oats/1/Oat doser")
    assert len(times) > 20
    drawn_us = [round(draw.exponential(30.0) * 1e6) for _ in times]
    assert times == [max(1, -(-us // 1_000_000)) * 1_000_000 for us in drawn_us]


def test_fetch_from_the_stream_by_hand() -> None:
    """Every bundle but the one brought along costs a fetch."""
    text = BASE.format(
        **SETTLED | {"magazine": f"carry_bundles = 1\nfetch = {VARIES}", "calls": "low"}
    ).replace("bundle_bags = 20", "bundle_bags = 10")
    times = [us for us in _visit_us(shift_of(text, seed=SEED)) if us]
    draw = by_hand("fetch/oats/1")
    assert len(times) > 20
    assert times == [round(draw.exponential(7.0) * 1e6) for _ in times]


def test_bad_bundles_from_the_stream_by_hand() -> None:
    """In a bad bundle each pick is missed, so the lane is stuck at the first bad one."""
    text = PICKS.replace(
        "faults = { missed = 0.03, unopened = 0.02, skewed = 0.01 }",
        "bad_bundles = { share = 0.1, missed = 1 }",
    ).replace("lanes = 1", "lanes = 1\nbundle_bags = 5")
    for ordinal in (1, 2):
        draw = by_hand(f"bad_bundles/oats/{ordinal}/1")
        good_bundles = 0
        while draw.random() >= 0.1:
            good_bundles += 1
        outcomes = [p[2] for p in shift_of(text, seed=SEED).of("pockets", ordinal - 1)]
        assert outcomes.index("missed") == 5 * good_bundles
        assert set(outcomes[5 * good_bundles :]) == {"missed"}


Draw = Callable[[np.random.Generator], float]


def _weibull(mean_s: float, shape: float) -> Draw:
    return lambda draw: mean_s / math.gamma(1 + 1 / shape) * draw.weibull(shape)


def _lognormal(mean_s: float, cv: float) -> Draw:
    v = math.log1p(cv**2)
    return lambda draw: draw.lognormal(math.log(mean_s) - v / 2, math.sqrt(v))


@pytest.mark.parametrize(
    ("time", "one_draw"),
    [
        ('{ family = "exponential", mean_s = 7 }', lambda draw: draw.exponential(7.0)),
        ('{ family = "exponential", mean_min = 1.5 }', lambda draw: draw.exponential(90.0)),
        ('{ family = "exponential", mean_h = 0.5 }', lambda draw: draw.exponential(1800.0)),
        ('{ family = "lognormal", mean_s = 22, cv = 0.3 }', _lognormal(22, 0.3)),
        ('{ family = "lognormal", mean_min = 2, cv = 1.2 }', _lognormal(120, 1.2)),
        ('{ family = "weibull", mean_s = 22, shape = 0.7 }', _weibull(22, 0.7)),
        ('{ family = "weibull", mean_s = 22, shape = 2.5 }', _weibull(22, 2.5)),
        (
            '{ family = "empirical", values_s = [18, 22, 31.5] }',
            lambda draw: (18, 22, 31.5)[draw.integers(0, 3)],
        ),
        (
            '{ family = "empirical", values_min = [0.5, 4] }',
            lambda draw: (30, 240)[draw.integers(0, 2)],
        ),
    ],
)
def test_each_family_draws_as_described(time: str, one_draw: Draw) -> None:
    """A hundred times, one by one, against what the package draws (in blocks or not)."""
    text = "[crew]\n[[machine]]\nname = 'oats'\nspeed_per_min = 60\n[machine.magazine]\n"
    plan = cell_of(f"{text}capacity_bags = 9\nvisit = {time}").machines[0]
    times = Times(plan.visit, Streams(SEED, 3).named("visit", "oats", 1))
    draw = by_hand("visit/oats/1", 3)
    assert [times.draw_us() for _ in range(100)] == [
        round(float(one_draw(draw)) * 1e6) for _ in range(100)
    ]


@pytest.mark.parametrize("cv", [0.1, 0.5, 1.0, 2.0, 5.0])
def test_a_weibull_by_its_cv_has_that_cv(cv: float) -> None:
    """Its shape solves G(1 + 2/k) / G(1 + 1/k)^2 = 1 + cv^2; a cv of 1 is the exponential."""
    shape = weibull_shape(cv)
    first, second = math.gamma(1 + 1 / shape), math.gamma(1 + 2 / shape)
    assert second / first**2 == pytest.approx(1 + cv**2, rel=1e-9)
    assert (shape == pytest.approx(1, rel=1e-9)) == (cv == 1.0)


def test_a_constant_draws_nothing() -> None:
    plan = cell_of(PICKS).machines[0]
    stream = Streams(SEED, 1).named("visit/oats/1")
    assert [Times(plan.visit, stream).draw_us() for _ in range(3)] == [0, 0, 0]
    assert sequence_of(stream) == by_hand("visit/oats/1").random(20).tolist()


# Common random numbers: what is changed elsewhere leaves a stream's draws as they were.

CELL = """
[study]
shift_h = 1
[crew]
operators = 2
rounds_every_min = 5
notice = { family = "lognormal", mean_s = 10, cv = 1 }
[[crew.duty]]
name = "pallets"
every_min = 10
takes = { family = "exponential", mean_s = 30 }
"""
OATS = """
[[machine]]
name = "oats"
speed_per_min = 60
[machine.magazine]
capacity_bags = 100
bundle_bags = 10
bundle = { family = "lognormal", mean_s = 8, cv = 0.3 }
visit = { family = "weibull", mean_s = 8, shape = 2 }
[machine.pick]
clear = { family = "exponential", mean_s = 20 }
[machine.bag]
faults = { missed = 0.1, jam = 0.002 }
[[machine.station]]
name = "sealer"
between_stops = { family = "exponential", mean_min = 5 }
stop = { family = "lognormal", mean_s = 20, cv = 1 }
"""
CODER = """
[[machine.station]]
name = "coder"
between_stops = { family = "exponential", mean_min = 4 }
stop = { family = "exponential", mean_s = 20 }
needs_operator = true
"""
GRANOLA = OATS.replace('"oats"', '"granola"')
Draws = dict[str, list[tuple[str, tuple[Any, ...], float]]]


@dataclass
class _Told:
    """A generator that tells of every draw."""

    plain: Stream
    draws: list[tuple[str, tuple[Any, ...], float]]

    def __getattr__(self, kind: str) -> Callable[..., Any]:
        def draw(*given: float) -> Any:
            value = getattr(self.plain.generator, kind)(*given)
            self.draws += [(kind, given, number) for number in np.atleast_1d(value).tolist()]
            return value

        return draw


class _Source:
    def __init__(self, generator: _Told) -> None:
        self.generator = generator


def draws_of(cell: Cell, streams: type[Streams] = Streams) -> Draws:
    """All that a shift drew, by stream."""
    draws: Draws = defaultdict(list)

    class Telling(streams):  # type: ignore[misc, valid-type]
        def named(self, *parts: object) -> Any:
            name = "/".join(map(str, parts))
            return _Source(_Told(super().named(*parts), draws[name]))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(feedsim.model.shift, "Streams", Telling)
        run_shift(cell, SEED, 1)
    return {name: found for name, found in draws.items() if found}


def prefixes(one: Draws, other: Draws) -> Iterator[tuple[str, bool]]:
    """For each stream of both, whether the shorter sequence is the beginning of the longer."""
    for name in sorted(one.keys() & other.keys()):
        length = min(len(one[name]), len(other[name]))
        yield name, one[name][:length] == other[name][:length]


VARIANTS = {
    "another machine behind": (CELL + OATS + GRANOLA, {}),
    "another machine before": (CELL + GRANOLA + OATS, {}),
    "another copy": (CELL + OATS, {"machine[0].count": 2}),
    "another station behind": (CELL + OATS + CODER, {}),
    "another station before": (
        CELL + OATS.replace("[[machine.station]]", CODER + "[[machine.station]]", 1),
        {},
    ),
    "another capacity": (CELL + OATS, {"machine[0].magazine.capacity_bags": 170}),
    "another lane": (CELL + OATS, {"machine[0].magazine.lanes": 3}),
    "more operators": (CELL + OATS, {"crew.operators": 3}),
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_other_streams_stay_as_they_were(variant: str) -> None:
    text, values = VARIANTS[variant]
    before, after = draws_of(cell_of(CELL, OATS)), draws_of(cell_of(text, **values))
    same = dict(prefixes(before, after))
    assert len(same) == len(before) == 9
    assert all(same.values())
    assert min(map(len, before.values())) > 3


class _OneForAll(Streams):
    """What the model must not do: everything from one generator."""

    def __init__(self, seed: int, replication: int) -> None:
        super().__init__(seed, replication)
        self.shared = Stream(seed, replication, "all")

    def named(self, *parts: object) -> Stream:
        return self.shared


def test_one_stream_for_all_would_be_found_out() -> None:
    """Negative control: with a shared generator changes of the cell change the luck elsewhere."""
    before = draws_of(cell_of(CELL, OATS), _OneForAll)
    found_out = {
        variant
        for variant, (text, values) in VARIANTS.items()
        if not all(
            same for _, same in prefixes(before, draws_of(cell_of(text, **values), _OneForAll))
        )
    }
    # What draws for itself must show; a capacity or an operator need not change the order of draws.
    assert found_out >= VARIANTS.keys() - {"another capacity", "more operators"}


# Streams are independent of one another.

DRAWS = 2_000
LIMIT = 4.5 / DRAWS**0.5
"""Of a correlation of independent draws the standard error is 1 / sqrt(n); 4.5 of them are passed
by chance once in 150,000."""


def _correlations(columns: list[list[float]]) -> list[float]:
    table = np.corrcoef(np.array(columns))
    return [float(table[a, b]) for a, b in combinations(range(len(columns)), 2)]


def test_purposes_are_uncorrelated() -> None:
    columns = [sequence_of(Streams(SEED, 1).named(name), DRAWS) for name in NAMES]
    found = _correlations(columns)
    assert max(map(abs, found)) < LIMIT
    # Their spread is the standard error's, too: the limit is not simply wide.
    assert np.std(found) == pytest.approx(DRAWS**-0.5, rel=0.2)


def test_replications_are_uncorrelated() -> None:
    columns = [
        sequence_of(Streams(SEED, replication).named(NAMES[0]), DRAWS)
        for replication in range(1, 25)
    ]
    assert max(map(abs, _correlations(columns))) < LIMIT


def test_seeds_are_uncorrelated() -> None:
    columns = [sequence_of(Streams(seed, 1).named(NAMES[0]), DRAWS) for seed in range(24)]
    assert max(map(abs, _correlations(columns))) < LIMIT


def test_first_draws_of_replications_are_independent() -> None:
    """The first number of each replication, against the next one's; and it is uniform."""
    firsts = np.array(
        [sequence_of(Streams(SEED, k).named("clear/oats/1"), 1)[0] for k in range(DRAWS)]
    )
    assert abs(np.corrcoef(firsts[:-1], firsts[1:])[0, 1]) < LIMIT
    assert abs(firsts.mean() - 0.5) < 4.5 * (1 / 12 / DRAWS) ** 0.5


def test_shared_streams_are_correlated() -> None:
    """Negative control: one stream under two names, and two halves of one sum."""
    one = sequence_of(Streams(SEED, 1).named(NAMES[0]), DRAWS)
    other = sequence_of(Streams(SEED, 1).named(NAMES[1]), DRAWS)
    assert _correlations([one, one])[0] > LIMIT
    assert (
        _correlations([one, [0.8 * b + 0.2 * a for a, b in zip(one, other, strict=True)]])[0]
        > LIMIT
    )


# A study.


def _same(one: Any, other: Any, number: int) -> None:
    assert one.keys() == other.keys()
    for name in one:
        assert one[name][number] == other[name]


def test_one_replication_alone_is_the_same() -> None:
    cell = cell_of(CELL, OATS)
    sums = run_study([Setting({}, cell)], replications=5, seed=SEED, confidence=0.95).sums[0]
    for replication in (5, 1, 3):
        alone = simulate(cell, SEED, replication)
        _same(sums.machines[0], alone.machines[0], replication - 1)
        _same(sums.crew, alone.crew, replication - 1)
    good_packs = sums.machines[0]["good_packs"]
    assert len(set(good_packs.tolist())) > 1


def test_a_setting_alone_is_the_same() -> None:
    cells = [cell_of(CELL, OATS), cell_of(CELL, OATS, **{"machine[0].magazine.capacity_bags": 50})]
    both = run_study(
        [Setting({}, cell) for cell in cells], replications=3, seed=SEED, confidence=0.95
    )
    for number, cell in enumerate(cells):
        alone = run_study([Setting({}, cell)], replications=3, seed=SEED, confidence=0.95)
        for name, values in alone.sums[0].machines[0].items():
            assert values.tolist() == both.sums[number].machines[0][name].tolist()


def test_two_processes_give_what_one_gives() -> None:
    cells = [cell_of(CELL, OATS), cell_of(CELL, OATS, GRANOLA)]
    settings = [Setting({}, cell) for cell in cells]
    one, two = (
        run_study(settings, replications=3, seed=SEED, confidence=0.95, work=Work(jobs))
        for jobs in (1, 2)
    )
    for here, there in zip(one.sums, two.sums, strict=True):
        tables = zip((*here.machines, here.crew), (*there.machines, there.crew), strict=True)
        for mine, theirs in tables:
            assert mine.keys() == theirs.keys()
            assert all(mine[name].tolist() == theirs[name].tolist() for name in mine)
