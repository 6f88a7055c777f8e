"""Worked OEE numbers from books and a metric's definition, through the accounts.

Which stops count as availability is a convention. Here: all halts of `minor_stop_min` or longer
and changeovers are availability losses; planned stops of kind break are outside planned busy
time; shorter halts, slow cycles and lost pockets are performance losses.
"""

from __future__ import annotations

import dataclasses
import random

import numpy as np
import pytest

from feedsim.accounts import MachineRecord, Record, check_balances, read
from feedsim.accounts.record import CHANGEOVER, GOOD, PLANNED_STOP, RUNNING, SKEWED
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.measures import AVAILABILITY, OEE, PERFORMANCE, QUALITY, figure, measures_of
from feedsim.model.shift import run_shift
from feedsim.verify.random_cells import random_config

US_PER_MIN = 60_000_000


def cell_of(shift_min: float, cycle_min: float, stations: str = "") -> Cell:
    text = f"""
[study]
shift_h = {shift_min / 60!r}
minor_stop_min = 5
[[machine]]
name = "granola"
speed_per_min = {1 / cycle_min!r}
[machine.magazine]
lanes = 1
capacity_bags = 1000
{stations}
"""
    return build_cell(parse_config(text))


def station(name: str, needs_operator: bool) -> str:
    return (
        f'[[machine.station]]\nname = "{name}"\nneeds_operator = {str(needs_operator).lower()}\n'
        'between_stops = { family = "constant", mean_h = 100 }\n'
        'stop = { family = "constant", mean_min = 1 }\n'
    )


class Tape:
    """A record written by hand, one stretch after the other."""

    def __init__(self, cell: Cell) -> None:
        self.cell = cell
        self.now_us = 0
        machine = cell.machines[0]
        self.record = Record(cell.shift_us, [])
        self.machine = MachineRecord(machine.lanes)
        self.record.machines.append(self.machine)
        self.bags = machine.start_bags

    def stand(self, state: str, minutes: float) -> None:
        self.machine.state(self.now_us, state)
        self.machine.close_runs()
        self.now_us += round(minutes * US_PER_MIN)

    def run(self, cycles: int, cycle_min: float, outcome: str = GOOD) -> None:
        """Cycles, which may be slower than the machine's speed."""
        self.machine.state(self.now_us, RUNNING)
        cycle_us = round(cycle_min * US_PER_MIN)
        for _ in range(cycles):
            self.now_us += cycle_us
            if outcome == GOOD:
                self.machine.good_cycle(self.now_us, cycle_us, 1)
            else:
                self.machine.other_cycle(self.now_us, cycle_us, 1, outcome, 1, 1)
        self.bags -= cycles

    def end(self) -> dict[str, float]:
        """The figures; the tape must fill the shift."""
        assert self.now_us == self.cell.shift_us
        self.machine.lanes_left = [self.bags]
        return figures(self.record, self.cell)


def figures(record: Record, cell: Cell) -> dict[str, float]:
    sums = [{k: np.array([float(v)]) for k, v in m.items()} for m in read(record, cell).machines]
    return {m.name: figure(m, sums).value for m in measures_of(cell.machines)}


def test_nakajima_worked_example() -> None:
    """S. Nakajima, Introduction to TPM, 1988, ch. 3 (digits from memory).

    480 min less 20 planned, 60 min down, 400 pieces at an ideal cycle of 0.5 min and an actual
    one of 0.8 min, 2 % defects: availability 87 %, operating speed 62.5 %, net operating rate
    80 %, performance 50 %, quality 98 %, OEE 42.6 %. The time that the net operating rate
    leaves (80 min) are minor stops, here 40 of 2 min.
    """
    cell = cell_of(480, 0.5, station("sealer", False))
    tape = Tape(cell)
    tape.stand(PLANNED_STOP, 20)
    for _ in range(4):
        tape.stand("sealer", 15)
        for minor_stop in range(10):
            rejects = 1 if minor_stop < 2 else 0
            tape.run(5, 0.8)
            tape.stand("sealer", 2)
            tape.run(5 - rejects, 0.8)
            tape.run(rejects, 0.8, SKEWED)
    found = tape.end()
    assert found["availability"] == pytest.approx(400 / 460, rel=1e-12)
    assert found["performance"] == pytest.approx(0.5, rel=1e-12)
    assert found["quality"] == pytest.approx(0.98, rel=1e-12)
    assert found["oee"] == pytest.approx(0.4260870, abs=5e-8)
    assert (round(found["availability"], 2), round(found["oee"], 3)) == (0.87, 0.426)
    # Net operating rate: running over operating time; operating speed: the rest of performance.
    net = found["time_running_share"] / found["availability"]
    assert net == pytest.approx(0.80, rel=1e-12)
    assert found["performance"] / net == pytest.approx(0.625, rel=1e-12)


def test_willmott_and_mccarthy_one_machine_one_day() -> None:
    """P. Willmott, D. McCarthy, TPM: A Route to World-Class Performance, 2001, p. 127-128.

    910 min planned, 115 min of unplanned stops and 12 of changeovers, 203 cycles of 3 min:
    uptime 783, planned cycles 261, availability 86.0 %, performance 77.7 % (cut, not rounded:
    203 / 261 = 0.77778). Changeovers are availability losses there as here.
    """
    cell = cell_of(910, 3.0, station("case packer", False))
    tape = Tape(cell)
    tape.stand(CHANGEOVER, 12)
    tape.run(14, 3.0)
    tape.stand("case_packer", 115)
    tape.run(203 - 14 - 3 * 58, 3.0)
    # The uptime without a cycle, 174 min, goes to minor stops: shorter than minor_stop_min.
    minor_min = (783 - 203 * 3.0) / 58
    assert minor_min < 5
    for _ in range(58):
        tape.stand("case_packer", minor_min)
        tape.run(3, 3.0)
    found = tape.end()
    uptime_min = 910 * found["availability"]
    assert uptime_min == pytest.approx(783, rel=1e-12)
    assert uptime_min / 3 == pytest.approx(261, rel=1e-12)
    assert found["availability"] == pytest.approx(0.860440, abs=5e-7)
    assert found["performance"] == pytest.approx(203 / 261, rel=1e-12)
    assert int(found["performance"] * 1000) == 777
    assert found["quality"] == 1.0


def test_smrp_metric_of_machine_d() -> None:
    """SMRP Best Practices, 6th ed. 2020, metric 2.1.1, table 1, machine D.

    24 h, 8 idle; scheduled downtime 0.66 + 1.00 h; unscheduled 0.46 (waiting for an operator)
    + 0.33 + 0.26 + 0.23 + 0.30 + 0.50 h: total down 3.74 h, uptime 12.26 h, availability
    76.63 %. Scheduled downtime is inside the loss there, so it is a changeover here; idle time
    is a break.
    """
    cell = cell_of(24 * 60, 1.0, station("sealer", True) + station("coder", False))
    tape = Tape(cell)
    tape.stand(PLANNED_STOP, 8 * 60)
    for hours in (0.66, 1.00):
        tape.stand(CHANGEOVER, hours * 60)
        tape.run(60, 1.0)
    tape.stand("sealer", 0.46 * 60)
    for hours in (0.33, 0.26, 0.23, 0.30, 0.50):
        tape.run(100, 1.0)
        tape.stand("coder", hours * 60)
    left_min = 12.26 * 60 - 2 * 60 - 5 * 100
    tape.run(115, 1.0)
    # A last cycle that the shift's end cuts off makes no pack.
    tape.now_us += round((left_min - 115) * US_PER_MIN)
    found = tape.end()
    assert found["availability"] == pytest.approx(0.76625, rel=1e-12)
    assert round(100 * found["availability"] + 1e-9, 2) == 76.63
    assert found["availability"] * 16 == pytest.approx(12.26, rel=1e-12)
    down_h = 16 * (1 - found["availability"])
    assert down_h == pytest.approx(3.74, rel=1e-12)
    assert 16 * found["wait_share"] == pytest.approx(0.46, rel=1e-12)
    assert 16 * found["time_changeover_share"] == pytest.approx(1.66, rel=1e-12)


def test_a_shift_worked_by_hand_from_its_config() -> None:
    """Constant times alone, so that the simulation can be followed on paper.

    480 min, a break of 20 at 4 h and a changeover of 30 at 6 h: planned busy 460. A sealer that
    stops for 10 min after each 50 of running; a pack a minute.
    Running 0-50, 60-110, 120-170, 180-230; 230 to 240 stopped; 240 to 260 break; 260-310,
    320-360 (40 of 50), changeover 360-390; 390-400 (the other 10), 410-460, 470-480.
    """
    cell = build_cell(
        parse_config(
            """
[study]
shift_h = 8
minor_stop_min = 5
[[planned_stop]]
name = "lunch"
at_h = 4
takes_min = 20
[[planned_stop]]
name = "cleaning"
at_h = 6
takes_min = 30
kind = "changeover"
[[machine]]
name = "oats"
speed_per_min = 1
[machine.magazine]
lanes = 1
capacity_bags = 500
[[machine.station]]
name = "sealer"
between_stops = { family = "constant", mean_min = 50 }
stop = { family = "constant", mean_min = 10 }
"""
        )
    )
    record = run_shift(cell, 1, 1)
    check_balances(record, cell)
    found = figures(record, cell)
    packs = 4 * 50 + 50 + 40 + 10 + 50 + 10
    stopped = 7 * 10
    assert packs + stopped + 30 == 460
    assert found["good_packs"] == packs
    assert found["availability"] == pytest.approx((460 - 30 - stopped) / 460, rel=1e-12)
    assert found["performance"] == pytest.approx(1.0, rel=1e-12)
    assert found["oee"] == pytest.approx(packs / 460, rel=1e-12)
    assert found["stops_sealer_per_h"] == pytest.approx(7 / (460 / 60), rel=1e-12)


@pytest.mark.parametrize("number", range(40))
def test_oee_is_the_product_of_its_parts(number: int) -> None:
    """ISO 22400-2:2014 (from memory): the product is good x cycle / planned busy time, exactly."""
    cell = build_cell(parse_config(random_config(random.Random(number))))
    record = run_shift(cell, number, 1)
    for machine in read(record, cell).machines:
        sums = [{name: np.array([float(value)]) for name, value in machine.items()}]
        oee, *parts = (
            figure(measure, sums).value for measure in (OEE, AVAILABILITY, PERFORMANCE, QUALITY)
        )
        if not np.isnan(parts).any():
            assert np.prod(parts) == pytest.approx(oee, rel=1e-12)
        busy_us = machine["window_us"] - machine["time_planned_stop_us"]
        if busy_us:
            assert oee == pytest.approx(machine["good_packs"] * machine["cycle_us"] / busy_us)


def test_the_convention_moves_availability_and_not_oee() -> None:
    cell = cell_of(480, 0.5, station("sealer", False))
    tape = Tape(cell)
    tape.run(400, 0.5)
    for _ in range(20):
        tape.stand("sealer", 4)
        tape.run(10, 0.5)
    tape.stand("sealer", 100)
    found = tape.end()
    strict = dataclasses.replace(cell, minor_stop_us=3 * US_PER_MIN)
    other = figures(tape.record, strict)
    assert found["availability"] == pytest.approx(380 / 480)
    assert other["availability"] == pytest.approx(300 / 480)
    assert other["performance"] == pytest.approx(1.0)
    assert other["oee"] == found["oee"]
