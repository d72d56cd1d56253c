"""`wirevow compare`: what a new version of a document changes for those who have the old one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.compare.comparison import Difference
    from wirevow.protocol.compare.shown import Shown

MOST_SOURCE_BYTES = 16 * 1024 * 1024
"""Of a host program's source."""


@click.command("compare")
@click.argument("old")
@click.argument("new")
@click.option("--uses", metavar="FILE", help="A host's source or journal: only what it names counts.")
@click.option("--image", "image_file", metavar="FILE", help="A dump of the store: what becomes of it.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--html", "html_file", metavar="F", help="Write one HTML page.")
def command(
    old: str, new: str, uses: str | None, image_file: str | None, as_json: bool, html_file: str | None
) -> int:
    """Tell every difference between two versions of an instrument's document, and what it means.

    OLD and NEW are files, names of ready documents, or REVISION:FILE from git. For the bench it tells what
    protects it later, earlier or otherwise; for hosts what breaks, may break (and when) or is safe; for the
    store what an old image cannot give back, and with a dump of it (raw bytes) what becomes of each setting.
    Both versions are simulated: what breaks is shown by the shortest exchange of an old host with the new
    one, what may break also by one where its condition fails.

    \b
    Example:  wirevow compare HEAD~1:spec/tarn.yaml spec/tarn.yaml --html changes.html

    Status 0: hosts, bench and store are safe, and the version is right; 1: not so; 2: usage error.
    """
    from wirevow.emu.commands.jobs import Progress
    from wirevow.emu.loading import version
    from wirevow.emu.witness import experiment
    from wirevow.protocol.compare.comparison import compare, names_in
    from wirevow.protocol.compare.image import read_dump
    from wirevow.protocol.compare.rules import BREAKS, MAY
    from wirevow.protocol.outputs import write
    from wirevow.protocol.report import differences
    from wirevow.protocol.vow import compile_vow

    if html_file is not None and any(_same_file(html_file, given) for given in (old, new, uses, image_file)):
        raise WirevowError(f"--html {html_file}: that is what is compared; name another file")
    before, after = version(old), version(new)
    touched = None if uses is None else names_in(_used(uses), before.document)
    comparison = compare(before, after, touched)
    vows = compile_vow(before.document), compile_vow(after.document)
    image = None if image_file is None else read_dump(image_file, *vows)
    noticed = [each for each in comparison.of("host") if each.effect.grade in (BREAKS, MAY)]
    progress = Progress(quiet=False)
    witnesses: dict[Difference, Shown] = {}
    for each in noticed:
        progress.say(lambda: f"{len(witnesses)} of {len(noticed)} differences tried")
        witnesses[each] = experiment(*vows, each).shown
    progress.done()
    if html_file is not None:
        write(Path(html_file), differences.page(comparison, witnesses))
    if as_json:
        click.echo(differences.text(comparison, witnesses, image))
    else:
        for line in differences.lines(comparison, witnesses):
            click.echo(line)
        if image is not None and image_file is not None:
            for line in differences.image_lines(image_file, image):
                click.echo(line)
    harmless = all(each.effect.grade == "safe" for each in comparison.differences)
    return 0 if harmless and comparison.enough else 1


def _same_file(file: str, given: str | None) -> bool:
    return given is not None and Path(file).resolve() == Path(given).resolve()


def _used(path: str) -> str:
    """What a host says: the text of its source, or all that it asked for in a journal."""
    from wirevow.protocol.inputs import file_content
    from wirevow.protocol.journal.exchanges import asked
    from wirevow.protocol.journal.reading import Journal, is_journal

    if not is_journal(path):
        try:
            return file_content(Path(path), MOST_SOURCE_BYTES, "file").decode("utf-8", "replace")
        except ValueError as wrong:
            raise WirevowError(f"{path}: {wrong}") from None
    journal = Journal(path)
    names = asked(journal.records())
    for each in journal.told:
        click.echo(f"wirevow: {each}", err=True)
    return " ".join(names)
