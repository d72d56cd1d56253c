"""Purposes about counters that an action zeroes: nothing else does."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from fractions import Fraction

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, Pulse
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement

COUNTED_S = 20
"""So long counters run on a held clock, to be well above zero."""

NOTHING = 1
"""So many steps of a counter may come of a reading that is nothing."""
HOURS_NS = 7200 * NS_PER_S
"""So long they run to come to more than 16 bits hold."""
STEADY = Fraction(1, 20)
"""What is counted of two readings, at the beginning and at the end, may be off by so much."""
TRIES = 2
"""Heat that an earlier purpose has left may hold back what is drawn at first; hours later it does not."""


def zeroes(t: Tester, action: str) -> list[str]:
    """The counters that an action zeroes; without an impulse nothing is counted."""
    effects = [
        each
        for each in t.vow.document.actions[action].does
        if isinstance(each, Pulse) and each.pulse is not None
    ]
    return [name for effect in effects for name in effect.zeroes]


def running(t: Tester, counters: set[str]) -> tuple[str, str] | None:
    """A counter, and a state in which the document says that it runs."""
    for law in t.vow.document.laws.values():
        counter = law.counter if law.integral_of is not None else law.elapses
        if counter in counters and law.armed_in:
            return counter or "", law.armed_in[0]
    return None


@purpose("action", "effect", 3)
def zeroing_elsewhere(t: Tester, r: Requirement) -> None:
    """What zeroes counters does so in every state that allows it and handles no power; there they stand."""
    action = t.vow.actions[r.element]
    counters = zeroes(t, r.element)
    found = running(t, set(counters))
    if found is None or not t.may_enter(found[1]):
        return
    laws = t.vow.document.laws.values()
    timed = next((law.elapses for law in laws if law.elapses in counters), None)
    entry = t.vow.points[timed or found[0]]
    for state in action.to:
        if state == t.vow.initial or t.vow.states[state].energised or action.to[state] != state:
            continue  # in the initial state it has been seen
        with suppress(NotSelected):
            t.home()
            t.prepare()
            t.goto(found[1])
            t.alive((COUNTED_S if t.session.held else 2) * NS_PER_S)
            t.goto(state)
            t.act(action.name)
            leaves = [each.after_ns // 2 for each in t.vow.states[state].leaves if each.when is None]
            stands_ns = min(leaves, default=COUNTED_S * NS_PER_S) if t.session.held else HOST_SLACK_NS
            t.alive(2 * entry.period_ns + stands_ns)
            counts = t.read(entry.name)
            if abs(counts) > NOTHING:
                due = f"{entry.name} from zero, in {state} as well"
                raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", " ".join(entry.words(counts)))


@purpose("law", "", 2)
def stand_at_rest(t: Tester, r: Requirement) -> None:
    """Once for all laws of counters: what has run stands in the initial state, where no power is handled, or
    gains what is read there; where it runs again it goes on from there.
    """
    if "counters stand" in t.done:
        return
    t.done.add("counters stand")
    rest = t.vow.initial
    running: dict[str, dict[str, Law]] = {}
    for name, rule in t.vow.document.laws.items():
        if _counter(rule) and rule.armed_in and rest not in rule.armed_in:
            running.setdefault(rule.armed_in[0], {})[name] = rule
    for state, laws in running.items():
        if t.vow.states[rest].energised or not t.may_enter(state):
            continue
        with suppress(NotSelected):
            t.home()
            t.prepare()
            t.goto(state)
            t.alive((COUNTED_S if t.session.held else 2) * NS_PER_S)
            t.goto(rest)
            _stand_there(t, state, laws)


def _stand_there(t: Tester, state: str, laws: Mapping[str, Law]) -> None:
    """Look at them where they stand, and at those of time that nothing zeroes on the way where they go on."""
    stood = _stand(t, laws)
    way = {state, *(each.name for each in t.vow.states.values() if not each.energised)}
    beginning = [name for name, action in t.vow.document.actions.items() if action.to in way]
    zeroed = {counter for name in beginning for counter in zeroes(t, name)}
    timed = {name: each for name, each in laws.items() if each.elapses and each.elapses not in zeroed}
    if timed:
        t.goto(state)
        _go_on(t, timed, stood)


def _counter(rule: Law) -> str:
    """What a law says is counted; empty if it is about something else."""
    return (rule.counter if rule.integral_of is not None else rule.elapses) or ""


def _stand(t: Tester, laws: Mapping[str, Law]) -> dict[str, int]:
    """What these counters show, and still show a while later, but for what is read meanwhile."""
    period_ns = max(t.vow.points[_counter(rule)].period_ns for rule in laws.values())
    t.alive(period_ns + t.vow.document.trial.settle)
    began_ns = t.now_ns
    before = {name: t.read(_counter(rule)) for name, rule in laws.items()}
    readings = sorted({rule.integral_of for rule in laws.values() if rule.integral_of is not None})
    flows = [{each: t.read(each) for each in readings}]
    t.alive((COUNTED_S if t.session.held else 2) * NS_PER_S)
    flows.append({each: t.read(each) for each in readings})
    after = {name: t.read(_counter(rule)) for name, rule in laws.items()}
    span = Fraction(t.now_ns - began_ns, NS_PER_S)
    for name, rule in laws.items():
        entry = t.vow.points[_counter(rule)]
        ends = [Fraction(0)]
        if rule.integral_of is not None:
            reading = t.vow.points[rule.integral_of]
            values = [each[reading.name] * reading.number.step for each in flows]
            rates = [value + side * reading.accuracy(value) for value in values for side in (-1, 1)]
            ends += [rate * span / Fraction(entry.si) for rate in rates]
        if not min(ends) - NOTHING <= after[name] - before[name] <= max(ends) + NOTHING:
            due = f"{entry.name} still about {' '.join(entry.words(before[name]))} in {t.state}"
            raise Broken(_wrong(name, due), f"ask {entry.name}", " ".join(entry.words(after[name])))
    return after


def _go_on(t: Tester, laws: Mapping[str, Law], stood: Mapping[str, int]) -> None:
    """Where a state of theirs has just been entered, counters of time gain as much as it has lasted."""
    early_ns, late_ns = t.oracle.twin.entered_ns, t.now_ns
    t.alive(2 * NS_PER_S)
    for name, rule in laws.items():
        entry = t.vow.points[_counter(rule)]
        asked_ns = t.now_ns
        counts = t.read(entry.name)
        gained = (counts - stood[name]) * entry.number.step
        off = 1 + Fraction(rule.tolerance_percent) / 100
        low = Fraction(asked_ns - late_ns - entry.period_ns, NS_PER_S) / off - 2 * entry.number.step
        high = Fraction(t.now_ns - early_ns, NS_PER_S) * off + 2 * entry.number.step
        if not low <= gained <= high:
            due = f"{entry.name} {float(low):.4g} to {float(high):.4g} s more than it stood at"
            raise Broken(_wrong(name, due), f"ask {entry.name}", f"{float(gained):g} s more")
        t.keep(f"law.{name}")


def _wrong(name: str, due: str) -> Judgement:
    return Judgement(False, f"law.{name}", due)


@purpose("law", "", TOUR)
def counted_for_hours(t: Tester, r: Requirement) -> None:
    """Once for all laws of counters: hours at nearly all that may be put, so that more comes together than
    16 bits hold of their steps. The panel has control meanwhile: the host need not be heard.
    """
    rule = t.vow.document.laws[r.element]
    if rule.integral_of is None or not rule.armed_in:
        return
    if not t.session.held or t.gate is not None or "panel.control" not in t.events:
        raise NotSelected("needs a rig that can turn the front panel, and a clock that can be advanced")
    state = rule.armed_in[0]
    if not t.may_enter(state):
        raise NotSelected(t.barred(state))
    laws = {
        name: each
        for name, each in t.vow.document.laws.items()
        if (each.counter if each.integral_of is not None else each.elapses) and state in (each.armed_in or ())
    }
    if f"counted for hours in {state}" in t.done:
        return
    t.done.add(f"counted for hours in {state}")
    t.goto(state)
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry):
            t.put(name, t.bounds(entry)[1] * 5 // 6)
    t.panel("panel.control", "local")
    t.alive(t.vow.document.trial.settle)
    counters = {name: t.vow.points[str(each.counter or each.elapses)] for name, each in laws.items()}
    readings = sorted({str(each.integral_of) for each in laws.values() if each.integral_of is not None})
    for _ in range(TRIES):
        began_ns = t.now_ns
        before = {name: t.read(entry.name) for name, entry in counters.items()}
        first = {name: t.read(name) * t.vow.points[name].number.step for name in readings}
        t.wait(HOURS_NS)
        last = {name: t.read(name) * t.vow.points[name].number.step for name in readings}
        if t.state != state:
            raise NotSelected(f"{state} does not last so long: it is {t.state} now")
        if all(abs(last[name] - first[name]) <= abs(last[name]) * STEADY for name in readings):
            break
    else:
        raise NotSelected(f"the current drawn in {state} does not stay constant for so long")
    mean = {name: (first[name] + last[name]) / 2 for name in readings}
    span = Fraction(t.now_ns - began_ns, NS_PER_S)
    for name, entry in counters.items():
        each = laws[name]
        unit = Fraction(entry.si / float(entry.number.step))
        due = span if each.integral_of is None else mean[each.integral_of] * span / unit
        gained = (t.read(entry.name) - before[name]) * entry.number.step
        if abs(gained - due) > due * STEADY:
            said = f"{entry.name} gains about {float(due):.4g} in {float(span):g} s"
            raise Broken(Judgement(False, f"law.{name}", said), f"ask {entry.name}", f"{float(gained):.4g}")
        t.keep(f"law.{name}")
    t.panel("panel.control", "remote")


@purpose("point", "fresh", 3)
def follows_what_zeroes_it(t: Tester, r: Requirement) -> None:
    """A counter shows that an action has zeroed it as soon as it is sampled."""
    entry, found = t.vow.points[r.element], running(t, {r.element})
    initial = t.vow.initial
    zeroing = (each for each in t.vow.actions.values() if entry.name in zeroes(t, each.name))
    action = next((each for each in zeroing if each.to.get(initial) == initial), None)
    if action is None or found is None or not t.may_enter(found[1]) or not t.session.held:
        return
    t.prepare()
    t.goto(found[1])
    t.alive(COUNTED_S * NS_PER_S)
    t.safe()
    t.goto(initial)
    if t.read(entry.name) > NOTHING:
        t.act(action.name)
        t.alive(entry.period_ns)
        counts = t.read(entry.name)
        if abs(counts) > NOTHING:
            due = f"{entry.name} zero, {entry.period_ns / NS_PER_S:g} s after {action.name}"
            raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", " ".join(entry.words(counts)))
        t.keep(r.id)
