"""Purposes about readings that are at two levels by turns: the levels, the time at each, and the period.

A reading is a sample that may be as old as its sample period, and the host sees it a little later. So an edge
is known to lie between two samples, and every time between two edges has bounds, which hold however late the
host itself was. A time is wrong if no value within its bounds is right; it is inconclusive if the host's own
delays have made them much wider than the sample period does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, Late
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.actions import do
from wirevow.protocol.conformance.purposes.looking import provocation, steady
from wirevow.protocol.conformance.purposes.meanwhile import MEANWHILE
from wirevow.protocol.conformance.purposes.points import enable, other_value
from wirevow.protocol.conformance.purposes.records import answered_by, filled_by, record_series
from wirevow.protocol.conformance.purposes.timed import LONGEST_NS, Sample, sample, trusted
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, Provoke, Pulse
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.twin import CLOCK_PARTS
from wirevow.protocol.vow import ActionEntry, PointEntry

EDGES = 5
"""Edges that are looked at: two whole periods from the first of them to the last."""
SHORTEST = 10
"""A level lasts at least so many sample periods, or its reading is no way to tell for how long."""

SHORT = 12
"""Times of up to so many of the shortest that can be put are short."""
UNHURRIED = 10
"""On a running clock they are so many times longer: a simulation has to keep up."""
WRAPS = 1 << 16
"""So many steps come round to nothing in 16 bits."""
COUNTED = 400
"""So many periods are counted: one more or less is a quarter of a percent."""
COUNTED_NS = 4 * NS_PER_S
"""No longer than this."""


@dataclass(frozen=True, slots=True)
class Between:
    """Bounds of an instant or of a time, in nanoseconds."""

    early_ns: int
    late_ns: int

    def since(self, other: Between) -> Between:
        """The time from another instant to this one."""
        return Between(self.early_ns - other.late_ns, self.late_ns - other.early_ns)

    def share(self, parts: int) -> Between:
        """One of so many equal parts."""
        return Between(self.early_ns // parts, -(-self.late_ns // parts))

    def text(self) -> str:
        """Its middle and its uncertainty, in seconds; as many digits as the latter has."""
        middle, half = (self.early_ns + self.late_ns) / 2e9, self.half_ns / 1e9
        digits = max(0, 1 - math.floor(math.log10(half))) if half else 9
        return f"{middle:.{digits}f} s within {half:.{digits}f} s"

    @property
    def half_ns(self) -> int:
        """Its uncertainty: half of its width."""
        return (self.late_ns - self.early_ns + 1) // 2


@dataclass(frozen=True, slots=True)
class Alternation:
    """What a law of this form promises with the settings in force."""

    law: str
    entry: PointEntry
    levels: tuple[Fraction, Fraction]
    spans_ns: tuple[int, int]
    slacks_ns: tuple[int, int]
    """How far each time may be off."""
    step: Fraction
    """How far a level may be off, the accuracy of the reading included."""
    settle_ns: int

    def phase(self, value: Fraction) -> int:
        """Which level a reading is nearer to."""
        return 0 if abs(value - self.levels[0]) <= abs(value - self.levels[1]) else 1


@purpose("law", "period", 1)
def alternation(t: Tester, r: Requirement) -> None:
    """Two periods, from when the state is entered; all requirements of the law are judged by them."""
    if f"alternated {r.element}" in t.done:
        return
    _watch(t, r)


@purpose("law", "period", TOUR)
def counted(t: Tester, r: Requirement) -> None:
    """Times too short to be watched are counted: many periods, of times that are no round numbers."""
    rule = t.vow.document.laws[r.element]
    if rule.counted_by is None:
        return
    count(t, r.id, rule, uneven_spans(t, rule))


def uneven_spans(t: Tester, rule: Law) -> dict[str, Decimal]:
    """Times of an alternation too short to be watched, and no round numbers."""
    spans: dict[str, Decimal] = {}
    for phase in rule.phases or ():
        entry = t.vow.points[phase.lasts]
        low = max(entry.number.low, 1)
        shortest = low if t.session.held else low * UNHURRIED
        steps = t.random.choice([shortest * k + 1 for k in range(2, SHORT) if (shortest * k + 1) % 10])
        spans[phase.lasts] = Decimal(steps * entry.number.step.numerator) / entry.number.step.denominator
    return spans


def count(
    t: Tester, requirement: str, rule: Law, spans: Mapping[str, Decimal | str], periods: int = COUNTED
) -> None:
    """Enter the state with these times, and count so many periods, or for a while."""
    trusted(t)
    _enter(t, rule, spans)
    counter = t.vow.points[str(rule.counted_by)]
    period_ns = sum(_times_ns(t, rule))
    slack_ns = int(period_ns * (Fraction(rule.tolerance_percent) / 100 + Fraction(1, CLOCK_PARTS)))
    counted_ns = min(periods * period_ns, COUNTED_NS)
    # What it says sooner may be from before the state was entered, and count what went on then.
    t.alive(max(2 * period_ns, 2 * counter.period_ns))
    first = sample(t, counter)
    t.alive(counted_ns)
    last = sample(t, counter)
    seen = last.value - first.value
    least = (last.early_ns - first.late_ns) // (period_ns + slack_ns) - 1
    most = (last.late_ns - first.early_ns) // (period_ns - slack_ns) + 1
    if not least <= seen <= most:
        due = f"{counter.name} gains {least} to {most} in {counted_ns / 1e9:g} s, {period_ns / 1e6:g} ms each"
        raise Broken(Judgement(False, requirement, due), f"ask {counter.name}", f"gained {float(seen):g}")
    t.keep(requirement)


def _watch(t: Tester, r: Requirement) -> None:
    rule = t.vow.document.laws[r.element]
    state = enterable(t, rule).state
    trusted(t)
    # What is done on the spot is nothing to it, nor is what is refused because it has begun.
    asides = [
        action.name
        for action in t.vow.actions.values()
        if action.to.get(state) == state or (state in action.to.values() and state not in action.to)
        if action.takes_ticket is None and not action.always
    ]
    began = _enter(t, rule, _longer(t, rule, 0))
    _nearer(t, rule)
    promised = _promised(t, r.element, rule)
    edges = [began]
    t.alive(promised.spans_ns[0] // 4)
    for name in asides:
        t.act(name)
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if name not in {phase.level for phase in rule.phases or ()} and t.settable_here(entry):
            with suppress(NotSelected):
                t.put(name, other_value(t, entry))
    for _ in range(EDGES):
        edges.append(_next_edge(t, promised, edges))
    _judge(t, promised, edges)
    t.done.add(f"alternated {r.element}")


def _longer(t: Tester, rule: Law, phase: int) -> dict[str, Decimal]:
    """One of its times, longer by what comes round in 16 bits, if it can be and may take so long."""
    assert rule.phases is not None
    assert rule.provoke is not None
    name = rule.phases[phase].lasts
    entry, put = t.vow.points[name], rule.provoke.put.get(name)
    if not isinstance(put, Decimal) or not t.session.held:
        return {}
    longer = put + decimal_of(WRAPS * entry.number.step)
    return {name: longer} if _can_be(entry, longer) else {}


def _nearer(t: Tester, rule: Law) -> None:
    """While it is at the first level the second is put nearer to it."""
    first, second = (t.vow.points[phase.level] for phase in rule.phases or ())
    counts, now = t.setting(first.name), t.setting(second.name)
    assert isinstance(counts, int)
    assert isinstance(now, int)
    if second.number.step == first.number.step and t.settable_here(second):
        t.put(second.name, now + (counts - now) // 4)


def _other_choices(t: Tester, rule: Law) -> dict[str, str]:
    """The last word of each choice in the group of the law's times, but for those that it names."""
    groups = {phase.lasts.partition(".")[0] for phase in rule.phases or ()}
    named = rule.when.names if rule.when is not None else frozenset()
    return {
        entry.name: entry.choices[-1] if entry.choices[-1] != entry.default else entry.choices[0]
        for entry in t.vow.settings
        if entry.choices and entry.name.partition(".")[0] in groups and entry.name not in named
    }


@purpose("law", "levels", 3)
@purpose("law", "width", 3)
def seen_meanwhile(t: Tester, r: Requirement) -> None:
    """What `alternation` has looked at, for all requirements of the law."""
    alternation(t, r)


@purpose("record", "layout", 1)
def series_across_edges(t: Tester, r: Requirement) -> None:
    """A series begun while its point alternates fast enough has samples at both levels."""
    for field in t.vow.document.records[r.element].fields:
        name, rule = next(
            ((n, rule) for n, rule in t.vow.document.laws.items() if rule.alternates == field.value),
            ("", None),
        )
        action, point = filled_by(t, r.element), answered_by(t, r.element)
        if field.every is None or rule is None or action is None or point is None:
            continue
        provoke = enterable(t, rule)
        if provoke.state not in action.to:
            continue
        # Two periods in a series: whenever it begins, there is a whole level of each kind in it.
        spans = {
            phase.lasts: Decimal(field.count * field.every // 4) / NS_PER_S for phase in rule.phases or ()
        }
        if not all(_can_be(t.vow.points[lasts], span) for lasts, span in spans.items()):
            continue
        _enter(t, rule, spans)
        # No longer than has to be: edges that come so fast are work for a simulation.
        t.alive(2 * sum(_times_ns(t, rule)) + rule.settle)
        do(t, action)
        t.safe()
        seen = record_series(t, point.name, t.vow.document.records[r.element], field)
        low, high = sorted(_exact(t, phase.level) for phase in rule.phases or ())
        number, quarter = t.vow.points[str(field.value)].number, (high - low) / 4
        samples = [each * number.step for each in seen]
        if min(samples) > low + quarter or max(samples) < high - quarter:
            due = f"field {field.name} has samples near {float(low):g} and near {float(high):g} ({name})"
            shown = f"{float(min(samples)):g} to {float(max(samples)):g}"
            raise Broken(Judgement(False, r.id, due), "", shown)


@purpose("action", "effect", 3)
def pulses_instead_of_time(t: Tester, r: Requirement) -> None:
    """Where a word takes an alternation from the timer, a pulse begins its second level. Another word says
    whether that ends by itself, as relations of the rest demand, or by the next pulse.

    A pulse on the bench that is called like the action is as good as one by wire.
    """
    action = t.vow.actions[r.element]
    effects = t.vow.document.actions[r.element].does
    if not effects or not all(isinstance(each, Pulse) and not each.zeroes for each in effects):
        return
    found = next(
        (
            (name, rule)
            for name, rule in t.vow.document.laws.items()
            if rule.when is not None and rule.provoke is not None and rule.provoke.state in action.to
            if rule.alternates is not None
        ),
        None,
    )
    if found is None:
        return
    name, rule = found
    provoke = enterable(t, rule)
    words = _untimed(t, rule)
    if not words:
        return
    others = [t.vow.points[each] for each in _other_choices(t, rule)]
    trusted(t)
    t.settings({**provoke.put, **_longer(t, rule, 1), **words})
    assert rule.phases is not None
    second = t.vow.points[rule.phases[1].level]
    if t.gate is None and second.source == "setting":
        low, high = t.bounds(second)
        t.put(second.name, low + (high - low) * 19 // 20)  # nearly all that may be put
    ended: dict[str, bool] = {}
    for word in others[0].choices if others else ("",):
        if word and t.setting(others[0].name) != word:
            enable(t, others[0])
            t.put(others[0].name, word)
        t.prepare()
        t.goto(provoke.state)
        ended[word] = _by_itself(t, r, _promised(t, name, rule), rule, action)
    _ends_counted(t, r, rule)
    if others and len(set(ended.values())) == 1:
        does = "ends by itself" if ended[word] else "lasts until the next pulse"
        due = f"the second level ends otherwise with {others[0].name} {word} than without"
        raise Broken(Judgement(False, r.id, due), f"act {action.name}", f"it {does} with each word")
    t.keep(r.id)


def _ends_counted(t: Tester, r: Requirement, rule: Law) -> None:
    """What pulses have begun is counted as well, for a state that ends after a number of."""
    state = t.state
    for index, leave in enumerate(t.vow.document.states[state].leaves):
        if leave.when is None or rule.counted_by not in leave.when.names:
            continue
        counts = t.read(str(rule.counted_by))
        names = [name for name in sorted(leave.when.names) if t.vow.points[name].source == "setting"]
        if len(names) == 1 and t.settable_here(t.vow.points[names[0]]):
            t.put(names[0], counts)
            within_ns = t.vow.points[str(rule.counted_by)].period_ns + t.vow.document.trial.settle
            t.until(lambda: t.state != state, within_ns, f"state.{state}.leave.{index + 1}")


def _untimed(t: Tester, rule: Law) -> dict[str, Decimal | str]:
    """Words with which the timer has no part in it; none if no word does that."""
    assert rule.when is not None
    names = sorted(rule.when.names)
    settings = {each: t.vow.points[each].exact(t.setting(each)) for each in names}
    for each in names:
        for word in t.vow.points[each].choices:
            if not rule.when.truth({**settings, each: word}):
                return {each: word}
    return {}


def _by_itself(t: Tester, r: Requirement, promised: Alternation, rule: Law, action: ActionEntry) -> bool:
    """From rest, a pulse, and another one if it takes that; whether the second level ends by itself."""
    counter, settle_ns = rule.counted_by, max(rule.settle, t.vow.document.trial.settle)
    event = action.name.rpartition(".")[2]
    t.alive(settle_ns)
    before = t.read(counter) if counter is not None else 0
    if t.gate is None and t.may_turn("panel.control", "local"):
        t.panel("panel.control", "local")
        t.act(action.name)
        t.panel("panel.control", "remote")
        t.alive(settle_ns)
        _is_at(t, r, promised, 0, f"after {action.name}, refused")
    pulsed_ns = t.now_ns
    t.act(action.name)
    t.alive(settle_ns)
    _is_at(t, r, promised, 1, f"after {action.name}")
    t.alive(pulsed_ns + promised.spans_ns[1] * 9 // 10 - t.now_ns)
    early_ns = pulsed_ns + promised.spans_ns[1] - promised.slacks_ns[1]
    if (seen := sample(t, promised.entry)).late_ns < early_ns and promised.phase(seen.value) != 1:
        due = f"{promised.entry.name} {float(promised.levels[1]):g} for {promised.spans_ns[1] / 1e9:g} s"
        raise Broken(Judgement(False, r.id, due), f"ask {promised.entry.name}", f"{float(seen.value):g}")
    t.alive(pulsed_ns + promised.spans_ns[1] + promised.slacks_ns[1] + settle_ns - t.now_ns)
    for name, holds in _rests(t, promised):
        steady(t, holds, f"law.{name}", 0)
    ended = promised.phase(sample(t, promised.entry).value) == 0
    if not ended:
        if event in t.events and t.declared[event].value is None and t.declared[event].choice is None:
            t.bench(event)
        else:
            t.act(action.name)
        t.alive(settle_ns)
        _is_at(t, r, promised, 0, "after a second pulse")
    if counter is not None and t.read(counter) != before + 1:
        due = f"{counter} {before + 1}: one second level has ended"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", str(t.oracle.twin.last_reading[counter]))
    return ended


def _rests(t: Tester, promised: Alternation) -> list[tuple[str, Expression]]:
    """The relations that with the settings in force demand another level than the second."""
    found = []
    for name, rule in t.vow.document.laws.items():
        holds = rule.holds
        if holds is None or t.state not in (rule.armed_in or ()) or promised.entry.name not in holds.names:
            continue
        points = [t.vow.points[each] for each in sorted(holds.names) if each != promised.entry.name]
        if all(each.source == "setting" for each in points):
            settings = {each.name: each.exact(t.setting(each.name)) for each in points}
            if not holds.truth({**settings, promised.entry.name: promised.levels[1]}):
                found.append((name, holds))
    return found


def _is_at(t: Tester, r: Requirement, promised: Alternation, phase: int, when: str) -> None:
    value = t.read(promised.entry.name) * promised.entry.number.step
    if abs(value - promised.levels[phase]) > promised.step:
        due = f"{promised.entry.name} {float(promised.levels[phase]):g} {when}"
        raise Broken(Judgement(False, r.id, due), f"ask {promised.entry.name}", f"{float(value):g}")


def _can_be(entry: PointEntry, value: Decimal) -> bool:
    """Whether a setting has this value among its own."""
    scale = entry.number
    counts = Fraction(value) / scale.step
    return counts.denominator == 1 and scale.low <= counts <= scale.high


def enterable(t: Tester, rule: Law) -> Provoke:
    provoke = rule.provoke
    if provoke is not None and not t.may_enter(provoke.state):
        raise NotSelected(t.barred(provoke.state))
    return provocation(t, provoke)


def _enter(t: Tester, rule: Law, others: Mapping[str, Decimal | str] | None = None) -> Between:
    """Put the settings, with others perhaps, then enter the state; when that was."""
    provoke = enterable(t, rule)
    wanted = {**provoke.put, **(others or {})}
    for name in wanted:
        if not t.settable_here(t.vow.points[name]):
            raise NotSelected(f"{name} cannot be put before it alternates")
    t.settings(wanted)
    for event, value in provoke.bench.items():
        t.bench(event, value)
    t.prepare()
    if not t.session.held and EDGES * max(_times_ns(t, rule)) > 2 * LONGEST_NS:
        raise NotSelected("it takes too long on a clock that cannot be advanced")
    t.goto(provoke.state)
    if rule.when is not None:
        settings = {name: t.vow.points[name].exact(t.setting(name)) for name in sorted(rule.when.names)}
        if not rule.when.truth(settings):
            raise Doubtful(f"the document provokes it where {rule.when.text} is false")
    return Between(t.oracle.twin.entered_ns, t.now_ns)


def _exact(t: Tester, name: str) -> Fraction:
    entry = t.vow.points[name]
    value = t.setting(name) if entry.source == "setting" else t.read(name)
    assert isinstance(value, int)
    return value * entry.number.step


def _times_ns(t: Tester, rule: Law) -> list[int]:
    return [int(_exact(t, phase.lasts) * NS_PER_S) for phase in rule.phases or ()]


def _promised(t: Tester, name: str, rule: Law) -> Alternation:
    assert rule.alternates is not None
    assert rule.phases is not None
    entry = t.vow.points[rule.alternates]
    first, second = (_exact(t, phase.level) for phase in rule.phases)
    tolerance = Fraction(rule.tolerance_percent) / 100
    accuracy = entry.accuracy(max(abs(first), abs(second)))
    spans_ns = _times_ns(t, rule)
    slacks_ns = [
        int(
            span_ns * (tolerance + Fraction(1, CLOCK_PARTS))
            + t.vow.points[phase.lasts].number.step * NS_PER_S
        )
        for span_ns, phase in zip(spans_ns, rule.phases, strict=True)
    ]
    promised = Alternation(
        name,
        entry,
        (first, second),
        (spans_ns[0], spans_ns[1]),
        (slacks_ns[0], slacks_ns[1]),
        abs(second - first) * tolerance + accuracy,
        rule.settle,
    )
    if abs(second - first) <= 4 * promised.step or min(spans_ns) < SHORTEST * entry.period_ns:
        raise NotSelected(f"the values that `provoke` puts are too close for {entry.name} to tell apart")
    return promised


def _next_edge(t: Tester, promised: Alternation, edges: Sequence[Between]) -> Between:
    """The edge after these: the bounds of when it was."""
    before = edges[-1]
    phase = (len(edges) - 1) % 2
    span_ns, slack_ns = promised.spans_ns[phase], promised.slacks_ns[phase]
    every_ns = promised.entry.period_ns
    # Just before the earliest that is right, just before it is due, and then closely.
    MEANWHILE.get(len(edges), Tester.alive)(t, before.early_ns + span_ns - slack_ns - every_ns - t.now_ns)
    last = _look(t, promised, edges)
    if promised.phase(last.value) != phase:
        return Between(before.early_ns, last.late_ns)
    t.alive(before.early_ns + span_ns - t.now_ns)
    latest_ns = before.late_ns + span_ns + slack_ns + promised.settle_ns
    while True:
        seen = _look(t, promised, edges)
        if promised.phase(seen.value) != phase:
            return Between(last.early_ns, seen.late_ns)
        if seen.early_ns > latest_ns:
            due = f"{float(promised.levels[1 - phase]):g} after {(span_ns + slack_ns) / 1e9:g} s"
            raise _wrong(promised, "width", due, f"still {float(seen.value):g}")
        last = seen
        t.alive(max(every_ns // 2, 1))


def _look(t: Tester, promised: Alternation, edges: Sequence[Between]) -> Sample:
    """One reading; where it must have settled at a level, it is that level."""
    before, phase = edges[-1], (len(edges) - 1) % 2
    seen = sample(t, promised.entry)
    settled = seen.early_ns > before.late_ns + promised.settle_ns
    stays = seen.late_ns < before.early_ns + promised.spans_ns[phase] - promised.slacks_ns[phase]
    nearest = promised.levels[promised.phase(seen.value)]
    if settled and stays and abs(seen.value - nearest) > promised.step:
        low, high = (float(level) for level in promised.levels)
        raise _wrong(promised, "levels", f"{low:g} or {high:g}", f"{float(seen.value):g}")
    return seen


def _judge(t: Tester, promised: Alternation, edges: Sequence[Between]) -> None:
    """Hold what was seen against what is promised: the period first, which is known best."""
    every_ns = promised.entry.period_ns
    period_ns, period_slack_ns = sum(promised.spans_ns), sum(promised.slacks_ns)
    period = edges[-1].since(edges[-5]).share(2)
    _hold(promised, "period", period, period_ns, period_slack_ns + promised.settle_ns)
    widths: list[list[Between]] = [[], []]
    for index, (edge, after) in enumerate(pairwise(edges)):
        width = after.since(edge)
        phase = index % 2
        slack_ns = promised.slacks_ns[phase] + promised.settle_ns
        _hold(promised, "width", width, promised.spans_ns[phase], slack_ns)
        widths[phase].append(width)
    best = [min(some, key=lambda width: width.half_ns) for some in widths]
    worst_ns = max(period.half_ns, *(width.half_ns for width in best))
    if not t.session.held and worst_ns > 4 * every_ns:
        raise Late(
            f"the host's own delays leave {worst_ns / 1e6:.0f} ms of uncertainty, "
            f"of which the reading explains {2 * every_ns / 1e6:.0f} ms"
        )
    law = f"law.{promised.law}"
    t.measured[f"{law}.period"] = f"{period.text()}; {period_ns / 1e9:g} s is set"
    t.measured[f"{law}.width"] = "; ".join(
        f"at {float(level):g} for {width.text()}; {span_ns / 1e9:g} s is set"
        for width, level, span_ns in zip(best, promised.levels, promised.spans_ns, strict=True)
    )
    for aspect in ("period", "width", "levels"):
        t.keep(f"{law}.{aspect}")


def _hold(promised: Alternation, aspect: str, seen: Between, due_ns: int, slack_ns: int) -> None:
    if seen.early_ns > due_ns + slack_ns or seen.late_ns < due_ns - slack_ns:
        raise _wrong(promised, aspect, f"{due_ns / 1e9:g} s within {slack_ns / 1e9:.2g} s", seen.text())


def _wrong(promised: Alternation, aspect: str, due: str, seen: str) -> Broken:
    judgement = Judgement(False, f"law.{promised.law}.{aspect}", f"{promised.entry.name} {due}")
    return Broken(judgement, f"ask {promised.entry.name}", seen)
