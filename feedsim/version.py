"""The version of the package, and what else its numbers hang on."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

VERSION = "0.1.0"
# Of all JSON documents: answers, manifests and errors.
SCHEMA = 1

# The parts that decide what a shift brings: with any of them changed, kept shifts are no use.
_SIMULATION = (
    *("film/*.py", "magazine.py", "streams.py", "times.py", "cell.py", "engines.py"),
    *("accounts/*.py", "model/*.py", "kernel/*.py"),
)


@cache
def program() -> str:
    """What simulates: this version, its sources in short, and numpy's version."""
    from importlib.metadata import version  # slow to import

    told = hashlib.sha256()
    home = Path(__file__).parent
    for pattern in _SIMULATION:
        for source in sorted(home.glob(pattern)):
            told.update(source.read_bytes())
    return f"feedsim {VERSION} ({told.hexdigest()[:8]}), numpy {version('numpy')}"
