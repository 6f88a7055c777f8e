"""The scripts of configs/examples run as written, and what they print is so."""

from __future__ import annotations

import os
import re
import runpy
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import feedsim.plots
from feedsim.shown import Shown

CONFIGS = Path(__file__).parents[1] / "configs"
EXAMPLES = CONFIGS / "examples"
SMALL = {"SHIFTS = 40": "SHIFTS = 2", "BUDGET = 2560": "BUDGET = 2", "up_to=200": "up_to=100"}


def printed(
    name: str, folder: Path, capsys: pytest.CaptureFixture[str], smaller: dict[str, str]
) -> str:
    """What a script prints, run in a folder that holds a copy of the configs."""
    shutil.copytree(CONFIGS, folder / "configs")
    script = folder / "configs" / "examples" / f"{name}.py"
    text = script.read_text(encoding="utf-8")
    for line, change in smaller.items():
        assert text.count(line) == 1, line
        text = text.replace(line, change)
    script.write_text(text, encoding="utf-8")
    before = os.getcwd()
    os.chdir(folder)
    try:
        runpy.run_path(str(script))
    finally:
        os.chdir(before)
    return capsys.readouterr().out


def magazine_faults(told: str) -> Iterator[str]:
    """What is wrong of the sizing's answer: more bags, fewer visits, less dry time."""
    shown = re.findall(r"^ *(\d+) bags per lane: OEE ([\d.]+) %", told, re.MULTILINE)
    if [int(bags) for bags, _ in shown] != [50, 75, 100, 125, 150]:
        yield "capacities"
    if not float(shown[0][1]) < float(shown[2][1]):
        yield "OEE does not rise to 100 bags"
    rows = [[float(part) for part in line.split()] for line in told.splitlines()[-5:]]
    if any(
        abs(100 * row[1] - float(oee)) > 0.051 for row, (_, oee) in zip(rows, shown, strict=True)
    ):
        yield "table and curve differ"
    if not rows[0][4] > rows[2][4]:
        yield "dry time does not fall"
    visits = [row[5] for row in rows]
    if visits != sorted(visits, reverse=True):
        yield "visits do not fall"


def small_magazine_faults(told: str) -> Iterator[str]:
    """The same of few shifts, and that the answer names a target, met or not."""
    yield from magazine_faults(told)
    if not re.search(r"(fewest that|No capacity of up to).* OEE at least 77 %", told):
        yield "target"


def full_magazine_faults(told: str) -> Iterator[str]:
    """The same of all shifts: README shows this answer."""
    yield from magazine_faults(told)
    if "100 bags per lane are the fewest that meet OEE at least 77 %" not in told:
        yield "fewest bags"


def rounds_faults(told: str) -> Iterator[str]:
    """A second operator helps, and nobody waits longer with him."""
    if not re.search(r"rounds may be \d+ min apart", told):
        yield "no interval"
    if not re.search(r"^B's OEE is [\d.]+ points higher", told, re.MULTILINE):
        yield "a second operator does not help"
    waits = re.findall(r"^(.+): waiting ([-+][\d.]+)", told, re.MULTILINE)
    if len(waits) != 3 or not all(float(points) < 0 for _, points in waits):
        yield "waiting"


def film_faults(told: str) -> Iterator[str]:
    """The true share of bad bundles, 4 % (the head of the trials says so), is in its interval."""
    found = re.search(r"[\d.]+ % \(([\d.]+) to ([\d.]+)\) of the bundles are bad", told)
    if found is None or not float(found[1]) <= 4 <= float(found[2]):
        yield "bad bundles"
    if "7,993 pick attempts" not in told:
        yield "attempts"
    ranges = re.search(r"expected OEE lies between ([\d.]+) and ([\d.]+) %", told)
    if ranges is None or not 80 < float(ranges[1]) < float(ranges[2]) < 95:
        yield "range"
    if "Measure first:" not in told:
        yield "what to measure"


FULL: dict[str, Callable[[str], Iterator[str]]] = {
    "size_a_magazine": full_magazine_faults,
    "set_rounds": rounds_faults,
    "weigh_a_film": film_faults,
}


def test_every_script_is_checked_and_shows_cells():
    assert {path.stem for path in EXAMPLES.glob("*.py")} == set(FULL)
    for path in EXAMPLES.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert text.startswith("# %% [markdown]\n# # ")
        assert text.count("\n# %%\n") >= 3
        compile(text, path.name, "exec")


@pytest.fixture
def saved(monkeypatch):
    """Names of figures that were to be saved; none is drawn, which takes longest."""
    names: list[str] = []
    monkeypatch.setattr(Shown, "figure", lambda answer: None)
    monkeypatch.setattr(feedsim.plots, "save", lambda figure, folder, name: names.append(name))
    return names


def test_the_sizing_runs_and_its_answer_is_so(tmp_path, capsys, saved):
    told = printed("size_a_magazine", tmp_path, capsys, SMALL)
    assert list(small_magazine_faults(told)) == []
    assert saved == ["losses", "size", "capacity"]


CAPACITIES = "\n".join(
    f"{bags:>4} bags per lane: OEE {oee} %"
    for bags, oee in ((50, 75.8), (75, 78.1), (100, 78.3), (125, 77.9), (150, 77.5))
)
GOOD = f"""100 bags per lane are the fewest that meet OEE at least 77 % (95 % confidence)
{CAPACITIES}
 capacity_bags    oee  oee_low  oee_high  dry_share  refill_visits_per_h
50 0.7576 0.7225 0.7926 0.0316 24.64
75 0.7809 0.7434 0.8185 0.0099 13.52
100 0.7832 0.7363 0.8302 0.0053 8.64
125 0.7792 0.7360 0.8223 0.0037 6.35
150 0.7754 0.7279 0.8230 0.0027 5.04
"""


@pytest.mark.parametrize(
    ("true", "false", "fault"),
    [
        ("  50 bags per lane: OEE 75.8", "  50 bags per lane: OEE 79.8", "OEE does not rise"),
        ("  50 bags", "  40 bags", "capacities"),
        ("0.7832", "0.7732", "table and curve"),
        ("0.0316", "0.0016", "dry"),
        ("13.52", "3.52", "visits"),
        ("100 bags per lane are", "75 bags per lane are", "fewest"),
    ],
)
def test_a_wrong_answer_would_be_seen(true, false, fault):
    assert list(full_magazine_faults(GOOD)) == []
    assert any(found.startswith(fault) for found in full_magazine_faults(GOOD.replace(true, false)))


ROUNDS = """With 300 bags per lane rounds may be 20 min apart for OEE at least 70 %
B's OEE is 1.7 points higher (1.4 to 2.0)
crunchy 500 g: waiting -1.88 (-2.30 to -1.46) points
granola zip 350 g: waiting -1.87 (-2.33 to -1.41) points
muesli paper 750 g: waiting -1.98 (-2.40 to -1.57) points
"""
FILM = """7,993 pick attempts of 3 closures
3.8 % (1.5 to 7.1) of the bundles are bad
the expected OEE lies between 85.5 and 89.8 %. Measure first: picks
"""


@pytest.mark.parametrize(
    ("faults", "told", "true", "false"),
    [
        (rounds_faults, ROUNDS, "points higher", "points lower"),
        (rounds_faults, ROUNDS, "waiting -1.87", "waiting +1.87"),
        (rounds_faults, ROUNDS, "20 min apart", "never apart"),
        (film_faults, FILM, "(1.5 to", "(4.5 to"),
        (film_faults, FILM, "7,993", "993"),
        (film_faults, FILM, "between 85.5", "between 95.5"),
        (film_faults, FILM, "Measure first", "Measure"),
    ],
)
def test_other_wrong_answers_would_be_seen(faults, told, true, false):
    assert list(faults(told)) == []
    assert len(list(faults(told.replace(true, false)))) == 1


@pytest.mark.campaign
@pytest.mark.parametrize("name", FULL)
def test_the_scripts_at_full_size(name, tmp_path, capsys):
    told = printed(name, tmp_path, capsys, {})
    assert list(FULL[name](told)) == []
    figures = list((tmp_path / "outputs" / "examples" / name).glob("*.svg"))
    assert len(figures) >= 2
