"""`wirevow audit`: does the checker notice an instrument that breaks its promises?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.files import Output, prove
from wirevow.emu.commands.gathering import gathered
from wirevow.emu.commands.machines import on_machines
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.emu.audit import Score, Trial


@click.command("audit")
@click.argument("doc")
@click.option(
    "--json", "json_file", metavar="F", type=click.Path(dir_okay=False), help="Write the result to F."
)
@click.option(
    "--faults",
    is_flag=True,
    help="The catalogue's faults instead, each by its name.",
)
@click.option(
    "--holdout",
    is_flag=True,
    help="With --faults: only those that are kept unseen while the checker is tuned.",
)
@click.option(
    "--seed",
    metavar="N",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    help="Of instruments and checks.",
)
@click.option(
    "--sample",
    metavar="N",
    type=click.IntRange(min=1),
    default=200,
    show_default=True,
    help="So many mutants of the document's entries, drawn by a digest of their names.",
)
@click.option("--all", "whole", is_flag=True, help="One mutant of every entry and operator.")
@click.option(
    "--firmware",
    is_flag=True,
    help="Mutants of the reference firmware's C instead: small slips, drawn over its files.",
)
@click.option(
    "--each",
    metavar="N",
    type=click.IntRange(min=1),
    default=2,
    show_default=True,
    help="With --firmware: mutants of each kind from each file.",
)
@click.option(
    "--keep",
    metavar="F",
    type=click.Path(dir_okay=False),
    help="Keep what has come of each fault or mutant in F, and go on from there.",
)
@on_machines
def command(
    doc: str,
    json_file: str | None,
    faults: bool,
    holdout: bool,
    seed: int,
    sample: int,
    whole: bool,
    firmware: bool,
    each: int,
    keep: str | None,
    on: str | None,
) -> int:
    """Run the checker against mutants of DOC: instruments that have one entry of the document otherwise.

    \b
    Example:  wirevow audit brae --sample 12 --keep build/brae.jsonl
              wirevow audit tarn --faults
              wirevow audit tarn --firmware --keep build/mutants.jsonl

    Each number, word, truth, list and formula of the document is changed by operators, whatever it is about.
    What was not found is listed with its line and a reason: nothing can show it on the wire; nothing that
    would try it is declared; or it is a hole in what the document or the checker holds the instrument to.
    `wirevow emulate DOC --fault NAME` runs a mutant by its name.

    With --faults the instruments break one promise each in some other way, by name. Some faults are held out:
    without --holdout only the score tells of them, no name, so that the checker can be tuned on the others.

    With --firmware they are the reference firmware with one change of its C each. Those that no check can or
    need find are listed in emu/firmware/mutants/excused.yaml, with the reasons.

    Status 0: the good instrument passes, and all is found that can show and is tried; 1: not so.
    """
    if json_file is not None:
        from wirevow.emu.ports.address import find

        prove(str(find(doc)), [Output("--json", Path(json_file))])
    where = Path(json_file) if json_file is not None else None
    kept = Path(keep) if keep is not None else None
    if holdout and not faults:
        raise click.UsageError("no mutant is held out: leave out --holdout, or write --faults")
    if firmware and faults:
        raise click.UsageError("--faults and --firmware are two audits: leave one out")
    if firmware:
        from wirevow.emu.commands.mutants import audit_mutants

        return audit_mutants(doc, seed, each, where, kept, on)
    if not faults:
        from wirevow.emu.commands.entries import audit_entries

        return audit_entries(doc, seed, None if whole else sample, where, kept, on)
    return _audit_faults(doc, where, holdout, seed, kept, on)


def _audit_faults(
    doc: str, json_file: Path | None, holdout: bool, seed: int, keep: Path | None, on: str | None
) -> int:
    """The catalogue's faults; the exit status."""
    import json

    from wirevow.emu.audit import as_json, attempt, trials
    from wirevow.emu.faults import fault_named, faults_for
    from wirevow.emu.kept import Kept
    from wirevow.emu.ports.address import find
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    path = find(doc)
    vow = compile_vow(load_document(path).document)
    faults = [fault.name for fault in faults_for(vow) if fault.holdout or not holdout]
    if not faults:
        raise WirevowError(f"no fault has anything to break in {vow.identity[0]}: audit another document")
    kept = Kept(keep, audit=vow.identity) if keep is not None else None

    clean = attempt(vow, None, seed)
    click.echo(
        f"good instrument: {clean.outcome} after {clean.lines} lines" + (": " if clean.message else "")
        + clean.message
    )  # fmt: skip
    made = trials(path, [(name, seed) for name in faults], on=on, kept=kept)
    results, interrupt = gathered(made, len(faults), "faults")
    if interrupt is not None:
        click.echo(f"\nwirevow: ended after {len(results)} of {len(faults)} faults.", err=True)
    order = {name: index for index, name in enumerate(faults)}
    results.sort(key=lambda trial: order[trial.fault or ""])
    named = [trial for trial in results if holdout or not fault_named(trial.fault or "").holdout]
    _say(results, named)
    if json_file is not None:
        found = as_json(vow, seed, clean, results, named, len(faults))
        json_file.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    if interrupt is not None:
        raise interrupt
    return 0 if clean.outcome == "passed" and all(trial.detected for trial in results) else 1


def _say(results: Sequence[Trial], named: Sequence[Trial]) -> None:
    """The score by kind and in all, then what was not detected."""
    from wirevow.emu.audit import by_kind, score
    from wirevow.emu.faults import fault_named

    click.echo(f"\n{'':12}{'faults':>8}{'detected':>10}{'median lines':>14}{'most':>8}   accused rightly")
    rows = [(kind, score(found)) for kind, found in by_kind(results).items()]
    rows.append(("all", score(results)))
    if len(named) < len(results):
        rows.append(("tuned on", score(named)))
        known = {trial.fault for trial in named}
        rows.append(("held out", score(trial for trial in results if trial.fault not in known)))
    for name, row in rows:
        click.echo(_row(name, row))
    survivors = [trial for trial in named if not trial.detected]
    unnamed = sum(not trial.detected for trial in results) - len(survivors)
    if survivors or unnamed:
        click.echo("\nnot detected:")
    for trial in survivors:
        fault = fault_named(trial.fault or "")
        why = f" [{trial.outcome}: {trial.message}]" if trial.outcome != "passed" else ""
        click.echo(f"  {fault.name} ({fault.kind}): {fault.means}{why}")
    if unnamed:
        click.echo(f"  {unnamed} of those held out; --holdout names them")


def _row(name: str, score: Score) -> str:
    median = "-" if score.median_lines is None else f"{score.median_lines:g}"
    most = "-" if score.most_lines is None else str(score.most_lines)
    return (
        f"{name:12}{score.faults:>8}{score.detected:>10}{median:>14}{most:>8}"
        f"   {score.rightly} of {score.accused}"
    )
