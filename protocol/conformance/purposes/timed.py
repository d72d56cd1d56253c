"""Purposes about times: replies within their deadline, the clock, and times on a clock that runs by itself.

On a held clock times are exact, and most are looked at where what they belong to is (`states.leave`,
`trips.delay`, `framing.idle`). On a running clock the host is late itself now and then. How late is measured
beside each time (`host.lateness_ns`); what that could explain is inconclusive, never a failure.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.host import lateness_ns
from wirevow.protocol.conformance.outcome import Broken, Late
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.laws import PROMISES
from wirevow.protocol.conformance.purposes.operating import arrive, arrive_anew, settled, states_of
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.twin import CLOCK_PARTS
from wirevow.protocol.vow import PointEntry

QUESTIONS = 40
PATIENT = 10
"""So often the host is asked whether it is punctual now."""
COUNTED_NS = NS_PER_S
"""So long counters run at first, to be well above zero."""
LONGEST_NS = 20 * NS_PER_S
"""Longest wait on a running clock."""
HALVINGS = 5
"""So many times the step of a clock is halved on a held clock, by looking when it ticks."""
RESOLVED = 20
"""A held clock runs so many times longer than it takes to tell the error that is allowed from that."""


@dataclass(frozen=True, slots=True)
class Sample:
    """A reading in its own unit, and bounds of when it was taken."""

    value: Fraction
    early_ns: int
    late_ns: int


def sample(t: Tester, entry: PointEntry) -> Sample:
    """Ask a reading. It may be as old as its sample period when it is asked for, and no older."""
    asked_ns = t.now_ns
    value = t.read(entry.name) * entry.number.step
    return Sample(value, asked_ns - entry.period_ns, t.now_ns)


def trusted(t: Tester) -> None:
    """Wait a while for the host to be punctual; Late if it is too busy to judge any time all the while."""
    if t.session.held:
        return
    for _ in range(PATIENT):
        if (late_ns := lateness_ns()) <= HOST_SLACK_NS:
            return
    raise Late(f"the host itself wakes up {late_ns / 1e6:.0f} ms late: it cannot judge times now")


@purpose("wire", "deadline", 3)
def replies_in_time(t: Tester, r: Requirement) -> None:
    """Many questions, one after another and as many at once as may wait, each answered in time."""
    if MUCH_SENT in t.done:
        return
    trusted(t)
    names = [name for name, entry in t.vow.points.items() if entry.kind != "record"]
    began = len(t.waited_ns)
    for index in range(QUESTIONS):
        t.ask(names[index % len(names)], tag=True)
    t.raw(b"ask self.state\n" * t.vow.document.wire.pipeline)
    t.quiet()
    slowest_ns = max(t.waited_ns[began:])
    if slowest_ns > t.deadline_ns:
        # Later than the deadline and yet within what a host is allowed: whose fault it is cannot be told.
        raise Late(
            f"a reply took {slowest_ns / 1e6:.1f} ms of {t.deadline_ns / 1e6:g} ms, "
            "which is within what the host may be late itself"
        )


@dataclass(frozen=True, slots=True)
class Running:
    """A counter that runs, what it showed and when, and how fast it gains: bounds, in its own unit."""

    law: str
    entry: PointEntry
    first: Fraction
    since_ns: int
    rates: tuple[Fraction, Fraction]


MUCH_SENT = "much sent on a held clock"


@purpose("law", "", 1)
def counted_while_sending(t: Tester, r: Requirement) -> None:
    """Once for all laws of counters: many questions with the longest replies, and what is drawn meanwhile is
    summed up, as much of it as can be."""
    rule = t.vow.document.laws[r.element]
    records = [name for name, entry in t.vow.points.items() if entry.kind == "record"]
    if rule.integral_of is None or not rule.armed_in or not records or MUCH_SENT in t.done:
        return
    if not t.session.held or t.gate is not None:
        raise NotSelected("needs a rig that can hold the clock, and no envelope")
    state = rule.armed_in[0]
    if not t.may_enter(state):
        raise NotSelected(t.barred(state))
    running = _counting(t, state)
    for index in range(QUESTIONS):
        t.say(f"ask {records[index % len(records)]} 0", tag=True)
    t.raw(f"ask {records[0]} 0\n".encode() * t.vow.document.wire.pipeline)
    t.quiet()
    _counted_on(t, running)
    t.done.add(MUCH_SENT)


def _counting(t: Tester, state: str) -> list[Running]:
    """Draw much in a state; the counters that run there, a while later."""
    laws = t.vow.document.laws
    t.goto(state)
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry):
            t.put(name, t.bounds(entry)[1] * 5 // 6)
    t.alive(max(t.vow.document.trial.settle, COUNTED_NS))
    found = []
    for name, rule in laws.items():
        counter = rule.counter if rule.integral_of is not None else rule.elapses
        if counter is None or state not in (rule.armed_in or ()):
            continue
        entry, least, most = t.vow.points[counter], Fraction(1), Fraction(1)
        if rule.integral_of is not None:
            reading = t.vow.points[rule.integral_of]
            value = t.read(reading.name) * reading.number.step
            unit = Fraction(entry.si / float(entry.number.step))
            least, most = ((value + side * reading.accuracy(value)) / unit for side in (-1, 1))
        off = Fraction(rule.tolerance_percent) / 100 + Fraction(1, CLOCK_PARTS)
        first = t.read(counter) * entry.number.step
        found.append(Running(name, entry, first, t.now_ns, (least * (1 - off), most * (1 + off))))
    return found


def _counted_on(t: Tester, running: list[Running]) -> None:
    """They have gained what they should, as far as samples and steps tell."""
    t.alive(max(each.entry.period_ns for each in running))
    for each in running:
        gained = t.read(each.entry.name) * each.entry.number.step - each.first
        sample_s, step = Fraction(each.entry.period_ns, NS_PER_S), each.entry.number.step
        span = Fraction(t.now_ns - each.since_ns, NS_PER_S)
        low = each.rates[0] * (span - sample_s) - step
        high = each.rates[1] * (span + sample_s) + step
        if not low <= gained <= high:
            due = f"{each.entry.name} gains {float(low):.4g} to {float(high):.4g} while much is sent"
            seen = f"gained {float(gained):.4g}"
            raise Broken(Judgement(False, f"law.{each.law}", due), f"ask {each.entry.name}", seen)
        t.keep(f"law.{each.law}")


@purpose("trip", "delay", 3)
def trips_in_time(t: Tester, r: Requirement) -> None:
    """On a running clock: a trip with a delay, provoked at once, acts after it and within its time."""
    trip, provoke = t.vow.trips[r.element], t.vow.document.trips[r.element].provoke
    if t.session.held and provoke is not None and provoke.relief:
        return  # `trips.delay` has looked
    if provoke is None or not provoke.bench or provoke.silence:
        raise NotSelected("the document does not say how to provoke it at once")
    if any(event not in t.events for event in provoke.bench):
        raise NotSelected(f"needs a rig that can make {' and '.join(provoke.bench)} happen")
    if not t.session.held and provoke.within > LONGEST_NS:
        raise NotSelected("it takes too long on a clock that cannot be advanced")
    trusted(t)
    t.arrange(provoke)
    took_ns = t.strike(trip, provoke)
    t.relieve(provoke)
    slack_ns = trip.after_ns // CLOCK_PARTS + (0 if t.session.held else HOST_SLACK_NS)
    if took_ns < trip.after_ns - slack_ns:
        due = f"not before {trip.after_ns / 1e6:g} ms"
        raise Broken(Judgement(False, r.id, due), "", f"after {took_ns / 1e6:.0f} ms")
    t.measured[r.id] = (
        f"seen {took_ns / 1e6:.0f} ms after its cause, {trip.after_ns / 1e6:g} ms to"
        f" {provoke.within / 1e6:g} ms allowed"
    )
    t.keep(r.id)


@purpose("law", "settling", 4)
def settles(t: Tester, r: Requirement) -> None:
    """The relation holds in time after a put each way, where the document says what to put."""
    rule = t.vow.document.laws[r.element]
    assert rule.holds is not None
    trusted(t)
    tried = False
    for state in states_of(t, rule.armed_in):
        if rule.provoke is not None and rule.provoke.state != state:
            continue
        try:
            arrive_anew(t, state, rule.provoke)
        except NotSelected:
            continue
        settled(t, r.element)
        tried = True
        for name in sorted(rule.holds.names & set(rule.provoke.put if rule.provoke is not None else ())):
            entry = t.vow.points[name]
            present = t.setting(name)
            if entry.scale is None or not isinstance(present, int) or not t.settable_here(entry):
                continue
            low, _ = t.bounds(entry)
            for value in ((low + present) // 2, present):
                with suppress(NotSelected):  # an envelope may not let it
                    t.put(name, value)
                    settled(t, r.element)
        put = rule.provoke.put.keys() if rule.provoke is not None and not rule.provoke.bench else set()
        told = [name for name in sorted(rule.holds.names & put) if t.vow.points[name].scale is not None]
        if told and t.vow.states[state].energised:
            # What was put acts again when the state is entered anew.
            t.safe()
            with suppress(NotSelected):
                t.goto(state)
                settled(t, r.element)
    if not tried:
        raise NotSelected("none of its states can be reached here")


STEPS = 12
"""So many samples of a change at most."""


@purpose("law", "rate", 3)
def changes_no_faster(t: Tester, r: Requirement) -> None:
    """Make the reading change by much, and hold every two samples against the rate."""
    rule = t.vow.document.laws[r.element]
    provoke = rule.provoke
    assert rule.rate_of is not None
    assert rule.at_most is not None
    entry, bound = t.vow.points[rule.rate_of], t.vow.points[rule.at_most]
    follows = t.vow.document.points[entry.name].follows
    if provoke is None or follows is None:
        raise NotSelected("the document does not say how to provoke it (`provoke`, `follows` of the reading)")
    if not t.may_enter(provoke.state):
        raise NotSelected(t.barred(provoke.state))
    trusted(t)
    arrive(t, provoke.state, provoke)
    limit = t.read(bound.name) * bound.number.step
    mover = t.vow.points[follows.setting]
    present = t.setting(mover.name)
    assert isinstance(present, int)
    t.alive(t.vow.document.trial.settle + int(abs(present) * mover.number.step / limit * NS_PER_S))
    first = sample(t, entry)
    # From when it is put it may change; the sample before shows where it was.
    first = replace(first, early_ns=t.now_ns, late_ns=t.now_ns)
    t.put(mover.name, t.bounds(mover)[0])
    whole, unsure = _no_faster(t, r.id, entry, limit, first)
    if unsure > whole / 2:
        raise Late(f"it changed by {float(whole):g}, too little or seen too late to tell how fast")
    t.measured[r.id] = (
        f"slew at most {float(limit):g}/s over a change of {float(whole):.3g}, "
        f"by samples {entry.period_ns / 1e6:g} ms apart"
    )
    t.keep(r.id)


def _no_faster(
    t: Tester, requirement: str, entry: PointEntry, limit: Fraction, first: Sample
) -> tuple[Fraction, Fraction]:
    """Hold a change that has just begun against the rate; how large it was, and how much cannot be told."""
    seen = [first]
    slack = 2 * (entry.range_error / 4 + entry.number.step)
    allowed = []
    for _ in range(STEPS):
        t.alive(entry.period_ns)
        before, after = seen[-1], sample(t, entry)
        apart_ns = after.late_ns - before.early_ns
        allowed.append(limit * Fraction(apart_ns, NS_PER_S) + slack)
        moved = abs(after.value - before.value)
        if moved > allowed[-1]:
            due = f"{entry.name} changes by at most {float(allowed[-1]):.3g} in {apart_ns / 1e6:g} ms"
            raise Broken(Judgement(False, requirement, due), f"ask {entry.name}", f"by {float(moved):g}")
        seen.append(after)
        if moved <= slack and len(seen) > 3:
            break
    return abs(seen[-1].value - first.value), min(allowed)


@purpose("law", "rate", 1)
def begins_no_faster(t: Tester, r: Requirement) -> None:
    """The same from the moment its state is entered, which is a change as well."""
    rule = t.vow.document.laws[r.element]
    provoke = rule.provoke
    assert rule.rate_of is not None
    assert rule.at_most is not None
    if provoke is None or provoke.bench or provoke.state == t.vow.initial:
        return
    states_of(t, [provoke.state])
    trusted(t)
    entry, bound = t.vow.points[rule.rate_of], t.vow.points[rule.at_most]
    t.settings(provoke.put)
    t.prepare()
    limit = t.read(bound.name) * bound.number.step
    *way, last = t.route(provoke.state)
    for step in way:
        step()
    t.alive(entry.period_ns)
    first = sample(t, entry)
    first = replace(first, early_ns=t.now_ns, late_ns=t.now_ns)
    last()
    if t.state != provoke.state:
        raise NotSelected(f"the way to {provoke.state} ended in {t.state}")
    _no_faster(t, r.id, entry, limit, first)
    t.keep(r.id)


@purpose("law", "", 2)
def no_faster_from_elsewhere(t: Tester, r: Requirement) -> None:
    """Once for all laws of a rate: it bounds the change when its state is entered from another that handles
    power as well, and what is put there then.
    """
    if "no faster from elsewhere" in t.done:
        return
    t.done.add("no faster from elsewhere")
    for name, rule in t.vow.document.laws.items():
        follows = t.vow.document.points[rule.rate_of].follows if rule.rate_of is not None else None
        if rule.rate_of is None or rule.at_most is None or rule.provoke is None or follows is None:
            continue
        state = rule.provoke.state
        entry, bound, mover = (t.vow.points[each] for each in (rule.rate_of, rule.at_most, follows.setting))
        others = [
            (action.name, other)
            for action in t.vow.actions.values()
            for other, to in action.to.items()
            if to == state != other and t.vow.states[other].energised and action.takes_ticket is None
        ]
        for action, other in others if t.energise else ():
            trusted(t)
            with suppress(NotSelected):
                t.home()
                arrive(t, state, rule.provoke)
                t.goto(other)
                t.alive(t.vow.document.trial.settle)
                limit = t.read(bound.name) * bound.number.step
                t.act(action)
                t.alive(entry.period_ns)  # what was sampled there may have changed as it liked
                if t.state != state:
                    continue
                _no_faster(t, f"law.{name}.rate", entry, limit, sample(t, entry))
                first = sample(t, entry)
                first = replace(first, early_ns=t.now_ns, late_ns=t.now_ns)
                t.put(mover.name, t.bounds(mover)[0])
                _no_faster(t, f"law.{name}.rate", entry, limit, first)
                t.keep(f"law.{name}.rate")


def _tick(t: Tester, entry: PointEntry, step_ns: int) -> tuple[int, int]:
    """When a clock ticked, to step / 2^HALVINGS, and what it shows since then."""
    counts, low_ns, high_ns = t.read(entry.name), t.now_ns, t.now_ns + step_ns
    for turn in range(1, HALVINGS + 1):
        middle_ns = (low_ns + high_ns) // 2 + turn * step_ns
        t.alive(middle_ns - t.now_ns)
        if t.read(entry.name) > counts + turn:
            high_ns = middle_ns - turn * step_ns
        else:
            low_ns = middle_ns - turn * step_ns
    return (low_ns + high_ns) // 2, counts + 1


def clock(t: Tester, r: Requirement) -> None:
    """The instrument's clock against ours, by the time since its boot.

    A promise in words alone states no bound that could be read: what was measured is told, and is no verdict.
    """
    promise = t.vow.document.promises[r.element]
    parts_allowed = 1_000_000 // CLOCK_PARTS if isinstance(promise, str) else promise.within_ppm
    entry = t.vow.system_point("uptime")
    if entry is None:
        raise NotSelected("no point tells the instrument's time")
    step_ns = int(entry.number.step * NS_PER_S)
    slack_ns = step_ns + (0 if t.session.held else 2 * HOST_SLACK_NS)
    needed_ns = slack_ns * 1_000_000 // parts_allowed
    fine_ns = step_ns >> HALVINGS
    first: tuple[int, int] | None = None
    if t.session.held:
        first = _tick(t, entry, step_ns)
        t.alive(RESOLVED * fine_ns * 1_000_000 // parts_allowed)
    elif (
        parts_allowed < 1_000_000 // CLOCK_PARTS
        or t.now_ns - max(t.acquainted_ns, t.oracle.twin.booted_ns) < 2 * needed_ns
    ):
        raise NotSelected(
            f"telling {parts_allowed} parts in a million takes {2 * needed_ns / 1e9:.0f} s on a clock "
            "that cannot be advanced"
        )
    # The oracle holds every answer against our clock, within this bound; a wrong one bears on the promise.
    try:
        last = _tick(t, entry, step_ns) if first is not None else (t.now_ns, t.read(entry.name))
    except Broken as broken:
        raise Broken(replace(broken.judgement, requirement=r.id), broken.sent, broken.seen) from broken
    if first is not None:
        ours_s, theirs_s = (last[0] - first[0]) / 1e9, (last[1] - first[1]) * float(entry.number.step)
        parts, sure = ((1e6 * part / ours_s) for part in (theirs_s - ours_s, fine_ns / 1e9))
        if abs(parts) - sure > parts_allowed:
            due = f"within {parts_allowed} parts in a million"
            raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", f"{parts:+.0f} in a million")
        t.measured[r.id] = f"{parts:+.0f} ppm ± {sure:.0f} ppm, over {ours_s:.0f} s"
    else:
        t.measured[r.id] = f"within one part in {CLOCK_PARTS}, since the check began or it booted"
    if isinstance(promise, str):
        raise NotSelected("the words state no bound that can be read: write means and within_ppm")
    t.keep(r.id)


PROMISES["clock"] = clock
