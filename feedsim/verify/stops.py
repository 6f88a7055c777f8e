"""Cases of stops that need nobody: stations in series, an accumulation, availability."""

from __future__ import annotations

import math

from feedsim.verify.case import Case, Control, Figure
from feedsim.verify.formulas import (
    availability_at,
    fluid_line,
    mean_availability,
    mean_to_draw,
    product_of_availabilities,
    series_line,
    series_line_in_cycles,
    stage_of_stations,
)
from feedsim.verify.plant import constant, exponential, plant, station

Pair = tuple[float, float]

REPLICATIONS = 40
LONGEST_SHIFT_MIN = 168 * 60.0
BUZACOTT = "J. A. Buzacott 1968 (from memory), in whole cycles (own derivation)"
GROOVER = (
    "M. P. Groover, Automation, Production Systems, and Computer-Integrated Manufacturing, "
    "transfer line of 20 stations, Tc 1.2 min, p .005, Td 8 min"
)
FLUID = "fluid two-machine line, own derivation; model of Gershwin 1994, ch. 3"
BIROLINI = "A. Birolini, Reliability Engineering, sec. 6.2"


def series_config(stations: list[Pair], cycle_min: float, shift_min: float) -> str:
    """Stations in series on one machine, constant stops."""
    return plant(
        shift_min=shift_min,
        speed_per_min=1 / cycle_min,
        tables=[
            station(name, exponential(mean_to_draw(up, cycle_min)), constant(stop))
            for name, (up, stop) in zip(("doser", "sealer", "coder"), stations, strict=True)
        ],
    )


def series_cases() -> list[Case]:
    """Stations without a buffer between them do not age while another one is stopped."""
    published, long_stops = [(50.0, 2.0), (30.0, 1.0), (80.0, 5.0)], [(40.0, 20.0)] * 3
    return [
        Case(
            f"three stations in series, {name}",
            BUZACOTT,
            series_config(stations, cycle_min, shift_min),
            replications,
            Figure("availability"),
            series_line_in_cycles(cycle_min, stations),
            Control("the product of availabilities", product_of_availabilities(stations)),
        )
        for name, stations, cycle_min, shift_min, replications in (
            (f"{series_line(published):.6f} as a fluid", published, 0.5, LONGEST_SHIFT_MIN, 60),
            ("stops of half the up times", long_stops, 1.0, 2000.0, REPLICATIONS),
        )
    ]


def transfer_line_cases() -> list[Case]:
    """Stages of a transfer line whose stops are dealt with one at a time.

    A chance p per cycle is a geometric number of cycles: that of an exponential time with
    the mean -Tc / ln(1 - p). One operator deals with stops one after the other.
    """
    cycle_min, chance, stop_min = 1.2, 0.005, 8.0
    between = exponential(-cycle_min / math.log1p(-chance))

    def config(stations: int, *, tended: bool) -> str:
        return plant(
            shift_min=LONGEST_SHIFT_MIN,
            speed_per_min=1 / cycle_min,
            operators=1,
            tables=[
                station(f"station {k + 1}", between, constant(stop_min), tended=tended)
                for k in range(stations)
            ],
        )

    cases = []
    for stages in (1, 2, 4, 20):
        stations = 20 // stages
        control = Control("twice the chance", stage_of_stations(stations, cycle_min, 0.01, 8))
        if stages == 1:
            control = Control("stops that overlap", config=config(stations, tended=False))
        cases.append(
            Case(
                f"transfer line, one of {stages} stages",
                GROOVER,
                config(stations, tended=True),
                REPLICATIONS,
                Figure("oee"),
                stage_of_stations(stations, cycle_min, chance, stop_min),
                control,
                allowance=1 / LONGEST_SHIFT_MIN * cycle_min,
                reason="the cycle under way when the shift ends makes no pack",
            )
        )
    return cases


def line_config(
    first: Pair, second: Pair, buffer_min: float, speed_per_min: float, shift_min: float
) -> str:
    """A machine's station, an accumulation and a station behind it, equal speeds.

    The accumulation is empty at first. Left out is twenty times what it holds: its content wanders
    up and down, and of two times what it holds the beginning is still seen, in 4,000 shifts.
    """
    cycle_min = 1 / speed_per_min
    first_up, second_up = (exponential(mean_to_draw(up, cycle_min)) for up, _ in (first, second))
    packs = round(buffer_min * speed_per_min)
    return plant(
        shift_min=shift_min,
        warm_up_min=max(shift_min / 20, 20 * buffer_min),
        speed_per_min=speed_per_min,
        tables=[
            station("sealer", first_up, exponential(first[1])),
            station("case packer", second_up, exponential(second[1]), place="outfeed"),
            f"[machine.outfeed]\naccumulation_packs = {packs}",
        ],
    )


def accumulation_cases() -> list[Case]:
    """An accumulation between two stations, held against the fluid line."""
    slow, fast, better = (100.0, 10.0), (10.0, 10.0), (20.0, 5.0)
    rows = [
        (slow, slow, 0.0, 50.0, 1.0, LONGEST_SHIFT_MIN / 3),
        (slow, slow, 10.0, 0.0, 1.0, LONGEST_SHIFT_MIN),
        (slow, slow, 50.0, 0.0, 1.0, LONGEST_SHIFT_MIN),
        (fast, fast, 2.0, 10.0, 10.0, 1600.0),
        (fast, fast, 10.0, 5.0, 10.0, 6000.0),
        (fast, fast, 40.0, 10.0, 10.0, 2400.0),
        (fast, better, 10.0, 0.0, 10.0, 4800.0),
        (better, fast, 10.0, 0.0, 10.0, 4800.0),
    ]
    cases = []
    for first, second, buffer_min, wrong_min, speed_per_min, shift_min in rows:
        theory = fluid_line(*first, *second, buffer_min)
        more = fluid_line(*first, *second, buffer_min + 2 / speed_per_min)
        cases.append(
            Case(
                f"accumulation of {buffer_min:g} min, up {first[0]:g} and {second[0]:g}, "
                f"stop {first[1]:g} and {second[1]:g}",
                FLUID,
                line_config(first, second, buffer_min, speed_per_min, shift_min),
                REPLICATIONS,
                Figure("oee"),
                theory,
                Control(f"a buffer of {wrong_min:g} min", fluid_line(*first, *second, wrong_min)),
                allowance=more - theory,
                reason="packs instead of a fluid, and a pack in work: a buffer of two packs more",
            )
        )
    return cases


def availability_cases() -> list[Case]:
    """Availability of short shifts that start as new."""
    up_min, cycle_min = 100.0, 0.1
    cases = []
    for stop_min, until_min, replications in (
        (5.0, 10.0, 2500),
        (10.0, 10.0, 2500),
        (5.0, 100.0, 600),
    ):
        control = Control("its limit for long shifts", up_min / (up_min + stop_min))
        if until_min > 50:
            # That limit is too near to be told apart in few shifts.
            control = Control(
                "stops twice as long", mean_availability(up_min, 2 * stop_min, until_min)
            )
        late = (1 - availability_at(up_min, stop_min, until_min)) * cycle_min / 2 / until_min
        cases.append(
            Case(
                f"availability of the first {until_min:g} min, up {up_min:g}, stop {stop_min:g}",
                BIROLINI,
                plant(
                    shift_min=until_min,
                    speed_per_min=1 / cycle_min,
                    tables=[
                        station(
                            "sealer",
                            exponential(mean_to_draw(up_min, cycle_min)),
                            exponential(stop_min),
                        )
                    ],
                ),
                replications,
                Figure("availability"),
                mean_availability(up_min, stop_min, until_min),
                control,
                allowance=late,
                reason="a stop begins at the end of its cycle, half a cycle late on average",
            )
        )
    return cases


def cases() -> list[Case]:
    """All cases of stops."""
    return [
        *series_cases(),
        *transfer_line_cases(),
        *accumulation_cases(),
        *availability_cases(),
    ]
