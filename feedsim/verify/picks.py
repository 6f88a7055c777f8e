"""Cases of picks: outcomes, retries, runs of misses, bad bundles."""

from __future__ import annotations

from functools import partial

from feedsim.verify.case import Case, Control, Figure, SumsRatio
from feedsim.verify.formulas import (
    attempts_per_cycle,
    miss_share,
    one_by_one,
    run_across_lanes,
    run_of_misses,
    run_of_one_bag,
)
from feedsim.verify.plant import AMPLE, plant

REPLICATIONS = 40
SPEED_PER_MIN = 60.0
FELLER = (
    "W. Feller, An Introduction to Probability Theory, vol. 1, 3rd ed. 1968, XIII.7: "
    "M_k = M_(k-1) / p + 1 / p"
)
BINOMIAL = "definition: a pick attempt has one outcome, each with its chance"
OWN = "own derivation"

POCKETS = ("good_packs", "rejected_packs", "lost_pockets")
CYCLES_PER_FAULT = SumsRatio(POCKETS, ("stops_lane_fault",))

CHANCES = {"missed": 0.10, "double": 0.08, "unopened": 0.06, "skewed": 0.05, "jam": 0.04}


def picking(
    faults: str,
    cycles: int,
    *,
    run: int = 0,
    retries: int = 0,
    retry_s: float = 0.0,
    magazine: str = AMPLE,
    bad_bundles: str = "",
    rounds_every_min: float | None = None,
) -> str:
    """A plant with faulty picks and an operator who clears and loads in no time."""
    return plant(
        shift_min=cycles / SPEED_PER_MIN,
        speed_per_min=SPEED_PER_MIN,
        operators=1,
        crew="" if rounds_every_min is None else f"rounds_every_min = {rounds_every_min!r}",
        magazine=magazine,
        tables=[
            "[machine.pick]",
            f"retries = {retries}",
            f"retry_s = {retry_s!r}",
            f"misses_to_stop = {run}",
            "discard_on_clear_bags = 0",
            "[machine.bag]",
            f"faults = {{ {faults} }}",
            f"bad_bundles = {{ {bad_bundles} }}" if bad_bundles else "",
        ],
    )


def outcome_cases() -> list[Case]:
    """Each outcome's share of the attempts, and the bags that they take."""
    config = picking(", ".join(f"{name} = {chance}" for name, chance in CHANCES.items()), 2500)
    in_turn = dict(zip(CHANCES, one_by_one(list(CHANCES.values())), strict=True))
    # The first one in turn keeps its chance: told from being the last in turn.
    in_turn["missed"] = one_by_one(list(reversed(CHANCES.values())))[-1]
    make = partial(Case, source=BINOMIAL, config=config, replications=REPLICATIONS)
    cases = [
        make(
            f"share of picks: {name}",
            looks_at=SumsRatio((f"pockets_{name}",), POCKETS),
            reference=chance,
            control=Control("faults looked for one after the other", in_turn[name]),
        )
        for name, chance in CHANCES.items()
    ]
    taken = 1 - CHANCES["missed"] + CHANCES["double"]
    return [
        *cases,
        make(
            "bags gone per pick",
            looks_at=SumsRatio(("bags_gone",), POCKETS),
            reference=taken,
            control=Control("a double that takes one bag", 1 - CHANCES["missed"]),
        ),
    ]


def run_cases() -> list[Case]:
    """Mean number of cycles to a run of misses that faults the lane."""
    rows = [
        (0.5, 2, 1_000),
        (0.6, 5, 4_000),
        (0.5, 5, 5_000),
        (0.1, 2, 25_000),
        (0.1, 3, 25_000),
        (0.05, 2, 15_000),
        (0.02, 2, 25_000),
        (0.05, 3, 25_000),
        (0.01, 2, 25_000),
    ]
    cases = []
    for miss, run, cycles in rows:
        reference = run_of_misses(miss, run)
        control = Control("the run's chance alone, 1 / p^k", miss**-run)
        if reference > 200:
            # Too near for few shifts: told from misses that need not be in a row.
            control = Control("misses that are counted but need no row, k / p", run / miss)
        cases.append(
            Case(
                f"cycles to {run} misses in a row, p = {miss:.4g}",
                FELLER,
                picking(f"missed = {miss!r}", cycles, run=run),
                REPLICATIONS,
                CYCLES_PER_FAULT,
                reference,
                control,
                allowance=reference * (run / cycles),
                reason="a shift's first cycles cannot end a run",
            )
        )
    return cases


def retry_cases() -> list[Case]:
    """Retries make a missed cycle rarer and cost time."""
    miss, retries, retry_s, run, cycles = 0.3, 2, 0.5, 2, 15_000
    time = picking(f"missed = {miss}", 2500, retries=retries, retry_s=retry_s)
    chance = miss ** (1 + retries)
    reference = run_of_misses(chance, run)
    return [
        Case(
            "time of retries per cycle, s",
            OWN,
            time,
            REPLICATIONS,
            SumsRatio(("time_retry_us",), POCKETS, factor=1e-6),
            retry_s * (attempts_per_cycle(miss, retries) - 1),
            Control("one retry at the most", retry_s * miss),
        ),
        Case(
            "missed cycles with retries",
            OWN,
            time,
            REPLICATIONS,
            SumsRatio(("pockets_missed",), POCKETS),
            chance,
            Control("one retry at the most", miss**2),
        ),
        Case(
            "cycles to 2 missed cycles in a row, with retries",
            FELLER,
            picking(f"missed = {miss}", cycles, run=run, retries=retries),
            REPLICATIONS,
            CYCLES_PER_FAULT,
            reference,
            Control("attempts instead of cycles in a row", run_of_misses(miss, run + retries)),
            allowance=reference * (run / cycles),
            reason="a shift's first cycles cannot end a run",
        ),
    ]


def lane_cases() -> list[Case]:
    """Two lanes in turn: each has its own run of misses, and its own bag in front."""
    cycles = 2_500
    independent = run_of_misses(0.5, 3)
    # Single bags, half of them bad; rounds that load without taking time keep the lanes full.
    share, miss, run = 0.5, 0.5, 3
    own = run_of_one_bag(share, miss, run)
    single = "lanes = 2\ncapacity_bags = 60\nbundle_bags = 1"
    make = partial(Case, replications=REPLICATIONS, looks_at=CYCLES_PER_FAULT)
    reason = "a shift's first cycles of each lane cannot end a run"
    return [
        make(
            "cycles to 3 misses in a row, two lanes",
            FELLER,
            picking(
                "missed = 0.5",
                cycles,
                run=3,
                magazine="lanes = 2\ncapacity_bags = 1_000_000\nbundle_bags = 1_000_000",
            ),
            reference=independent,
            control=Control("faults of one lane alone counted", 2 * independent),
            allowance=independent * 2 * run / cycles,
            reason=reason,
        ),
        make(
            "cycles to 3 misses in a row, two lanes, single bad bags",
            OWN,
            picking(
                "missed = 0.0",
                cycles,
                run=run,
                magazine=single,
                bad_bundles=f"share = {share}, missed = {miss}",
                rounds_every_min=0.5,
            ),
            reference=own,
            control=Control("one run across both lanes", run_across_lanes(share, miss, run)),
            allowance=own * 2 * run / cycles,
            reason=reason,
        ),
    ]


def bad_bundle_cases() -> list[Case]:
    """Misses where bundles are bad: a missed bag stays, so bad bundles see more attempts."""
    share, bad, good, bundle_bags = 0.2, 0.6, 0.02, 5
    config = picking(
        f"missed = {good}",
        2500,
        magazine=f"lanes = 1\ncapacity_bags = 60\nbundle_bags = {bundle_bags}",
        bad_bundles=f"share = {share}, missed = {bad}",
        rounds_every_min=0.5,
    )
    make = partial(Case, source=OWN, config=config, replications=REPLICATIONS)
    naive = share * bad + (1 - share) * good
    per_bag = share * bad / (1 - bad) + (1 - share) * good / (1 - good)
    return [
        make(
            "share of picks missed, bad bundles",
            looks_at=SumsRatio(("pockets_missed",), POCKETS),
            reference=miss_share(share, bad, good),
            control=Control("as if missed bags left, share-weighted chances", naive),
        ),
        make(
            "misses per bag, bad bundles",
            looks_at=SumsRatio(("pockets_missed",), ("bags_gone",)),
            reference=per_bag,
            control=Control("odds of the mean chance", naive / (1 - naive)),
        ),
        make(
            "OEE, bad bundles",
            looks_at=Figure("oee"),
            reference=1 - miss_share(share, bad, good),
            control=Control("share-weighted chances", 1 - naive),
        ),
    ]


def cases() -> list[Case]:
    """All cases of picks."""
    return [
        *outcome_cases(),
        *run_cases(),
        *retry_cases(),
        *lane_cases(),
        *bad_bundle_cases(),
    ]
