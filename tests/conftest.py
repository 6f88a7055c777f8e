"""What tests of many files ask for, and in which order they come."""

from __future__ import annotations

import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

COMPILE = "from feedsim.kernel import machine_code\nmachine_code.is_kept() or machine_code.load()"
USES_KERNEL = (
    "kernel",
    "KERNEL",
    "COMPILED",
    "engine=",
    "Work(",
    "studies",
    "feedsim(",
    "feedsim.main(",
)
SMALLEST = {
    "png": bytes.fromhex(
        "89504e470d0a1a0a0000000d49484452000000010000000108000000003a7e9b550000000a49444154789c63f80f"
        "00010101001bb6ee560000000049454e44ae426082"
    ),
    "svg": b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1"></svg>',
}
_compiling: list[subprocess.Popen[bytes]] = []


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes():
    """Compile the kernel, once on a machine, while tests run that do without."""
    _compiling.append(subprocess.Popen([sys.executable, "-c", COMPILE], stderr=subprocess.DEVNULL))


def pytest_sessionfinish():
    for process in _compiling:
        process.kill()
        process.wait()


def pytest_collection_modifyitems(items):
    """What does without the kernel comes first; else the order stays."""
    items.sort(key=lambda item: _uses_kernel(item.path))


@cache
def _uses_kernel(path: Path) -> bool:
    return any(word in path.read_text(encoding="utf-8") for word in USES_KERNEL)


@pytest.fixture
def undrawn(request, monkeypatch):
    """Figures are built and their files are written, but not drawn: that is half of a command.

    For tests of what a command says. Those that are marked with `draws` are of figures too.
    """
    if not request.node.get_closest_marker("draws"):
        monkeypatch.setattr("matplotlib.figure.Figure.savefig", _save_nothing)


def _save_nothing(figure, file, **options):
    """Write the smallest file of a format."""
    file.write(SMALLEST[options["format"]])
