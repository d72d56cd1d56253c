"""Purposes about what the instrument does: states, actions, trips."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction
from functools import partial

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.points import LOOKS_AT_SLOW, SLOW_NS, ask_computed, other_value, visited
from protocol.conformance.tester import DRY, HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Provoke, Pulse
from protocol.document.requirements import Requirement
from protocol.expression import Expression, ExpressionError, Threshold
from protocol.oracle import Judgement
from protocol.quantity import decimal_of
from protocol.vow import ActionEntry, PointEntry, TripEntry

LONG_NS = 60 * NS_PER_S
"""What is given more time takes long by its nature."""
LOOKS_AT_CONDITION = 4
"""Into so many parts the time is cut in which a condition may come true, or act."""
CONSISTENT_READS = 3
"""On a running clock readings move between two questions: so many tries before a relation is broken."""

SOME_HELD = 6
"""So many of the settings that cannot be put in a state are tried at the first look; later all."""


def _look(t: Tester) -> None:
    """See the state, by every point that shows it."""
    t.ask("self.state")


@purpose("state", "reachable", 1)
def reachable(t: Tester, r: Requirement) -> None:
    """Visit a state: what is refused there, what holds there."""
    t.prepare()
    t.goto(r.element)
    _look(t)
    for name, action in t.vow.actions.items():
        if r.element not in action.to:
            t.act(name)
    held = [entry for entry in t.vow.settings if not t.settable_here(entry)]
    for entry in t.random.sample(held, min(SOME_HELD, len(held))):
        with suppress(NotSelected):
            t.put(entry.name, other_value(t, entry))
    for entry in t.random.sample(held, min(2, len(held))):
        t.ask(entry.name)
    shut = next((entry for entry in held if entry.scale is not None), None)
    if shut is not None and "reasons before and after state" not in t.done:
        t.say(f"put {shut.name} x")
        t.put(shut.name, shut.number.high + 1)
        t.done.add("reasons before and after state")
    _look(t)
    laws_hold(t)
    t.done.add(f"visited {r.element}")


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


@purpose("state", "leave", 1)
def leave(t: Tester, r: Requirement) -> None:
    index = int(r.aspect.split(".")[1]) - 1
    rule = t.vow.document.states[r.element].leaves[index]
    t.prepare()
    if rule.provoke is not None:
        t.settings({n: v for n, v in rule.provoke.put.items() if t.vow.points[n].set_in is not None})
    t.goto(r.element)
    if rule.when is None:
        if not t.session.held and rule.after > 20 * NS_PER_S:
            raise NotSelected("waiting for it takes too long on a clock that cannot be advanced")
        # Time moves the state, nothing else.
        own = [entry for entry in t.vow.settings if entry.set_in == frozenset({r.element})]
        for entry in own:
            t.put(entry.name, other_value(t, entry))
        slack_ns = max(rule.after // 500, 1) if t.session.held else 4 * HOST_SLACK_NS
        began_ns = t.oracle.twin.entered_ns
        t.quiet_until(began_ns + rule.after - slack_ns)
        _look(t)
        t.quiet_until(began_ns + rule.after + slack_ns)
        _look(t)
        if t.state == r.element:
            raise Broken(
                Judgement(False, r.id, f"{r.element} left after {rule.after / NS_PER_S:g} s"),
                "",
                f"still {t.state}",
            )
        for entry in own:
            t.ask(entry.name)
        return
    if rule.provoke is None:
        raise NotSelected("the document does not say how to provoke it")
    for event in rule.provoke.bench:
        if event not in t.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
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
    t.leave(r.element, rule)
    for name, counts in counted.items():
        if t.read(name) < counts:
            due = f"{name} at least {' '.join(t.vow.points[name].words(counts))}"
            raise Broken(Judgement(False, r.id, due), f"ask {name}", "less: it was zeroed on the way")
    _look(t)
    if t.state != rule.to:
        raise Broken(Judgement(False, r.id, f"state {rule.to}"), "", f"state {t.state}")
    # And once more, without a boot in between.
    t.home()
    t.prepare()
    t.goto(r.element)
    t.leave(r.element, rule)
    _look(t)


def target_state(t: Tester, action: ActionEntry) -> str:
    """A state in which the action is done: the first that these hands reach."""
    for state in sorted(action.to, key=lambda each: (t.vow.states[each].energised, each != t.vow.initial)):
        if t.vow.states[state].energised and not t.energise:
            continue
        with suppress(NotSelected):
            if state != t.state:
                t.route(state)
            return state
    raise NotSelected("no state in which it is done can be reached" + ("" if t.energise else f"; that {DRY}"))


@purpose("action", "effect", 3)
def effect(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    t.prepare()
    state = target_state(t, action)
    t.goto(state)
    do(t, action)
    _look(t)


@purpose("action", "effect", 5)
def effect_everywhere(t: Tester, r: Requirement) -> None:
    """From every state that allows it."""
    action = t.vow.actions[r.element]
    for state in action.to:
        if t.vow.states[state].energised and not t.energise:
            continue
        t.home()
        t.prepare()
        moved = _moved(t)
        try:
            t.goto(state)
        except NotSelected:
            continue
        do(t, action)
        _look(t)
        _read_settings(t, moved)


def do(t: Tester, action: ActionEntry) -> None:
    """Do an action and look at what it counts."""
    if action.takes_ticket is not None:
        t.with_ticket(action.name)
    else:
        t.act(action.name)
    for kind, what in action.does:
        if kind == "capture":
            fields = t.vow.document.records[what].fields
            longest_ns = max((each.count * (each.every or 0) for each in fields), default=0)
            count = next((e for e in t.vow.points.values() if e.system == "captures"), None)
            if count is not None:
                t.ask(count.name)  # not yet
            t.alive(longest_ns + (0 if t.session.held else HOST_SLACK_NS))
            if count is not None:
                t.ask(count.name)
        if kind == "save":
            count = next((e for e in t.vow.points.values() if e.system == "saves"), None)
            if count is not None:
                t.ask(count.name)


def _moved(t: Tester) -> list[PointEntry]:
    """A setting that is not at its default. Where all are, one is moved that no condition looks at."""
    moved = [entry for entry in t.vow.settings if t.setting(entry.name) != entry.default]
    if moved:
        return [t.random.choice(moved)]
    trips, leaves = t.vow.trips.values(), (leave for each in t.vow.states.values() for leave in each.leaves)
    conditions = [
        *(trip.when for trip in trips),
        *(trip.cleared_when for trip in trips),
        *(leave.when for leave in leaves),
        *(action.guard for action in t.vow.actions.values()),
    ]
    looked_at = {name for condition in conditions if condition is not None for name in condition.names}
    for entry in t.vow.settings:
        if entry.scale is not None and entry.name not in looked_at and t.settable_here(entry):
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
                return [entry]
    return []


def _read_settings(t: Tester, moved: Sequence[PointEntry]) -> None:
    others = [entry for entry in t.vow.settings if entry not in moved]
    for entry in (*moved, *t.random.sample(others, min(4 - len(moved), len(others)))):
        t.ask(entry.name)


@purpose("action", "effect", 2)
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
    for entry in t.vow.settings if every else ():
        t.ask(entry.name)
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
        if state in action.to or (t.vow.states[state].energised and not t.energise):
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
        raise NotSelected(
            "no state in which it is refused can be reached" + ("" if t.energise else f"; that {DRY}")
        )


@purpose("action", "guard", 4)
def guard(t: Tester, r: Requirement) -> None:
    action = t.vow.actions[r.element]
    assert action.guard is not None
    t.prepare()
    state = target_state(t, action)
    settings = [name for name in action.guard.names if name in t.oracle.twin.settings]
    tried: set[bool] = set()
    for name in sorted(settings):
        entry = t.vow.points[name]
        candidates = list(entry.choices) if entry.scale is None else list(t.bounds(entry))
        for value in candidates:
            t.home()
            t.prepare()
            if not t.settable_here(entry):
                t.goto(next(iter(entry.set_in or {t.vow.initial})))
            if isinstance(value, int):
                low, high = t.bounds(entry)
                value = min(max(value, low), high)
            t.put(name, value)
            t.goto(state)
            tried.add(act_guarded(t, action))
    if len(tried) < 2:
        raise Doubtful(
            f"the guard was only seen {'open' if True in tried else 'closed' if tried else 'not at all'}"
        )


def act_guarded(t: Tester, action: ActionEntry) -> bool:
    """Do an action with a guard where it may be done; whether its guard was open."""
    assert action.guard is not None
    # What the guard reads is known better than its range: it is being read now.
    signals = [name for name in sorted(action.guard.names) if t.vow.points[name].source == "signal"]
    t.oracle.twin.readings = {name: about(t, name) for name in signals}
    try:
        if action.takes_ticket is not None and t.oracle.twin.ticket != "0000":
            t.say(f"act {action.name} 0000")  # the guard comes before the ticket
        reply = t.with_ticket(action.name) if action.takes_ticket is not None else t.act(action.name)
    finally:
        t.oracle.twin.readings = {}
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
    t.with_ticket(action.name)
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


@purpose("action", "effect", 1)
def zeroing(t: Tester, r: Requirement) -> None:
    """Counters that an action zeroes begin again, from wherever they had come to."""
    declared = t.vow.document.actions[r.element]
    counters = [name for effect in declared.does if isinstance(effect, Pulse) for name in effect.zeroes]
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
    if running is None or (t.vow.states[running].energised and not t.energise):
        raise NotSelected("its counters cannot be made to run here")
    t.prepare()
    t.goto(running)
    t.alive((20 if t.session.held else 2) * NS_PER_S)
    before = {name: t.read(name) for name in counters}
    t.goto(target_state(t, action))
    do(t, action)
    period_ns = max(t.vow.points[name].period_ns for name in counters)
    t.alive(2 * period_ns + (0 if t.session.held else HOST_SLACK_NS))
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
        line = f"{t.new_tag()} act {action.name}".encode()
        for _ in range(2):
            t.line(line)
        t.ask("self.boots")
        return
    if action.takes_ticket is not None and t.oracle.twin.ticket is None:
        t.act(action.takes_ticket)
    ticket = "" if action.takes_ticket is None else f" {t.oracle.twin.ticket or '0000'}"
    line = f"@f{t.new_tag()[1:][-3:]} act {action.name}{ticket}".encode()
    t.line(line)
    t.line(line)
    _look(t)
    saves = next((e for e in t.vow.points.values() if e.system == "saves"), None)
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
        if t.vow.states[state].energised and not t.energise:
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
    if t.state != state:
        raise Broken(Judgement(False, "wire.atomic", f"still {state}"), "", f"state {t.state}")


def laws_hold(t: Tester) -> None:
    """The relations that hold in the present state, once it has settled."""
    for name, rule in t.vow.document.laws.items():
        if rule.holds is not None and t.state in (
            rule.armed_in if rule.armed_in is not None else t.vow.states
        ):
            steady(t, rule.holds, f"law.{name}", rule.settle)


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
    t.alive(max(settle_ns, t.vow.document.trial.settle))
    names = sorted(condition.names)
    wrong: dict[str, Fraction | int | str] = {}
    for _ in range(CONSISTENT_READS):
        seen = values(t, names)
        if condition.truth(seen):
            t.keep(requirement)
            return
        wrong = seen
        if t.session.held:
            break
        t.alive(settle_ns)
    raise Broken(
        Judgement(False, requirement, condition.text), f"ask {', '.join(names)}", shown_values(wrong)
    )


def shown_values(seen: Mapping[str, Fraction | int | str]) -> str:
    """Values as people read them, in one line."""
    return ", ".join(f"{n} {v if isinstance(v, str) else format(float(v), 'g')}" for n, v in seen.items())


# --------------------------------------------------------------------------------------------------- trips


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


def _happen(t: Tester, r: Requirement) -> tuple[TripEntry, Provoke]:
    trip, provoke = _trip(t, r)
    t.arrange(provoke)
    watched = provoke.bench and not provoke.silence and not trip.when.word_points and t.session.held
    if watched and not _moves_slowly(t, trip, provoke):
        _strike_watched(t, trip, provoke)
    else:
        t.strike(trip, provoke)
    return trip, provoke


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


@purpose("trip", "fires", 1)
def fires(t: Tester, r: Requirement) -> None:
    """A trip from provocation to clearing, with everything on the way looked at."""
    guarded = "guarded trip" not in t.done
    if guarded:
        t.say("put link.guard on")
    trip, provoke = _happen(t, r)
    _look(t)
    if t.state != trip.to:
        raise Broken(Judgement(False, r.id, f"state {trip.to}"), "", f"state {t.state}")
    if t.oracle.twin.last_trip[0] != trip.name:
        raise Broken(Judgement(False, r.id, f"trip {trip.name}"), "", " ".join(t.oracle.twin.last_trip))
    moved = [entry.name for entry in t.vow.settings if t.setting(entry.name) != entry.default]
    if moved and f"settings in {trip.to}" not in t.done:
        t.ask(t.random.choice(moved))  # a trip moves the state, not what was set
        t.done.add(f"settings in {trip.to}")
    if guarded:
        # Whatever was on stays on.
        entry = next(iter(t.vow.settings))
        t.line(f"put {entry.name} {' '.join(entry.words(t.setting(entry.name)))}".encode())
        t.guard_off()
        t.done.add("guarded trip")
    last = next((entry.name for entry in t.vow.points.values() if entry.system == "last_trip"), None)
    if last is not None:
        t.trying = f"trip.{trip.name}.report"
        t.ask(last)
    laws_hold(t)
    for entry in t.vow.points.values():
        # What is computed of the same readings has come to where it changes its sign, if it has one.
        if entry.derived is not None and entry.derived.names & trip.when.names & t.vow.measured:
            ask_computed(t, entry)
    if trip.latched:
        t.trying = f"trip.{trip.name}.latch"
        _latched(t, r, trip, provoke)
    else:
        t.relieve(provoke)
    if last is not None:
        t.trying = f"trip.{trip.name}.report"
        t.ask(last)
    t.done.add(f"tripped {trip.name}")


def _latched(t: Tester, r: Requirement, trip: TripEntry, provoke: Provoke) -> None:
    """It stays until it is cleared, and is not cleared while its cause is there."""
    clear = next(
        (a.name for a in t.vow.actions.values() if ("clear_trip", "") in a.does and trip.to in a.to), None
    )
    condition = trip.cleared_when if trip.cleared_when is not None else trip.when
    readings = [name for name in condition.names if t.vow.points[name].source == "signal"]
    # The relay has opened, the source has recovered: give readings time to show it.
    t.alive(t.vow.document.trial.settle)
    if clear is not None:
        _try_clear(t, clear, readings)
    if t.state == trip.to:
        # What is always allowed neither clears it nor forgets why it tripped.
        t.safe()
        _look(t)
        if clear is not None:
            _try_clear(t, clear, readings)
    # Just gone, half way, and well beyond: near the threshold a coarse reading leaves it open.
    for share in (Fraction(1, 10), Fraction(1, 2), Fraction(19, 10)):
        if t.state == trip.to and clear is not None and _part_way(t, trip, share):
            t.alive(t.vow.document.trial.settle)
            _try_clear(t, clear, readings)
    if t.state != trip.to:
        return
    t.relieve(provoke)
    t.alive(20 * NS_PER_S if t.session.held else NS_PER_S)
    _look(t)
    if t.state != trip.to:
        raise Broken(Judgement(False, r.id, f"still {trip.to}"), "", f"state {t.state}")
    if clear is not None:
        t.clear()
        _look(t)


@purpose("trip", "notice", 3)
@purpose("trip", "report", 3)
@purpose("trip", "latch", 3)
@purpose("trip", "clears", 3)
def seen_on_the_way(t: Tester, r: Requirement) -> None:
    """What `fires` has looked at once, for all of its requirements."""
    if f"tripped {r.element}" not in t.done:
        fires(t, r)
    t.keep(r.id)


@purpose("trip", "fires", 4)
def only_where_armed(t: Tester, r: Requirement) -> None:
    """In states where it does not watch, the same provocation does nothing."""
    trip, provoke = _trip(t, r)
    if not provoke.bench or provoke.silence:
        return
    for state in t.vow.states:
        if state in trip.armed_in or state == trip.to or (t.vow.states[state].energised and not t.energise):
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
        raise NotSelected("its condition cannot be taken back")
    t.arrange(provoke)
    if _holds_already(t, trip) is not False:
        # Heat that an earlier purpose has left, say: let it trip, and begin again when that has died away.
        t.alive(trip.after_ns + NS_PER_S)
        t.home()
        t.alive(provoke.within)
        t.arrange(provoke)
        if _holds_already(t, trip):
            raise NotSelected("its condition holds before it is provoked")
    before = t.state
    part_ns = trip.after_ns * 6 // 10
    # A shorter break may fall between two looks.
    break_ns = max(part_ns, t.vow.document.trips[trip.name].every * 11 // 10)
    for _ in range(2):
        for event, value in provoke.bench.items():
            t.bench(event, value)
        t.alive(part_ns)
        _look(t)
        if t.state != before:
            held = f"the condition held for at most {part_ns / 1e6:g} ms"
            raise Broken(Judgement(False, r.id, f"no trip: {held}"), "", " ".join(t.oracle.twin.last_trip))
        t.relieve(provoke)
        t.alive(break_ns)
    _look(t)
    if t.state != before:
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
            there = _bringing(t, threshold, entry)
            if there is not None or t.state not in trip.armed_in:
                break
            t.alive(provoke.within // LOOKS_AT_SLOW)
        if there is not None and t.state in trip.armed_in and _holds_already(t, trip) is False:
            _delayed(t, trip, entry, there)
        t.relieve(provoke)


def _bringing(t: Tester, threshold: Threshold, entry: PointEntry) -> int | None:
    """Counts of a setting with which a threshold is surely passed by what is read just now, if allowed."""
    settings = {
        name: value
        for name in threshold.expression.names & t.oracle.twin.settings.keys()
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
    for _ in range(2):
        for value, wait_ns in ((there, part_ns), (away, max(part_ns, every_ns * 11 // 10))):
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
    if trip.when.word_points:
        return False
    signals = [name for name in trip.when.names if t.vow.points[name].source == "signal"]
    t.oracle.twin.readings = {name: about(t, name) for name in signals}
    try:
        return t.oracle.twin.decide(trip.when, t.now_ns)
    finally:
        t.oracle.twin.readings = {}


def _try_clear(t: Tester, clear: str, readings: Sequence[str]) -> None:
    """Clear it or be refused, as what is read just now decides."""
    t.oracle.twin.readings = {name: about(t, name) for name in readings}
    try:
        t.act(clear)
    finally:
        t.oracle.twin.readings = {}
    _look(t)


def _part_way(t: Tester, trip: TripEntry, share: Fraction) -> bool:
    """Bring a reading a share of the way from condition to clearing, by the bench or by their settings."""
    if trip.cleared_when is None:
        return False
    try:
        trips_at = trip.when.as_threshold(t.vow.measured)
        clears_at = trip.cleared_when.as_threshold(t.vow.measured)
    except ExpressionError:
        return False
    if len(trips_at) != 1 or len(clears_at) != 1 or trips_at[0].point != clears_at[0].point:
        return False
    point = t.vow.points[trips_at[0].point]
    exact = {
        name: t.vow.points[name].exact(t.setting(name))
        for name in trip.when.names | trip.cleared_when.names
        if name in t.oracle.twin.settings
    }
    settings = {name: value for name, value in exact.items() if isinstance(value, Fraction)}

    def place_with(values: Mapping[str, Fraction]) -> Fraction:
        trips, clears = trips_at[0].expression.number(values), clears_at[0].expression.number(values)
        return trips + share * (clears - trips)

    place = place_with(settings)
    for event, declared in t.declared.items():
        within_ns = declared.moves.get(point.name)
        if within_ns is not None and event in t.events and within_ns < NS_PER_S:
            with suppress(NotSelected):  # a source may not go where the threshold is
                t.bench(event, decimal_of(place))
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


@purpose("trip", "fires", 1)
def only_if_all_of_it(t: Tester, r: Requirement) -> None:
    """Where the condition needs a word besides, another word keeps it from tripping."""
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
        t.relieve(provoke)


BESIDE = Fraction(3, 100)
"""How far beside a threshold, as a part of it, a reading is surely on one side."""


@purpose("trip", "fires", 3)
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
            for name in threshold.expression.names
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
    # Of many states one for now: where it differs most from where it is provoked.
    live = t.vow.states[provoke.state].energised
    others = [
        state.name
        for state in t.vow.states.values()
        if state.name in trip.armed_in and state.energised is not live and _lasts(t, state.name, provoke)
    ]
    if others and not (live and provoke.within > LONG_NS):
        _everywhere(t, r, t.random.sample(others, 1))


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
        if t.vow.states[state].energised and (not t.energise or provoke.within > LONG_NS):
            continue  # what takes long by its nature is provoked in one such state only
        if not _lasts(t, state, provoke):
            continue
        t.home()
        try:
            t.settings({n: v for n, v in provoke.put.items() if t.vow.points[n].set_in is not None})
            t.prepare()
            t.goto(state)
            if any(not t.settable_here(t.vow.points[name]) for name in provoke.put):
                continue
            t.settings({n: v for n, v in provoke.put.items() if t.vow.points[n].set_in is None})
        except (NotSelected, Doubtful):
            continue
        if _depends_on_state(t, trip):
            continue
        t.strike(trip, provoke)
        _look(t)
        if t.state != trip.to:
            raise Broken(Judgement(False, r.id, f"state {trip.to}"), "", f"state {t.state}")
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


def _depends_on_state(t: Tester, trip: TripEntry) -> bool:
    """Whether its readings move in some states only: what the stage draws, not what is connected."""
    moved = {name for declared in t.declared.values() for name in declared.moves}
    for point, declared_point in t.vow.document.points.items():
        # What follows a setting while nothing is energised is not what the stage draws.
        if declared_point.follows is not None and not t.vow.states[declared_point.follows.state].energised:
            moved.add(point)
    readings = {name for name in trip.when.names if t.vow.points[name].source == "signal"}
    return bool(readings - moved) and not t.vow.states[t.state].energised


def about(t: Tester, name: str) -> tuple[int, int]:
    """Bounds in counts of what a reading stands for just now."""
    counts = t.read(name)
    width = _width(t, name)
    return counts - width, counts + width
