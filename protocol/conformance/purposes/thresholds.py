"""Purposes about when protections act, closely: at the threshold, with what report, and when in their time.

A provocation of the document goes well beyond a threshold. Here a reading is brought to where it can be held
against the threshold, and what is known of both, to the accuracy of the reading, decides. All of it moves the
bench or the settings of a protection to and fro, so it is done on a held clock and outside of any envelope.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import partial

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.behaviour import about
from protocol.conformance.tester import Broken, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Provoke
from protocol.document.requirements import Requirement
from protocol.expression import Expression, ExpressionError, Threshold
from protocol.oracle import CLOCK_PARTS, Judgement
from protocol.vow import PointEntry, TripEntry

WITHIN = Fraction(2, 3)
"""How far a reading is brought from the nearest threshold that the settings allow to the farthest."""
LOOKS = 8
"""Into so many parts the delay is cut while the condition is waited for."""
LONGEST_NS = 10 * NS_PER_S
"""A delay up to here is short enough to be spread over a change of state."""
FEW = 50
"""A fraction of a threshold in time is chosen among so many of the shortest."""


@dataclass(frozen=True, slots=True)
class Held:
    """A reading that stands beside a threshold which one setting moves."""

    trip: TripEntry
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


def _threshold(t: Tester, trip: TripEntry) -> Threshold | None:
    """The only one of its condition, of a reading."""
    try:
        found = trip.when.as_threshold(t.vow.measured)
    except ExpressionError:
        return None
    return found[0] if len(found) == 1 and t.vow.points[found[0].point].source == "signal" else None


def _level(t: Tester, threshold: Threshold, moved: Mapping[str, int] | None = None) -> Fraction:
    """The threshold with the settings in force, or with some of them moved."""
    names = threshold.expression.names
    counts = {name: t.setting(name) for name in names} | dict(moved or {})
    return threshold.expression.number({name: t.vow.points[name].exact(counts[name]) for name in names})


def _accuracy(entry: PointEntry, value: Fraction) -> Fraction:
    return entry.range_error + abs(value) * entry.reading_error + entry.number.step


def _read(t: Tester, entry: PointEntry) -> Fraction:
    return t.read(entry.name) * entry.number.step


def _given(t: Tester, event: str, value: Fraction) -> Decimal:
    """A bench event's value in its own steps."""
    declared = t.declared[event]
    step = Fraction(t.vow.document.quantities[declared.value].step) if declared.value else Fraction(1, 1000)
    exact = round(value / step) * step
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def _same_unit(t: Tester, event: str, entry: PointEntry) -> bool:
    value = t.declared[event].value
    return value is not None and t.vow.document.quantities[value].unit == entry.number.unit


def _beside_a_setting(t: Tester, trip: TripEntry, provoke: Provoke) -> Held | None:
    """Bring the reading to where a setting moves the threshold to either side of it; None if none can."""
    threshold = _threshold(t, trip)
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
    ends = t.bounds(knob)
    levels = [_level(t, threshold, {knob.name: each}) for each in ends]
    if levels[0] == levels[1]:
        return None
    near, far = ends if (levels[0] < levels[1]) == threshold.above else ends[::-1]
    nearest, farthest = levels if near == ends[0] else levels[::-1]
    if t.setting(knob.name) != far:
        t.put(knob.name, far)
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
    return Held(trip, threshold, entry, knob, value, _accuracy(entry, value), near, far)


def _put_beside(t: Tester, held: Held, level: Fraction, away: int) -> bool:
    """Move the threshold to this level, or to the knob's next step `away` from tripping (1) or towards it."""
    ends = [_level(t, held.threshold, {held.knob.name: each}) for each in (held.near, held.far)]
    exact = held.near + (level - ends[0]) / (ends[1] - ends[0]) * (held.far - held.near)
    up = (held.far > held.near) == (away > 0)
    counts = -(-exact.numerator // exact.denominator) if up else exact.numerator // exact.denominator
    low, high = t.bounds(held.knob)
    return low <= counts <= high and t.put(held.knob.name, counts).ok


def _watched_ns(t: Tester, trip: TripEntry) -> int:
    """Until then a condition that holds has made it act."""
    return trip.after_ns + trip.after_ns // 100 + t.vow.document.trips[trip.name].every


def _stays(t: Tester, r: Requirement, trip: TripEntry, value: Fraction, level: Fraction) -> None:
    before = t.state
    t.alive(2 * _watched_ns(t, trip) + t.vow.points[trip.reports].period_ns)
    t.ask("self.state")
    if t.state != before:
        due = f"no trip at {float(value):g}: the threshold is {float(level):g}"
        raise Broken(Judgement(False, r.id, due), "", " ".join(t.oracle.twin.last_trip))


def _acts(t: Tester, r: Requirement, trip: TripEntry) -> None:
    before = t.state
    t.until(partial(_left, t, before), 2 * _watched_ns(t, trip), r.id)
    t.ask("self.state")
    if t.state != trip.to:
        raise Broken(Judgement(False, r.id, f"state {trip.to}"), "", f"state {t.state}")


def _left(t: Tester, state: str) -> bool:
    return t.state != state


@purpose("trip", "fires", 2)
def close_to_the_threshold(t: Tester, r: Requirement) -> None:
    """As close as the reading's accuracy allows: on one side it does not trip, on the other it does."""
    trip, provoke = _provoked(t, r)
    threshold = _threshold(t, trip)
    if threshold is None or provoke.silence:
        return
    if not threshold.expression.names:
        _at_a_constant(t, r, trip, provoke, threshold)
        return
    held = _beside_a_setting(t, trip, provoke)
    if held is None:
        return
    margin = 2 * held.accuracy * (1 if threshold.above else -1)
    if _put_beside(t, held, held.value + margin, 1):
        _stays(t, r, trip, held.value, _level(t, threshold))
        if _put_beside(t, held, held.value - margin, -1):
            _acts(t, r, trip)


def _at_a_constant(
    t: Tester, r: Requirement, trip: TripEntry, provoke: Provoke, threshold: Threshold
) -> None:
    """The same where the threshold stands still: the bench moves the reading, as it turned out to."""
    entry = t.vow.points[threshold.point]
    level = threshold.expression.number({})
    knob = next(
        (
            event
            for event, declared in t.declared.items()
            if event in t.events
            and declared.value is not None
            and event not in provoke.bench
            and (entry.name in declared.moves or _same_unit(t, event, entry))
        ),
        None,
    )
    if knob is None or not level or not provoke.bench:
        return
    t.arrange(provoke)
    state = t.state
    places = [abs(level) / 4, abs(level) / 2]
    seen: list[Fraction] = []
    for place in places:
        t.bench(knob, _given(t, knob, place))
        for event, value in provoke.bench.items() if not seen else ():
            t.bench(event, value)
        t.alive(t.vow.document.trial.settle)
        if t.state != state:
            return
        seen.append(_read(t, entry))
    slope = (seen[1] - seen[0]) / (places[1] - places[0])
    accuracy = _accuracy(entry, level)
    if abs(slope) < Fraction(1, 10):
        return  # it does not move what is looked at
    for side in (-1, 1):
        beside = level + 2 * accuracy * side * (1 if threshold.above else -1)
        t.bench(knob, _given(t, knob, places[1] + (beside - seen[1]) / slope))
        if side < 0:
            _stays(t, r, trip, beside, level)
        else:
            _acts(t, r, trip)


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
    _acts(t, r, trip)
    words = t.ask(last).words
    parsed = held.entry.number.parse(words[1]) if len(words) > 1 else None
    if parsed is None or abs(parsed[0] * held.entry.number.step - held.value) > 2 * held.accuracy:
        due = f"about {float(held.value):g}, what {held.entry.name} was just before"
        raise Broken(Judgement(False, r.id, due), f"ask {last}", " ".join(words))
    t.keep(r.id)


@purpose("trip", "delay", 2)
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


@purpose("trip", "fires", 2)
def after_a_fraction(t: Tester, r: Requirement) -> None:
    """A silence that is allowed need not be of whole seconds: not before, and soon after."""
    trip, provoke = t.vow.trips[r.element], t.vow.document.trips[r.element].provoke
    if provoke is None or not provoke.silence or provoke.bench:
        return
    if t.vow.states[provoke.state].energised and not t.energise:
        return
    for name in sorted(trip.when.names & provoke.put.keys()):
        entry = t.vow.points[name]
        if entry.scale is None or entry.number.unit != "s":
            continue
        low, high = t.bounds(entry)
        few = range(low, min(high, low + FEW) + 1)
        broken = [counts for counts in few if (counts * entry.number.step).denominator != 1]
        if not broken:
            continue
        chosen = t.random.choice(broken) * entry.number.step
        longer = chosen - Fraction(provoke.put[name])
        put = {**provoke.put, name: Decimal(chosen.numerator) / Decimal(chosen.denominator)}
        another = provoke.model_copy(update={"put": put, "within": provoke.within + int(longer * NS_PER_S)})
        t.arrange(another)
        t.strike(trip, another)
        t.ask("self.state")
        if t.state != trip.to:
            raise Broken(Judgement(False, r.id, f"state {trip.to}"), "", f"state {t.state}")
