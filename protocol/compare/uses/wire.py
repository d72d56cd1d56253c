"""How a host uses records and the wire itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from wirevow.protocol.compare.uses.way import (
    MS,
    Question,
    Telling,
    Use,
    another,
    ask_whole,
    first_name,
    go,
    go_where_settable,
    look,
    readings,
    simply,
)
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import duration_text
from wirevow.protocol.vow import PointEntry


def records(q: Question) -> Iterator[Use]:
    """All parts, as it is after a boot, with its settings moved, where what a field tells of now has the same
    value as what it told of before, and after its series was taken."""
    for entry in q.old.points.values():
        if entry.record != q.change.element:
            continue
        record = q.old.document.records[q.change.element]
        names = [str(field.value) for field in record.fields]
        fields = [q.old.points[name] for name in names if name in q.old.points]

        def whole(t: Tester, name: str = entry.name) -> None:
            ask_whole(t, name)

        def moved(t: Tester, name: str = entry.name, fields: list[PointEntry] = fields) -> None:
            for each in fields:
                if each.source == "setting" and t.settable_here(each):
                    t.put(each.name, another(t, each))
            ask_whole(t, name)

        yield simply(whole)
        yield simply(moved)
        told = q.new.document.records[q.change.element].fields if q.change.key == "fields" else []
        pairs = zip(record.fields, told, strict=False)
        points = [[q.old.points.get(str(field.value)) for field in pair] for pair in pairs]
        others = [
            (one, two)
            for one, two in points
            if one is not None and two is not None and one != two
            if one.source == "setting" and one.scale is not None and two.scale is not None
        ]

        def alike(t: Tester, name: str = entry.name, others: Any = others) -> None:
            for one, two in others:
                if (value := two.number.parse(t.ask(two.name).words[0])) is not None:
                    t.put(one.name, value[0])
            ask_whole(t, name)

        yield simply(alike)
        capture = q.old.doing("capture", q.change.element)
        if capture is not None:
            span_ns = max((each.every or 0) * each.count for each in record.fields) + 100 * MS

            def taken(t: Tester, name: str = entry.name, capture: Any = capture, ns: int = span_ns) -> None:
                go(t, next(iter(capture.to)))
                t.act(capture.name)
                t.alive(ns)
                ask_whole(t, name)

            yield simply(taken)


def paused(q: Question) -> Iterator[Use]:
    """A line with a pause in it."""
    name = first_name(q.old)
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


def stalled(q: Question) -> Iterator[Use]:
    """Notices while nothing can be sent: few, and more than the shorter queue holds."""
    if "local" not in q.old.parts:
        return  # a reply takes all that waits with it, and nothing else makes notices without one
    fewer = min(q.change.old, q.change.new)
    for count in (fewer, fewer + 2):

        def stall(t: Tester, count: int = count) -> Telling:
            turns = [Step("bench", f"panel.control {('local', 'remote')[turn % 2]}") for turn in range(count)]
            ends = [Step("bench", f"link.transmitter {word}") for word in ("stalled", "free")]
            asked = Step(">", f"ask {first_name(q.old)}")
            return Telling(count > fewer, (ends[0], *turns, ends[1], asked))

        yield stall


def parts(q: Question) -> Iterator[Use]:
    yield simply(lambda t: look(t))

    def noticed(t: Tester) -> None:
        t.panel("panel.control", "local")
        t.panel("panel.control", "remote")

    yield simply(noticed)

    def booted(t: Tester) -> None:
        t.power_cycle()
        look(t)

    yield simply(booted)
    for name, entry in q.old.points.items():
        if entry.record is not None:
            yield simply(lambda t, name=name: ask_whole(t, name))  # type: ignore[misc]


def opened(q: Question) -> Iterator[Use]:
    """The port opened again, or the supply given again, and the host heard soon, or late."""
    settings = [entry for entry in q.old.settings if entry.set_in is None][:1]
    name = first_name(q.old)
    asks = [Step(">", f"ask {each}") for each in (name, *(entry.name for entry in settings))]
    longer = max(each.document.wire.opening.settle for each in (q.old, q.new)) + MS
    begun = Step("power", "cycle") if q.change.key == "opening.settle" else Step("open")

    def again(wait_ns: int, meets: bool | None) -> Use:
        def work(t: Tester) -> Telling:
            for entry in settings:
                t.put(entry.name, another(t, entry))
            return Telling(meets, (begun, Step("wait", duration_text(wait_ns)), *asks))

        return work

    if q.change.key == "opening.settle":
        yield again(max(q.change.old, MS), q.change.new > q.change.old + MS or None)
        yield again(longer, False)
    else:
        yield again(longer, True)
        yield simply(look, False)


def long(q: Question) -> Iterator[Use]:
    """The longest line of every setting."""
    for entry in q.old.settings:
        if entry.scale is None:
            continue

        def work(t: Tester, entry: PointEntry = entry) -> Telling:
            go_where_settable(t, entry)
            low, high = t.bounds(entry)
            value = max((low, high), key=lambda counts: len(entry.number.words(counts)[0]))
            text = f"@ffff put {entry.name} {' '.join(entry.words(value))}"
            return Telling(len(text) > q.change.new, (Step(">", text),))

        yield work


def anything(q: Question) -> Iterator[Use]:
    """Nothing in particular: what can be asked."""
    yield simply(lambda t: look(t, readings(q.old)), False)
