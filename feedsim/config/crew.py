"""Table [crew]: the people, their rounds, breaks and other duties."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from feedsim.config.declare import Name, Table, key
from feedsim.config.times import ALLOWED, Spread

SHORTEST_INTERVAL_MIN = 0.1
Metres = Annotated[float, Field(ge=-10_000, le=10_000)]
Place = tuple[Metres, Metres]


def time_key(meaning: str, *, example: Any = None, source: str = "", **more: Any) -> Any:
    """Declare a key that takes a time that varies."""
    return key(meaning, unit="time", allowed=ALLOWED, example=example, source=source, **more)


class Duty(Table):
    """Other work that falls due again and again, at the base."""

    name: Name = key("Name of the duty", example="weight check", allowed="a name")
    every_min: float = key("Interval", unit="min", example=30, ge=SHORTEST_INTERVAL_MIN, le=10_080)
    takes: Spread = time_key(
        "Time that it takes one operator", example={"family": "constant", "mean_min": 2}
    )


class Break(Table):
    """A break of the crew; the machines run on."""

    at_h: float = key("Beginning, from the shift's start", unit="h", example=4, ge=0, le=168)
    takes_min: float = key("Length", unit="min", example=30, gt=0, le=10_080)
    cover: int = key(
        "Operators who stay, the lowest numbers", unit="operators", default=0, ge=0, le=100
    )


class Crew(Table):
    """The operators and how they find their work."""

    operators: int = key("Number of operators", unit="operators", default=1, ge=0, le=100)
    rounds_every_min: float | None = key(
        "Interval of the rounds that top up every magazine",
        unit="min",
        default=None,
        example=10,
        shown_default="no rounds",
        ge=SHORTEST_INTERVAL_MIN,
        le=10_080,
    )
    calls: Literal["low", "dry", "none"] = key(
        "When a machine calls for bags: a lane at its call level, only when dry, never",
        default="low",
    )
    notice: Spread = time_key("Time until a call or fault is noticed", default=0)
    walk_s: float = key(
        "Walk from one place to any other; not where machines have places",
        unit="s",
        default=0,
        example=20,
        ge=0,
        le=3600,
    )
    base_m: Place = key(
        "Place of the base, [x, y]",
        unit="m",
        default=(0, 0),
        allowed="two numbers [x, y] from -10000 to 10000",
        listed=True,
    )
    walk_m_per_s: float = key(
        "Walking speed, where machines have places",
        unit="m/s",
        default=1.2,
        ge=0.1,
        le=10,
        source="planning value, from memory: 1.0 to 1.5 m/s",
    )
    duty: tuple[Duty, ...] = key(
        "Other work of the crew",
        default=(),
        allowed="[[crew.duty]] tables",
        listed=True,
        max_length=100,
    )
    breaks: tuple[Break, ...] = key(
        "Breaks of the crew",
        default=(),
        allowed="[[crew.break]] tables",
        alias="break",
        listed=True,
        max_length=100,
    )
