"""`wirevow audit DOC`: does the checker notice an instrument that has one entry of the document otherwise?"""

from __future__ import annotations

import json
import statistics
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.gathering import bar, gathered

if TYPE_CHECKING:
    from wirevow.emu.mutants import Fate
    from wirevow.protocol.document.load import Marks

SHOWN = 3
"""So many names with each reason; the rest is in the JSON."""
WIDTH = 120
"""Characters of a change."""


def audit_entries(
    doc: str, seed: int, sample: int | None, json_file: Path | None, keep: Path | None, on: str | None
) -> int:
    """Run it; the exit status. WirevowError: no document, or its plant cannot be used."""
    from wirevow.emu.audit import trials
    from wirevow.emu.kept import Kept
    from wirevow.emu.mutants import as_json, clean_check, drawn, fate_of
    from wirevow.emu.plant.registry import fitted
    from wirevow.emu.ports.address import find
    from wirevow.protocol.conformance.verdict import Verdict
    from wirevow.protocol.document.canonical import document_digest
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    path = find(doc)
    loaded = load_document(path)
    vow = compile_vow(fitted(loaded))
    kept = Kept(keep, entries=document_digest(vow.document)) if keep is not None else None

    clean = clean_check(vow, seed)
    click.echo(f"good instrument: {clean.verdict} after {clean.lines} lines")
    if clean.verdict is not Verdict.PASS or clean.note:
        for failure in clean.failures:
            click.echo(f"  {failure.requirement}: expected {failure.expected}, seen {failure.seen}")
        click.echo("nothing can be said of its mutants until it passes: mend the document first")
        return 1
    with bar(drawn(vow, sample), sample, "drawn") as shown:
        mutants = {each.name: each for each in shown}
    others = [name for name, each in mutants.items() if not each.same]
    made = trials(path, [(name, seed) for name in others], on=on, kept=kept)
    tried, interrupt = gathered(made, len(others), "mutants")
    fates = [fate_of(each, None, clean, vow) for each in mutants.values() if each.same]
    fates += [fate_of(mutants[trial.fault or ""], trial, clean, vow) for trial in tried]
    if interrupt is not None:
        click.echo(f"\nwirevow: ended after {len(fates)} of {len(mutants)} mutants.", err=True)
    order = {name: index for index, name in enumerate(mutants)}
    fates.sort(key=lambda fate: order[fate.mutant.name])
    for line in _told(fates, loaded.marks, path):
        click.echo(line)
    if json_file is not None:
        found = as_json(vow, seed, clean, fates, loaded.marks, len(mutants))
        json_file.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    if interrupt is not None:
        raise interrupt
    return 1 if any(fate.fate == "not found" for fate in fates) else 0


def _told(fates: Sequence[Fate], marks: Marks, path: Path) -> Iterator[str]:
    """The score by section, then all that was not found, with the reasons."""
    from wirevow.emu.mutants import FATES

    yield "\n" + _row("", ["mutants", *FATES, "median lines", "most"])
    sections = list(dict.fromkeys(str(fate.mutant.path[0]) for fate in fates))
    for name in (*sorted(sections, key=lambda each: marks.line(each)), "all"):
        group = [fate for fate in fates if name in ("all", fate.mutant.path[0])]
        counted = Counter(fate.fate for fate in group)
        lines = [fate.trial.lines for fate in group if fate.fate == "found" and fate.trial is not None]
        cells = [str(len(group)), *(str(counted[each] or "-") for each in FATES)]
        cells += [f"{statistics.median(lines):g}", str(max(lines))] if lines else ["-", "-"]
        yield _row(name, cells)
    for title, remedy in TITLES.items():
        group = [fate for fate in fates if fate.fate == title]
        reasons = Counter(fate.why for fate in group)
        if group:
            yield f"\n{title}{remedy}"
        for why, count in reasons.most_common():
            yield f"  {why}: {count}"
            of_it = [fate for fate in group if fate.why == why]
            most = None if title == "not found" else SHOWN
            for fate in of_it[:most]:
                place = f"{path}:{marks.line(*fate.mutant.path)}"
                yield f"    {place}  {fate.mutant.name}  {' '.join(fate.mutant.change.split())[:WIDTH]}"


TITLES = {
    "cannot show": "",
    "cannot run": ": no firmware would",
    "not tried": ": declare what is missing, and it can be",
    "not found": ": a promise that nothing holds it to, or a change that comes to the same; look at each",
}


def _row(name: str, cells: Sequence[str]) -> str:
    return f"{name:12}" + "".join(f"{cell:>13}" for cell in cells)
