"""How a host meets what protects the bench: trips, the fan, the derating."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import nullcontext
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from wirevow.protocol.compare.uses.way import (
    CLOSER,
    MS,
    SLICES,
    SWEEP,
    Question,
    Slices,
    Use,
    between,
    go,
    look,
    readings,
    simply,
)
from wirevow.protocol.conformance.tester import Tester


def tripped(q: Question) -> Iterator[Use]:
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
    slices = Slices(provoke.within + shown_ns)
    moving = [event for event, value in provoke.bench.items() if isinstance(value, Decimal)]

    def begin(t: Tester, state: str = provoke.state) -> None:
        t.arrange(provoke)
        go(t, state)

    def spared(t: Tester) -> None:
        begin(t)
        look(t)

    def strike(t: Tester) -> None:
        for event, value in provoke.bench.items():
            t.bench(event, value)
        with t.silence() if provoke.silence else nullcontext():
            slices.passing(t, trip.to, provoke.silence)

    def struck(t: Tester) -> None:
        begin(t)
        strike(t)
        look(t)

    def sweep(
        t: Tester, event: str, ends: tuple[Decimal | str, Decimal | str], each: Callable[[], None]
    ) -> None:
        one, other = ends
        if isinstance(one, Decimal) and isinstance(other, Decimal):
            for step in range(1, SWEEP + 1):
                t.bench(event, between(one, other, Fraction(step, SWEEP)))
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
                sweep(t, event, (base, provoke.bench[event]), lambda: look(t))

        return simply(work)

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
        look(t)

    yield simply(look)
    yield simply(spared)
    yield from (simply(struck) for _ in range(CLOSER))
    if key in ("when", "", "order", "after"):
        yield from (nearing(event) for event in moving)
    if key == "when" and not moving:
        yield from drifting(q, begin, [name for each in trips for name in each.when.names])
    if key in ("cleared_when", "latched", "when"):
        yield simply(relieved)
    if key == "armed_in":
        for state in q.old.states:

            def there(t: Tester, state: str = state) -> None:
                begin(t, state)
                strike(t)
                look(t)

            def before(t: Tester, state: str = state) -> None:
                # What takes long comes about where nothing watches it.
                t.settings({n: v for n, v in provoke.put.items() if t.settable_here(t.vow.points[n])})
                for event, value in provoke.bench.items():
                    t.bench(event, value)
                t.alive(provoke.within)
                go(t, state)
                t.alive(shown_ns)
                look(t)

            yield simply(there)
            yield simply(before)


def drifting(q: Question, begin: Callable[[Tester], None], names: Iterable[str]) -> Iterator[Use]:
    """What the trip looks at, moved slowly by the bench as far as that goes, either way."""
    watched = set(names)
    for event, declared in q.old.document.bench.items():
        took = max((ns for name, ns in declared.moves.items() if name in watched), default=0)
        if not took or declared.value is None or not isinstance(declared.base, Decimal):
            continue
        quantity = q.old.document.quantities[declared.value]
        for end in (quantity.low, quantity.high):

            def drift(
                t: Tester,
                event: str = event,
                base: Decimal = declared.base,
                end: Decimal = end,
                took: int = took,
            ) -> None:
                begin(t)
                for step in range(1, SLICES + 1):
                    t.bench(event, between(base, end, Fraction(step, SLICES)))
                    t.alive(took // 4)
                    look(t)

            yield simply(drift)


def heated(q: Question) -> Iterator[Use]:
    """The air at every temperature that a document names, and between them, from below and from above."""
    names = readings(q.old)
    yield simply(lambda t: look(t, names))
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
                    look(t, names)

                yield simply(warmed)
