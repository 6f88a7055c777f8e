"""Closed forms that the simulation is held against, each with its source."""

from feedsim.verify.formulas.lines import (
    availability_at,
    fluid_line,
    mean_availability,
    product_of_availabilities,
    series_line,
    series_line_in_cycles,
    stage_of_stations,
)
from feedsim.verify.formulas.misses import (
    attempts_per_cycle,
    miss_share,
    one_by_one,
    run_across_lanes,
    run_of_misses,
    run_of_one_bag,
)
from feedsim.verify.formulas.queues import (
    FiniteSource,
    constant_service,
    finite_source,
    mean_to_draw,
)

__all__ = [
    "FiniteSource",
    "attempts_per_cycle",
    "availability_at",
    "constant_service",
    "finite_source",
    "fluid_line",
    "mean_availability",
    "mean_to_draw",
    "miss_share",
    "one_by_one",
    "product_of_availabilities",
    "run_across_lanes",
    "run_of_misses",
    "run_of_one_bag",
    "series_line",
    "series_line_in_cycles",
    "stage_of_stations",
]
