"""The shift's loop against SimPy's own, and what it does with a fault of a process."""

from __future__ import annotations

import random

import pytest
from accounts_as_told import told

from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.model.clock import SHIFT_END, Clock, ShiftOver, Step, place
from feedsim.model.shift import run_shift
from feedsim.verify.random_cells import random_config


def plain_run(clock: Clock, shift_us: int) -> None:
    """The same steps by SimPy's `step`."""

    def end(_):
        raise ShiftOver

    Step(clock, shift_us, place(SHIFT_END)).callbacks.append(end)
    try:
        while True:
            clock.step()
            while clock.after_step:
                clock.after_step.pop()()
    except ShiftOver:
        return


@pytest.mark.parametrize("seed", range(30))
def test_the_loop_does_what_simpy_does(seed, monkeypatch):
    config = parse_config(random_config(random.Random(seed)))
    cell = build_cell(config)
    ours = told(run_shift(cell, config.study.seed, 1), cell)
    monkeypatch.setattr(Clock, "run_shift", plain_run)
    assert told(run_shift(cell, config.study.seed, 1), cell) == ours


def test_a_fault_of_a_process_is_raised():
    clock = Clock()

    def faulty():
        yield Step(clock, 5, place(SHIFT_END))
        raise ZeroDivisionError("in a process")

    clock.process(faulty())
    with pytest.raises(ZeroDivisionError, match="in a process"):
        clock.run_shift(10)


def test_steps_of_an_instant_go_by_place_not_by_order_of_making():
    clock, seen = Clock(), []
    for number in (3, 1, 2):
        clock.at(7, place(2, number), lambda number=number: seen.append(number))
    clock.run_shift(7)
    assert seen == [1, 2, 3]
