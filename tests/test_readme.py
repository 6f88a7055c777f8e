"""README's claims that can be run: commands, the Python example, the shown answer."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from feedsim.cli import feedsim

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w*)\n(.*?)```", README, flags=re.DOTALL)


def test_ci_runs_the_test_command_that_readme_names():
    [command] = [text.strip() for _, text in BLOCKS if "-m pytest" in text]
    assert command in (ROOT / ".ci" / "run").read_text().splitlines()
    assert command in (ROOT / "DEVELOPERS.md").read_text()


def test_the_shown_answer_is_the_kept_one():
    [shown] = [text for kind, text in BLOCKS if kind == "text"]
    assert (ROOT / "outputs/example/capacity.txt").read_text().startswith(shown)


CONSOLE = [
    "$ feedsim " + shown
    for kind, text in BLOCKS
    if kind == "console"
    for shown in text.split("$ feedsim ")[1:]
]


@pytest.mark.parametrize("shown", CONSOLE, ids=[" ".join(text.split()[2:4]) for text in CONSOLE])
def test_a_shown_answer_is_what_comes_out(undrawn, shown, tmp_path, monkeypatch, capsys):
    command, *told = shown.splitlines()
    words = shlex.split(command.removeprefix("$ feedsim "))
    monkeypatch.chdir(ROOT)
    feedsim.main([*words, "--out", str(tmp_path / "study")], standalone_mode=False)
    assert capsys.readouterr().out.splitlines()[: len(told)] == told


def test_every_link_leads_somewhere():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_every_shipped_config_is_listed():
    for path in (ROOT / "configs").glob("*.toml"):
        assert f"configs/{path.name}" in README


def test_the_python_example_runs(monkeypatch, capsys):
    [code] = [text for kind, text in BLOCKS if kind == "python"]
    monkeypatch.chdir(ROOT)
    code = code.replace("study.replications=10", "study.replications=2")
    exec(compile(code, "README.md", "exec"), {"__name__": "readme"})
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == ["50", "100", "150"]


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_named_files_exist(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    for path in re.findall(r"`((?:tests|outputs|feedsim|configs)/[\w./*-]+)`", text):
        assert list(ROOT.glob(path)), path
