"""Vetting: what can be proved wrong with a document before any device exists.

    findings = vet_file("spec/tarn.yaml")
    for finding in findings.found:
        print(finding.text(findings.name))

Rules are grouped by section, one module each; `findings.CODES` is the table of all of them. Rules about
names and quantities come first and alone: while one of them is broken, nothing is computed on top of it.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from os import PathLike

from wirevow.protocol.document.canonical import document_digest, wire_digest
from wirevow.protocol.document.load import Loaded, load_document
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.document.terminals import Terminals
from wirevow.protocol.document.vet import (
    envelope,
    layouts,
    machine,
    names,
    plant,
    points,
    provoked,
    quantities,
    references,
    rounds,
    trial,
    trips,
    wire,
)
from wirevow.protocol.document.vet.findings import CODES, Finding
from wirevow.protocol.document.vet.survey import Flood, Survey

__all__ = ["CODES", "Finding", "Findings", "misfits", "summary", "vet", "vet_file"]


@dataclass(frozen=True, slots=True)
class Findings:
    """What was found in a document, in the order of its lines.

    `whole` is False when not all rules were asked: names or quantities are wrong, or findings too many.
    """

    name: str
    document: Document
    found: tuple[Finding, ...]
    whole: bool

    @property
    def errors(self) -> tuple[Finding, ...]:
        return tuple(finding for finding in self.found if finding.severity == "error")

    @property
    def warnings(self) -> tuple[Finding, ...]:
        return tuple(finding for finding in self.found if finding.severity == "warning")


def vet(loaded: Loaded[Document], terminals: Terminals | None = None) -> Findings:
    """Hold a document against every rule, and against what its plant offers where somebody says that."""
    survey = Survey(loaded)
    whole = False
    with contextlib.suppress(Flood):
        quantities.check(survey)
        references.check(survey)
        if not survey.found:
            _rules(survey)
            if terminals is not None:
                plant.check(survey, terminals)
                if not survey.found:
                    provoked.at_rest(survey, terminals)
            whole = True
    found = tuple(sorted(survey.found, key=lambda finding: finding.line))
    return Findings(loaded.name, loaded.document, found, whole)


def misfits(loaded: Loaded[Document], terminals: Terminals) -> tuple[Finding, ...]:
    """Only what keeps the document from being simulated with this plant: names, and what does not fit."""
    survey = Survey(loaded)
    with contextlib.suppress(Flood):
        quantities.check(survey)
        references.check(survey)
        if not survey.found:
            plant.check(survey, terminals)
    return tuple(sorted(survey.found, key=lambda finding: finding.line))


def _rules(survey: Survey) -> None:
    quantities.unused(survey)
    names.check(survey)
    points.check(survey)
    wire.check(survey)
    wire.lines(survey)
    machine.check(survey)
    trips.check(survey)
    provoked.check(survey)
    rounds.check(survey)
    envelope.check(survey)
    layouts.check(survey)
    trial.check(survey)
    if points.consistent(survey):
        trial.puts(survey)


def vet_file(path: str | PathLike[str]) -> Findings:
    """Load and vet a file. Raises `DocumentError` when it cannot be loaded."""
    return vet(load_document(path))


def summary(findings: Findings) -> list[str]:
    """A few lines: who the document is, what is in it, and how it did."""
    document = findings.document
    counted = [
        (len(document.points), "point"),
        (len(document.actions), "action"),
        (len(document.states), "state"),
        (len(document.trips), "trip"),
    ]
    if not findings.errors:
        counted.append((len(requirements(document)), "requirement"))
    errors, warnings = len(findings.errors), len(findings.warnings)
    if not findings.whole:
        verdict = f"{_counted(errors, 'error')}; the other rules wait until these are mended"
    elif findings.found:
        verdict = f"{_counted(errors, 'error')}, {_counted(warnings, 'warning')}"
    else:
        verdict = "sound: no rule is broken"
    return [
        f"{document.vow.name} {document.vow.version}: {document.vow.title}",
        f"document {document_digest(document)}",
        f"wire     {wire_digest(document)}",
        ", ".join(_counted(number, word) for number, word in counted),
        verdict,
    ]


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
