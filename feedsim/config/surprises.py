"""What is sound but may surprise: said by `feedsim check`, refused by nobody."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim import film
from feedsim.config.crew import Crew
from feedsim.config.machine import Machine
from feedsim.config.root import Config
from feedsim.config.surprises_magazine import magazine_surprises

BUSY_LIMIT = 0.85
PLANNING_NOTE = "planning values from memory, replace by your own pick trials"


def warnings_of(config: Config) -> list[str]:
    """What of a sound config may surprise, where it applies.

    Parameters
    ----------
    config : Config
        A sound one.

    Returns
    -------
    list of str
        Sentences with the machine's name and its numbers; empty where nothing applies.
    """
    found = [*_nobody_comes(config), *_crew(config), *_calendar(config)]
    found += _money(config)
    for machine in config.machine:
        found += magazine_surprises(config, machine)
        found += _one_operator(config, machine)
        found += _bag(machine)
        found += _pick(machine)
        found += _outfeed(machine)
    return found


def _money(config: Config) -> Iterator[str]:
    money = config.money
    if money is not None and not (money.pack_margin or money.bag_cost or money.operator_cost_h):
        yield "money: without a margin or a cost every setting is worth the same"


def loading_share(config: Config) -> float:
    """Share of one person that loading takes when all machines run.

    Seconds of handling per bag times bags per minute of all machines over 60; visits, walks and
    faults come on top.

    References
    ----------
    Handling arithmetic of the trade: 50 bags in 22 s at 50 a minute are 0.37 of a person.
    """
    return sum(machine_loading_share(machine) * machine.count for machine in config.machine)


def machine_loading_share(machine: Machine) -> float:
    """The same for one copy of one machine."""
    return machine.magazine.load_s_per_bag * machine.speed_per_min / 60


def _nobody_comes(config: Config) -> Iterator[str]:
    crew = config.crew
    if crew.operators == 0:
        yield "crew: with 0 operators nobody ever refills a magazine or clears a fault"
    elif crew.calls == "none" and not _rounds_fall_due(config):
        yield 'crew: with calls = "none" and no rounds nobody ever refills a magazine'


def _rounds_fall_due(config: Config) -> bool:
    every_min = config.crew.rounds_every_min
    return every_min is not None and every_min < config.study.shift_h * 60


def _crew(config: Config) -> Iterator[str]:
    crew, shift_min = config.crew, config.study.shift_h * 60
    if crew.rounds_every_min is not None and not _rounds_fall_due(config):
        yield (
            f"crew: rounds every {crew.rounds_every_min:g} min never fall due in a shift of "
            f"{shift_min:g} min"
        )
    for duty in crew.duty:
        if duty.every_min >= shift_min:
            yield (
                f"duty {duty.name}: every {duty.every_min:g} min never falls due in a shift of "
                f"{shift_min:g} min"
            )
    placed = any(machine.at_m is not None for machine in config.machine)
    if placed and crew.operators > 1:
        yield "crew: the lowest operator number that is free goes, not the nearest operator"
    defaults = {name: Crew.model_fields[name].default for name in ("base_m", "walk_m_per_s")}
    if not placed and any(getattr(crew, name) != value for name, value in defaults.items()):
        yield "crew: base_m and walk_m_per_s have no effect where machines have no at_m"
    yield from _busy(config)


def _busy(config: Config) -> Iterator[str]:
    if config.crew.operators == 0:
        return
    share = loading_share(config) / config.crew.operators
    if share > BUSY_LIMIT:
        yield (
            f"crew: loading alone takes {share:.2f} of each operator's time, above "
            f"{BUSY_LIMIT} there is no reserve (walks, visits and faults come on top)"
        )


def _calendar(config: Config) -> Iterator[str]:
    shift_h = config.study.shift_h
    spans = [("a break of the crew", b.at_h, b.takes_min) for b in config.crew.breaks]
    spans += [(f"planned stop {s.name}", s.at_h, s.takes_min) for s in config.planned_stop]
    for what, at_h, takes_min in spans:
        end_h = at_h + takes_min / 60
        # A stop to the very end in thirds of an hour must not seem to run past it.
        if end_h > shift_h + 1e-9:
            yield f"{what} from {at_h:g} h runs to {end_h:.4g} h, past the shift's {shift_h:g} h"


def _one_operator(config: Config, machine: Machine) -> Iterator[str]:
    if config.crew.operators != 1:
        return
    has_jams = machine.chances[film.FAULTS.index("jam")] > 0
    if has_jams or any(station.needs_operator for station in machine.station):
        what = "jam" if has_jams else "stopped station"
        yield (
            f"{machine.name}: an only operator who loads leaves this machine's {what} until "
            "the visit is over"
        )


def _bag(machine: Machine) -> Iterator[str]:
    bag, name = machine.bag, machine.name
    if bag.chance_source == "planning" and bag.stiffness is not None:
        yield (
            f"{name}: fault chances of {bag.closure} at {bag.stiffness:.3g} uN.m are "
            f"{PLANNING_NOTE}"
        )
        outside = film.stiffness_warning(bag.stiffness)
        if outside is not None:
            yield f"{name}: {outside}"
    elif bag.chance_source == "none":
        given = "closure" if bag.closure is not None else "stiffness"
        if bag.closure is not None or bag.stiffness is not None:
            other = "stiffness" if given == "closure" else "closure"
            but = "" if bag.bad_bundles is None else " but the misses of bad bundles"
            yield f"{name}: a {given} without {other} and without faults gives no faults{but}"
    if bag.film is not None and bag.faults is None:
        said = bag.film.warnings(bag.closure, bag.stiffness)
        yield from (f"{name}: film model: {words}" for words in said)
        if bag.bad_bundles is not None and bag.film.bad_bundles is not None:
            yield f"{name}: bad_bundles of the config go before those of the film model"
        if machine.pick.mouth_opener:
            yield (
                f"{name}: mouth_opener has no effect on a film model, whose trials were made with "
                "it or without"
            )
    if bag.chance_source == "faults" and bag.faults is not None:
        unnamed = [fault for fault in film.FAULTS if fault not in bag.faults.model_fields_set]
        if unnamed and len(unnamed) < len(film.FAULTS):
            yield f"{name}: faults names no {', '.join(unnamed)}, so these do not happen"
        if bag.closure is not None and bag.stiffness is not None:
            yield f"{name}: closure and stiffness have no effect beside faults"
    if bag.chance_source == "faults" and machine.pick.mouth_opener:
        yield f"{name}: mouth_opener has no effect on faults, which were measured with or without"
    if bag.chance_source == "none" and machine.pick.mouth_opener:
        yield f"{name}: mouth_opener has no effect without planning values"


def _pick(machine: Machine) -> Iterator[str]:
    pick, bag, name = machine.pick, machine.bag, machine.name
    single = pick.single_lane_speed_per_min
    if single is not None and machine.magazine.lanes == 1:
        yield f"{name}: single_lane_speed_per_min has no effect with one lane"
    elif single is not None and single >= machine.speed_per_min:
        yield (
            f"{name}: single_lane_speed_per_min = {single:g} has no effect at a machine speed of "
            f"{machine.speed_per_min:g}"
        )
    missed = machine.chances[0]
    in_a_row = pick.misses_to_stop
    attempts = in_a_row * (pick.retries + 1)
    if bag.bad is None and in_a_row >= 3 and missed > 0 and missed**attempts < 1e-6:
        yield (
            f"{name}: without bad_bundles {in_a_row} missed cycles in a row come with a chance of "
            f"{missed**attempts:.1g}, practically never: misses come in bad bundles"
        )
    if pick.retry_s > 0 and pick.retries == 0:
        yield f"{name}: retry_s has no effect with retries = 0"


def _outfeed(machine: Machine) -> Iterator[str]:
    if machine.outfeed.accumulation_packs == 0:
        for station in machine.station:
            if station.place == "outfeed":
                yield (
                    f"{machine.name}: station {station.name} is of the outfeed, but without an "
                    "accumulation it halts the machine as an inline station does"
                )
    elif machine.outfeed_speed_per_min < machine.speed_per_min:
        yield (
            f"{machine.name}: the outfeed at {machine.outfeed_speed_per_min:g} a minute is slower "
            f"than the machine at {machine.speed_per_min:g}: it will block it"
        )
    if machine.scrap_after_s > 0 and machine.scrap_packs == 0:
        yield f"{machine.name}: scrap_after_s has no effect with scrap_packs = 0"
