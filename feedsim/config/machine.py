"""Table [[machine]]: the machine, its pick heads, stations and outfeed."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator

from feedsim.config.bag import Bag
from feedsim.config.crew import Place, time_key
from feedsim.config.declare import Name, Table, key, state_of
from feedsim.config.magazine import Magazine
from feedsim.config.times import Spread
from feedsim.film import Chances

SLOWEST_PER_MIN = 0.01
FASTEST_PER_MIN = 3000


def _places(value: Any) -> Any:
    """[x, y] is the place of a single machine: a list of one place."""
    if isinstance(value, list) and value and not any(isinstance(v, list | tuple) for v in value):
        return [value]
    return value


# pydantic wants a tuple given as a list to be told so at each level.
Places = Annotated[tuple[Annotated[Place, key("", listed=True)], ...], BeforeValidator(_places)]


class Pick(Table):
    """The pick head, and what it does about misses."""

    retries: int = key("Further attempts after a miss", default=0, example=2, ge=0, le=100)
    retry_s: float = key(
        "Machine time of each further attempt; 0: made within the cycle",
        unit="s",
        default=0,
        ge=0,
        le=3600,
    )
    misses_to_stop: int = key(
        "Missed cycles in a row that fault a lane; 0: never",
        unit="cycles",
        default=3,
        ge=0,
        le=100,
        source="planning value, from memory: 2 to 5",
    )
    on_lane_fault: Literal["stop", "other_lane"] = key(
        "A faulted lane stops the machine, or is passed over", default="stop"
    )
    clear: Spread = time_key(
        "Time to clear a jam or a faulted lane, stopping and securing it included",
        default=0,
        example={"family": "lognormal", "mean_s": 60, "cv": 1},
    )
    discard_on_clear_bags: int = key(
        "Bags thrown away when a faulted lane is cleared",
        unit="bags",
        default=1,
        ge=0,
        le=1_000_000,
    )
    single_lane_speed_per_min: float | None = key(
        "Fastest speed while only one of several lanes can serve",
        unit="packs/min",
        default=None,
        example=40,
        shown_default="no limit",
        ge=SLOWEST_PER_MIN,
        le=FASTEST_PER_MIN,
    )
    mouth_opener: bool = key(
        "A device opens the closure at the feed: planning odds of unopened to a third",
        default=False,
    )


class Station(Table):
    """Anything else that stops the machine, or what is behind its accumulation."""

    name: Name = key("Name of the station", example="sealer", allowed="a name")
    between_stops: Spread = time_key(
        "Running time between stops", example={"family": "exponential", "mean_min": 120}
    )
    stop: Spread = time_key(
        "Length of a stop", example={"family": "lognormal", "mean_min": 2, "cv": 1.2}
    )
    needs_operator: bool = key("A stop waits for an operator", default=False)
    place: Literal["inline", "outfeed"] = key(
        "Halts the machine, or belongs to what is behind the accumulation", default="inline"
    )

    @property
    def state(self) -> str:
        """State to which its stops are booked: lower case, with underscores."""
        return state_of(self.name)


class Outfeed(Table):
    """The accumulation of packs behind the machine, and what takes them on."""

    accumulation_packs: int = key(
        "Packs that the accumulation holds; 0: there is none",
        unit="packs",
        default=0,
        example=40,
        ge=0,
        le=1_000_000,
    )
    speed_per_min: float | None = key(
        "Speed of what is behind the accumulation",
        unit="packs/min",
        default=None,
        example=60,
        shown_default="the machine's",
        ge=SLOWEST_PER_MIN,
        le=FASTEST_PER_MIN,
    )
    restart_packs: int | None = key(
        "A blocked machine waits until the accumulation is down to this",
        unit="packs",
        default=None,
        example=20,
        shown_default="accumulation_packs - 1",
        ge=0,
        le=1_000_000,
    )

    @property
    def restart_at_packs(self) -> int:
        """Level at which a blocked machine may go on; 0 where there is no accumulation."""
        if self.restart_packs is not None:
            return self.restart_packs
        return max(self.accumulation_packs - 1, 0)


class Machine(Table):
    """A machine, or several alike."""

    name: Name = key("Name of the machine", default="machine", allowed="a name")
    count: int = key(
        'Number of such machines; several are named "name 1", "name 2"',
        unit="machines",
        default=1,
        ge=1,
        le=100,
    )
    speed_per_min: float = key(
        "Cycles of the machine", unit="bags/min", example=50, ge=SLOWEST_PER_MIN, le=FASTEST_PER_MIN
    )
    at_m: Places | None = key(
        "Place [x, y], or one for each of several; for all machines or none",
        unit="m",
        default=None,
        example=[4, 0],
        allowed="[x, y], or a list of such places, each number from -10000 to 10000",
        shown_default="none",
        listed=True,
    )
    restart_s: float = key("Time lost after each halt", unit="s", default=0, ge=0, le=3600)
    scrap_packs: int = key(
        "Good packs that become rejects at a halt", unit="packs", default=0, ge=0, le=10_000
    )
    scrap_after_s: float = key(
        "Shortest halt that makes them rejects", unit="s", default=0, ge=0, le=86_400
    )
    magazine: Magazine = key("The magazine", default={})
    pick: Pick = key("The pick head", default={})
    bag: Bag = key("The bag and its faults", default={})
    station: tuple[Station, ...] = key(
        "What else stops the machine",
        default=(),
        allowed="[[machine.station]] tables",
        listed=True,
        max_length=50,
    )
    outfeed: Outfeed = key("What is behind the machine", default={})

    @property
    def names(self) -> list[str]:
        """Name of each copy."""
        if self.count == 1:
            return [self.name]
        return [f"{self.name} {ordinal}" for ordinal in range(1, self.count + 1)]

    @property
    def chances(self) -> Chances:
        """Chances per pick attempt in a good bundle, with this machine's mouth opener."""
        return self.bag.chances(self.pick.mouth_opener)

    @property
    def bad_chances(self) -> Chances:
        """The same within a bad bundle."""
        return self.bag.bad_chances(self.pick.mouth_opener)

    @property
    def outfeed_speed_per_min(self) -> float:
        """Speed of what is behind the accumulation, packs per minute."""
        return self.outfeed.speed_per_min or self.speed_per_min

    @property
    def autonomy_min(self) -> float:
        """How long full lanes last with nobody there, min, without faults."""
        return self.magazine.lanes * self.magazine.lane_capacity_bags / self.speed_per_min
