"""Table [machine.magazine]: the lanes, what they hold and how they are loaded."""

from __future__ import annotations

from typing import Literal

from feedsim import magazine as lanes
from feedsim.config.crew import time_key
from feedsim.config.declare import Table, key
from feedsim.config.times import Spread

MOST_BAGS = 1_000_000


class Geometry(Table):
    """The lane's measures, from which its capacity follows."""

    loading: Literal["stacked", "shingled"] = key(
        "Bags piled, or overlapped like roof tiles", example="stacked"
    )
    lane_length_mm: float | None = key(
        "Length of the lane", unit="mm", default=None, example=1200, gt=0, le=100_000
    )
    bag_length_mm: float | None = key(
        "Length of a bag along the lane", unit="mm", default=None, example=300, gt=0, le=100_000
    )
    gap_mm: float = key("Gap between piles along the lane", unit="mm", default=0, ge=0, le=100_000)
    stack_height_mm: float | None = key(
        "Height of a pile (stacked)", unit="mm", default=None, example=300, gt=0, le=100_000
    )
    bag_thickness_mm: float | None = key(
        "Thickest compressed zone of a bag (stacked)",
        unit="mm",
        default=None,
        example=1.2,
        gt=0,
        le=100_000,
    )
    shingle_pitch_mm: float | None = key(
        "From one bag's edge to the next one's (shingled)",
        unit="mm",
        default=None,
        example=12,
        gt=0,
        le=100_000,
    )

    @property
    def missing(self) -> tuple[str, ...]:
        """Keys without which no capacity follows."""
        if self.loading == "shingled":
            needed = ["lane_length_mm", "shingle_pitch_mm"]
        else:
            needed = ["stack_height_mm", "bag_thickness_mm"]
            if self.bag_length_mm is not None:
                needed.append("lane_length_mm")
            if self.lane_length_mm is not None:
                needed.append("bag_length_mm")
        return tuple(name for name in needed if getattr(self, name) is None)

    @property
    def lane_capacity_bags(self) -> int:
        """Bags per lane, see `feedsim.magazine`.

        Raises
        ------
        ValueError
            A measure that is needed is missing.
        """
        if self.missing:
            raise ValueError(f"{self.loading} bags need {', '.join(self.missing)}")
        # The checks above leave no None; `or 0.0` only tells the type checker so.
        if self.loading == "shingled":
            return lanes.shingled_capacity_bags(
                lane_length_mm=self.lane_length_mm or 0.0,
                shingle_pitch_mm=self.shingle_pitch_mm or 0.0,
                bag_length_mm=self.bag_length_mm,
            )
        return lanes.stacked_capacity_bags(
            stack_height_mm=self.stack_height_mm or 0.0,
            bag_thickness_mm=self.bag_thickness_mm or 0.0,
            lane_length_mm=self.lane_length_mm,
            bag_length_mm=self.bag_length_mm,
            gap_mm=self.gap_mm,
        )


class Magazine(Table):
    """The magazine of one machine; all bags are per lane."""

    lanes: int = key("Number of lanes", unit="lanes", default=2, ge=1, le=4)
    capacity_bags: int | None = key(
        "Bags that a lane holds; or give geometry",
        unit="bags per lane",
        default=None,
        example=300,
        shown_default="from geometry",
        ge=1,
        le=MOST_BAGS,
    )
    geometry: Geometry | None = key(
        "Measures from which the capacity follows, in place of capacity_bags",
        default=None,
        example={"loading": "stacked", "stack_height_mm": 360, "bag_thickness_mm": 1.2},
        shown_default="none",
    )
    start_bags: int | None = key(
        "Bags in each lane at the shift's start",
        unit="bags per lane",
        default=None,
        example=300,
        shown_default="full",
        ge=0,
        le=MOST_BAGS,
    )
    call_level_bags: int = key(
        "A lane at or below this level calls for bags",
        unit="bags per lane",
        default=0,
        example=75,
        ge=0,
        le=MOST_BAGS,
    )
    live_loading: bool = key(
        "A lane feeds while it is loaded (only where the opening is outside the reach of the "
        "pick head or guarded by design)",
        default=True,
    )
    bundle_bags: int = key(
        "Bags loaded at once", unit="bags", default=1, example=50, ge=1, le=MOST_BAGS
    )
    bundle: Spread = time_key(
        "Time to load one bundle",
        default=0,
        example={"family": "lognormal", "mean_s": 22, "cv": 0.3},
    )
    visit: Spread = time_key("Time that a loading visit costs before the first bundle", default=0)
    carry_bundles: int | None = key(
        "Bundles an operator brings along",
        unit="bundles",
        default=None,
        example=10,
        shown_default="no limit",
        ge=1,
        le=10_000,
    )
    fetch: Spread = time_key("Time to fetch more bundles", default=0)

    @property
    def lane_capacity_bags(self) -> int:
        """Bags per lane, as given or from geometry.

        Raises
        ------
        ValueError
            Neither is given, as in no sound config; or as `Geometry.lane_capacity_bags`.
        """
        if self.capacity_bags is not None:
            return self.capacity_bags
        if self.geometry is None:
            raise ValueError("capacity_bags or geometry is needed")
        return self.geometry.lane_capacity_bags

    @property
    def lane_start_bags(self) -> int:
        """Bags in each lane at the shift's start."""
        return self.lane_capacity_bags if self.start_bags is None else self.start_bags

    @property
    def load_s_per_bag(self) -> float:
        """Mean handling time of one bag, s: bundle and fetch, without visit and walk."""
        fetch_s = self.fetch.mean_s / self.carry_bundles if self.carry_bundles else 0.0
        return (self.bundle.mean_s + fetch_s) / self.bundle_bags
