"""What may surprise about a magazine."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.config.machine import Machine
from feedsim.config.root import Config

START_SHARE_LIMIT = 0.02


def magazine_surprises(config: Config, machine: Machine) -> Iterator[str]:
    """Sentences on one machine's magazine.

    Parameters
    ----------
    config : Config
        A sound one.
    machine : Machine
        One of its machines.
    """
    magazine, name = machine.magazine, machine.name
    if config.crew.rounds_every_min is not None:
        yield from _one_bundle(machine)
    capacity, bundle, level = (
        magazine.lane_capacity_bags,
        magazine.bundle_bags,
        magazine.call_level_bags,
    )
    if config.crew.calls == "low" and level > capacity - bundle:
        yield (
            f"{name}: call_level_bags = {level} is above capacity - bundle = {capacity - bundle}: "
            "a lane calls only when a bundle fits"
        )
    if magazine.fetch.mean_s > 0 and magazine.carry_bundles is None:
        yield f"{name}: fetch has no effect without carry_bundles"
    if magazine.live_loading and magazine.bundle.mean_s > 0:
        yield (
            f"{name}: live_loading loads a running machine: only where the magazine's opening is "
            "outside the reach of the pick head or guarded by design"
        )
    yield from _unused_measures(machine)
    yield from _start_share(config, machine)


def _one_bundle(machine: Machine) -> Iterator[str]:
    capacity, bundle = machine.magazine.lane_capacity_bags, machine.magazine.bundle_bags
    if bundle == 1 and capacity > 1:
        return
    begins = f"{machine.name}: a lane of {capacity} bags holds one bundle of {bundle}"
    if capacity == bundle:
        yield (
            f"{begins}: when it empties exactly at a round it finds no room, since the bag being "
            "picked is still there"
        )
    elif capacity < 2 * bundle:
        yield f"{begins}: a round finds room only when {capacity - bundle} or fewer are left"


def _unused_measures(machine: Machine) -> Iterator[str]:
    geometry = machine.magazine.geometry
    if geometry is None:
        return
    unused = ["shingle_pitch_mm"]
    if geometry.loading == "shingled":
        unused = ["stack_height_mm", "bag_thickness_mm", "gap_mm"]
    elif geometry.lane_length_mm is None:
        unused.append("gap_mm")
    for measure in unused:
        if getattr(geometry, measure):
            yield f"{machine.name}: {measure} has no effect on {geometry.loading} bags as given"


def _start_share(config: Config, machine: Machine) -> Iterator[str]:
    """Full lanes at the start are bags that nobody had to load in the shift."""
    if config.study.warm_up_h > 0:
        return
    stock = machine.magazine.lanes * machine.magazine.lane_start_bags
    share = stock / (config.study.shift_h * 60 * machine.speed_per_min)
    if share > START_SHARE_LIMIT:
        yield (
            f"{machine.name}: the {stock} bags at the start are {min(share, 1):.1%} of what a "
            "shift can use, and no warm_up_h leaves them out"
        )
