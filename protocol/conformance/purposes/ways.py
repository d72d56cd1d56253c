"""Settings act however they have come to be in force: what the store brings back acts as what is put does.

What a setting does is seen by what the document promises of it: by a relation that it is in, by how fast
something changes, by how often something alternates, by a limit. `LOOKS` says how each is looked at; the ways
by which settings come back are the action that brings them back, and each boot by turns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Doubtful
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.alternation import count, uneven_spans
from wirevow.protocol.conformance.purposes.limits import hold_limit
from wirevow.protocol.conformance.purposes.looking import as_read
from wirevow.protocol.conformance.purposes.points import boots, doing
from wirevow.protocol.conformance.purposes.saving import act_there
from wirevow.protocol.conformance.purposes.timed import begins_no_faster
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import Law, Limit
from wirevow.protocol.document.requirements import Requirement

SOME = 40
"""Periods that show which times are in force."""

Puts = Mapping[str, Decimal | str]
Look = Callable[[Tester, Requirement, str, Puts], None]
"""Goes to where a rule, of this name, shows with these settings in force, and looks."""


def _related(t: Tester, r: Requirement, name: str, put: Puts) -> None:
    rule = t.vow.document.laws[name]
    assert rule.provoke is not None
    assert rule.holds is not None
    for event, value in rule.provoke.bench.items():
        t.bench(event, value)
    t.goto(rule.provoke.state)
    t.alive(max(rule.settle, t.vow.document.trial.settle))
    as_read(t, rule.holds, f"law.{name}")


def _no_faster(t: Tester, r: Requirement, name: str, put: Puts) -> None:
    begins_no_faster(t, replace(r, id=f"law.{name}.rate", element=name))


def _as_often(t: Tester, r: Requirement, name: str, put: Puts) -> None:
    count(t, f"law.{name}.period", t.vow.document.laws[name], put, SOME)


def _limited(t: Tester, r: Requirement, name: str, put: Puts) -> None:
    rule = t.vow.document.limits[name]
    assert rule.provoke is not None
    t.goto(rule.provoke.state)
    hold_limit(t, replace(r, id=f"limit.{name}"), rule)


def _look_of(rule: Law | Limit) -> Look | None:
    if rule.provoke is None:
        return None
    if isinstance(rule, Limit):
        return None if rule.provoke.bench else _limited
    if rule.holds is not None:
        return _related
    if rule.rate_of is not None and not rule.provoke.bench:
        return _no_faster
    return _as_often if rule.alternates is not None and rule.counted_by is not None else None


@dataclass(frozen=True, slots=True)
class _Case:
    """A rule, where and how it is looked at, and what is put for that in the initial state."""

    name: str
    look: Look
    put: Puts
    drives: frozenset[str]
    """Of what is put, what is saved and drives something."""


def _cases(t: Tester) -> list[_Case]:
    """As few as show all that is saved, drives something, and shows."""
    found: list[_Case] = []
    rules: list[tuple[str, Law | Limit]] = [*t.vow.document.laws.items(), *t.vow.document.limits.items()]
    for name, rule in rules:
        look = _look_of(rule)
        if look is None or rule.provoke is None or not t.may_enter(rule.provoke.state):
            continue
        put = dict(rule.provoke.put)
        if isinstance(rule, Law) and rule.alternates is not None:
            put |= uneven_spans(t, rule)
        points = [t.vow.points[each] for each in put]
        if all(each.saved and t.settable_here(each) for each in points):
            found.append(_Case(name, look, put, frozenset(each.name for each in points if each.drives)))
    found.sort(key=lambda each: -len(each.drives))
    chosen: list[_Case] = []
    for each in found:
        if not each.drives <= frozenset().union(*(other.drives for other in chosen)):
            chosen.append(each)
    return chosen


@purpose("action", "effect", 2)
def acts_when_brought_back(t: Tester, r: Requirement) -> None:
    """Once for all: every setting that is saved and drives something acts when it has come back."""
    save, recall = doing(t, "save"), doing(t, "recall")
    if "acts when brought back" in t.done or save is None or t.gate is not None:
        return
    t.done.add("acts when brought back")
    for turn, case in enumerate(_cases(t)):
        ways: list[Callable[[], object]] = [] if recall is None else [partial(act_there, t, recall)]
        if turn % 3 == 1 or not ways:
            ways.append(boots(t)[turn // 3 % len(boots(t))])
        with suppress(NotSelected, Doubtful):
            t.settings(case.put)
            act_there(t, save)
            for way in ways:
                t.home()
                way()
                case.look(t, r, case.name, case.put)
        t.home()
    act_there(t, save)
