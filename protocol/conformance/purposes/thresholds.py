"""Purposes about conditions, closely: at the threshold, with what report, and when in their time.

A provocation of the document goes well beyond a threshold. Here a reading is brought to where it can be held
against the threshold, and what is known of both, to the accuracy of the reading, decides. All of it moves the
bench or the settings of a protection to and fro, so it is done on a held clock and outside of any envelope.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.actions import act_guarded
from wirevow.protocol.conformance.purposes.looking import (
    decided,
    known_now,
    provocation,
    signals_of,
    target_state,
)
from wirevow.protocol.conformance.purposes.points import at_rest
from wirevow.protocol.conformance.purposes.trips import SURELY
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import And, Comparison, Expression, ExpressionError, Or, Threshold
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.twin import CLOCK_PARTS
from wirevow.protocol.vow import PointEntry, TripEntry

WITHIN = Fraction(11, 12)
"""How far a reading is brought from the nearest threshold that the settings allow to the farthest."""
BEYOND = Fraction(1, 50)
"""The same for a reading that is to be little beyond the nearest."""
LOOKS = 8
"""Into so many parts the delay is cut while the condition is waited for."""
LONGEST_NS = 10 * NS_PER_S
"""A delay up to here is short enough to be spread over a change of state."""
QUICK_NS = NS_PER_S
"""What the bench moves within this it moves quickly."""


@dataclass(frozen=True, slots=True)
class Held:
    """A reading that stands beside a threshold which one setting moves."""

    threshold: Threshold
    entry: PointEntry
    knob: PointEntry
    value: Fraction
    """What is read."""
    accuracy: Fraction
    near: int
    far: int
    """The knob's bounds: where the threshold is nearest to tripping and where it is farthest."""


def _provoked(t: Tester, r: Requirement) -> tuple[TripEntry, Provoke]:
    provoke = provocation(t, t.vow.document.trips[r.element].provoke)
    if not t.session.held or t.gate is not None:
        raise NotSelected("needs a rig that can hold the clock, and no envelope")
    return t.vow.trips[r.element], provoke


def _threshold(t: Tester, condition: Expression) -> Threshold | None:
    """The only one of a condition, of a reading."""
    try:
        found = condition.as_threshold(t.vow.measured)
    except ExpressionError:
        return None
    return found[0] if len(found) == 1 and t.vow.points[found[0].point].source == "signal" else None


def _level(t: Tester, threshold: Threshold, moved: Mapping[str, int] | None = None) -> Fraction:
    """The threshold with the settings in force, or with some of them moved."""
    names = threshold.expression.names
    counts = {name: t.setting(name) for name in names} | dict(moved or {})
    return threshold.expression.number({name: t.vow.points[name].exact(counts[name]) for name in names})


def _read(t: Tester, entry: PointEntry) -> Fraction:
    return t.read(entry.name) * entry.number.step


def _given(t: Tester, event: str, value: Fraction) -> Decimal:
    """A bench event's value in its own steps."""
    declared = t.declared[event]
    step = Fraction(t.vow.document.quantities[declared.value].step) if declared.value else Fraction(1, 1000)
    exact = round(value / step) * step
    return decimal_of(exact)


def _same_unit(t: Tester, event: str, entry: PointEntry) -> bool:
    value = t.declared[event].value
    return value is not None and t.vow.document.quantities[value].unit == entry.number.unit


def _beside_a_setting(t: Tester, trip: TripEntry, provoke: Provoke, within: Fraction = WITHIN) -> Held | None:
    """Bring the reading to where a setting moves the threshold to either side of it; None if none can."""
    threshold = _threshold(t, trip.when)
    if threshold is None or provoke.silence:
        return None
    entry = t.vow.points[threshold.point]
    mover = next(
        (
            event
            for event, declared in t.declared.items()
            if entry.name in declared.moves and event in t.events and declared.value is not None
        ),
        None,
    )
    state = t.vow.initial if mover is not None and t.vow.initial in trip.armed_in else provoke.state
    knobs = [t.vow.points[name] for name in sorted(threshold.expression.names)]
    knobs = [each for each in knobs if each.source == "setting" and each.scale is not None]
    if not knobs:
        return None
    knob = knobs[0]
    others = {name: value for name, value in provoke.put.items() if name != knob.name}
    t.arrange(provoke.model_copy(update={"state": state, "put": others}))
    if t.state != state or not t.settable_here(knob):
        return None
    if within < WITHIN:
        _widen(t, knob)
    held = _held(t, threshold, knob)
    if held is None:
        return None
    nearest, farthest = (_level(t, threshold, {knob.name: each}) for each in (held.near, held.far))
    if t.setting(knob.name) != held.far:
        t.put(knob.name, held.far)
    aim = nearest + (farthest - nearest) * within
    if within < WITHIN:
        # Far enough beyond to tell the two apart.
        told = 5 * entry.accuracy(nearest)
        aim = max(aim, nearest + told) if threshold.above else min(aim, nearest - told)
    if mover is not None:
        t.bench(mover, _given(t, mover, aim))
        t.alive(max(t.declared[mover].moves[entry.name], t.vow.document.trial.settle))
    else:
        for event, given in provoke.bench.items():
            t.bench(event, _given(t, event, aim) if _same_unit(t, event, entry) else given)
        t.alive(t.vow.document.trial.settle)
    if t.state != state:
        return None  # another protection came first
    value = _read(t, entry)
    return replace(held, value=value, accuracy=entry.accuracy(value))


def _widen(t: Tester, knob: PointEntry) -> None:
    """Put the settings that bound a knob to where they leave it as much room as they can."""
    for limit, sign in ((knob.low, -1), (knob.high, 1)):
        while limit is not None and (found := _widening(t, limit, sign)) is not None and t.put(*found).ok:
            continue


def _widening(t: Tester, limit: Expression, sign: int) -> tuple[str, int] | None:
    """A setting and an end of it that move a limit outwards."""
    exact = {name: t.vow.points[name].exact(t.setting(name)) for name in sorted(limit.names)}
    for name in sorted(limit.names):
        entry = t.vow.points[name]
        for end in t.bounds(entry) if entry.scale is not None and t.settable_here(entry) else ():
            if sign * (limit.number({**exact, name: entry.exact(end)}) - limit.number(exact)) > 0:
                return name, end
    return None


def _held(t: Tester, threshold: Threshold, knob: PointEntry) -> Held | None:
    """The reading as it is, if the setting moves the threshold."""
    ends = t.bounds(knob)
    levels = [_level(t, threshold, {knob.name: each}) for each in ends]
    if levels[0] == levels[1]:
        return None
    near, far = ends if (levels[0] < levels[1]) == threshold.above else ends[::-1]
    entry = t.vow.points[threshold.point]
    value = _read(t, entry)
    return Held(threshold, entry, knob, value, entry.accuracy(value), near, far)


def _put_beside(t: Tester, held: Held, level: Fraction, away: int) -> bool:
    """Move the threshold to this level, or to the knob's next step `away` from tripping (1) or towards it."""
    ends = [_level(t, held.threshold, {held.knob.name: each}) for each in (held.near, held.far)]
    exact = held.near + (level - ends[0]) / (ends[1] - ends[0]) * (held.far - held.near)
    up = (held.far > held.near) == (away > 0)
    counts = -(-exact.numerator // exact.denominator) if up else exact.numerator // exact.denominator
    low, high = t.bounds(held.knob)
    return low <= counts <= high and t.put(held.knob.name, counts).ok


def _stays(t: Tester, r: Requirement, value: Fraction, level: Fraction, within_ns: int) -> None:
    """What is due within this time does not happen, in twice of it."""
    before = t.state
    t.alive(2 * within_ns)
    t.ask("self.state")
    if t.state != before:
        due = f"still {before} at {float(value):g}: the threshold is {float(level):g}"
        raise Broken(Judgement(False, r.id, due), "", f"state {t.state}")


def _acts(t: Tester, r: Requirement, to: str, within_ns: int) -> None:
    t.until(partial(_left, t, t.state), 2 * within_ns, r.id)
    t.ask("self.state")
    if t.state != to:
        raise Broken(Judgement(False, r.id, f"state {to}"), "", f"state {t.state}")


def _left(t: Tester, state: str) -> bool:
    return t.state != state


def _due_ns(t: Tester, trip: TripEntry) -> int:
    """Until then a condition that holds has made it act."""
    return trip.after_ns + trip.after_ns // 100 + t.vow.document.trips[trip.name].every


@purpose("trip", "fires", 1)
def close_to_the_threshold(t: Tester, r: Requirement) -> None:
    """As close as the reading's accuracy allows: on one side it does not trip, on the other it does."""
    trip, provoke = _provoked(t, r)
    threshold = _threshold(t, trip.when)
    if threshold is None or provoke.silence:
        return
    due_ns = _due_ns(t, trip)
    if not threshold.expression.names:
        knob = _bench_knob(t, threshold)
        if knob is not None and provoke.bench:
            t.arrange(provoke)
            _by_the_bench(t, r, threshold, knob, provoke.bench, trip.to, due_ns)
        return
    held = _beside_a_setting(t, trip, provoke)
    if held is None:
        return
    margin = SURELY * held.accuracy * (1 if threshold.above else -1)
    if _put_beside(t, held, held.value + margin, 1):
        _stays(t, r, held.value, _level(t, threshold), due_ns)
        t.looked(f"trip.{trip.name}.threshold", trip.when, threshold.point, held.value, acted=False)
        if _put_beside(t, held, held.value - margin, -1):
            _acts(t, r, trip.to, due_ns)


@purpose("trip", "threshold", 5)
def numbers_are_shown(t: Tester, r: Requirement) -> None:
    """Where it is provoked, what is read before it acts is short of it, and what stays is beyond."""
    trip, provoke = _provoked(t, r)
    threshold = _threshold(t, trip.when)
    if threshold is None:
        raise NotSelected("its condition is not about one reading, so its numbers cannot be bracketed")
    entry = t.vow.points[threshold.point]
    t.arrange(provoke)
    if t.state in trip.armed_in:
        t.alive(t.vow.document.trial.settle)
        before, values = t.state, [_read(t, entry)]
        t.alive(2 * _due_ns(t, trip))
        t.ask("self.state")
        values.append(_read(t, entry))
        if t.state == before:
            value = min(values) if threshold.above else max(values)
            t.looked(r.id, trip.when, entry.name, value, acted=False)
    if provoke.silence or provoke.within > LONGEST_NS:
        t.keep(r.id)
        return
    knob = _bench_knob(t, threshold)
    if knob is not None and knob in provoke.bench and _same_unit(t, knob, entry):
        _for_as_long(t, r, threshold, knob, provoke)
    if t.state in trip.armed_in:
        t.strike(trip, provoke)
        _acted(t, trip, entry)
    t.keep(r.id)


def _for_as_long(t: Tester, r: Requirement, threshold: Threshold, knob: str, provoke: Provoke) -> None:
    """The bench drives the reading itself, to either side, no longer than it takes to act: what it drives
    besides acts later."""
    trip, entry, level = t.vow.trips[r.element], t.vow.points[threshold.point], _level(t, threshold)
    if threshold.expression.names or entry.name not in t.declared[knob].moves:
        return
    for side in (-1, 1):
        before = t.state
        value = level + side * SURELY * entry.accuracy(level) * (1 if threshold.above else -1)
        for event, given in {**provoke.bench, knob: _given(t, knob, value)}.items():
            t.bench(event, given)
        t.wait(_due_ns(t, trip))
        t.ask("self.state")
        if t.state != before and not t.oracle.twin.may_have_tripped(trip.name):
            return
        t.looked(r.id, trip.when, entry.name, value, acted=t.state != before)
        if t.state != before:
            return
        t.relieve(provoke)
        t.alive(t.vow.document.trial.settle)


def _acted(t: Tester, trip: TripEntry, entry: PointEntry) -> None:
    """It acted, and its notice tells of something else than what it looked at: which is still there."""
    if trip.reports == entry.name:
        return
    t.alive(t.vow.document.trial.settle)
    if decided(t, trip.when):
        t.looked(f"trip.{trip.name}.threshold", trip.when, entry.name, _read(t, entry), acted=True)


@purpose("state", "leave", 3)
def close_to_the_end(t: Tester, r: Requirement) -> None:
    """The same for a state that a reading ends, with the settings of that condition moved."""
    leave = t.vow.document.states[r.element].leaves[int(r.aspect.split(".")[1]) - 1]
    threshold = _threshold(t, leave.when) if leave.when is not None else None
    if threshold is None or not t.session.held or t.gate is not None:
        return
    if not t.may_enter(r.element):
        return
    knob = _bench_knob(t, threshold)
    if knob is None or "bench" not in t.abilities:
        return
    for name in sorted(threshold.expression.names):
        entry = t.vow.points[name]
        if entry.source == "setting" and entry.scale is not None and t.settable_here(entry):
            low, high = t.bounds(entry)
            t.put(name, low + (high - low) // 3)
    level = _level(t, threshold)
    t.bench(knob, _given(t, knob, _places(threshold, level)[0]))
    t.alive(t.vow.document.trial.settle)
    t.prepare()
    t.goto(r.element)
    _by_the_bench(t, r, threshold, knob, {}, leave.to, leave.after + leave.after // 100 + QUICK_NS)


@purpose("state", "leave", 4)
def beside_what_is_read(t: Tester, r: Requirement) -> None:
    """Once in the state, its end is put just beyond what is read, and just short of it: whatever has brought
    the reading there, what is read is what is looked at."""
    leave = t.vow.document.states[r.element].leaves[int(r.aspect.split(".")[1]) - 1]
    threshold = _threshold(t, leave.when) if leave.when is not None else None
    if threshold is None or not t.session.held or t.gate is not None or not t.may_enter(r.element):
        return
    t.prepare()
    t.goto(r.element)
    knobs = [t.vow.points[name] for name in sorted(threshold.expression.names)]
    knobs = [each for each in knobs if each.source == "setting" and each.scale and t.settable_here(each)]
    found = _held(t, threshold, knobs[0]) if knobs else None
    due_ns = leave.after + leave.after // 100 + QUICK_NS
    if found is None or not _put_beside(t, found, _level(t, threshold, {found.knob.name: found.far}), 1):
        return
    t.alive(2 * due_ns)
    moved = abs(_read(t, found.entry) - found.value)
    if t.state != r.element or moved > found.accuracy / 2:
        return  # it does not stand still, or something else ends the state
    margin = SURELY * found.accuracy * (1 if threshold.above else -1)
    if _put_beside(t, found, found.value + margin, 1):
        _stays(t, r, found.value, _level(t, threshold), due_ns)
        if _put_beside(t, found, found.value - margin, -1):
            _acts(t, r, leave.to, due_ns + found.entry.period_ns)


@purpose("state", "leave", 3)
def far_from_the_end(t: Tester, r: Requirement) -> None:
    """With the setting of that condition at its end, what else ends the state does not."""
    leave = t.vow.document.states[r.element].leaves[int(r.aspect.split(".")[1]) - 1]
    threshold = _threshold(t, leave.when) if leave.when is not None else None
    if threshold is None or leave.provoke is None or not leave.provoke.bench:
        return
    if not t.session.held or t.gate is not None or not t.may_enter(r.element):
        return
    if any(event not in t.events for event in leave.provoke.bench):
        raise NotSelected(f"needs a rig that can make {' and '.join(leave.provoke.bench)} happen")
    if any(
        t.declared[event].moves.get(threshold.point, LONGEST_NS) > QUICK_NS for event in leave.provoke.bench
    ):
        return  # where it comes to takes long to see
    knobs = [t.vow.points[name] for name in sorted(threshold.expression.names)]
    knob = next((each for each in knobs if each.source == "setting" and t.settable_here(each)), None)
    if knob is None or knob.scale is None:
        return
    ends = sorted(t.bounds(knob), key=lambda each: _level(t, threshold, {knob.name: each}))
    t.put(knob.name, ends[-1] if threshold.above else ends[0])
    t.prepare()
    t.goto(r.element)
    for event, value in leave.provoke.bench.items():
        t.bench(event, value)
    t.alive(t.vow.document.trial.settle)
    if leave.when is None or decided(t, leave.when) is not False:
        return  # too close to say
    t.alive(max(leave.after * 2, leave.provoke.within))
    t.ask("self.state")
    if t.state != r.element:
        level = float(_level(t, threshold))
        due = f"still {r.element}: {threshold.point} is not beyond {level:g}"
        raise Broken(Judgement(False, r.id, due), "", f"state {t.state}")


@purpose("action", "guard", TOUR)
def close_to_the_guard(t: Tester, r: Requirement) -> None:
    """A guard that looks at a reading: as close as its accuracy allows it is shut, and open."""
    action = t.vow.actions[r.element]
    threshold = _threshold(t, action.guard) if action.guard is not None else None
    if threshold is None or not t.session.held:
        return
    t.prepare()
    t.goto(target_state(t, action))
    knobs = [t.vow.points[name] for name in sorted(threshold.expression.names)]
    knobs = [each for each in knobs if each.source == "setting" and t.settable_here(each)]
    held = _held(t, threshold, knobs[0]) if knobs else None
    if held is None:
        return
    margin = SURELY * held.accuracy * (1 if threshold.above else -1)
    for away in (1, -1):
        if _put_beside(t, held, held.value + margin * away, away):
            act_guarded(t, action)


def _bench_knob(t: Tester, threshold: Threshold) -> str | None:
    """A bench event that moves a reading quickly, or may: one that is in its unit."""
    entry = t.vow.points[threshold.point]
    turned = [event for event, each in t.declared.items() if event in t.events and each.value is not None]
    moving = [event for event in turned if t.declared[event].moves.get(entry.name, QUICK_NS) < QUICK_NS]
    slow = [event for event in turned if entry.name in t.declared[event].moves and event not in moving]
    alike = [event for event in turned if _same_unit(t, event, entry)]
    return next(iter(moving or ([] if slow else alike)), None)


def _places(threshold: Threshold, level: Fraction) -> tuple[Fraction, Fraction]:
    """Two values on the side of a threshold on which nothing happens, the second nearer."""
    shares = (
        (Fraction(1, 4), Fraction(1, 2))
        if (level > 0) == threshold.above
        else (Fraction(6, 5), Fraction(11, 10))
    )
    return abs(level) * shares[0], abs(level) * shares[1]


def _by_the_bench(
    t: Tester,
    r: Requirement,
    threshold: Threshold,
    knob: str,
    others: Mapping[str, Decimal | str],
    to: str,
    due_ns: int,
) -> None:
    """Where the threshold stands still, the bench moves the reading, by as much as it turns out to."""
    entry, level, state = t.vow.points[threshold.point], _level(t, threshold), t.state
    if not level:
        return
    trip = t.vow.trips[r.element] if r.section == "trip" else None
    places = _places(threshold, level)
    seen: list[Fraction] = []
    for place in places:
        t.bench(knob, _given(t, knob, place))
        for event, value in others.items() if not seen else ():
            if event != knob:
                t.bench(event, value)
        t.alive(t.vow.document.trial.settle)
        if not t.oracle.twin.told:
            t.ask("self.state")
        if t.state != state:
            return
        seen.append(_read(t, entry))
        # The bench may bring it further than that; then it is beyond the threshold, and has been long enough.
        beyond = (seen[-1] - level) * (1 if threshold.above else -1)
        if beyond > 2 * entry.accuracy(level) and due_ns < t.vow.document.trial.settle // 2:
            due = f"state {to} at {float(seen[-1]):g}: the threshold is {float(level):g}"
            raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", f"still {t.state}")
    slope = (seen[1] - seen[0]) / (places[1] - places[0])
    if abs(slope) < Fraction(1, 10):
        return  # it does not move what is looked at
    accuracy = entry.accuracy(level)
    for side in (-1, 1):
        beside = level + SURELY * accuracy * side * (1 if threshold.above else -1)
        t.bench(knob, _given(t, knob, places[1] + (beside - seen[1]) / slope))
        if side < 0:
            _stays(t, r, beside, level, due_ns)
            if trip is not None:
                name = f"trip.{trip.name}.threshold"
                t.alive(entry.period_ns)  # until then it may be an older sample
                t.looked(name, trip.when, entry.name, _read(t, entry), acted=False)
        else:
            # The reading has first to follow the bench, and to be sampled.
            _acts(t, r, to, due_ns + t.declared[knob].moves.get(entry.name, 0) + entry.period_ns)
            if trip is not None:
                _acted(t, trip, entry)


@purpose("trip", "report", 2)
def reports_what_is_read(t: Tester, r: Requirement) -> None:
    """A steady reading, and a threshold that is put below it, to its end: what is reported is the reading.

    For one trip; the others have their turn later.
    """
    if "reports what is read" not in t.done:
        _reports_what_is_read(t, r)


@purpose("trip", "report", 3)
def each_reports_what_is_read(t: Tester, r: Requirement) -> None:
    """The same for the others."""
    if f"{r.element} reports what is read" not in t.done:
        _reports_what_is_read(t, r)


def _reports_what_is_read(t: Tester, r: Requirement) -> None:
    trip, provoke = _provoked(t, r)
    last = t.vow.system_name("last_trip")
    held = _beside_a_setting(t, trip, provoke, BEYOND)
    if held is None or last is None or trip.reports != held.entry.name:
        return
    level = _level(t, held.threshold, {held.knob.name: held.near})
    beyond = (held.value - level) * (1 if held.threshold.above else -1)
    if beyond < 4 * held.accuracy or not t.put(held.knob.name, held.near).ok:
        return  # the bench has not brought it there
    _acts(t, replace(r, id=f"trip.{trip.name}.fires"), trip.to, _due_ns(t, trip))
    words = t.ask(last).words
    parsed = held.entry.number.parse(words[1]) if len(words) > 1 else None
    if parsed is None or abs(parsed[0] * held.entry.number.step - held.value) > 2 * held.accuracy:
        due = f"about {float(held.value):g}, what {held.entry.name} was just before"
        raise Broken(Judgement(False, r.id, due), f"ask {last}", " ".join(words))
    t.keep(r.id)
    t.done |= {"reports what is read", f"{r.element} reports what is read"}


@purpose("trip", "report", 3)
def reports_what_stands(t: Tester, r: Requirement) -> None:
    """What stands still beyond a threshold, from before the trip until after it, is what is told."""
    trip, provoke = _provoked(t, r)
    last, threshold = t.vow.system_name("last_trip"), _threshold(t, trip.when)
    if threshold is None or last is None or provoke.silence or not provoke.bench:
        return
    entry = t.vow.points[threshold.point]
    if trip.reports != entry.name or trip.after_ns < 3 * entry.period_ns:
        return
    if f"{r.element} reports what is read" in t.done:
        return
    t.arrange(provoke)
    if t.state not in trip.armed_in:
        return
    for event, value in provoke.bench.items():
        t.bench(event, value)
    seen = []
    for wait_ns in (entry.period_ns, entry.period_ns, _due_ns(t, trip)):
        t.alive(wait_ns)
        seen.append(_read(t, entry))
    accuracy, level = entry.accuracy(seen[0]), _level(t, threshold)
    beyond = (seen[0] - level) * (1 if threshold.above else -1)
    words = t.ask(last).words
    if (
        words[0] == trip.name
        and beyond > 2 * accuracy + entry.number.step
        and max(seen) - min(seen) <= accuracy
    ):
        parsed = entry.number.parse(words[1]) if len(words) > 1 else None
        if parsed is None or abs(parsed[0] * entry.number.step - seen[0]) > 2 * accuracy:
            due = f"about {float(seen[0]):g}, what {entry.name} is before and after"
            raise Broken(Judgement(False, r.id, due), f"ask {last}", " ".join(words))
        t.keep(r.id)
        t.done.add(f"{r.element} reports what is read")
    t.relieve(provoke)


@purpose("trip", "delay", 3)
def over_a_change_of_state(t: Tester, r: Requirement) -> None:
    """Its time goes on while the state changes to another that it watches as well."""
    trip, provoke = _provoked(t, r)
    period_ns = max((t.vow.points[name].period_ns for name in trip.when.names), default=0)
    if provoke.silence or not 2 * period_ns <= trip.after_ns <= LONGEST_NS:
        return
    t.arrange(provoke)
    ways = [
        action.name
        for action in t.vow.actions.values()
        if action.to.get(t.state, t.state) in trip.armed_in - {t.state}
        and action.takes_ticket is None
        and action.guard is None
        and not action.does
    ]
    if not ways:
        return
    before = t.state
    for event, value in provoke.bench.items():
        t.bench(event, value)
    left_ns = provoke.within
    while not (holds := decided(t, trip.when)) and left_ns > 0 and t.state == before:
        t.alive(trip.after_ns // LOOKS)
        left_ns -= trip.after_ns // LOOKS
    due_ns = t.now_ns + trip.after_ns + trip.after_ns // CLOCK_PARTS + t.vow.document.trips[trip.name].every
    if holds is not True or t.state != before:
        return
    t.alive(trip.after_ns * 6 // 10)
    if t.state != before:
        return  # `trips.delay` judges that
    t.act(ways[0])
    t.alive(due_ns - t.now_ns)
    t.ask("self.state")
    if t.state != trip.to and decided(t, trip.when):
        due = f"state {trip.to}: the condition has held for {trip.after_ns / NS_PER_S:g} s, in two states"
        raise Broken(Judgement(False, r.id, due), "", f"state {t.state}")


@purpose("trip", "delay", TOUR)
def over_quick_changes_of_state(t: Tester, r: Requirement) -> None:
    """The same for the longest of the delays that are too short to be watched: there and back, on and on."""
    trip, provoke = _provoked(t, r)
    if not 0 < _quick_ns(t, trip.name) == max(_quick_ns(t, each) for each in t.vow.trips):
        return
    t.arrange(provoke)
    ways = _there_and_back(t, trip)
    if not ways:
        return
    for event, value in provoke.bench.items():
        t.bench(event, value)
    part_ns = trip.after_ns * 6 // 10
    due_ns: int | None = None
    for turn in range(2 * LOOKS):
        t.alive(part_ns)
        if t.state not in trip.armed_in:
            return
        if due_ns is None and decided(t, trip.when):
            due_ns = t.now_ns + trip.after_ns + trip.after_ns // CLOCK_PARTS
            due_ns += t.vow.document.trips[trip.name].every
        if due_ns is not None and t.now_ns > due_ns:
            due = f"state {trip.to}: the condition has held for {trip.after_ns / 1e6:g} ms, in two states"
            raise Broken(Judgement(False, r.id, due), "", f"state {t.state}")
        t.act(ways[turn % 2])


def _quick_ns(t: Tester, name: str) -> int:
    """A trip's delay, if it is provoked at once and its readings are too seldom to watch it; else nothing."""
    trip, provoke = t.vow.trips[name], t.vow.document.trips[name].provoke
    period_ns = max((t.vow.points[each].period_ns for each in trip.when.names), default=0)
    if provoke is None or not provoke.bench or provoke.silence or provoke.within > LONGEST_NS:
        return 0
    return trip.after_ns if trip.after_ns < 2 * period_ns else 0


def _there_and_back(t: Tester, trip: TripEntry) -> list[str]:
    """Two actions between this state and another that a trip watches, if both can be done at once."""
    settings = {name: t.vow.points[name].exact(value) for name, value in t.oracle.twin.settings.items()}
    plain = [
        action
        for action in t.vow.actions.values()
        if action.takes_ticket is None and not action.does
        if action.guard is None or (action.guard.names <= settings.keys() and action.guard.truth(settings))
    ]
    return next(
        (
            [there.name, back.name]
            for there in plain
            for back in plain
            if (other := there.to.get(t.state, t.state)) in trip.armed_in - {t.state}
            and back.to.get(other) == t.state
        ),
        [],
    )


@purpose("trip", "delay", 1)
def by_what_a_setting_moves(t: Tester, r: Requirement) -> None:
    """Of a condition with several parts one looks at a reading that a setting moves: it is moved to and fro.

    Just short of it nothing acts, whatever the others do; beyond it and back, for less than the delay each
    time, neither; beyond it to stay, it acts. And it is cleared where that reading has gone far enough.
    """
    trip, provoke = _provoked(t, r)
    found = _moved_by_a_setting(t, trip.when)
    if found is None or provoke.silence or not provoke.relief:
        return
    threshold, entry, knob, within_ns = found
    level = _level(t, threshold)
    short, beyond = (level + side * SURELY * entry.accuracy(level) for side in (-1, 1))
    if not threshold.above:
        short, beyond = beyond, short
    part_ns = (trip.after_ns - within_ns) * 9 // 10
    every_ns = t.vow.document.trips[trip.name].every
    state = t.vow.initial if t.vow.initial in trip.armed_in else provoke.state
    others = {name: value for name, value in provoke.put.items() if name != knob.name}
    t.arrange(provoke.model_copy(update={"put": others, "state": state}))
    if part_ns <= 2 * entry.period_ns or t.state not in trip.armed_in or not _put_at(t, knob, beyond):
        return
    due_ns = _due_ns(t, trip) + within_ns
    if len(trip.when.names) > 1 and not _stands(t, trip, due_ns):
        _stays(t, r, beyond, level, due_ns)  # the rest of the condition is not there yet
    _put_at(t, knob, short)
    t.alive(within_ns + every_ns)
    _let_it_follow(t, entry, short)
    for event, value in provoke.bench.items():
        t.bench(event, value)
    t.ask("self.state")
    t.alive(provoke.within // 4)
    _stays(t, r, short, level, due_ns)
    for _ in range(3):
        _put_at(t, knob, beyond)
        t.alive(part_ns)
        _put_at(t, knob, short)
        t.alive(within_ns + every_ns * 11 // 10)
    t.ask("self.state")
    if t.state != state:
        due = f"still {state}: it held for less than {trip.after_ns / NS_PER_S:g} s at a time"
        raise Broken(Judgement(False, r.id, due), "", f"state {t.state}")
    _put_at(t, knob, beyond)
    _acts(t, replace(r, id=f"trip.{trip.name}.fires"), trip.to, due_ns)
    _cleared_by(t, trip, knob, within_ns)


def _let_it_follow(t: Tester, entry: PointEntry, value: Fraction) -> None:
    """What else drives the reading, heat that earlier purposes have left, dies away; or NotSelected."""
    fan = t.vow.document.fan
    slow = {name: ns for each in t.declared.values() for name, ns in each.moves.items()}
    if abs(_read(t, entry) - value) > entry.accuracy(value):
        if fan is not None and fan.temperature in slow:
            at_rest(t, t.vow.points[fan.temperature], slow[fan.temperature])
        if abs(_read(t, entry) - value) > entry.accuracy(value):
            raise NotSelected(f"{entry.name} is driven by something else as well")


def _stands(t: Tester, trip: TripEntry, due_ns: int) -> bool:
    """Whether a condition holds, or may, by what is read once it has had time to settle."""
    t.alive(due_ns)
    return decided(t, trip.when) is not False


def _moved_by_a_setting(
    t: Tester, condition: Expression
) -> tuple[Threshold, PointEntry, PointEntry, int] | None:
    """A part of a condition on a reading that follows a setting in its unit: both, and how soon it does."""
    for part in _parts(condition):
        threshold = _threshold(t, part)
        follows = t.vow.document.points[threshold.point].follows if threshold is not None else None
        if threshold is None or follows is None or threshold.expression.names:
            continue
        entry, knob = t.vow.points[threshold.point], t.vow.points[follows.setting]
        if knob.scale is not None and knob.scale.unit == entry.number.unit:
            return threshold, entry, knob, follows.within
    return None


def _parts(condition: Expression) -> list[Expression]:
    """The comparisons that a condition joins; none if it is one alone."""
    atoms = condition.atoms()
    joined = atoms.parts if isinstance(atoms, And | Or) else ()
    return [Expression.of(part) for part in joined if isinstance(part, Comparison)]


def _put_at(t: Tester, knob: PointEntry, value: Fraction) -> bool:
    low, high = t.bounds(knob)
    counts = knob.number.nearest(value)
    return low <= counts <= high and t.put(knob.name, counts).ok


def _cleared_by(t: Tester, trip: TripEntry, knob: PointEntry, within_ns: int) -> None:
    """With the rest of the condition still there, a reading that a setting moves clears it, or does not."""
    clears = [each for each in t.vow.actions.values() if ("clear_trip", "") in each.does]
    clear = next((each for each in clears if t.state in each.to), None)
    found = _moved_by_a_setting(t, trip.cleared_when) if trip.cleared_when is not None else None
    if clear is None or found is None or found[2] is not knob or trip.cleared_when is None:
        return
    threshold, entry = found[:2]
    level = _level(t, threshold)
    signals = signals_of(t, trip.cleared_when)
    for side in (-1, 1):
        away = side * 4 * entry.accuracy(level) * (1 if threshold.above else -1)  # beyond all doubt
        if t.state == trip.to and _put_at(t, knob, level + away):
            t.alive(within_ns)
            with known_now(t, signals):
                t.act(clear.name)
    t.ask("self.state")


@purpose("trip", "fires", 5)
def carried_into_other_states(t: Tester, r: Requirement) -> None:
    """What takes long to provoke is carried to states that last less long, and its setting is moved there."""
    trip, provoke = _provoked(t, r)
    threshold = _threshold(t, trip.when)
    if threshold is None or t.vow.initial not in trip.armed_in:
        return
    moves = [each.moves[threshold.point] for each in t.declared.values() if threshold.point in each.moves]
    if not moves or min(moves) < LONGEST_NS:
        return
    states = [
        state.name
        for state in t.vow.states.values()
        if state.name in trip.armed_in - {t.vow.initial, provoke.state, trip.to}
        and (state.energised or any(each.when is None for each in state.leaves))
        and t.may_enter(state.name)
    ]
    for state in states:
        t.home()
        held = _beside_a_setting(t, trip, provoke, BEYOND)
        if held is None:
            return
        t.goto(state)
        if not t.settable_here(held.knob) or not t.put(held.knob.name, held.near).ok:
            continue
        _acts(t, r, trip.to, _due_ns(t, trip))
