"""What a use of something is, and what uses are made of."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.compare.changes import Change
from wirevow.protocol.compare.rules import Pair
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.vow import PointEntry, Value, Vow, part_count

MS = 1_000_000


SWEEP = 96
"""Steps in which the bench is brought to where something acts."""


LONGEST_WAIT_S = 40 * 24 * 3600


SLICES = 40


CLOSER = 4
"""Courses with the same slices of time."""


SHARES = tuple(Fraction(part, 16) for part in range(1, 17))
"""Of the way from where the bench is to where it provokes something."""


@dataclass(frozen=True, slots=True)
class Telling:
    """How a use ends: whether the condition of the difference holds in it (None: it is not known), and what
    is done besides, that a tester cannot do. `part` is the part of the change that it is about."""

    meets: bool | None = None
    then: tuple[Step, ...] = ()
    part: str = ""


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


Use = Callable[[Tester], Telling]
"""One way of using something, from the initial state with default settings. Raises what a tester raises."""


Ways = Callable[[Question], Iterator[Use]]


def go(t: Tester, state: str) -> None:
    if t.state != state:
        t.prepare()
    t.goto(state)


def go_where_settable(t: Tester, entry: PointEntry) -> None:
    """Go where the point can be put."""
    if not t.settable_here(entry):
        go(t, min(entry.set_in or (), key=list(t.vow.states).index))


def put_there(t: Tester, name: str, value: Value) -> None:
    entry = t.vow.points[name]
    go_where_settable(t, entry)
    t.put(name, value)


def ask_whole(t: Tester, name: str) -> None:
    entry = t.vow.points[name]
    if entry.record is None:
        t.ask(name)
        return
    for part in range(part_count(t.vow, entry)):
        t.say(f"ask {name} {part}")


def look(t: Tester, names: Iterable[str] = ()) -> None:
    """Ask for the state, what tripped last, and these."""
    for system in ("state", "last_trip"):
        name = t.vow.system_name(system)
        if name is not None:
            t.ask(name)
    for name in names:
        t.ask(name)


def readings(vow: Vow) -> list[str]:
    return [entry.name for entry in vow.points.values() if entry.source in ("signal", "derived")]


def first_name(vow: Vow) -> str:
    return vow.system_name("state") or next(iter(vow.points))


def some_values(entry: PointEntry, low: int, high: int) -> list[Value]:
    """Some values of a setting, unlike its default."""
    if entry.scale is None:
        return [word for word in entry.choices if word != entry.default]
    found = dict.fromkeys((high, low, (low + high) // 2, min(high, low + 1)))
    return [value for value in found if value != entry.default]


def another(t: Tester, entry: PointEntry) -> Value:
    """A value that it does not have, within its limits."""
    if entry.scale is None:
        return next(word for word in entry.choices if word != t.setting(entry.name))
    low, high = t.bounds(entry)
    return next(value for value in some_values(entry, low, high) if value != t.setting(entry.name))


def simply(work: Callable[[Tester], None], meets: bool | None = None, part: str = "") -> Use:
    def use(t: Tester) -> Telling:
        work(t)
        return Telling(meets, part=part)

    return use


def act_here(t: Tester, name: str) -> None:
    action = t.vow.actions[name]
    if ("clear_trip", "") in action.does and t.oracle.twin.latched is not None:
        t.restore_bench()
        t.clear()
    elif action.takes_ticket is None:
        t.act(name)
    else:
        t.with_ticket(name)


def moves(vow: Vow, name: str) -> Iterator[tuple[str, Decimal | str, int]]:
    """Bench events that move a reading: the event, another value, and how long it takes at most."""
    entry = vow.points[name]
    names = {name} if entry.derived is None else {name, *entry.derived.names}
    for event, declared in vow.document.bench.items():
        took = [ns for moved, ns in declared.moves.items() if moved in names]
        if took and declared.other is not None:
            yield event, declared.other, max(took)


def partly(t: Tester, event: str, value: Decimal | str, share: Fraction) -> Decimal | str:
    base = t.declared[event].base
    if not isinstance(value, Decimal) or not isinstance(base, Decimal):
        return value
    return between(base, value, share)


def between(one: Decimal, other: Decimal, share: Fraction) -> Decimal:
    return (one + (other - one) * share.numerator / share.denominator).quantize(Decimal("0.001"))


class Slices:
    """Time that passes in slices, so that what comes sooner or later comes in another. Each course that has
    the same slices looks more closely at when the state changed in the one before."""

    def __init__(self, span_ns: int) -> None:
        self._begin, self._end = 0, span_ns

    def passing(self, t: Tester, to: str = "", silent: bool = False) -> None:
        """Let it pass, the link kept alive unless `silent`. `to`: the state that is waited for, or any."""
        begin, slice_ns = self._begin, max(MS // 20, (self._end - self._begin) // SLICES)
        if begin:
            t.alive(begin)
        before, found = t.state, False
        for slice_ in range(SLICES):
            patience_ns = None if silent else t.patience_ns()
            if patience_ns is not None and t.now_ns - t.oracle.twin.accepted_ns + slice_ns > patience_ns:
                t.ask(first_name(t.vow))
            t.alive(slice_ns)
            if not found and (t.state == to or (not to and t.state != before)):
                found = True
                self._begin, self._end = (
                    begin + max(0, slice_ - 1) * slice_ns,
                    begin + (slice_ + 2) * slice_ns,
                )
