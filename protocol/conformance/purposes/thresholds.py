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

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.behaviour import about, act_guarded, target_state
from protocol.conformance.tester import Broken, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Provoke
from protocol.document.requirements import Requirement
from protocol.expression import Expression, ExpressionError, Threshold
from protocol.oracle import CLOCK_PARTS, Judgement
from protocol.quantity import decimal_of
from protocol.vow import PointEntry, TripEntry

WITHIN = Fraction(2, 3)
"""How far a reading is brought from the nearest threshold that the settings allow to the farthest."""
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
    provoke = t.vow.document.trips[r.element].provoke
    if provoke is None:
        raise NotSelected("the document does not say how to provoke it")
    for event in provoke.bench:
        if event not in t.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
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


def _beside_a_setting(t: Tester, trip: TripEntry, provoke: Provoke) -> Held | None:
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
    held = _held(t, threshold, knob)
    if held is None:
        return None
    nearest, farthest = (_level(t, threshold, {knob.name: each}) for each in (held.near, held.far))
    if t.setting(knob.name) != held.far:
        t.put(knob.name, held.far)
    aim = nearest + (farthest - nearest) * WITHIN
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


@purpose("trip", "fires", 2)
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
    margin = 2 * held.accuracy * (1 if threshold.above else -1)
    if _put_beside(t, held, held.value + margin, 1):
        _stays(t, r, held.value, _level(t, threshold), due_ns)
        if _put_beside(t, held, held.value - margin, -1):
            _acts(t, r, trip.to, due_ns)


@purpose("state", "leave", 2)
def close_to_the_end(t: Tester, r: Requirement) -> None:
    """The same for a state that a reading ends, with the settings of that condition moved."""
    leave = t.vow.document.states[r.element].leaves[int(r.aspect.split(".")[1]) - 1]
    threshold = _threshold(t, leave.when) if leave.when is not None else None
    if threshold is None or not t.session.held or t.gate is not None:
        return
    if t.vow.states[r.element].energised and not t.energise:
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


@purpose("action", "guard", 3)
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
    margin = 2 * held.accuracy * (1 if threshold.above else -1)
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
    places = _places(threshold, level)
    seen: list[Fraction] = []
    for place in places:
        t.bench(knob, _given(t, knob, place))
        for event, value in others.items() if not seen else ():
            if event != knob:
                t.bench(event, value)
        t.alive(t.vow.document.trial.settle)
        if t.state != state:
            return
        seen.append(_read(t, entry))
    slope = (seen[1] - seen[0]) / (places[1] - places[0])
    if abs(slope) < Fraction(1, 10):
        return  # it does not move what is looked at
    accuracy = entry.accuracy(level)
    for side in (-1, 1):
        beside = level + 2 * accuracy * side * (1 if threshold.above else -1)
        t.bench(knob, _given(t, knob, places[1] + (beside - seen[1]) / slope))
        if side < 0:
            _stays(t, r, beside, level, due_ns)
        else:
            _acts(t, r, to, due_ns)


@purpose("trip", "report", 2)
def reports_what_is_read(t: Tester, r: Requirement) -> None:
    """A steady reading, and a threshold that is put far below it: what is reported is the reading."""
    trip, provoke = _provoked(t, r)
    last = next((entry.name for entry in t.vow.points.values() if entry.system == "last_trip"), None)
    held = _beside_a_setting(t, trip, provoke)
    if held is None or last is None or trip.reports != held.entry.name:
        return
    level = _level(t, held.threshold, {held.knob.name: held.near})
    if abs(level - held.value) < 4 * held.accuracy or not t.put(held.knob.name, held.near).ok:
        return
    _acts(t, r, trip.to, _due_ns(t, trip))
    words = t.ask(last).words
    parsed = held.entry.number.parse(words[1]) if len(words) > 1 else None
    if parsed is None or abs(parsed[0] * held.entry.number.step - held.value) > 2 * held.accuracy:
        due = f"about {float(held.value):g}, what {held.entry.name} was just before"
        raise Broken(Judgement(False, r.id, due), f"ask {last}", " ".join(words))
    t.keep(r.id)


@purpose("trip", "delay", 1)
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
    while not (holds := _decided(t, trip.when)) and left_ns > 0 and t.state == before:
        t.alive(trip.after_ns // LOOKS)
        left_ns -= trip.after_ns // LOOKS
    due_ns = t.now_ns + trip.after_ns + trip.after_ns // CLOCK_PARTS + t.vow.document.trips[trip.name].every
    if holds is not True or t.state != before:
        return
    t.alive(trip.after_ns * 6 // 10)
    if t.state != before:
        return  # `behaviour.delay` judges that
    t.act(ways[0])
    t.alive(due_ns - t.now_ns)
    t.ask("self.state")
    if t.state != trip.to and _decided(t, trip.when):
        due = f"state {trip.to}: the condition has held for {trip.after_ns / NS_PER_S:g} s, in two states"
        raise Broken(Judgement(False, r.id, due), "", f"state {t.state}")


def _decided(t: Tester, condition: Expression) -> bool | None:
    """Whether a condition holds, by what is read just now; None if that is too close to say."""
    signals = [name for name in condition.names if t.vow.points[name].source == "signal"]
    t.oracle.twin.readings = {name: about(t, name) for name in signals}
    try:
        return t.oracle.twin.decide(condition, t.now_ns)
    finally:
        t.oracle.twin.readings = {}
