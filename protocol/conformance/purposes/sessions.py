"""Purposes about what stands for a whole session: switches, counts, and notices that have to wait.

Whatever else happens, a switch stays where it was put, and a count goes on. Of the notices that wait for the
transmitter none is lost, doubled or overtaken, whatever they tell and whatever is asked meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import suppress

from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.behaviour import (
    act_guarded,
    depends_on_state,
    shut_guard,
    target_state,
)
from wirevow.protocol.conformance.purposes.images import ask_parts
from wirevow.protocol.conformance.purposes.interludes import (
    SHORT_NS,
    has_panel,
    has_transmitter,
    may_wait,
    on_the_panel,
    overlong,
    refused_here,
    told_apart,
)
from wirevow.protocol.conformance.purposes.points import boots, doing, other_value
from wirevow.protocol.conformance.purposes.wire import a_number, giver, taker
from wirevow.protocol.conformance.tester import HOST_SLACK_NS, Broken, NotSelected, Tester
from wirevow.protocol.device import MISSES, NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import LAST_NOTICE, Request
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, record_of

FIRST_STRIDE_NS = 20 * NS_PER_S
SLOW_S = 0.5
"""A rig that takes so long for a stride of a long wait is not asked for the next, which is longer; nor for
more boots than it does in so long a time."""
QUICK_S = 0.1
"""A rig that makes its turns in so short a time is asked for many more."""
PAST_A_BYTE = 257
TURNS = 1000
"""Turns of the panel, after which it is known how long more of them take."""
DAYS_NS = (1 << 32) * 1_000_000
"""As long as 32 bits count milliseconds: 50 days."""


def _images(t: Tester) -> list[PointEntry]:
    """Records of what is now, not of a series."""
    records = [each for each in t.vow.points.values() if each.kind == "record"]
    return [each for each in records if all(field.count == 1 for field in record_of(t.vow, each).fields)]


def _longer(t: Tester, began_s: float, seconds: float) -> bool:
    """Whether a rig that is not known to be quick has taken longer."""
    return "quick" not in t.abilities and time.monotonic() - began_s > seconds


def _turned(t: Tester, count: int = 2) -> None:
    """The panel takes control and gives it back, so many turns in all."""
    for index in range(count):
        t.panel("panel.control", "remote" if index % 2 else "local")


def _run_over(t: Tester) -> None:
    """Some notices are dropped."""
    t.transmitter("stalled")
    _turned(t, t.vow.document.wire.notice_queue // 2 * 2 + 2)
    t.transmitter("free")


def _left_by_time(t: Tester) -> tuple[str, int] | None:
    """A state that handles no power and that time alone leaves, and how long to wait for that."""
    spans = sorted(
        (leave.after_ns, state.name)
        for state in t.vow.states.values()
        for leave in state.leaves
        if leave.when is None
        and not state.energised
        and t.may_enter(state.name)
        and may_wait(t, leave.after_ns)
    )
    if not spans:
        return None
    after_ns, state = spans[0]
    return state, after_ns + after_ns // 100 + (0 if t.session.held else 4 * HOST_SLACK_NS)


def _by_bench(t: Tester) -> Iterator[tuple[TripEntry, Provoke]]:
    """Trips that the bench alone provokes from here, and soon."""
    for name, declared in t.vow.document.trips.items():
        trip, provoke = t.vow.trips[name], declared.provoke
        if provoke is None or not provoke.bench or provoke.put or provoke.silence:
            continue
        soon = provoke.within <= SHORT_NS and t.state in trip.armed_in
        able = all(t.may_turn(*each) for each in provoke.bench.items())
        if soon and able and not depends_on_state(t, trip):
            yield trip, provoke


def _struck(t: Tester) -> tuple[TripEntry, Provoke] | None:
    """Have the bench trip it, if it can; nothing is asked meanwhile."""
    found = next(_by_bench(t), None)
    if found is not None:
        for event, value in found[1].bench.items():
            t.bench(event, value)
        t.wait(found[1].within + (0 if t.session.held else HOST_SLACK_NS))
    return found


def _follows(t: Tester, trip: TripEntry) -> None:
    if t.state != trip.to:
        # What has tripped and is not there has been cleared, with its cause still there.
        aspect = "clears" if trip.latched and t.oracle.twin.last_trip[0] == trip.name else "fires"
        judgement = Judgement(False, f"trip.{trip.name}.{aspect}", f"state {trip.to}")
        raise Broken(judgement, "", f"state {t.state}")


def _has_tripped(t: Tester, struck: tuple[TripEntry, Provoke]) -> None:
    """It has, and what provoked it goes away."""
    trip, provoke = struck
    t.ask("self.state")
    _follows(t, trip)
    t.relieve(provoke)


# -------------------------------------------------------------------------------------- notices that wait


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
    left = _left_by_time(t)
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
    struck = _struck(t) if room else None
    t.transmitter("free")
    if struck is not None:
        _has_tripped(t, struck)
    t.ask("self.state")


@purpose("wire", "notice.off", 2)
def switched_while_some_wait(t: Tester, r: Requirement) -> None:
    """What waits when notices are turned on or off leaves before the reply to that; then they are."""
    if not has_panel(t) or not has_transmitter(t) or not t.session.held:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel, and hold the clock")
    for value in ("on", "off"):
        t.transmitter("stalled")
        _turned(t)
        t.free_after(f"put link.notices {value}\n".encode())
        _turned(t)
    t.say("put link.notices on")
    _turned(t)


@purpose("wire", "notice.whole", TOUR)
def before_every_reply(t: Tester, r: Requirement) -> None:
    """Notices that have had to wait leave before the next reply, whatever it answers."""
    if not has_panel(t) or not has_transmitter(t) or not t.session.held:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel, and hold the clock")
    again = b"@2b ask self.state"
    for line in (again, again, b"x", overlong(t), b"ask self.state ~0000", b"ask no.such"):
        t.transmitter("stalled")
        _turned(t)
        t.free_after(line + b"\n")


@purpose("wire", "notice.number", 5)
def numbers_come_round(t: Tester, r: Requirement) -> None:
    """The number after the last is the first again."""
    if not has_panel(t) or not t.session.held:
        raise NotSelected("needs a rig that can turn the front panel and hold the clock")
    t.say("put link.notices off")
    began_s = time.monotonic()
    t.panel_taken(TURNS // 2)
    if _longer(t, began_s, QUICK_S):
        raise NotSelected("65,535 changes at the front panel take too long with this rig")
    t.panel_taken((LAST_NOTICE - t.oracle.twin.number) // 2)
    t.say("put link.notices on")
    _turned(t, 4)


# ------------------------------------------------------------------------------------- switches and counts


@purpose("wire", "notice.off", 3)
def switches_stay(t: Tester, r: Requirement) -> None:
    """Guard and notices stay where they were put, whatever happens; so does what was counted and kept."""
    drops, last = t.vow.system_name("drops"), t.vow.system_name("last_trip")
    counted = has_panel(t) and has_transmitter(t) and drops is not None
    if counted:
        _run_over(t)
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
        _turned(t)
    struck = _struck(t)
    if struck is not None:
        _has_tripped(t, struck)
        name = struck[0].name
        if last is not None and (seen := t.ask(last).words)[:1] != (name,):
            raise Broken(Judgement(False, f"trip.{name}.report", name), f"ask {last}", " ".join(seen))
        _late(t)
        t.wait(t.vow.document.trial.settle)
        t.clear()
    left = _left_by_time(t)
    if left is not None:
        if has_panel(t):
            # What time does untold may not have been all: the numbers so far are looked at before.
            t.ask("link.notices")
            t.say("put link.notices on")
            _turned(t)
            t.say("put link.notices off")
        t.goto(left[0])
        t.wait(left[1])
    t.ask("link.notices")  # its check shows the guard
    t.say("put link.notices on")
    if has_panel(t):
        _turned(t)
    t.guard_off()
    if counted:
        _run_over(t)
        t.ask(drops or "")


def _late(t: Tester) -> None:
    """With the guard, the idle time is the shorter one."""
    idle_ns = t.vow.document.wire.idle_checked
    if t.session.held:
        t.raw(b"ask self.")
        t.wait(idle_ns + idle_ns // 50)
        t.raw(b"ask self.state\n")
        t.quiet()


@purpose("wire", "atomic", 3)
def refused_switches_stay(t: Tester, r: Requirement) -> None:
    """A switch of the session stays where it is when it is refused, for whatever reason."""
    switches = [each.name for each in t.vow.points.values() if each.system in ("guard", "notices")]
    t.say("put link.guard on")
    for name in switches:
        t.say(f"put {name} x")
        t.line(f"put {name} off".encode())
    t.ask(switches[-1])  # its check shows the guard
    if has_panel(t):
        t.panel("panel.control", "local")
        for name in switches:
            t.say(f"put {name} off")
        t.say(f"put {switches[0]} x")
        t.ask(switches[-1])
        t.panel("panel.control", "remote")
        t.guard_off()
        t.panel("panel.control", "local")
        t.say("put link.guard on")
        t.ask(switches[0])
        t.panel("panel.control", "remote")


@purpose("wire", "atomic", 3)
def refused_is_not_done(t: Tester, r: Requirement) -> None:
    """What is refused is not done, whatever it is refused for: settings and counts are as they were."""
    entry, saves = a_number(t), t.vow.system_name("saves")
    acts: dict[str, str] = {}
    recall = t.vow.doing("recall")
    for action in t.vow.actions.values():
        for kind, _ in action.does:
            if (
                t.state in action.to
                and not action.always
                and t.may_do(action.name)
                and kind in ("save", "defaults", "recall", "reboot")
            ):
                acts[kind] = f"act {action.name}"
    if "recall" in acts and "reboot" in acts:
        del acts[t.random.choice(("recall", "reboot"))]  # either shows what the other would
    refused = [" ".join(("put", entry.name, *entry.words(entry.default))), *acts.values()]
    if saves is not None:
        t.ask(saves)
    t.put(entry.name, other_value(t, entry))
    for text in acts.values():
        t.say(f"{text} x")
    t.say("put link.guard on")
    for text in refused:
        t.line(text.encode())
    t.guard_off()
    if has_panel(t):
        t.panel("panel.control", "local")
        for text in ("put self.state 1", *refused):
            t.say(text)
        t.panel("panel.control", "remote")
    t.line(overlong(t) * 2)
    for name in (entry.name, saves, "self.state"):
        if name is not None:
            t.ask(name)
    # All that are saved at once.
    for image in _images(t):
        ask_parts(t, image)
    if saves is not None and recall is not None and t.state in recall.to:
        t.act(recall.name)  # nor has a save that was refused reached the store
        t.ask(entry.name)


@purpose("wire", "reasons", 3)
def wherever_it_is(t: Tester, r: Requirement) -> None:
    """Guard, panel and what is remembered rule in a state that handles power as they do at first."""
    others = [
        state for state in t.vow.states.values() if state.name != t.vow.initial and t.may_enter(state.name)
    ]
    live = any(each.energised for each in others)
    alike = [each.name for each in others if each.energised is live]
    if not alike:
        raise NotSelected("no other state can be reached")
    t.random.shuffle(alike)
    t.prepare()
    t.goto(max(alike, key=lambda each: len(_of_its_own(t, each))))
    _rules(t, a_number(t))


def _of_its_own(t: Tester, state: str) -> list[str]:
    """Actions without a ticket that are done in a state and not in the initial one."""
    done = [each for each in t.vow.actions.values() if state in each.to and each.takes_ticket is None]
    return [each.name for each in done if not each.always and t.vow.initial not in each.to]


def _rules(t: Tester, entry: PointEntry) -> None:
    """Each rule of the session once, in the present state."""
    fine = f"put {entry.name} {' '.join(entry.words(t.setting(entry.name)))}"
    acts = _of_its_own(t, t.state)
    t.say("put link.guard on")
    t.line(f"@3a {fine}".encode())
    for name in (acts or [each.name for each in t.vow.actions.values() if each.always])[:1]:
        t.line(f"act {name}".encode())
    if not has_panel(t):
        return
    t.panel("panel.control", "local")
    t.say(fine)
    for name in acts[1:]:
        t.act(name)
    busy = Request("@3b", "act", acts[0], (), True).line() if acts else None
    if busy is not None:
        t.line(busy)
    t.panel("panel.control", "remote")
    if busy is not None:
        t.line(busy)
    t.panel("panel.control", "local")
    t.safe()
    t.panel("panel.control", "remote")
    t.ask("self.state")


# --------------------------------------------------------------------------------------------------- boots


@purpose("wire", "boot", 3)
def forgotten_by_every_boot(t: Tester, r: Requirement) -> None:
    """What was counted and told since a boot is gone after the next, also after one that nobody asked for."""
    ways = [each for each in boots(t) if each in (t.power_cycle, t.reset)]
    shown = [
        each for kind in ("drops", "captures", "last_trip") if (each := t.vow.system_name(kind)) is not None
    ]
    if not ways or not shown:
        raise NotSelected("needs a rig that can boot the instrument")
    capture = next((a for a in t.vow.actions.values() if "capture" in {kind for kind, _ in a.does}), None)
    for again in ways:
        if has_panel(t) and has_transmitter(t):
            _run_over(t)
        if capture is not None:
            with suppress(NotSelected):
                t.prepare()
                t.goto(target_state(t, capture))
                t.act(capture.name)
                t.alive(NS_PER_S)
        struck = _struck(t)
        if struck is not None:
            t.relieve(struck[1])
        again()
        for name in shown:
            t.ask(name)


@purpose("wire", "order", 2)
def answered_before_a_boot(t: Tester, r: Requirement) -> None:
    """What was asked before a boot is answered before it, and so is what asks for the boot."""
    reboot = t.vow.doing("reboot")
    if reboot is None or t.state not in reboot.to:
        raise NotSelected("no action boots it from its initial state")
    lines = (f"{t.new_tag()} {text}\n" for text in ("ask self.vow", f"act {reboot.name}"))
    t.raw("".join(lines).encode())
    t.ask("self.state")


@purpose("wire", "boot", 2)
def boots_past_a_byte(t: Tester, r: Requirement) -> None:
    """Boots are counted past what a byte holds."""
    boots_point = t.vow.system_name("boots")
    if boots_point is None or "reset" not in t.abilities or not t.session.held:
        raise NotSelected(t.unbooted or "needs a rig that can pull the reset pin and hold the clock")
    if not t.limits.free:
        raise NotSelected("a real instrument is not booted so often")
    t.ask(boots_point)
    began_s = time.monotonic()
    for _ in range(PAST_A_BYTE):
        t.reset()
        if _longer(t, began_s, SLOW_S):
            break
    t.ask(boots_point)


# -------------------------------------------------------------------------------------------- long times


def _long_wait(t: Tester, ns: int) -> None:
    """Wait for so long, or for as long as the rig has a clock that is fast enough."""
    stride_ns = FIRST_STRIDE_NS
    while ns > 0:
        began_s = time.monotonic()
        t.wait(min(ns, stride_ns))
        ns -= stride_ns
        if _longer(t, began_s, SLOW_S):
            return
        stride_ns *= 2


@purpose("wire", "boot", 2)
def counted_for_days(t: Tester, r: Requirement) -> None:
    """Times that are counted go on for days, and a line that has begun stays late for as long."""
    uptime, silence = t.vow.system_name("uptime"), t.vow.system_name("silence")
    if not t.session.held or uptime is None:
        raise NotSelected("needs a rig that can hold the clock, and a point for the time since the boot")
    t.raw(b"ask self.")
    _long_wait(t, DAYS_NS + t.vow.document.wire.idle_typing // 2)
    t.raw(b"state\n")
    t.quiet()
    if silence is not None:
        t.trying = "wire.watchdog"
        t.ask(silence)
        t.trying = r.id
    t.ask(uptime)


# ---------------------------------------------------------------------------------------- what is remembered


@purpose("wire", "once", TOUR)
def once_whatever_happens(t: Tester, r: Requirement) -> None:
    """What is remembered outlasts all that happens unasked, and is the whole reply, however long."""
    line, step_ns = told_apart(t)
    first, last = (tag + line[line.index(b" ") :] for tag in (b"@0", b"@ffff"))
    left = _left_by_time(t)
    if left is not None:
        t.goto(left[0])
        t.line(first)
        t.wait(max(left[1], step_ns))
        t.line(first)
    t.line(last)
    t.wait(step_ns)
    struck = _struck(t)
    if struck is not None:
        t.line(last)
        refused = doing(t, "clear_trip")
        if refused is not None:
            t.line(f"@1b act {refused}".encode())
        _follows(t, struck[0])
        t.relieve(struck[1])
        if refused is not None:
            t.wait(t.vow.document.trial.settle)
            t.line(f"@1b act {refused}".encode())
        if (silence := t.vow.system_name("silence")) is not None:
            trying, t.trying = t.trying, "wire.watchdog"
            t.ask(silence)  # no trip has fed it
            t.trying = trying
    t.line(last)
    t.wait(step_ns)
    t.line(f"@1c {t.random.choice(list(refused_here(t)))}".encode())
    t.line(last)  # replaced
    local = on_the_panel(t) if has_panel(t) else None
    for text in [f"ask {each.name} 0" for each in _images(t)] or ["ask self.vow"]:
        t.line(f"@0000 {text}".encode())
        if local is not None:
            t.panel("panel.control", "local")
            t.panel(f"panel.{local.name}", other_value(t, local))
            t.panel("panel.control", "remote")
        t.line(f"@0000 {text}".encode())


# ------------------------------------------------------------------------------------------------- tickets


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
