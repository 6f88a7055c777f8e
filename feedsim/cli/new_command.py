"""`feedsim new`."""

from __future__ import annotations

import os
from pathlib import Path

import click


@click.command("new")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
def command(path: Path, force: bool) -> None:
    """Write a commented starter config to PATH.

    Every key is in it, with its unit, its default and its meaning; keys that are not needed
    are commented out.

    \b
    Example:
      feedsim new mycell.toml
    """
    from feedsim.config.starter import starter_text
    from feedsim.files import write_whole

    if os.path.lexists(path) and not force:
        raise click.UsageError(f"{path}: is there already, allowed: a new file, or --force")
    if path.is_dir() or not path.parent.is_dir():
        raise click.UsageError(
            f"{path}: cannot be written, allowed: a file in a folder that is there"
        )
    try:
        write_whole(path, [starter_text().encode()])
    except OSError as error:
        raise click.UsageError(f"{path}: cannot be written: {error.strerror}") from error
    click.echo(f"{path} is a starter config: change what differs, then `feedsim check {path}`.")
