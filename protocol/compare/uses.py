"""How a host uses what differs: one table, from the entry that differs to the ways of using it.

A way of using something is worked by a tester of the old document on an instrument of the old document; what
it does is a course that another instrument can be put through (`wirevow.emu.witness` does). Each tells, where
it is known, whether the condition of the difference holds in it: so a course shows either side of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import islice, pairwise
from math import ceil, floor
from typing import Any

from wirevow.protocol.compare.changes import Change
from wirevow.protocol.compare.rules import Pair
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import Values
from wirevow.protocol.document.model import Leave, Provoke, Pulse, duration_text
from wirevow.protocol.expression import Expression
from wirevow.protocol.vow import PointEntry, Value, Vow, part_count

MS = 1_000_000
SWEEP = 96
"""Steps in which the bench is brought to where something acts."""
SHARES = tuple(Fraction(part, 16) for part in range(1, 17))
"""Of the way from where the bench is to where it provokes something."""


@dataclass(frozen=True, slots=True)
class Telling:
    """How a use ends: whether the condition of the difference holds in it (None: it is not known), and what
    is done besides, that a tester cannot do. `part` is the part of the change that it is about."""

    meets: bool | None = None
    then: tuple[Step, ...] = ()
    part: str = ""


Use = Callable[[Tester], Telling]
"""One way of using something, from the initial state with default settings. Raises what a tester raises."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a change between two documents, both ready to run."""

    pair: Pair
    change: Change
    old: Vow
    new: Vow

    @property
    def entry(self) -> PointEntry:
        """The point that has changed, as it was."""
        return self.old.points[self.change.element]


Ways = Callable[[Question], Iterator[Use]]


def uses(question: Question) -> Iterator[Use]:
    """The ways of using what has changed; none where no exchange can show it."""
    change = question.change
    key = change.key or ("gone" if change.new is None else "come")
    for place in ((change.section, key), ("*", key), (change.section, "*")):
        if place in WAYS:
            yield from WAYS[place](question)
            return


def unshown(change: Change) -> str:
    """Why no exchange with the simulated instrument shows a change; empty if one may."""
    for place in ((change.section, change.key), (change.section, "*")):
        if place in UNSHOWN:
            return UNSHOWN[place]
    if change.key == "does" and [_driven(each) for each in change.old] == [
        _driven(each) for each in change.new
    ]:
        return _ZEROES
    return ""


def _driven(effect: Any) -> Any:
    return effect.pulse if isinstance(effect, Pulse) else effect


# ------------------------------------------------------------------------------------------- what a use does


def _goto(t: Tester, state: str) -> None:
    if t.state != state:
        t.prepare()
    t.goto(state)


def _settable(t: Tester, entry: PointEntry) -> None:
    """Go where the point can be put."""
    if not t.settable_here(entry):
        _goto(t, min(entry.set_in or (), key=list(t.vow.states).index))


def _put(t: Tester, name: str, value: Value) -> None:
    entry = t.vow.points[name]
    _settable(t, entry)
    t.put(name, value)


def _ask_whole(t: Tester, name: str) -> None:
    entry = t.vow.points[name]
    if entry.record is None:
        t.ask(name)
        return
    for part in range(part_count(t.vow, entry)):
        t.say(f"ask {name} {part}")


def _look(t: Tester, names: Iterable[str] = ()) -> None:
    """Ask for the state, what tripped last, and these."""
    for system in ("state", "last_trip"):
        name = t.vow.system_name(system)
        if name is not None:
            t.ask(name)
    for name in names:
        t.ask(name)


def _readings(vow: Vow) -> list[str]:
    return [entry.name for entry in vow.points.values() if entry.source in ("signal", "derived")]


def _values(entry: PointEntry, low: int, high: int) -> list[Value]:
    """Some values of a setting, unlike its default."""
    if entry.scale is None:
        return [word for word in entry.choices if word != entry.default]
    found = dict.fromkeys((high, low, (low + high) // 2, min(high, low + 1)))
    return [value for value in found if value != entry.default]


def _another(t: Tester, entry: PointEntry) -> Value:
    """A value that it does not have, within its limits."""
    if entry.scale is None:
        return next(word for word in entry.choices if word != t.setting(entry.name))
    low, high = t.bounds(entry)
    return next(value for value in _values(entry, low, high) if value != t.setting(entry.name))


def _use(work: Callable[[Tester], None], meets: bool | None = None, part: str = "") -> Use:
    def use(t: Tester) -> Telling:
        work(t)
        return Telling(meets, part=part)

    return use


def _act(t: Tester, name: str) -> None:
    (t.act if t.vow.actions[name].takes_ticket is None else t.with_ticket)(name)


def _reboot(t: Tester) -> None:
    """Boot it, by an action where there is one, else by its supply."""
    action = t.vow.doing("reboot")
    if action is not None and t.state in action.to:
        t.act(action.name)
        t.wait(t.vow.document.wire.opening.settle)
        t.oracle.twin.rebooted = False
    else:
        t.power_cycle()


# ------------------------------------------------------------------------------------------------- points


def _pass(t: Tester, ns: int) -> None:
    """Let time pass in slices, so that what comes sooner or later comes in another."""
    slices = 48 if ns > 100 * MS else 1
    for _ in range(slices):
        t.alive(ns // slices)


def _asked(q: Question) -> Iterator[Use]:
    name = q.change.element
    yield _use(lambda t: _ask_whole(t, name), True)
    if q.entry.record is not None:
        return
    if q.entry.settable and q.entry.source == "setting":

        def put(t: Tester) -> None:
            _put(t, name, q.entry.default)

        yield _use(put, True)


def _steps(q: Question) -> Iterator[Use]:
    """Values that are on the old steps, whether they are on the new ones or not."""
    entry, new = q.entry, q.new.points[q.change.element]
    same = entry.number.digits == new.number.digits
    if not entry.settable:
        yield _use(lambda t: _ask_whole(t, entry.name), None if same else True)
        return
    if not same:
        yield from _asked(q)
    for value in (entry.default, *_values(entry, entry.number.low, entry.number.high)):
        if not isinstance(value, int):
            continue
        exact = value * entry.number.step
        off = not same or (exact / new.number.step).denominator != 1
        yield _use(lambda t, value=value: _put(t, entry.name, value), off)  # type: ignore[misc]


def _bounds(q: Question) -> Iterator[Use]:
    if q.entry.settable:
        yield from _limits(q)
        return
    name = q.change.element
    yield _use(lambda t: _ask_whole(t, name))
    # Beyond either range, as far as the bench can bring it.
    for share in SHARES:
        yield from _turned(q, share, None)


def _limits(q: Question) -> Iterator[Use]:
    """Values at the old limits and at the new ones, with the settings that they hang on here and there."""
    entry, new = q.entry, q.new.points[q.change.element]
    hang = sorted(
        {
            name
            for point in (entry, new)
            for limit in (point.low, point.high)
            if limit is not None
            for name in limit.names
            if name in q.old.points and q.old.points[name].source == "setting"
        }
    )

    def use(which: int, side: int, name: str | None, end: int) -> Use:
        def work(t: Tester) -> Telling:
            _settable(t, entry)
            if name is not None:
                other = t.vow.points[name]
                t.put(name, t.bounds(other)[end])
            old = t.bounds(entry)
            theirs = _bounds_in(q, t)
            value = (old, theirs)[which][side]
            if not old[0] <= value <= old[1]:
                raise NotSelected("no lawful host puts that")
            t.put(entry.name, value)
            return Telling(not theirs[0] <= value <= theirs[1])

        return work

    for name, end in ((None, 0), *((name, end) for name in hang for end in (0, 1))):
        for which in (0, 1):
            for side in (0, 1):
                yield use(which, side, name, end)


def _bounds_in(q: Question, t: Tester) -> tuple[int, int]:
    """The limits in force in the new document, with the settings that are in force, in the old's counts."""
    entry, new = q.entry, q.new.points[q.change.element]
    scale = new.number
    low, high = scale.low, scale.high
    values = Values(t.oracle.twin, t.now_ns)
    if new.low is not None:
        low = max(low, ceil(new.low.number(values) / scale.step))
    if new.high is not None:
        high = min(high, floor(new.high.number(values) / scale.step))
    step = entry.number.step
    return ceil(low * scale.step / step), floor(high * scale.step / step)


def _choices(q: Question) -> Iterator[Use]:
    entry = q.entry
    old, new = list(q.change.old or ()), list(q.change.new or ())
    if entry.settable:
        for word in old:
            yield _use(lambda t, word=word: _put(t, entry.name, word), word not in new, "gone")  # type: ignore[misc]
    else:
        yield _use(lambda t: _ask_whole(t, entry.name), None)

    def somebody(word: str) -> Use:
        def work(t: Tester) -> Telling:
            _settable(t, entry)
            then = (Step("other", f"put {entry.name} {word}"), Step(">", f"ask {entry.name}"))
            return Telling(word not in old, then, "come")

        return work

    yield from (somebody(word) for word in new)
    for name in _records_with(q.old, entry.name):
        for word in old:
            if word in new:

                def read(t: Tester, word: str = word, name: str = name) -> None:
                    if word != t.setting(entry.name):
                        _put(t, entry.name, word)
                    _ask_whole(t, name)

                yield _use(read, new.index(word) != old.index(word), "order")


def _records_with(vow: Vow, point: str) -> list[str]:
    """Points that answer a record which this point's value is in."""
    return [
        entry.name
        for entry in vow.points.values()
        if entry.record is not None
        and any(field.value == point for field in vow.document.records[entry.record].fields)
    ]


def _put_default(q: Question) -> Iterator[Use]:
    entry = q.entry
    if not entry.settable:
        yield _use(lambda t: _ask_whole(t, entry.name), False)
        return
    yield _use(lambda t: _put(t, entry.name, entry.default), True)
    if entry.source == "setting":
        yield _use(lambda t: _put(t, entry.name, _another(t, entry)), True)


def _default(q: Question) -> Iterator[Use]:
    entry = q.entry
    yield _use(lambda t: _ask_whole(t, entry.name), True)

    def put_first(t: Tester) -> None:
        _put(t, entry.name, _another(t, entry))
        t.ask(entry.name)

    yield _use(put_first, False)


def _saved(q: Question) -> Iterator[Use]:
    entry = q.entry
    save = q.old.doing("save")

    def kept(saving: bool) -> Use:
        def work(t: Tester) -> Telling:
            _put(t, entry.name, _another(t, entry))
            if saving:
                if save is None:
                    raise NotSelected("nothing saves")
                if t.state not in save.to:
                    _goto(t, next(iter(save.to)))
                t.act(save.name)
            t.power_cycle()
            t.ask(entry.name)
            return Telling(saving)

        return work

    yield kept(True)
    yield kept(False)


def _local(q: Question) -> Iterator[Use]:
    entry = q.entry

    def by_hand(t: Tester) -> None:
        t.panel("panel.control", "local")
        t.panel(f"panel.{entry.name}", _another(t, entry))
        t.ask(entry.name)

    if q.change.old:
        yield _use(by_hand, True)
    else:

        def turned(t: Tester) -> Telling:
            value = _another(t, entry)
            given = value if isinstance(value, str) else f"{float(value * entry.number.step):g}"
            then = (Step("bench", "panel.control local"), Step("bench", f"panel.{entry.name} {given}"))
            return Telling(True, (*then, Step(">", f"ask {entry.name}")))

        yield turned
    yield _use(lambda t: _put(t, entry.name, _another(t, entry)), False)


def _set_in(q: Question) -> Iterator[Use]:
    entry = q.entry
    new = q.new.points[entry.name].set_in

    def there(state: str) -> Use:
        def work(t: Tester) -> Telling:
            _goto(t, state)
            t.put(entry.name, _another(t, entry))
            return Telling(new is not None and state not in new, part="gone")

        return work

    for state in q.old.states if entry.set_in is None else sorted(entry.set_in):
        yield there(state)


def _moves(vow: Vow, name: str) -> Iterator[tuple[str, Decimal | str, int]]:
    """Bench events that move a reading: the event, another value, and how long it takes at most."""
    entry = vow.points[name]
    names = {name} if entry.derived is None else {name, *entry.derived.names}
    for event, declared in vow.document.bench.items():
        took = [ns for moved, ns in declared.moves.items() if moved in names]
        if took and declared.other is not None:
            yield event, declared.other, max(took)


def _turned(q: Question, share: Fraction, meets: bool | None) -> Iterator[Use]:
    """The bench turned some of the way to the end of what the event's value can be, and the reading asked."""
    name = q.change.element
    for event, declared in q.old.document.bench.items():
        took = declared.moves.get(name)
        if took is None or declared.value is None or not isinstance(declared.base, Decimal):
            continue
        quantity = q.old.document.quantities[declared.value]
        for end in (quantity.high, quantity.low):
            value = _between(declared.base, end, share)

            def work(t: Tester, event: str = event, value: Decimal = value, took: int = took) -> None:
                t.bench(event, value)
                t.alive(took)
                t.ask(name)

            yield _use(work, meets)


def _reading(q: Question) -> Iterator[Use]:
    """A reading in every state, and with the bench and the settings here and there."""
    name = q.change.element
    watched = [name] if q.entry.source in ("signal", "derived") else _readings(q.old)

    def ask_all(t: Tester) -> None:
        for each in watched:
            t.ask(each)

    yield _use(ask_all)
    for event, other, took in islice(_moves(q.old, name), 3):

        def moved(t: Tester, event: str = event, other: Decimal | str = other, took: int = took) -> None:
            t.bench(event, other)
            t.alive(took)
            ask_all(t)

        yield _use(moved)
    names = {name, *(q.entry.derived.names if q.entry.derived is not None else ())}
    new = q.new.points[name]
    names |= new.derived.names if new.derived is not None else frozenset()
    settings = [q.old.points[each] for each in sorted(names) if each in q.old.points]
    for entry in settings:
        if entry.source != "setting":
            continue

        def put(t: Tester, entry: PointEntry = entry) -> None:
            _put(t, entry.name, _another(t, entry))
            ask_all(t)

        yield _use(put)
    own = [q.entry] if q.entry.source == "setting" else []
    for state in q.old.states:

        def there(t: Tester, state: str = state) -> None:
            for entry in own:
                if entry.set_in is None or t.state in entry.set_in:
                    t.put(entry.name, _another(t, entry))
            _goto(t, state)
            for entry in own:
                if t.settable_here(entry):
                    t.put(entry.name, _another(t, entry))
            t.alive(max(t.vow.document.trial.settle, 500 * MS))
            ask_all(t)

        yield _use(there)


def _fresh(q: Question) -> Iterator[Use]:
    """The reading asked sooner than the longer period after the bench has moved it, and later."""
    name = q.change.element
    longer = max(q.change.old or 0, q.change.new or 0)
    for event, other, took in islice(_moves(q.old, name), 2):
        for wait, meets in ((q.change.old, True), (took + 2 * longer, False)):

            def work(
                t: Tester, event: str = event, other: Decimal | str = other, wait: int = wait, part: int = 0
            ) -> None:
                t.wait(longer - t.now_ns % longer + MS)  # just after it was sampled
                t.bench(event, other)
                t.alive(wait)
                t.ask(name)

            yield _use(work, meets if q.change.new > q.change.old else None)


# ------------------------------------------------------------------------------------------------- states


def _in_states(q: Question) -> Iterator[Use]:
    """Every state, and every action in every state that allows it: what is driven may go on from before."""
    names = _readings(q.old)

    def there(state: str, action: str) -> Use:
        def work(t: Tester) -> Telling:
            _goto(t, state)
            t.alive(max(t.vow.document.trial.settle, 500 * MS))
            if action:
                _act(t, action)
                t.alive(max(t.vow.document.trial.settle, 500 * MS))
            _look(t, names)
            return Telling()

        return work

    yield from (there(state, "") for state in q.old.states)
    for action in q.old.actions.values():
        yield from (there(state, action.name) for state, to in action.to.items() if to != state)


def _leaves(q: Question) -> Iterator[Use]:
    """The state, and time passing in it: short of and past each delay, provoked and not."""
    state = q.change.element
    leaves: list[Leave] = [*q.change.old, *q.change.new]
    delays = sorted({leave.after for leave in leaves})
    waits = {MS, *((one + other) // 2 for one, other in pairwise(delays)), *(ns + MS for ns in delays[-1:])}

    def rest(wait: int, provoke: Provoke | None, share: Fraction = Fraction(1)) -> Use:
        def work(t: Tester) -> Telling:
            if provoke is not None:
                t.arrange(provoke)
            _goto(t, state)
            if provoke is not None:
                for event, value in provoke.bench.items():
                    t.bench(event, _partly(t, event, value, share))
            _pass(t, wait)
            _look(t)
            return Telling()

        return work

    yield from (rest(wait, None) for wait in sorted(waits))
    for leave in leaves:
        if leave.provoke is not None:
            for wait in sorted({*waits, leave.provoke.within}):
                yield rest(wait, leave.provoke)
            yield from (rest(leave.provoke.within, leave.provoke, share) for share in SHARES)


def _boot(q: Question) -> Iterator[Use]:
    yield _use(lambda t: _look(t), None)

    def booted(t: Tester) -> None:
        t.power_cycle()
        _look(t)

    yield _use(booted, None)
    for action in q.old.actions.values():
        if q.old.initial in action.to and action.takes_ticket is None:

            def acted(t: Tester, name: str = action.name) -> None:
                _act(t, name)
                _look(t)

            yield _use(acted)


# ------------------------------------------------------------------------------------------------ actions


def _acted(q: Question) -> Iterator[Use]:
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
                        t.put(entry.name, _another(t, entry))
            _goto(t, state)
            _act(t, name)
            if ("reboot", "") in action.does:
                t.wait(t.vow.document.wire.opening.settle + MS)
                return Telling(None, _looks(t, settings))
            t.wait(MS)
            _look(t, [entry.name for entry in settings])
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


def _looks(t: Tester, settings: Sequence[PointEntry]) -> tuple[Step, ...]:
    names = [name for system in ("state", "saves") if (name := t.vow.system_name(system)) is not None]
    return tuple(Step(">", f"ask {name}") for name in (*names, *(entry.name for entry in settings)))


def _did(q: Question) -> Iterator[Use]:
    """What the action does, looked at in everything that can be asked."""
    name = q.change.element
    action = q.old.actions[name]
    saves = q.old.doing("save")

    def there(state: str, live: bool) -> Use:
        def work(t: Tester) -> Telling:
            for entry in q.old.settings:
                if entry.saved and t.settable_here(entry) and entry.choices:
                    t.put(entry.name, _another(t, entry))
                    break
            t.prepare()
            if saves is not None and t.state in saves.to and saves.name != name:
                t.act(saves.name)
                t.prepare()
            if live:
                powered = [each for each, entry in t.vow.states.items() if entry.energised]
                if powered:
                    _goto(t, powered[0])
                    t.alive(2_000 * MS)
            _goto(t, state)
            _act(t, name)
            t.wait(t.vow.document.wire.opening.settle + 300 * MS)
            plain = [entry for entry in q.old.points.values() if entry.record is None]
            steps = [Step(">", f"ask {entry.name}") for entry in plain]
            settle_ns = t.vow.document.wire.opening.settle + MS
            power = (Step("power", "cycle"), Step("wait", duration_text(settle_ns)))
            again = tuple(Step(">", f"ask {entry.name}") for entry in q.old.settings if entry.saved)
            return Telling(None, (*steps, *power, *again))

        return work

    for state in action.to:
        yield there(state, False)
        yield there(state, True)


def _ticketed(q: Question) -> Iterator[Use]:
    """A ticket given, and used at once or after a while."""
    if q.change.old is None or q.change.new is None:
        for use in _acted(q):
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
                _goto(t, next(iter(action.to)))
                if t.state in t.vow.actions[giver].to:
                    t.act(giver)
                t.wait(wait)
                t.act(action.name)
                return Telling(q.change.new < wait)

            yield work


def _allowed(q: Question) -> Iterator[Use]:
    action = q.old.actions[q.change.element]
    new = q.new.actions[q.change.element]

    def there(state: str) -> Use:
        def work(t: Tester) -> Telling:
            _goto(t, state)
            _act(t, action.name)
            return Telling(state not in new.to, part="gone")

        return work

    yield from (there(state) for state in action.to)


def _guarded(q: Question) -> Iterator[Use]:
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
            _goto(t, state)
            for name in names:
                if t.vow.points[name].source == "signal":
                    t.read(name)
            meets = new is not None and not new.truth(Values(t.oracle.twin, t.now_ns))
            _act(t, action.name)
            return Telling(meets)

        return work

    for state in action.to:
        yield there(state, None, 0)
        for entry in settings:
            ends = (entry.number.low, entry.number.high) if entry.scale is not None else (0, 0)
            values = _values(entry, *ends) if entry.scale is not None else list(entry.choices)
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


def _always(q: Question) -> Iterator[Use]:
    action = q.old.actions[q.change.element]

    def there(state: str, local: bool) -> Use:
        def work(t: Tester) -> Telling:
            _goto(t, state)
            if local:
                t.panel("panel.control", "local")
            t.act(action.name)
            return Telling(local)

        return work

    for state in action.to:
        if action.takes_ticket is None:
            yield there(state, True)
            yield there(state, False)


# -------------------------------------------------------------------------------------------------- trips


def _partly(t: Tester, event: str, value: Decimal | str, share: Fraction) -> Decimal | str:
    base = t.declared[event].base
    if not isinstance(value, Decimal) or not isinstance(base, Decimal):
        return value
    return _between(base, value, share)


def _between(one: Decimal, other: Decimal, share: Fraction) -> Decimal:
    return (one + (other - one) * share.numerator / share.denominator).quantize(Decimal("0.001"))


def _tripped(q: Question) -> Iterator[Use]:
    """What the trip watches, left alone, brought slowly to where it acts, and slowly back."""
    trips = [
        each.trips[q.change.element] for each in (q.pair.old, q.pair.new) if q.change.element in each.trips
    ]
    trip = trips[0]
    provoke = trip.provoke
    if provoke is None:
        return
    key = q.change.key
    clearing = [action for action in q.old.actions.values() if ("clear_trip", "") in action.does]
    shown_ns = max(each.after for each in trips) + 20 * MS
    moving = [event for event, value in provoke.bench.items() if isinstance(value, Decimal)]

    def begin(t: Tester, state: str = provoke.state) -> None:
        t.arrange(provoke)
        _goto(t, state)

    def spared(t: Tester) -> None:
        begin(t)
        _look(t)

    def strike(t: Tester) -> None:
        for event, value in provoke.bench.items():
            t.bench(event, value)
        with t.silence() if provoke.silence else nullcontext():
            _pass(t, provoke.within)

    def struck(t: Tester) -> None:
        begin(t)
        strike(t)
        _look(t)

    def sweep(
        t: Tester, event: str, ends: tuple[Decimal | str, Decimal | str], each: Callable[[], None]
    ) -> None:
        one, other = ends
        if isinstance(one, Decimal) and isinstance(other, Decimal):
            for step in range(1, SWEEP + 1):
                t.bench(event, _between(one, other, Fraction(step, SWEEP)))
                t.alive(shown_ns)
                each()

    def nearing(event: str) -> Use:
        def work(t: Tester) -> None:
            begin(t)
            base = t.declared[event].base
            for other, value in provoke.bench.items():
                if other != event:
                    t.bench(other, value)
            if base is not None:
                sweep(t, event, (base, provoke.bench[event]), lambda: _look(t))

        return _use(work)

    def relieved(t: Tester) -> None:
        begin(t)
        strike(t)

        def clear() -> None:
            for action in clearing:
                if t.state in action.to:
                    t.act(action.name)

        for event, value in provoke.relief.items():
            sweep(t, event, (provoke.bench.get(event, ""), value), clear)
            t.bench(event, value)
            t.alive(shown_ns)
            clear()
        t.alive(provoke.within)
        clear()
        _look(t)

    yield _use(spared)
    yield _use(struck)
    if key in ("when", "", "order", "after"):
        yield from (nearing(event) for event in moving)
    if key in ("cleared_when", "latched", "when"):
        yield _use(relieved)
    if key == "after":
        middle = sum(each.after for each in trips) // len(trips)

        def briefly(t: Tester) -> None:
            begin(t)
            for event, value in provoke.bench.items():
                t.bench(event, value)
            t.alive(middle)
            _look(t)

        yield _use(briefly)
    if key == "armed_in":
        for state in q.old.states:

            def there(t: Tester, state: str = state) -> None:
                begin(t, state)
                strike(t)
                _look(t)

            def before(t: Tester, state: str = state) -> None:
                # What takes long comes about where nothing watches it.
                t.settings({n: v for n, v in provoke.put.items() if t.settable_here(t.vow.points[n])})
                for event, value in provoke.bench.items():
                    t.bench(event, value)
                t.alive(provoke.within)
                _goto(t, state)
                t.alive(shown_ns)
                _look(t)

            yield _use(there)
            yield _use(before)


# ------------------------------------------------------------------------------- records, fan, derating, wire


def _records(q: Question) -> Iterator[Use]:
    """All parts, as it is after a boot, with its settings moved, and after its series was taken."""
    for entry in q.old.points.values():
        if entry.record != q.change.element:
            continue
        record = q.old.document.records[q.change.element]
        names = [str(field.value) for field in record.fields]
        fields = [q.old.points[name] for name in names if name in q.old.points]

        def whole(t: Tester, name: str = entry.name) -> None:
            _ask_whole(t, name)

        def moved(t: Tester, name: str = entry.name, fields: list[PointEntry] = fields) -> None:
            for each in fields:
                if each.source == "setting" and t.settable_here(each):
                    t.put(each.name, _another(t, each))
            _ask_whole(t, name)

        yield _use(whole)
        yield _use(moved)
        capture = q.old.doing("capture", q.change.element)
        if capture is not None:
            span_ns = max((each.every or 0) * each.count for each in record.fields) + 100 * MS

            def taken(t: Tester, name: str = entry.name, capture: Any = capture, ns: int = span_ns) -> None:
                _goto(t, next(iter(capture.to)))
                t.act(capture.name)
                t.alive(ns)
                _ask_whole(t, name)

            yield _use(taken)


def _heated(q: Question) -> Iterator[Use]:
    """The air at every temperature that a document names, and between them, from below and from above."""
    names = _readings(q.old)
    yield _use(lambda t: _look(t, names))
    told: set[Decimal] = set()
    watched = ""
    for document in (q.pair.old, q.pair.new):
        if document.fan is not None:
            watched = document.fan.temperature
            told |= {level.at for level in document.fan.levels}
            told |= {level.at - document.fan.hysteresis for level in document.fan.levels}
        if document.derating is not None:
            watched = watched or document.derating.temperature
            told |= {document.derating.start, document.derating.end}
    edges = sorted(told)
    between = [(one + other) / 2 for one, other in pairwise([edges[0] - 2, *edges, edges[-1] + 2])]
    for event, declared in q.old.document.bench.items():
        if watched not in declared.shown_by:
            continue
        for value in between:
            for first in (None, edges[-1] + 10):

                def warmed(
                    t: Tester,
                    event: str = event,
                    value: Decimal = value,
                    first: Decimal | None = first,
                    took: int = declared.moves[watched],
                ) -> None:
                    for given in (first, value):
                        if given is not None:
                            t.bench(event, given.quantize(Decimal("0.001")))
                            t.alive(took)
                    _look(t, names)

                yield _use(warmed)


def _first_name(vow: Vow) -> str:
    return vow.system_name("state") or next(iter(vow.points))


def _paused(q: Question) -> Iterator[Use]:
    """A line with a pause in it."""
    name = _first_name(q.old)
    checked = q.change.key == "idle_checked"
    for wait in (MS, (q.change.old + q.change.new) // 2):

        def work(t: Tester, wait: int = wait) -> Telling:
            if checked:
                t.say(f"ask {name}", check=True)
            steps = (Step(">>", "ask "), Step("wait", duration_text(wait)), Step(">>", f"{name}\\x0a"))
            return Telling(wait > q.change.new and wait < q.change.old, steps)

        if wait < q.change.old:
            yield work
        else:
            # The host gives the line up, and counts on its end being thrown away.

            def given_up(t: Tester, wait: int = wait) -> Telling:
                if checked:
                    t.say(f"ask {name}", check=True)
                steps = (Step(">>", "ask "), Step("wait", duration_text(wait)), Step(">>", "\\x0a"))
                return Telling(True, (*steps, Step(">", f"ask {name}")))

            yield given_up


def _stalled(q: Question) -> Iterator[Use]:
    """Notices while nothing can be sent: few, and more than the shorter queue holds."""
    if "local" not in q.old.parts:
        return  # a reply takes all that waits with it, and nothing else makes notices without one
    fewer = min(q.change.old, q.change.new)
    for count in (fewer, fewer + 2):

        def stall(t: Tester, count: int = count) -> Telling:
            turns = [Step("bench", f"panel.control {('local', 'remote')[turn % 2]}") for turn in range(count)]
            ends = [Step("bench", f"link.transmitter {word}") for word in ("stalled", "free")]
            asked = Step(">", f"ask {_first_name(q.old)}")
            return Telling(count > fewer, (ends[0], *turns, ends[1], asked))

        yield stall


def _parts(q: Question) -> Iterator[Use]:
    yield _use(lambda t: _look(t))

    def noticed(t: Tester) -> None:
        t.panel("panel.control", "local")
        t.panel("panel.control", "remote")

    yield _use(noticed)

    def booted(t: Tester) -> None:
        t.power_cycle()
        _look(t)

    yield _use(booted)
    for name, entry in q.old.points.items():
        if entry.record is not None:
            yield _use(lambda t, name=name: _ask_whole(t, name))  # type: ignore[misc]


def _opened(q: Question) -> Iterator[Use]:
    settings = [entry for entry in q.old.settings if entry.set_in is None][:1]
    settle = q.old.document.wire.opening.settle
    asks = [Step(">", f"ask {name}") for name in (_first_name(q.old), *(entry.name for entry in settings))]

    def again(wait: int, meets: bool | None) -> Use:
        def work(t: Tester) -> Telling:
            for entry in settings:
                t.put(entry.name, _another(t, entry))
            return Telling(meets, (Step("open"), Step("wait", duration_text(wait)), *asks))

        return work

    if q.change.key == "opening.settle":
        yield again(max(settle, MS), q.change.new > q.change.old)
        yield again(max(q.change.old, q.change.new) + MS, False)
    else:
        yield again(max(settle, q.new.document.wire.opening.settle) + MS, True)
        yield _use(lambda t: _look(t), False)


def _long(q: Question) -> Iterator[Use]:
    """The longest line of every setting."""
    for entry in q.old.settings:
        if entry.scale is None:
            continue

        def work(t: Tester, entry: PointEntry = entry) -> Telling:
            _settable(t, entry)
            low, high = t.bounds(entry)
            value = max((low, high), key=lambda counts: len(entry.number.words(counts)[0]))
            text = f"@ffff put {entry.name} {' '.join(entry.words(value))}"
            return Telling(len(text) > q.change.new, (Step(">", text),))

        yield work


def _anything(q: Question) -> Iterator[Use]:
    """Nothing in particular: what can be asked."""
    yield _use(lambda t: _look(t, _readings(q.old)), False)


WAYS: dict[tuple[str, str], Ways] = {
    ("points", "gone"): _asked,
    ("points", "quantity.unit"): _asked,
    ("points", "quantity.step"): _steps,
    ("points", "quantity.low"): _bounds,
    ("points", "quantity.high"): _bounds,
    ("points", "low"): _bounds,
    ("points", "high"): _bounds,
    ("points", "choice"): _choices,
    ("points", "record"): _asked,
    ("points", "part_bytes"): _asked,
    ("points", "system"): _asked,
    ("points", "access"): _put_default,
    ("points", "default"): _default,
    ("points", "saved"): _saved,
    ("points", "local"): _local,
    ("points", "set_in"): _set_in,
    ("points", "signal"): _reading,
    ("points", "derived"): _reading,
    ("points", "drives"): _reading,
    ("points", "every"): _fresh,
    ("states", "leaves"): _leaves,
    ("states", "initial"): _boot,
    ("states", "*"): _in_states,
    ("actions", "gone"): _acted,
    ("actions", "to"): _acted,
    ("actions", "keeps"): _acted,
    ("actions", "takes_ticket"): _acted,
    ("actions", "does"): _did,
    ("actions", "gives_ticket"): _ticketed,
    ("actions", "allowed"): _allowed,
    ("actions", "guard"): _guarded,
    ("actions", "always"): _always,
    ("trips", "*"): _tripped,
    ("records", "order"): _records,
    ("records", "fields"): _records,
    ("fan", "*"): _heated,
    ("derating", "*"): _heated,
    ("wire", "idle_typing"): _paused,
    ("wire", "idle_checked"): _paused,
    ("wire", "notice_queue"): _stalled,
    ("wire", "parts"): _parts,
    ("wire", "line_limit"): _long,
    ("wire", "opening.settle"): _opened,
    ("wire", "opening.resets"): _opened,
    ("*", "means"): _anything,
}
"""By section of the document and entry, as in `rules.RULES`."""

_PROMISED = "it is a promise of how good or how fast, and the simulated instrument keeps both"
_LINES = "it is of the port's own wires, which the simulated instrument does not have"

_ZEROES = "it says what a tester finds at zero; what is driven is the same"

UNSHOWN: dict[tuple[str, str], str] = {
    ("wire", "baud"): _LINES,
    ("wire", "opening.dtr"): _LINES,
    ("wire", "opening.rts"): _LINES,
    ("wire", "pipeline"): "the simulated instrument lets more requests wait than it promises",
    ("wire", "reply_deadline"): _PROMISED,
    ("points", "quantity.accuracy"): _PROMISED,
    ("points", "quantity.accuracy.reading_percent"): _PROMISED,
    ("points", "quantity.accuracy.range_percent"): _PROMISED,
    ("actions", "repeat"): "it is advice to hosts; the same line is done again or not by its tag alone",
    ("trips", "every"): "the simulated instrument watches all the time, which both promises allow",
    ("derating", "power"): _PROMISED,
    ("fan", "temperature"): "it says which reading tells what drives the fan",
    ("fan", "duty"): "it says which reading tells of the fan",
    ("limits", "*"): _PROMISED,
    ("laws", "*"): _PROMISED,
    ("promises", "*"): "it is said in words",
}
"""What no exchange with the simulated instrument shows, and why."""
