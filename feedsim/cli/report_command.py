"""`feedsim report`."""

from __future__ import annotations

from pathlib import Path

import click

from feedsim.cli.options import JSON

REPORT = "report.html"
ENDINGS = (".html", ".htm")


@click.command("report")
@click.argument("study", metavar="STUDY", type=click.Path(path_type=Path))
@click.option(
    "--out",
    metavar="FILE.html",
    type=click.Path(path_type=Path),
    help="The file to write (default: report.html in the study's folder).",
)
@JSON
def command(study: Path, out: Path | None, as_json: bool) -> int:
    """Write one page about STUDY, the folder of a finished study.

    The answer first, then why: figures, tables with intervals, where the time goes, what limits
    the answer, assumptions, how sure it is, the whole config, and the command that repeats it.
    Capacity, rounds and sweep studies get sliders through the points that were computed. The page
    is one file below 1 MB that asks nobody for anything, reads without a script, and prints. It
    is made from the folder alone (here one that `feedsim run CONFIG --out outputs/mine` wrote):
    nothing is simulated.

    \b
    Examples:
      feedsim report outputs/mine
      feedsim report outputs/mine --out meeting.html
    """
    from feedsim.cli.documents import command_document
    from feedsim.cli.finished_study import read_study
    from feedsim.cli.screen import say_json
    from feedsim.files import write_whole
    from feedsim.pages.report import report_page

    path = _page_path(study, out)
    found = read_study(study)
    text = report_page(found).encode("utf-8")
    write_whole(path, [text])
    if as_json:
        own = {
            "study": str(study),
            "of": found.answer.command,
            "file": str(path),
            "bytes": len(text),
            "answer": found.answer.answer[0],
        }
        say_json(command_document("report", {"report": own}))
    else:
        click.echo(f"{found.answer.answer[0]}")
        click.echo(f"Written to {path} ({len(text) / 1000:,.0f} kB)")
    return 0


def _page_path(study: Path, out: Path | None) -> Path:
    if out is None:
        return study / REPORT
    if out.suffix.lower() not in ENDINGS:
        raise click.UsageError(f"--out: is {str(out)!r}, allowed: a file that ends in .html")
    if out.is_dir():
        raise click.UsageError(f"--out: {str(out)!r} is a folder, allowed: a file in it")
    if not out.parent.is_dir():
        raise click.UsageError(
            f"--out: {str(out.parent)!r} is no folder, allowed: a file in a folder that is there"
        )
    return out
