"""Purposes about relations and records near the ends of what is read: next to nothing, and nearly all.

A document's `trial` and `provoke` work an instrument at one comfortable place. What it promises holds over
the whole range, and much that is wrong shows at its ends only.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import partial
from itertools import pairwise, product

from wirevow.protocol.conformance.bracket import Kept
from wirevow.protocol.conformance.gate import DRY, NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.actions import do
from wirevow.protocol.conformance.purposes.laws import plausible
from wirevow.protocol.conformance.purposes.looking import (
    as_read,
    laws_hold,
    steady,
    values,
)
from wirevow.protocol.conformance.purposes.operating import arrive, states_of
from wirevow.protocol.conformance.purposes.points import SLOW_NS, at_rest, enable
from wirevow.protocol.conformance.purposes.readings import neutral
from wirevow.protocol.conformance.purposes.records import (
    answered_by,
    before_series,
    filled_by,
    record_fields,
    record_series,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, Record, RecordField
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import ExpressionError
from wirevow.protocol.message import Request
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.vow import ActionEntry, PointEntry

NEARLY = Fraction(19, 20)
"""Nearly all of a range."""
QUICK_NS = NS_PER_S
"""What moves within this is quick."""
CHANNELS = 8
"""So many channels a converter goes round in, and one of them may be read too soon (common practice, no
source)."""
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
    """The relations of a state that handles power hold with nearly all that may be put as well: the first."""
    if r.element in _at_work(t)[:1]:
        _work_hard(t, r.element)


@purpose("state", "reachable", 3)
def working_hard_elsewhere(t: Tester, r: Requirement) -> None:
    """The same in the others."""
    if r.element in _at_work(t)[1:]:
        _work_hard(t, r.element)


def _at_work(t: Tester) -> list[str]:
    return [name for name, state in t.vow.states.items() if state.energised]


def _work_hard(t: Tester, state: str) -> None:
    if not t.vow.document.trial.put:
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
        t.goto(state)
        laws_hold(t)


@purpose("law", "", 3)
def told_from_nothing(t: Tester, r: Requirement) -> None:
    """It holds at the least that it tells from nothing: there readings of zero would just break it. And far
    from where it is provoked, with the bench as high as may be, unless a limit holds it back there.
    """
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
        provoked = t.setting(entry.name)
        assert isinstance(provoked, int)
        for far, counts in ((False, _least_told(t, rule, entry)), (True, _far_from(t, entry, provoked))):
            if far and not provoke.bench and t.gate is None:
                any(_raise(t, name) for name in sorted(rule.holds.names))
            if counts is None or not t.settable_here(entry) or not t.put(entry.name, counts).ok:
                continue
            t.alive(max(rule.settle, t.vow.document.trial.settle))
            excused = partial(_limited, t, provoke.state) if far else lambda: False
            as_read(t, rule.holds, r.id, excused)


def _far_from(t: Tester, entry: PointEntry, provoked: int) -> int | None:
    """The end of what may be put that is farther from this value."""
    end = max(t.bounds(entry), key=lambda each: abs(each - provoked))
    return end if t.allows(entry, end) else None


def _limited(t: Tester, state: str) -> bool:
    """Whether what a limit is of has come near its end, or the state has ended."""
    if t.state != state:
        return True
    for rule in t.vow.document.limits.values():
        ends = [end for end in (rule.low, rule.high) if end is not None]
        if ends and t.state in (rule.armed_in if rule.armed_in is not None else t.vow.states):
            seen = values(t, sorted({rule.of}.union(*(end.names for end in ends))))
            for end in ends:
                bound = end.number(seen)
                if abs(Fraction(seen[rule.of]) - bound) <= abs(bound) * (1 - NEARLY):
                    return True
    return False


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
    points = [t.vow.points[name] for name in sorted(rule.holds.names)]
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


@purpose("law", "", 2)
def related_when_corrected(t: Tester, r: Requirement) -> None:
    """Once for all relations that name readings alone: they hold whatever is put, corrections as well.

    Those are put that are multiplied with, as low as they go: what is read is less than what is there then,
    and nothing less. Much is put for the rest, so that what is left out shows.
    """
    relations = {
        name: rule
        for name, rule in t.vow.document.laws.items()
        if rule.holds is not None and len(rule.holds.names) > 1
        if all(t.vow.points[each].source == "signal" for each in rule.holds.names)
    }
    factors = [entry for entry in t.vow.settings if neutral(t, entry) == 1]
    if not relations or not factors or t.gate is not None or "related when corrected" in t.done:
        return
    t.done.add("related when corrected")
    for name, rule in relations.items():
        assert rule.holds is not None
        with suppress(NotSelected, Doubtful):  # a guard, or a protection, may look at what is read
            state = max(states_of(t, rule.armed_in), key=lambda each: t.vow.states[each].energised)
            t.home()
            for entry in factors:
                enable(t, entry)
                t.put(entry.name, t.bounds(entry)[0])
            t.goto(t.vow.initial)
            if not _most(t):
                t.prepare()
            t.goto(state)
            steady(t, rule.holds, f"law.{name}", rule.settle)


@purpose("record", "layout", 2)
def series_at_the_ends(t: Tester, r: Requirement) -> None:
    """A series recorded where its reading is high: by the bench, and by what is put."""
    record = t.vow.document.records[r.element]
    action, point = filled_by(t, r.element), answered_by(t, r.element)
    series = [(field.name, str(field.value)) for field in record.fields if field.count > 1]
    if action is None or point is None or not series or t.gate is not None:
        return
    states = t.one_of(action.to)
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
        before_series(t, record)
        do(t, action)
        fields = record_fields(t, point.name, record)
        for name, source in series:
            if t.vow.points[source].source == "signal":
                plausible(t, r, name, fields[name], source)
    t.keep(r.id)


@purpose("record", "layout", 3)
def series_below_zero(t: Tester, r: Requirement) -> None:
    """A series of a reading that is below zero, if settings that may be so bring it there."""
    record = t.vow.document.records[r.element]
    action, point = filled_by(t, r.element), answered_by(t, r.element)
    fields = [
        (field, t.vow.points[str(field.value)])
        for field in record.fields
        if field.count > 1 and field.type.startswith("i")
    ]
    below = [
        each for each in t.vow.settings if each.drives and each.scale is not None and each.number.low < 0
    ]
    if action is None or point is None or not fields or not below or t.gate is not None:
        return
    states = t.one_of(action.to)
    for entry in below:
        with suppress(NotSelected):
            enable(t, entry)
            t.put(entry.name, t.bounds(entry)[0])
    t.goto(states[0])
    before_series(t, record)
    done = False
    for field, entry in fields:
        if entry.source == "signal" and t.read(entry.name) < 0:
            if not done:
                do(t, action)
                t.alive(t.vow.document.trial.settle)
                done = True
            plausible(t, r, field.name, record_series(t, point.name, record, field), entry.name)
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


@purpose("point", "accuracy", 3)
def reads_the_bench(t: Tester, r: Requirement) -> None:
    """At rest a reading is what the bench was set to: nearly as high as may be, a small part, below zero."""
    entry = t.vow.points[r.element]
    found = next(((e, each) for e, each in t.declared.items() if entry.name in each.shown_by), None)
    if found is None:
        raise NotSelected("no reference tells what it should read: no bench event names it (`shown_by`)")
    event, declared = found
    t.need("bench")
    if event not in t.events:
        raise NotSelected(f"needs a rig that can make {event} happen")
    if not t.session.held:
        raise NotSelected("the accuracy of a rig on a real bench is not known")
    top = _top(t, event)
    places = [declared.other] if top is None else [decimal_of(top), decimal_of(top * (1 - NEARLY))]
    if isinstance(declared.base, Decimal) and declared.value is not None:
        # Below zero as well, where there is a below.
        least = max(
            t.vow.document.quantities[declared.value].low, decimal_of(entry.number.low * entry.number.step)
        )
        if top is None and least < -declared.base < 0:
            places.append(-declared.base)
    for place in places:
        if not isinstance(place, Decimal):
            raise NotSelected(f"another value of {event} is not known (`other`)")
        t.bench(event, place)
        t.alive(max(declared.moves[entry.name], t.vow.document.trial.settle))
        value = Fraction(place)
        slack = entry.accuracy(value)
        # What is wrong with every so many samples of what is read most often shows at the first place.
        often = entry.period_ns == min(each.period_ns for each in t.vow.points.values() if each.period_ns)
        for sample in range(CHANNELS if often and place == places[0] else 1):
            if sample:
                t.wait(entry.period_ns)
            seen = t.read(entry.name) * entry.number.step
            if abs(seen - value) > slack:
                due = f"{float(value):g} within {float(slack):.2g}, as {event} is"
                raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", f"{float(seen):g}")
            what = f"the difference from {event}"
            t.shown(r.id, Kept(what, slack, abs(seen - value), Fraction(0), entry.number.unit))
        t.measured[r.id] = f"{float(seen):g} at {float(value):g}, tolerance ±{float(slack):.2g}"
    t.keep(r.id)


@dataclass(frozen=True, slots=True)
class _Rate:
    """A law of a rate, and what has a series of the reading that changes."""

    reading: PointEntry
    bound: PointEntry
    mover: PointEntry
    """The setting that the reading follows."""
    action: ActionEntry
    point: PointEntry
    record: Record
    field: RecordField

    @property
    def every_ns(self) -> int:
        return self.field.every or 0

    @property
    def slack(self) -> Fraction:
        return 2 * (self.reading.range_error / 4 + self.reading.number.step)


def _at_rate(t: Tester, r: Requirement) -> _Rate | None:
    """Where the law is provoked, if a record has a series of what changes."""
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
        return None
    name, field = found[0]
    action, point = filled_by(t, name), answered_by(t, name)
    states_of(t, [rule.provoke.state])
    if action is None or point is None or rule.provoke.state not in action.to:
        return None
    t.prepare()
    t.goto(rule.provoke.state)
    reading, bound, mover = (t.vow.points[each] for each in (rule.rate_of, rule.at_most, follows.setting))
    return _Rate(reading, bound, mover, action, point, t.vow.document.records[name], field)


def _top_of(t: Tester, mover: PointEntry) -> int:
    low, high = t.bounds(mover)
    return low + int((high - low) * NEARLY)


@purpose("law", "rate", 1)
def series_of_fast_changes(t: Tester, r: Requirement) -> None:
    """The same upwards at the default rate, and downwards as fast as may be put."""
    rate = _at_rate(t, r)
    if rate is None:
        return
    present, default = t.setting(rate.mover.name), rate.bound.default
    assert isinstance(present, int)
    assert isinstance(default, int)
    for goal, counts in ((_top_of(t, rate.mover), default), (present, t.bounds(rate.bound)[1])):
        _change_in_a_series(t, r, rate, goal, counts)


def _change_in_a_series(t: Tester, r: Requirement, rate: _Rate, goal: int, counts: int) -> None:
    """Put a change at a rate and record it, if there is enough from one sample to the next to tell."""
    present = t.setting(rate.mover.name)
    assert isinstance(present, int)
    change = abs(goal - present) * rate.mover.number.step
    step = counts * rate.bound.number.step * Fraction(rate.every_ns, NS_PER_S)
    allowed = step + step * JITTER + rate.slack
    if step < 4 * rate.slack or change < allowed + rate.slack:
        t.put(rate.mover.name, goal)
        return
    if t.setting(rate.bound.name) != counts:
        t.put(rate.bound.name, counts)
    t.alive(t.vow.document.trial.settle)
    lines = [
        Request(t.new_tag(), "put", rate.mover.name, tuple(rate.mover.words(goal)), False).line(),
        Request(t.new_tag(), "act", rate.action.name, (), False).line(),
    ]
    t.raw(b"".join(line + b"\n" for line in lines[: t.vow.document.wire.pipeline]))
    t.alive((rate.field.count + 1) * rate.every_ns + (0 if t.session.held else HOST_SLACK_NS))
    series = record_series(t, rate.point.name, rate.record, rate.field)
    for before, after in pairwise(series):
        moved = abs(after - before) * rate.reading.number.step
        if moved > allowed:
            apart = f"samples of {rate.field.name}, {rate.every_ns / 1e3:g} us apart,"
            due = f"{apart} differ by at most {float(allowed):.3g}"
            raise Broken(Judgement(False, r.id, due), "", f"by {float(moved):g}")
