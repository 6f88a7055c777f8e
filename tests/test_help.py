"""Help: every command has examples, every example is a command, and each is quick to show."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from campaigns import some_quick
from test_cli import feedsim  # noqa: F401 (a fixture)

from feedsim.cli import COMMANDS, _explain
from feedsim.cli import feedsim as command_line
from feedsim.cli.codes import BAD_INPUT, DONE, TARGET_MISSED

ROOT = Path(__file__).parents[1]
SHORT = ["--set", "study.shift_h=0.3", "--set", "study.warm_up_h=0.05"]
# Of an option given twice the last one counts: what makes an example's work small.
FEW = {"--replications": "3", "--samples": "19", "--trajectories": "0"}
FEW |= {"--most-machines": "3", "--budget": "60", "--input-sets": "3"}


def commands() -> Iterator[tuple[str, click.Command]]:
    """All commands, those of a group by their own."""
    context = click.Context(command_line)
    for name in COMMANDS:
        command = command_line.get_command(context, name)
        assert command is not None
        yield name, command
        if isinstance(command, click.Group):
            for part in command.list_commands(context):
                found = command.get_command(context, part)
                assert found is not None
                yield f"{name} {part}", found


def examples(command: click.Command) -> list[list[str]]:
    lines = (line.strip() for line in (command.help or "").splitlines())
    return [shlex.split(line) for line in lines if line.startswith("feedsim ")]


ALL = list(commands())
EXAMPLES = [
    (command, words)
    for _, command in ALL
    if not isinstance(command, click.Group)
    for words in examples(command)
]


@pytest.mark.parametrize(("name", "command"), ALL, ids=[name for name, _ in ALL])
def test_every_command_has_examples_of_itself(name, command):
    found = examples(command)
    assert found
    for words in found:
        assert " ".join(words[1:]).startswith(name)


# The quick suite takes the first of each command, but for those that README's tests run.
FIRST = [next(words for of, words in EXAMPLES if of is command) for command, _ in EXAMPLES]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("command", "words"),
    some_quick(EXAMPLES, lambda e: e[1] in FIRST and f"$ {shlex.join(e[1])}" not in README),
    ids=[" ".join(words[1:]) for _, words in EXAMPLES],
)
def test_every_example_is_a_command(feedsim, command, words):  # noqa: F811
    if words[1] == "report":
        # A report is of a study that is there.
        assert feedsim("run", "cell.toml", "--jobs", "1", "--out", words[2])[0] == DONE
    if words[1] == "verify":
        # Its campaigns are too long for here, the smallest part of one will do.
        words = [word for word in words if not word.endswith(".toml")]
        words += ["--only", "theory", "--cases", "whole bundles", "--engine", "simpy"]
        words += ["--jobs", "1"]
    places = [str(ROOT / word) if (ROOT / word).is_file() else word for word in words[1:]]
    options = {name for parameter in command.params for name in parameter.opts}
    configs = [word for word in places if word.endswith(".toml") and Path(word).exists()]
    if "--jobs" in options and configs:
        # The calendar is brought within the shift.
        places += [*SHORT, *_calendar_within(Path(configs[0])), "--jobs", "1"]
    for option in options & FEW.keys():
        places += [option, FEW[option]]
    code, _, err = feedsim(*places)
    assert code in (DONE, TARGET_MISSED), err


def _calendar_within(config: Path) -> list[str]:
    text = config.read_text(encoding="utf-8")
    words = []
    for table, key in (("[[crew.break]]", "crew.break"), ("[[planned_stop]]", "planned_stop")):
        for number in range(text.count(table)):
            words += ["--set", f"{key}[{number}].at_h=0.1"]
    return words


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["size", "configs/oats_slider.toml", "--oee", "0,77"],
            "; decimals are written with a point: 0.77",
        ),
        (
            ["trial", "plan", "--rate", "1,000"],
            "; numbers have no comma: 1000 if thousands are meant",
        ),
        (["trial", "plan", "--rate", "x,1"], "is not a valid float."),
    ],
)
def test_a_number_with_a_comma_is_told_how_it_is_written(words, told):
    with pytest.raises(click.ClickException) as caught:
        command_line.main(words, standalone_mode=False)
    code, message = _explain(caught.value)
    assert code == BAD_INPUT
    assert told in message
    assert len(message.splitlines()) == 1
