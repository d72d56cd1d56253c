"""Purposes about tickets."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.actions import act_guarded, shut_guard
from wirevow.protocol.conformance.purposes.meddling import (
    Step,
    by_hand,
    given,
    giver,
    has_panel,
    may_wait,
    refused_here,
    taker,
    unheard,
    way_to,
)
from wirevow.protocol.conformance.purposes.points import (
    boots,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import MISSES
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import ActionEntry


@purpose("wire", "ticket", 3)
def ticket(t: Tester, r: Requirement) -> None:
    give = giver(t)
    take = taker(t)
    good = given(t)
    t.ask("self.state")
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    near = f"{int(good, 16) ^ 1:04x}"
    for wrong in (near, f"{int(good, 16) ^ 0x8000:04x}", "0000", "ffff", good[::-1]):
        if wrong != good:
            t.say(f"act {take.name} {wrong}")
    # A newer one voids it.
    if given(t) != good:
        t.say(f"act {take.name} {good}")
    # So does time.
    assert give.gives_ticket_ns is not None
    if t.session.held or give.gives_ticket_ns < 10**10:
        latest = t.oracle.twin.ticket
        t.wait(give.gives_ticket_ns + (1_000_000 if t.session.held else 4 * HOST_SLACK_NS))
        t.ask("self.state")
        if t.state not in take.to:
            given(t)
        t.say(f"act {take.name} {latest}")
    if not t.energise:
        return
    # Good once.
    t.home()
    t.prepare()
    used = given(t)
    t.act(take.name)
    t.ask("self.state")
    t.safe()
    if t.state != t.vow.initial:
        t.home()
    given(t)
    t.say(f"act {take.name} {used}")
    # Good for all its time.
    t.home()
    t.prepare()
    given(t)
    t.wait(give.gives_ticket_ns * 9 // 10)
    t.act(take.name)
    t.ask("self.state")
    # And void after a boot, which gives other ones.
    for boot_again in boots(t):
        t.home()
        boot_again()
        old = given(t)
        boot_again()
        if given(t) == old:
            # Once it may be chance.
            boot_again()
            if given(t) == old:
                due = "another ticket than before the boot"
                raise Broken(Judgement(False, r.id, due), f"act {give.name}", f"ok {old}")
        t.say(f"act {take.name} {old}")


@purpose("wire", "ticket", 2)
def ticket_through(t: Tester, r: Requirement) -> None:
    """What is no request leaves a ticket as good as it was, and what is one makes it no better."""
    give, take = giver(t), taker(t)
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    good_ns = give.gives_ticket_ns
    assert good_ns is not None
    if not may_wait(t, 2 * good_ns):
        raise NotSelected("the ticket's time takes too long on a clock that cannot be advanced")
    t.prepare()
    again = f"@2d act {give.name}".encode()
    t.line(again)
    t.wait(good_ns * 6 // 10)
    t.line(again)  # the ticket of before, and no younger
    if t.energise and t.state in take.to:
        switched = [partial(t.put, "link.notices", word) for word in ("off", "on")]
        for step in (*_failed(t, take), *by_hand(t), *(switched if "link.notices" in t.vow.points else ())):
            step()  # nor is it any younger for these, a miss among them
    t.ask("self.state")
    t.wait(good_ns * 4 // 10 + (1_000_000 if t.session.held else 4 * HOST_SLACK_NS))
    t.ask("self.state")
    for each in t.vow.actions.values():
        if each.takes_ticket == give.name and t.state in each.to:
            t.act(each.name)
    if not t.energise or not t.session.held:
        return
    for guard in (False, True):
        t.home()
        t.prepare()
        if guard:
            t.say("put link.guard on")
            t.act(give.name)
        else:
            t.line(again)
            t.line(again)
        for step in (*_failed(t, take), *by_hand(t), *unheard(t)):
            if t.now_ns < t.oracle.twin.entered_ns + good_ns // 2:
                step()
        t.act(take.name)
        t.ask("self.state")
    # Nor is it any better where everything has been visited.
    t.home()
    t.prepare()
    far = {state.name: len(way_to(t, state.name)) for state in t.vow.states.values() if state.energised}
    if far:
        with suppress(NotSelected, Doubtful):
            t.goto(max(far, key=lambda each: far[each]))
            t.home()
    t.prepare()
    t.act(give.name)
    t.say(f"act {take.name} {int(t.oracle.twin.ticket or '0', 16) ^ 0x10:04x}")


def _failed(t: Tester, take: ActionEntry) -> Iterator[Step]:
    """Attempts with the good ticket that are refused for what else is wrong with them."""
    act = f"act {take.name} {t.oracle.twin.ticket or '0000'}".encode()
    yield partial(t.line, act + b" ~0000")
    yield partial(t.line, act.ljust(t.vow.document.wire.line_limit + 1, b"0"))
    if t.guard:
        yield partial(t.line, act)
        yield partial(t.line, f"act {take.takes_ticket}".encode())
    yield partial(t.say, f"act {take.name}")
    yield partial(t.say, act.decode() + " 0000")
    for action in t.vow.actions.values():
        if action.guard is not None and action.takes_ticket == take.takes_ticket:
            yield partial(t.say, f"act {action.name} {int(act[-4:], 16) ^ 1:04x}")


@purpose("wire", "ticket", TOUR)
def ticket_while_busy(t: Tester, r: Requirement) -> None:
    """While the panel has control a wrong ticket is wrong first, and the good one is only busy, and stays."""
    take = taker(t)
    if take is None or not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel, and an action that takes the ticket")
    t.prepare()
    t.act(giver(t).name)
    good = t.oracle.twin.ticket or "0000"
    t.panel("panel.control", "local")
    t.say(f"act {take.name} {int(good, 16) ^ 0x100:04x}")
    t.act(giver(t).name)
    t.act(take.name)
    t.panel("panel.control", "remote")
    if t.energise:
        t.act(take.name)
        t.ask("self.state")


@purpose("wire", "ticket", 3)
def ticket_and_newer_ones(t: Tester, r: Requirement) -> None:
    """A ticket is void for good when newer ones are given, and for every action when it is too old."""
    give = giver(t)
    t.prepare()
    given = [t.act(give.name).words for _ in range(4)]
    if given[:2] == given[2:]:
        judgement = Judgement(False, r.id, "another ticket than those before")
        raise Broken(judgement, f"act {give.name}", " ".join(("ok", *given[3])))


@purpose("wire", "ticket", 3)
def ticket_among_others(t: Tester, r: Requirement) -> None:
    """A ticket is as good as before whatever else is asked, and no other is."""
    give, take = giver(t), taker(t)
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    refused = t.random.choice([each for each in refused_here(t) if each.startswith("put ")])
    t.prepare()
    t.act(give.name)
    if t.state not in take.to or not t.energise:
        return
    here = [each for each in t.vow.actions.values() if each.to.get(t.state) == t.state]
    other = next((each for each in here if not each.always and not each.gives_ticket_ns), None)
    good = int(t.oracle.twin.ticket or "0", 16)
    for text in (refused, f"act {give.name} x", f"act {take.name} {good ^ 0x8000:04x}"):
        t.say(text)
    if good:
        t.say(f"act {take.name} 0000")
    if other is not None:
        t.act(other.name)
    for action in t.vow.actions.values():
        if action.guard is not None and action.takes_ticket == give.name and t.state in action.to:
            _shut(t, action)
    t.act(take.name)
    t.ask("self.state")


def _shut(t: Tester, action: ActionEntry) -> None:
    """With its guard shut by a setting, an action is refused for that: before its ticket and the panel."""
    if shut_guard(t, action):
        t.say(f"act {action.name} x")
        if has_panel(t):
            t.panel("panel.control", "local")
        act_guarded(t, action)
        if has_panel(t):
            t.panel("panel.control", "remote")


@purpose("wire", "ticket", 3)
def ticket_after_misses(t: Tester, r: Requirement) -> None:
    """Two misses leave a ticket good, the third makes it void, and each ticket has its own."""
    give, take = giver(t), taker(t)
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    if not t.energise:
        raise NotSelected("a void ticket shows only where a good one could energise the input")
    t.prepare()
    for _ in range(2):
        t.act(give.name)
        _miss(t, take, 2)
    t.act(take.name)
    t.ask("self.state")
    t.home()
    t.prepare()
    t.act(give.name)
    good = t.oracle.twin.ticket or "0000"
    _miss(t, take, 1)
    for action in t.vow.actions.values():
        if action.takes_ticket == give.name and action is not take and t.state in action.to:
            _miss(t, action, 1)
    _miss(t, take, MISSES - t.oracle.twin.misses)
    t.say(f"act {take.name} {good}")
    t.ask("self.state")
    t.act(give.name)
    t.act(take.name)
    t.ask("self.state")


def _miss(t: Tester, action: ActionEntry, times: int) -> None:
    for bit in range(times):
        if t.oracle.twin.ticket is not None:
            t.say(f"act {action.name} {int(t.oracle.twin.ticket, 16) ^ (1 << bit):04x}")
