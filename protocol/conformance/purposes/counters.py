"""Purposes about counters that an action zeroes: nothing else does."""

from __future__ import annotations

from contextlib import suppress

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.behaviour import target_state
from protocol.conformance.tester import DRY, Broken, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Action, Pulse
from protocol.document.requirements import Requirement
from protocol.oracle import Judgement
from protocol.vow import ActionEntry

COUNTED_S = 20
"""So long counters run on a held clock, to be well above zero."""


def _zeroes(action: Action) -> list[str]:
    return [name for effect in action.does if isinstance(effect, Pulse) for name in effect.zeroes]


def _running(t: Tester, counters: set[str]) -> tuple[str, str] | None:
    """A counter, and a state in which the document says that it runs."""
    for law in t.vow.document.laws.values():
        counter = law.counter if law.integral_of is not None else law.elapses
        if counter in counters and law.armed_in:
            return counter or "", law.armed_in[0]
    return None


@purpose("action", "effect", 2)
def leaves_counters(t: Tester, r: Requirement) -> None:
    """Once for all actions that do not zero: a counter above zero stays where it is, or goes on."""
    if "counters left" in t.done:
        return
    t.done.add("counters left")
    declared = t.vow.document.actions
    zeroing = {name for name, action in declared.items() if _zeroes(action)}
    found = _running(t, {each for name in zeroing for each in _zeroes(declared[name])})
    if found is None:
        return
    counter, running = found
    if t.vow.states[running].energised and not t.energise:
        raise NotSelected(f"its counters run in states that handle power; that {DRY}")
    stands = False
    for action in t.vow.actions.values():
        if action.name not in zeroing and ("reboot", "") not in action.does:
            with suppress(NotSelected):
                stands = _leaves(t, action, counter, "" if stands else running)


def _leaves(t: Tester, action: ActionEntry, counter: str, running: str) -> bool:
    """Do an action where the counter stands, after a while where it runs; whether it still stands."""
    t.home()
    if running:
        t.prepare()
        t.goto(running)
        t.alive((COUNTED_S if t.session.held else 2) * NS_PER_S)
        t.safe()
    t.goto(target_state(t, action))
    before = t.read(counter)
    if action.takes_ticket is not None:
        t.with_ticket(action.name)
    else:
        t.act(action.name)
    t.ask("self.state")
    t.alive(2 * t.vow.points[counter].period_ns)
    entry, after = t.vow.points[counter], t.read(counter)
    if after < before:
        due = f"{counter} at least {' '.join(entry.words(before))}: {action.name} does not zero it"
        judgement = Judgement(False, f"action.{action.name}.effect", due)
        raise Broken(judgement, f"ask {counter}", " ".join(entry.words(after)))
    t.keep(f"action.{action.name}.effect")
    return after > 0
