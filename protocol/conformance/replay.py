"""Replaying a case, and making it shorter: the same steps, judged anew by the oracle."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from wirevow.protocol.conformance.casefile import Case, Step, doings, sent, steps_of
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, NoInstrument, OutOfBudget
from wirevow.protocol.conformance.purposes import purposes_for
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import duration_ns
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.vow import value_of

FREED = Step("bench", "link.transmitter free")
MOST_TRIES = 200
"""Attempts to make a case shorter on a held clock; each starts the instrument afresh."""
AGAIN = 3
"""A failure that its steps alone do not show is looked for so often by what found it."""
MOST_TRIES_REAL = 40
"""The same on a clock that runs by itself, where every wait is one."""


def perform(tester: Tester, steps: Sequence[Step]) -> None:
    """Do the steps from where the instrument is. `Broken` when an answer is wrong.

    What is sent to a stalled transmitter is answered when it is free again. NotSelected where the steps leave
    it stalled: no instrument could answer then.
    """
    tickets: list[str] = []
    held_back = b""
    for step in steps:
        if step.kind in (">", ">>") and tester.oracle.twin.blocked:
            held_back += sent(step, tickets)
            continue
        if held_back and step == FREED:
            tester.free_after(held_back)
            held_back = b""
            continue
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
            case "store":
                tester.reflash(bytes.fromhex(step.text))
            case "reset":
                tester.reset()
        if held_back and not tester.oracle.twin.blocked:
            raise NotSelected("a boot came before the answers to what a stalled transmitter was sent")
    if tester.oracle.twin.blocked:
        raise NotSelected("the steps leave the transmitter stalled")
    tester.quiet()


def _bench(tester: Tester, event: str, value: str) -> None:
    if event == "link.transmitter":
        tester.transmitter(value)
    elif event.startswith("panel."):
        entry = tester.vow.points.get(event.removeprefix("panel."))
        tester.panel(event, value if entry is None or entry.scale is None else value_of(entry, value))
    else:
        tester.bench(event, value or None)


def replay(tester: Tester, case: Case) -> Case | None:
    """Show the failure of a case again: the case as it went this time, or None if everything was right.

    The steps come first. Where a case rests on more than one answer (a time, a relation of readings), its
    purpose is worked as well. What breaks may be another promise than the first time; the case returned
    says which. Raises what a `Tester` raises when it cannot be done here, or not be judged.
    """
    tester.mark()
    try:
        tester.acquaint()
        tester.home()
        tester.mark()
        tester.trying = case.requirement
        perform(tester, case.steps)
        tester.home()
        by_id = {each.id: each for each in requirements(tester.vow.document)}
        requirement = by_id.get(case.purpose) or by_id.get(case.requirement)
        if requirement is not None:
            tester.mark()
            _work(tester, requirement, case.seed)
    except Broken as broken:
        return _as_it_went(tester, case, broken)
    return None


def _as_it_went(tester: Tester, case: Case, broken: Broken) -> Case:
    """The case with the steps since the mark, and what broke."""
    went = replace(
        case,
        steps=steps_of(tester.since_mark(), tester.vow),
        expected=broken.judgement.expected,
        seen=broken.seen,
    )
    by_id = {each.id: each for each in requirements(tester.vow.document)}
    other = by_id.get(broken.judgement.requirement)
    if other is None or other.id == case.requirement:
        return went
    return replace(went, requirement=other.id, promise=other.sentence, written=case.source)


def _work(tester: Tester, requirement: Requirement, seed: int) -> None:
    for purpose in purposes_for(requirement):
        tester.home()
        tester.mark()
        tester.random = purpose_random(seed, requirement.id, purpose.rank)
        try:
            purpose.work(tester, requirement)
            tester.quiet()
            if tester.tells("self.boots"):
                tester.ask("self.boots")
        except (NotSelected, Doubtful):
            continue


def purpose_random(seed: int, requirement: str, rank: int) -> random.Random:
    """The choices of one purpose: the same in every run of one seed, whatever ran before."""
    return random.Random(f"{seed} {requirement} {rank}")


@dataclass(frozen=True, slots=True)
class Recurrence:
    """How often a failure came when the way to it was gone again."""

    came: int
    tries: int

    @property
    def intermittent(self) -> bool:
        """Whether it did not come every time."""
        return self.came < self.tries


def recurrence(tester: Tester, work: Callable[[], None]) -> Recurrence | None:
    """Try again from the beginning what found a failure; whatever breaks counts. None if that cannot be."""
    came = tries = 0
    for _ in range(AGAIN):
        try:
            tester.trying = None
            tester.acquaint()
            tester.home()
            tester.mark()
            work()
        except Broken:
            came += 1
        except (Doubtful, NotSelected, NoInstrument, OutOfBudget):
            break
        tries += 1
    return Recurrence(came, tries) if tries else None


def shortened(tester: Tester, case: Case) -> Case | None:
    """The case by a shorter way to the same broken promise; None if its steps alone do not show it.

    Delta debugging (A. Zeller and R. Hildebrandt, Simplifying and isolating failure-inducing input, IEEE
    Transactions on Software Engineering 28(2), 2002), for a failure at the end of its steps: first the last
    few steps are tried, then ever smaller parts are left out, until no single step can be.
    """
    attempts = _Attempts(tester, case.requirement)
    try:
        steps = attempts.shortest(doings(case.steps))
    except OutOfBudget:
        return None
    if steps is None:
        return None
    # Once more, for the lines that come on the shorter way.
    try:
        tester.acquaint()
        tester.home()
        tester.mark()
        tester.trying = case.requirement
        perform(tester, steps)
    except Broken as broken:
        return _as_it_went(tester, case, broken)
    except (NotSelected, Doubtful, NoInstrument, OutOfBudget):
        pass
    return None


class _Attempts:
    """Tries whether steps show that a promise is broken."""

    def __init__(self, tester: Tester, requirement: str) -> None:
        self._tester = tester
        self._requirement = requirement
        self._known = frozenset(each.id for each in requirements(tester.vow.document))
        self._left = MOST_TRIES if tester.session.held else MOST_TRIES_REAL

    def shortest(self, whole: tuple[Step, ...]) -> tuple[Step, ...] | None:
        """The fewest of the steps that were found to show it, in order; None if they all do not."""
        best = self._last(whole)
        if best is None:
            return None
        size = len(best) // 2
        while size:
            # The last step is where it shows.
            start, before = 0, len(best)
            while start + size < len(best) and self._left:
                candidate = best[:start] + best[start + size :]
                if self._shows(candidate):
                    best = candidate
                else:
                    start += size
            if size > 1 or len(best) == before or not self._left:
                size //= 2
        return best

    def _last(self, whole: tuple[Step, ...]) -> tuple[Step, ...] | None:
        size = 1
        while size < len(whole) and self._left:
            if self._shows(whole[-size:]):
                return whole[-size:]
            size *= 2
        return whole if self._left and self._shows(whole) else None

    def _shows(self, candidate: Sequence[Step]) -> bool:
        self._left -= 1
        tester = self._tester
        try:
            tester.trying = None
            tester.acquaint()
            tester.home()
            tester.trying = self._requirement
            perform(tester, candidate)
        except Broken as broken:
            named = broken.judgement.requirement
            # What the document has no requirement for was put down to the one that was being tried.
            return named == self._requirement or named not in self._known
        except (NotSelected, Doubtful):
            return False
        except NoInstrument:
            self._left = 0  # it is gone: nothing more can be tried
            return False
        return False
