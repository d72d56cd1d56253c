"""Conditions that make the instrument act unasked: trips and conditional transitions.

A rule is true or false at every instant; it acts once it has been true for its delay without a break. Its
condition is a tree over comparisons. Each comparison is one of three kinds, and none of them is polled:

| comparison of            | looked at again when          |
|--------------------------|-------------------------------|
| one plant signal         | the plant reports a crossing  |
| the host's silence       | the time it names has come    |
| settings only            | one of those settings changes |
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from typing import TypeVar

from wirevow.emu.plant.interface import Plant
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.expression import And, Comparison, Condition, Expression, Not, Or, Threshold
from wirevow.protocol.units import si_per_unit
from wirevow.protocol.vow import LeaveEntry, TripEntry, Value, Vow

LEVELS_KEPT = 8
"""Levels of one threshold."""

Act = TripEntry | LeaveEntry
Lookup = Mapping[str, Fraction | str]
_Node = TypeVar("_Node")


@dataclass(slots=True, eq=False)
class _Comparison:
    """One comparison of a rule: what it watches and its present truth."""

    expression: Expression
    threshold: Threshold | None
    """The crossing of the one measured point; None when it compares settings only."""
    key: int
    clocked: bool
    """It compares the host's silence, not a signal of the plant."""
    true: bool = False
    due_ns: int | None = None
    """For the host's silence: when its truth may change next."""
    levels: dict[tuple[Value, ...], Fraction] = field(default_factory=dict)
    """The threshold's level by the settings it depends on, in counts: the last that were worked out."""


@dataclass(slots=True, eq=False)
class Rule:
    """A condition, the time it must hold, and what happens then."""

    act: Act
    order: int
    after_ns: int
    names: frozenset[str]
    comparisons: list[_Comparison]
    clocked: bool
    """One of its comparisons is."""
    holds: Callable[[], bool]
    active: bool = False
    since_ns: int | None = None
    """Since when it has been true; None while false."""

    @property
    def fires_ns(self) -> int | None:
        """When it acts if nothing changes."""
        return None if self.since_ns is None else self.since_ns + self.after_ns


@lru_cache(maxsize=1024)
def _crossing(node: Comparison, measured: frozenset[str]) -> tuple[Expression, Threshold | None]:
    """A comparison, and where its one measured point crosses. ValueError if it does in several places.

    Kept, because many instruments are made of one document."""
    expression = Expression.of(node)
    thresholds = expression.as_threshold(measured)
    if len(thresholds) > 1:
        raise ValueError(f"{expression.text} has {len(thresholds)} crossings: write one comparison for each")
    return expression, thresholds[0] if thresholds else None


class Rules:
    """All rules of a document, armed by state and kept true to the plant.

    `values` gives settings in engineering units, `counts` in counts; `accepted_ns` when the host was last
    heard.
    """

    def __init__(
        self,
        vow: Vow,
        plant: Plant,
        values: Lookup,
        counts: Callable[[str], Value],
        accepted_ns: Callable[[], int],
    ) -> None:
        self._vow = vow
        self._plant = plant
        self._values = values
        self._counts = counts
        self._accepted_ns = accepted_ns
        self._by_key: dict[int, tuple[Rule, _Comparison]] = {}
        self._by_name: dict[str, list[Rule]] = {}
        self._in_state: dict[str, list[Rule]] = {state: [] for state in vow.states}
        self._active: list[Rule] = []
        # Trips come first, in the document's order: at one instant a protection goes before a transition.
        for trip in vow.trips.values():
            self._add(trip, trip.when, trip.after_ns, trip.armed_in)
        for state in vow.states.values():
            for leave in state.leaves:
                if leave.when is not None:
                    self._add(leave, leave.when, leave.after_ns, {state.name})

    def _add(self, act: Act, when: Expression, after_ns: int, states: set[str] | frozenset[str]) -> None:
        comparisons: list[_Comparison] = []
        rule = Rule(act, len(self._by_key), after_ns, when.names, comparisons, False, lambda: False)
        rule.holds = self._compile(when.atoms(), comparisons)
        rule.clocked = any(comparison.clocked for comparison in comparisons)
        rule.order = sum(len(rules) for rules in self._in_state.values())
        for comparison in comparisons:
            self._by_key[comparison.key] = (rule, comparison)
        for name in when.names - self._vow.measured:
            self._by_name.setdefault(name, []).append(rule)
        for state in states:
            self._in_state[state].append(rule)

    def _compile(self, node: Condition, found: list[_Comparison]) -> Callable[[], bool]:
        match node:
            case And(parts=parts):
                conjuncts = [self._compile(part, found) for part in parts]
                return lambda: all(part() for part in conjuncts)
            case Or(parts=parts):
                disjuncts = [self._compile(part, found) for part in parts]
                return lambda: any(part() for part in disjuncts)
            case Not(part=part):
                inner = self._compile(part, found)
                return lambda: not inner()
            case Comparison():
                expression, threshold = _crossing(node, self._vow.measured)
                key = len(self._by_key) + len(found)
                clocked = threshold is not None and self._vow.points[threshold.point].signal is None
                comparison = _Comparison(expression, threshold, key, clocked)
                found.append(comparison)
                return lambda: comparison.true

    # ---------------------------------------------------------------------------------------------- arming

    def enter(self, state: str, now_ns: int) -> None:
        """Arm the rules of a state; those that stay armed keep the time they have been true for."""
        wanted = self._in_state[state]
        for rule in self._active:
            if rule not in wanted:
                rule.active = False
                rule.since_ns = None
                for comparison in rule.comparisons:
                    self._plant.unwatch(comparison.key)
        for rule in wanted:
            if not rule.active or isinstance(rule.act, LeaveEntry):
                rule.active = True
                rule.since_ns = None
                self._arm(rule, now_ns)
        self._active = wanted

    def concern(self, names: Sequence[str]) -> bool:
        """Whether armed rules depend on one of these settings."""
        by_name = self._by_name
        if by_name.keys().isdisjoint(names):
            return False
        return any(rule.active for name in names for rule in by_name.get(name, ()))

    def changed(self, names: Sequence[str], now_ns: int) -> None:
        """Settings changed: look again at the armed rules that depend on them."""
        for name in names:
            for rule in self._by_name.get(name, ()):
                if rule.active:
                    self._arm(rule, now_ns)

    def _arm(self, rule: Rule, now_ns: int) -> None:
        for comparison in rule.comparisons:
            self._look(comparison, now_ns)
        self._update(rule, now_ns)

    def _look(self, comparison: _Comparison, now_ns: int) -> None:
        threshold = comparison.threshold
        if threshold is None:
            comparison.true = comparison.expression.truth(self._values)
            return
        entry = self._vow.points[threshold.point]
        given = tuple([self._counts(name) for name in threshold.expression.names])
        level = comparison.levels.get(given)
        if level is None:
            if len(comparison.levels) >= LEVELS_KEPT:
                comparison.levels.clear()
            level = comparison.levels[given] = threshold.expression.number(self._values)
        if entry.signal is not None:
            scaled = float(level) * si_per_unit(entry.number.unit)
            comparison.true = self._watch(comparison.key, entry.signal, threshold, scaled)
            return
        # The host's silence: true from the instant it is longer than the level.
        turns_ns = self._accepted_ns() + int(level * NS_PER_S)
        comparison.true = (now_ns > turns_ns) == threshold.above
        comparison.due_ns = turns_ns + 1 if now_ns <= turns_ns else None

    def _watch(self, key: int, signal: str, threshold: Threshold, level: float) -> bool:
        # A strict comparison is the plant's own. `>= level` is the negation of `< level`.
        if threshold.strict:
            return self._plant.watch(key, signal, threshold.above, level)
        return not self._plant.watch(key, signal, not threshold.above, level)

    def _update(self, rule: Rule, now_ns: int) -> None:
        if not rule.holds():
            rule.since_ns = None
        elif rule.since_ns is None:
            rule.since_ns = now_ns

    # ------------------------------------------------------------------------------------------------ time

    def crossed(self, key: int, true: bool, when_ns: int) -> None:
        """The plant reports a crossing."""
        rule, comparison = self._by_key[key]
        threshold = comparison.threshold
        assert threshold is not None
        comparison.true = true if threshold.strict else not true
        self._update(rule, when_ns)

    def next_ns(self) -> int | None:
        """When a rule acts, or must be looked at, if the plant reports nothing before."""
        least: int | None = None
        for rule in self._active:
            due = None
            if rule.since_ns is not None:
                due = rule.since_ns + rule.after_ns
            elif rule.clocked:
                for comparison in rule.comparisons:
                    if comparison.due_ns is not None and (due is None or comparison.due_ns < due):
                        due = comparison.due_ns
            if due is not None and (least is None or due < least):
                least = due
        return least

    def due(self, now_ns: int) -> tuple[Act, int] | None:
        """The first rule that acts at or before `now_ns`, and when; None if there is none."""
        first: tuple[int, int, Rule] | None = None
        for rule in self._active:
            if rule.since_ns is None and not rule.clocked:
                continue
            fires_ns = rule.fires_ns
            if rule.clocked:
                acts = fires_ns is not None and fires_ns <= now_ns
                for comparison in rule.comparisons:
                    # The host may have been heard since: a put of the patience itself ends the silence.
                    heard = acts and comparison.clocked
                    if heard or (comparison.due_ns is not None and comparison.due_ns <= now_ns):
                        self._look(comparison, now_ns)
                        self._update(rule, now_ns)
                fires_ns = rule.fires_ns
            if (
                fires_ns is not None
                and fires_ns <= now_ns
                and (first is None or (fires_ns, rule.order) < first[:2])
            ):
                first = (fires_ns, rule.order, rule)
        if first is None:
            return None
        # It acts once: the state it leads to decides what is armed next.
        first[2].since_ns = None
        return first[2].act, first[0]
