"""`wirevow vet`: what can be proved wrong with a document before any device exists."""

from __future__ import annotations

import click


@click.command("vet")
@click.argument("doc")
@click.option(
    "--names", is_flag=True, help="List what DOC's plant offers instead: names, units and meanings."
)
@click.option("--run-plant", is_flag=True, help="Look at a plant in a Python file too, which runs that file.")
@click.option("--dialect", metavar="F", help="Hold what firmware speaks against DOC too (spec/dialect.md).")
@click.option("--json", "as_json", is_flag=True, help="With --names: print one JSON object.")
def command(doc: str, names: bool, run_plant: bool, dialect: str | None, as_json: bool) -> int:
    """Hold DOC against every rule for documents.

    Every finding has its line and its remedy. Status 0: no error (warnings may remain); 1: errors.

    \b
    Example:  wirevow vet tarn
              wirevow vet tarn --names
              wirevow vet sluice --dialect sluice
    """
    from wirevow.emu.plant.offers import json_text, lines
    from wirevow.emu.plant.registry import looked_at
    from wirevow.emu.ports.address import find
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.document.vet import summary, vet
    from wirevow.protocol.errors import WirevowError

    if as_json and not names:
        raise click.UsageError("--json goes with --names: leave it out, or add that.")
    loaded = load_document(find(doc))
    terminals = looked_at(loaded, run=run_plant)
    if names:
        if terminals is None:
            raise WirevowError(f"{loaded.name}: its plant is a Python file: --run-plant runs that, and lists")
        for line in [json_text(terminals)] if as_json else lines(terminals):
            click.echo(line)
        return 0
    findings = vet(loaded, terminals)
    for finding in findings.found:
        click.echo(finding.text(findings.name))
    for line in summary(findings):
        click.echo(line)
    if terminals is None:
        click.echo("its plant is a Python file, and was not looked at: --run-plant runs that, and looks")
    if dialect is not None and not findings.errors:
        from wirevow.protocol.dialect.file import load_phrasebook
        from wirevow.protocol.dialect.narrow import summary_of
        from wirevow.protocol.vow import compile_vow

        book = load_phrasebook(find(dialect, "dialects"), compile_vow(loaded.document))
        for line in summary_of(book):
            click.echo(line)
    return 1 if findings.errors else 0
