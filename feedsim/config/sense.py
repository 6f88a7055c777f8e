"""Checks of physical sense: what no cell can be, though each value alone is allowed."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.config.machine import Machine, Outfeed
from feedsim.config.problems import Finding, Path, number_text, show
from feedsim.config.root import Config
from feedsim.config.sense_bag import bag_findings
from feedsim.config.sense_magazine import magazine_findings

MOST_MACHINES = 1000
# Times are whole microseconds: a shift must be far longer than one.
SHORTEST_SHIFT_S = 0.001
BUILT_IN_STATES = (
    "running",
    "retry",
    "dry",
    "lane_fault",
    "jam",
    "blocked",
    "restarting",
    "changeover",
    "planned_stop",
)


def findings_of_sense(config: Config) -> list[Finding]:
    """All that is physically impossible in a config whose values are each allowed.

    Parameters
    ----------
    config : Config
        Types and ranges checked.

    Returns
    -------
    list of Finding
        Empty for a sound config.
    """
    findings = [*_calendar(config), *_crew(config), *_machine_names(config), *_places(config)]
    for number, machine in enumerate(config.machine):
        path: Path = ("machine", number)
        findings += magazine_findings(machine.magazine, (*path, "magazine"))
        findings += bag_findings(machine, path)
        findings += _stations(machine, path)
        findings += _outfeed(machine.outfeed, (*path, "outfeed"))
    return findings


def _calendar(config: Config) -> Iterator[Finding]:
    shift_h = config.study.shift_h
    shift: tuple[Path, ...] = (("study", "shift_h"),)
    until = f"before the shift ends (shift_h = {number_text(shift_h)})"
    if shift_h * 3600 < SHORTEST_SHIFT_S:
        message = f"must be at least {SHORTEST_SHIFT_S:g} s, is {number_text(shift_h)} h"
        yield Finding(("study", "shift_h"), message)
    if config.study.warm_up_h >= shift_h:
        message = f"must end {until}, is {number_text(config.study.warm_up_h)}"
        yield Finding(("study", "warm_up_h"), message, shift)
    begins: list[tuple[Path, float]] = [
        (("crew", "break", n, "at_h"), b.at_h) for n, b in enumerate(config.crew.breaks)
    ]
    begins += [(("planned_stop", n, "at_h"), s.at_h) for n, s in enumerate(config.planned_stop)]
    for path, at_h in begins:
        if at_h >= shift_h:
            yield Finding(path, f"must begin {until}, is {number_text(at_h)}", shift)


def _crew(config: Config) -> Iterator[Finding]:
    crew = config.crew
    for number, one in enumerate(crew.breaks):
        if one.cover > crew.operators:
            message = f"must be at most the {crew.operators} operators of the crew, is {one.cover}"
            yield Finding(("crew", "break", number, "cover"), message, (("crew", "operators"),))
    seen: dict[str, int] = {}
    for number, duty in enumerate(crew.duty):
        if duty.name in seen:
            first: Path = ("crew", "duty", seen[duty.name], "name")
            message = f"must differ from the other duties' names, is {show(duty.name)} again"
            yield Finding(("crew", "duty", number, "name"), message, (first,))
        seen.setdefault(duty.name, number)


def _machine_names(config: Config) -> Iterator[Finding]:
    if not config.machine:
        yield Finding(("machine",), "is missing: must be at least one [[machine]] table")
    total = sum(machine.count for machine in config.machine)
    if total > MOST_MACHINES:
        message = f"all machines together must be at most {MOST_MACHINES}, are {total}"
        yield Finding(("machine", len(config.machine) - 1, "count"), message)
    tables: dict[str, int] = {}
    copies: dict[str, int] = {}
    for number, machine in enumerate(config.machine):
        clash = _clash(machine, tables, copies)
        if clash is not None:
            name, other = clash
            uses: tuple[Path, ...] = tuple(
                ("machine", n, key) for n in (number, other) for key in ("name", "count")
            )
            message = (
                f"must differ from the other machines' names: {show(name)} is a name of "
                f"[[machine]] {other + 1} and {number + 1}"
            )
            yield Finding(("machine", number, "name"), message, uses)
        tables.setdefault(machine.name, number)
        for name in machine.names:
            copies.setdefault(name, number)


def _clash(
    machine: Machine, tables: dict[str, int], copies: dict[str, int]
) -> tuple[str, int] | None:
    """A name already taken, by a table or by a numbered copy, and by which table."""
    if machine.name in tables:
        return machine.name, tables[machine.name]
    return next(((name, copies[name]) for name in machine.names if name in copies), None)


def _places(config: Config) -> Iterator[Finding]:
    placed = [n for n, machine in enumerate(config.machine) if machine.at_m is not None]
    if not placed:
        return
    walk: Path = ("crew", "walk_s")
    if config.crew.walk_s > 0:
        message = (
            "must not stand together with at_m of machines: give the one or the other, "
            f"is {number_text(config.crew.walk_s)}"
        )
        yield Finding(walk, message, (("machine", placed[0], "at_m"),))
    for number, machine in enumerate(config.machine):
        path: Path = ("machine", number, "at_m")
        if machine.at_m is None:
            message = f"is missing: all machines must have a place or none, {machine.name} has none"
            yield Finding(path, message, (("machine", placed[0], "at_m"),))
        elif len(machine.at_m) != machine.count:
            message = (
                f"must give one place for each machine of count = {machine.count}, "
                f"gives {len(machine.at_m)}: {show(machine.at_m)}"
            )
            yield Finding(path, message, (("machine", number, "count"),))


def _stations(machine: Machine, path: Path) -> Iterator[Finding]:
    seen: dict[str, int] = {}
    for number, station in enumerate(machine.station):
        own: Path = (*path, "station", number)
        message = state_problem(station.state, station.place)
        if not message and station.state in seen:
            other = machine.station[seen[station.state]].name
            message = f"gives the state {station.state}, as station {show(other)} does"
        if message:
            first: Path = (*path, "station", seen.get(station.state, number), "name")
            uses: tuple[Path, ...] = (first, (*own, "place"))
            yield Finding((*own, "name"), f"{message}, is {show(station.name)}", uses)
        seen.setdefault(station.state, number)
        if station.between_stops.mean_s <= 0:
            yield Finding((*own, "between_stops"), "must have a mean above 0, is 0")


def state_problem(state: str, place: str) -> str:
    """What is wrong with a station's state, empty where nothing is."""
    if not state:
        return "must hold a letter or a digit, for its state"
    if state in BUILT_IN_STATES:
        return f"must differ from the built-in state {state}"
    if state.startswith("blocked_by_"):
        return "must not begin with blocked by, which names what blocked a machine"
    if place == "outfeed" and state == "speed":
        return "must not be speed, which stands for an outfeed that is only slow"
    return ""


def _outfeed(outfeed: Outfeed, path: Path) -> Iterator[Finding]:
    held = outfeed.accumulation_packs
    uses: tuple[Path, ...] = ((*path, "accumulation_packs"),)
    if held == 0:
        for name in ("speed_per_min", "restart_packs"):
            value = getattr(outfeed, name)
            if value is not None:
                message = (
                    "must not be given without an accumulation (accumulation_packs = 0), "
                    f"is {number_text(value)}"
                )
                yield Finding((*path, name), message, uses)
    elif outfeed.restart_packs is not None and outfeed.restart_packs >= held:
        message = f"must be below accumulation_packs = {held}, is {outfeed.restart_packs}"
        yield Finding((*path, "restart_packs"), message, uses)
