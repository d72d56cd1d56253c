"""Mutants that no check can or need find, and those that none does find yet, each with the reason.

`excused.yaml` lists them in three classes:

============  ==============================================================================================
class         meaning
============  ==============================================================================================
`equivalent`  nothing that happens on the wire, or around the instrument, can differ
`outside`     something differs, but the document promises nothing about it
`hole`        a promise is broken and nothing finds it yet: tried, and counted as a survivor
============  ==============================================================================================

An entry is a list of mutants by name, what each does, and one reason. What is listed has to exist, and has to
do what is written: an entry of code that has changed since is an error, until somebody has looked again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from wirevow.emu.firmware.mutants.operators import Mutant
from wirevow.protocol.errors import WirevowError

FILE = Path(__file__).with_name("excused.yaml")
CLASSES = ("equivalent", "outside", "hole")


class StaleError(WirevowError):
    """The list names a mutant that is not there any more, or does something else."""


@dataclass(frozen=True, slots=True)
class Excuse:
    """Why a mutant is not found."""

    verdict: str
    """One of CLASSES."""
    reason: str
    change: str
    """What the mutant does, as the list has it: see `change`."""


def change(mutant: Mutant) -> str:
    """A mutant's line and what becomes of it."""
    return f"{mutant.before} => {mutant.after}"


def excuses(mutants: Iterable[Mutant], file: Path = FILE) -> Mapping[str, Excuse]:
    """By mutant name. StaleError unless each is one of `mutants` and does what the list says."""
    listed = _read(file)
    known = {mutant.name: mutant for mutant in mutants}
    stale = [
        f"{name} ({excuse.change})"
        for name, excuse in listed.items()
        if name not in known or change(known[name]) != excuse.change
    ]
    if stale:
        raise StaleError(
            f"{file.name} is out of date: look again at what has become of {'; '.join(stale)}, and strike it "
            "out or enter it anew"
        )
    return listed


def _read(file: Path) -> dict[str, Excuse]:
    try:
        entries: Any = YAML(typ="safe").load(file.read_text(encoding="utf-8")) or {}
    except YAMLError as error:
        raise WirevowError(f"{file.name}: {error}") from None
    found: dict[str, Excuse] = {}
    if set(entries) - set(CLASSES):
        raise WirevowError(f"{file.name}: write {' or '.join(CLASSES)}, not {sorted(entries)}")
    for verdict in CLASSES:
        for entry in entries.get(verdict, ()):
            for name, does in entry["mutants"].items():
                if name in found:
                    raise WirevowError(f"{file.name}: {name} is listed twice")
                found[name] = Excuse(verdict, " ".join(entry["reason"].split()), does)
    return found
