"""Purposes about what the instrument does: states, actions, trips."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from functools import partial

from wirevow.protocol.closure import closure
from wirevow.protocol.conformance.bracket import Bracket, kept, needed
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.images import look_at_settings, see_settings
from wirevow.protocol.conformance.purposes.meanwhile import at_the_panel, unheard
from wirevow.protocol.conformance.purposes.points import (
    LOOKS_AT_SLOW,
    SLOW_NS,
    ask_computed,
    enable,
    other_value,
    visited,
)
from wirevow.protocol.conformance.purposes.readings import follow_the_bench, follow_the_settings
from wirevow.protocol.conformance.tester import HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, Leave, Provoke, Pulse
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.expression import Expression, ExpressionError, Threshold
from wirevow.protocol.oracle import CLOCK_PARTS, Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.record import span_ns
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, Value, copies_of, puts_of, value_of

LONG_NS = 60 * NS_PER_S
"""What is given more time takes long by its nature."""
LATCHED_NS = 20 * NS_PER_S
"""A latch that is watched for so long does not open by itself soon."""
LOOKS_AT_CONDITION = 4
"""Into so many parts the time is cut in which a condition may come true, or act."""
PHASES = 8
"""Over so many samples the looks at a relation are spread."""
CONSISTENT_READS = 3
"""On a running clock readings move between two questions: so many tries before a relation is broken."""

SOME_LOOKS = 3
"""So often it is looked whether something has begun."""
SOME_HELD = 4
"""So many of the settings that cannot be put in a state are tried at the first look; later all."""


def _look(t: Tester) -> None:
    """See the state, by every point that shows it."""
    t.ask("self.state")


@purpose("state", "reachable", 2)
def reachable(t: Tester, r: Requirement) -> None:
    """Visit a state: what is refused there, what holds there."""
    t.prepare()
    if t.vow.states[r.element].energised and "refused before it works" not in t.done:
        # Nor does what is refused at rest show once it works.
        t.done.add("refused before it works")
        _refused_while_busy(t, [each for each in t.vow.actions.values() if each.to.get(t.state) == t.state])
    t.goto(r.element)
    _look(t)
    for name, action in t.vow.actions.items():
        if r.element not in action.to:
            t.act(name)
    held = [entry for entry in t.vow.settings if not t.settable_here(entry)]
    for entry in t.random.sample(held, min(SOME_HELD, len(held))):
        with suppress(NotSelected):
            t.put(entry.name, other_value(t, entry))
    # What was refused has changed nothing.
    t.trying = "wire.atomic"
    for entry in t.random.sample(held, min(1, len(held))):
        t.ask(entry.name)
    look_at_settings(t)
    kinds = {kind for a in t.vow.actions.values() if r.element not in a.to for kind, _ in a.does}
    counts = [
        each.name
        for each in t.vow.points.values()
        if {"saves": "save", "captures": "capture"}.get(each.system or "") in kinds
    ]
    if counts:
        t.ask(t.random.choice(counts))
    t.trying = r.id
    shut = next((entry for entry in held if entry.scale is not None), None)
    if shut is not None and "reasons before and after state" not in t.done:
        t.say(f"put {shut.name} x")
        t.put(shut.name, shut.number.high + 1)
        t.done.add("reasons before and after state")
    _look(t)
    tripped = t.oracle.twin.last_trip
    _refused_for_all_else(t)
    laws_hold(t)
    _not_left(t, r.element, tripped)
    t.done.add(f"visited {r.element}")


@purpose("state", "reachable", 3)
def followed(t: Tester, r: Requirement) -> None:
    """What is read in a state follows what moves it, when it has been read before."""
    t.prepare()
    t.goto(r.element)
    laws_hold(t)
    follow_the_bench(t)
    follow_the_settings(t)


def _not_left(t: Tester, state: str, tripped: tuple[str, ...]) -> None:
    """What was refused has neither tripped it nor led it elsewhere: no time has done so, no slow host, nor
    a condition that holds here."""
    words = t.oracle.twin.last_trip
    provoke = t.vow.document.trips[words[0]].provoke if words != tripped else None
    leaves = t.vow.states[state].leaves
    if t.state == state or (provoke is not None and provoke.silence):
        return
    if words == tripped and (not t.session.held or t.gate is not None):
        return
    if words == tripped and any(
        each.when is None or each.when.truth(values(t, sorted(each.when.names))) for each in leaves
    ):
        return
    seen = " ".join(words) if words != tripped else f"state {t.state}"
    raise Broken(Judgement(False, "wire.atomic", f"still {state}: it was refused"), "", seen)


def _refused_while_busy(t: Tester, actions: Sequence[ActionEntry]) -> None:
    """Actions that the panel keeps from being done, if these hands can turn it."""
    kept = [each for each in actions if not each.always and ("reboot", "") not in each.does]
    kept = [each for each in kept if t.may_do(each.name)]
    if kept and t.gate is None and t.may_turn("panel.control", "local"):
        t.panel("panel.control", "local")
        for action in kept:
            t.act(action.name)
        t.panel("panel.control", "remote")


def _beyond(t: Tester, entry: PointEntry) -> None:
    """Beyond the upper limit in force; where one setting makes it, that is as low as it goes meanwhile."""
    names = sorted(entry.high.names) if entry.high is not None else []
    limiting = t.vow.points[names[0]] if len(names) == 1 else None
    if limiting is None or limiting.scale is None or not t.settable_here(limiting):
        t.put(entry.name, t.bounds(entry)[1] + 1)
        return
    before = t.setting(limiting.name)
    t.put(limiting.name, t.bounds(limiting)[0])
    t.put(entry.name, t.bounds(entry)[1] + 1)
    t.put(limiting.name, before)


def _refused_for_all_else(t: Tester) -> None:
    """Other values of what this state has been told, and ways out of it, that are refused for other reasons
    than the state: they drive nothing either, as the relations that hold here show."""
    live = t.vow.states[t.state].energised
    told = [t.vow.points[name] for name in t.vow.document.trial.put]
    values = [
        (entry, value)
        for entry in told
        if entry.scale is not None and t.settable_here(entry)
        if t.allows(entry, value := other_value(t, entry))
    ]
    if live and "refused while energised" not in t.done:
        t.done.add("refused while energised")
        for entry, value in values:
            number, *unit = entry.words(value)
            for words in ((number, *unit, "~0000"), (number, "xx"), (f"{number}0", *unit)):
                t.line(" ".join(("put", entry.name, *words)).encode())
            if t.gate is None:
                _beyond(t, entry)
    leads = [
        action
        for action in t.vow.actions.values()
        if not action.always and t.vow.states[action.to.get(t.state, t.state)].energised
        if action.to.get(t.state, t.state) != t.state
        if action.guard is None or not any(t.vow.points[n].source == "signal" for n in action.guard.names)
    ]
    shut = [
        action
        for action in t.vow.actions.values()
        if action.guard is not None and not live and t.vow.states[action.to.get(t.state, t.state)].energised
    ]
    for action in shut:
        if f"shut {action.name}" not in t.done and shut_guard(t, action):
            t.done.add(f"shut {action.name}")
            act_guarded(t, action)
    if not t.may_turn("panel.control", "local") or not (leads or (live and values)):
        return
    with suppress(NotSelected):
        t.panel("panel.control", "local")
        try:
            for entry, value in values if live else ():
                t.put(entry.name, value)
            for action in leads:
                t.act(action.name)
                if action.takes_ticket is not None:
                    t.line(f"act {action.name} {t.oracle.twin.ticket or '0000'} ~0000".encode())
        finally:
            t.panel("panel.control", "remote")


@purpose("state", "reachable", 6)
def readable_everywhere(t: Tester, r: Requirement) -> None:
    t.prepare()
    t.goto(r.element)
    for entry in t.vow.settings:
        if not t.settable_here(entry):
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
    for name in t.random.sample(list(t.vow.points), min(24, len(t.vow.points))):
        if t.vow.points[name].kind != "record":
            t.ask(name)


@purpose("state", "reachable", 5)
def settled_everywhere(t: Tester, r: Requirement) -> None:
    """A state refuses no setting but those that have states of their own: each is put as it is already."""
    t.prepare()
    t.goto(r.element)
    for entry in t.vow.settings:
        if t.settable_here(entry):
            with suppress(NotSelected):
                t.put(entry.name, t.setting(entry.name))


@purpose("state", "reachable", 5)
def not_left_in_time(t: Tester, r: Requirement) -> None:
    """A state that no time ends is still there after the longest time that ends another."""
    spans = [each.after_ns for state in t.vow.states.values() for each in state.leaves if each.when is None]
    if not t.session.held or any(each.when is None for each in t.vow.states[r.element].leaves):
        return
    t.prepare()
    alternate_seldom(t, r.element)
    t.goto(r.element)
    t.alive(max(spans, default=0) * 51 // 50)
    _look(t)


def alternate_seldom(t: Tester, state: str) -> None:
    """What alternates in a state keeps each level as long as it may: a long time passes sooner so."""
    for law in t.vow.document.laws.values():
        if law.alternates is None or (law.armed_in is not None and state not in law.armed_in):
            continue
        for phase in law.phases or ():
            entry = t.vow.points[phase.lasts]
            longest = t.bounds(entry)[1]
            if t.settable_here(entry) and t.setting(entry.name) != longest:
                t.put(entry.name, longest)


@purpose("state", "leave", 1)
def leave(t: Tester, r: Requirement) -> None:
    index = int(r.aspect.split(".")[1]) - 1
    rule = t.vow.document.states[r.element].leaves[index]
    t.prepare()
    if rule.provoke is not None:
        t.settings({n: v for n, v in rule.provoke.put.items() if t.vow.points[n].set_in is not None})
    t.goto(r.element)
    if rule.when is None:
        if slow := t.too_long(rule.after):
            raise NotSelected(slow)
        if t.session.held and r.element != t.vow.initial:
            # The time of a stay is over with it: the next one lasts as long as the first.
            t.alive(rule.after * 6 // 10)
            t.goto(t.vow.initial)
            t.goto(r.element)
        # Time moves the state, nothing else.
        own = [entry for entry in t.vow.settings if entry.set_in == frozenset({r.element})]
        slack_ns = max(rule.after // 500, 1) if t.session.held else 4 * HOST_SLACK_NS
        began_ns, early_ns = t.oracle.twin.entered_ns, t.oracle.twin.early_ns
        for let_pass in (unheard, at_the_panel):
            let_pass(t, rule.after // 4)
        t.quiet_until(began_ns + rule.after // 2)
        for entry in own or [entry for entry in t.vow.settings if t.settable_here(entry)][:1]:
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
        for action in t.vow.actions.values():
            ticket, kinds = action.gives_ticket_ns, {kind for kind, _ in action.does}
            if action.to.get(r.element) == r.element and ticket is None and kinds == {"pulse"}:
                t.act(action.name)
        _refused_while_busy(t, [each for each in t.vow.actions.values() if each.to.get(t.state) == t.state])
        t.quiet_until(began_ns + rule.after - slack_ns)
        _look(t)
        stayed = t.state == r.element
        t.quiet_until(began_ns + rule.after + slack_ns)
        _look(t)
        # Something else may have led back into it at once.
        if t.state == r.element and t.oracle.twin.entered_ns <= began_ns:
            raise Broken(
                Judgement(False, r.id, f"{r.element} left after {rule.after / NS_PER_S:g} s"),
                "",
                f"still {t.state}",
            )
        after, off = Fraction(rule.after, NS_PER_S), Fraction(slack_ns, NS_PER_S)
        least = after - off
        most = after + off + Fraction(early_ns, NS_PER_S)  # it may have begun so much sooner
        if stayed:
            t.shown(r.id, Bracket("the time", after, needed(after, off), "s", least, most))
        for entry in own:
            t.ask(entry.name)
        return
    if rule.provoke is None:
        raise NotSelected("the document does not say how to provoke it")
    for event in rule.provoke.bench:
        if event not in t.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
    if slow := t.too_long(rule.provoke.within):
        raise NotSelected(slow)
    t.settings(
        {
            n: v
            for n, v in rule.provoke.put.items()
            if t.setting(n) is not None and t.vow.points[n].set_in is None
        }
    )
    if rule.provoke.bench and rule.after and rule.provoke.within < 3 * rule.after and t.session.held:
        # Held for less than its time it must not act, and a break starts the time afresh.
        for _ in range(2):
            for event, value in rule.provoke.bench.items():
                t.bench(event, value)
            t.alive(rule.after * 6 // 10)
            t.relieve(rule.provoke)
            t.alive(rule.after * 6 // 10)
            _look(t)
            if t.state != r.element:
                due = f"still {r.element}: it held for less than {rule.after / NS_PER_S:g} s"
                raise Broken(Judgement(False, r.id, due), "", f"now {t.state}")
    # What the state counts outlasts it.
    counters = [
        law.counter
        for law in t.vow.document.laws.values()
        if law.counter is not None and r.element in (law.armed_in or ())
    ]
    if counters:
        t.alive(10 * max(t.vow.points[name].period_ns for name in counters))
    counted = {name: t.read(name) for name in counters}
    _left_meanwhile(t, r.element, rule, begun=True)
    for name, counts in counted.items():
        if t.read(name) < counts:
            due = f"{name} at least {' '.join(t.vow.points[name].words(counts))}"
            raise Broken(Judgement(False, r.id, due), f"ask {name}", "less: it was zeroed on the way")
    if t.state not in _led_on(t, rule.to, by_time=t.oracle.twin.told):
        raise Broken(Judgement(False, r.id, f"state {rule.to}"), "", f"state {t.state}")
    # And once more, without a boot in between.
    t.home()
    counting = _counting(t, r.element, rule)
    if counting is not None:
        t.settings(rule.provoke.put)
    t.prepare()
    t.goto(r.element)
    if counting is None:
        _left_meanwhile(t, r.element, rule, begun=False)
    else:
        _as_long(t, r, counting, rule.to)
        _many(t, r, counting, rule.to)
        _look(t)
    _gained(t, r.element)


def _led_on(t: Tester, state: str, *, by_time: bool = True) -> set[str]:
    """A state, and those that conditions, and time too if so, lead on to from it, unasked."""

    def after(each: str) -> list[str]:
        return [leave.to for leave in t.vow.states[each].leaves if by_time or leave.when is not None]

    return closure({state}, after)


def _left_meanwhile(t: Tester, state: str, rule: Leave, begun: bool) -> None:
    """Let it be left while a line has begun, or while the panel has control, and see it.

    Not where requests are needed for that, or to see it.
    """
    provoke, patience_ns = rule.provoke, t.patience_ns()
    most_ns = t.vow.document.wire.idle_checked if patience_ns is None else patience_ns
    alone = provoke is not None and not provoke.put and provoke.within < most_ns
    if not alone or not t.session.held or t.gate is not None:
        t.leave(state, rule)
    elif begun and t.oracle.twin.told:
        t.raw(b"ask self.")
        t.leave(state, rule)
        t.raw(b"state\n")
        return
    elif t.may_turn("panel.control", "local"):
        t.panel("panel.control", "local")
        t.leave(state, rule)
        t.panel("panel.control", "remote")
    else:
        t.leave(state, rule)
    _look(t)


def _gained(t: Tester, before: str) -> None:
    """The first of the relations that hold in this state, and did not in the one before it."""
    for name, rule in t.vow.document.laws.items():
        armed = rule.armed_in or ()
        if rule.holds is not None and t.state in armed and before not in armed:
            steady(t, rule.holds, f"law.{name}", rule.settle)
            return


MANY_COUNTS = 257
"""More than a byte holds, and little more than nothing in one."""
BRIEF = 2
"""Many are of so many times the shortest that can be put."""
UNHURRIED = 10
"""On a running clock so many times longer: a simulation has to keep up."""


def _counting(t: Tester, state: str, rule: Leave) -> tuple[Law, PointEntry] | None:
    """The alternation that a state ends after a number of, and the setting that says how many."""
    if rule.when is None or rule.provoke is None or rule.provoke.bench:
        return None
    names = rule.when.names
    law = next(
        (
            each
            for each in t.vow.document.laws.values()
            if each.counted_by in names and state in (each.armed_in or ())
        ),
        None,
    )
    counts = [t.vow.points[name] for name in names if t.vow.points[name].source == "setting"]
    put = [t.vow.points[name] for name in rule.provoke.put]
    if law is None or len(counts) != 1 or any(entry.set_in is not None for entry in put):
        return None
    return law, counts[0]


def _as_long(t: Tester, r: Requirement, counting: tuple[Law, PointEntry], to: str) -> None:
    """Just entered, the state lasts as long as the times of so many periods; not less, and not much more."""
    law, counts = counting
    entered = t.oracle.twin.entered_ns, t.now_ns
    number = t.setting(counts.name)
    assert isinstance(number, int)
    phases = [t.vow.points[phase.lasts] for phase in law.phases or ()]
    period = _period(t, law)
    slack = period * (Fraction(law.tolerance_percent) / 100 + Fraction(1, CLOCK_PARTS))
    slack += sum((entry.number.step for entry in phases), Fraction(0))
    least_ns, most_ns = (int(number * each * NS_PER_S) for each in (period - slack, period + slack))
    counter_ns = t.vow.points[str(law.counted_by)].period_ns
    half_ns = (entered[0] + least_ns - 1 - t.now_ns) // 2
    for let_pass in (unheard, at_the_panel):
        let_pass(t, half_ns)
    t.alive(entered[0] + least_ns - 1 - t.now_ns)
    _look(t)
    if t.state != r.element and t.now_ns < entered[0] + least_ns:
        due = f"still {r.element}: {number} periods of {float(period):g} s take longer"
        raise Broken(Judgement(False, r.id, due), "", f"now {t.state}")
    if t.state == r.element:
        within_ns = max(entered[1] + most_ns + 2 * counter_ns - t.now_ns, 0)
        t.until(partial(_left, t, r.element), within_ns, r.id)
    if t.state != to:
        raise Broken(Judgement(False, r.id, f"state {to}"), "", f"state {t.state}")


def _period(t: Tester, law: Law) -> Fraction:
    """In seconds, with the settings in force."""
    phases = [t.vow.points[phase.lasts] for phase in law.phases or ()]
    return sum((Fraction(entry.exact(t.setting(entry.name))) for entry in phases), Fraction(0))


def _many(t: Tester, r: Requirement, counting: tuple[Law, PointEntry], to: str) -> None:
    """The same for many short periods, from the state that it led to."""
    law, counts = counting
    back = next(
        (a.name for a in t.vow.actions.values() if a.to.get(to) == r.element and a.takes_ticket is None), None
    )
    low, high = t.bounds(counts)
    if back is None or not low <= MANY_COUNTS <= high:
        return
    for phase in law.phases or ():
        entry = t.vow.points[phase.lasts]
        t.put(entry.name, max(entry.number.low, 1) * BRIEF * (1 if t.session.held else UNHURRIED))
    t.put(counts.name, MANY_COUNTS)
    if t.act(back).ok:
        _as_long(t, r, counting, to)


@purpose("action", "effect", 2)
def counted_anew(t: Tester, r: Requirement) -> None:
    """Once for all states that end after a number: it is counted anew whenever the state is entered, from the
    state that it led to as well, and however it was left.
    """
    if "counted anew" in t.done:
        return
    t.done.add("counted anew")
    leaves = {each.id: each for each in requirements(t.vow.document) if each.aspect.startswith("leave.")}
    for state, declared in t.vow.document.states.items():
        for index, rule in enumerate(declared.leaves):
            counting = _counting(t, state, rule)
            if counting is not None and t.may_enter(state):
                _entered_again(t, leaves[f"state.{state}.leave.{index + 1}"], rule, counting)


def _entered_again(t: Tester, r: Requirement, rule: Leave, counting: tuple[Law, PointEntry]) -> None:
    """Have it left by itself, and halfway by an action and by a trip; each time it is entered again."""
    law, counts = counting
    free = [each for each in t.vow.actions.values() if each.takes_ticket is None and not each.always]
    back = next((each for each in free if each.to.get(rule.to) == r.element), None)
    over = next((each for each in free if each.to.get(r.element) == rule.to), None)
    if rule.provoke is None or back is None:
        return
    t.home()
    t.settings(rule.provoke.put)
    t.prepare()
    t.goto(r.element)
    t.leave(r.element, rule)
    number = t.setting(counts.name)
    assert isinstance(number, int)
    trips = trips_at_once(t, r.element)
    for cut in (over, trips, None):
        if t.state != rule.to or not t.act(back.name).ok:
            return
        _as_long(t, r, counting, rule.to)
        t.keep(r.id)
        if not cut or not t.session.held:
            break
        if cut is trips:
            _put_past(t, r, counting, back, rule.to)
            for phase in law.phases or ():  # so that it lasts longer than a trip takes
                entry = t.vow.points[phase.lasts]
                t.put(entry.name, min(int(AT_ONCE_S / entry.number.step), t.bounds(entry)[1]))
        if t.state != rule.to or not t.act(back.name).ok:
            return
        t.alive(int(number * _period(t, law) * NS_PER_S) // 2)
        if t.state == r.element and cut is trips:
            trip_and_clear(t, trips)
            t.goto(rule.to)
        elif t.state == r.element and over is not None:
            t.act(over.name)


def _put_past(
    t: Tester, r: Requirement, counting: tuple[Law, PointEntry], back: ActionEntry, to: str
) -> None:
    """Begun with no end in sight, it ends at once by a number that has long been passed."""
    law, counts = counting
    number = t.setting(counts.name)
    assert isinstance(number, int)
    t.put(counts.name, t.bounds(counts)[1])
    if number > 1 and t.act(back.name).ok:
        t.alive(int((number + 1) * _period(t, law) * NS_PER_S))
        t.put(counts.name, number - 1)
        t.until(partial(_left, t, r.element), t.vow.points[str(law.counted_by)].period_ns, r.id)
    t.put(counts.name, number)


def target_state(t: Tester, action: ActionEntry) -> str:
    """A state in which the action is done: the first that these hands reach."""
    for state in sorted(action.to, key=lambda each: (t.vow.states[each].energised, each != t.vow.initial)):
        if not t.may_enter(state):
            continue
        with suppress(NotSelected):
            if state != t.state:
                t.route(state)
            return state
    barred = next((each for each in map(t.barred, action.to) if each), "")
    raise NotSelected(barred or "no state in which it is done can be reached")


@purpose("action", "effect", 3)
def effect(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    if ("save", "") not in action.does:  # else each boot from then on would bring back what is put
        t.prepare()
    state = target_state(t, action)
    t.goto(state)
    do(t, action)
    _look(t)
    if t.vow.states[state].energised and t.state != state:
        _gained(t, state)


@purpose("action", "effect", 5)
def effect_everywhere(t: Tester, r: Requirement) -> None:
    """From every state that allows it."""
    action = t.vow.actions[r.element]
    for state in action.to:
        if not t.may_enter(state):
            continue
        t.home()
        t.prepare()
        try:
            t.goto(state)
        except NotSelected:
            continue
        do(t, action)
        _look(t)


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
    for state in t.vow.states:
        if state in action.to or not t.may_enter(state):
            continue
        t.home()
        t.prepare()
        try:
            t.goto(state)
        except NotSelected:
            continue
        tried = True
        t.act(action.name)
        _look(t)
        laws_hold(t)
    if not tried:
        barred = (t.barred(state) for state in t.vow.states if state not in action.to)
        reason = next((each for each in barred if each), "")
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
    _look(t)
    return reply.ok


def _width(t: Tester, name: str) -> int:
    entry = t.vow.points[name]
    return int(2 * entry.range_error / entry.number.step) + 2


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
        _look(t)
    stays(t, before)
    t.home()
    t.prepare()
    t.goto(target_state(t, action))
    used = t.oracle.twin.ticket
    t.with_ticket(action.name)
    _look(t)
    if used is None:
        return
    t.home()
    t.prepare()
    t.goto(target_state(t, action))
    t.say(f"act {action.name} {used}")  # it is good once
    _look(t)


def _restarts(t: Tester, action: ActionEntry) -> None:
    """Doing it again in the state it leads to starts the state's time afresh."""
    state = action.to.get(t.state)
    spans = [leave.after_ns for leave in t.vow.states[t.state].leaves if leave.when is None]
    if state != t.state or not spans or not t.session.held:
        return
    t.wait(min(spans) * 6 // 10)
    t.act(action.name)
    t.wait(min(spans) * 6 // 10)
    _look(t)


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
        _refused_while_busy(t, [action])
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
    _look(t)
    saves = t.vow.system_point("saves")
    if saves is not None and ("save", "") in action.does:
        t.ask(saves.name)
    if not action.once:
        t.act(action.name)
        _look(t)


@purpose("action", "always", 4)
def always(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    t.need("bench")
    if "panel.control" not in t.events:
        raise NotSelected("needs a rig that can turn the front panel")
    states = [state for state, to in action.to.items() if to != state] or list(action.to)
    for state in states:
        if not t.may_enter(state):
            continue
        t.home()
        t.prepare()
        try:
            t.goto(state)
        except NotSelected:
            continue
        t.panel("panel.control", "local")
        t.act(action.name)
        _look(t)
        laws_hold(t)
        t.panel("panel.control", "remote")


def stays(t: Tester, state: str) -> None:
    """What was refused has changed nothing: not at once, and not a little later."""
    laws_hold(t)
    _look(t)
    left_to = t.state
    if left_to == state:
        return
    if _left_by_itself(t, state):
        if any(leave.when is None and leave.to == left_to for leave in t.vow.states[state].leaves):
            return
        # By a condition, which what was refused may have made true: does it come true without that?
        names = {name for when in _ways_out(t, state) if when is not None for name in when.names}
        were = [(each, t.setting(each.name)) for each in t.vow.settings if each.name in names]
        t.home()
        t.prepare()
        _put_again(t, [each for each in were if state not in (each[0].set_in or (state,))])
        try:
            t.goto(state)
        except Doubtful:
            return  # these settings lead away by themselves
        _put_again(t, were)
        laws_hold(t)
        _look(t)
        if t.state != state:
            return
    raise Broken(Judgement(False, "wire.atomic", f"still {state}"), "", f"state {left_to}")


def _put_again(t: Tester, were: Sequence[tuple[PointEntry, Value]]) -> None:
    """Settings to what they were, where they can be put, until that leads away."""
    state = t.state
    for entry, value in were:
        if t.state != state:
            return
        if t.setting(entry.name) != value and t.settable_here(entry) and t.allows(entry, value):
            t.put(entry.name, value)


def _left_by_itself(t: Tester, state: str) -> bool:
    """Whether time, or the settings in force, lead out of a state."""
    twin, now_ns = t.oracle.twin, t.now_ns
    return any(when is None or twin.decide(when, now_ns) is True for when in _ways_out(t, state))


def _ways_out(t: Tester, state: str) -> list[Expression | None]:
    """The conditions that lead out of a state; None for time."""
    whens = [leave.when for leave in t.vow.states[state].leaves]
    return whens + [trip.when for trip in t.vow.trips.values() if state in trip.armed_in]


def laws_hold(t: Tester) -> None:
    """The relations that hold in the present state, once it has settled."""
    for name, rule in laws_here(t).items():
        if rule.holds is not None:
            steady(t, rule.holds, f"law.{name}", rule.settle)


def laws_here(t: Tester) -> dict[str, Law]:
    """The laws that hold in the present state."""
    laws = t.vow.document.laws
    return {name: law for name, law in laws.items() if law.armed_in is None or t.state in law.armed_in}


def hold_together(t: Tester, laws: Mapping[str, Law]) -> None:
    """Relations hold, once settled, by one look at all that they name; on a running clock one by one."""
    relations = {name: (rule, rule.holds) for name, rule in laws.items() if rule.holds is not None}
    if t.session.held and relations:
        t.alive(max(t.vow.document.trial.settle, *(rule.settle for rule, _ in relations.values())))
        points = [t.vow.points[each] for _, holds in relations.values() for each in sorted(holds.names)]
        seen = values(t, sorted({each.name for each in points if each.source != "setting"}))
        seen |= {each.name: each.exact(t.setting(each.name)) for each in points if each.source == "setting"}
    for name, (rule, holds) in relations.items():
        if not t.session.held:
            steady(t, holds, f"law.{name}", rule.settle)
            continue
        about = {each: seen[each] for each in sorted(holds.names)}
        if not holds.truth(about):
            judgement = Judgement(False, f"law.{name}", holds.text)
            raise Broken(judgement, f"ask {', '.join(about)}", shown_values(about))
        t.keep(f"law.{name}")
        was_kept(t, holds, f"law.{name}", about)


def as_read(
    t: Tester, holds: Expression, requirement: str, excused: Callable[[], bool] = lambda: False
) -> None:
    """A relation holds by what is read now, or may, to the accuracy of that; unless it is excused."""
    for _ in range(CONSISTENT_READS):
        with known_now(t, signals_of(t, holds), closely=True) as readings:
            if t.oracle.twin.decide(holds, t.now_ns) is not False:
                t.keep(requirement)
                return
    if excused():
        return
    shown = ", ".join(
        f"{name} {t.vow.points[name].number.text((low + high) // 2)}"
        for name, (low, high) in readings.items()
    )
    raise Broken(Judgement(False, requirement, holds.text), f"ask {', '.join(readings)}", shown)


def values(t: Tester, names: Sequence[str]) -> dict[str, Fraction | int | str]:
    """Readings and settings in engineering units, asked one after another."""
    found: dict[str, Fraction | int | str] = {}
    for name in names:
        entry = t.vow.points[name]
        reply = t.ask(name)
        if entry.scale is not None:
            parsed = entry.number.parse(reply.words[0])
            assert parsed is not None
            found[name] = parsed[0] * entry.number.step
        else:
            found[name] = reply.words[0]
    return found


def numbers(t: Tester, names: Sequence[str]) -> dict[str, Fraction]:
    """As `values`, of number points only."""
    return {name: t.read(name) * t.vow.points[name].number.step for name in names}


def steady(t: Tester, condition: Expression, requirement: str, settle_ns: int) -> None:
    """The condition holds once settled; on a running clock one of a few tries may be off."""
    names = sorted(condition.names)
    periods = [ns for name in names if (ns := t.vow.points[name].period_ns)]
    # Each look at another phase: one sample of a few may be the wrong one.
    phase_ns = t.random.randrange(PHASES * min(periods)) if periods and t.session.held else 0
    t.alive(max(settle_ns, t.vow.document.trial.settle) + phase_ns)
    wrong: dict[str, Fraction | int | str] = {}
    for _ in range(CONSISTENT_READS):
        seen = values(t, names)
        if condition.truth(seen):
            t.keep(requirement)
            was_kept(t, condition, requirement, seen)
            return
        wrong = seen
        if t.session.held:
            break
        t.alive(settle_ns)
    raise Broken(
        Judgement(False, requirement, condition.text), f"ask {', '.join(names)}", shown_values(wrong)
    )


def was_kept(
    t: Tester, condition: Expression, requirement: str, seen: Mapping[str, Fraction | int | str]
) -> None:
    """A relation held: how far from its bounds."""
    signals = [t.vow.points[name] for name in sorted(condition.names)]
    width = {
        each.name: each.accuracy(Fraction(seen[each.name])) for each in signals if each.source == "signal"
    }
    units = {t.vow.points[name].number.unit for name in width}
    for each in kept(condition, seen, width, units.pop() if len(units) == 1 else ""):
        t.shown(requirement, each)


def decided(t: Tester, condition: Expression) -> bool | None:
    """Whether a condition holds, by what is read just now; None if that is too close to say."""
    with known_now(t, signals_of(t, condition)):
        return t.oracle.twin.decide(condition, t.now_ns)


def signals_of(t: Tester, condition: Expression) -> list[str]:
    """The measured points that a condition looks at, in an order that is always the same."""
    return [name for name in sorted(condition.names) if t.vow.points[name].source == "signal"]


@contextmanager
def known_now(t: Tester, names: Sequence[str], closely: bool = False) -> Iterator[dict[str, tuple[int, int]]]:
    """Read these points: inside the block the oracle knows them within bounds, which are given, in counts."""
    found = t.oracle.twin.readings = {name: about(t, name, closely) for name in names}
    try:
        yield found
    finally:
        t.oracle.twin.readings = {}


def shown_values(seen: Mapping[str, Fraction | int | str]) -> str:
    """Values as people read them, in one line."""
    return ", ".join(f"{n} {v if isinstance(v, str) else format(float(v), 'g')}" for n, v in seen.items())


# --------------------------------------------------------------------------------------------------- trips

AT_ONCE_S = 5
"""What is provoked within this is provoked at once."""


def trips_at_once(t: Tester, state: str) -> list[tuple[TripEntry, Provoke]]:
    """Latched trips of a state that the bench alone makes happen, at once, and undoes."""
    return [
        (entry, provoke)
        for name, entry in t.vow.trips.items()
        if entry.latched and state in entry.armed_in
        if (provoke := t.vow.document.trips[name].provoke) is not None
        if provoke.bench and provoke.bench.keys() == provoke.relief.keys() and not provoke.put
        if provoke.within <= AT_ONCE_S * NS_PER_S and all(t.may_turn(*each) for each in provoke.bench.items())
    ]


def trip_and_clear(t: Tester, trips: Sequence[tuple[TripEntry, Provoke]]) -> None:
    """Have one of them happen, and clear it."""
    trip, provoke = t.random.choice(trips)
    t.strike(trip, provoke)
    t.relieve(provoke)
    t.alive(t.vow.document.trial.settle)
    t.clear()


def _trip(t: Tester, r: Requirement) -> tuple[TripEntry, Provoke]:
    provoke = t.vow.document.trips[r.element].provoke
    if provoke is None:
        raise NotSelected("the document does not say how to provoke it")
    for event in provoke.bench:
        if event not in t.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
    if not t.session.held and provoke.within > 30 * NS_PER_S:
        raise NotSelected("it takes too long on a clock that cannot be advanced")
    return t.vow.trips[r.element], provoke


def _happen(t: Tester, r: Requirement) -> tuple[TripEntry, Provoke, bool]:
    """Provoke a trip; with whether it has come.

    What the bench did before may die away slowly, and another trip may come first for that: once more then,
    when all is at rest.
    """
    trip, provoke = _trip(t, r)
    watched = provoke.bench and not provoke.silence and not trip.when.word_points and t.session.held
    twin, others = t.oracle.twin, Counter[str]()
    told = "notices" in t.vow.parts  # else nothing says which of several trips it was
    for _ in range(2):
        t.arrange(provoke)
        _not_told(t, trip)
        before = Counter(twin.fired)
        if watched and not _moves_slowly(t, trip, provoke):
            _strike_watched(t, trip, provoke)
        else:
            t.strike(trip, provoke)
        _look(t)
        others = twin.fired - before
        if others[trip.name] or not others or not t.session.held or not told:
            break
        t.home()
        t.alive(_at_rest_ns(t))
    came = bool(others[trip.name]) or twin.may_have_tripped(trip.name)
    return trip, provoke, came or (not told and t.state == trip.to)


def _at_rest_ns(t: Tester) -> int:
    """After so long everything that hands on the bench have moved is at rest, by what the document says."""
    moves = [ns for declared in t.declared.values() for ns in declared.moves.values()]
    provoked = [each.provoke for each in t.vow.document.trips.values() if each.provoke is not None]
    return max([*moves, *(each.within for each in provoked if each.bench)], default=0)


def _not_told(t: Tester, trip: TripEntry) -> None:
    """Put what a condition looks at to where it may not come true, while the panel has control: refused, it
    moves no threshold."""
    settings = [t.vow.points[name] for name in sorted(trip.when.names) if name in t.oracle.twin.settings]
    settings = [each for each in settings if each.scale is not None and t.settable_here(each)]
    if not settings or not t.session.held or t.gate is not None:
        return
    if "panel.control" in t.events and "bench" in t.abilities:
        beyond = int("a threshold while busy" in t.done)  # by turns it is refused for its range
        (t.done.discard if beyond else t.done.add)("a threshold while busy")
        t.panel("panel.control", "local")
        for entry in settings:
            low, high = t.bounds(entry)
            upwards = high - int(t.setting(entry.name)) > int(t.setting(entry.name)) - low
            t.put(entry.name, high + beyond if upwards else low - beyond)
        t.panel("panel.control", "remote")


def _moves_slowly(t: Tester, trip: TripEntry, provoke: Provoke) -> bool:
    """Whether the document says that the bench takes long to move what the condition looks at."""
    return any(
        within_ns > SLOW_NS
        for event in provoke.bench
        for name, within_ns in t.declared[event].moves.items()
        if name in trip.when.names
    )


def _strike_watched(t: Tester, trip: TripEntry, provoke: Provoke) -> None:
    """As `strike`, and what the condition looks at is asked meanwhile.

    How long a hand on the bench takes to be felt, only the document's `within` says. But once the readings
    leave no doubt that the condition holds, it acts when it has held for its time.
    """
    for event, value in provoke.bench.items():
        t.bench(event, value)
    before, trying = t.state, t.trying
    if "notices" in t.vow.parts:
        t.trying = f"trip.{trip.name}.notice"  # nothing but its notice tells of it yet
    period_ns = max((t.vow.points[name].period_ns for name in trip.when.names), default=0)
    step_ns = max(trip.after_ns, period_ns) // LOOKS_AT_CONDITION
    left_ns = provoke.within
    t.session.settle()
    t.attend()
    for _ in range(2 * LOOKS_AT_CONDITION):
        if t.struck(trip, before) or left_ns <= step_ns:
            break
        t.alive(step_ns)
        left_ns -= step_ns
        if not t.struck(trip, before) and _holds_already(t, trip):
            due_ns = trip.after_ns + trip.after_ns // 100 + t.vow.document.trips[trip.name].every
            t.alive(due_ns)
            left_ns -= due_ns
            _look(t)
            if not t.struck(trip, before) and _holds_already(t, trip):
                due = f"within {due_ns / NS_PER_S:g} s of readings that leave no doubt"
                judgement = Judgement(False, f"trip.{trip.name}.fires", due)
                raise Broken(judgement, "", f"still in state {t.state}")
            break
    t.until(partial(t.struck, trip, before), left_ns, f"trip.{trip.name}.fires")
    t.trying = trying


@purpose("trip", "fires", 2)
def fires(t: Tester, r: Requirement) -> None:
    """A trip from provocation to clearing, with everything on the way looked at."""
    guarded = "guarded trip" not in t.done
    if guarded:
        t.say("put link.guard on")
    counters = [law.elapses for law in t.vow.document.laws.values() if law.elapses is not None]
    if guarded and counters:
        # What was zeroed just now shows it only with the next look.
        t.alive(2 * max(t.vow.points[name].period_ns for name in counters))
    counted = {name: t.read(name) for name in counters if guarded}
    trip, provoke, came = _happen(t, r)
    if not came and t.state != trip.to:
        raise Broken(Judgement(False, r.id, f"state {trip.to}"), "", f"state {t.state}")
    if not came:
        raise Broken(Judgement(False, r.id, f"trip {trip.name}"), "", " ".join(t.oracle.twin.last_trip))
    moved = [entry.name for entry in t.vow.settings if t.setting(entry.name) != entry.default]
    if moved and f"settings in {trip.to}" not in t.done:
        t.ask(t.random.choice(moved))  # a trip moves the state, not what was set
        t.done.add(f"settings in {trip.to}")
    for name, counts in counted.items():
        t.alive(2 * t.vow.points[name].period_ns)
        if t.read(name) < counts:
            due = f"{name} at least {' '.join(t.vow.points[name].words(counts))}: a trip zeroes nothing"
            raise Broken(Judgement(False, r.id, due), f"ask {name}", "less")
    if guarded:
        # Whatever was on stays on.
        for entry in t.vow.settings[:1]:
            t.line(f"put {entry.name} {' '.join(entry.words(t.setting(entry.name)))}".encode())
        t.guard_off()
        t.done.add("guarded trip")
    last = t.vow.system_name("last_trip")
    if last is not None:
        t.trying = f"trip.{trip.name}.report"
        t.ask(last)
    laws_hold(t)
    if any(isinstance(value, str) for value in provoke.bench.values()):
        _cooled(t, provoke)
    for entry in t.vow.points.values():
        # What is computed of the same readings has come to where it changes its sign, if it has one.
        if entry.derived is not None and entry.derived.names & trip.when.names & t.vow.measured:
            ask_computed(t, entry)
    refused = False
    if trip.latched:
        t.trying = f"trip.{trip.name}.latch"
        refused = _latched(t, r, trip, provoke)
    else:
        t.relieve(provoke)
    kept = f"last trip kept, latched: {trip.latched}, clearing refused: {refused}"
    if last is not None and kept not in t.done:
        t.trying = f"trip.{trip.name}.report"
        t.ask(last)
        t.done.add(kept)
    t.done.add(f"tripped {trip.name}")


def _cooled(t: Tester, provoke: Provoke) -> None:
    """Where something is broken the fan follows its reading all the same, though that can hardly be true.

    Such a reading jumps, there and back and there again: a fan that is looked at too seldom is late once.
    """
    fan = t.vow.document.fan
    if fan is None or not t.session.held:
        return
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    whole = 100 if duty.number.unit == "%" else 1
    seen = t.read(heat.name) * heat.number.step
    if seen - heat.accuracy(seen) < fan.levels[-1].at:
        return
    for turn, there in enumerate((True, False, True)):
        if turn:
            for event, value in (provoke.bench if there else provoke.relief).items():
                t.bench(event, value)
        t.alive(2 * fan.tick + max(heat.period_ns, duty.period_ns))
        seen, given = (t.read(each.name) * each.number.step for each in (heat, duty))
        off = heat.accuracy(seen)
        hysteresis = Fraction(fan.hysteresis)
        surely = [whole * each.duty for each in fan.drives() if seen - off >= each.at]
        still = [
            whole * (each.duty + fan.coarse) for each in fan.drives() if seen + off >= each.at - hysteresis
        ]
        least, most = max(surely, default=Fraction(0)), max(still, default=Fraction(0))
        if not least - duty.number.step <= given <= most + duty.number.step:
            due = f"{duty.name} {float(least if there else most):g}, with {heat.name} {float(seen):g}"
            raise Broken(Judgement(False, "fan.curve", due), f"ask {duty.name}", f"{float(given):g}")


def _latched(t: Tester, r: Requirement, trip: TripEntry, provoke: Provoke) -> bool:
    """It stays until it is cleared, and is not cleared while its cause is there: whether that was refused."""
    clear = next(
        (a.name for a in t.vow.actions.values() if ("clear_trip", "") in a.does and trip.to in a.to), None
    )
    condition = trip.cleared_when if trip.cleared_when is not None else trip.when
    readings = signals_of(t, condition)
    # The relay has opened, the source has recovered: give readings time to show it.
    t.alive(t.vow.document.trial.settle)
    was_refused = False
    if clear is not None:
        try_clear(t, clear, readings)
        was_refused = t.state == trip.to
        refused = f"clear refused, energised before: {t.vow.states[provoke.state].energised}"
        if t.state == trip.to and refused not in t.done:
            t.done.add(refused)
            stays(t, trip.to)
    stopped = f"safe while latched, energised before: {t.vow.states[provoke.state].energised}"
    if t.state == trip.to and stopped not in t.done:
        # What is always allowed neither clears it nor forgets why it tripped.
        t.done.add(stopped)
        t.safe()
        _look(t)
        if clear is not None:
            try_clear(t, clear, readings)
    # Just gone, half way, as near to the end as a reading is sure on either side, and well beyond.
    beside = _beside_the_end(t, trip)
    for share in (Fraction(1, 10), Fraction(1, 2), *beside, Fraction(19, 10)):
        if t.state == trip.to and clear is not None and _part_way(t, trip, share):
            t.alive(t.vow.document.trial.settle)
            try_clear(t, clear, readings)
    if t.state != trip.to:
        return was_refused
    t.relieve(provoke)
    longest_ns = t.longest_silence_ns() or 0
    if t.session.held and longest_ns > LATCHED_NS and "silent while latched" not in t.done:
        # Nor does the host's silence open it.
        t.done.add("silent while latched")
        t.alive(longest_ns * 11 // 10)
    t.alive(LATCHED_NS if t.session.held else NS_PER_S)
    _look(t)
    if t.state != trip.to:
        raise Broken(Judgement(False, r.id, f"still {trip.to}"), "", f"state {t.state}")
    if clear is not None:
        t.clear()
        _look(t)
    return was_refused


@purpose("trip", "notice", 3)
@purpose("trip", "report", 3)
@purpose("trip", "latch", 3)
@purpose("trip", "clears", 3)
def seen_on_the_way(t: Tester, r: Requirement) -> None:
    """What `fires` has looked at once, for all of its requirements."""
    if f"tripped {r.element}" not in t.done:
        fires(t, r)
    if r.aspect in ("latch", "clears") and f"clearing refused, {r.element}" not in t.done:
        raise NotSelected(
            f"its condition never held in state {t.vow.trips[r.element].to}, so clearing was never refused; "
            "a bench event that keeps it true there would show more"
        )
    t.keep(r.id)


@purpose("trip", "fires", 4)
def only_where_armed(t: Tester, r: Requirement) -> None:
    """In states where it does not watch, the same provocation does nothing."""
    trip, provoke = _trip(t, r)
    if not provoke.bench or provoke.silence:
        return
    for state in t.vow.states:
        if state in trip.armed_in or state == trip.to or not t.may_enter(state):
            continue
        t.home()
        try:
            early = {n: v for n, v in provoke.put.items() if t.vow.points[n].set_in is not None}
            t.settings(early)
            t.goto(state)
        except NotSelected:
            continue
        for event, value in provoke.bench.items():
            t.bench(event, value)
        t.alive(min(provoke.within, 2 * NS_PER_S) if t.session.held else trip.after_ns * 3)
        _look(t)
        t.relieve(provoke)


@purpose("trip", "delay", 3)
def delay(t: Tester, r: Requirement) -> None:
    """Not before its time, and not for a condition that came and went."""
    trip, provoke = _trip(t, r)
    if not t.session.held:
        raise NotSelected("needs a rig that can hold the clock")
    if provoke.silence or not provoke.relief:
        raise NotSelected("its condition cannot be removed again")
    t.arrange(provoke)
    if _holds_already(t, trip) is not False:
        # Heat that an earlier purpose has left, say: let it trip, and begin again when that has died away.
        t.alive(trip.after_ns + NS_PER_S)
        t.home()
        t.alive(provoke.within)
        t.arrange(provoke)
        if _holds_already(t, trip) is not False:
            raise NotSelected("its condition holds, or may hold, before it is provoked")
    lawful = _led_on(t, t.state) - {trip.to}
    part_ns = trip.after_ns * 6 // 10
    # A shorter break may fall between two looks, or pass before the bench is felt.
    break_ns = max(part_ns, t.vow.document.trips[trip.name].every * 11 // 10)
    for _ in range(2):
        for event, value in provoke.bench.items():
            t.bench(event, value)
        t.alive(part_ns)
        _look(t)
        if t.state not in lawful:
            held = f"the condition held for at most {part_ns / 1e6:g} ms"
            raise Broken(Judgement(False, r.id, f"no trip: {held}"), "", " ".join(t.oracle.twin.last_trip))
        t.relieve(provoke)
        t.alive(break_ns)
    _look(t)
    if t.state not in lawful:
        raise Broken(
            Judgement(False, r.id, "no trip: the condition had gone"), "", " ".join(t.oracle.twin.last_trip)
        )


@purpose("trip", "delay", 4)
def delay_by_setting(t: Tester, r: Requirement) -> None:
    """Where the bench takes long to move what is watched, its threshold is brought there at once instead."""
    trip, provoke = _trip(t, r)
    if not t.session.held:
        raise NotSelected("needs a rig that can hold the clock")
    if provoke.silence or (provoke.within <= LONG_NS and not _moves_slowly(t, trip, provoke)):
        return
    try:
        thresholds = trip.when.as_threshold(t.vow.measured)
    except ExpressionError:
        return
    if len(thresholds) != 1 or t.vow.points[thresholds[0].point].source != "signal":
        return
    (threshold,) = thresholds
    for name in sorted(threshold.expression.names & t.oracle.twin.settings.keys()):
        entry = t.vow.points[name]
        if entry.scale is None or (entry.set_in is not None and provoke.state not in entry.set_in):
            continue
        t.home()
        others = {each: value for each, value in provoke.put.items() if each != name}
        t.arrange(provoke.model_copy(update={"put": others}))
        for event, value in provoke.bench.items():
            t.bench(event, value)
        for _ in range(LOOKS_AT_SLOW):
            there = bringing(t, threshold, entry)
            if there is not None or t.state not in trip.armed_in:
                break
            t.alive(provoke.within // LOOKS_AT_SLOW)
        if there is not None and t.state in trip.armed_in and _holds_already(t, trip) is False:
            _delayed(t, trip, entry, there)
        t.relieve(provoke)


def bringing(t: Tester, threshold: Threshold, entry: PointEntry) -> int | None:
    """Counts of a setting with which a threshold is surely passed by what is read just now, if allowed."""
    settings = {
        name: value
        for name in sorted(threshold.expression.names & t.oracle.twin.settings.keys())
        if isinstance(value := t.vow.points[name].exact(t.setting(name)), Fraction)
    }
    level = threshold.expression.number(settings)
    further = settings | {entry.name: settings[entry.name] + entry.number.step}
    slope = threshold.expression.number(further) - level
    low, high = about(t, threshold.point)
    goal = (low if threshold.above else high) * t.vow.points[threshold.point].number.step
    present = t.setting(entry.name)
    if not slope or not isinstance(present, int) or not t.settable_here(entry):
        return None
    steps = (goal - level) / slope
    # Towards the side on which the condition holds.
    wanted = present + (math.floor(steps) if (slope > 0) == threshold.above else math.ceil(steps))
    least, most = t.bounds(entry)
    return wanted if least <= wanted <= most else None


def _delayed(t: Tester, trip: TripEntry, entry: PointEntry, there: int) -> None:
    """Not before its time, not for what came and went, and then in time."""
    part_ns, every_ns = trip.after_ns * 6 // 10, t.vow.document.trips[trip.name].every
    away = t.setting(entry.name)
    for _ in range(3):
        for value, wait_ns in ((there, part_ns), (away, every_ns * 11 // 10)):
            t.put(entry.name, value)
            t.alive(wait_ns)
            _look(t)
            if t.state not in trip.armed_in:
                held = f"the condition held for at most {part_ns / 1e6:g} ms"
                judgement = Judgement(False, f"trip.{trip.name}.delay", f"no trip: {held}")
                raise Broken(judgement, "", " ".join(t.oracle.twin.last_trip))
    t.put(entry.name, there)
    due_ns = trip.after_ns + trip.after_ns // 100 + every_ns
    t.alive(due_ns)
    _look(t)
    if t.state != trip.to:
        due = f"within {due_ns / NS_PER_S:g} s of {entry.name} {' '.join(entry.words(there))}"
        raise Broken(Judgement(False, f"trip.{trip.name}.fires", due), "", f"still in state {t.state}")


def _holds_already(t: Tester, trip: TripEntry) -> bool | None:
    """Whether its condition is true now; None if that is too close to say."""
    return False if trip.when.word_points else decided(t, trip.when)


def try_clear(t: Tester, clear: str, readings: Sequence[str]) -> None:
    """Clear it or be refused, as what is read just now decides."""
    with known_now(t, readings) as found:
        trip = t.vow.trips.get(t.oracle.twin.last_trip[0])
        if trip is not None and not t.oracle.twin.surely_tripped(trip.name):
            # Where nothing tells which it was, it was the one that has been provoked.
            section, _, rest = (t.trying or "").partition(".")
            name = rest.rpartition(".")[0]
            known = section == "trip" and t.oracle.twin.may_have_tripped(name)
            trip = t.vow.trips.get(name) if known else None
        before = t.state
        t.act(clear)
    if trip is not None and trip.cleared_when is not None and before == trip.to:
        for name, (low, high) in found.items():
            value = Fraction(low + high, 2) * t.vow.points[name].number.step
            condition, cleared = trip.cleared_when, t.state != before
            t.looked(f"trip.{trip.name}.clears", condition, name, value, acted=cleared)
    _look(t)


def _both_ends(
    t: Tester, trip: TripEntry
) -> tuple[PointEntry, Threshold, Threshold, dict[str, Fraction]] | None:
    """A reading, where its trip begins and where it can be cleared, and the settings that move both."""
    if trip.cleared_when is None:
        return None
    try:
        trips_at = trip.when.as_threshold(t.vow.measured)
        clears_at = trip.cleared_when.as_threshold(t.vow.measured)
    except ExpressionError:
        return None
    if len(trips_at) != 1 or len(clears_at) != 1 or trips_at[0].point != clears_at[0].point:
        return None
    exact = {
        name: t.vow.points[name].exact(t.setting(name))
        for name in sorted(trip.when.names | trip.cleared_when.names)
        if name in t.oracle.twin.settings
    }
    settings = {name: value for name, value in exact.items() if isinstance(value, Fraction)}
    return t.vow.points[trips_at[0].point], trips_at[0], clears_at[0], settings


SURELY = Fraction(3, 2)
"""So many times its accuracy away, a reading is surely on one side: what is watched is what is read."""


def _beside_the_end(t: Tester, trip: TripEntry) -> tuple[Fraction, ...]:
    """Shares of the way from condition to clearing, as near to its end as the reading's accuracy allows."""
    found = _both_ends(t, trip)
    if found is None:
        return ()
    point, trips_at, clears_at, settings = found
    clears = clears_at.expression.number(settings)
    way = abs(clears - trips_at.expression.number(settings))
    away = SURELY * point.accuracy(clears) + point.number.step
    return (1 - away / way, 1 + away / way) if way > away else ()


def _part_way(t: Tester, trip: TripEntry, share: Fraction) -> bool:
    """Bring a reading a share of the way from condition to clearing, by the bench or by their settings."""
    found = _both_ends(t, trip)
    if found is None:
        return False
    point, trips_at, clears_at, settings = found

    def place_with(values: Mapping[str, Fraction]) -> Fraction:
        trips, clears = trips_at.expression.number(values), clears_at.expression.number(values)
        return trips + share * (clears - trips)

    place = place_with(settings)
    for event, declared in t.declared.items():
        within_ns = declared.moves.get(point.name)
        soon_ns = SLOW_NS if t.session.held else NS_PER_S - 1
        if within_ns is not None and event in t.events and within_ns <= soon_ns:
            # Turned round, what the event brings to the reading has the other sign.
            other_way = point.name in declared.shown_by and t.read(point.name) < 0
            with suppress(NotSelected):  # a source may not go where the threshold is
                t.bench(event, decimal_of(-place if other_way else place))
                t.alive(within_ns)
                return True
    # A slow reading stays where it is; what it is held against can be moved.
    for name, value in settings.items():
        entry = t.vow.points[name]
        slope = place_with(settings | {name: value + entry.number.step}) - place
        counts = t.setting(name)
        if slope and t.settable_here(entry) and isinstance(counts, int):
            wanted = counts + round((t.read(point.name) * point.number.step - place) / slope)
            low, high = t.bounds(entry)
            if low <= wanted <= high and t.put(name, wanted).ok:
                return True
    return False


@purpose("trip", "fires", 3)
def only_if_all_of_it(t: Tester, r: Requirement) -> None:
    """Where the condition needs a word besides, another word keeps it from tripping; no longer than that."""
    trip, provoke = _trip(t, r)
    for name, word in sorted(trip.when.words()):
        t.home()
        entry = t.vow.points[name]
        if name == "panel.control" and name in t.events:
            t.arrange(provoke)
            t.panel(name, next(each for each in entry.choices if each != word))
        elif entry.source == "setting":
            t.settings(
                {n: v for n, v in provoke.put.items() if n != name and t.vow.points[n].set_in is not None}
            )
            other = next(each for each in entry.choices if each != word)
            if t.setting(name) != other and t.settable_here(entry):
                t.put(name, other)
            t.prepare()
            t.goto(provoke.state)
        else:
            continue
        for event, value in provoke.bench.items():
            t.bench(event, value)
        if provoke.silence:
            with t.silence():
                t.wait(provoke.within)
        else:
            t.alive(provoke.within)
        _look(t)
        if name == "panel.control":
            # Given back, it is as if it had never been away.
            within_ns = provoke.within
            if t.session.held and provoke.silence and t.may_turn("link.transmitter", "stalled"):
                # It acts though nothing can be said of it yet.
                t.transmitter("stalled")
                t.panel(name, word)
                with t.silence():
                    t.wait(within_ns)
                t.transmitter("free")
                within_ns = 0
            else:
                t.panel(name, word)
            t.until(partial(t.struck, trip, provoke.state), within_ns, r.id, silent=provoke.silence)
            _look(t)
        t.relieve(provoke)


BESIDE = Fraction(3, 100)
"""How far beside a threshold, as a part of it, a reading is surely on one side."""


@purpose("trip", "fires", TOUR)
def at_the_default_threshold(t: Tester, r: Requirement) -> None:
    """Where a setting moves its threshold, it is provoked at one value; here it is at its default."""
    trip, provoke = _trip(t, r)
    try:
        thresholds = trip.when.as_threshold(t.vow.measured)
    except ExpressionError:
        return
    if len(thresholds) != 1 or not thresholds[0].expression.names or provoke.silence:
        return
    threshold = thresholds[0]
    for event, declared in t.declared.items():
        within_ns = declared.moves.get(threshold.point)
        if within_ns is None or event not in t.events or within_ns >= NS_PER_S:
            continue
        if t.vow.initial not in trip.armed_in:
            t.goto(provoke.state)
        settings = {
            name: t.vow.points[name].exact(t.setting(name))
            for name in sorted(threshold.expression.names)
            if name in t.oracle.twin.settings
        }
        level = threshold.expression.number(settings)
        away = abs(level) * BESIDE * (1 if threshold.above else -1)
        t.bench(event, _thousandths(level - away))
        t.alive(max(within_ns, t.vow.document.trial.settle))
        _look(t)
        t.bench(event, _thousandths(level + away))
        t.until(partial(_left, t, t.state), max(provoke.within, within_ns), r.id)
        _look(t)
        return


def _thousandths(value: Fraction) -> Decimal:
    return Decimal(round(value * 1000)) / 1000


def _left(t: Tester, state: str) -> bool:
    return t.state != state


FEW = 3
"""So many states are few: a trip that watches no more is provoked in each of them early."""


@purpose("trip", "fires", 2)
def wherever_armed(t: Tester, r: Requirement) -> None:
    """In every state that it watches, the same provocation trips it."""
    trip, provoke = _trip(t, r)
    if len(trip.armed_in) <= FEW:
        _everywhere(t, r, list(t.vow.states))
        return
    # Of many states one for now, another for each trip: where it differs most from where it is provoked.
    live = t.vow.states[provoke.state].energised
    others = [
        state.name
        for state in t.vow.states.values()
        if state.name in trip.armed_in and state.energised is not live and _lasts(t, state.name, provoke)
    ]
    if others and not (live and provoke.within > LONG_NS):
        t.random.shuffle(others)
        state = min(others, key=lambda each: f"protected: {each}" in t.done)
        t.done.add(f"protected: {state}")
        _everywhere(t, r, [state])


@purpose("trip", "fires", 5)
def wherever_armed_at_last(t: Tester, r: Requirement) -> None:
    """The same for the trips that watch many states."""
    if len(t.vow.trips[r.element].armed_in) > FEW:
        _everywhere(t, r, list(t.vow.states))


def _everywhere(t: Tester, r: Requirement, states: Sequence[str]) -> None:
    trip, provoke = _trip(t, r)
    for state in states:
        if state not in trip.armed_in or state == provoke.state:
            continue
        if not t.may_enter(state) or (t.vow.states[state].energised and provoke.within > LONG_NS):
            continue  # what takes long by its nature is provoked in one such state only
        if not _lasts(t, state, provoke):
            continue
        t.home()
        try:
            t.settings({n: v for n, v in provoke.put.items() if t.vow.points[n].set_in is not None})
            t.prepare()
            t.goto(state)
            points = {name: t.vow.points[name] for name in provoke.put}
            if any(
                not t.settable_here(points[name]) and t.setting(name) != value_of(points[name], value)
                for name, value in provoke.put.items()
            ):
                continue
            t.settings({n: v for n, v in provoke.put.items() if t.vow.points[n].set_in is None})
        except (NotSelected, Doubtful):
            continue
        if depends_on_state(t, trip):
            continue
        end_ns = t.now_ns + provoke.within
        before = t.oracle.twin.fired[trip.name]
        t.strike(trip, provoke, lambda: t.now_ns >= end_ns and _not_felt(t, trip, provoke))  # noqa: B023
        _look(t)
        if t.state == state and _not_felt(t, trip, provoke):
            t.relieve(provoke)
            continue
        came = t.oracle.twin.fired[trip.name] > before
        if not came and t.state != trip.to:
            raise Broken(Judgement(False, r.id, f"state {trip.to}"), "", f"state {t.state}")
        if not came and "notices" in t.vow.parts:
            seen = " ".join(t.oracle.twin.last_trip)
            raise Broken(Judgement(False, r.id, f"trip {trip.name} in {state}"), "", seen)
        t.relieve(provoke)
        if trip.latched and f"cleared from {state}" not in t.done:
            # Clearing leads to one state, wherever it tripped.
            t.trying = f"trip.{trip.name}.clears"
            t.home()
            _look(t)
            t.trying = r.id
            t.done.add(f"cleared from {state}")


def _lasts(t: Tester, state: str, provoke: Provoke) -> bool:
    """Whether a state is not left because of time while a trip is provoked in it."""
    return all(each.when is not None or each.after_ns > provoke.within for each in t.vow.states[state].leaves)


def depends_on_state(t: Tester, trip: TripEntry) -> bool:
    """Whether its readings move in some states only: what the stage draws, not what is connected."""
    moved = {name for declared in t.declared.values() for name in declared.moves}
    for point, declared_point in t.vow.document.points.items():
        # What follows a setting while nothing is energised is not what the stage draws.
        if declared_point.follows is not None and not t.vow.states[declared_point.follows.state].energised:
            moved.add(point)
    readings = {name for name in trip.when.names if t.vow.points[name].source == "signal"}
    return bool(readings - moved) and not t.vow.states[t.state].energised


def _not_felt(t: Tester, trip: TripEntry, provoke: Provoke) -> bool:
    """Whether what is provoked in an energised state has surely come to nothing here, in one that is not.

    A load that is shorted warms a heat sink only while the output is on. What a bench event `moves`, it moves
    in every state.
    """
    moved = {name for event in provoke.bench for name in t.declared[event].moves}
    readings = {name for name in trip.when.names if t.vow.points[name].source == "signal"}
    live = t.vow.states[provoke.state].energised and not t.vow.states[t.state].energised
    return bool(live and provoke.bench and readings - moved) and _holds_already(t, trip) is False


def about(t: Tester, name: str, closely: bool = False) -> tuple[int, int]:
    """Bounds in counts of what a reading stands for just now: generous ones, or just to its accuracy."""
    counts, entry = t.read(name), t.vow.points[name]
    step = entry.number.step
    width = int(entry.accuracy(counts * step) / step) if closely else _width(t, name)
    return counts - width, counts + width
