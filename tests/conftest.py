"""What tests of many files ask for."""

from __future__ import annotations

import pytest


@pytest.fixture
def undrawn(request, monkeypatch):
    """Figures are built and their files are written, but not drawn: that is half of a command.

    For tests of what a command says. Those that are marked with `draws` are of figures too.
    """
    if not request.node.get_closest_marker("draws"):
        monkeypatch.setattr("feedsim.plots.style._drawn", lambda figure, kind: b"not drawn here")
