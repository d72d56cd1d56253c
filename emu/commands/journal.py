"""`wirevow journal`: print, filter and export a recording."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.jobs import Progress
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.journal.table import Row


@click.command("journal")
@click.argument("file")
@click.option("--from", "side", type=click.Choice(["host", "device"]), help="Only what that side said.")
@click.option(
    "--name", metavar="PATTERN", help="Only what is about such points, actions or events: 'sink.*'."
)
@click.option("--after", metavar="TIME", help="Only from this time of the recording on: 10 s, 5 min.")
@click.option("--before", metavar="TIME", help="Only up to this time.")
@click.option("--pieces", is_flag=True, help="The bytes as they came, not line by line.")
@click.option("--out", metavar="FILE", help="Export instead: a name that ends in .csv, .jsonl or .parquet.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each line.")
def command(
    file: str,
    side: str | None,
    name: str | None,
    after: str | None,
    before: str | None,
    pieces: bool,
    out: str | None,
    as_json: bool,
) -> None:
    """Show what `wirevow record` has written down: `>` is what the host sent, `<` what came back.

    A reply counts as about the point or action that its request named, a notice as about its event.

    \b
    Example:  wirevow journal bench.journal --name "sink.*" --after "10 s"
              wirevow journal bench.journal --out bench.csv
    """
    from wirevow.protocol.journal.reading import Journal
    from wirevow.protocol.journal.table import Choice, export, json_text, rows

    journal = Journal(file)
    choice = Choice(side, name, _time("--after", after), _time("--before", before))
    chosen = rows(journal, choice, pieces)
    if out is not None:
        progress = Progress(quiet=False)
        count = export(journal, _told(chosen, progress), out)
        progress.done()
        click.echo(f"{out}: {count} rows")
    elif as_json:
        for row in chosen:
            click.echo(json_text(row))
    else:
        head = journal.head
        known = " ".join(each for each in (head.document, head.version, head.digest[:8]) if each)
        click.echo(f"{head.port}, {known or 'document not named'}")
        for row in chosen:
            mark = {"host": ">", "device": "<"}.get(row.side, "-")
            said = (
                row.text
                if row.what not in ("opened", "closed", "end")
                else f"({row.what}) {row.text}".strip()
            )
            click.echo(f"{row.utc[11:] or '?'} {row.seconds:12.6f} {mark} {said}")
    for each in journal.told:
        click.echo(f"wirevow: {each}", err=True)


def _told(chosen: Iterable[Row], progress: Progress) -> Iterator[Row]:
    """The rows, while their count is shown."""
    for count, row in enumerate(chosen):
        if not count % 1000:
            progress.say(lambda count=count: f"{count} rows")  # type: ignore[misc]
        yield row


def _time(option: str, given: str | None) -> int | None:
    """Nanoseconds of a time such as `10 s`. Raises WirevowError."""
    from wirevow.protocol.document.model import duration_ns

    if given is None:
        return None
    try:
        return duration_ns(given)
    except ValueError as wrong:
        raise WirevowError(f"{option}: {wrong}") from None
