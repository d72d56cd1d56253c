"""Where an instrument works: in which states, how hard, and when its readings have settled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from decimal import Decimal

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.purposes.looking import (
    as_read,
    shown_values,
    steady,
    values,
    was_kept,
)
from wirevow.protocol.conformance.purposes.points import other_value
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import Law, Limit, Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry, value_of

BESIDE = 2
"""So many settings are put that a relation does not name."""


def states_of(t: Tester, names: Sequence[str] | None) -> list[str]:
    """States to look in, those that these hands may use."""
    wanted = list(names) if names is not None else [t.vow.initial]
    return t.one_of(wanted)


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


Tight = tuple[str, Limit, dict[str, Decimal | str]]
"""A limit's name, the limit, and the settings that it is provoked with and looks at."""


def loosen(t: Tester, put: Mapping[str, Decimal | str], limits: Sequence[Tight]) -> None:
    """Put the settings of all limits but this one to their defaults: one would hide another."""
    for _, _, others in limits:
        for name in others.keys() - put.keys():
            if t.setting(name) != t.vow.points[name].default:
                t.put(name, t.vow.points[name].default)


def far_below(t: Tester, level: PointEntry, put: Mapping[str, Decimal | str]) -> None:
    """Put a level as far from its default as can be, and nearer as long as these may not be put beside it."""
    (low, high), default = t.bounds(level), level.default
    assert isinstance(default, int)
    away = max((low, high), key=lambda end: abs(end - default))
    while (
        (t.setting(level.name) == away or t.put(level.name, away).ok) and away != default and not fits(t, put)
    ):
        away = default + int((away - default) / 2)


def fits(t: Tester, put: Mapping[str, Decimal | str]) -> bool:
    """Whether all of it may be put now."""
    for name, value in put.items():
        entry = t.vow.points[name]
        counts = value_of(entry, value)
        low, high = t.bounds(entry) if isinstance(counts, int) else (0, 0)
        if isinstance(counts, int) and not low <= counts <= high:
            return False
    return True


def modes(t: Tester, state: str) -> list[tuple[PointEntry, str, list[PointEntry]]]:
    """Words for which a relation is provoked in a state, each with the numbers that this names and puts."""
    found = []
    for rule in t.vow.document.laws.values():
        if rule.holds is None or rule.provoke is None or rule.provoke.state != state:
            continue
        put = {name: t.vow.points[name] for name in rule.provoke.put if name in rule.holds.names}
        levels = [entry for entry in put.values() if entry.scale is not None]
        words = [entry for entry in put.values() if entry.scale is None]
        if len(words) == 1 and levels and words[0].source == "setting":
            found.append((words[0], str(rule.provoke.put[words[0].name]), levels))
    return found


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
    if rule.holds.truth(seen):
        was_kept(t, rule.holds, f"law.{name}", seen)
    else:
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


def nearer(t: Tester, r: Requirement, holds: Expression, provoke: Provoke, settle_ns: int) -> None:
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
    _put_beside(t, holds)
    t.alive(max(settle_ns, t.vow.document.trial.settle))
    as_read(t, holds, r.id)


def _put_beside(t: Tester, holds: Expression) -> None:
    """Put some of the settings that other relations and alternations are about, and this one is not."""
    laws = t.vow.document.laws.values()
    about_them = {name for each in laws if each.holds is not None for name in each.holds.names}
    about_them |= {phase.level for each in laws for phase in each.phases or ()}
    bounding = {each.at_most for each in laws} | {
        name
        for each in t.vow.document.limits.values()
        for bound in (each.low, each.high)
        if bound is not None
        for name in bound.names
    }
    entries = [t.vow.points[name] for name in sorted(about_them - bounding - holds.names)]
    numbers = [each for each in entries if each.source == "setting" and each.scale is not None]
    for entry in t.random.sample(numbers, min(BESIDE, len(numbers))):
        with suppress(NotSelected):
            if t.settable_here(entry):
                t.put(entry.name, other_value(t, entry))
