"""Purposes about laws: what readings obey, where and for how long; and promises in words."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Kept
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.looking import (
    numbers,
    steady,
)
from wirevow.protocol.conformance.purposes.meanwhile import MEANWHILE, unheard
from wirevow.protocol.conformance.purposes.operating import arrive, arrive_anew, nearer, settled, states_of
from wirevow.protocol.conformance.purposes.states import alternate_seldom
from wirevow.protocol.conformance.purposes.trips import trip_and_clear, trips_at_once
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.twin import CLOCK_PARTS
from wirevow.protocol.vow import PointEntry

FLOWS_NS = 8 * NS_PER_S
"""So long is summed what flows where it is held back."""

FLOWS_SLACK = Fraction(1, 10)
"""What is counted then may be off by so much: samples are old, and a host is late."""

HELD_BACK = Fraction(3, 4)
"""Below this share of what was put, a reading does not follow it."""


@purpose("law", "", 2)
def law(t: Tester, r: Requirement) -> None:
    """In one state: where it is provoked, if that is said."""
    for state in _where_first(t, t.vow.document.laws[r.element]):
        if _keeps(t, r, state):
            t.done.add(f"law {r.element} in {state}")
            return
    raise NotSelected("none of its states can be reached here")


@purpose("law", "", 2)
def law_elsewhere(t: Tester, r: Requirement) -> None:
    """In every other state as well."""
    _, *others = _where_first(t, t.vow.document.laws[r.element])
    tried = [_keeps(t, r, state) for state in others if f"law {r.element} in {state}" not in t.done]
    if not any(tried):
        raise NotSelected("no other of its states can be reached here")


def _where_first(t: Tester, rule: Law) -> list[str]:
    """The states in which a law is to hold; where it is provoked comes first."""
    where = rule.provoke.state if rule.provoke is not None else ""
    return sorted(states_of(t, rule.armed_in), key=lambda state: state != where)


def _keeps(t: Tester, r: Requirement, state: str) -> bool:
    """Look at a law in a state; whether that could be reached."""
    rule = t.vow.document.laws[r.element]
    try:
        arrive_anew(t, state, rule.provoke)
    except NotSelected:
        return False
    if rule.holds is not None and rule.settle:
        settled(t, r.element)
    elif rule.holds is not None:
        steady(t, rule.holds, r.id, rule.settle)
    if rule.holds is not None and rule.provoke is not None and state == rule.provoke.state:
        _as_before(t, r, rule.holds, rule.provoke, rule.settle)
        nearer(t, r, rule.holds, rule.provoke, rule.settle)
    elif rule.integral_of is not None and rule.counter is not None:
        _turn_the_bench(t)
        _integral(t, r, rule.integral_of, rule.counter, Fraction(rule.tolerance_percent) / 100, rule.settle)
        _press(t, rule.integral_of)
    elif rule.elapses is not None:
        _elapses(t, r, rule.elapses, Fraction(rule.tolerance_percent) / 100)
    elif rule.never_falls is not None and rule.while_rises is not None:
        _never_falls(t, r, rule.never_falls, rule.while_rises)
    return True


@purpose("law", "", 1)
def with_the_bench_turned(t: Tester, r: Requirement) -> None:
    """A relation of readings holds as well where the bench makes one of them another."""
    rule = t.vow.document.laws[r.element]
    if rule.holds is None or rule.provoke is not None:
        return  # what is provoked has a bench of its own
    for event, declared in t.declared.items():
        quick = [name for name, within_ns in declared.moves.items() if within_ns < NS_PER_S]
        if not rule.holds.names.intersection(quick) or declared.other is None or event not in t.events:
            continue
        arrive(t, states_of(t, rule.armed_in)[0], None)
        t.bench(event, declared.other)
        t.alive(max(declared.moves[name] for name in quick))
        steady(t, rule.holds, r.id, rule.settle)


def _turn_the_bench(t: Tester) -> None:
    """Let what can be turned at once, and may be, be other than it is at rest."""
    if t.gate is not None:
        return  # there what is connected is the user's affair
    for event, declared in t.declared.items():
        number = isinstance(declared.other, Decimal)
        if number and event in t.events and all(each < NS_PER_S for each in declared.moves.values()):
            with suppress(NotSelected):
                t.bench(event, declared.other)
    t.alive(t.vow.document.trial.settle)


def _as_before(t: Tester, r: Requirement, holds: Expression, provoke: Provoke, settle_ns: int) -> None:
    """Once for each word that is put for a relation: after a trip and a run it is in force again."""
    words = [name for name in provoke.put if name in holds.names and t.vow.points[name].scale is None]
    once = f"tripped with {', '.join(sorted(words))}"
    if words and not provoke.bench and once not in t.done and _trip_and_back(t):
        t.done.add(once)
        steady(t, holds, r.id, settle_ns)


def _press(t: Tester, reading: str) -> None:
    """Once in a state: press on a limit that is provoked by what is summed here, and sum what flows."""
    follows = t.vow.document.points[reading].follows
    if follows is None or not t.session.held or t.gate is not None or f"held back in {t.state}" in t.done:
        return
    for rule in t.vow.document.limits.values():
        put = rule.provoke.put if rule.provoke is not None and not rule.provoke.bench else {}
        here = t.state in (rule.armed_in or ()) and all(t.settable_here(t.vow.points[name]) for name in put)
        if follows.setting in put and here:
            t.settings(put)
            t.alive(max(rule.settle, t.vow.document.trial.settle))
            _sums_what_flows(t)
            return


def _sums_what_flows(t: Tester) -> None:
    """Where less flows than was put, counters go by what is read."""
    laws = {
        name: rule
        for name, rule in t.vow.document.laws.items()
        if rule.integral_of is not None and t.state in (rule.armed_in or ())
    }
    readings = sorted({str(rule.integral_of) for rule in laws.values()})
    state, held_back = t.state, next((name for name in readings if _held_back(t, name)), None)
    if held_back is None:
        return
    first, began_ns = numbers(t, readings), t.now_ns
    before = {name: t.read(str(rule.counter)) for name, rule in laws.items()}
    t.alive(FLOWS_NS)
    after = {name: t.read(str(rule.counter)) for name, rule in laws.items()}
    span, last = Fraction(t.now_ns - began_ns, NS_PER_S), numbers(t, readings)
    if t.state != state:
        return
    t.done.add(f"held back in {state}")
    for name, rule in laws.items():
        entry = t.vow.points[str(rule.counter)]
        unit = Fraction(entry.si / float(entry.number.step))
        sums = [each[str(rule.integral_of)] * span / unit for each in (first, last)]
        slack = max(map(abs, sums)) * FLOWS_SLACK + 2 * entry.number.step
        gained = (after[name] - before[name]) * entry.number.step
        if not min(sums) - slack <= gained <= max(sums) + slack:
            due = f"{entry.name} gains about {float(sums[0]):.4g} in {float(span):.3g} s"
            raise Broken(Judgement(False, f"law.{name}", due), f"ask {entry.name}", f"{float(gained):.4g}")
        t.keep(f"law.{name}")


def _held_back(t: Tester, name: str) -> bool:
    """Whether a reading is well below the setting in its unit that it follows elsewhere."""
    entry, follows = t.vow.points[name], t.vow.document.points[name].follows
    if follows is None or t.vow.points[follows.setting].number.unit != entry.number.unit:
        return False
    told = t.vow.points[follows.setting].exact(t.setting(follows.setting))
    return isinstance(told, Fraction) and t.read(name) * entry.number.step < told * HELD_BACK


def _trip_and_back(t: Tester) -> bool:
    """Have a trip that no setting is needed for, clear it, and come back by what else handles power."""
    state = t.state
    trips = trips_at_once(t, state)
    if not trips:
        return False
    if t.may_turn("panel.control", "local"):
        for who in ("local", "remote"):
            t.panel("panel.control", who)
    if t.may_turn("link.transmitter", "stalled"):
        for condition in ("stalled", "free"):
            t.transmitter(condition)
    trip_and_clear(t, trips)
    settings = {name: t.vow.points[name].exact(value) for name, value in t.oracle.twin.settings.items()}
    other = sorted(
        to
        for action in t.vow.actions.values()
        if action.guard is None or not action.guard.names <= settings.keys() or action.guard.truth(settings)
        for at, to in action.to.items()
        if t.vow.states[to].energised and to not in (at, state)
    )
    if t.vow.document.trial.safe is not None and other:
        with suppress(NotSelected, Doubtful):
            t.goto(t.random.choice(other))
            t.safe()
    t.goto(state)
    return True


def _integral(
    t: Tester, r: Requirement, reading: str, counter: str, tolerance: Fraction, settle_ns: int
) -> None:
    """Sum the reading over time and compare with what the counter gained: as it is, and with little of it."""
    t.ask_for_patience(SUMMED_S * NS_PER_S)
    t.alive(settle_ns)
    ended_counts = _summed(t, r, reading, counter, tolerance)
    follows = t.vow.document.points[reading].follows
    mover = t.vow.points[follows.setting] if follows is not None else None
    entry, level = t.vow.points[reading], t.setting(mover.name) if mover is not None else None
    if mover is None or not isinstance(level, int) or not t.settable_here(mover):
        return
    now = abs(t.read(reading)) * entry.number.step
    least = int(level * LITTLE * entry.range_error / now) + 1 if now else level
    if not t.bounds(mover)[0] <= least <= level // 2 or not t.allows(mover, least):
        return
    t.put(mover.name, least)
    t.alive(settle_ns + t.vow.document.trial.settle)
    _summed(t, r, reading, counter, tolerance, ended_counts)


LITTLE = 4
"""So many times its accuracy, a reading is little and yet known well enough to be summed."""


def _summed(
    t: Tester, r: Requirement, reading: str, counter: str, tolerance: Fraction, least: int | None = None
) -> int:
    """Sum the reading over time (trapezoids) and compare with what the counter gained; what it shows then.

    It begins with no less than `least`, what it was before.
    """
    entry, total = t.vow.points[reading], t.vow.points[counter]
    seconds = SUMMED_S if t.session.held else 4
    steps = 6
    began_counts, began_ns = t.read(counter), t.now_ns
    _not_less(r, total, began_counts, least)
    sum_steps = between = Fraction(0)
    last, last_ns = t.read(reading), t.now_ns
    halfway = began_counts
    for step in range(steps):
        MEANWHILE.get(step, Tester.alive)(t, seconds * NS_PER_S // steps)
        if step == steps // 2:
            halfway = t.read(counter)  # reading it changes nothing
        now, now_ns = t.read(reading), t.now_ns
        sum_steps += Fraction(now + last, 2) * entry.number.step * Fraction(now_ns - last_ns, NS_PER_S)
        # Between the two it may have been either: heat can hold it back at first.
        between += Fraction(abs(now - last), 2) * entry.number.step * Fraction(now_ns - last_ns, NS_PER_S)
        last, last_ns = now, now_ns
    ended_counts = t.read(counter)
    if sum_steps > 0:
        _not_less(r, total, ended_counts, halfway)
    gained = (ended_counts - began_counts) * total.number.step * Fraction(total.si / float(total.number.step))
    span = Fraction(t.now_ns - began_ns, NS_PER_S)
    # Half a step of the counter at either end, the reading's accuracy all along, a sample period of delay.
    unit = Fraction(total.si / float(total.number.step))
    unsure = total.number.step * unit + between
    unsure += span * (entry.range_error + abs(Fraction(last)) * entry.number.step * entry.reading_error)
    unsure += abs(last * entry.number.step) * Fraction(entry.period_ns + total.period_ns, NS_PER_S) * 2
    if not t.session.held:
        unsure += abs(last * entry.number.step) * Fraction(2 * HOST_SLACK_NS, NS_PER_S)
    slack = tolerance * abs(sum_steps) + unsure
    t.measured.setdefault(
        r.id,
        f"{counter} gained {float(gained / unit):.4g} {total.number.unit} in {float(span):.3g} s; our own sum"
        f" of {steps + 1} readings is {float(sum_steps / unit):.4g} within {float(unsure / unit):.2g}",
    )
    allowed = Kept(
        f"the error of {counter}",
        tolerance * abs(sum_steps) / unit,
        abs(gained - sum_steps) / unit,
        unsure / unit,
        total.number.unit,
    )
    t.shown(r.id, allowed)
    if abs(gained - sum_steps) > slack:
        due = f"{counter} gains {float(sum_steps / unit):.5g} within {float(slack / unit):.2g}"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", f"gained {float(gained / unit):.5g}")
    t.keep(r.id)
    return ended_counts


def _begun_at_last(t: Tester, ns: int) -> None:
    """Let time pass, at the end of it with a line that has begun."""
    t.alive(ns - BEGUN_NS)
    t.alive_in_parts(min(ns, BEGUN_NS))


BEGUN_NS = 4 * NS_PER_S
"""So long a line waits for its end while a counter of time runs."""

SUMMED_S = 58
"""No round time, so that a counter in coarse steps is not right by chance."""


def _not_less(r: Requirement, total: PointEntry, counts: int, least: int | None) -> None:
    if least is not None and counts < least:
        due = f"{total.name} at least {' '.join(total.words(least))}, what it was before"
        raise Broken(Judgement(False, r.id, due), f"ask {total.name}", " ".join(total.words(counts)))


def _elapses(t: Tester, r: Requirement, counter: str, tolerance: Fraction) -> None:
    """What a counter of time gains, against our own clock: with the settings of a trial, and the least."""
    # Half a second more, so that whole seconds are not right by chance.
    span_ns = (60 if t.session.held else 4) * NS_PER_S + NS_PER_S // 2
    if t.session.held:
        alternate_seldom(t, t.state)
    _gains(t, r, counter, tolerance, span_ns, _begun_at_last)
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry) and t.allows(entry, t.bounds(entry)[0]):
            t.put(name, t.bounds(entry)[0])
    _gains(t, r, counter, tolerance, 4 * NS_PER_S, unheard)


def _gains(
    t: Tester, r: Requirement, counter: str, tolerance: Fraction, ns: int, work: Callable[[Tester, int], None]
) -> None:
    entry = t.vow.points[counter]
    t.alive(2 * entry.period_ns)
    began_ns, before = t.now_ns, t.read(counter)
    work(t, ns)
    after, ended_ns = t.read(counter), t.now_ns
    gained, span = (after - before) * entry.number.step, Fraction(ended_ns - began_ns, NS_PER_S)
    # A step at either end, the age of the samples, and how late the host was.
    unsure = 2 * entry.number.step + Fraction(entry.period_ns, NS_PER_S)
    unsure += Fraction(0 if t.session.held else 2 * HOST_SLACK_NS, NS_PER_S)
    slack = unsure + span * (tolerance + Fraction(1, CLOCK_PARTS))
    seen = f"gained {float(gained):g} s"
    t.measured.setdefault(r.id, f"{counter} {seen} in {float(span):.3f} s, within {float(unsure):.2g} s")
    allowed = span * (tolerance + Fraction(1, CLOCK_PARTS))
    t.shown(r.id, Kept(f"the error of {counter}", allowed, abs(gained - span), unsure, "s"))
    if abs(gained - span) > slack:
        due = f"{counter} gains {float(span):.3f} s within {float(slack):.2g} s"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", seen)
    t.keep(r.id)


WARMING = 8
"""So often a reading is looked at while another rises."""


def _never_falls(t: Tester, r: Requirement, falls: str, rises: str) -> None:
    event = None
    for name, declared in t.declared.items():
        if (
            rises in declared.moves
            and name in t.events
            and declared.base is not None
            and declared.other is not None
        ):
            event = name
            break
    if event is None or not t.session.held:
        raise NotSelected(f"no bench event is known to move {rises} (`moves`), or the clock cannot be held")
    declared = t.declared[event]
    t.bench(event, declared.other if declared.other is not None else Decimal(0))
    last: tuple[int, int] | None = None
    for _ in range(WARMING):
        t.alive(declared.moves[rises] // WARMING)
        now = t.read(rises), t.read(falls)
        if last is not None and now[0] >= last[0] and now[1] < last[1]:
            entry = t.vow.points[falls]
            due = f"{falls} at least {' '.join(entry.words(last[1]))}"
            raise Broken(Judgement(False, r.id, due), f"ask {falls}", " ".join(entry.words(now[1])))
        last = now
    t.keep(r.id)


def plausible(t: Tester, r: Requirement, field: str, series: object, name: str) -> None:
    """A series of a steady reading is about what the reading shows now."""
    assert not isinstance(series, int)
    values = list(series)  # type: ignore[call-overload]
    entry = t.vow.points[name]
    now = t.read(name)
    width = 4 * entry.range_error / entry.number.step + abs(now) * 4 * entry.reading_error + 10
    if any(abs(value - now) > width for value in values):
        raise Broken(
            Judgement(False, r.id, f"field {field} about {now}"), "", f"{min(values)} to {max(values)}"
        )


@purpose("promise", "", 2)
def quiet(t: Tester, r: Requirement) -> None:
    if r.element == "quiet":
        t.quiet()
        if t.session.held:
            t.wait(5 * NS_PER_S)
        t.quiet()
        t.keep(r.id)


@purpose("promise", "", 4)
def promise_in_words(t: Tester, r: Requirement) -> None:
    if r.element == "quiet":
        return  # `quiet` has looked
    work = PROMISES.get(r.element)
    if work is None:
        raise NotSelected("a promise in words only: there is no check for it")
    work(t, r)


PROMISES: dict[str, Callable[[Tester, Requirement], None]] = {}
"""Checks for promises in words, by id; a project enters its own here."""
