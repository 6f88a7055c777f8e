"""What the kernel remembers: one block of memory a shift, made of rows.

A row stands for one thing of the hall: a machine, a lane, an operator. Rows of a kind lie one
behind the other, and whoever knows the shift's row finds each by its number. A row is handed
from function to function as a single address, and a shift begins with a copy of the whole block.

Whole numbers are 64-bit, flags are 0 or 1, times are microseconds.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any, cast

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from feedsim.kernel.compiling import AS_PYTHON, compiled

NEVER = 1 << 62
NOBODY = -1
BASE = -1

Row = Any
Address = ir.IntType(64)


def _ints(names: str) -> list[tuple[str, str]]:
    return [(name, "i8") for name in names.split()]


def _row_type(*fields: Any) -> np.dtype[Any]:
    return np.dtype(list(fields), align=True)


# numpy's own state of a PCG64 generator (numpy/random/src/pcg64), then whose stream it is.
STREAM = _row_type(
    *[(name, "u8") for name in ("state_low", "state_high", "step_low", "step_high")],
    ("state_at", "i8"),
    ("has_spare", "i4"),
    ("spare", "u4"),
    *_ints("seeded word_0 word_1 word_2 word_3 pad"),
)
STATE_AT = STREAM.fields["state_at"][1]  # type: ignore[index]

MOST_AHEAD = 16
TIMES = _row_type(
    *_ints("stream family constant_us first_value values used drawn"),
    ("scale", "f8"),
    ("form", "f8"),
    ("ahead_us", "i8", MOST_AHEAD),
)

LANE = _row_type(
    *_ints("number luck bad_luck task bags behind_bags"),
    *_ints("first_stretch next_stretch stretches_behind"),
    *_ints("front_is_bad picks_to_fault missed_in_row closed faulted able"),
    *_ints("gone_bags gone_before loaded_bags"),
    ("chance", "f8"),
)

STATION = _row_type(
    *_ints("machine number inline needs_operator state leaf task"),
    ("between_stops", TIMES),
    ("stop", TIMES),
    *_ints("stopped stops_at_us held_since there stopped_in_order"),
)

OUTFEED = _row_type(
    *_ints("leaf accumulation_packs restart_packs cycle_us first_station stations"),
    *_ints("packs working pending full ends_us ran_us next_stop_us stopped stops_told taken"),
)

MACHINE = _row_type(
    *_ints("number leaf cycle_us single_lane_cycle_us restart_us scrap_packs scrap_after_us"),
    *_ints("lanes first_lane capacity_bags start_bags calls_at_bags live_loading bundle_bags"),
    *_ints("carry_bundles retries retry_us misses_to_stop halts_on_lane_fault discard_bags"),
    *_ints("has_bad_bundles most_stretches first_station stations"),
    *_ints("has_outfeed jam_task dry_task low_task round_task"),
    *_ints("blocked_state changeover_state planned_stop_state states"),
    *_ints("times stops blocked_by window_words"),
    *[(name, "f8") for name in ("bad_share", "total_chance", "total_bad_chance")],
    *[(name, "f8") for name in ("log_good", "log_good_bad")],
    ("chances", "f8", 5),
    ("bad_chances", "f8", 5),
    *[(name, TIMES) for name in ("visit", "bundle", "fetch", "clear", "notice")],
    # What the machine does now.
    *_ints("doing lane turn this_cycle_us next_cycle_us able_lanes ends_us due_us planned"),
    *_ints("attempts ran_us"),
    *_ints("next_stop_us stations_stopped watch_bags jammed has_loader halted look_closer"),
    *_ints("lane_was_cleared held held_jam held_lane_fault held_blocked held_dry go touched"),
    *_ints("halt_began_us halt_planned_us halt_packs scrapped_until"),
    # What it has told of itself since the window opened.
    *_ints("state booked_us there_jam there_lane there_load good_total good_before under_way_us"),
    *_ints("halting halt_counts halt_cause halt_first_state halt_length_us halt_window_us"),
    *_ints("cycles_us long_halts_us wait_us good_packs scrapped_packs slow_us loaded_bags"),
    *_ints("refill_visits fault_visits"),
    ("pockets", "i8", 6),
)

TASK = _row_type(
    *_ints("priority kind machine what waiting raised_us order noticed notice_us"),
)

OPERATOR = _row_type(
    *_ints("number leaf task at doing in_hand reached lane bundles_left is_first booked_us"),
)

DUTY = _row_type(*_ints("leaf every_us task next_us"), ("takes", TIMES))

SPAN = _row_type(*_ints("begin_us end_us cover is_break"))

SHIFT = _row_type(
    *_ints("address shift_us warm_up_us minor_stop_us replication seed_words first_seed_word"),
    *_ints("next_uint64 next_uint32 next_double first_stream"),
    *_ints("machines first_machine first_outfeed lanes first_lane stations first_station"),
    *_ints("operators first_operator first_task duties first_duty first_value"),
    *_ints("first_waiting first_due leaves leaf_bits first_leaf_kind first_leaf_owner first_walk"),
    *_ints("stops_leaf breaks_leaf rounds_leaf notice_leaf warm_up_leaf end_leaf"),
    *_ints("calls rounds_us stops first_stop stop_edges first_stop_edge breaks first_break"),
    *_ints("break_edges first_break_edge"),
    # What is so now.
    *_ints("now reached waiting unnoticed raised look_at_list present"),
    *_ints("planned planned_us planned_since"),
    *_ints("next_stop_edge next_break_edge next_round_us window_began_us"),
    *_ints("busy_us present_us fault fault_machine journal journal_room journal_rows"),
)

ENTRY = _row_type(*_ints("kind owner at_us first second third fourth fifth"))
WORD = _row_type(("value", "i8"))
REAL = _row_type(("value", "f8"))


def _rows_at(row_type: np.dtype[Any]) -> Callable[[int, int], Row]:
    """The function that finds a row of a type by where its kind begins, and its number."""
    size = row_type.itemsize
    if AS_PYTHON:
        memory = ctypes.c_char * size

        def at_python(first: int, number: int) -> Row:
            held = memory.from_address(int(first + number * size))
            return np.recarray((1,), row_type, buf=held)[0]  # type: ignore[arg-type]

        return at_python

    as_numba = numba.from_dtype(row_type)

    @intrinsic
    def at_address(typing: Any, first: Any, number: Any) -> Any:
        def point(context: Any, builder: Any, signature: Any, given: Any) -> Any:
            begin = builder.inttoptr(given[0], ir.IntType(8).as_pointer())
            row = builder.gep(begin, [builder.mul(given[1], Address(size))])
            return builder.bitcast(row, context.get_value_type(as_numba))

        return as_numba(types.int64, types.int64), point

    return cast(Callable[[int, int], Row], at_address)


_shift, _machine, _outfeed, _lane, _station = map(
    _rows_at, (SHIFT, MACHINE, OUTFEED, LANE, STATION)
)
_operator, _task, _duty, _span, _stream = map(_rows_at, (OPERATOR, TASK, DUTY, SPAN, STREAM))
_entry, _word, _real = map(_rows_at, (ENTRY, WORD, REAL))


@compiled
def shift_at(address: int) -> Row:
    """The shift's row, at the beginning of its block."""
    return _shift(address, 0)


@compiled
def machine_of(shift: Row, number: int) -> Row:
    """A machine by its number from 0, in the order of the file."""
    return _machine(shift.first_machine, number)


@compiled
def outfeed_of(shift: Row, machine: Row) -> Row:
    """The outfeed behind a machine."""
    return _outfeed(shift.first_outfeed, machine.number)


@compiled
def lane_of(machine: Row, place: int) -> Row:
    """A lane of a machine by its place from 0."""
    return _lane(machine.first_lane, place)


@compiled
def station_of(shift: Row, number: int) -> Row:
    """A station by its number in the whole cell."""
    return _station(shift.first_station, number)


@compiled
def operator_of(shift: Row, place: int) -> Row:
    """An operator by place from 0."""
    return _operator(shift.first_operator, place)


@compiled
def task_of(shift: Row, number: int) -> Row:
    """A task that may have to be done, by its number."""
    return _task(shift.first_task, number)


@compiled
def duty_of(shift: Row, number: int) -> Row:
    """A duty by its number from 0."""
    return _duty(shift.first_duty, number)


@compiled
def span_of(first: int, number: int) -> Row:
    """A planned stop or a break."""
    return _span(first, number)


@compiled
def stream_of(shift: Row, number: int) -> Row:
    """A stream by its number."""
    return _stream(shift.first_stream, number)


@compiled
def entry_of(shift: Row, number: int) -> Row:
    """An entry of the journal."""
    return _entry(shift.journal, number)


@compiled
def word_of(first: int, number: int) -> Row:
    """A whole number of a list that begins at `first`."""
    return _word(first, number)


@compiled
def real_of(first: int, number: int) -> Row:
    """A float of a list that begins at `first`."""
    return _real(first, number)
