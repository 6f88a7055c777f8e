"""`feedsim show`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from feedsim.cli.options import JSON

if TYPE_CHECKING:
    from feedsim.answers.explanations import Explanation


def _complete(
    _context: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    from feedsim.answers.explanations import known_names

    names = [name for name in known_names() if " " not in name]
    ends = dict.fromkeys(name.rpartition(".")[2] for name in names)
    return [CompletionItem(name) for name in [*names, *ends] if name.startswith(incomplete)]


@click.command("show")
@click.argument("key", required=False, default="", metavar="[KEY]", shell_complete=_complete)
@JSON
def command(key: str, as_json: bool) -> None:
    """Explain KEY: a key of the config, a table of it, a measure, a closure, a material or a term.

    A key is explained with its unit, default, what is allowed, meaning and source; the end of its
    path is enough, or the first words of that. Without KEY the tables of a config are listed;
    `measures`, `closures` and `materials` list those, `terms` the words of statistics in answers.

    \b
    Examples:
      feedsim show machine.magazine.capacity_bags
      feedsim show magazine
      feedsim show dry_share
      feedsim show slider
      feedsim show "Tarone's z"
    """
    from feedsim.answers.explanations import explain_name
    from feedsim.cli.documents import command_document
    from feedsim.cli.screen import say_json

    found = explain_name(key)
    if as_json:
        say_json(command_document("show", {"show": [each.document() for each in found]}))
        return
    for number, each in enumerate(found):
        if number:
            click.echo()
        _say(each)


def _say(explanation: Explanation) -> None:
    """Tell one name in full, and below it what belongs to it in some lines each."""
    click.echo(explanation.name)
    width = max(len(label) for label, _ in explanation.facts)
    for label, text in explanation.facts:
        _say_wrapped(f"  {label:<{width}}  ", text)
    for each in explanation.below:
        click.echo()
        click.echo(f"  {each.name}")
        _say_wrapped("    ", each.fact("meaning"))
        told = [f"{label} {text}" for label, text in each.facts if label not in IN_FULL_ONLY]
        if told:
            _say_wrapped("    ", "; ".join(told))


def _say_wrapped(head: str, text: str) -> None:
    """Say a text behind a head, its further lines below its beginning."""
    click.echo(click.wrap_text(text, WIDTH, head, " " * len(head)))


WIDTH = 100
# What is left out where several are told below one another, or stands there already.
IN_FULL_ONLY = ("meaning", "source", "columns")
