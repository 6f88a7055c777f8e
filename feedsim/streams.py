"""Random streams: every source of chance has one of its own, known by its name.

A stream's numbers depend on the study's seed, the replication and the name, never on what
else is in the cell or on the order in which streams are made. So two settings of a study meet
the same luck wherever they draw for the same purpose.
"""

from __future__ import annotations

from functools import cache
from hashlib import sha256

import numpy as np


@cache
def name_words(name: str) -> tuple[int, ...]:
    """First 128 bits of the SHA-256 of a name, as four little-endian 32-bit words."""
    digest = sha256(name.encode("utf-8")).digest()
    return tuple(int.from_bytes(digest[i : i + 4], "little") for i in range(0, 16, 4))


class Stream:
    """One named stream; its generator is made when it is first drawn from."""

    __slots__ = ("_generator", "_key")

    def __init__(self, seed: int, replication: int, name: str) -> None:
        self._key = (seed, replication, name)
        self._generator: np.random.Generator | None = None

    @property
    def generator(self) -> np.random.Generator:
        """The numpy generator (PCG64) of this stream."""
        if self._generator is None:
            seed, replication, name = self._key
            entropy = np.random.SeedSequence([seed, replication, *name_words(name)])
            self._generator = np.random.Generator(np.random.PCG64(entropy))
        return self._generator


class Streams:
    """All streams of one replication."""

    def __init__(self, seed: int, replication: int) -> None:
        self.seed = seed
        self.replication = replication

    def named(self, *parts: object) -> Stream:
        """Return the stream whose name is the parts joined by slashes."""
        return Stream(self.seed, self.replication, "/".join(map(str, parts)))
