"""Looks at an instrument that several kinds of purposes take: its laws, its readings, what was kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from fractions import Fraction

from wirevow.protocol.closure import closure
from wirevow.protocol.conformance.bracket import kept
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import Law, Provoke
from wirevow.protocol.expression import Expression
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import ActionEntry, PointEntry, Value

PHASES = 8
"""Over so many samples the looks at a relation are spread."""

CONSISTENT_READS = 3
"""On a running clock readings move between two questions: so many tries before a relation is broken."""


def look(t: Tester) -> None:
    """See the state, by every point that shows it."""
    t.ask("self.state")


def refused_while_busy(t: Tester, actions: Sequence[ActionEntry]) -> None:
    """Actions that the panel keeps from being done, if these hands can turn it."""
    kept = [each for each in actions if not each.always and ("reboot", "") not in each.does]
    kept = [each for each in kept if t.may_do(each.name)]
    if kept and t.gate is None and t.may_turn("panel.control", "local"):
        t.panel("panel.control", "local")
        for action in kept:
            t.act(action.name)
        t.panel("panel.control", "remote")


def led_on(t: Tester, state: str, *, by_time: bool = True) -> set[str]:
    """A state, and those that conditions, and time too if so, lead on to from it, unasked."""

    def after(each: str) -> list[str]:
        return [leave.to for leave in t.vow.states[each].leaves if by_time or leave.when is not None]

    return closure({state}, after)


def gained(t: Tester, before: str) -> None:
    """The first of the relations that hold in this state, and did not in the one before it."""
    for name, rule in t.vow.document.laws.items():
        armed = rule.armed_in or ()
        if rule.holds is not None and t.state in armed and before not in armed:
            steady(t, rule.holds, f"law.{name}", rule.settle)
            return


def target_state(t: Tester, action: ActionEntry) -> str:
    """A state in which the action is done: the first that these hands reach."""
    for state in sorted(action.to, key=lambda each: (t.vow.states[each].energised, each != t.vow.initial)):
        if not t.may_enter(state):
            continue
        with suppress(NotSelected):
            if state != t.state:
                t.route(state)
            return state
    barred = next((each for each in map(t.barred, action.to) if each), "")
    raise NotSelected(barred or "no state in which it is done can be reached")


def provocation(t: Tester, provoke: Provoke | None) -> Provoke:
    """How something is provoked, if the document says so and the rig can make it happen; else NotSelected."""
    if provoke is None:
        raise NotSelected("the document does not say how to provoke it")
    for event in provoke.bench:
        if event not in t.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
    return provoke


def each_reached(t: Tester, states: Iterable[str]) -> Iterator[str]:
    """Each of these states that these hands reach, entered from the initial one."""
    for state in states:
        if not t.may_enter(state):
            continue
        t.home()
        t.prepare()
        try:
            t.goto(state)
        except NotSelected:
            continue
        yield state


def _width(t: Tester, name: str) -> int:
    entry = t.vow.points[name]
    return int(2 * entry.range_error / entry.number.step) + 2


def stays(t: Tester, state: str) -> None:
    """What was refused has changed nothing: not at once, and not a little later."""
    laws_hold(t)
    look(t)
    left_to = t.state
    if left_to == state:
        return
    in_time = any(leave.when is None and leave.to == left_to for leave in t.vow.states[state].leaves)
    if _left_by_itself(t, state) and (in_time or _left_anyway(t, state)):
        return
    raise Broken(Judgement(False, "wire.atomic", f"still {state}"), "", f"state {left_to}")


def _left_anyway(t: Tester, state: str) -> bool:
    """Whether a condition leads out of a state also without what was refused, which may have made it true."""
    names = {name for when in _ways_out(t, state) if when is not None for name in when.names}
    were = [(each, t.setting(each.name)) for each in t.vow.settings if each.name in names]
    t.home()
    t.prepare()
    _put_again(t, [each for each in were if state not in (each[0].set_in or (state,))])
    try:
        t.goto(state)
    except Doubtful:
        return True  # these settings lead away by themselves
    _put_again(t, were)
    laws_hold(t)
    look(t)
    return t.state != state


def _put_again(t: Tester, were: Sequence[tuple[PointEntry, Value]]) -> None:
    """Settings to what they were, where they can be put, until that leads away."""
    state = t.state
    for entry, value in were:
        if t.state != state:
            return
        if t.setting(entry.name) != value and t.settable_here(entry) and t.allows(entry, value):
            t.put(entry.name, value)


def _left_by_itself(t: Tester, state: str) -> bool:
    """Whether time, or the settings in force, lead out of a state."""
    twin, now_ns = t.oracle.twin, t.now_ns
    return any(when is None or twin.decide(when, now_ns) is True for when in _ways_out(t, state))


def _ways_out(t: Tester, state: str) -> list[Expression | None]:
    """The conditions that lead out of a state; None for time."""
    whens = [leave.when for leave in t.vow.states[state].leaves]
    return whens + [trip.when for trip in t.vow.trips.values() if state in trip.armed_in]


def laws_hold(t: Tester) -> None:
    """The relations that hold in the present state, once it has settled."""
    for name, rule in laws_here(t).items():
        if rule.holds is not None:
            steady(t, rule.holds, f"law.{name}", rule.settle)


def laws_here(t: Tester) -> dict[str, Law]:
    """The laws that hold in the present state."""
    laws = t.vow.document.laws
    return {name: law for name, law in laws.items() if law.armed_in is None or t.state in law.armed_in}


def as_read(
    t: Tester, holds: Expression, requirement: str, excused: Callable[[], bool] = lambda: False
) -> None:
    """A relation holds by what is read now, or may, to the accuracy of that; unless it is excused."""
    for _ in range(CONSISTENT_READS):
        with known_now(t, signals_of(t, holds), closely=True) as readings:
            if t.oracle.twin.decide(holds, t.now_ns) is not False:
                t.keep(requirement)
                return
    if excused():
        return
    shown = ", ".join(
        f"{name} {t.vow.points[name].number.text((low + high) // 2)}"
        for name, (low, high) in readings.items()
    )
    raise Broken(Judgement(False, requirement, holds.text), f"ask {', '.join(readings)}", shown)


def values(t: Tester, names: Sequence[str]) -> dict[str, Fraction | int | str]:
    """Readings and settings in engineering units, asked one after another."""
    found: dict[str, Fraction | int | str] = {}
    for name in names:
        entry = t.vow.points[name]
        reply = t.ask(name)
        if entry.scale is not None:
            parsed = entry.number.parse(reply.words[0])
            assert parsed is not None
            found[name] = parsed[0] * entry.number.step
        else:
            found[name] = reply.words[0]
    return found


def numbers(t: Tester, names: Sequence[str]) -> dict[str, Fraction]:
    """As `values`, of number points only."""
    return {name: t.read(name) * t.vow.points[name].number.step for name in names}


def steady(t: Tester, condition: Expression, requirement: str, settle_ns: int) -> None:
    """The condition holds once settled; on a running clock one of a few tries may be off."""
    names = sorted(condition.names)
    periods = [ns for name in names if (ns := t.vow.points[name].period_ns)]
    # Each look at another phase: one sample of a few may be the wrong one.
    phase_ns = t.random.randrange(PHASES * min(periods)) if periods and t.session.held else 0
    t.alive(max(settle_ns, t.vow.document.trial.settle) + phase_ns)
    wrong: dict[str, Fraction | int | str] = {}
    for _ in range(CONSISTENT_READS):
        seen = values(t, names)
        if condition.truth(seen):
            t.keep(requirement)
            was_kept(t, condition, requirement, seen)
            return
        wrong = seen
        if t.session.held:
            break
        t.alive(settle_ns)
    raise Broken(
        Judgement(False, requirement, condition.text), f"ask {', '.join(names)}", shown_values(wrong)
    )


def was_kept(
    t: Tester, condition: Expression, requirement: str, seen: Mapping[str, Fraction | int | str]
) -> None:
    """A relation held: how far from its bounds."""
    signals = [t.vow.points[name] for name in sorted(condition.names)]
    width = {
        each.name: each.accuracy(Fraction(seen[each.name])) for each in signals if each.source == "signal"
    }
    units = {t.vow.points[name].number.unit for name in width}
    for each in kept(condition, seen, width, units.pop() if len(units) == 1 else ""):
        t.shown(requirement, each)


def decided(t: Tester, condition: Expression) -> bool | None:
    """Whether a condition holds, by what is read just now; None if that is too close to say."""
    with known_now(t, signals_of(t, condition)):
        return t.oracle.twin.decide(condition, t.now_ns)


def signals_of(t: Tester, condition: Expression) -> list[str]:
    """The measured points that a condition looks at, in an order that is always the same."""
    return [name for name in sorted(condition.names) if t.vow.points[name].source == "signal"]


@contextmanager
def known_now(t: Tester, names: Sequence[str], closely: bool = False) -> Iterator[dict[str, tuple[int, int]]]:
    """Read these points: inside the block the oracle knows them within bounds, which are given, in counts."""
    found = t.oracle.twin.readings = {name: about(t, name, closely) for name in names}
    try:
        yield found
    finally:
        t.oracle.twin.readings = {}


def shown_values(seen: Mapping[str, Fraction | int | str]) -> str:
    """Values as people read them, in one line."""
    return ", ".join(f"{n} {v if isinstance(v, str) else format(float(v), 'g')}" for n, v in seen.items())


def left(t: Tester, state: str) -> bool:
    return t.state != state


def about(t: Tester, name: str, closely: bool = False) -> tuple[int, int]:
    """Bounds in counts of what a reading stands for just now: generous ones, or just to its accuracy."""
    counts, entry = t.read(name), t.vow.points[name]
    step = entry.number.step
    width = int(entry.accuracy(counts * step) / step) if closely else _width(t, name)
    return counts - width, counts + width
