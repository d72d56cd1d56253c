"""Test purposes: what is tried for each kind of requirement.

A purpose is a function of a `Tester` and, where its section has elements, the element's name. It works from
the initial state with default settings, sends what shows the requirement, and returns; whatever the document
does not allow has raised `Broken` by then. `PURPOSES` is the whole list, as data: section and aspect of the
requirement, the function, and a rank. Lower ranks run first, over all elements, so that every requirement
gets a first look early (breadth first).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement


@dataclass(frozen=True, slots=True)
class Purpose:
    """What to try for requirements of one section and aspect."""

    section: str
    aspect: str
    rank: int
    work: Callable[[Tester, Requirement], None]

    @property
    def room(self) -> str:
        """Where it is at home: the tour, or the module that it is of."""
        return "tour" if self.rank == TOUR else self.work.__module__.rpartition("conformance.")[2]


PURPOSES: list[Purpose] = []

TOUR = 0
"""The rank of what comes before everything else, in an order of its own (`tour.ORDER`)."""


def purpose(
    section: str, aspect: str, rank: int
) -> Callable[[Callable[[Tester, Requirement], None]], Callable[[Tester, Requirement], None]]:
    """Enter a function in the list."""

    def enter(work: Callable[[Tester, Requirement], None]) -> Callable[[Tester, Requirement], None]:
        PURPOSES.append(Purpose(section, aspect, rank, work))
        return work

    return enter


def purposes_for(requirement: Requirement) -> list[Purpose]:
    """The purposes of a requirement, cheapest first; aspects such as `leave.2` match by their first word."""
    aspect = requirement.aspect.split(".")[0] if requirement.section == "state" else requirement.aspect
    return sorted(
        (each for each in PURPOSES if each.section == requirement.section and each.aspect == aspect),
        key=lambda each: each.rank,
    )


from wirevow.protocol.conformance.purposes import (  # noqa: E402,F401  (they enter themselves)
    actions,
    alternation,
    booting,
    constancy,
    cooling,
    counters,
    crossings,
    delays,
    extremes,
    framing,
    hands,
    laws,
    limits,
    looking,
    meddling,
    noticing,
    once,
    operating,
    peaks,
    points,
    readings,
    records,
    reflash,
    refusing,
    robustness,
    rows,
    saving,
    silence,
    spelling,
    states,
    thresholds,
    tickets,
    timed,
    tour,
    trips,
    ways,
)
