"""Shipped configs give the sums that they gave before, to the last microsecond.

A difference is either a fault or a change of results that is meant: then renew the files
(`python tests/renew_golden.py`) and say "results change" in CHANGELOG.md.
"""

from __future__ import annotations

import json

import pytest
from renew_golden import CONFIGS, GOLDEN, sums_of


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_sums_are_as_they_were(path):
    assert sums_of(path) == json.loads((GOLDEN / f"{path.stem}.json").read_text())


def test_every_golden_file_has_its_config():
    assert {p.stem for p in GOLDEN.glob("*.json")} == {p.stem for p in CONFIGS}
