"""Purposes about actions: their effects, refusals, guards, tickets and repeats."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.images import see_settings
from wirevow.protocol.conformance.purposes.looking import (
    each_reached,
    gained,
    known_now,
    laws_hold,
    look,
    refused_while_busy,
    signals_of,
    stays,
    steady,
    target_state,
    values,
)
from wirevow.protocol.conformance.purposes.points import (
    enable,
    other_value,
    visited,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Pulse
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.record import span_ns
from wirevow.protocol.vow import ActionEntry, PointEntry, Value, copies_of, puts_of

LATCHED_NS = 20 * NS_PER_S
"""A latch that is watched for so long does not open by itself soon."""

SOME_LOOKS = 3
"""So often it is looked whether something has begun."""


@purpose("action", "effect", 3)
def effect(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    if ("save", "") not in action.does:  # else each boot from then on would bring back what is put
        t.prepare()
    state = target_state(t, action)
    t.goto(state)
    do(t, action)
    look(t)
    if t.vow.states[state].energised and t.state != state:
        gained(t, state)


@purpose("action", "effect", 5)
def effect_everywhere(t: Tester, r: Requirement) -> None:
    """From every state that allows it."""
    action = t.vow.actions[r.element]
    for _ in each_reached(t, action.to):
        do(t, action)
        look(t)


def do(t: Tester, action: ActionEntry) -> None:
    """Do an action and look at what it counts."""
    if action.takes_ticket is not None:
        t.with_ticket(action.name)
    else:
        t.act(action.name)
    for kind, what in action.does:
        if kind == "capture":
            count = t.vow.system_point("captures")
            if count is not None:
                t.ask(count.name)  # not yet
            t.alive(span_ns(t.vow.document.records[what]) + (0 if t.session.held else HOST_SLACK_NS))
            if count is not None:
                t.ask(count.name)
        if kind == "save":
            count = t.vow.system_point("saves")
            if count is not None:
                t.ask(count.name)


@purpose("action", "effect", 3)
def puts_settings(t: Tester, r: Requirement) -> None:
    """What an action puts is there afterwards, from wherever it was, and nothing else has moved."""
    action = t.vow.actions[r.element]
    copied = copies_of(action)
    put = [t.vow.points[name] for name, _ in (*puts_of(action), *copied)]
    if not put:
        return
    for entry in t.vow.settings:
        with suppress(NotSelected):
            if entry in put:
                enable(t, entry)
            if t.settable_here(entry):
                t.put(entry.name, other_value(t, entry))
    t.goto(target_state(t, action))
    do(t, action)
    see_settings(t, t.vow.settings)
    for entry in put:
        t.ask(entry.name)
    for number in sorted({0, action.many // 2, max(0, action.many - 1)}) if copied else ():
        _apart(t, [t.vow.points[name] for pair in copied for name in pair])
        t.goto(target_state(t, action))
        t.act(action.name, number=number)
        see_settings(t, put)
    t.keep(r.id)


def _apart(t: Tester, entries: Sequence[PointEntry]) -> None:
    """Put settings at values as different from each other as they can be: each tells where it came from."""
    entries = list(dict.fromkeys(entries))
    for at, entry in enumerate(entries):
        with suppress(NotSelected):
            enable(t, entry)
            if entry.scale is None:
                value: Value = entry.choices[at % len(entry.choices)]
            else:
                low, high = t.room(entry)
                value = low + (high - low) * (at + 1) // (len(entries) + 1)
            t.put(entry.name, value)


@purpose("action", "number", 3)
def takes_a_number(t: Tester, r: Requirement) -> None:
    """Each number below the bound, and nothing else; what is refused puts nothing."""
    action = t.vow.actions[r.element]
    t.goto(target_state(t, action))
    _apart(t, [t.vow.points[name] for pair in copies_of(action) for name in pair])
    t.goto(target_state(t, action))
    beyond = (action.many, action.many + 1, 255, 256, 256 + action.many - 1, 65536, 999999999)
    for wrong in ("", " x", " -1", " 0.0", " 00", " +1", " 0 0", *(f" {each}" for each in beyond)):
        t.say(f"act {action.name}{wrong}")
    see_settings(t, t.vow.settings)
    for number in range(action.many):
        if t.state not in action.to:
            t.goto(target_state(t, action))
        t.act(action.name, number=number)
    t.keep(r.id)


@purpose("action", "effect", 3)
def settings_effect(t: Tester, r: Requirement) -> None:
    """Defaults and recall act on every setting they are for, and on no other."""
    action = t.vow.actions[r.element]
    kinds = {kind for kind, _ in action.does}
    if not kinds & {"defaults", "recall"}:
        return
    t.goto(target_state(t, action))
    # Whether every default is set is looked at where the defaults are (`points.default`).
    every = "recall" in kinds
    limiting = {name for e in t.vow.settings for x in (e.low, e.high) if x is not None for name in x.names}
    for entry in t.vow.settings:
        if t.settable_here(entry) and (every or entry.name in limiting):
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
    if action.to.get(t.state) is None:
        t.goto(target_state(t, action))
    t.act(action.name)
    if every:
        see_settings(t, t.vow.settings)
    # The limits in force are those of the settings in force.
    for entry in t.vow.settings:
        if not t.settable_here(entry):
            continue
        for limit, index, beyond in ((entry.high, 1, 1), (entry.low, 0, -1)):
            if limit is not None and limit.names:
                t.put(entry.name, t.bounds(entry)[index] + beyond)


@purpose("action", "refused", 3)
def refused(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    others = [state for state in t.vow.states if state not in action.to]
    if visited(t, others):
        t.keep(r.id)
        return
    tried = False
    for _ in each_reached(t, others):
        tried = True
        t.act(action.name)
        look(t)
        laws_hold(t)
    if not tried:
        reason = next((each for each in map(t.barred, others) if each), "")
        raise NotSelected(reason or "no state in which it is refused can be reached")


@purpose("action", "guard", 4)
def guard(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    assert action.guard is not None
    t.prepare()
    state = target_state(t, action)
    settings = [name for name in sorted(action.guard.names) if name in t.oracle.twin.settings]
    tried: set[bool] = set()
    for name in sorted(settings):
        entry = t.vow.points[name]
        candidates = list(entry.choices) if entry.scale is None else list(t.bounds(entry))
        for value in candidates:
            t.home()
            t.prepare()
            enable(t, entry)
            if isinstance(value, int):
                low, high = t.bounds(entry)
                value = min(max(value, low), high)
            t.put(name, value)
            try:
                t.goto(state)
            except Doubtful:
                continue  # this very value may lead elsewhere
            if t.setting(name) != value and t.settable_here(entry):
                t.put(name, value)  # the way there may have needed another
            before = t.state
            tried.add(act_guarded(t, action))
            if False in tried and f"shut {action.name}" not in t.done:
                t.done.add(f"shut {action.name}")
                _stays_out(t, action, before)
    if len(tried) < 2:
        how = f"only {'open' if True in tried else 'closed'}" if tried else "neither open nor closed"
        seen = f"the guard was seen {how}"
        if all(t.oracle.twin.fixed(name) for name in action.guard.names):
            raise NotSelected(f"{seen}: {state} cannot be reached with the settings that change that")
        raise Doubtful(seen)


def _stays_out(t: Tester, action: ActionEntry, state: str) -> None:
    """What a shut guard has refused drives nothing. Where power flows, the shortest relation about what the
    guard looks at shows it."""
    assert action.guard is not None
    about_it = [
        (len(rule.holds.names), name, rule)
        for name, rule in t.vow.document.laws.items()
        if rule.holds is not None and state in (rule.armed_in or ()) and rule.holds.names & action.guard.names
    ]
    if not t.vow.states[state].energised:
        stays(t, state)
    elif about_it:
        _, name, rule = min(about_it, key=lambda each: each[:2])
        assert rule.holds is not None
        for _ in range(SOME_LOOKS):  # what it must not begin may come and go
            t.alive(t.random.randrange(rule.settle + 1))
            steady(t, rule.holds, f"law.{name}", rule.settle)


def shut_guard(t: Tester, action: ActionEntry) -> bool:
    """Shut the guard of an action by one of the settings that it looks at; whether one can."""
    guard = action.guard
    assert guard is not None
    for name in sorted(guard.names):
        entry = t.vow.points[name]
        if entry.source != "setting" or not t.settable_here(entry):
            continue
        seen = values(t, sorted(guard.names - {name}))
        for value in entry.choices if entry.scale is None else t.bounds(entry)[::-1]:
            if not guard.truth({**seen, name: entry.exact(value)}) and t.allows(entry, value):
                t.put(name, value)
                return True
    return False


def act_guarded(t: Tester, action: ActionEntry) -> bool:
    """Do an action with a guard where it may be done; whether its guard was open."""
    assert action.guard is not None
    # What the guard reads is known better than its range: it is being read now.
    with known_now(t, signals_of(t, action.guard)):
        if action.takes_ticket is not None and t.oracle.twin.ticket != "0000":
            t.say(f"act {action.name} 0000")  # the guard comes before the ticket
        reply = t.with_ticket(action.name) if action.takes_ticket is not None else t.act(action.name)
    look(t)
    return reply.ok


@purpose("action", "ticket", 3)
def ticket(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    t.prepare()
    if action.gives_ticket_ns is not None:
        t.goto(target_state(t, action))
        t.act(action.name)
        t.act(action.name)
        _restarts(t, action)
        _ticket_lasts(t, r, action)
        return
    assert action.takes_ticket is not None
    t.goto(target_state(t, action))
    before = t.state
    for wrong in ("", " 0000", " ffff", " x", " 12345"):
        t.say(f"act {action.name}{wrong}")
        look(t)
    stays(t, before)
    t.home()
    t.prepare()
    t.goto(target_state(t, action))
    used = t.oracle.twin.ticket
    t.with_ticket(action.name)
    look(t)
    if used is None:
        return
    t.home()
    t.prepare()
    t.goto(target_state(t, action))
    t.say(f"act {action.name} {used}")  # it is good once
    look(t)


def _restarts(t: Tester, action: ActionEntry) -> None:
    """Doing it again in the state it leads to starts the state's time afresh."""
    state = action.to.get(t.state)
    spans = [leave.after_ns for leave in t.vow.states[t.state].leaves if leave.when is None]
    if state != t.state or not spans or not t.session.held:
        return
    t.wait(min(spans) * 6 // 10)
    t.act(action.name)
    t.wait(min(spans) * 6 // 10)
    look(t)


def _ticket_lasts(t: Tester, r: Requirement, give: ActionEntry) -> None:
    """Its ticket is refused soon after its time is over, and taken shortly before: what that time is."""
    good_ns = give.gives_ticket_ns
    assert good_ns is not None
    takers = [each for each in t.vow.actions.values() if each.takes_ticket == give.name]
    take = next((each for each in takers if each.guard is None), None)
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    if barred := next(filter(None, map(t.barred, take.to.values())), t.limits.acting(take.name)):
        raise NotSelected(barred)
    if not t.session.held and good_ns > LATCHED_NS:
        raise NotSelected("the ticket's time takes too long on a clock that cannot be advanced")
    good = Fraction(good_ns, NS_PER_S)
    shown = Bracket("the ticket's time", good, needed(good, Fraction(0)), "s")
    margin_ns = good_ns // 100 if t.session.held else 4 * HOST_SLACK_NS
    for off_ns in (margin_ns, -margin_ns):
        t.home()
        t.prepare()
        t.goto(target_state(t, give))
        asked_ns = t.now_ns
        if not t.act(give.name).ok:
            raise NotSelected("a guard keeps the ticket from being given")
        given_ns = t.now_ns
        t.alive(good_ns + off_ns)
        sent_ns, useless = t.now_ns, t.state not in take.to and not _back_without_it(t, give, takers)
        try:
            reply = t.act(take.name)
        except Broken as broken:
            if broken.judgement.requirement != f"action.{take.name}.ticket":
                raise
            # Void too early or good too long: that is its giver's promise.
            raise Broken(replace(broken.judgement, requirement=r.id), broken.sent, broken.seen) from broken
        if reply.ok:
            shown = replace(shown, low=Fraction(sent_ns - given_ns, NS_PER_S))
        elif reply.words == ("state", "ticket") or useless:
            shown = replace(shown, high=Fraction(t.now_ns - asked_ns, NS_PER_S))
    t.shown(r.id, shown)


def _back_without_it(t: Tester, give: ActionEntry, takers: Sequence[ActionEntry]) -> bool:
    """Whether anything leads to where the ticket is taken from elsewhere, and gives no newer one."""
    there = {state for take in takers for state in take.to}
    ways = [
        *(way for each in t.vow.actions.values() if each is not give for way in each.to.items()),
        *((name, leave.to) for name, state in t.vow.states.items() for leave in state.leaves),
    ]
    return any(to in there and state not in there for state, to in ways)


@purpose("action", "effect", 1)
def zeroing(t: Tester, r: Requirement) -> None:
    """Counters that an action zeroes begin again, from wherever they had come to."""
    declared = t.vow.document.actions[r.element]
    pulses = [effect for effect in declared.does if isinstance(effect, Pulse) and effect.pulse is not None]
    counters = [name for effect in pulses for name in effect.zeroes]
    if not counters:
        return
    action = t.vow.actions[r.element]
    running = next(
        (
            law.armed_in[0]
            for law in t.vow.document.laws.values()
            if law.counter in counters and law.armed_in and law.integral_of is not None
        ),
        None,
    )
    if running is None or not t.may_enter(running):
        barred = "" if running is None else t.barred(running)
        raise NotSelected(barred or "its counters cannot be made to run here")
    t.prepare()
    t.goto(running)
    ran_ns = (20 if t.session.held else 2) * NS_PER_S
    t.alive(ran_ns)
    if running not in action.to:
        t.act(action.name)
    before = {name: t.read(name) for name in counters}
    for name in counters:
        if any(law.elapses == name for law in t.vow.document.laws.values()):
            seconds = before[name] * t.vow.points[name].number.step
            if seconds < Fraction(ran_ns, 2 * NS_PER_S):
                due = f"{name} at least {ran_ns / 2e9:g} s: what is refused zeroes nothing"
                raise Broken(Judgement(False, "wire.atomic", due), f"ask {name}", f"{float(seconds):g} s")
    t.goto(target_state(t, action))
    if action.guard is None and not t.vow.states[t.state].energised and t.session.held:
        refused_while_busy(t, [action])
        t.alive(2 * max(t.vow.points[name].period_ns for name in counters))
        (name, counts), *_ = before.items()
        if t.read(name) < counts:
            due = f"{name} at least {' '.join(t.vow.points[name].words(counts))}"
            raise Broken(Judgement(False, "wire.atomic", due), f"ask {name}", "less: what is refused did it")
    do(t, action)
    period_ns = max(t.vow.points[name].period_ns for name in counters)
    # Where nothing runs it stays there.
    stands = t.session.held and not t.vow.states[t.state].energised
    t.alive(ran_ns * 3 // 4 if stands else 2 * period_ns + (0 if t.session.held else HOST_SLACK_NS))
    for name, counts in before.items():
        now = t.read(name)
        if counts > 4 and abs(now) > abs(counts) // 2:
            words = " ".join(t.vow.points[name].words(now))
            raise Broken(Judgement(False, r.id, f"{name} from zero"), f"ask {name}", f"ok {words}")


@purpose("action", "repeat", 4)
def repeat(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    t.prepare()
    t.goto(target_state(t, action))
    if ("reboot", "") in action.does:
        # A boot forgets what was remembered: the same line boots it again.
        line = f"{t.new_tag()} {action.line()}".encode()
        for _ in range(2):
            t.line(line)
        t.ask("self.boots")
        return
    if action.takes_ticket is not None and t.oracle.twin.ticket is None:
        t.act(action.takes_ticket)
    ticket = "" if action.takes_ticket is None else f" {t.oracle.twin.ticket or '0000'}"
    line = f"@f{t.new_tag()[1:][-3:]} {action.line()}{ticket}".encode()
    t.line(line)
    t.line(line)
    look(t)
    saves = t.vow.system_point("saves")
    if saves is not None and ("save", "") in action.does:
        t.ask(saves.name)
    if not action.once:
        t.act(action.name)
        look(t)


@purpose("action", "always", 4)
def always(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    t.need("bench")
    if "panel.control" not in t.events:
        raise NotSelected("needs a rig that can turn the front panel")
    states = [state for state, to in action.to.items() if to != state] or list(action.to)
    for _ in each_reached(t, states):
        t.panel("panel.control", "local")
        t.act(action.name)
        look(t)
        laws_hold(t)
        t.panel("panel.control", "remote")
