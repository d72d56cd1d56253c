"""Purposes about states: how they are reached, what they allow, how they are left."""

from __future__ import annotations

from contextlib import suppress
from fractions import Fraction
from functools import partial

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.actions import act_guarded, shut_guard
from wirevow.protocol.conformance.purposes.images import look_at_settings
from wirevow.protocol.conformance.purposes.looking import (
    gained,
    laws_hold,
    led_on,
    left,
    look,
    provocation,
    refused_while_busy,
    values,
)
from wirevow.protocol.conformance.purposes.meanwhile import at_the_panel, unheard
from wirevow.protocol.conformance.purposes.points import (
    other_value,
)
from wirevow.protocol.conformance.purposes.readings import follow_the_bench, follow_the_settings
from wirevow.protocol.conformance.purposes.trips import AT_ONCE_S, trip_and_clear, trips_at_once
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, Leave
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.twin import CLOCK_PARTS
from wirevow.protocol.vow import ActionEntry, PointEntry

SOME_HELD = 4
"""So many of the settings that cannot be put in a state are tried at the first look; later all."""


@purpose("state", "reachable", 2)
def reachable(t: Tester, r: Requirement) -> None:
    """Visit a state: what is refused there, what holds there."""
    t.prepare()
    if t.vow.states[r.element].energised and "refused before it works" not in t.done:
        # Nor does what is refused at rest show once it works.
        t.done.add("refused before it works")
        refused_while_busy(t, [each for each in t.vow.actions.values() if each.to.get(t.state) == t.state])
    t.goto(r.element)
    look(t)
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
    look(t)
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
    look(t)


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
        refused_while_busy(t, [each for each in t.vow.actions.values() if each.to.get(t.state) == t.state])
        t.quiet_until(began_ns + rule.after - slack_ns)
        look(t)
        stayed = t.state == r.element
        t.quiet_until(began_ns + rule.after + slack_ns)
        look(t)
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
    provoke = provocation(t, rule.provoke)
    if slow := t.too_long(provoke.within):
        raise NotSelected(slow)
    t.settings(
        {n: v for n, v in provoke.put.items() if t.setting(n) is not None and t.vow.points[n].set_in is None}
    )
    if provoke.bench and rule.after and provoke.within < 3 * rule.after and t.session.held:
        # Held for less than its time it must not act, and a break starts the time afresh.
        for _ in range(2):
            for event, value in provoke.bench.items():
                t.bench(event, value)
            t.alive(rule.after * 6 // 10)
            t.relieve(provoke)
            t.alive(rule.after * 6 // 10)
            look(t)
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
    if t.state not in led_on(t, rule.to, by_time=t.oracle.twin.told):
        raise Broken(Judgement(False, r.id, f"state {rule.to}"), "", f"state {t.state}")
    # And once more, without a boot in between.
    t.home()
    counting = _counting(t, r.element, rule)
    if counting is not None:
        t.settings(provoke.put)
    t.prepare()
    t.goto(r.element)
    if counting is None:
        _left_meanwhile(t, r.element, rule, begun=False)
    else:
        _as_long(t, r, counting, rule.to)
        _many(t, r, counting, rule.to)
        look(t)
    gained(t, r.element)


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
    look(t)


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
    look(t)
    if t.state != r.element and t.now_ns < entered[0] + least_ns:
        due = f"still {r.element}: {number} periods of {float(period):g} s take longer"
        raise Broken(Judgement(False, r.id, due), "", f"now {t.state}")
    if t.state == r.element:
        within_ns = max(entered[1] + most_ns + 2 * counter_ns - t.now_ns, 0)
        t.until(partial(left, t, r.element), within_ns, r.id)
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
        t.until(partial(left, t, r.element), t.vow.points[str(law.counted_by)].period_ns, r.id)
    t.put(counts.name, number)
