"""Cases of loading: rounds, calls, whole bundles; most are exact in every shift."""

from __future__ import annotations

from functools import partial

from feedsim.accounts import Record
from feedsim.cell import Cell
from feedsim.verify.case import Case, Control, Figure, RecordsRatio, SumsRatio
from feedsim.verify.plant import plant

RENEWAL = "refill identity: max(0, R - S / d) / R starved, 60 / R visits per h"
BALANCE = "balance of bags: at the start + loaded = gone + left"
BY_HAND = "worked by hand from the rules of loading"
EXACT = 3


def on_rounds(capacity_bags: int, rounds_every_min: float) -> str:
    """One lane at 30 bags a minute, topped up on rounds alone, in no time.

    The warm-up ends between two rounds, so that the hour read holds 60 / R of them.
    """
    return plant(
        shift_min=64,
        warm_up_min=4,
        speed_per_min=30,
        operators=1,
        crew=f'rounds_every_min = {rounds_every_min!r}\ncalls = "none"',
        magazine=f"lanes = 1\ncapacity_bags = {capacity_bags}",
    )


def round_cases() -> list[Case]:
    """Use at a constant rate, full top-ups every R min."""
    make = partial(Case, source=RENEWAL, replications=EXACT)
    dry = Figure("dry_share")
    scarce, exact, ample = (on_rounds(bags, 5.0) for bags in (100, 150, 151))
    return [
        make(
            "dry share, 100 bags at 30 a minute, rounds every 5 min",
            config=scarce,
            looks_at=dry,
            reference=1 / 3,
            control=Control("another interval", config=on_rounds(100, 4.0)),
        ),
        make(
            "loading visits per h, rounds every 5 min",
            config=scarce,
            looks_at=Figure("refill_visits_per_h"),
            reference=12.0,
            control=Control("another interval", config=on_rounds(100, 4.0)),
        ),
        make(
            "dry share, a bag more than a round's use",
            config=ample,
            looks_at=dry,
            reference=0.0,
            control=Control("a bag less than a round's use", config=on_rounds(149, 5.0)),
        ),
        # At a round that meets the last pick, 149 bags fit beside the one being picked: the
        # lane is dry for a cycle before the next round, which finds room for all 150.
        make(
            "dry share, exactly a round's use: a cycle every second round",
            source=BY_HAND,
            config=exact,
            looks_at=dry,
            reference=2.0 / 600,
            control=Control("without the bag being picked", reference=0.0),
        ),
    ]


BUNDLES = """
lanes = 1
capacity_bags = 100
call_level_bags = 35
bundle_bags = 20
visit = { family = "constant", mean_s = 10 }
bundle = { family = "constant", mean_s = 5 }
"""


def whole_bundle_cases() -> list[Case]:
    """Whole bundles that fit when the operator reaches the lane, at 60 bags a minute.

    The lane is at its call level of 35 after 65 cycles. Ten seconds later, before that
    second's bag has left, it holds 26: three bundles of 20 fit into 74. So 60 bags are loaded
    every 60 s, first called for at 65 s: 59 visits in an hour.
    """
    shift_h = 1
    config = plant(shift_min=60 * shift_h, speed_per_min=60, operators=1, crew="", magazine=BUNDLES)
    other = config.replace("bundle_bags = 20", "bundle_bags = 25")
    make = partial(Case, source=BY_HAND, config=config, replications=EXACT)
    at_call = (100 - 35) // 20 * 20
    return [
        make(
            "bags per loading visit, whole bundles",
            looks_at=Figure("bags_per_refill"),
            reference=float(at_call),
            control=Control("loading to the brim", reference=74.0),
        ),
        make(
            "loading visits of an hour, whole bundles",
            looks_at=Figure("refill_visits_per_h"),
            reference=59.0,
            control=Control("another bundle", config=other),
        ),
        make(
            "bags loaded in an hour, whole bundles",
            looks_at=Figure("bags_loaded"),
            reference=59.0 * 60,
            control=Control("another bundle", config=other),
        ),
    ]


CHANCES = "missed = 0.2, double = 0.03, unopened = 0.02, skewed = 0.02, jam = 0.01"


def on_call(discard_bags: int, shift_min: float = 60) -> str:
    """Two lanes, faults of all kinds, people who take their time."""
    return plant(
        shift_min=shift_min,
        speed_per_min=60,
        operators=1,
        magazine="\n".join(
            [
                "lanes = 2\ncapacity_bags = 60\nbundle_bags = 20",
                "call_level_bags = 20",
                'visit = { family = "exponential", mean_s = 10 }',
                'bundle = { family = "lognormal", mean_s = 5, cv = 0.5 }',
            ]
        ),
        tables=[
            "[machine.pick]\nmisses_to_stop = 2",
            f"discard_on_clear_bags = {discard_bags}",
            f"[machine.bag]\nfaults = {{ {CHANCES} }}",
        ],
    )


def _loaded_and_start(cell: Cell, record: Record) -> float:
    start = sum(plan.start_bags * plan.lanes for plan in cell.machines)
    return start + sum(load.bags for machine in record.machines for load in machine.loads)


def _used_wasted_left(_cell: Cell, record: Record) -> float:
    left = sum(sum(machine.lanes_left) for machine in record.machines)
    gone = sum(run.count * run.bags_each for machine in record.machines for run in machine.runs)
    thrown = sum(discard.bags for machine in record.machines for discard in machine.discards)
    return left + gone + thrown


def _lane_faults_cleared(_cell: Cell, record: Record) -> float:
    return sum(work.kind == "lane" and work.event == "ends" for work in record.work)


def _thrown(_cell: Cell, record: Record) -> float:
    return sum(discard.bags for machine in record.machines for discard in machine.discards)


def call_cases() -> list[Case]:
    """Loading on call balances with use; clearing throws away what is stated."""
    return [
        Case(
            "bags at the start and loaded over bags gone and left",
            BALANCE,
            on_call(1),
            10,
            RecordsRatio(_loaded_and_start, _used_wasted_left),
            1.0,
            Control("the bags at the start left out", 1 - 120 / 3600),
        ),
        Case(
            "bags thrown away per lane cleared",
            BALANCE,
            on_call(1),
            10,
            RecordsRatio(_thrown, _lane_faults_cleared),
            1.0,
            Control("two for each", config=on_call(2)),
        ),
        Case(
            "bags gone per bag loaded",
            BALANCE,
            on_call(1, shift_min=600),
            5,
            SumsRatio(("bags_gone",), ("bags_loaded",)),
            1.0,
            Control("doubles that take one bag", 0.80 / 0.83),
            allowance=0.015,
            reason="the magazine's 120 bags and a load of 60, in at least 12,000",
        ),
    ]


def cases() -> list[Case]:
    """All cases of loading."""
    return [*round_cases(), *whole_bundle_cases(), *call_cases()]
