"""Records spoilt in every way that matters: each must be turned down by the balances."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from feedsim.accounts import MachineRecord, Record
from feedsim.accounts.record import Bags, Change, Scrap

# A cell in which all happens that can be spoilt.
EVENTFUL = """
[study]
shift_h = 0.2

[crew]
operators = 2
walk_s = 2

[[machine]]
name = "oats"
speed_per_min = 60
scrap_packs = 2

[machine.magazine]
capacity_bags = 20
bundle_bags = 5
call_level_bags = 5
bundle = { family = "constant", mean_s = 3 }

[machine.pick]
misses_to_stop = 2
clear = { family = "constant", mean_s = 5 }

[machine.bag]
faults = { missed = 0.2, double = 0.02, jam = 0.02, skewed = 0.02 }

[machine.outfeed]
accumulation_packs = 5
speed_per_min = 50
"""


class Spoiling(NamedTuple):
    """What is altered in a record, and the complaint that it brings (a regular expression)."""

    name: str
    alter: Callable[[Record, MachineRecord], None]
    complaint: str


def _state_begins_late(_record: Record, oats: MachineRecord) -> None:
    oats.changes[0] = Change(1, oats.changes[0].state)


def _states_out_of_order(_record: Record, oats: MachineRecord) -> None:
    oats.changes[3:5] = reversed(oats.changes[3:5])


def _state_after_the_shift(record: Record, oats: MachineRecord) -> None:
    oats.changes.append(Change(record.shift_us + 1, "dry"))


def _cycle_too_long(_record: Record, oats: MachineRecord) -> None:
    oats.runs[0].cycle_us *= 2


def _cycle_left_out(_record: Record, oats: MachineRecord) -> None:
    oats.runs.remove(next(run for run in oats.runs if run.outcome == "missed"))
    oats.runs.remove(next(run for run in oats.runs if run.outcome == "missed"))


def _load_left_out(_record: Record, oats: MachineRecord) -> None:
    oats.loads.pop()


def _load_in_the_other_lane(_record: Record, oats: MachineRecord) -> None:
    load = oats.loads[0]
    oats.loads[0] = Bags(load.at_us, 3 - load.lane, load.bags)


def _discard_of_one_more(_record: Record, oats: MachineRecord) -> None:
    discard = oats.discards[0]
    oats.discards[0] = Bags(discard.at_us, discard.lane, discard.bags + 1)


def _bag_too_many_taken(_record: Record, oats: MachineRecord) -> None:
    next(run for run in oats.runs if run.outcome == "missed").bags_each = 1


def _lane_overfull(record: Record, oats: MachineRecord) -> None:
    oats.loads.append(Bags(record.shift_us, 1, 50))
    oats.lanes_left[0] += 50


def _lane_below_nothing(record: Record, oats: MachineRecord) -> None:
    oats.discards.append(Bags(record.shift_us, 1, 50))
    oats.lanes_left[0] -= 50


def _pack_scrapped_twice(_record: Record, oats: MachineRecord) -> None:
    oats.scraps.insert(1, oats.scraps[0])


def _pack_scrapped_that_never_was(record: Record, oats: MachineRecord) -> None:
    oats.scraps.append(Scrap(record.shift_us, 10_000, 10_001))


def _pack_lost_in_the_accumulation(_record: Record, oats: MachineRecord) -> None:
    oats.outfeed_cycles[-1].count -= 1


def _accumulation_miscounted(_record: Record, oats: MachineRecord) -> None:
    oats.accumulation_left += 1


def _accumulation_overfull(_record: Record, oats: MachineRecord) -> None:
    oats.outfeed_cycles[-1].count -= 10
    oats.accumulation_left += 10


def _task_never_ended(record: Record, _oats: MachineRecord) -> None:
    record.work.remove(next(work for work in record.work if work.event == "ends"))


def _task_taken_twice(record: Record, _oats: MachineRecord) -> None:
    record.work.insert(1, record.work[0])


def _work_out_of_order(record: Record, _oats: MachineRecord) -> None:
    record.work[0] = record.work[0]._replace(at_us=record.shift_us)


def _work_after_the_shift(record: Record, _oats: MachineRecord) -> None:
    record.work[-1] = record.work[-1]._replace(at_us=record.shift_us + 1)


SPOILINGS = tuple(
    Spoiling(alter.__name__.strip("_").replace("_", " "), alter, complaint)
    for alter, complaint in (
        (_state_begins_late, "do not begin with the shift"),
        (_states_out_of_order, "not in order"),
        (_state_after_the_shift, "not in order"),
        (_cycle_too_long, "running time and cycles differ"),
        (_cycle_left_out, "running time and cycles differ"),
        (_load_left_out, "lane [12] has"),
        (_load_in_the_other_lane, "lane 1 has"),
        (_discard_of_one_more, "lane [12] has"),
        (_bag_too_many_taken, "lane [12] has"),
        (_lane_overfull, "lane 1 holds"),
        (_lane_below_nothing, "lane 1 holds"),
        (_pack_scrapped_twice, "scrapped twice"),
        (_pack_scrapped_that_never_was, "not made"),
        (_pack_lost_in_the_accumulation, "accumulation holds"),
        (_accumulation_miscounted, "accumulation holds"),
        (_accumulation_overfull, "accumulation holds"),
        (_task_never_ended, "out of turn"),
        (_task_taken_twice, "out of turn"),
        (_work_out_of_order, "out of order"),
        (_work_after_the_shift, "out of order"),
    )
)
