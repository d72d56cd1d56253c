"""Purposes about how long a condition holds before it acts, closely: on both sides of the time.

On a held clock an instrument is looked at in steps that are small against the delay. When its condition
began is known from the hand that made it true, or, where what it looks at takes time to follow, from
readings: between the last that was surely short of it and the first that was surely beyond.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from fractions import Fraction
from functools import partial

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.looking import decided
from wirevow.protocol.conformance.purposes.points import LOOKS_AT_SLOW
from wirevow.protocol.conformance.purposes.trips import bringing
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression, ExpressionError

STEPS = 25
"""Into so many steps the delay is cut near its end."""
SOON = Fraction(17, 20)
"""Up to this share of the delay nobody looks."""
FINEST_NS = 100_000
FOLLOWS = 4
"""A delay of so many sample periods is counted from what is read."""
LONGEST_NS = 60 * NS_PER_S


@purpose("trip", "delay", 5)
def trips_after(t: Tester, r: Requirement) -> None:
    """Its condition begins at once, by the bench or by a setting, and stays."""
    trip, rule = t.vow.trips[r.element], t.vow.document.trips[r.element]
    if rule.provoke is not None:
        _watched(t, r, trip.when, trip.after_ns, rule.every, rule.provoke)


@purpose("state", "leave", 4)
def left_after(t: Tester, r: Requirement) -> None:
    """The same for a condition that ends a state."""
    leave = t.vow.document.states[r.element].leaves[int(r.aspect.partition(".")[2]) - 1]
    if leave.when is not None and leave.after and leave.provoke is not None:
        _watched(t, r, leave.when, leave.after, 0, leave.provoke)


def _watched(
    t: Tester, r: Requirement, condition: Expression, after_ns: int, every_ns: int, provoke: Provoke
) -> None:
    if not t.session.held or t.gate is not None or provoke.silence:
        return
    if not t.may_enter(provoke.state):
        return
    if any(event not in t.events for event in provoke.bench):
        raise NotSelected(f"needs a rig that can make {' and '.join(provoke.bench)} happen")
    work = _bench_hand(t, provoke.bench)
    name = _by_a_setting(t, condition)
    if provoke.within <= LONGEST_NS:
        t.arrange(provoke)
        if not provoke.bench and name in provoke.put and decided(t, condition) is not False:
            # There it holds on the way in: it begins with what is put, if that is put last.
            others = {each: value for each, value in provoke.put.items() if each != name}
            t.home()
            t.arrange(provoke.model_copy(update={"put": others}))
            work = partial(_put_at_once, t, condition, {name: provoke.put[name]})
        _acts_after(t, r, condition, after_ns, every_ns, max(provoke.within, 2 * after_ns), work)
        return
    # The bench is slow: a setting brings the threshold to what is read, once that has come near enough.
    if name is None:
        return
    others = {each: value for each, value in provoke.put.items() if each != name}
    t.arrange(provoke.model_copy(update={"put": others}))
    threshold, entry = condition.as_threshold(t.vow.measured)[0], t.vow.points[name]
    for look in range(LOOKS_AT_SLOW):
        there = bringing(t, threshold, entry)
        if t.state != provoke.state:
            return
        if there is not None and decided(t, condition) is False:
            _acts_after(t, r, condition, after_ns, every_ns, LONGEST_NS, partial(t.put, name, there))
            return
        if not look:
            work()
        t.alive(provoke.within // LOOKS_AT_SLOW)


def _put_at_once(t: Tester, condition: Expression, values: Mapping[str, Decimal | str]) -> None:
    """A put that is a hand: NotSelected if what is looked at is not beyond it at once."""
    t.settings(values)
    if not decided(t, condition):
        raise NotSelected("what is put does not begin it at once")


def _bench_hand(t: Tester, events: Mapping[str, Decimal | str]) -> Callable[[], None]:
    """All the events of a provocation, as one hand."""

    def work() -> None:
        for event, value in events.items():
            t.bench(event, value)

    return work


def _by_a_setting(t: Tester, condition: Expression) -> str | None:
    """A setting that moves the only threshold of a condition."""
    try:
        found = condition.as_threshold(t.vow.measured)
    except ExpressionError:
        return None
    names = sorted(found[0].expression.names) if len(found) == 1 else []
    return next((n for n in names if t.vow.points[n].scale is not None and t.vow.points[n].settable), None)


def _acts_after(
    t: Tester,
    r: Requirement,
    condition: Expression,
    after_ns: int,
    every_ns: int,
    within_ns: int,
    begin: Callable[[], object],
) -> None:
    """Begin it, and watch closely when the state changes: the interval in which the delay lies."""
    state = t.state
    if decided(t, condition) is not False:
        raise NotSelected("its condition holds before it is provoked")
    t.ask_for_patience(within_ns + 2 * after_ns)
    early_ns = t.now_ns
    if r.section == "state":
        _looked(t, r, condition, acted=False)
    begin()
    late_ns = t.now_ns
    period_ns = max((t.vow.points[name].period_ns for name in condition.names), default=0)
    if period_ns and after_ns >= FOLLOWS * period_ns:
        early_ns, late_ns = _begun(t, condition, period_ns, within_ns, early_ns)
        if t.state != state or not late_ns:
            return
    t.alive(max(0, early_ns + int(after_ns * SOON) - t.now_ns))
    t.ask("self.state")
    step_ns = max(after_ns // STEPS, FINEST_NS)
    last_ns = t.now_ns if t.state == state else late_ns
    while t.state == state and t.now_ns < late_ns + 2 * after_ns + 4 * every_ns + within_ns:
        last_ns = t.now_ns
        t.alive(step_ns)
        t.ask("self.state")
    if t.state == state:
        return  # whether it acts at all is another requirement's
    low, high = (Fraction(max(0, each), NS_PER_S) for each in (last_ns - late_ns, t.now_ns - early_ns))
    after = Fraction(after_ns, NS_PER_S)
    unsure = Fraction(every_ns + (late_ns - early_ns) // 2 + step_ns // 2, NS_PER_S)
    t.shown(r.id, Bracket("the delay", after, needed(after, unsure), "s", low, high))
    if r.section == "state":
        _looked(t, r, condition, acted=True)
    t.keep(r.id)


def _looked(t: Tester, r: Requirement, condition: Expression, *, acted: bool) -> None:
    """What is read now is on that side of the condition's numbers."""
    for name in sorted(condition.names & t.vow.measured):
        if t.vow.points[name].source == "signal":
            t.looked(r.id, condition, name, t.read(name) * t.vow.points[name].number.step, acted=acted)


def _begun(
    t: Tester, condition: Expression, period_ns: int, within_ns: int, early_ns: int
) -> tuple[int, int]:
    """When it began to hold, at the earliest and at the latest; the latter is 0 if it was not seen to."""
    end_ns = t.now_ns + within_ns
    while t.now_ns < end_ns:
        asked_ns = t.now_ns
        holds = decided(t, condition)
        if holds:
            return early_ns, t.now_ns
        if holds is False:
            early_ns = asked_ns - period_ns
        t.alive(max(period_ns // 2, 1))
    return early_ns, 0
