"""Purposes about readings that are at two levels by turns: the levels, the time at each, and the period.

A reading is a sample that may be as old as its sample period, and the host sees it a little later. So an edge
is known to lie between two samples, and every time between two edges has bounds, which hold however late the
host itself was. A time is wrong if no value within its bounds is right; it is inconclusive if the host's own
delays have made them much wider than the sample period does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.behaviour import do
from protocol.conformance.purposes.physics import answered_by, filled_by, record_fields
from protocol.conformance.purposes.timed import LONGEST_NS, Sample, sample, trusted
from protocol.conformance.tester import DRY, Broken, Doubtful, Late, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.model import Law, Provoke
from protocol.document.requirements import Requirement
from protocol.oracle import CLOCK_PARTS, Judgement
from protocol.vow import PointEntry

EDGES = 5
"""Edges that are looked at: two whole periods from the first of them to the last."""
SHORTEST = 10
"""A level lasts at least so many sample periods, or its reading is no way to tell for how long."""

SHORT = 12
"""Times of up to so many of the shortest that can be put are short."""
UNHURRIED = 10
"""On a running clock they are so many times longer: a simulation has to keep up."""
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


@purpose("law", "period", 2)
def alternation(t: Tester, r: Requirement) -> None:
    """Two periods, from when the state is entered; all requirements of the law are judged by them."""
    if f"alternated {r.element}" in t.done:
        return
    _watch(t, r, disturbed=False)


@purpose("law", "period", 1)
def counted(t: Tester, r: Requirement) -> None:
    """Times too short to be watched are counted: many periods, of times that are no round numbers."""
    rule = t.vow.document.laws[r.element]
    if rule.counted_by is None:
        return
    trusted(t)
    spans: dict[str, Decimal] = {}
    for phase in rule.phases or ():
        entry = t.vow.points[phase.lasts]
        low = max(entry.number.low, 1)
        shortest = low if t.session.held else low * UNHURRIED
        steps = t.random.choice([shortest * k + 1 for k in range(2, SHORT) if (shortest * k + 1) % 10])
        spans[phase.lasts] = Decimal(steps * entry.number.step.numerator) / entry.number.step.denominator
    _enter(t, rule, spans)
    counter = t.vow.points[rule.counted_by]
    period_ns = sum(_times_ns(t, rule))
    slack_ns = int(period_ns * (Fraction(rule.tolerance_percent) / 100 + Fraction(1, CLOCK_PARTS)))
    counted_ns = min(COUNTED * period_ns, COUNTED_NS)
    t.alive(2 * period_ns)
    first = sample(t, counter)
    t.alive(counted_ns)
    last = sample(t, counter)
    seen = last.value - first.value
    least = (last.early_ns - first.late_ns) // (period_ns + slack_ns) - 1
    most = (last.late_ns - first.early_ns) // (period_ns - slack_ns) + 1
    if not least <= seen <= most:
        due = f"{counter.name} gains {least} to {most} in {counted_ns / 1e9:g} s, {period_ns / 1e6:g} ms each"
        raise Broken(Judgement(False, r.id, due), f"ask {counter.name}", f"gained {float(seen):g}")
    t.keep(r.id)


@purpose("law", "period", 4)
def undisturbed(t: Tester, r: Requirement) -> None:
    """What the law does not name changes nothing: choices beside its times, and pulses that the state allows,
    such as a trigger that the present cue does not heed.
    """
    _watch(t, r, disturbed=True)


def _watch(t: Tester, r: Requirement, disturbed: bool) -> None:
    rule = t.vow.document.laws[r.element]
    state = _enterable(t, rule).state
    trusted(t)
    pulses = [
        action.name
        for action in t.vow.actions.values()
        if state in action.to and action.does and all(kind == "pulse" for kind, _ in action.does)
    ]
    if disturbed and not pulses:
        return
    began = _enter(t, rule, _other_choices(t, rule) if disturbed else None)
    promised = _promised(t, r.element, rule)
    edges = [began]
    if disturbed:
        t.alive(promised.spans_ns[0] // 4)
        for name in pulses:
            t.act(name)
    for _ in range(EDGES):
        edges.append(_next_edge(t, promised, edges))
    _judge(t, promised, edges)
    t.done.add(f"alternated {r.element}")


def _other_choices(t: Tester, rule: Law) -> dict[str, str]:
    """The last word of each choice in the group of the law's times, but for those that it names."""
    groups = {phase.lasts.partition(".")[0] for phase in rule.phases or ()}
    named = rule.when.names if rule.when is not None else frozenset()
    return {
        entry.name: entry.choices[-1] if entry.choices[-1] != entry.default else entry.choices[0]
        for entry in t.vow.settings
        if entry.choices and entry.name.partition(".")[0] in groups and entry.name not in named
    }


@purpose("law", "levels", 2)
@purpose("law", "width", 2)
def seen_meanwhile(t: Tester, r: Requirement) -> None:
    """What `alternation` has looked at, for all requirements of the law."""
    alternation(t, r)


@purpose("record", "layout", 4)
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
        provoke = _enterable(t, rule)
        if provoke.state not in action.to:
            continue
        # Two periods in a series: whenever it begins, there is a whole level of each kind in it.
        spans = {
            phase.lasts: Decimal(field.count * field.every // 4) / NS_PER_S for phase in rule.phases or ()
        }
        if not all(_can_be(t.vow.points[lasts], span) for lasts, span in spans.items()):
            continue
        _enter(t, rule, spans)
        # On a running clock no longer than has to be: a simulation falls behind edges that come so fast.
        t.alive(t.vow.document.trial.settle if t.session.held else 2 * sum(_times_ns(t, rule)) + rule.settle)
        do(t, action)
        t.safe()
        seen = record_fields(t, point.name, t.vow.document.records[r.element])[field.name]
        assert not isinstance(seen, int)
        low, high = sorted(_exact(t, phase.level) for phase in rule.phases or ())
        number, quarter = t.vow.points[str(field.value)].number, (high - low) / 4
        samples = [each * number.step for each in seen]
        if min(samples) > low + quarter or max(samples) < high - quarter:
            due = f"field {field.name} has samples near {float(low):g} and near {float(high):g} ({name})"
            shown = f"{float(min(samples)):g} to {float(max(samples)):g}"
            raise Broken(Judgement(False, r.id, due), "", shown)


def _can_be(entry: PointEntry, value: Decimal) -> bool:
    """Whether a setting has this value among its own."""
    scale = entry.number
    counts = Fraction(value) / scale.step
    return counts.denominator == 1 and scale.low <= counts <= scale.high


def _enterable(t: Tester, rule: Law) -> Provoke:
    provoke = rule.provoke
    if provoke is None:
        raise NotSelected("the document does not say how to provoke it")
    if t.vow.states[provoke.state].energised and not t.energise:
        raise NotSelected(f"it holds in a state that handles power; that {DRY}")
    for event in provoke.bench:
        if event not in t.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
    return provoke


def _enter(t: Tester, rule: Law, others: Mapping[str, Decimal | str] | None = None) -> Between:
    """Put the settings, with others perhaps, then enter the state; when that was."""
    provoke = _enterable(t, rule)
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
        settings = {name: t.vow.points[name].exact(t.setting(name)) for name in rule.when.names}
        if not rule.when.truth(settings):
            raise Doubtful(f"the document has a tester provoke it where {rule.when.text} is false")
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
        raise NotSelected(f"what the document has a tester put is too close for {entry.name} to tell apart")
    return promised


def _next_edge(t: Tester, promised: Alternation, edges: Sequence[Between]) -> Between:
    """The edge after these: the bounds of when it was."""
    before = edges[-1]
    phase = (len(edges) - 1) % 2
    span_ns, slack_ns = promised.spans_ns[phase], promised.slacks_ns[phase]
    every_ns = promised.entry.period_ns
    # Just before the earliest that is right, just before it is due, and then closely.
    t.alive(before.early_ns + span_ns - slack_ns - every_ns - t.now_ns)
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
        f"{width.text()} at {float(level):g}, {span_ns / 1e9:g} s is set"
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
