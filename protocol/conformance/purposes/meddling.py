"""What comes between two lines, and what several kinds of purposes send: values, tickets, hands."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes.looking import led_on
from wirevow.protocol.conformance.purposes.points import (
    other_value,
)
from wirevow.protocol.conformance.purposes.trips import depends_on_state
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, record_of


def a_number(t: Tester) -> PointEntry:
    """A number that can be put in the initial state, with a unit if there is one."""
    found = [
        entry
        for entry in t.vow.settings
        if entry.scale is not None and (entry.set_in is None or t.vow.initial in entry.set_in)
    ]
    if not found:
        raise NotSelected("the document has no number that can be put in the initial state")
    return min(
        found, key=lambda entry: (entry.number.unit == "1", entry.low is not None, -entry.number.digits)
    )


def a_choice(t: Tester) -> PointEntry | None:
    """A stored choice that can be put in the initial state."""
    for entry in t.vow.settings:
        if entry.scale is None and (entry.set_in is None or t.vow.initial in entry.set_in):
            return entry
    return None


def _giver(t: Tester) -> ActionEntry | None:
    actions = t.vow.actions.values()
    return next(
        (each for each in actions if each.gives_ticket_ns is not None and t.vow.initial in each.to), None
    )


def giver(t: Tester) -> ActionEntry:
    """The action that gives tickets in the initial state. NotSelected if none does."""
    if (give := _giver(t)) is None:
        raise NotSelected("no ticket is given in the initial state")
    return give


def taker(t: Tester) -> ActionEntry | None:
    """An action that takes the ticket of `giver`, in the state that it leads to."""
    if (give := _giver(t)) is None:
        return None
    for action in t.vow.actions.values():
        taken = action.takes_ticket == give.name and action.guard is None
        if taken and set(give.to.values()) & set(action.to):
            return action
    return None


def given(t: Tester) -> str:
    """A fresh ticket. NotSelected where a guard keeps it from being given."""
    give = giver(t)
    if give.guard is not None:
        t.prepare()
    t.act(give.name)
    if t.oracle.twin.ticket is None:
        raise NotSelected(f"the guard of {give.name} is shut")
    return t.oracle.twin.ticket


def put_line(t: Tester, entry: PointEntry, counts: int) -> str:
    """A put of a number in full."""
    return f"put {entry.name} {' '.join(entry.words(counts))}"


def causes_notices(t: Tester, count: int) -> None:
    """Have a few notices come, by whatever hand there is."""
    if "panel.control" in t.events:
        for index in range(count):
            t.panel("panel.control", "local" if index % 2 == 0 else "remote")
        t.panel("panel.control", "remote")
        return
    leave = next(
        ((state, each) for state in t.vow.states.values() for each in state.leaves if each.when is None), None
    )
    if leave is None or (not t.session.held and leave[1].after_ns > 10**10):
        raise NotSelected("nothing here can cause notices: no rig, no timed transition")
    for _ in range(count):
        t.goto(leave[0].name)
        t.wait(leave[1].after_ns + leave[1].after_ns // 500 + (0 if t.session.held else 4 * HOST_SLACK_NS))
        t.ask("self.state")


SHORT_NS = 5 * NS_PER_S
"""Longest wait on a clock that runs by itself."""

STALLED_NS = NS_PER_S
"""So late what was begun may reach an instrument on a running clock: a busy host, a driver that collects."""

TICKS_NS = (1_000, 1_000_000, 10_000_000, 100_000_000, NS_PER_S)
"""What firmware counts time in (common practice, no source)."""

WIDTHS = (8, 16, 32)

Step = Callable[[], object]


def rounds(ns: int) -> list[int]:
    """When a count has come round that is just wide enough for a time, for each tick; shortest first."""
    return sorted({next(tick << bits for bits in WIDTHS if tick << bits > ns) for tick in TICKS_NS})


def idle_limit_ns(t: Tester) -> int:
    """The idle time in force and what it takes to be past it."""
    wire = t.vow.document.wire
    idle_ns = wire.idle_checked if t.guard else wire.idle_typing
    return idle_ns + max(idle_ns // 50, 0 if t.session.held else STALLED_NS)


def may_wait(t: Tester, ns: int) -> bool:
    return t.session.held or ns <= SHORT_NS


def has_panel(t: Tester) -> bool:
    return t.may_turn("panel.control", "local")


def has_transmitter(t: Tester) -> bool:
    return t.may_turn("link.transmitter", "stalled")


def on_the_panel(t: Tester) -> PointEntry | None:
    """A setting that can be put at the panel to whatever is allowed at all, and nothing else comes of it."""
    leaves, trips = t.vow.states[t.state].leaves, t.vow.trips.values()
    whens = [each.when for each in leaves if each.when is not None]
    whens += [trip.when for trip in trips if t.state in trip.armed_in]
    leading = {name for when in whens for name in when.names}
    return next(
        (
            each
            for each in t.vow.settings
            if each.local and t.settable_here(each) and each.name not in leading
            if f"panel.{each.name}" in t.events and t.gate is None
        ),
        None,
    )


def overlong(t: Tester) -> bytes:
    return b"x" * (t.vow.document.wire.line_limit + 2)


def discarded(t: Tester, begun: bytes, pauses: int = 1) -> None:
    """A line that has been silent for too long, so often; its rest is a command, and nothing."""
    trying, t.trying = t.trying, "wire.idle"
    for part in (begun, *(b"." for _ in range(pauses - 1))):
        t.raw(part)
        t.wait(idle_limit_ns(t))
    t.raw(b"ask self.state\n")
    t.quiet()
    t.trying = trying


def unheard(t: Tester) -> Iterator[Step]:
    """What the instrument does not understand as a request: it leaves everything as it is."""
    limit = t.vow.document.wire.line_limit
    for line in (b"", b"\r"):
        yield partial(t.raw, line + b"\n")
    wrong = (
        b"x",
        b"@9 ask",
        overlong(t),
        b"@9 ask self.state ".ljust(limit + 1, b"x"),
        b"ask self.state ~0000",
        b"@9 ask no.such ~0000",
    )
    for line in wrong:
        yield partial(t.line, line)
    if t.guard:
        entry = a_number(t)
        plain = put_line(t, entry, int(t.setting(entry.name))).encode()
        for line in (plain, b"@9 " + plain, b"put no.such 1", b"@9 act no.such"):
            yield partial(t.line, line)
        # The idle time is the shorter one with the guard.
        if may_wait(t, idle_limit_ns(t)):
            for begun in (b"ask self.", b"@9 ask self.state", overlong(t)):
                yield partial(discarded, t, begun)


def by_hand(t: Tester) -> Iterator[Step]:
    """What others do, and the instrument says unasked; nothing is sent."""
    if not has_panel(t):
        return
    yield partial(t.panel, "panel.control", "local")
    local = on_the_panel(t)
    if local is not None:
        yield partial(t.panel, f"panel.{local.name}", other_value(t, local))
    yield partial(t.panel, "panel.control", "remote")
    if has_transmitter(t):
        yield partial(_kept_up, t)


def _kept_up(t: Tester) -> None:
    """Notices that have to wait, and then leave together."""
    t.transmitter("stalled")
    for who in ("local", "remote"):
        t.panel("panel.control", who)
    t.transmitter("free")


def refused_here(t: Tester) -> Iterator[str]:
    """Requests that are understood and refused in the initial state, one for each reason there is."""
    entry, choice = a_number(t), a_choice(t)
    number, *unit = entry.words(entry.number.high)
    shut = next((each for each in t.vow.settings if not t.settable_here(each)), None)
    plain = next(
        (each for each in t.vow.actions.values() if each.takes_ticket is None and not each.many), None
    )
    yield from ("ask no.such", f"act {entry.name}", "put self.state 1")
    yield " ".join(("put", entry.name, "x", *unit))
    if unit:
        yield f"put {entry.name} {number} {unit[0]}x"
    if choice is not None:
        yield f"put {choice.name} no_such"
    over = entry.number.text(t.bounds(entry)[1] + 1)
    if len(over.replace(".", "")) <= MOST_DIGITS:
        yield " ".join(("put", entry.name, over, *unit))
    if shut is not None:
        yield " ".join(("put", shut.name, *shut.words(shut.default)))
    if plain is not None and t.may_do(plain.name):
        yield f"act {plain.name} 1"
    for record in [each.name for each in t.vow.points.values() if each.kind == "record"][:1]:
        yield from (f"ask {record} x", f"ask {record} 250")
    for action in t.vow.actions.values():
        if t.state not in action.to and action.takes_ticket is None:
            yield f"act {action.name}"
            break
    yield "ask self.state ".ljust(t.vow.document.wire.line_limit, "x")


def way_to(t: Tester, state: str) -> list[Step]:
    """The steps to a state; none if these hands cannot go there."""
    try:
        return list(t.route(state))
    except NotSelected:
        return []


def freed(t: Tester, provoke: Provoke) -> None:
    """Nothing is held up that acts: the cause is gone by the time that can be told."""
    t.relieve(provoke)
    t.wait(provoke.within)
    t.transmitter("free")


def struck(t: Tester, name: str, before: Step | None = None, after: Step | None = None) -> None:
    """Provoke a trip, in silence if that can be, and hands that do something before and after."""
    trip, provoke = t.vow.trips[name], t.vow.document.trips[name].provoke
    assert provoke is not None
    t.arrange(provoke)
    if before is not None:
        before()
    patience_ns = t.patience_ns()
    silent = patience_ns is None or provoke.within <= patience_ns
    # A line that has begun meanwhile is nothing to it.
    begun = t.session.held and silent and not t.guard and provoke.within < t.vow.document.wire.idle_typing
    for event, value in provoke.bench.items():
        t.bench(event, value)
    if begun:
        t.raw(b"ask self.")
    within_ns = provoke.within + (0 if t.session.held else HOST_SLACK_NS)
    if silent:
        t.wait(within_ns)
    else:
        t.alive(within_ns)  # silence would trip as well
    if after is not None:
        after()
    if begun:
        t.raw(b"state\n")
    else:
        t.ask("self.state")
    follows(t, trip)
    t.relieve(provoke)


def stay_tripped(t: Tester) -> str:
    """Have a trip whose cause stays when it has acted; returns the action that cannot clear it."""
    latched = sorted(
        (t.vow.states[entry.provoke.state].energised, entry.provoke.within, name)
        for name, entry in t.vow.document.trips.items()
        if entry.provoke is not None and entry.latched and entry.provoke.bench
    )
    clears = [each for each in t.vow.actions.values() if ("clear_trip", "") in each.does]
    for _, _, name in latched:
        provoke = t.vow.document.trips[name].provoke
        assert provoke is not None
        if not t.may_enter(provoke.state):
            continue
        with suppress(NotSelected, Doubtful):
            t.provoke_trip(name, provoke)
            for action in clears:
                if t.state in action.to and not t.act(action.name).ok:
                    return action.name
        t.home()
    raise NotSelected("no trip that this rig can cause blocks clearing")


def on_the_wire(t: Tester, size: int) -> bool:
    """Whether so many bytes are through within what a host allows a reply."""
    return t.session.held or size * 10 * NS_PER_S <= t.vow.document.wire.baud * t.deadline_ns


def images_in(t: Tester) -> list[PointEntry]:
    """Records of what is now, not of a series."""
    records = [each for each in t.vow.points.values() if each.kind == "record"]
    return [each for each in records if all(field.count == 1 for field in record_of(t.vow, each).fields)]


def longer_than(t: Tester, began_s: float, seconds: float) -> bool:
    """Whether a rig that is not known to be quick has taken longer."""
    return "quick" not in t.abilities and time.monotonic() - began_s > seconds


def turned(t: Tester, count: int = 2) -> None:
    """The panel takes control and gives it back, so many turns in all."""
    for index in range(count):
        t.panel("panel.control", "remote" if index % 2 else "local")


def run_over(t: Tester) -> None:
    """Some notices are dropped."""
    t.transmitter("stalled")
    turned(t, t.vow.document.wire.notice_queue // 2 * 2 + 2)
    t.transmitter("free")


def left_by_time(t: Tester) -> tuple[str, int] | None:
    """A state that handles no power and that time alone leaves, and how long to wait for that."""
    spans = sorted(
        (leave.after_ns, state.name)
        for state in t.vow.states.values()
        for leave in state.leaves
        if leave.when is None
        and not state.energised
        and t.may_enter(state.name)
        and may_wait(t, leave.after_ns)
    )
    if not spans:
        return None
    after_ns, state = spans[0]
    return state, after_ns + after_ns // 100 + (0 if t.session.held else 4 * HOST_SLACK_NS)


def _by_bench(t: Tester) -> Iterator[tuple[TripEntry, Provoke]]:
    """Trips that the bench alone provokes from here, and soon."""
    for name, declared in t.vow.document.trips.items():
        trip, provoke = t.vow.trips[name], declared.provoke
        if provoke is None or not provoke.bench or provoke.put or provoke.silence:
            continue
        soon = provoke.within <= SHORT_NS and t.state in trip.armed_in
        able = all(t.may_turn(*each) for each in provoke.bench.items())
        if soon and able and not depends_on_state(t, trip):
            yield trip, provoke


def trip_and_cause(t: Tester) -> tuple[TripEntry, Provoke] | None:
    """Have the bench trip it, if it can; nothing is asked meanwhile."""
    found = next(_by_bench(t), None)
    if found is not None:
        for event, value in found[1].bench.items():
            t.bench(event, value)
        t.wait(found[1].within + (0 if t.session.held else HOST_SLACK_NS))
    return found


def follows(t: Tester, trip: TripEntry) -> None:
    """It is where the trip leads, or has gone on from there by itself."""
    if t.state not in led_on(t, trip.to, by_time=not t.oracle.twin.told):
        # What has tripped and is not there has been cleared, with its cause still there.
        aspect = "clears" if trip.latched and t.oracle.twin.last_trip[0] == trip.name else "fires"
        judgement = Judgement(False, f"trip.{trip.name}.{aspect}", f"state {trip.to}")
        raise Broken(judgement, "", f"state {t.state}")


def has_tripped(t: Tester, struck: tuple[TripEntry, Provoke]) -> None:
    """It has, and what provoked it goes away."""
    trip, provoke = struck
    t.ask("self.state")
    follows(t, trip)
    t.relieve(provoke)
