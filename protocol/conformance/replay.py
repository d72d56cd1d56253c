"""Replaying a case, and making it shorter: the same steps, judged anew by the oracle."""

from __future__ import annotations

import random
from collections.abc import Sequence

from protocol.conformance.casefile import Case, Step, sent, without
from protocol.conformance.purposes import purposes_for
from protocol.conformance.tester import Broken, Doubtful, NoInstrument, NotSelected, Tester
from protocol.document.model import duration_ns
from protocol.document.requirements import Requirement, requirements
from protocol.vow import value_of

MOST_TRIES = 40
"""Attempts to make a case shorter; each starts the instrument afresh."""


def perform(tester: Tester, steps: Sequence[Step]) -> None:
    """Do the steps from where the instrument is. `Broken` when an answer is wrong."""
    tickets: list[str] = []
    for step in steps:
        match step.kind:
            case ">" | ">>":
                tester.raw(sent(step, tickets))
                if tester.oracle.twin.ticket is not None and tester.oracle.twin.ticket not in tickets[-1:]:
                    tickets.append(tester.oracle.twin.ticket)
            case "wait":
                tester.wait(duration_ns(step.text))
            case "bench":
                _bench(tester, *step.text.partition(" ")[::2])
            case "power":
                tester.power_cycle()
            case "reset":
                tester.reset()
    tester.quiet()


def _bench(tester: Tester, event: str, value: str) -> None:
    if event == "link.transmitter":
        tester.transmitter(value)
    elif event.startswith("panel."):
        entry = tester.vow.points.get(event.removeprefix("panel."))
        tester.panel(event, value if entry is None or entry.scale is None else value_of(entry, value))
    else:
        tester.bench(event, value or None)


def replay(tester: Tester, case: Case) -> Broken | None:
    """Show the failure of a case again; what broke, or None if everything was right this time.

    The steps come first. Where a case rests on more than one answer (a time, a relation of readings), its
    purpose is worked as well.
    """
    tester.acquaint()
    tester.home()
    tester.mark()
    try:
        perform(tester, case.steps)
        tester.home()
        by_id = {each.id: each for each in requirements(tester.vow.document)}
        requirement = by_id.get(case.purpose) or by_id.get(case.requirement)
        if requirement is not None:
            tester.mark()
            _work(tester, requirement, case.seed)
    except Broken as broken:
        return broken
    return None


def _work(tester: Tester, requirement: Requirement, seed: int) -> None:
    for purpose in purposes_for(requirement):
        tester.home()
        tester.mark()
        tester.random = purpose_random(seed, requirement.id, purpose.rank)
        try:
            purpose.work(tester, requirement)
            tester.quiet()
            tester.ask("self.boots")
        except (NotSelected, Doubtful):
            continue


def purpose_random(seed: int, requirement: str, rank: int) -> random.Random:
    """The choices of one purpose: the same in every run of one seed, whatever ran before."""
    return random.Random(f"{seed} {requirement} {rank}")


def reduced(tester: Tester, steps: Sequence[Step], requirement: str) -> tuple[Step, ...] | None:
    """A shorter way to the same broken requirement, or None if the steps alone do not show it.

    First the last few steps, then one step less at a time, from the front.
    """
    tries = 0

    def shows(candidate: Sequence[Step]) -> bool:
        nonlocal tries
        tries += 1
        try:
            tester.acquaint()
            tester.home()
            perform(tester, candidate)
        except Broken as broken:
            return broken.judgement.requirement == requirement
        except (NotSelected, Doubtful, NoInstrument):
            return False
        return False

    whole = without(steps, set())
    best: tuple[Step, ...] | None = None
    size = 1
    while size < len(whole) and tries < MOST_TRIES // 2:
        if shows(whole[-size:]):
            best = whole[-size:]
            break
        size *= 2
    if best is None:
        if not shows(whole):
            return None
        best = whole
    index = 0
    while index < len(best) and tries < MOST_TRIES and len(best) > 1:
        candidate = best[:index] + best[index + 1 :]
        if shows(candidate):
            best = candidate
        else:
            index += 1
    return best
