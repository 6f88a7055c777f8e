"""Tables [study], [[planned_stop]] and [money]."""

from __future__ import annotations

from typing import Literal

from feedsim.config.declare import LARGEST_SEED, Name, Table, Text, key


class Study(Table):
    """How long, how often and how surely."""

    shift_h: float = key("Length of the shift", unit="h", default=8, gt=0, le=168)
    warm_up_h: float = key(
        "Time at the shift's start that the results leave out", unit="h", default=0, ge=0, le=168
    )
    replications: int = key(
        "Number of shifts simulated", unit="shifts", default=40, ge=1, le=1_000_000
    )
    seed: int = key(
        "Seed of all random streams: same seed, same luck", default=1, ge=0, le=LARGEST_SEED
    )
    confidence: float = key("Confidence of all intervals", default=0.95, ge=0.5, le=0.9999)
    minor_stop_min: float = key(
        "Halts of this length or longer count as availability loss, shorter ones as speed loss",
        unit="min",
        default=5,
        ge=0,
        le=1440,
        source="a convention, from memory",
    )


class PlannedStop(Table):
    """A stop of all machines by the calendar."""

    name: Name = key("Name of the stop", example="cleaning", allowed="a name")
    at_h: float = key("Beginning, from the shift's start", unit="h", example=6, ge=0, le=168)
    takes_min: float = key("Length", unit="min", example=20, gt=0, le=10_080)
    kind: Literal["break", "changeover"] = key(
        "A break lies outside planned busy time, a changeover inside it", default="break"
    )


class Money(Table):
    """What time and bags are worth."""

    currency: Text = key("Currency of all amounts", default="EUR", min_length=1, max_length=20)
    pack_margin: float = key("Margin of one good pack", default=0, ge=0, le=1e6)
    bag_cost: float = key("Cost of one empty bag", default=0, ge=0, le=1e6)
    operator_cost_h: float = key("Cost of an operator's hour", default=0, ge=0, le=1e6)
    shifts_per_year: float = key(
        "Shifts in a year",
        unit="shifts",
        default=250,
        gt=0,
        le=2000,
        source="planning value, from memory: one shift on each working day",
    )
