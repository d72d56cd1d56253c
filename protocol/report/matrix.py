"""Kinds of requirement by state: what was looked at where, and what came of it, in one table.

A kind is a section of the document and an aspect, such as the delays of all trips. Aspects that only one
requirement has stand together under the section's name.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.report.outcome import Outcome, Row

_WORST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NONE)


@dataclass(frozen=True, slots=True)
class Cell:
    """What was seen of one kind in one state."""

    seen: int
    """Requirements of the kind that something was seen of in this state."""
    worst: str
    """The worst verdict that one of them has."""
    bad: tuple[str, ...]
    """Ids of those that have it, if it is neither pass nor not selected."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One row."""

    section: str
    aspect: str
    """Empty for what stands together."""
    count: int
    verdicts: Counter[str]
    worst: str
    cells: tuple[Cell | None, ...]
    """In the order of the document's states; None where nothing was seen."""


def matrix(outcome: Outcome) -> list[Kind]:
    """The rows, in the order of the document."""
    often = Counter((row.section, _aspect(row)) for row in outcome.rows)
    kinds: dict[tuple[str, str], list[Row]] = {}
    for row in outcome.rows:
        aspect = _aspect(row)
        alone = often[row.section, aspect] == 1
        kinds.setdefault((row.section, "" if alone else aspect), []).append(row)
    states = [state.name for state in outcome.states]
    # What stands together comes first in its section, wherever the first of them stands.
    order = {section: index for index, section in enumerate(outcome.counts())}
    return [
        _kind(*key, rows, states)
        for key, rows in sorted(kinds.items(), key=lambda each: (order[each[0][0]], each[0][1] != ""))
    ]


def _aspect(row: Row) -> str:
    """Without the number of one of several."""
    name, _, number = row.aspect.rpartition(".")
    return name if number.isdigit() else row.aspect


def _kind(section: str, aspect: str, rows: list[Row], states: list[str]) -> Kind:
    cells = []
    for state in states:
        seen = [row for row in rows if state in row.states]
        worst = _worst(seen)
        bad = tuple(row.id for row in seen if row.verdict == worst and worst in ("fail", "inconclusive"))
        cells.append(Cell(len(seen), worst, bad) if seen else None)
    return Kind(section, aspect, len(rows), Counter(row.verdict for row in rows), _worst(rows), tuple(cells))


def _worst(rows: list[Row]) -> str:
    verdicts = {row.verdict for row in rows}
    return next((str(each) for each in _WORST if str(each) in verdicts), str(Verdict.NONE))
