"""Purposes about relations and records near the ends of what is read: next to nothing, and nearly all.

A document's `trial` and `provoke` work an instrument at one comfortable place. What it promises holds over
the whole range, and much that is wrong shows at its ends only.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, product

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.behaviour import do, laws_hold, shown_values, steady, values
from protocol.conformance.purposes.physics import (
    answered_by,
    arrive,
    filled_by,
    plausible,
    record_fields,
    states_of,
)
from protocol.conformance.purposes.points import SLOW_NS, at_rest, enable
from protocol.conformance.tester import DRY, HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Law
from protocol.document.requirements import Requirement
from protocol.expression import ExpressionError
from protocol.message import Request
from protocol.oracle import Judgement
from protocol.quantity import decimal_of
from protocol.vow import PointEntry

NEARLY = Fraction(19, 20)
"""Nearly all of a range."""
QUICK_NS = NS_PER_S
"""What moves within this is quick."""
ACROSS = 4
"""A change that is put lasts so many times as long as the series that is recorded of it."""
JITTER = Fraction(1, 5)
"""A sample of a series may be late by so much of their spacing: an interrupt was served first (common
practice, no source)."""


def _most(t: Tester) -> bool:
    """Put the numbers that a tester works with to nearly all that may be put; whether there were any."""
    moved = False
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry):
            low, high = t.bounds(entry)
            moved = t.put(name, low + int((high - low) * NEARLY)).ok or moved
    return moved


@purpose("state", "reachable", 2)
def working_hard(t: Tester, r: Requirement) -> None:
    """The relations of a state that handles power hold with nearly all that may be put as well."""
    if not t.vow.states[r.element].energised or not t.vow.document.trial.put:
        return
    if not t.energise:
        raise NotSelected(f"it handles power; that {DRY}")
    if t.gate is not None:
        return  # there what the source can do is the user's affair
    if t.session.held:
        # Heat that earlier purposes have left may hold it back: let that die away.
        for declared in t.declared.values():
            for name, within_ns in declared.moves.items():
                if within_ns > SLOW_NS:
                    at_rest(t, t.vow.points[name], within_ns)
    if _most(t):
        t.goto(r.element)
        laws_hold(t)


@purpose("law", "", 2)
def told_from_nothing(t: Tester, r: Requirement) -> None:
    """It holds at the least that it tells from nothing: there readings of zero would just break it."""
    rule = t.vow.document.laws[r.element]
    provoke = rule.provoke
    if rule.holds is None or provoke is None:
        return
    states_of(t, [provoke.state])
    put = [t.vow.points[name] for name in provoke.put if name in rule.holds.names]
    numbers = [entry for entry in put if entry.scale is not None and entry.source == "setting"]
    if not numbers:
        return
    arrive(t, provoke.state, provoke)
    for entry in numbers:
        least = _least_told(t, rule, entry)
        if least is None or not t.settable_here(entry) or not t.put(entry.name, least).ok:
            continue
        t.alive(max(rule.settle, t.vow.document.trial.settle))
        seen = values(t, sorted(rule.holds.names))
        if all(rule.holds.truth(seen | corner) is False for corner in _corners(t, rule, seen)):
            raise Broken(
                Judgement(False, r.id, rule.holds.text),
                f"ask {', '.join(sorted(rule.holds.names))}",
                shown_values(seen),
            )
        t.keep(r.id)


def _corners(
    t: Tester, rule: Law, seen: Mapping[str, Fraction | int | str]
) -> list[dict[str, Fraction | int | str]]:
    """What the readings may stand for, to their accuracy: the ends of it, and the middle."""
    assert rule.holds is not None
    spreads: list[list[tuple[str, Fraction | int | str]]] = []
    for name in sorted(rule.holds.names):
        entry, value = t.vow.points[name], seen[name]
        if entry.source == "signal" and not isinstance(value, str):
            wide = entry.accuracy(Fraction(value))
            spreads.append([(name, value), (name, value - wide), (name, value + wide)])
    return [dict(corner) for corner in product(*spreads)]


def _least_told(t: Tester, rule: Law, entry: PointEntry) -> int | None:
    """The least value of a setting, below the present one, at which readings of zero break the relation."""
    assert rule.holds is not None
    present = t.setting(entry.name)
    assert isinstance(present, int)
    points = [t.vow.points[name] for name in rule.holds.names]
    seen: dict[str, Fraction | int | str] = {
        each.name: Fraction(0) if each.source == "signal" else each.exact(t.setting(each.name))
        for each in points
    }
    corners = _corners(t, rule, seen)

    def told(counts: int) -> bool:
        assert rule.holds is not None
        put = seen | {entry.name: entry.exact(counts)}
        try:
            return all(rule.holds.truth(put | corner) is False for corner in corners)
        except ExpressionError:
            return False

    low, high = t.bounds(entry)[0], present
    if high <= low or told(low) or not told(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if told(middle) else (middle, high)
    return high if high < present else None


@purpose("record", "layout", 2)
def series_at_the_ends(t: Tester, r: Requirement) -> None:
    """A series recorded where its reading is high: by the bench, and by what is put."""
    record = t.vow.document.records[r.element]
    action, point = filled_by(t, r.element), answered_by(t, r.element)
    series = [(field.name, str(field.value)) for field in record.fields if field.count > 1]
    if action is None or point is None or not series or t.gate is not None:
        return
    states = [state for state in action.to if t.energise or not t.vow.states[state].energised]
    if not states:
        raise NotSelected(f"it is filled in states that handle power; that {DRY}")
    for high in (False, True):
        t.home()
        if high:
            if not _most(t):
                return
        else:
            t.prepare()
        t.goto(states[0])
        if not high and not any(_raise(t, name) for _, name in series):
            continue
        t.alive(t.vow.document.trial.settle)
        do(t, action)
        fields = record_fields(t, point.name, record)
        for name, source in series:
            if t.vow.points[source].source == "signal":
                plausible(t, r, name, fields[name], source)
    t.keep(r.id)


def _raise(t: Tester, reading: str) -> bool:
    """Have the bench bring a reading nearly as high as it may be without a trip; whether it can."""
    for event, declared in t.declared.items():
        top = _top(t, event) if reading in declared.moves and event in t.events else None
        if top is not None:
            with suppress(NotSelected):
                t.bench(event, decimal_of(top))
                t.alive(max(declared.moves.values()))
                return True
    return False


def _top(t: Tester, event: str) -> Fraction | None:
    """Nearly as high as a bench event may be without a trip, if all that it moves it moves quickly."""
    declared = t.declared[event]
    if declared.value is None or any(within_ns >= QUICK_NS for within_ns in declared.moves.values()):
        return None
    step = Fraction(t.vow.document.quantities[declared.value].step)
    tops = [t.vow.points[name].number.high * t.vow.points[name].number.step for name in declared.moves]
    for trip in t.vow.trips.values():
        with suppress(ExpressionError):
            for threshold in trip.when.as_threshold(t.vow.measured):
                if threshold.point in declared.moves and threshold.above:
                    names = threshold.expression.names
                    known = {name: t.vow.points[name].exact(t.setting(name)) for name in names}
                    tops.append(threshold.expression.number(known))
    return int(min(tops) * NEARLY / step) * step


@purpose("point", "accuracy", 2)
def reads_the_bench(t: Tester, r: Requirement) -> None:
    """At rest a reading is what the bench was set to: nearly as high as may be, and a small part of that."""
    entry = t.vow.points[r.element]
    event, declared = next((e, each) for e, each in t.declared.items() if entry.name in each.shown_by)
    t.need("bench")
    if event not in t.events:
        raise NotSelected(f"needs a rig that can make {event} happen")
    if not t.session.held:
        raise NotSelected("how accurate a rig is in the open is not known")
    top = _top(t, event)
    places = [declared.other] if top is None else [decimal_of(top), decimal_of(top * (1 - NEARLY))]
    for place in places:
        if not isinstance(place, Decimal):
            raise NotSelected(f"another value of {event} is not known (`other`)")
        t.bench(event, place)
        t.alive(max(declared.moves[entry.name], t.vow.document.trial.settle))
        seen, value = t.read(entry.name) * entry.number.step, Fraction(place)
        slack = entry.accuracy(value)
        if abs(seen - value) > slack:
            due = f"{float(value):g} within {float(slack):.2g}, as {event} is"
            raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", f"{float(seen):g}")
        t.measured[r.id] = f"{float(seen):g} at {float(value):g}; {float(slack):.2g} off would be right"
    t.keep(r.id)


@purpose("law", "rate", 1)
def series_of_a_change(t: Tester, r: Requirement) -> None:
    """Where a record has a series of what changes, each sample is held against the one before.

    A change is put that lasts longer than the series, and both requests go out at once.
    """
    rule = t.vow.document.laws[r.element]
    assert rule.rate_of is not None
    assert rule.at_most is not None
    found = [
        (name, field)
        for name, record in t.vow.document.records.items()
        for field in record.fields
        if field.value == rule.rate_of and field.every is not None and field.count > 1
    ]
    follows = t.vow.document.points[rule.rate_of].follows
    if not found or follows is None or rule.provoke is None or t.gate is not None:
        return
    name, field = found[0]
    action, point = filled_by(t, name), answered_by(t, name)
    states_of(t, [rule.provoke.state])
    if action is None or point is None or rule.provoke.state not in action.to:
        return
    entry, bound, mover = (t.vow.points[each] for each in (rule.rate_of, rule.at_most, follows.setting))
    every_ns = field.every or 0
    t.prepare()
    t.goto(rule.provoke.state)
    low, high = t.bounds(mover)
    goal, present = low + int((high - low) * NEARLY), t.setting(mover.name)
    assert isinstance(present, int)
    change = abs(goal - present) * mover.number.step
    rate = int(change / (ACROSS * field.count * Fraction(every_ns, NS_PER_S)) / bound.number.step)
    slowest, fastest = t.bounds(bound)
    rate = min(max(rate, slowest), fastest)
    step = rate * bound.number.step * Fraction(every_ns, NS_PER_S)
    slack = 2 * (entry.range_error / 4 + entry.number.step)
    if step < 4 * slack or not t.put(bound.name, rate).ok:
        return  # too little from one sample to the next to tell
    t.alive(t.vow.document.trial.settle)
    lines = [
        Request(t.new_tag(), "put", mover.name, tuple(mover.words(goal)), False).line(),
        Request(t.new_tag(), "act", action.name, (), False).line(),
    ]
    t.raw(b"".join(line + b"\n" for line in lines[: t.vow.document.wire.pipeline]))
    t.alive((field.count + 1) * every_ns + (0 if t.session.held else HOST_SLACK_NS))
    series = record_fields(t, point.name, t.vow.document.records[name])[field.name]
    assert not isinstance(series, int)
    allowed = step + step * JITTER + slack
    for before, after in pairwise(series):
        moved = abs(after - before) * entry.number.step
        if moved > allowed:
            apart = f"samples of {field.name}, {every_ns / 1e3:g} us apart,"
            due = f"{apart} differ by at most {float(allowed):.3g}"
            raise Broken(Judgement(False, r.id, due), "", f"by {float(moved):g}")


@purpose("point", "choices", 4)
def whatever_the_words(t: Tester, r: Requirement) -> None:
    """Relations that do not name a word that drives something hold whatever it is, where power is handled."""
    entry = t.vow.points[r.element]
    states = [state.name for state in t.vow.states.values() if state.energised]
    if entry.source != "setting" or entry.drives is None or not states or not t.energise:
        return
    for word in entry.choices:
        if word == entry.default:
            continue
        t.home()
        t.prepare()
        enable(t, entry)
        t.put(entry.name, word)
        with suppress(NotSelected, Doubtful):  # a guard may look at the word
            t.goto(t.random.choice(states))
        for name, rule in t.vow.document.laws.items():
            armed = rule.armed_in is None or t.state in rule.armed_in
            if armed and rule.holds is not None and entry.name not in rule.holds.names:
                steady(t, rule.holds, f"law.{name}", rule.settle)
