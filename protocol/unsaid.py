"""What an instrument does by itself while nothing tells of it: without notices, or when they are stalled.

Of a transition that only time, settings and the host's silence decide it is known when it happens, give or
take what is not known of times: the observer takes it as done once it surely is. One that has begun to be
possible, or has been possible for a moment, may have happened or not: then what is seen decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from wirevow.protocol.device import NS_PER_S, Counts, Values
from wirevow.protocol.expression import Comparison, Expression, ExpressionError
from wirevow.protocol.expression.tree import walk
from wirevow.protocol.formulas import Formulas
from wirevow.protocol.vow import LeaveEntry, TripEntry, Value

if TYPE_CHECKING:
    from wirevow.protocol.twin import Twin

Act = TripEntry | LeaveEntry


@dataclass(slots=True)
class _Rule:
    """A condition that looks at nothing but settings, the panel and the host's silence."""

    act: Act
    when: Expression
    armed_in: frozenset[str]
    every_ns: int
    """So much later it may be noticed."""
    silence: str | None
    """The point of the silence, if it looks at that."""
    levels: tuple[Expression, ...]
    """In seconds: where the silence changes the truth of a comparison."""
    armed: bool = False
    since_ns: int | None = None
    """Since when it is true; None while it is false."""
    looked_ns: int = 0
    """Up to then `since_ns` is known."""
    others: tuple[str, ...] = ()
    """What it looks at besides the silence."""
    turns: tuple[tuple[Value, ...], tuple[list[int], bool]] | None = None
    """What they were last, and `Course._turns` for that."""


class _Silent(Values):
    """Values at an instant, with the silence of the host as exact as the clock."""

    def __init__(self, twin: Twin, silence: str, now_ns: int) -> None:
        super().__init__(twin, now_ns)
        self._silence = silence
        self._elapsed = Fraction(now_ns - twin.accepted_ns, NS_PER_S)

    def __getitem__(self, name: str) -> Fraction | str:
        return self._elapsed if name == self._silence else super().__getitem__(name)


@lru_cache(maxsize=256)
def _levels(when: Expression, silence: str) -> tuple[Expression, ...] | None:
    """Where the silence changes the truth of a comparison; None if that cannot be told. There are many twins
    of one document."""
    levels: list[Expression] = []
    try:
        for node in walk(when.root):
            if isinstance(node, Comparison):
                found = Expression.of(node).as_threshold(frozenset((silence,)))
                levels += [each.expression for each in found]
    except ExpressionError:
        return None
    return tuple(levels)


class Course:
    """Follows what a twin's instrument surely does by itself."""

    def __init__(self, twin: Twin) -> None:
        self._twin = twin
        self._formulas = Formulas(twin.vow)
        self._rules: list[_Rule] = []
        self.perhaps: list[Act] = []
        """What may have acted since the present state was entered, though its condition is gone by now."""
        vow = twin.vow
        silence = vow.system_name("silence")
        known = {entry.name for entry in vow.settings} | {"panel.control"}
        for trip in vow.trips.values():
            every_ns = vow.document.trips[trip.name].every
            self._add(trip, trip.when, trip.armed_in, every_ns, known, silence)
        for state in vow.states.values():
            for leave in state.leaves:
                if leave.when is not None:
                    self._add(leave, leave.when, frozenset((state.name,)), 0, known, silence)

    def _add(
        self,
        act: Act,
        when: Expression,
        armed_in: frozenset[str],
        every_ns: int,
        known: set[str],
        silence: str | None,
    ) -> None:
        looks = silence if silence in when.names else None
        if when.names - known - {silence}:
            return
        levels = () if looks is None else _levels(when, looks)
        if levels is not None:
            rule = _Rule(act, when, armed_in, every_ns, looks, levels)
            rule.others = tuple(when.names - {looks})
            self._rules.append(rule)

    # ------------------------------------------------------------------------------------------ being told

    def entered(self, state: str, now_ns: int) -> None:
        """A state begins: its own conditions are looked at afresh, protections stay armed."""
        self.perhaps = []
        for rule in self._rules:
            armed = state in rule.armed_in
            if not armed or not rule.armed or isinstance(rule.act, LeaveEntry):
                rule.since_ns = None
            if armed:
                self._look(rule, now_ns)
            rule.armed = armed

    def changed(self, names: Sequence[str], now_ns: int) -> None:
        """Settings have changed just now."""
        for rule in self._rules:
            if rule.armed and not rule.when.names.isdisjoint(names):
                before = rule.since_ns
                self._look(rule, now_ns)
                if before is not None and rule.since_ns is None:
                    self._ended(rule, before, now_ns)

    def _look(self, rule: _Rule, now_ns: int) -> None:
        if not self._true(rule, now_ns):
            rule.since_ns = None
        elif rule.since_ns is None:
            rule.since_ns = now_ns
        rule.looked_ns = now_ns

    def _ended(self, rule: _Rule, since_ns: int, now_ns: int) -> None:
        if now_ns >= since_ns + rule.act.after_ns - self._slack_ns(rule):
            self._may_have(rule)

    def _true(self, rule: _Rule, at_ns: int) -> bool:
        twin, silence = self._twin, rule.silence
        if silence is None:
            return self._formulas.truth(rule.when)(Counts(twin, at_ns))
        return rule.when.truth(_Silent(twin, silence, at_ns))

    def heard(self, now_ns: int) -> None:
        """A request is about to be answered, which may end the silence."""
        for rule in self._rules:
            if rule.armed and rule.silence is not None:
                due_ns = self._due_ns(rule, now_ns)
                if due_ns is not None and now_ns >= due_ns - self._slack_ns(rule):
                    self._may_have(rule)

    def _may_have(self, rule: _Rule) -> None:
        if rule.act not in self.perhaps:
            self.perhaps.append(rule.act)

    # --------------------------------------------------------------------------------------------- asking

    def surely(self, now_ns: int) -> tuple[int, Act] | None:
        """The first thing that has surely happened by now, and when."""
        twin = self._twin
        found: list[tuple[int, int, Act]] = []
        for order, rule in enumerate(self._rules):
            if rule.armed:
                due_ns = self._due_ns(rule, now_ns)
                if due_ns is not None and now_ns > due_ns + self._slack_ns(rule):
                    found.append((due_ns, order, rule.act))
        for leave in twin.vow.states[twin.state].leaves:
            if leave.when is None:
                due_ns = twin.entered_ns + leave.after_ns
                if now_ns > due_ns + twin.slack_of(leave.after_ns):
                    found.append((due_ns, len(self._rules), leave))
        if not found:
            return None
        due_ns, _, act = min(found, key=lambda each: each[:2])
        return due_ns, act

    def may_act(self, now_ns: int) -> bool:
        """Whether settings and silence alone may have made something happen by now, surely or not."""
        armed = [rule for rule in self._rules if rule.armed]
        due = [(rule, self._due_ns(rule, now_ns)) for rule in armed]
        return any(at_ns is not None and now_ns >= at_ns - self._slack_ns(rule) for rule, at_ns in due)

    def between_ns(self, act: Act, now_ns: int) -> tuple[int, int] | None:
        """Between which times it has acted by now, if that is known without having been told."""
        for rule in self._rules:
            due_ns = self._due_ns(rule, now_ns) if rule.act is act and rule.armed else None
            if due_ns is not None:
                slack_ns = self._twin.slack_of(act.after_ns)
                first_ns = due_ns - slack_ns - self._twin.early_ns
                return min(first_ns, now_ns), min(due_ns + self._slack_ns(rule), now_ns)
        return None

    def _due_ns(self, rule: _Rule, now_ns: int) -> int | None:
        """When it acts, as far as that is before now; None if it does not."""
        since_ns = rule.since_ns
        if rule.silence is not None:
            since_ns = self._since_ns(rule, now_ns)
        return None if since_ns is None else since_ns + rule.act.after_ns

    def _since_ns(self, rule: _Rule, now_ns: int) -> int | None:
        """The first instant since which a rule on the silence has been true for its time, or up to now."""
        heard_ns = self._twin.accepted_ns
        begins = [max(rule.looked_ns, heard_ns)]
        turns_ns, at_once = self._turns(rule, now_ns)
        begins += [heard_ns + each for each in turns_ns if begins[0] < heard_ns + each <= now_ns]
        if not at_once and begins == [heard_ns]:
            return None
        since_ns: int | None = None
        for begin_ns, end_ns in zip(begins, [*begins[1:], now_ns], strict=True):
            if not self._true(rule, begin_ns):
                since_ns = None
                continue
            since_ns = begin_ns if since_ns is None else since_ns
            if since_ns + rule.act.after_ns <= end_ns:
                return since_ns
        return since_ns

    def _turns(self, rule: _Rule, now_ns: int) -> tuple[list[int], bool]:
        """How long a silence has lasted when a comparison of it changes its truth, in order; and whether the
        rule is true while the host is just heard."""
        twin = self._twin
        given = tuple([twin.value(twin.vow.points[name], now_ns) for name in rule.others])
        if rule.turns is None or rule.turns[0] != given:
            values = Values(twin, now_ns)
            turns_ns = sorted(int(level.number(values) * NS_PER_S) + 1 for level in rule.levels)
            rule.turns = given, (turns_ns, self._true(rule, twin.accepted_ns))
        return rule.turns[1]

    def _slack_ns(self, rule: _Rule) -> int:
        return self._twin.slack_of(rule.act.after_ns) + rule.every_ns
