"""Purposes about what always holds: limits, derating, fan, laws, records, promises."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.behaviour import (
    CONSISTENT_READS,
    about,
    do,
    numbers,
    shown_values,
    steady,
    target_state,
    values,
)
from protocol.conformance.purposes.points import at_rest, other_value
from protocol.conformance.tester import DRY, HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Derating, Fan, Law, Limit, Provoke, Record
from protocol.document.requirements import Requirement
from protocol.expression import Expression
from protocol.message import Reply
from protocol.oracle import CLOCK_PARTS, Judgement
from protocol.record import layout, parts_of
from protocol.vow import ActionEntry, PointEntry, part_bytes


def states_of(t: Tester, names: Sequence[str] | None) -> list[str]:
    """States to look in, those that these hands may use."""
    wanted = list(names) if names is not None else [t.vow.initial]
    usable = [state for state in wanted if t.energise or not t.vow.states[state].energised]
    if not usable:
        raise NotSelected(f"it holds in states that handle power; that {DRY}")
    return usable


def arrive(t: Tester, state: str, provoke: Provoke | None) -> None:
    t.home()
    if provoke is not None and provoke.state == state:
        t.arrange(provoke)
        for event, value in provoke.bench.items():
            t.bench(event, value)
    else:
        t.prepare()
        t.goto(state)


def arrive_anew(t: Tester, state: str, provoke: Provoke | None) -> None:
    """Arrive by a change that shows: in the initial state from one that handles power, if these hands may."""
    arrive(t, state, provoke)
    if state != t.vow.initial or not t.energise or t.vow.document.trial.safe is None:
        return
    for other, entry in t.vow.states.items():
        if entry.energised:
            with suppress(NotSelected):
                t.goto(other)
                t.alive(t.vow.document.trial.settle)
                t.safe()
                break
    t.goto(state)


@purpose("limit", "", 2)
def limit(t: Tester, r: Requirement) -> None:
    rule = t.vow.document.limits[r.element]
    tried = False
    for state in states_of(t, rule.armed_in):
        try:
            arrive(t, state, rule.provoke)
        except NotSelected:
            continue
        tried = True
        hold_limit(t, r, rule)
    if not tried:
        raise NotSelected("none of its states can be reached here")


@purpose("limit", "", 3)
def limit_closing_in(t: Tester, r: Requirement) -> None:
    """A limit that is moved while what it bounds is beyond where it will be."""
    rule = t.vow.document.limits[r.element]
    if rule.provoke is None or rule.provoke.state not in states_of(t, rule.armed_in):
        return
    bounds = {name for bound in (rule.low, rule.high) if bound is not None for name in bound.names}
    moved = {
        name: value
        for name, value in rule.provoke.put.items()
        if name in bounds and t.vow.points[name].set_in is None
    }
    if not moved:
        return
    others = {name: value for name, value in rule.provoke.put.items() if name not in moved}
    arrive(t, rule.provoke.state, rule.provoke.model_copy(update={"put": others}))
    t.alive(max(rule.settle, t.vow.document.trial.settle))
    t.settings(moved)
    hold_limit(t, r, rule)


def hold_limit(t: Tester, r: Requirement, rule: Limit) -> None:
    """Let it settle, and look: a trip that ends it shows that it was not kept."""
    state = t.state
    t.alive(max(rule.settle, t.vow.document.trial.settle))
    if t.state != state:
        due = f"{state} still, with {rule.of} within its limit"
        raise Broken(Judgement(False, r.id, due), "", t.state)
    names = {rule.of}
    for bound in (rule.low, rule.high):
        if bound is not None:
            names |= bound.names
    seen = values(t, sorted(names))
    entry = t.vow.points[rule.of]
    reading = Fraction(seen[rule.of])
    slack = entry.accuracy(reading)
    low = rule.low.number(seen) if rule.low is not None else None
    high = rule.high.number(seen) if rule.high is not None else None
    if (low is not None and reading < low - slack) or (high is not None and reading > high + slack):
        bounds = (("at least", low), ("at most", high))
        due = " and ".join(f"{words} {float(bound):g}" for words, bound in bounds if bound is not None)
        raise Broken(Judgement(False, r.id, f"{rule.of} {due}"), f"ask {rule.of}", f"{float(reading):g}")
    t.keep(r.id)


@purpose("derating", "", 2)
def derating(t: Tester, r: Requirement) -> None:
    rule = t.vow.document.derating
    assert rule is not None
    if rule.power is None or rule.provoke is None:
        raise NotSelected("the document does not say how to warm it up (`provoke`, `power`)")
    if not t.session.held:
        raise NotSelected("warming up takes too long on a clock that cannot be advanced")
    if not t.energise:
        raise NotSelected(f"warming up {DRY}")
    arrive(t, rule.provoke.state, rule.provoke)
    entry = t.vow.points[rule.power]
    heat = t.vow.points[rule.temperature]
    steps = 9
    seen_hot = False
    for _ in range(steps):
        t.alive(rule.provoke.within // steps)
        if t.state != rule.provoke.state:
            break
        seen = numbers(t, [rule.temperature, rule.power, rule.ceiling])
        celsius, power, ceiling = (seen[name] for name in (rule.temperature, rule.power, rule.ceiling))
        # The device knows the temperature to its accuracy: allow what the coolest and the warmest would.
        width = heat.range_error + heat.number.step
        coolest = Fraction(celsius) - width
        slack = entry.range_error + power * entry.reading_error + Fraction(1, 2)
        most = ceiling * _share(rule, coolest) + slack
        least = ceiling * _share(rule, Fraction(celsius) + width) - slack
        if not least <= power <= most:
            due = f"{rule.power} from {float(least):.1f} to {float(most):.1f} at {float(celsius):g}"
            raise Broken(Judgement(False, r.id, due), f"ask {rule.power}", f"{float(power):g}")
        seen_hot = seen_hot or coolest > Fraction(rule.start)
    if not seen_hot:
        raise NotSelected("it did not get warm enough to derate")
    t.keep(r.id)


def _share(rule: Derating, celsius: Fraction) -> Fraction:
    """Share of the ceiling that is left at a temperature."""
    start, end, floor = (Fraction(each) for each in (rule.start, rule.end, rule.floor))
    return 1 - (1 - floor) * min(max((celsius - start) / (end - start), Fraction(0)), Fraction(1))


def _warm(t: Tester) -> tuple[str, str]:
    """The bench event that warms what the fan follows, with its base, once it rests there; or NotSelected."""
    fan = t.vow.document.fan
    assert fan is not None
    if not t.session.held:
        raise NotSelected("warming up takes too long on a clock that cannot be advanced")
    for event, declared in t.declared.items():
        if fan.temperature in declared.moves and event in t.events and declared.base is not None:
            # What earlier purposes have left dies away.
            at_rest(t, t.vow.points[fan.temperature], declared.moves[fan.temperature])
            return event, str(declared.base)
    raise NotSelected("no bench event is known to move its temperature (`moves`)")


def _fan_walk(t: Tester, requirement: str) -> None:
    """Warm up and cool down in steps; the duty must be one that curve and hysteresis allow."""
    fan = t.vow.document.fan
    assert fan is not None
    event, base = _warm(t)
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    levels = [(Fraction(level.at), Fraction(level.duty)) for level in fan.levels]
    slack = heat.range_error / 4 + 2 * heat.number.step
    within_ns = t.declared[event].moves[fan.temperature]
    top = levels[-1][0] + 12
    targets = [Fraction(base), *(at + 3 for at, _ in levels), top]
    walk = [*targets, *(at - Fraction(fan.hysteresis) / 2 for at, _ in reversed(levels)), Fraction(base)]
    warmest = coolest = None
    for target in walk:
        t.bench(event, Decimal(int(target)))
        for _ in range(2):
            t.alive(max(within_ns * 3 // 16, 2 * fan.tick))
            seen = numbers(t, [fan.temperature, fan.duty])
            celsius, share = seen[fan.temperature], seen[fan.duty]
            given = share / 100 if duty.number.unit == "%" else share
            on = max((d for at, d in levels if celsius - slack >= at), default=Fraction(0))
            off = max(
                (d for at, d in levels if celsius + slack >= at - Fraction(fan.hysteresis)),
                default=Fraction(0),
            )
            if not on - duty.number.step <= given <= off + duty.number.step:
                due = f"{fan.duty} from {float(on):g} to {float(off):g} at {float(celsius):g}"
                raise Broken(Judgement(False, requirement, due), f"ask {fan.duty}", f"{float(given):g}")
            warmest = celsius if warmest is None else max(warmest, celsius)
            coolest = celsius if coolest is None else min(coolest, celsius)
            if abs(celsius - target) <= 1:
                break  # as warm as it gets
    if warmest is None or warmest < levels[0][0]:
        raise NotSelected("it did not get warm enough for the fan to start")
    t.keep(requirement)


@purpose("fan", "curve", 2)
def fan_curve(t: Tester, r: Requirement) -> None:
    _fan_walk(t, r.id)


@purpose("fan", "curve", 1)
def least_drive(t: Tester, r: Requirement) -> None:
    """Where a setting can drive it besides, the curve is still the least: warm, with that setting at rest."""
    fan = t.vow.document.fan
    assert fan is not None
    follows = t.vow.document.points[fan.duty].follows
    level = fan.levels[min(1, len(fan.levels) - 1)]
    if follows is None:
        return
    event, _ = _warm(t)
    t.bench(event, Decimal(int(level.at) + 3))
    t.alive(t.declared[event].moves[fan.temperature])
    t.settings({name: value for name, value in follows.put.items() if name != follows.setting})
    t.alive(2 * fan.tick)
    seen = numbers(t, [fan.temperature, fan.duty])
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    surely = seen[fan.temperature] - heat.range_error / 4 - 2 * heat.number.step
    least = max((Fraction(each.duty) for each in fan.levels if surely >= each.at), default=Fraction(0))
    given = seen[fan.duty] * (Fraction(1, 100) if duty.number.unit == "%" else 1)
    if given < least - duty.number.step:
        warm = f"at {float(seen[fan.temperature]):g}, whatever else drives it"
        due = f"{fan.duty} at least {float(least):g} {warm}"
        raise Broken(Judgement(False, r.id, due), f"ask {fan.duty}", f"{float(given):g}")
    t.keep(r.id)


@purpose("fan", "hysteresis", 2)
def fan_hysteresis(t: Tester, r: Requirement) -> None:
    """Warm past a level, cool to just below where it began: the level stays; cool further: it goes."""
    fan = t.vow.document.fan
    assert fan is not None
    event, _ = _warm(t)
    within_ns = t.declared[event].moves[fan.temperature]
    duty = t.vow.points[fan.duty]
    level = fan.levels[min(1, len(fan.levels) - 1)]
    below = fan.levels[min(1, len(fan.levels) - 1) - 1] if len(fan.levels) > 1 else None
    t.bench(event, Decimal(int(level.at) + 3))
    t.alive(within_ns)
    steps = 60
    t.bench(event, Decimal(int(level.at - fan.hysteresis)) - 3)
    before = Fraction(level.duty)
    for _ in range(steps):
        seen = numbers(t, [fan.temperature, fan.duty])
        celsius, share = seen[fan.temperature], seen[fan.duty]
        given = share / 100 if duty.number.unit == "%" else share
        if given < before - duty.number.step:
            edge = Fraction(level.at) - Fraction(fan.hysteresis)
            slack = 2 * t.vow.points[fan.temperature].number.step + 1
            if not edge - slack - 1 <= celsius <= edge + slack:
                due = f"the level left at about {float(edge):g}"
                raise Broken(Judgement(False, r.id, due), f"ask {fan.temperature}", f"{float(celsius):g}")
            t.keep(r.id)
            return
        t.alive(max(within_ns // steps, fan.tick))
    if below is not None:
        raise Broken(
            Judgement(False, r.id, "the level left once it is cool"),
            f"ask {fan.duty}",
            f"still {float(before):g}",
        )


@purpose("fan", "tick", 2)
def fan_tick(t: Tester, r: Requirement) -> None:
    """While it warms, the duty changes at most once in a tick, and has changed two ticks after it should."""
    fan = t.vow.document.fan
    assert fan is not None
    event, _ = _warm(t)
    t.bench(event, Decimal(int(fan.levels[-1].at) + 20))
    for level in fan.levels[:3]:
        _up_to(t, fan, Fraction(level.at) - Fraction(2, 5))
        _over_a_level(t, r, fan, Fraction(level.duty))
    t.keep(r.id)


def _up_to(t: Tester, fan: Fan, celsius: Fraction) -> None:
    """Wait until it is as warm, in ever shorter steps."""
    step = t.vow.points[fan.temperature].number.step
    before, wait_ns = t.read(fan.temperature) * step, 5 * fan.tick
    for _ in range(60):
        if before >= celsius:
            return
        t.alive(wait_ns)
        now = t.read(fan.temperature) * step
        if now > before:
            # So that half of the rest is gone next time, if it goes on as it went.
            wait_ns = max(fan.tick, int(wait_ns * (celsius - now) / (now - before) / 2))
        wait_ns = min(wait_ns, 60 * fan.tick)
        before = now


def _over_a_level(t: Tester, r: Requirement, fan: Fan, level: Fraction) -> None:
    """Watch the duty closely, until a little after it has come to the level."""
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    slack = 2 * heat.number.step + Fraction(3, 10)
    behind_ns: int | None = None
    last: int | None = None
    changed_ns: int | None = None
    more = 3
    for _ in range(30):
        if not more:
            return
        value = t.read(fan.duty)
        now_ns = t.now_ns
        if last is not None and value != last:
            if changed_ns is not None and now_ns - changed_ns < fan.tick // 2:
                due = f"at least {fan.tick / NS_PER_S:g} s between changes of {fan.duty}"
                seen = f"{(now_ns - changed_ns) / 1e9:g} s"
                raise Broken(Judgement(False, r.id, due), f"ask {fan.duty}", seen)
            changed_ns = now_ns
        last = value
        celsius = t.read(fan.temperature) * heat.number.step
        shares = (Fraction(level.duty) for level in fan.levels if celsius - slack >= level.at)
        due_share = max(shares, default=Fraction(0))
        given = value * duty.number.step * (Fraction(1, 100) if duty.number.unit == "%" else 1)
        more -= given >= level - duty.number.step
        if given >= due_share - duty.number.step:
            behind_ns = None
        elif behind_ns is None:
            behind_ns = now_ns
        elif now_ns - behind_ns > 2 * fan.tick + heat.period_ns + duty.period_ns:
            due = f"{fan.duty} at {float(due_share):g} within two ticks of {float(celsius):g}"
            raise Broken(Judgement(False, r.id, due), f"ask {fan.duty}", f"{float(given):g}")
        t.alive(fan.tick * 4 // 5)


# ---------------------------------------------------------------------------------------------------- laws


@purpose("law", "", 1)
def law(t: Tester, r: Requirement) -> None:
    """In one state: where it is provoked, if that is said."""
    rule = t.vow.document.laws[r.element]
    where = rule.provoke.state if rule.provoke is not None else ""
    states = sorted(states_of(t, rule.armed_in), key=lambda state: state != where)
    for state in states:
        if _keeps(t, r, state):
            t.done.add(f"law {r.element} in {state}")
            return
    raise NotSelected("none of its states can be reached here")


@purpose("law", "", 3)
def law_elsewhere(t: Tester, r: Requirement) -> None:
    """In every other state as well."""
    states = states_of(t, t.vow.document.laws[r.element].armed_in)
    tried = [_keeps(t, r, state) for state in states if f"law {r.element} in {state}" not in t.done]
    if not any(tried):
        raise NotSelected("no other of its states can be reached here")


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
        _nearer(t, r, rule.holds, rule.provoke, rule.settle)
    elif rule.integral_of is not None and rule.counter is not None:
        _turn_the_bench(t)
        _integral(t, r, rule.integral_of, rule.counter, Fraction(rule.tolerance_percent) / 100, rule.settle)
    elif rule.elapses is not None:
        _elapses(t, r, rule.elapses, Fraction(rule.tolerance_percent) / 100)
    elif rule.never_falls is not None and rule.while_rises is not None:
        _never_falls(t, r, rule.never_falls, rule.while_rises)
    return True


@purpose("law", "", 3)
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


@purpose("law", "", 2)
def chosen_on_the_way(t: Tester, r: Requirement) -> None:
    """It holds as well where the words it depends on are put in a state on the way."""
    rule = t.vow.document.laws[r.element]
    if rule.holds is None or rule.provoke is None or rule.provoke.bench:
        return
    states_of(t, [rule.provoke.state])
    points = {name: t.vow.points[name] for name in rule.provoke.put}
    words = {n: v for n, v in rule.provoke.put.items() if points[n].scale is None and n in rule.holds.names}
    others = {n: v for n, v in rule.provoke.put.items() if n not in words and points[n].set_in is None}
    ways = [
        state.name
        for state in t.vow.states.values()
        if not state.energised
        and state.name != t.vow.initial
        and all(state.name in (points[name].set_in or ()) for name in words)
    ]
    if not words or not ways:
        return
    t.settings(others)
    t.prepare()
    t.goto(ways[0])
    t.settings(words)
    t.goto(rule.provoke.state)
    steady(t, rule.holds, r.id, rule.settle)


def settle_ns(t: Tester, rule: Law) -> int:
    """How long after a change a relation holds in what is read: its own time, and the age of the samples."""
    names = rule.holds.names if rule.holds is not None else frozenset()
    return rule.settle + max((t.vow.points[name].period_ns for name in names), default=0)


def settled(t: Tester, name: str) -> None:
    """Just after a change: the relation holds as soon as it has to; later would be slow to settle."""
    rule = t.vow.document.laws[name]
    assert rule.holds is not None
    within_ns = settle_ns(t, rule)
    t.alive(within_ns)
    asked = sorted(rule.holds.names)
    seen = values(t, asked)
    if not rule.holds.truth(seen):
        steady(t, rule.holds, f"law.{name}", rule.settle)
        shown = shown_values(seen)
        if not t.session.held:
            # There readings are not taken together, and one of them may have moved meanwhile.
            late = f"it did not hold {within_ns / 1e6:g} ms after a change, but later"
            raise Doubtful(f"{late} ({shown})")
        due = f"{rule.holds.text}, {within_ns / 1e6:g} ms after a change"
        raise Broken(Judgement(False, f"law.{name}.settling", due), f"ask {', '.join(asked)}", shown)
    t.keep(f"law.{name}")
    t.keep(f"law.{name}.settling")


def _nearer(t: Tester, r: Requirement, holds: Expression, provoke: Provoke, settle_ns: int) -> None:
    """It holds with its settings a tenth of the way from their defaults to where a tester puts them, too.

    There a reading may be little more than its accuracy, which is allowed for.
    """
    moved = False
    for name in sorted(holds.names & provoke.put.keys()):
        entry, now = t.vow.points[name], t.setting(name)
        if isinstance(now, int) and isinstance(entry.default, int) and t.settable_here(entry):
            low, high = t.bounds(entry)
            tenth = min(max(entry.default + (now - entry.default) // 10, low), high)
            if tenth not in (now, entry.default) and t.allows(entry, tenth):
                moved = t.put(name, tenth).ok
    if not moved:
        return
    t.alive(max(settle_ns, t.vow.document.trial.settle))
    for _ in range(CONSISTENT_READS):
        readings = {n: about(t, n) for n in sorted(holds.names) if t.vow.points[n].source == "signal"}
        t.oracle.twin.readings = readings
        try:
            if t.oracle.twin.decide(holds, t.now_ns) is not False:
                t.keep(r.id)
                return
        finally:
            t.oracle.twin.readings = {}
    shown = ", ".join(
        f"{name} {t.vow.points[name].number.text((low + high) // 2)}"
        for name, (low, high) in readings.items()
    )
    raise Broken(Judgement(False, r.id, holds.text), f"ask {', '.join(readings)}", shown)


def _integral(
    t: Tester, r: Requirement, reading: str, counter: str, tolerance: Fraction, settle_ns: int
) -> None:
    """Sum the reading over time (trapezoids) and compare with what the counter gained."""
    t.alive(settle_ns)
    entry, total = t.vow.points[reading], t.vow.points[counter]
    seconds = 60 if t.session.held else 4
    steps = 8
    began_counts, began_ns = t.read(counter), t.now_ns
    sum_steps = Fraction(0)
    last, last_ns = t.read(reading), t.now_ns
    halfway = began_counts
    for step in range(steps):
        t.alive(seconds * NS_PER_S // steps)
        if step == steps // 2:
            halfway = t.read(counter)  # reading it changes nothing
        now, now_ns = t.read(reading), t.now_ns
        sum_steps += Fraction(now + last, 2) * entry.number.step * Fraction(now_ns - last_ns, NS_PER_S)
        last, last_ns = now, now_ns
    ended_counts = t.read(counter)
    if ended_counts < halfway and sum_steps > 0:
        due = f"{counter} at least {' '.join(total.words(halfway))}, what it was halfway"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", " ".join(total.words(ended_counts)))
    gained = (ended_counts - began_counts) * total.number.step * Fraction(total.si / float(total.number.step))
    span = Fraction(t.now_ns - began_ns, NS_PER_S)
    # Half a step of the counter at either end, the reading's accuracy all along, a sample period of delay.
    unit = Fraction(total.si / float(total.number.step))
    unsure = total.number.step * unit
    unsure += span * (entry.range_error + abs(Fraction(last)) * entry.number.step * entry.reading_error)
    unsure += abs(last * entry.number.step) * Fraction(entry.period_ns + total.period_ns, NS_PER_S) * 2
    if not t.session.held:
        unsure += abs(last * entry.number.step) * Fraction(2 * HOST_SLACK_NS, NS_PER_S)
    slack = tolerance * abs(sum_steps) + unsure
    t.measured[r.id] = (
        f"{counter} gained {float(gained / unit):.4g} {total.number.unit} in {float(span):.3g} s; our own sum"
        f" of {steps + 1} readings is {float(sum_steps / unit):.4g} within {float(unsure / unit):.2g}"
    )
    if abs(gained - sum_steps) > slack:
        due = f"{counter} gains {float(sum_steps / unit):.5g} within {float(slack / unit):.2g}"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", f"gained {float(gained / unit):.5g}")
    t.keep(r.id)


def _elapses(t: Tester, r: Requirement, counter: str, tolerance: Fraction) -> None:
    """What a counter of time gains, against our own clock: with the settings of a trial, and the least."""
    _gains(t, r, counter, tolerance, (60 if t.session.held else 4) * NS_PER_S)
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry) and t.allows(entry, t.bounds(entry)[0]):
            t.put(name, t.bounds(entry)[0])
    _gains(t, r, counter, tolerance, 4 * NS_PER_S)


def _gains(t: Tester, r: Requirement, counter: str, tolerance: Fraction, ns: int) -> None:
    entry = t.vow.points[counter]
    t.alive(2 * entry.period_ns)
    began_ns, before = t.now_ns, t.read(counter)
    t.alive(ns)
    after, ended_ns = t.read(counter), t.now_ns
    gained, span = (after - before) * entry.number.step, Fraction(ended_ns - began_ns, NS_PER_S)
    # A step at either end, the age of the samples, and how late the host was.
    unsure = 2 * entry.number.step + Fraction(entry.period_ns, NS_PER_S)
    unsure += Fraction(0 if t.session.held else 2 * HOST_SLACK_NS, NS_PER_S)
    slack = unsure + span * (tolerance + Fraction(1, CLOCK_PARTS))
    seen = f"gained {float(gained):g} s"
    t.measured.setdefault(r.id, f"{counter} {seen} in {float(span):.3f} s, within {float(unsure):.2g} s")
    if abs(gained - span) > slack:
        due = f"{counter} gains {float(span):.3f} s within {float(slack):.2g} s"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", seen)
    t.keep(r.id)


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
    for _ in range(15):
        t.alive(declared.moves[rises] // 15)
        now = t.read(rises), t.read(falls)
        if last is not None and now[0] >= last[0] and now[1] < last[1]:
            entry = t.vow.points[falls]
            due = f"{falls} at least {' '.join(entry.words(last[1]))}"
            raise Broken(Judgement(False, r.id, due), f"ask {falls}", " ".join(entry.words(now[1])))
        last = now
    t.keep(r.id)


# ------------------------------------------------------------------------------------------------- records


@purpose("record", "layout", 1)
def record_layout(t: Tester, r: Requirement) -> None:
    record = t.vow.document.records[r.element]
    entry = answered_by(t, r.element)
    if entry is None:
        raise NotSelected("no point answers its parts")
    has_series = any(field.count > 1 for field in record.fields)
    if has_series:
        action = filled_by(t, r.element)
        if action is None:
            raise NotSelected("no action fills it")
        t.prepare()
        t.goto(target_state(t, action))
        t.alive(t.vow.document.trial.settle)
        do(t, action)
    else:
        # What it shows are the settings in force, not those of some moment before.
        record_fields(t, entry.name, record)
        for field in record.fields:
            point = t.vow.points.get(str(field.value))
            if point is not None and point.source == "setting" and t.settable_here(point):
                with suppress(NotSelected):
                    t.put(point.name, other_value(t, point))
    parsed = record_fields(t, entry.name, record)
    for field in record.fields:
        if isinstance(field.value, int):
            _same(t, r, field.name, parsed[field.name], field.value)
        elif field.count == 1:
            point = t.vow.points[field.value]
            value = t.oracle.twin.value(point, t.now_ns) if point.source != "signal" else None
            if value is not None:
                _same(
                    t,
                    r,
                    field.name,
                    parsed[field.name],
                    value if isinstance(value, int) else point.choices.index(value),
                )
        else:
            point = t.vow.points[field.value]
            if point.source == "signal":
                plausible(t, r, field.name, parsed[field.name], point.name)


def filled_by(t: Tester, record: str) -> ActionEntry | None:
    """The action that captures a record, if one does."""
    return next((each for each in t.vow.actions.values() if ("capture", record) in each.does), None)


def answered_by(t: Tester, record: str) -> PointEntry | None:
    """The point that answers the parts of a record, if one does."""
    return next((each for each in t.vow.points.values() if each.record == record), None)


def record_fields(t: Tester, name: str, record: Record) -> dict[str, int | list[int]]:
    """Ask all parts of a record and take it apart."""
    data = b""
    count = parts_of(record, part_bytes(t.vow, t.vow.points[name]))
    for index in range(count):
        reply: Reply = t.say(f"ask {name} {index}")
        data += bytes.fromhex(reply.words[1])
    parsed = layout(record).parse(data)
    return {field.name: parsed[field.name] for field in record.fields}


def _same(t: Tester, r: Requirement, field: str, seen: object, due: object) -> None:
    if seen != due:
        raise Broken(Judgement(False, r.id, f"field {field} is {due}"), "", f"{seen}")
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
        raise NotSelected("a promise in words; no check is entered for it")
    work(t, r)


PROMISES: dict[str, Callable[[Tester, Requirement], None]] = {}
"""Checks for promises in words, by id; a project enters its own here."""
