"""Purposes about notices: whole, numbered, in their place, dropped only where none fits."""

from __future__ import annotations

import time
from contextlib import suppress
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.meddling import (
    by_hand,
    causes_notices,
    freed,
    has_panel,
    has_transmitter,
    has_tripped,
    idle_limit_ns,
    left_by_time,
    longer_than,
    may_wait,
    on_the_panel,
    overlong,
    run_over,
    struck,
    taker,
    trip_and_cause,
    turned,
)
from wirevow.protocol.conformance.purposes.points import (
    boots,
    other_value,
    restart,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import LAST_NOTICE
from wirevow.protocol.oracle import Judgement

LONG = 1100
"""Notices after which a short count of them has come round."""


@purpose("wire", "notice.number", 2)
def notice_number_long(t: Tester, r: Requirement) -> None:
    """Past what a byte can count, and three digits."""
    if "panel.control" not in t.events or "bench" not in t.abilities or not t.session.held:
        raise NotSelected("needs a rig that can turn the front panel and hold the clock")
    t.panel_taken(LONG // 2)


@purpose("wire", "notice.number", 3)
def notice_number(t: Tester, r: Requirement) -> None:
    restart(t)
    causes_notices(t, 3)


@purpose("wire", "notice.whole", 3)
def notice_whole(t: Tester, r: Requirement) -> None:
    causes_notices(t, 2)
    t.say("put link.guard on")
    causes_notices(t, 2)


@purpose("wire", "notice.off", TOUR)
def notice_off(t: Tester, r: Requirement) -> None:
    causes_notices(t, 1)  # they tell where the numbers are
    t.ask("self.state")
    t.say("put link.notices off")
    t.ask("link.notices")
    causes_notices(t, 2)
    t.quiet()
    t.say("put link.notices on")
    causes_notices(t, 1)
    # A boot turns them back on, and says so itself.
    for boot_again in boots(t):
        t.home()
        t.say("put link.notices off")
        boot_again()
        t.ask("link.notices")


@purpose("wire", "notice.queue", TOUR)
def notice_queue(t: Tester, r: Requirement) -> None:
    t.need("bench")
    if "panel.control" not in t.events or "link.transmitter" not in t.events:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel")
    limit = t.vow.document.wire.notice_queue
    # So many are dropped that a byte does not count them, where turning takes no time.
    for extra in (0, 301 if t.session.held else 3):
        restart(t)
        t.transmitter("stalled")
        pairs, odd = divmod(limit + extra, 2)
        if pairs:
            t.panel_taken(pairs)
        if odd:
            t.panel("panel.control", "local")
        t.transmitter("free")
        t.ask("link.drops")
        t.panel("panel.control", "remote")


SOON_NS = 60 * NS_PER_S
"""What is provoked within this does not take long by its nature."""


@purpose("wire", "notice.whole", 3)
def begun_through_notices(t: Tester, r: Requirement) -> None:
    """A line that has begun goes on after whatever is said unasked meanwhile, and a late one stays late."""
    if not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel")
    for step in by_hand(t):
        t.raw(b"ask self.")
        step()
        t.raw(b"state\n")
    for begun, rest in ((b"ask self.state\r", b"\n"), (overlong(t), b"y\n"), (b"@5", b" ask self.state\n")):
        t.raw(begun)
        t.panel("panel.control", "local")
        t.raw(rest)
        t.panel("panel.control", "remote")
    t.say("put link.guard on")
    if may_wait(t, idle_limit_ns(t)):
        t.raw(b"ask self.")
        t.wait(idle_limit_ns(t))
        t.panel("panel.control", "local")
        t.raw(b"ask self.state\n")
        t.panel("panel.control", "remote")
        # What is said meanwhile does not make the line younger.
        t.raw(b"ask self.")
        for who in ("local", "remote"):
            t.wait(idle_limit_ns(t) * 6 // 10)
            t.panel("panel.control", who)
        t.raw(b"state\n")
        t.quiet()
    t.ask("self.state")


@purpose("wire", "notice.queue", 2)
def waiting_over_boot(t: Tester, r: Requirement) -> None:
    """Notices that wait are gone with a boot, and so is what was counted of them."""
    ways = [each for each in boots(t) if each in (t.power_cycle, t.reset)]
    if not has_panel(t) or not has_transmitter(t) or not ways:
        raise NotSelected(
            "needs a rig that can stall the transmitter, turn the panel and boot the instrument"
        )
    t.transmitter("stalled")
    for _ in range(t.vow.document.wire.notice_queue // 2 + 1):
        for who in ("local", "remote"):
            t.panel("panel.control", who)
    ways[-1]()
    t.transmitter("free")
    for each in t.vow.points.values():
        if each.system == "drops":
            t.ask(each.name)
    t.panel("panel.control", "local")
    t.panel("panel.control", "remote")


@purpose("wire", "notice.off", 1)
def unsent_is_not_dropped(t: Tester, r: Requirement) -> None:
    """While notices are off none waits and none is dropped, whatever the transmitter does."""
    if not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel")
    drops = t.vow.system_name("drops")
    t.say("put link.notices off")
    for stalled in (False, True):
        if stalled and not has_transmitter(t):
            break
        if drops is not None:
            t.ask(drops)
        if stalled:
            t.transmitter("stalled")
        for _ in range(t.vow.document.wire.notice_queue // 2 + 1):
            for who in ("local", "remote"):
                t.panel("panel.control", who)
        if stalled:
            t.transmitter("free")
        if drops is not None:
            t.ask(drops)
    t.say("put link.notices on")
    t.panel("panel.control", "local")
    t.panel("panel.control", "remote")


@purpose("wire", "notice.off", 1)
def off_for_all_that_happens(t: Tester, r: Requirement) -> None:
    """While notices are off nothing is said of trips either, nor of what time does."""
    t.say("put link.notices off")
    provoked = [
        (t.vow.states[entry.provoke.state].energised, entry.provoke.within, name)
        for name, entry in t.vow.document.trips.items()
        if entry.provoke is not None and entry.provoke.bench and may_wait(t, entry.provoke.within)
    ]
    for _, _, name in sorted(provoked):
        provoke = t.vow.document.trips[name].provoke
        if provoke is not None and t.may_enter(provoke.state) and "bench" in t.abilities:
            with suppress(NotSelected, Doubtful):
                struck(t, name)
                break
    t.home()
    t.say("put link.notices off")
    timed = [(each.after_ns, s.name) for s in t.vow.states.values() for each in s.leaves if each.when is None]
    for after_ns, state in sorted(timed):
        if t.may_enter(state) and may_wait(t, after_ns):
            t.goto(state)
            t.alive(after_ns + after_ns // 100 + (0 if t.session.held else 4 * HOST_SLACK_NS))
            t.ask("self.state")
            break
    t.quiet()


@purpose("trip", "fires", 1)
def fires_in_any_session(t: Tester, r: Requirement) -> None:
    """A protection acts whoever has control, and whether or not it can be told. One trip shows each."""
    provoke = t.vow.document.trips[r.element].provoke
    if provoke is None or not provoke.bench or provoke.silence:
        return
    if provoke.within > SOON_NS or not may_wait(t, provoke.within):
        return
    longest_ns = t.longest_silence_ns()
    controlled = "panel.control" in t.vow.trips[r.element].when.names
    if has_panel(t) and not controlled and "tripped from the panel" not in t.done:
        t.done.add("tripped from the panel")
        struck(t, r.element, partial(t.panel, "panel.control", "local"))
        t.panel("panel.control", "remote")
    elif longest_ns is not None and provoke.within > longest_ns:
        return
    elif has_transmitter(t) and "tripped in a stall" not in t.done:
        t.done.add("tripped in a stall")
        struck(t, r.element, partial(t.transmitter, "stalled"), partial(freed, t, provoke))


@purpose("wire", "notice.whole", 2)
def notices_before_replies(t: Tester, r: Requirement) -> None:
    """Notices that have had to wait leave before the reply to what was asked after them."""
    if not has_transmitter(t) or not t.session.held:
        raise NotSelected("needs a rig that can stall the transmitter, and hold the clock")
    for guard in (False, True):
        if guard:
            t.say("put link.guard on")
        t.transmitter("stalled")
        for who in ("local", "remote") if has_panel(t) else ():
            t.panel("panel.control", who)
        t.free_after(b"@a ask self.state\n")
        t.quiet()


QUICK_S = 0.1
"""A rig that makes its turns in so short a time is asked for many more."""

TURNS = 1000
"""Turns of the panel, after which it is known how long more of them take."""


@purpose("wire", "notice.queue", TOUR)
def waiting_of_every_kind(t: Tester, r: Requirement) -> None:
    """Notices of every kind wait in the order in which they came, and each leaves once."""
    if not has_panel(t) or not has_transmitter(t):
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel")
    t.say("put link.guard on")
    local = on_the_panel(t)
    if local is not None:
        # As many as may wait, and long ones: each has a check.
        t.panel("panel.control", "local")
        t.transmitter("stalled")
        for _ in range(t.vow.document.wire.notice_queue):
            t.panel(f"panel.{local.name}", other_value(t, local))
        t.transmitter("free")
        t.panel("panel.control", "remote")
    left = left_by_time(t)
    if left is not None:
        t.goto(left[0])
        if t.oracle.twin.early_ns >= left[1] // 3:
            left = None  # nobody knows between which of the hands it is left
    t.transmitter("stalled")
    for who in ("local", "remote", "local"):
        t.panel("panel.control", who)
        if local is not None and who == "local":
            t.panel(f"panel.{local.name}", other_value(t, local))
        if left is not None:
            t.wait(left[1] // 3 + 1)
    t.panel("panel.control", "remote")
    room = len(t.oracle.twin.due) < t.vow.document.wire.notice_queue
    struck = trip_and_cause(t) if room else None
    t.transmitter("free")
    if struck is not None:
        has_tripped(t, struck)
    t.ask("self.state")


@purpose("wire", "notice.off", 2)
def switched_while_some_wait(t: Tester, r: Requirement) -> None:
    """What waits when notices are turned on or off leaves before the reply to that; then they are."""
    if not has_panel(t) or not has_transmitter(t) or not t.session.held:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel, and hold the clock")
    for value in ("on", "off"):
        t.transmitter("stalled")
        turned(t)
        t.free_after(f"put link.notices {value}\n".encode())
        turned(t)
    t.say("put link.notices on")
    turned(t)


@purpose("wire", "notice.whole", TOUR)
def before_every_reply(t: Tester, r: Requirement) -> None:
    """Notices that have had to wait leave before the next reply, whatever it answers."""
    if not has_panel(t) or not has_transmitter(t) or not t.session.held:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel, and hold the clock")
    again = b"@2b ask self.state"
    for line in (again, again, b"x", overlong(t), b"ask self.state ~0000", b"ask no.such"):
        t.transmitter("stalled")
        turned(t)
        t.free_after(line + b"\n")


@purpose("wire", "notice.number", 5)
def numbers_come_round(t: Tester, r: Requirement) -> None:
    """The number after the last is the first again."""
    if not has_panel(t) or not t.session.held:
        raise NotSelected("needs a rig that can turn the front panel and hold the clock")
    t.say("put link.notices off")
    began_s = time.monotonic()
    t.panel_taken(TURNS // 2)
    if longer_than(t, began_s, QUICK_S):
        raise NotSelected("65,535 changes at the front panel take too long with this rig")
    t.panel_taken((LAST_NOTICE - t.oracle.twin.number) // 2)
    t.say("put link.notices on")
    turned(t, 4)


@purpose("wire", "notice.off", 3)
def switches_stay(t: Tester, r: Requirement) -> None:
    """Guard and notices stay where they were put, whatever happens; so does what was counted and kept."""
    drops, last = t.vow.system_name("drops"), t.vow.system_name("last_trip")
    counted = has_panel(t) and has_transmitter(t) and drops is not None
    if counted:
        run_over(t)
        t.ask(drops or "")
    t.say("put link.guard on")
    t.say("put link.notices off")
    local = on_the_panel(t)
    if has_panel(t):
        t.panel("panel.control", "local")
        if local is not None:
            t.panel(f"panel.{local.name}", other_value(t, local))
        t.panel("panel.control", "remote")
    take = taker(t)
    t.prepare()
    if take is not None and t.may_enter(take.to[next(iter(take.to))]):
        with suppress(NotSelected):
            t.goto(take.to[next(iter(take.to))])
    if has_panel(t):
        turned(t)
    struck = trip_and_cause(t)
    if struck is not None:
        has_tripped(t, struck)
        name = struck[0].name
        if last is not None and (seen := t.ask(last).words)[:1] != (name,):
            raise Broken(Judgement(False, f"trip.{name}.report", name), f"ask {last}", " ".join(seen))
        _late(t)
        t.wait(t.vow.document.trial.settle)
        t.clear()
    left = left_by_time(t)
    if left is not None:
        if has_panel(t):
            # What time does untold may not have been all: the numbers so far are looked at before.
            t.ask("link.notices")
            t.say("put link.notices on")
            turned(t)
            t.say("put link.notices off")
        t.goto(left[0])
        t.wait(left[1])
    t.ask("link.notices")  # its check shows the guard
    t.say("put link.notices on")
    if has_panel(t):
        turned(t)
    t.guard_off()
    if counted:
        run_over(t)
        t.ask(drops or "")


def _late(t: Tester) -> None:
    """With the guard, the idle time is the shorter one."""
    idle_ns = t.vow.document.wire.idle_checked
    if t.session.held:
        t.raw(b"ask self.")
        t.wait(idle_ns + idle_ns // 50)
        t.raw(b"ask self.state\n")
        t.quiet()
