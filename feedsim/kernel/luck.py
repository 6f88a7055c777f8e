"""Every draw of the kernel: numpy's numbers, from numpy's state, in a stream's own row.

A stream's row is laid out as numpy lays out the state of a PCG64 generator, so numba's compiled
twins of numpy's Generator methods draw straight from it.
"""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from feedsim.kernel.compiling import AS_PYTHON, compiled, compiled_once
from feedsim.kernel.memory import (
    MOST_AHEAD,
    NEVER,
    STATE_AT,
    Address,
    Row,
    real_of,
    stream_of,
    word_of,
)
from feedsim.kernel.seeding import seed

CONSTANT, EXPONENTIAL, LOGNORMAL, WEIBULL, EMPIRICAL = range(5)
FAMILIES = {"exponential": EXPONENTIAL, "lognormal": LOGNORMAL, "weibull": WEIBULL}
LONGEST_US = 1 << 60

if AS_PYTHON:
    _generators: dict[tuple[int, ...], np.random.Generator] = {}

    def generator_of(shift: Row, number: int) -> Any:
        """The generator of a stream, numpy's own; those of an earlier shift are forgotten."""
        stream = stream_of(shift, number)
        if not stream.seeded:
            seed_words = [word_of(shift.first_seed_word, k).value for k in range(shift.seed_words)]
            name = (stream.word_0, stream.word_1, stream.word_2, stream.word_3)
            words = [int(word) for word in (*seed_words, shift.replication, *name)]
            entropy = np.random.SeedSequence(words)
            _generators[shift.address, number] = np.random.Generator(np.random.PCG64(entropy))
            stream.seeded = 1
        return _generators[shift.address, number]

else:
    _bit_generator = types.NumPyRandomBitGeneratorType("bit_generator")
    _generator = types.NumPyRandomGeneratorType("NumPyRandomGeneratorType")

    @intrinsic
    def address_of(typing: Any, row: Any) -> Any:
        """The address of a row."""

        def point(context: Any, builder: Any, signature: Any, given: Any) -> Any:
            return builder.ptrtoint(given[0], Address)

        return types.int64(row), point

    @intrinsic
    def generator_on(typing: Any, state: Any, uint64: Any, uint32: Any, double: Any) -> Any:
        """Numba's own picture of a Generator, on a state anywhere in memory."""

        def picture(context: Any, builder: Any, signature: Any, given: Any) -> Any:
            bits = cgutils.create_struct_proxy(_bit_generator)(context, builder)
            bits.state_address = bits.state = given[0]
            bits.fnptr_next_uint64, bits.fnptr_next_uint32, bits.fnptr_next_double = given[1:]
            whole = cgutils.create_struct_proxy(_generator)(context, builder)
            whole.bit_generator = bits._getvalue()
            return whole._getvalue()

        return _generator(*[types.int64] * 4), picture

    @compiled
    def generator_of(shift: Row, number: int) -> Any:
        """The generator of a stream; its state is set when it is first drawn from."""
        stream = stream_of(shift, number)
        if not stream.seeded:
            seed(shift, stream)
            stream.state_at = address_of(stream)
            stream.seeded = 1
        return generator_on(
            address_of(stream) + STATE_AT, shift.next_uint64, shift.next_uint32, shift.next_double
        )


def numpy_functions() -> dict[str, int]:
    """Addresses of numpy's functions that step a PCG64 state, as the shift's row names them."""
    interface = np.random.PCG64(0).ctypes
    return {
        name: ctypes.cast(getattr(interface, name), ctypes.c_void_p).value or 0
        for name in ("next_uint64", "next_uint32", "next_double")
    }


@compiled
def draw_share(shift: Row, stream: int) -> float:
    """Draw a number between 0 and 1."""
    return generator_of(shift, stream).random()


@compiled
def draw_picks(shift: Row, stream: int, chance: float, log_good: float) -> int:
    """Draw the number of attempts up to and including the next one that fails.

    It is numpy's Generator.geometric, which takes the logarithm of a good attempt's chance,
    log1p(-chance), anew each time.
    """
    luck = generator_of(shift, stream)
    if chance >= 1 / 3:
        return luck.geometric(chance)
    return int(min(np.ceil(-luck.standard_exponential() / log_good), NEVER))


@compiled
def draw_us(shift: Row, times: Row) -> int:
    """Draw the next time of a purpose, in microseconds.

    A purpose has a stream of its own, so its times can be drawn before they are needed.
    """
    if times.used == times.drawn:
        draw_ahead(shift, times)
    time_us = times.ahead_us[times.used]
    times.used += 1
    return time_us


@compiled_once
def draw_ahead(shift: Row, times: Row) -> None:
    """Draw a purpose's next times: the more, the more have been needed."""
    times.used = 0
    times.drawn = max(1, min(2 * times.drawn, MOST_AHEAD))
    for place in range(times.drawn):
        times.ahead_us[place] = one_time_us(shift, times)


@compiled
def one_time_us(shift: Row, times: Row) -> int:
    """Draw one time of a purpose; no shift outlasts the longest."""
    if times.family == CONSTANT:
        return times.constant_us
    luck = generator_of(shift, times.stream)
    if times.family == EXPONENTIAL:
        time_s = luck.exponential(times.scale)
    elif times.family == LOGNORMAL:
        time_s = luck.lognormal(times.scale, times.form)
    elif times.family == WEIBULL:
        time_s = times.scale * luck.weibull(times.form)
    else:
        place = times.first_value + luck.integers(0, times.values)
        time_s = real_of(shift.first_value, place).value
    return int(min(np.rint(time_s * 1e6), LONGEST_US))


@compiled
def draw_age(shift: Row, ran_us: int, times: Row) -> int:
    """The age at which something stops next that is as new at `ran_us`."""
    return min(ran_us + draw_us(shift, times), NEVER)
