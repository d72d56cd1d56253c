"""Purposes about trips: that they come, in time, where they watch, and stay until they are cleared."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.navigation import over_unseen
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.actions import LATCHED_NS
from wirevow.protocol.conformance.purposes.looking import (
    about,
    decided,
    known_now,
    laws_hold,
    led_on,
    left,
    look,
    provocation,
    signals_of,
    stays,
)
from wirevow.protocol.conformance.purposes.points import (
    LOOKS_AT_SLOW,
    SLOW_NS,
    ask_computed,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import ExpressionError, Threshold
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.vow import PointEntry, TripEntry, value_of

LONG_NS = 60 * NS_PER_S
"""What is given more time takes long by its nature."""

LOOKS_AT_CONDITION = 4
"""Into so many parts the time is cut in which a condition may come true, or act."""

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
    provoke = provocation(t, t.vow.document.trips[r.element].provoke)
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
        look(t)
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
            look(t)
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
        if not t.oracle.twin.told and t.state in led_on(t, trip.to):
            t.relieve(provoke)
            raise over_unseen(trip.to)
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
        look(t)
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
    look(t)
    if t.state != trip.to:
        raise Broken(Judgement(False, r.id, f"still {trip.to}"), "", f"state {t.state}")
    if clear is not None:
        t.clear()
        look(t)
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
        look(t)
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
        t.ask("self.state")  # warm as it was, it may have tripped once more
        t.arrange(provoke)
        if _holds_already(t, trip) is not False:
            raise NotSelected("its condition holds, or may hold, before it is provoked")
    lawful = led_on(t, t.state) - {trip.to}
    part_ns = trip.after_ns * 6 // 10
    # A shorter break may fall between two looks, or pass before the bench is felt.
    break_ns = max(part_ns, t.vow.document.trips[trip.name].every * 11 // 10)
    for _ in range(2):
        for event, value in provoke.bench.items():
            t.bench(event, value)
        t.alive(part_ns)
        look(t)
        if t.state not in lawful:
            held = f"the condition held for at most {part_ns / 1e6:g} ms"
            raise Broken(Judgement(False, r.id, f"no trip: {held}"), "", " ".join(t.oracle.twin.last_trip))
        t.relieve(provoke)
        t.alive(break_ns)
    look(t)
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
            look(t)
            if t.state not in trip.armed_in:
                held = f"the condition held for at most {part_ns / 1e6:g} ms"
                judgement = Judgement(False, f"trip.{trip.name}.delay", f"no trip: {held}")
                raise Broken(judgement, "", " ".join(t.oracle.twin.last_trip))
    t.put(entry.name, there)
    due_ns = trip.after_ns + trip.after_ns // 100 + every_ns
    t.alive(due_ns)
    look(t)
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
    look(t)


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
        look(t)
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
            look(t)
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
        look(t)
        t.bench(event, _thousandths(level + away))
        t.until(partial(left, t, t.state), max(provoke.within, within_ns), r.id)
        look(t)
        return


def _thousandths(value: Fraction) -> Decimal:
    return Decimal(round(value * 1000)) / 1000


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
        before = t.oracle.twin.fired.copy()
        t.strike(trip, provoke, lambda: t.now_ns >= end_ns and _not_felt(t, trip, provoke))  # noqa: B023
        look(t)
        if t.state == state and _not_felt(t, trip, provoke):
            t.relieve(provoke)
            continue
        came = t.oracle.twin.fired[trip.name] > before[trip.name]
        if not came and not provoke.bench and t.oracle.twin.fired != before:
            continue  # another has come first, of what was done before: what was warmed is warm still, say
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
            look(t)
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
