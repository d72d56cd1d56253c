"""`wirevow audit --firmware`: does the checker notice a slip in the firmware's C?"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import click

from wirevow.emu.commands.gathering import gathered
from wirevow.protocol.errors import WirevowError


def audit_mutants(
    doc: str, seed: int, each: int, json_file: Path | None, keep: Path | None, on: str | None
) -> int:
    """Run it; the exit status. WirevowError: not the firmware's document, a missing tool, an old excuse."""
    from wirevow.emu.kept import Kept
    from wirevow.emu.ports.address import find
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    try:
        from wirevow.emu.firmware.mutants.score import as_json, told
        from wirevow.emu.firmware.mutants.survey import LIMIT_S, PATIENCE, Survey
        from wirevow.emu.firmware.mutants.workshop import Workshop
    except ModuleNotFoundError as missing:
        if (missing.name or "").partition(".")[0] not in ("tree_sitter", "tree_sitter_c"):
            raise
        raise WirevowError(
            "mutants need the packages tree-sitter and tree-sitter-c: pip install 'wirevow[mutants]'"
        ) from None

    path = find(doc)
    vow = compile_vow(load_document(path).document)
    if vow.identity[0] != "tarn":
        raise WirevowError(f"the reference firmware is tarn's, not {vow.identity[0]}'s: write tarn")
    with tempfile.TemporaryDirectory(prefix="wirevow-") as folder:
        workshop = Workshop(vow, Path(folder))
        kept = Kept(keep, mutants=seed) if keep is not None else None
        survey = Survey(path, workshop, seed, kept=kept, on=on)
        clean = survey.clean()
        click.echo(
            f"good firmware: {clean.outcome} after {clean.lines} lines"
            + (": " if clean.message else "") + clean.message
        )  # fmt: skip
        if clean.outcome != "passed":
            click.echo("nothing can be said of its mutants until it passes")
            return 1
        made = survey.fates(workshop.drawn(each), min(PATIENCE * clean.seconds, LIMIT_S))
        fates, interrupt = gathered(made, workshop.most(each), "mutants")
    if interrupt is not None:
        click.echo(f"\nwirevow: ended after {len(fates)} mutants.", err=True)
    fates.sort(key=lambda fate: (fate.mutant.file, fate.mutant.line, fate.mutant.name))
    click.echo()
    for line in told(fates):
        click.echo(line)
    click.echo(f"\n{workshop.same} more were no change: the compiler made the same of them")
    if json_file is not None:
        found = as_json(vow, seed, clean, fates, interrupt is None)
        json_file.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    if interrupt is not None:
        raise interrupt
    return 1 if any(fate.survived for fate in fates) else 0
