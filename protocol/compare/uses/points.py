"""How a host uses a point: asks it, puts it, keeps it, and sees it move."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import islice
from math import ceil, floor

from wirevow.protocol.compare.uses.way import (
    LONGEST_WAIT_S,
    MS,
    SHARES,
    Question,
    Telling,
    Use,
    another,
    ask_whole,
    between,
    go,
    go_where_settable,
    moves,
    put_there,
    readings,
    simply,
)
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import Values
from wirevow.protocol.expression import ExpressionError
from wirevow.protocol.vow import PointEntry, Vow


def asked(q: Question) -> Iterator[Use]:
    name = q.change.element
    yield simply(lambda t: ask_whole(t, name), True)
    if q.entry.record is not None:
        return
    if q.entry.settable and q.entry.source == "setting":

        def put(t: Tester) -> None:
            put_there(t, name, q.entry.default)

        yield simply(put, True)


def text(q: Question) -> Iterator[Use]:
    """A text with digits of one's own may be another instrument's as well."""
    yield simply(lambda t: ask_whole(t, q.change.element), None)


def steps(q: Question) -> Iterator[Use]:
    """Values that are on the old steps, whether they are on the new ones or not."""
    entry, new = q.entry, q.new.points[q.change.element]
    if entry.number.digits != new.number.digits:
        yield from asked(q)
        return
    if not entry.settable:
        yield from reading(q)
        return

    def put(side: int, inside: int) -> Use:
        def work(t: Tester) -> Telling:
            go_where_settable(t, entry)
            value = t.bounds(entry)[side] + (inside if side == 0 else -inside)
            t.put(entry.name, value)
            return Telling((value * entry.number.step / new.number.step).denominator != 1)

        return work

    def somebody(t: Tester) -> Telling:
        go_where_settable(t, entry)
        least = ceil(t.bounds(entry)[0] * entry.number.step / new.number.step) + 1
        line = f"put {entry.name} {' '.join(new.words(least))}"
        return Telling(True, (Step("other", line), Step(">", f"ask {entry.name}")), "finer")

    yield from (put(side, inside) for side in (0, 1) for inside in range(4))
    if new.number.step < entry.number.step:
        yield somebody


def bounds(q: Question) -> Iterator[Use]:
    if q.entry.settable:
        yield from limits(q)
        return
    name = q.change.element
    yield simply(lambda t: ask_whole(t, name))
    if q.entry.system in ("uptime", "silence"):

        def late(t: Tester) -> None:
            ends_s = [
                each.points[name].number.high * each.points[name].number.step for each in (q.old, q.new)
            ]
            with t.silence():
                t.wait(ceil(min(*ends_s, Fraction(LONGEST_WAIT_S))) * 1000 * MS + 2000 * MS)
            t.ask(name)

        yield simply(late)
    # Beyond either range, as far as the bench can bring it.
    for share in SHARES:
        yield from turned(q, share, None)


def limits(q: Question) -> Iterator[Use]:
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
            go_where_settable(t, entry)
            if name is not None:
                other = t.vow.points[name]
                t.put(name, t.bounds(other)[end])
            old = t.bounds(entry)
            try:
                theirs, known = bounds_in(q, t), True
            except ExpressionError:  # it hangs on what the old document does not have
                theirs, known = old, False
            value = (old, theirs)[which][side]
            if not old[0] <= value <= old[1]:
                raise NotSelected("no lawful host puts that")
            t.put(entry.name, value)
            return Telling(not theirs[0] <= value <= theirs[1] if known else None)

        return work

    for name, end in ((None, 0), *((name, end) for name in hang for end in (0, 1))):
        for which in (0, 1):
            for side in (0, 1):
                yield use(which, side, name, end)


def bounds_in(q: Question, t: Tester) -> tuple[int, int]:
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


def choices(q: Question) -> Iterator[Use]:
    entry = q.entry
    old, new = list(q.change.old or ()), list(q.change.new or ())
    if entry.settable:
        for word in old:
            yield simply(lambda t, word=word: put_there(t, entry.name, word), word not in new, "gone")  # type: ignore[misc]
    else:
        yield simply(lambda t: ask_whole(t, entry.name), None)

    def somebody(word: str) -> Use:
        def work(t: Tester) -> Telling:
            go_where_settable(t, entry)
            then = (Step("other", f"put {entry.name} {word}"), Step(">", f"ask {entry.name}"))
            return Telling(word not in old, then, "come")

        return work

    yield from (somebody(word) for word in new)
    yield simply(lambda t: ask_whole(t, entry.name), False, "order")
    for name in records_with(q.old, entry.name):
        for word in old:
            if word in new:

                def read(t: Tester, word: str = word, name: str = name) -> None:
                    if word != t.setting(entry.name):
                        put_there(t, entry.name, word)
                    ask_whole(t, name)

                yield simply(read, new.index(word) != old.index(word), "order")


def records_with(vow: Vow, point: str) -> list[str]:
    """Points that answer a record which this point's value is in."""
    return [
        entry.name
        for entry in vow.points.values()
        if entry.record is not None
        and any(field.value == point for field in vow.document.records[entry.record].fields)
    ]


def put_default(q: Question) -> Iterator[Use]:
    entry = q.entry
    if not entry.settable:
        yield simply(lambda t: ask_whole(t, entry.name))
        return
    yield simply(lambda t: put_there(t, entry.name, entry.default), True)
    if entry.source == "setting":
        yield simply(lambda t: put_there(t, entry.name, another(t, entry)), True)


def default(q: Question) -> Iterator[Use]:
    entry = q.entry
    yield simply(lambda t: ask_whole(t, entry.name), True)

    def put_first(t: Tester) -> None:
        put_there(t, entry.name, another(t, entry))
        t.ask(entry.name)

    yield simply(put_first, False)


def saved(q: Question) -> Iterator[Use]:
    entry = q.entry
    save = q.old.doing("save")

    def kept(saving: bool) -> Use:
        def work(t: Tester) -> Telling:
            put_there(t, entry.name, another(t, entry))
            if saving:
                if save is None:
                    raise NotSelected("nothing saves")
                if t.state not in save.to:
                    go(t, next(iter(save.to)))
                t.act(save.name)
            t.power_cycle()
            t.ask(entry.name)
            return Telling(saving)

        return work

    yield kept(True)
    yield kept(False)


def local(q: Question) -> Iterator[Use]:
    entry = q.entry

    def by_hand(t: Tester) -> None:
        t.panel("panel.control", "local")
        t.panel(f"panel.{entry.name}", another(t, entry))
        t.ask(entry.name)

    if q.change.old:
        yield simply(by_hand, True)
    else:

        def turned(t: Tester) -> Telling:
            value = another(t, entry)
            given = value if isinstance(value, str) else f"{float(value * entry.number.step):g}"
            then = (Step("bench", "panel.control local"), Step("bench", f"panel.{entry.name} {given}"))
            return Telling(True, (*then, Step(">", f"ask {entry.name}")))

        yield turned
    yield simply(lambda t: put_there(t, entry.name, another(t, entry)), False)


def set_in(q: Question) -> Iterator[Use]:
    entry = q.entry
    new = q.new.points[entry.name].set_in

    def there(state: str) -> Use:
        def work(t: Tester) -> Telling:
            go(t, state)
            t.put(entry.name, another(t, entry))
            return Telling(new is not None and state not in new, part="gone")

        return work

    for state in q.old.states if entry.set_in is None else sorted(entry.set_in):
        yield there(state)


def turned(q: Question, share: Fraction, meets: bool | None) -> Iterator[Use]:
    """The bench turned some of the way to the end of what the event's value can be, and the reading asked."""
    name = q.change.element
    for event, declared in q.old.document.bench.items():
        took = declared.moves.get(name)
        if took is None or declared.value is None or not isinstance(declared.base, Decimal):
            continue
        quantity = q.old.document.quantities[declared.value]
        for end in (quantity.high, quantity.low):
            value = between(declared.base, end, share)

            def work(t: Tester, event: str = event, value: Decimal = value, took: int = took) -> None:
                t.bench(event, value)
                t.alive(took)
                t.ask(name)

            yield simply(work, meets)


def reading(q: Question) -> Iterator[Use]:
    """A reading in every state, and with the bench and the settings here and there."""
    name = q.change.element
    watched = [name] if q.entry.source in ("signal", "extreme", "derived") else readings(q.old)

    def ask_all(t: Tester) -> None:
        for each in watched:
            t.ask(each)

    yield simply(ask_all)
    for event, other, took in islice(moves(q.old, name), 3):

        def moved(t: Tester, event: str = event, other: Decimal | str = other, took: int = took) -> None:
            t.bench(event, other)
            t.alive(took)
            ask_all(t)

        yield simply(moved)
    names = {name, *(q.entry.derived.names if q.entry.derived is not None else ())}
    new = q.new.points[name]
    names |= new.derived.names if new.derived is not None else frozenset()
    settings = [q.old.points[each] for each in sorted(names) if each in q.old.points]
    for entry in settings:
        if entry.source != "setting":
            continue

        def put(t: Tester, entry: PointEntry = entry) -> None:
            put_there(t, entry.name, another(t, entry))
            ask_all(t)

        yield simply(put)
    own = [q.entry] if q.entry.source == "setting" else []
    for state in q.old.states:

        def there(t: Tester, state: str = state) -> None:
            for entry in own:
                if entry.set_in is None or t.state in entry.set_in:
                    t.put(entry.name, another(t, entry))
            go(t, state)
            for entry in own:
                if t.settable_here(entry):
                    t.put(entry.name, another(t, entry))
            t.alive(max(t.vow.document.trial.settle, 500 * MS))
            ask_all(t)

        yield simply(there)


def fresh(q: Question) -> Iterator[Use]:
    """The reading asked sooner than the longer period after the bench has moved it, and later."""
    name = q.change.element
    longer = max(q.change.old or 0, q.change.new or 0)
    for event, other, took in islice(moves(q.old, name), 2):
        for wait, meets in ((q.change.old, True), (took + 2 * longer, False)):

            def work(
                t: Tester, event: str = event, other: Decimal | str = other, wait: int = wait, part: int = 0
            ) -> None:
                t.wait(longer - t.now_ns % longer + MS)  # just after it was sampled
                t.bench(event, other)
                t.alive(wait)
                t.ask(name)

            yield simply(work, None if meets or q.change.new < q.change.old else False)
