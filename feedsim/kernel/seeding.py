"""A stream's beginning, mixed in compiled code exactly as numpy mixes it.

numpy's own objects cost some 15 microseconds a stream; this costs less than 1. The mixing is
that of numpy.random.SeedSequence and of PCG64's start (M. E. O'Neill, "Developing a seed_seq
alternative", 2015, and "PCG: a family of simple fast space-efficient statistically good
algorithms", 2014); a test holds both to numpy's bits.
"""

from __future__ import annotations

import numpy as np

from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.memory import Row, word_of

LOW_32 = 0xFFFFFFFF
INIT_A, MULT_A = 0x43B0D7E5, 0x931E8875
INIT_B, MULT_B = 0x8B51F9DD, 0x58F38DED
MIX_LEFT, MIX_RIGHT = 0xCA01F9DD, 0x4973F715

_U32 = np.uint64(32)
_LOW = np.uint64(LOW_32)
_ONE = np.uint64(1)
_TOP = np.uint64(63)
_STEP_HIGH, _STEP_LOW = np.uint64(0x2360ED051FC65DA4), np.uint64(0x4385DF649FCCF645)


@compiled
def stir(value: int, salt: int) -> int:
    """One 32-bit word stirred with a salt."""
    value = ((value ^ salt) * ((salt * MULT_A) & LOW_32)) & LOW_32
    return value ^ (value >> 16)


@compiled
def mix(left: int, right: int) -> int:
    """Two 32-bit words mixed into one."""
    mixed = (MIX_LEFT * left - MIX_RIGHT * right) & LOW_32
    return mixed ^ (mixed >> 16)


@compiled
def pool_with(
    pool: tuple[int, int, int, int], word: int, salt: int
) -> tuple[tuple[int, int, int, int], int]:
    """One more word of entropy mixed into each word of the pool; the next salt with it."""
    a, b, c, d = pool
    a = mix(a, stir(word, salt))
    salt = (salt * MULT_A) & LOW_32
    b = mix(b, stir(word, salt))
    salt = (salt * MULT_A) & LOW_32
    c = mix(c, stir(word, salt))
    salt = (salt * MULT_A) & LOW_32
    d = mix(d, stir(word, salt))
    return (a, b, c, d), (salt * MULT_A) & LOW_32


@compiled
def entropy_word(shift: Row, stream: Row, number: int) -> int:
    """Word of the entropy: the seed's words, the replication, the four words of the name."""
    if number < shift.seed_words:
        return word_of(shift.first_seed_word, number).value
    number -= shift.seed_words
    if number == 0:
        return shift.replication
    if number == 1:
        return stream.word_0
    if number == 2:
        return stream.word_1
    if number == 3:
        return stream.word_2
    return stream.word_3


@compiled
def times_128(
    high: np.uint64, low: np.uint64, by_high: np.uint64, by_low: np.uint64
) -> tuple[np.uint64, np.uint64]:
    """Low 128 bits of the product of two 128-bit numbers, as high and low word."""
    a, b = low >> _U32, low & _LOW
    c, d = by_low >> _U32, by_low & _LOW
    low_low, low_high, high_low = b * d, b * c, a * d
    carry = (low_low >> _U32) + (low_high & _LOW) + (high_low & _LOW)
    upper = a * c + (low_high >> _U32) + (high_low >> _U32) + (carry >> _U32)
    return upper + low * by_high + high * by_low, low * by_low


@compiled
def plus_128(
    high: np.uint64, low: np.uint64, by_high: np.uint64, by_low: np.uint64
) -> tuple[np.uint64, np.uint64]:
    """Low 128 bits of the sum of two 128-bit numbers."""
    total = low + by_low
    carry = _ONE if total < low else np.uint64(0)
    return high + by_high + carry, total


@compiled_once
def seed(shift: Row, stream: Row) -> None:
    """Set a stream to its beginning: PCG64 on SeedSequence([seed, replication, name...])."""
    salt = INIT_A
    a = stir(entropy_word(shift, stream, 0), salt)
    salt = (salt * MULT_A) & LOW_32
    b = stir(entropy_word(shift, stream, 1), salt)
    salt = (salt * MULT_A) & LOW_32
    c = stir(entropy_word(shift, stream, 2), salt)
    salt = (salt * MULT_A) & LOW_32
    d = stir(entropy_word(shift, stream, 3), salt)
    salt = (salt * MULT_A) & LOW_32

    b = mix(b, stir(a, salt))
    salt = (salt * MULT_A) & LOW_32
    c = mix(c, stir(a, salt))
    salt = (salt * MULT_A) & LOW_32
    d = mix(d, stir(a, salt))
    salt = (salt * MULT_A) & LOW_32
    a = mix(a, stir(b, salt))
    salt = (salt * MULT_A) & LOW_32
    c = mix(c, stir(b, salt))
    salt = (salt * MULT_A) & LOW_32
    d = mix(d, stir(b, salt))
    salt = (salt * MULT_A) & LOW_32
    a = mix(a, stir(c, salt))
    salt = (salt * MULT_A) & LOW_32
    b = mix(b, stir(c, salt))
    salt = (salt * MULT_A) & LOW_32
    d = mix(d, stir(c, salt))
    salt = (salt * MULT_A) & LOW_32
    a = mix(a, stir(d, salt))
    salt = (salt * MULT_A) & LOW_32
    b = mix(b, stir(d, salt))
    salt = (salt * MULT_A) & LOW_32
    c = mix(c, stir(d, salt))
    salt = (salt * MULT_A) & LOW_32

    pool = (a, b, c, d)
    for number in range(4, shift.seed_words + 5):
        pool, salt = pool_with(pool, entropy_word(shift, stream, number), salt)
    start(stream, pool)


@compiled
def poured(pool: tuple[int, int, int, int], place: int) -> np.uint64:
    """One 32-bit word out of the pool."""
    salt = INIT_B
    for _ in range(place):
        salt = (salt * MULT_B) & LOW_32
    word = pool[place & 3] ^ salt
    word = (word * ((salt * MULT_B) & LOW_32)) & LOW_32
    return np.uint64(word ^ (word >> 16))


@compiled
def start(stream: Row, pool: tuple[int, int, int, int]) -> None:
    """Set numpy's PCG64 state from the pool: first the state, then the stream's step."""
    state_high = poured(pool, 0) | (poured(pool, 1) << _U32)
    state_low = poured(pool, 2) | (poured(pool, 3) << _U32)
    step_high = poured(pool, 4) | (poured(pool, 5) << _U32)
    step_low = poured(pool, 6) | (poured(pool, 7) << _U32)
    step_high = (step_high << _ONE) | (step_low >> _TOP)
    step_low = (step_low << _ONE) | _ONE
    high, low = plus_128(state_high, state_low, step_high, step_low)
    high, low = times_128(high, low, _STEP_HIGH, _STEP_LOW)
    high, low = plus_128(high, low, step_high, step_low)
    stream.state_high, stream.state_low = high, low
    stream.step_high, stream.step_low = step_high, step_low
    stream.has_spare = 0
    stream.spare = 0
