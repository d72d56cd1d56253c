"""How a host uses states and actions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any

from wirevow.protocol.compare.uses.way import (
    CLOSER,
    MS,
    Question,
    Slices,
    Telling,
    Use,
    act_here,
    another,
    go,
    look,
    readings,
    simply,
    some_values,
)
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import Values
from wirevow.protocol.document.model import Leave, Provoke, duration_text
from wirevow.protocol.expression import Expression
from wirevow.protocol.vow import PointEntry, Value


def in_states(q: Question) -> Iterator[Use]:
    """Every state, and every action in every state that allows it: what is driven may go on from before."""
    names = readings(q.old)

    def there(state: str, action: str) -> Use:
        def work(t: Tester) -> Telling:
            go(t, state)
            t.alive(max(t.vow.document.trial.settle, 500 * MS))
            if action:
                act_here(t, action)
                t.alive(max(t.vow.document.trial.settle, 500 * MS))
            look(t, names)
            return Telling()

        return work

    yield from (there(state, "") for state in q.old.states)
    for action in q.old.actions.values():
        yield from (there(state, action.name) for state, to in action.to.items() if to != state)


def leaves(q: Question) -> Iterator[Use]:
    """The state, and time passing in it: provoked to be left, and not."""
    state = q.change.element
    leaves: list[Leave] = [*q.change.old, *q.change.new]

    def rest(slices: Slices | None, provoke: Provoke | None) -> Use:
        def work(t: Tester) -> Telling:
            if provoke is not None:
                t.arrange(provoke)
            go(t, state)
            if provoke is not None:
                for event, value in provoke.bench.items():
                    t.bench(event, value)
            if slices is not None:
                slices.passing(t)
            look(t)
            return Telling()

        return work

    yield rest(None, None)
    yield simply(look)
    longest = max((leave.after for leave in leaves), default=0)
    slices = Slices(longest + 10 * MS)
    yield from (rest(slices, None) for _ in range(CLOSER))
    for leave in leaves:
        if leave.provoke is not None:
            slices = Slices(leave.provoke.within + longest)
            yield from (rest(slices, leave.provoke) for _ in range(CLOSER))


def boot(q: Question) -> Iterator[Use]:
    yield simply(lambda t: look(t), None)

    def booted(t: Tester) -> None:
        t.power_cycle()
        look(t)

    yield simply(booted, None)
    for action in q.old.actions.values():
        if q.old.initial in action.to and action.takes_ticket is None:

            def acted(t: Tester, name: str = action.name) -> None:
                act_here(t, name)
                look(t)

            yield simply(acted)


def acted(q: Question) -> Iterator[Use]:
    """The action in every state that allows it, and what comes of it."""
    name = q.change.element
    action = q.old.actions[name]
    new = q.new.actions.get(name)
    settings = [entry for entry in q.old.settings if entry.saved][:3] or list(q.old.settings[:1])

    def there(state: str, moved: bool) -> Use:
        def work(t: Tester) -> Telling:
            if moved:
                for entry in settings:
                    if t.settable_here(entry):
                        t.put(entry.name, another(t, entry))
            go(t, state)
            act_here(t, name)
            if ("reboot", "") in action.does:
                t.wait(t.vow.document.wire.opening.settle + MS)
                return Telling(None, looks(t, settings))
            t.wait(MS)
            look(t, [entry.name for entry in settings])
            meets = None
            if q.change.key in ("to", "keeps") and new is not None:
                meets = action.to[state] != new.to.get(state)
            elif q.change.key in ("", "takes_ticket"):
                meets = True
            return Telling(meets)

        return work

    for state in action.to:
        yield there(state, False)
    for state in action.to:
        yield there(state, True)


def looks(t: Tester, settings: Sequence[PointEntry]) -> tuple[Step, ...]:
    names = [name for system in ("state", "saves") if (name := t.vow.system_name(system)) is not None]
    return tuple(Step(">", f"ask {name}") for name in (*names, *(entry.name for entry in settings)))


def did(q: Question) -> Iterator[Use]:
    """What the action does, looked at in everything that can be asked."""
    name = q.change.element
    action = q.old.actions[name]
    saves = q.old.doing("save")

    def there(state: str, live: bool) -> Use:
        def work(t: Tester) -> Telling:
            kept = [entry for entry in q.old.settings if entry.saved and t.settable_here(entry)][:4]
            for entry in kept:
                t.put(entry.name, another(t, entry))
            if saves is not None and t.state in saves.to and saves.name != name:
                t.act(saves.name)
                for entry in kept:
                    t.put(entry.name, another(t, entry))
            if live:
                powered = [each for each, entry in t.vow.states.items() if entry.energised]
                if powered:
                    go(t, powered[0])
                    t.alive(2_000 * MS)
            go(t, state)
            act_here(t, name)
            t.wait(t.vow.document.wire.opening.settle + 300 * MS)
            plain = [entry for entry in q.old.points.values() if entry.record is None]
            steps = [Step(">", f"ask {entry.name}") for entry in plain]
            settle_ns = t.vow.document.wire.opening.settle + MS
            power = (Step("power", "cycle"), Step("wait", duration_text(settle_ns)))
            again = tuple(Step(">", f"ask {entry.name}") for entry in q.old.settings if entry.saved)
            return Telling(None, (*steps, *power, *again))

        return work

    def plainly(state: str) -> Use:
        def work(t: Tester) -> Telling:
            go(t, state)
            act_here(t, name)
            t.wait(t.vow.document.wire.opening.settle + 300 * MS)
            look(t)
            return Telling()

        return work

    for state in action.to:
        yield plainly(state)
        yield there(state, False)
        yield there(state, True)


def numbered(q: Question) -> Iterator[Use]:
    """The action with every number that it takes, the last first."""
    name = q.change.element
    for number in reversed(range(q.change.old or 1)):

        def work(t: Tester, number: int = number) -> Telling:
            go(t, next(iter(t.vow.actions[name].to)))
            t.act(name, number=number)
            return Telling(q.change.old is None or number >= (q.change.new or 0))

        yield work


def ticketed(q: Question) -> Iterator[Use]:
    """A ticket given, and used at once or after a while."""
    if q.change.old is None or q.change.new is None:
        for use in acted(q):
            yield lambda t, use=use: Telling(True, use(t).then)  # type: ignore[misc]
        return
    giver = q.change.element
    for action in q.old.actions.values():
        if action.takes_ticket != giver:
            continue
        for wait in (0, (q.change.old + q.change.new) // 2):

            def work(t: Tester, wait: int = wait, action: Any = action) -> Telling:
                if wait > q.change.old:
                    raise NotSelected("no lawful host is that late")
                go(t, next(iter(action.to)))
                if t.state in t.vow.actions[giver].to:
                    t.act(giver)
                t.wait(wait)
                t.act(action.name)
                return Telling(q.change.new < wait)

            yield work


def allowed(q: Question) -> Iterator[Use]:
    action = q.old.actions[q.change.element]
    new = q.new.actions[q.change.element]

    def there(state: str) -> Use:
        def work(t: Tester) -> Telling:
            go(t, state)
            act_here(t, action.name)
            return Telling(state not in new.to, part="gone")

        return work

    yield from (there(state) for state in action.to)


def guarded(q: Question) -> Iterator[Use]:
    """The action with the settings of both guards here and there."""
    action = q.old.actions[q.change.element]
    new: Expression | None = q.change.new
    names = {name for guard in (q.change.old, new) if guard is not None for name in guard.names}
    settings = [entry for entry in q.old.settings if entry.name in names]

    def there(state: str, entry: PointEntry | None, value: Value) -> Use:
        def work(t: Tester) -> Telling:
            if entry is not None and t.settable_here(entry):
                low, high = t.bounds(entry) if entry.scale is not None else (0, 0)
                t.put(entry.name, min(max(value, low), high) if isinstance(value, int) else value)
            go(t, state)
            for name in names:
                if t.vow.points[name].source == "signal":
                    t.read(name)
            meets = new is not None and not new.truth(Values(t.oracle.twin, t.now_ns))
            act_here(t, action.name)
            return Telling(meets)

        return work

    for state in action.to:
        yield there(state, None, 0)
        for entry in settings:
            ends = (entry.number.low, entry.number.high) if entry.scale is not None else (0, 0)
            values = some_values(entry, *ends) if entry.scale is not None else list(entry.choices)
            yield from (there(state, entry, value) for value in values)
        for event, declared in q.old.document.bench.items():
            if declared.other is None or not names & set(declared.moves):
                continue

            def turned(
                t: Tester, state: str = state, event: str = event, other: Decimal | str = declared.other,
                took: int = max(declared.moves.values()),
            ) -> Telling:  # fmt: skip
                t.bench(event, other)
                t.alive(took)
                return there(state, None, 0)(t)

            yield turned


def always(q: Question) -> Iterator[Use]:
    action = q.old.actions[q.change.element]

    def there(state: str, local: bool) -> Use:
        def work(t: Tester) -> Telling:
            go(t, state)
            if local:
                t.panel("panel.control", "local")
            t.act(action.name)
            return Telling(local)

        return work

    for state in action.to:
        if action.takes_ticket is None:
            yield there(state, True)
            yield there(state, False)
