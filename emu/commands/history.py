"""`wirevow history`: what many reports of one instrument say together."""

from __future__ import annotations

from pathlib import Path

import click

from wirevow.protocol.errors import WirevowError


@click.command("history")
@click.argument("reports", metavar="REPORT...", nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--html", "html_file", metavar="F", help="Write one HTML page.")
def command(reports: tuple[str, ...], as_json: bool, html_file: str | None) -> int:
    """Tell when each requirement began to fail, from two or more REPORTs that `check --json` has written.

    They are put in the order in which the checks began. What the last has that the one before has not is told
    too; requirements that a change of the document has made or taken are no regressions.

    \b
    Example:  wirevow history monday.json tuesday.json --html history.html

    Status 0: the last is no worse than the one before; 1: something fails, is inconclusive or is not tried
    that was not so, and no change of the document explains it; 2: usage error.
    """
    from wirevow.emu.commands.jobs import Progress
    from wirevow.protocol.report.history import history, json_text, lines, page
    from wirevow.protocol.report.past import Past, must_be_of, read_past

    paths = [Path(report) for report in reports]
    if len(paths) < 2:
        raise WirevowError(f"{paths[0]}: one report has no history; name two or more of one instrument")
    if html_file is not None and any(Path(html_file).resolve() == path.resolve() for path in paths):
        raise WirevowError(f"--html {html_file}: that is one of the reports; name another file")
    pasts: list[Past] = []
    progress = Progress(quiet=False)
    for path in paths:
        progress.say(lambda: f"{len(pasts)} of {len(paths)} reports read")
        past = read_past(path)
        must_be_of(past, path, pasts[0].document.name if pasts else past.document.name)
        pasts.append(past)
    progress.done()
    told = history(pasts)
    if html_file is not None:
        Path(html_file).write_text(page(told), encoding="utf-8")
    if as_json:
        click.echo(json_text(told))
    else:
        for line in lines(told):
            click.echo(line)
    return 1 if told.latest.worse else 0
