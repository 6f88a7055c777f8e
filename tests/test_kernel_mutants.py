"""Faults planted in the kernel's source are told apart from the SimPy model.

Run as a script it tries one fault after the other on small cells, the kernel as plain Python, and
prints what came of each. The text of a fault replaces another in one module as it is imported.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
KERNEL = ROOT / "feedsim" / "kernel"
SLOWEST_S = 2
# Faults are tried in shares, so that several processes can.
SHARES = 20


class Fault(NamedTuple):
    """A text in a module of the kernel, and what it is replaced by."""

    module: str
    text: str
    wrong: str


FAULTS = {
    # The turn of the lanes.
    "the turn passes a lane over": Fault(
        "machine",
        "machine.lane = serving(machine, machine.turn)",
        "machine.lane = serving(machine, machine.turn + 1)",
    ),
    "the turn after a jump is another lane's": Fault(
        "jump", "machine.turn = place_behind(machine, under_way)", "machine.turn = turn"
    ),
    "the lane under way after a jump is another": Fault(
        "jump", "            if order == rest:\n", "            if order == rest - 1:\n"
    ),
    "the wrong lane has one pick more": Fault(
        "jump", "each + int(order < rest)", "each + int(order >= machine.able_lanes - rest)"
    ),
    "the last lane is passed over": Fault(
        "jump", "return 0 if place + 1 == machine.lanes", "return 0 if place + 2 >= machine.lanes"
    ),
    # How far it is to the next change.
    "a cycle too far to a pick": Fault("jump", "return 2 + ahead +", "return 3 + ahead +"),
    "a pick too far to a fault": Fault(
        "jump", "picks = min(picks_to_fault, max(", "picks = min(picks_to_fault + 1, max("
    ),
    "a pick too far to a level": Fault("jump", "bags - watch_bags))", "bags - watch_bags + 1))"),
    "a pick too far to another bundle": Fault(
        "jump", "min(picks, bags - behind_bags)", "min(picks, bags - behind_bags + 1)"
    ),
    "a turn too far": Fault("jump", "max(1, -(-total // each))", "max(1, total // each + 1)"),
    "a pack too far to a full accumulation": Fault(
        "jump", "short_us // slower_us + 1)", "short_us // slower_us + 2)"
    ),
    "a pack too far with an outfeed that waits": Fault(
        "jump", "- cycle_us) // slower_us + 1", "- cycle_us) // slower_us + 2"
    ),
    "a pack too far behind a stopped outfeed": Fault(
        "jump",
        "max(1, outfeed.accumulation_packs - outfeed.packs)",
        "max(1, outfeed.accumulation_packs - outfeed.packs + 1)",
    ),
    "a pack too far to the restart level": Fault(
        "jump",
        "outfeed.packs - outfeed.restart_packs - 1)",
        "outfeed.packs - outfeed.restart_packs)",
    ),
    "a look too late": Fault(
        "jump",
        "if machine.look_closer:\n        return 1",
        "if machine.look_closer:\n        return 2",
    ),
    # What is made up for.
    "nothing is settled before a change": Fault("holds", "    settle(shift, machine)\n", ""),
    "nothing is planned after a change": Fault("holds", "machine.touched = 1", "pass"),
    "no settling before lanes are compared": Fault(
        "crew", "    settle(shift, machine)\n    while True:", "    while True:"
    ),
    "no settling before a bundle": Fault(
        "machine", "    if not lane.able:\n        touch(shift, machine)\n", ""
    ),
    "no settling before a lane is closed": Fault(
        "machine", "    touch(shift, machine)\n    lane.closed = 1", "    lane.closed = 1"
    ),
    "no settling before a lane is cleared": Fault(
        "machine", "    touch(shift, machine)\n    bags = throw_away", "    bags = throw_away"
    ),
    "no settling before a planned stop": Fault(
        "calendar", "        touch(shift, machine_of(shift, number))", "        pass"
    ),
    "no settling before a station is ready": Fault(
        "station", "    touch(shift, machine)\n    outfeed", "    outfeed"
    ),
    "no settling at the shift's end": Fault(
        "shift", "    settle_all(shift)\n    close_window", "    close_window"
    ),
    "no settling at the end of the warm-up": Fault(
        "shift", "        settle_all(shift)\n        open_window", "        open_window"
    ),
    # The order within an instant.
    "a cycle that ends now counts too early": Fault(
        "jump",
        "until_us = shift.now if shift.reached > machine.leaf else",
        "until_us = shift.now if shift.reached >= 0 else",
    ),
    "a cycle that ends now counts too late": Fault(
        "jump",
        "until_us = shift.now if shift.reached > machine.leaf else",
        "until_us = shift.now if shift.reached < 0 else",
    ),
    "the outfeed's cycle that ends now counts too early": Fault(
        "jump",
        "until_us = shift.now if shift.reached > outfeed.leaf else",
        "until_us = shift.now if shift.reached >= 0 else",
    ),
    "the outfeed's cycle that ends now counts too late": Fault(
        "jump",
        "until_us = shift.now if shift.reached > outfeed.leaf else",
        "until_us = shift.now if shift.reached < 0 else",
    ),
    "a station that is due now waits": Fault(
        "station", "if station.stops_at_us <= ran_us:", "if station.stops_at_us < ran_us:"
    ),
    "the machine's age is looked at too late": Fault(
        "machine", "machine.ran_us >= machine.next_stop_us", "machine.ran_us > machine.next_stop_us"
    ),
    "breaks before planned stops": Fault(
        "layout",
        "(codes.STOPS_LEAF, codes.BREAKS_LEAF, codes.ROUNDS_LEAF)",
        "(codes.ROUNDS_LEAF, codes.BREAKS_LEAF, codes.STOPS_LEAF)",
    ),
    "machines before outfeeds": Fault(
        "layout",
        "            (codes.OUTFEED_LEAF, self.outfeeds),\n"
        "            (codes.MACHINE_LEAF, self.machines),\n",
        "            (codes.MACHINE_LEAF, self.machines),\n"
        "            (codes.OUTFEED_LEAF, self.outfeeds),\n",
    ),
    # Luck.
    "a stream is drawn from twice": Fault(
        "lane",
        "    draw_picks_to_fault(shift, machine, lane)\n    return outcome, bags",
        "    draw_picks_to_fault(shift, machine, lane)\n" * 2 + "    return outcome, bags",
    ),
    "a fault too early in the list": Fault(
        "lane", "while reached <= mark and", "while reached < 0 and"
    ),
    "two stretches of bundles become one": Fault(
        "lane", "lane.front_is_bad ^ (lane.stretches_behind & 1)", "lane.front_is_bad"
    ),
    "a stretch in front stays as it was": Fault("lane", "    lane.front_is_bad ^= 1\n", ""),
    "bags left by a clearing keep their chance": Fault(
        "lane", "    mind_the_chance(shift, machine, lane)\n    return taken", "    return taken"
    ),
    "notice comes at once": Fault("tasks", "    if notice_us:", "    if notice_us < 0:"),
    "a round needs notice": Fault("tasks", "if number != machine.round_task:", "if number:"),
    "a station's age goes on through its stop": Fault(
        "station", "draw_age(shift, machine.ran_us, station", "draw_age(shift, 0, station"
    ),
    # The crew.
    "the least urgent first": Fault(
        "tasks",
        "return task.priority < other.priority",
        "return task.priority > other.priority",
    ),
    "the youngest first": Fault(
        "tasks",
        "return task.raised_us < other.raised_us",
        "return task.raised_us > other.raised_us",
    ),
    "the last machine first": Fault(
        "tasks", "return task.machine < other.machine", "return task.machine > other.machine"
    ),
    "of two lanes as empty the last": Fault("crew", "bags < fewest)", "bags <= fewest)"),
    "a bundle more than there is room for": Fault(
        "crew", "room_bags // machine.bundle_bags", "room_bags // machine.bundle_bags + 1"
    ),
    "a bundle more is brought along": Fault(
        "crew", "if operator.in_hand == 0:", "if operator.in_hand < 0:"
    ),
    "an operator who ends a task is at the base": Fault(
        "crew",
        "    operator.task = NOBODY\n    operator.doing = AT_BASE",
        "    operator.at = BASE\n    operator.task = NOBODY\n    operator.doing = AT_BASE",
    ),
    "breaks call the largest cover": Fault(
        "calendar", "min(shift.present, pause.cover)", "max(shift.present, pause.cover)"
    ),
    "all loading is left to several": Fault("tasks", "if not machine.has_loader:", "if True:"),
    # What holds a machine.
    "of two causes as old dry first": Fault(
        "holds",
        "if holds and machine.held_dry < oldest_us:",
        "if holds and machine.held_dry <= oldest_us:",
    ),
    "of two causes as old blocked first": Fault(
        "holds",
        "if holds and machine.held_blocked < oldest_us:",
        "if holds and machine.held_blocked <= oldest_us:",
    ),
    "of two causes as old the lane first": Fault(
        "holds",
        "if holds and machine.held_lane_fault < oldest_us:",
        "if holds and machine.held_lane_fault <= oldest_us:",
    ),
    "a changeover before a break": Fault(
        "calendar", "max(shift.planned, kind)", "min(shift.planned, kind) or kind"
    ),
    "full only with a pack more": Fault(
        "outfeed",
        "if outfeed.packs >= outfeed.accumulation_packs:",
        "if outfeed.packs > outfeed.accumulation_packs:",
    ),
    "on only below the restart level": Fault(
        "outfeed",
        "outfeed.packs <= outfeed.restart_packs:",
        "outfeed.packs < outfeed.restart_packs:",
    ),
    "a miss more to a lane's fault": Fault(
        "machine",
        "lane.missed_in_row == machine.misses_to_stop",
        "lane.missed_in_row == machine.misses_to_stop + 1",
    ),
    "misses in a row go on after a jump": Fault("jump", "        lane.missed_in_row = 0\n", ""),
    "a retry too few": Fault(
        "machine", "machine.attempts <= machine.retries:", "machine.attempts < machine.retries:"
    ),
    "a slow lane alone runs fast": Fault("holds", "able == 1 and machine.lanes > 1", "able < 1"),
    "a lane's level is looked at too late": Fault(
        "machine", "if lane.bags <= machine.watch_bags:", "if lane.bags < machine.watch_bags:"
    ),
    # Accounts.
    "a pack too many is scrapped": Fault(
        "machine", "packs = min(machine.scrap_packs,", "packs = min(machine.scrap_packs + 1,"
    ),
    "packs are scrapped twice": Fault(
        "machine", "    machine.scrapped_until = machine.halt_packs\n", ""
    ),
    "packs are scrapped after planned stops": Fault(
        "machine", "    unplanned_us -= planned_us(shift) - machine.halt_planned_us\n", ""
    ),
    "packs of the warm-up count": Fault("sums", "        machine.good_packs = 0\n", ""),
    "packs scrapped before the warm-up's end count": Fault(
        "sums", "        machine.good_before = machine.good_total\n", ""
    ),
    "bags of the warm-up count": Fault(
        "sums", "            lane.gone_before = lane.gone_bags\n", ""
    ),
    "a halt from the warm-up counts": Fault("sums", "        machine.halt_counts = 0\n", ""),
    "waiting in the warm-up counts": Fault("sums", "        machine.wait_us = 0\n", ""),
    "time of the warm-up counts": Fault("sums", "    shift.busy_us = 0\n", ""),
    "a halt at the shift's end is lost": Fault(
        "sums",
        "        if machine.halting:\n            end_halt",
        "        if False:\n            end_halt",
    ),
    "a minor stop as long as the limit": Fault(
        "telling",
        "machine.halt_length_us >= shift.minor_stop_us",
        "machine.halt_length_us > shift.minor_stop_us",
    ),
    "blocked by the one that stopped last": Fault(
        "telling", "station.stopped_in_order < earliest", "station.stopped_in_order > earliest"
    ),
    "work carried into a break is lost": Fault(
        "telling",
        "        shift.busy_us += spent_us\n        shift.present_us += spent_us\n",
        "        shift.busy_us += spent_us\n",
    ),
    "somebody there is waited for": Fault(
        "telling", "machine.there_load += more", "machine.there_load += 0"
    ),
}


# A slow outfeed, and nothing else that would end a jump.
SLOW_OUTFEED = """
[study]
shift_h = 0.03

[[machine]]
speed_per_min = 60

[machine.magazine]
capacity_bags = 100

[machine.outfeed]
accumulation_packs = 12
speed_per_min = 43
restart_packs = 5
"""

# Lanes that are closed, cleared and emptied beside each other while the machine runs.
BUSY_LANES = """
[study]
shift_h = 0.08

[crew]
operators = 2
rounds_every_min = 0.2

[[machine]]
speed_per_min = 60

[machine.magazine]
capacity_bags = 30
bundle_bags = 5
call_level_bags = 10
live_loading = false
bundle = { family = "constant", mean_s = 2.5 }

[machine.pick]
misses_to_stop = 1
on_lane_fault = "other_lane"
discard_on_clear_bags = 4
clear = { family = "constant", mean_s = 3 }

[machine.bag]
faults = { missed = 0.05, jam = 0.2 }
bad_bundles = { share = 0.5, missed = 0.3 }
"""

# Found by trying: together they tell of every fault, and each takes a fraction of a second.
TELLING_CELLS = (176, 242, 236, 357, 289, 198, 145)


def small_cells() -> Iterator[tuple[str, int]]:
    """Small cells and a replication of each; most things happen in several of them."""
    from feedsim.verify.random_kinds import text_full_of_ties

    yield SLOW_OUTFEED, 1
    for number in TELLING_CELLS:
        yield text_full_of_ties(number), 1 + number % 3
    yield BUSY_LANES, 3


class Planted:
    """Finds the kernel's modules, with a fault in one of them."""

    def __init__(self, fault: Fault | None) -> None:
        self.fault = fault

    def find_spec(self, name: str, *_: Any) -> ModuleSpec | None:
        if self.fault is None or name != f"feedsim.kernel.{self.fault.module}":
            return None
        return importlib.util.spec_from_loader(name, self)  # type: ignore[arg-type]

    def create_module(self, spec: ModuleSpec) -> None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        assert self.fault is not None
        source = source_of(self.fault)
        wrong = source.replace(self.fault.text, self.fault.wrong)
        exec(compile(wrong, self.fault.module, "exec"), module.__dict__)


def source_of(fault: Fault) -> str:
    return (KERNEL / f"{fault.module}.py").read_text(encoding="utf-8")


def kernel_with(fault: Fault | None) -> Any:
    """The kernel imported anew, as plain Python, with a fault or as it is."""
    for name in [name for name in sys.modules if name.startswith("feedsim.kernel")]:
        del sys.modules[name]
    finder = Planted(fault)
    sys.meta_path.insert(0, finder)  # type: ignore[arg-type]
    try:
        return importlib.import_module("feedsim.kernel.engine").Kernel()
    finally:
        sys.meta_path.remove(finder)  # type: ignore[arg-type]


def first_difference(fault: Fault | None) -> str:
    """The first difference that a fault makes in any of the cells; empty if it makes none."""
    from feedsim.verify.twins import differences_of

    def give_up(signal_number: int, frame: FrameType | None) -> None:
        raise TimeoutError("it goes on and on")

    signal.signal(signal.SIGALRM, give_up)
    kernel = kernel_with(fault)
    for text, replication in small_cells():
        signal.setitimer(signal.ITIMER_REAL, SLOWEST_S)
        found = differences_of(text, replication, kernel)
        signal.setitimer(signal.ITIMER_REAL, 0)
        if found:
            return found[0][1]
    return ""


def main() -> None:
    """Try the faults named, or none for an empty name, and print what came of each."""
    sys.path.insert(0, str(Path(__file__).parent))
    for name in sys.argv[1:]:
        told = first_difference(FAULTS[name] if name else None)
        print(json.dumps([name, told]), flush=True)


def tried(names: list[str]) -> dict[str, str]:
    """What comes of faults, in a process of its own in which nothing is compiled."""
    found = subprocess.run(
        [sys.executable, __file__, *names],
        env=os.environ | {"NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0, found.stderr
    return dict(json.loads(line) for line in found.stdout.splitlines())


def test_each_fault_is_one_text() -> None:
    for name, fault in FAULTS.items():
        assert source_of(fault).count(fault.text) == 1, name
        assert fault.wrong != fault.text, name


@pytest.mark.campaign
def test_the_kernel_as_plain_python_is_the_model() -> None:
    assert tried([""]) == {"": ""}


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(SHARES))
def test_planted_faults_are_told(first: int) -> None:
    names = list(FAULTS)[first::SHARES]
    told = tried(names)
    assert list(told) == names
    assert [name for name in names if not told[name]] == []


if __name__ == "__main__":
    main()
