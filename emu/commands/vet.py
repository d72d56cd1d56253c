"""`wirevow vet`: what can be proved wrong with a document before any device exists."""

from __future__ import annotations

import click


@click.command("vet")
@click.argument("doc")
def command(doc: str) -> int:
    """Hold DOC against every rule for documents.

    Every finding has its line and its remedy. Status 0: no error (warnings may remain); 1: errors.
    """
    from wirevow.emu.ports.address import find
    from wirevow.protocol.document.vet import summary, vet_file

    findings = vet_file(find(doc))
    for finding in findings.found:
        click.echo(finding.text(findings.name))
    for line in summary(findings):
        click.echo(line)
    return 1 if findings.errors else 0
