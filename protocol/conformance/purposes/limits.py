"""Purposes about limits: what an instrument holds itself to, whatever it is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.looking import (
    values,
)
from wirevow.protocol.conformance.purposes.operating import (
    Tight,
    arrive,
    far_below,
    fits,
    loosen,
    modes,
    states_of,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import Limit, Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement


@purpose("limit", "", 3)
def limit(t: Tester, r: Requirement) -> None:
    rule = t.vow.document.limits[r.element]
    tried = False
    for state in states_of(t, rule.armed_in):
        try:
            _arrive_pressed(t, state, rule.provoke)
        except NotSelected:
            continue
        tried = True
        hold_limit(t, r, rule)
    if not tried:
        raise NotSelected("none of its states can be reached here")


def _arrive_pressed(t: Tester, state: str, provoke: Provoke | None) -> None:
    """Arrive, and press on the limit as it is provoked: in other states by all but the words."""
    if provoke is None or provoke.state == state:
        arrive(t, state, provoke)
        return
    numbers = {name: value for name, value in provoke.put.items() if t.vow.points[name].scale is not None}
    elsewhere = provoke.model_copy(update={"state": state, "put": numbers})
    try:
        arrive(t, state, elsewhere)
    except Doubtful:
        arrive(t, state, None)  # there it cannot be pressed on so


@purpose("limit", "", 3)
def limits_whatever_the_mode(t: Tester, r: Requirement) -> None:
    """Once for all limits that need no bench: with each other word that has a relation of its own, and the
    numbers of that as far from their defaults as they can be.
    """
    rule = t.vow.document.limits[r.element]
    if rule.provoke is None or rule.provoke.bench or f"modes in {rule.provoke.state}" in t.done:
        return
    state = rule.provoke.state
    if state not in states_of(t, rule.armed_in) or t.gate is not None:
        return  # within an envelope what the source can do is the user's affair
    t.done.add(f"modes in {state}")
    together = {
        name: each
        for name, each in t.vow.document.limits.items()
        if each.provoke is not None and each.provoke.state == state and not each.provoke.bench
    }
    tight: list[Tight] = []
    for name, each in together.items():
        put = each.provoke.put if each.provoke is not None else {}
        tight.append((name, each, {n: value for n, value in put.items() if n in _looked_at(each)}))
    for mode, word, levels in modes(t, state):
        if t.state != t.vow.initial:
            t.safe()
        if word == mode.default or not t.settable_here(mode) or not t.put(mode.name, word).ok:
            continue
        t.goto(state)
        for name, each, put in tight:
            loosen(t, put, tight)
            for level in levels:
                far_below(t, level, put)
            if not fits(t, put):
                continue
            t.settings(put)
            t.alive(max(t.vow.document.trial.settle, each.settle))
            if not _limited_still(t, state, each):
                due = f"{state} still, within its limits in mode {word}"
                raise Broken(Judgement(False, f"limit.{name}", due), "", t.state)
            # By the settings that are known to be in force.
            seen = {n: t.vow.points[n].exact(t.setting(n)) for n in _looked_at(each)}
            seen[each.of] = t.vow.points[each.of].exact(t.read(each.of))
            _within_limit(t, f"limit.{name}", each, seen)
        tight.reverse()
        for level in levels:
            t.put(level.name, level.default)  # limits may look at it


def _looked_at(rule: Limit) -> set[str]:
    """What the ends of a limit depend on."""
    return {name for bound in (rule.low, rule.high) if bound is not None for name in bound.names}


def _limited_still(t: Tester, state: str, rule: Limit) -> bool:
    """Whether it is where it was, or has gone by itself to another state in which the limit holds."""
    onwards = {leave.to for leave in t.vow.states[state].leaves} & {*states_of(t, rule.armed_in)}
    return t.state == state or t.state in onwards


def hold_limit(t: Tester, r: Requirement, rule: Limit) -> None:
    """Let it settle, and look: a trip that ends it shows that it was not kept."""
    state = t.state
    t.alive(max(rule.settle, t.vow.document.trial.settle))
    if not _limited_still(t, state, rule):
        due = f"{state} still, with {rule.of} within its limit"
        raise Broken(Judgement(False, r.id, due), "", t.state)
    _within_limit(t, r.id, rule, values(t, sorted({rule.of, *_looked_at(rule)})))


def _within_limit(t: Tester, requirement: str, rule: Limit, seen: Mapping[str, Fraction | int | str]) -> None:
    """The reading is within its limit, by what was seen."""
    reading = Fraction(seen[rule.of])
    slack = t.vow.points[rule.of].accuracy(reading)
    low = rule.low.number(seen) if rule.low is not None else None
    high = rule.high.number(seen) if rule.high is not None else None
    if (low is not None and reading < low - slack) or (high is not None and reading > high + slack):
        bounds = (("at least", low), ("at most", high))
        due = " and ".join(f"{words} {float(bound):g}" for words, bound in bounds if bound is not None)
        judgement = Judgement(False, requirement, f"{rule.of} {due}")
        raise Broken(judgement, f"ask {rule.of}", f"{float(reading):g}")
    unit = t.vow.points[rule.of].number.unit
    # It is where it was pressed to, and judged as closely as it is read.
    if low is not None:
        least = Bracket("the least", low, needed(low, slack), unit, low - slack, reading)
        t.shown(requirement, least)
    if high is not None:
        t.shown(requirement, Bracket("the most", high, needed(high, slack), unit, reading, high + slack))
    t.keep(requirement)
