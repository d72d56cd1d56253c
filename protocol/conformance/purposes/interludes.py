"""Purposes about what lies between: between the halves of a line, a request and its repeat, a ticket and its
use, two requests that the host's silence is counted between.

Each rule of `spec/wire.md` that remembers something is tried with everything that must leave it alone, and
with everything that must not. What sends nothing may happen inside a line as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from itertools import combinations, pairwise

from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.behaviour import do, signals_of, target_state, try_clear
from wirevow.protocol.conformance.purposes.constancy import captured_ns
from wirevow.protocol.conformance.purposes.images import ask_parts
from wirevow.protocol.conformance.purposes.physics import answered_by, filled_by, record_fields, record_series
from wirevow.protocol.conformance.purposes.points import boots, enable, lowered, other_value
from wirevow.protocol.conformance.purposes.wire import a_choice, a_number, giver, put_line, taker
from wirevow.protocol.conformance.tester import HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import ActionEntry, PointEntry, part_count, record_of

SHORT_NS = 5 * NS_PER_S
"""Longest wait on a clock that runs by itself."""
SOON_NS = 60 * NS_PER_S
"""What is provoked within this does not take long by its nature."""
STALLED_NS = NS_PER_S
"""So late what was begun may reach an instrument on a running clock: a busy host, a driver that collects."""
TICKS_NS = (1_000, 1_000_000, 10_000_000, 100_000_000, NS_PER_S)
"""What firmware counts time in (common practice, no source)."""
WIDTHS = (8, 16, 32)
QUICK_NS = 20 * 60 * NS_PER_S
LONGEST_NS = 2 * 3600 * NS_PER_S
"""Longest wait for a count to come round, at a first look and later: hours take some rigs a while."""
SPAN = 1000
"""Values that are looked through for two that suit."""
FEW = 4
"""Actions that are tried in a state that refuses many."""
PAUSES = (1, 2, 3)
"""Pauses in a line that is discarded: each of them leaves it so."""
CHANGES = ("recall", "defaults")
"""Effects that put settings, those too that cannot be put just now."""

Step = Callable[[], object]


# ------------------------------------------------------------------------------------------ what may happen


def rounds(ns: int) -> list[int]:
    """When a count has come round that is just wide enough for a time, for each tick; shortest first."""
    return sorted({next(tick << bits for bits in WIDTHS if tick << bits > ns) for tick in TICKS_NS})


def _idle_ns(t: Tester) -> int:
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
    """A setting that can be put at the panel to whatever is allowed at all."""
    return next(
        (
            each
            for each in t.vow.settings
            if each.local and t.settable_here(each) and f"panel.{each.name}" in t.events and t.gate is None
        ),
        None,
    )


def overlong(t: Tester) -> bytes:
    return b"x" * (t.vow.document.wire.line_limit + 2)


def _discarded(t: Tester, begun: bytes, pauses: int = 1) -> None:
    """A line that has been silent for too long, so often; its rest is a command, and nothing."""
    trying, t.trying = t.trying, "wire.idle"
    for part in (begun, *(b"." for _ in range(pauses - 1))):
        t.raw(part)
        t.wait(_idle_ns(t))
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
        if may_wait(t, _idle_ns(t)):
            for begun in (b"ask self.", b"@9 ask self.state", overlong(t)):
                yield partial(_discarded, t, begun)


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


# ------------------------------------------------------------------------------------------- inside a line


@purpose("wire", "notice.whole", 3)
def begun_through_notices(t: Tester, r: Requirement) -> None:
    """A line that has begun goes on after whatever is said unasked meanwhile, and a late one stays late."""
    if not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel")
    for step in by_hand(t):
        t.raw(b"ask self.")
        step()
        t.raw(b"state\n")
    for begun, rest in ((b"ask self.state\r", b"\n"), (overlong(t), b"y\n"), (b"@5", b" ask self.state\n")):
        t.raw(begun)
        t.panel("panel.control", "local")
        t.raw(rest)
        t.panel("panel.control", "remote")
    t.say("put link.guard on")
    if may_wait(t, _idle_ns(t)):
        t.raw(b"ask self.")
        t.wait(_idle_ns(t))
        t.panel("panel.control", "local")
        t.raw(b"ask self.state\n")
        t.panel("panel.control", "remote")
        # What is said meanwhile does not make the line younger.
        t.raw(b"ask self.")
        for who in ("local", "remote"):
            t.wait(_idle_ns(t) * 6 // 10)
            t.panel("panel.control", who)
        t.raw(b"state\n")
        t.quiet()
    t.ask("self.state")


@purpose("wire", "idle", 2)
def begun_through_change(t: Tester, r: Requirement) -> None:
    """A line that has begun goes on when the state changes by itself meanwhile."""
    spans = sorted(
        (leave.after_ns, state.name)
        for state in t.vow.states.values()
        for leave in state.leaves
        if leave.when is None and not state.energised and t.may_enter(state.name)
    )
    if not spans or not may_wait(t, spans[0][0]) or spans[0][0] >= t.vow.document.wire.idle_typing:
        raise NotSelected("no timed transition is short enough to happen while a line is incomplete")
    after_ns, state = spans[0]
    t.goto(state)
    t.raw(b"ask self.")
    t.wait(after_ns + after_ns // 100 + (0 if t.session.held else 4 * HOST_SLACK_NS))
    t.raw(b"state\n")


@purpose("wire", "boot", 1)
def begun_over_boot(t: Tester, r: Requirement) -> None:
    """A line that has begun does not go on after a boot, and what was being dropped is so no more."""
    ways = [each for each in boots(t) if each in (t.power_cycle, t.reset)]
    if not ways:
        raise NotSelected("needs a rig that can boot the instrument inside a line")
    for again in ways:
        t.raw(b"@1f ask self.")
        again()
        t.raw(b"state\n")
        t.raw(overlong(t))
        again()
        t.raw(b"ask self.state\n")
        t.say("put link.guard on")
        if may_wait(t, _idle_ns(t)):
            t.raw(b"ask self.")
            t.wait(_idle_ns(t))
            again()
            t.raw(b"ask self.state\n")
        t.raw(b"ask self.state\r")
        again()
        t.raw(b"\n")
        t.quiet()
    while_booting = t.session.held and t.vow.document.wire.opening.settle and t.reset in ways
    # What comes while it boots is lost, the beginning of a line too.
    if while_booting and t.reset(b"ask self.boots\nask self."):
        t.raw(b"ask self.state\n")


@purpose("wire", "boot", 1)
def counted_through(t: Tester, r: Requirement) -> None:
    """The time since the boot goes on while nothing can be sent, and while the panel has control."""
    uptime = t.vow.system_name("uptime")
    if uptime is None or not (has_transmitter(t) and t.session.held):
        raise NotSelected("needs a rig that can stall the transmitter, and a clock that can be advanced")
    t.transmitter("stalled")
    t.wait(QUICK_NS)
    t.transmitter("free")
    t.ask(uptime)
    if has_panel(t):
        t.panel("panel.control", "local")
        t.wait(QUICK_NS)
        t.panel("panel.control", "remote")
        t.ask(uptime)


@purpose("wire", "idle", TOUR)
def idle_of_all_lines(t: Tester, r: Requirement) -> None:
    """Whatever has begun ends after the idle time, however long after."""
    if not t.session.held:
        raise NotSelected("waiting for the idle time takes too long on a clock that cannot be advanced")
    for guard in (False, True):
        if guard:
            t.say("put link.guard on")
        idle_ns = t.vow.document.wire.idle_checked if guard else t.vow.document.wire.idle_typing
        for begun in (b"a", b"@1f ", b"ask self.state\r", b"ask self.state", overlong(t), b"\xff"):
            for pauses in PAUSES:
                _discarded(t, begun, pauses)
        # What has come with its end is read afresh, without its tag and with a check of its own.
        t.raw(b"@1f ask self.")
        t.wait(_idle_ns(t))
        t.raw(b"state\n" + Request(None, "ask", "no.such", (), True).line() + b"\n")
        for round_ns in rounds(idle_ns):
            if round_ns <= QUICK_NS:
                _paused(t, round_ns + idle_ns // 2)
        # A line that is too long goes on within the idle time as any other does.
        t.raw(overlong(t))
        for _ in range(2):
            t.wait(idle_ns * 6 // 10)
            t.raw(b"x")
        t.raw(b"\n")
        # Its time begins with the line: silence before it does not count, whatever the last one was.
        for ended in (b"", b"\r\n" if guard else b"\n", overlong(t) + b"\n"):
            t.raw(ended)
            t.wait(2 * idle_ns)
            t.raw(b"ask self.")
            t.wait(idle_ns * 6 // 10)
            t.raw(b"state\n")
    # Nor has time stood still while lines waited for their end.
    for each in t.vow.points.values():
        if each.system == "uptime":
            t.ask(each.name)
    # With the guard, the shorter time comes and goes.
    wire = t.vow.document.wire
    between_ns = (wire.idle_checked + wire.idle_typing) // 2
    _paused(t, between_ns)
    t.guard_off()
    _paused(t, between_ns)
    t.say("ask self.state", check=True)
    _paused(t, between_ns)
    with suppress(NotSelected):
        boots(t)[0]()
        _paused(t, between_ns)


def _paused(t: Tester, ns: int) -> None:
    """A line in two parts, so long apart."""
    t.raw(b"ask self.")
    t.wait(ns)
    t.raw(b"state\n")
    t.quiet()


@purpose("wire", "idle", 5)
def idle_for_hours(t: Tester, r: Requirement) -> None:
    """The same for counts that take longer to come round; no other time is lost by then either."""
    if not t.session.held:
        raise NotSelected("needs a rig that can hold the clock")
    idle_ns = t.vow.document.wire.idle_typing
    for round_ns in rounds(idle_ns):
        if QUICK_NS < round_ns <= LONGEST_NS:
            _paused(t, round_ns + idle_ns // 2)
    for each in t.vow.points.values():
        if each.system in ("uptime", "silence"):
            t.ask(each.name)


# ------------------------------------------------------------------------------ a request and its repeat


def told_apart(t: Tester) -> tuple[bytes, int]:
    """A request whose reply shows whether it was done anew, once so much time has passed."""
    entry = next(each for each in t.vow.points.values() if each.system == "uptime")
    step_ns = int(entry.number.step * NS_PER_S)
    if not t.session.held and step_ns > NS_PER_S:
        raise NotSelected("waiting for the time since the boot to change takes too long here")
    return f"@c0d ask {entry.name}".encode(), step_ns * 6 // 5


@purpose("wire", "once", 3)
def untagged_is_done_again(t: Tester, r: Requirement) -> None:
    """What has no tag is done and answered anew, however often it comes."""
    entry = next(each for each in t.vow.points.values() if each.system == "uptime")
    _, step_ns = told_apart(t)
    for _ in range(2):
        t.say(f"ask {entry.name}", tag=False)
        t.wait(step_ns)
    local = on_the_panel(t)
    if local is None or not has_panel(t):
        return
    value = other_value(t, local)
    for _ in range(2):
        t.say(f"put {local.name} {' '.join(local.words(value))}", tag=False)
        t.panel("panel.control", "local")
        t.panel(f"panel.{local.name}", other_value(t, local))
        t.panel("panel.control", "remote")
    t.ask(local.name)


@purpose("wire", "once", 1)
def once_compared(t: Tester, r: Requirement) -> None:
    """Another request is another one, wherever its bytes differ: also with the same tag, and at its end."""
    numbers = [each for each in t.vow.settings if each.scale is not None and t.settable_here(each)]
    numbers.sort(key=lambda each: len(" ".join((each.name, *each.words(each.default)))))
    for entry in dict.fromkeys((a_number(t), numbers[-1])) if numbers else ():
        low, high = t.bounds(entry)
        first = min(max(low, int(t.setting(entry.name))), high - 1)
        lines = [f"@d1 {put_line(t, entry, counts)}" for counts in (first, first + 1)]
        unit = entry.words(first)[1:]
        if unit:
            lines += [f"{lines[0]}x", lines[0].rpartition(" ")[0]]
        lines += [f"{lines[0]} x", lines[0], f"@d1 ask {entry.name}"]
        lines += [f"@d1 {put_line(t, entry, each)}" for each in _exchanged(entry, low, high)]
        for line in lines:
            t.line(line.encode())
        request = Request("@d1", "put", entry.name, entry.words(first), True).line()
        t.line(request)
        t.line(request[:-1] + (b"0" if request[-1:] != b"0" else b"1"))
        t.guard_off()
    alike = max(
        combinations([each.name for each in t.vow.points.values() if each.kind != "record"], 2),
        key=_common,
    )
    for name in (*alike, alike[0]):
        t.line(f"@d2 ask {name}".encode())
    # As long as a line may be, and with one byte that makes it another.
    limit = t.vow.document.wire.line_limit
    full = b"@d3 ask self.state ".ljust(limit, b"x")
    for each in (full, full[:-1] + b"\x7f", full[:-1] + b" ", full + b"x", full):
        t.line(each)
    t.trying = None  # what a part holds is another matter
    for record in (each for each in t.vow.points.values() if each.kind == "record"):
        last = part_count(t.vow, record) - 1
        for index in (f"{last}0", f"{last}", "0"):
            t.line(f"@d4 ask {record.name} {index}".encode())


def _exchanged(entry: PointEntry, low: int, high: int) -> list[int]:
    """Two values within bounds that are the same digits in another order; none if there are no such two."""
    for counts in range(high, max(low, high - SPAN), -1):
        shown = entry.number.text(counts)
        for left, right in pairwise(index for index, each in enumerate(shown) if each.isdigit()):
            other = shown[:left] + shown[right] + shown[left + 1 : right] + shown[left] + shown[right + 1 :]
            parsed = entry.number.parse(other)
            if other == shown or parsed is None or not low <= parsed[0] <= high:
                continue
            if entry.number.text(parsed[0]) == other:
                return [counts, parsed[0]]
    return []


@purpose("wire", "once", 2)
def once_is_not_done_again(t: Tester, r: Requirement) -> None:
    """A request given again is answered as before, and what it did is not done again."""
    for point, effect in (("saves", "save"), ("captures", "capture")):
        count = t.vow.system_name(point)
        action = next((a for a in t.vow.actions.values() if effect in {kind for kind, _ in a.does}), None)
        if count is None or action is None or action.takes_ticket is not None or t.state not in action.to:
            continue
        trying, t.trying = t.trying, None
        t.ask(count)  # what it is wrong by from here on is the repeats' doing
        t.trying = trying
        for _ in range(3):
            t.line(f"@e5 act {action.name}".encode())
        t.ask(count)
        # Without a tag nothing is remembered: it is done each time.
        for _ in range(2):
            t.say(f"act {action.name}", tag=False)
        t.ask(count)
    local = on_the_panel(t)
    if has_panel(t) and local is not None:
        # What the panel has changed since stays.
        value = other_value(t, local)
        line = f"@e6 put {local.name} {' '.join(local.words(value))}".encode()
        t.line(line)
        t.panel("panel.control", "local")
        t.panel(f"panel.{local.name}", other_value(t, local))
        t.line(line)
        t.panel("panel.control", "remote")
        t.line(line)
        t.ask(local.name)
    # Nor does the time of a state begin anew.
    for action in t.vow.actions.values():
        to = t.vow.states.get(action.to.get(t.state, ""))
        leave_ns = min((each.after_ns for each in to.leaves if each.when is None), default=0) if to else 0
        if to is None or not leave_ns or to.name == t.state or to.energised or not may_wait(t, leave_ns):
            continue
        if not t.may_enter(to.name):
            continue
        line = f"@e7 act {action.name}".encode()
        t.line(line)
        t.wait(leave_ns * 6 // 10)
        t.line(line)
        t.wait(leave_ns * 41 // 100)
        t.ask("self.state")
        t.line(line)  # nor is it entered again
        t.ask("self.state")
        break


def _common(pair: tuple[str, str]) -> int:
    """How many characters two names begin with alike."""
    return next(
        (at for at, each in enumerate(zip(*pair, strict=False)) if len(set(each)) > 1), min(map(len, pair))
    )


# -------------------------------------------------------------------------------------- silence and tickets


@purpose("wire", "watchdog", 3)
def silence_through(t: Tester, r: Requirement) -> None:
    """What changes by itself does not end the host's silence."""
    silence = t.vow.system_point("silence")
    if silence is None or not t.session.held:
        raise NotSelected("needs a point for the host's silence and a clock that can be advanced")
    for state in t.vow.states.values():
        for leave in state.leaves:
            timed = leave.when is None and leave.after_ns <= 60 * NS_PER_S
            if timed and not state.energised and t.may_enter(state.name):
                t.goto(state.name)
                t.wait(leave.after_ns + leave.after_ns // 100)
                t.ask(silence.name)


@purpose("wire", "ticket", 2)
def ticket_through(t: Tester, r: Requirement) -> None:
    """What is no request leaves a ticket as good as it was, and what is one makes it no better."""
    give, take = giver(t), taker(t)
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    good_ns = give.gives_ticket_ns
    assert good_ns is not None
    if not may_wait(t, 2 * good_ns):
        raise NotSelected("the ticket's time takes too long on a clock that cannot be advanced")
    t.prepare()
    again = f"@2d act {give.name}".encode()
    t.line(again)
    t.wait(good_ns * 6 // 10)
    t.line(again)  # the ticket of before, and no younger
    if t.energise and t.state in take.to:
        switched = [partial(t.put, "link.notices", word) for word in ("off", "on")]
        for step in (*_failed(t, take), *by_hand(t), *(switched if "link.notices" in t.vow.points else ())):
            step()  # nor is it any younger for these, a miss among them
    t.ask("self.state")
    t.wait(good_ns * 4 // 10 + (1_000_000 if t.session.held else 4 * HOST_SLACK_NS))
    t.ask("self.state")
    for each in t.vow.actions.values():
        if each.takes_ticket == give.name and t.state in each.to:
            t.act(each.name)
    if not t.energise or not t.session.held:
        return
    for guard in (False, True):
        t.home()
        t.prepare()
        if guard:
            t.say("put link.guard on")
            t.act(give.name)
        else:
            t.line(again)
            t.line(again)
        for step in (*_failed(t, take), *by_hand(t), *unheard(t)):
            if t.now_ns < t.oracle.twin.entered_ns + good_ns // 2:
                step()
        t.act(take.name)
        t.ask("self.state")
    # Nor is it any better where everything has been visited.
    t.home()
    t.prepare()
    far = {state.name: len(_way(t, state.name)) for state in t.vow.states.values() if state.energised}
    if far:
        with suppress(NotSelected, Doubtful):
            t.goto(max(far, key=lambda each: far[each]))
            t.home()
    t.prepare()
    t.act(give.name)
    t.say(f"act {take.name} {int(t.oracle.twin.ticket or '0', 16) ^ 0x10:04x}")


def _way(t: Tester, state: str) -> list[Step]:
    """The steps to a state; none if these hands cannot go there."""
    try:
        return list(t.route(state))
    except NotSelected:
        return []


def _failed(t: Tester, take: ActionEntry) -> Iterator[Step]:
    """Attempts with the good ticket that are refused for what else is wrong with them."""
    act = f"act {take.name} {t.oracle.twin.ticket or '0000'}".encode()
    yield partial(t.line, act + b" ~0000")
    yield partial(t.line, act.ljust(t.vow.document.wire.line_limit + 1, b"0"))
    if t.guard:
        yield partial(t.line, act)
        yield partial(t.line, f"act {take.takes_ticket}".encode())
    yield partial(t.say, f"act {take.name}")
    yield partial(t.say, act.decode() + " 0000")
    for action in t.vow.actions.values():
        if action.guard is not None and action.takes_ticket == take.takes_ticket:
            yield partial(t.say, f"act {action.name} {int(act[-4:], 16) ^ 1:04x}")


@purpose("wire", "ticket", TOUR)
def ticket_while_busy(t: Tester, r: Requirement) -> None:
    """While the panel has control a wrong ticket is wrong first, and the good one is only busy, and stays."""
    take = taker(t)
    if take is None or not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel, and an action that takes the ticket")
    t.prepare()
    t.act(giver(t).name)
    good = t.oracle.twin.ticket or "0000"
    t.panel("panel.control", "local")
    t.say(f"act {take.name} {int(good, 16) ^ 0x100:04x}")
    t.act(giver(t).name)
    t.act(take.name)
    t.panel("panel.control", "remote")
    if t.energise:
        t.act(take.name)
        t.ask("self.state")


@purpose("wire", "watchdog", TOUR)
def patience_to_its_step(t: Tester, r: Requirement) -> None:
    """The silence that is allowed is what was put, to its last digit: not less, and not much more."""
    trip = next(
        (e for e in t.vow.document.trips.values() if e.provoke is not None and e.provoke.silence), None
    )
    patience = t.vow.points.get("link.patience")
    if trip is None or trip.provoke is None or patience is None or not (t.session.held and t.energise):
        raise NotSelected("needs a clock that can be advanced, and a trip of the host's silence")
    t.arrange(trip.provoke)
    low, high = t.bounds(patience)
    step_ns = int(patience.number.step * NS_PER_S)
    units = max(1, NS_PER_S // step_ns)
    counts = min(high, max(low, 2 * units - 1))  # just short of a whole number of seconds
    t.say("put link.guard on")  # which no trip turns off
    t.put(patience.name, counts)
    with t.silence():
        t.wait(counts * step_ns * 98 // 100)
        t.ask("self.state")
        left_ns = counts * step_ns + max(step_ns, trip.provoke.within // 4)
        begun_ns = min(left_ns // 2, t.vow.document.wire.idle_checked * 9 // 10)
        t.wait(left_ns // 4)
        for step in by_hand(t):
            step()
        for line in (overlong(t), b"act no.such"):
            t.line(line)  # nor is this an accepted request
        t.wait(left_ns - left_ns // 4 - begun_ns)
        t.raw(b"ask self.")  # a line that has begun does not keep it waiting
        t.wait(begun_ns)
    if t.state == trip.provoke.state:
        due = f"the host's silence noticed after {counts * step_ns / NS_PER_S:g} s"
        raise Broken(Judgement(False, r.id, due), "", f"still in {t.state}")
    t.raw(b"state\n")


# ------------------------------------------------------------------------------------- notices that are off


@purpose("wire", "notice.queue", 2)
def waiting_over_boot(t: Tester, r: Requirement) -> None:
    """Notices that wait are gone with a boot, and so is what was counted of them."""
    ways = [each for each in boots(t) if each in (t.power_cycle, t.reset)]
    if not has_panel(t) or not has_transmitter(t) or not ways:
        raise NotSelected(
            "needs a rig that can stall the transmitter, turn the panel and boot the instrument"
        )
    t.transmitter("stalled")
    for _ in range(t.vow.document.wire.notice_queue // 2 + 1):
        for who in ("local", "remote"):
            t.panel("panel.control", who)
    ways[-1]()
    t.transmitter("free")
    for each in t.vow.points.values():
        if each.system == "drops":
            t.ask(each.name)
    t.panel("panel.control", "local")
    t.panel("panel.control", "remote")


@purpose("wire", "notice.off", 1)
def unsent_is_not_dropped(t: Tester, r: Requirement) -> None:
    """While notices are off none waits and none is dropped, whatever the transmitter does."""
    if not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel")
    drops = t.vow.system_name("drops")
    t.say("put link.notices off")
    for stalled in (False, True):
        if stalled and not has_transmitter(t):
            break
        if drops is not None:
            t.ask(drops)
        if stalled:
            t.transmitter("stalled")
        for _ in range(t.vow.document.wire.notice_queue // 2 + 1):
            for who in ("local", "remote"):
                t.panel("panel.control", who)
        if stalled:
            t.transmitter("free")
        if drops is not None:
            t.ask(drops)
    t.say("put link.notices on")
    t.panel("panel.control", "local")
    t.panel("panel.control", "remote")


@purpose("wire", "notice.off", 1)
def off_for_all_that_happens(t: Tester, r: Requirement) -> None:
    """While notices are off nothing is said of trips either, nor of what time does."""
    t.say("put link.notices off")
    provoked = [
        (t.vow.states[entry.provoke.state].energised, entry.provoke.within, name)
        for name, entry in t.vow.document.trips.items()
        if entry.provoke is not None and entry.provoke.bench and may_wait(t, entry.provoke.within)
    ]
    for _, _, name in sorted(provoked):
        provoke = t.vow.document.trips[name].provoke
        if provoke is not None and t.may_enter(provoke.state) and "bench" in t.abilities:
            with suppress(NotSelected, Doubtful):
                _struck(t, name)
                break
    t.home()
    t.say("put link.notices off")
    timed = [(each.after_ns, s.name) for s in t.vow.states.values() for each in s.leaves if each.when is None]
    for after_ns, state in sorted(timed):
        if t.may_enter(state) and may_wait(t, after_ns):
            t.goto(state)
            t.alive(after_ns + after_ns // 100 + (0 if t.session.held else 4 * HOST_SLACK_NS))
            t.ask("self.state")
            break
    t.quiet()


@purpose("trip", "fires", 1)
def fires_in_any_session(t: Tester, r: Requirement) -> None:
    """A protection acts whoever has control, and whether or not it can be told. One trip shows each."""
    provoke = t.vow.document.trips[r.element].provoke
    if provoke is None or not provoke.bench or provoke.silence:
        return
    if provoke.within > SOON_NS or not may_wait(t, provoke.within):
        return
    longest_ns = t.longest_silence_ns()
    controlled = "panel.control" in t.vow.trips[r.element].when.names
    if has_panel(t) and not controlled and "tripped from the panel" not in t.done:
        t.done.add("tripped from the panel")
        _struck(t, r.element, partial(t.panel, "panel.control", "local"))
        t.panel("panel.control", "remote")
    elif longest_ns is not None and provoke.within > longest_ns:
        return
    elif has_transmitter(t) and "tripped in a stall" not in t.done:
        t.done.add("tripped in a stall")
        _struck(t, r.element, partial(t.transmitter, "stalled"), partial(_freed, t, provoke))


def _freed(t: Tester, provoke: Provoke) -> None:
    """Nothing is held up that acts: the cause is gone by the time that can be told."""
    t.relieve(provoke)
    t.wait(provoke.within)
    t.transmitter("free")


def _struck(t: Tester, name: str, before: Step | None = None, after: Step | None = None) -> None:
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
    if t.state != trip.to:
        raise Broken(Judgement(False, f"trip.{name}.fires", f"state {trip.to}"), "", f"state {t.state}")
    t.relieve(provoke)


@purpose("wire", "notice.whole", 2)
def notices_before_replies(t: Tester, r: Requirement) -> None:
    """Notices that have had to wait leave before the reply to what was asked after them."""
    if not has_transmitter(t) or not t.session.held:
        raise NotSelected("needs a rig that can stall the transmitter, and hold the clock")
    for guard in (False, True):
        if guard:
            t.say("put link.guard on")
        t.transmitter("stalled")
        for who in ("local", "remote") if has_panel(t) else ():
            t.panel("panel.control", who)
        t.free_after(b"@a ask self.state\n")
        t.quiet()


# ---------------------------------------------------------------------------------------- all reasons at once


def _stay_tripped(t: Tester) -> str:
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


@purpose("wire", "reasons", 1)
def every_reason(t: Tester, r: Requirement) -> None:
    """Tripped, the cause still there, the panel in control and the guard on: the first reason is given."""
    if not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel")
    act = _stay_tripped(t)
    entry = a_number(t)
    number, *unit = entry.words(entry.number.high)
    over = entry.number.text(entry.number.high + 1)
    t.say("put link.guard on")
    t.panel("panel.control", "local")
    t.line(f"act {act}".encode().ljust(t.vow.document.wire.line_limit + 1, b"x"))
    t.line(f"act {act} ".encode())
    t.line(f"act {act} ~0000".encode())
    t.line(f"act {act}".encode())
    t.line(b"act no.such")
    texts = [
        "act no.such",
        f"put {act} 1",
        f"act {act} x",
        " ".join(("put", entry.name, "x", *unit)),
        f"put {entry.name} {over} {unit[0]}x" if unit else f"put {entry.name} {over} x",
        " ".join(("put", entry.name, over, *unit)),
        " ".join(("put", entry.name, number, *unit)),
    ]
    shut = next((each for each in t.vow.settings if not t.settable_here(each)), None)
    if shut is not None:
        texts.append(" ".join(("put", shut.name, *shut.words(shut.default))))
    refused = [each.name for each in t.vow.actions.values() if t.state not in each.to]
    texts += [f"act {each}" for each in refused[:FEW]]
    for text in texts:
        t.say(text)
    for _ in range(2):
        t.say(f"act {act}")  # busy comes first
    t.trying = None
    for record in (each for each in t.vow.points.values() if each.kind == "record"):
        t.say(f"ask {record.name} 0")  # asking is never in the way
    t.trying = r.id
    t.panel("panel.control", "remote")
    trip = t.vow.trips[t.oracle.twin.latched or ""]
    condition = trip.cleared_when if trip.cleared_when is not None else trip.when
    try_clear(t, act, signals_of(t, condition))
    t.guard_off()


# ---------------------------------------------------------------------------------------- as many as may wait


def _on_the_wire(t: Tester, size: int) -> bool:
    """Whether so many bytes are through within what a host allows a reply."""
    return t.session.held or size * 10 * NS_PER_S <= t.vow.document.wire.baud * t.deadline_ns


@purpose("wire", "order", 1)
def longest_at_once(t: Tester, r: Requirement) -> None:
    """As many requests as may wait, with the longest replies there are, and as long as lines may be."""
    wire = t.vow.document.wire
    texts = ["ask self.vow"]
    texts += [f"ask {each.name} 0" for each in t.vow.points.values() if each.kind == "record"]
    texts += [f"ask {max(t.vow.points, key=len)}"]
    sizes = {text: len(t.say(text, tag=True).line()) for text in texts if _plain_ask(t, text)}
    longest = max(sizes, key=lambda each: sizes[each])
    if _on_the_wire(t, wire.pipeline * (sizes[longest] + 12)):
        lines = (
            Request(f"@f00{index % 10}", "ask", *_split(longest), True) for index in range(wire.pipeline)
        )
        t.raw(b"".join(line.line() + b"\n" for line in lines))
        t.quiet()
        t.guard_off()
    if _on_the_wire(t, wire.pipeline * wire.line_limit):
        full = b"@f ask self.state ".ljust(wire.line_limit, b"x")
        t.raw((full + b"\n") * wire.pipeline)
        # Whatever a line is refused for, those behind it have come, and are answered.
        for kind in (full + b"x", b"x", b"", b"@f1 ask self.state ~0000"):
            _answered_behind(t, [kind])
        _answered_behind(t, [text.encode() for text in refused_here(t) if len(text) < wire.line_limit])
        t.say("put link.guard on")
        entry = a_number(t)
        _answered_behind(t, [put_line(t, entry, int(t.setting(entry.name))).encode(), b"act no.such"])
    t.ask("self.state")


def _answered_behind(t: Tester, lines: list[bytes]) -> None:
    """Each of these lines with others behind it that come at once; the last of them has a check, and is not
    refused for it. (Nor is it accepted, for that would turn the guard on.)"""
    some = max(t.vow.document.wire.pipeline - 1, 1)
    last = Request("@f2", "ask", "no.such", (), True).line()
    for start in range(0, len(lines), some):
        t.raw(b"".join(line + b"\n" for line in (*lines[start : start + some], last)))
    t.quiet()


def _plain_ask(t: Tester, text: str) -> bool:
    words = text.split(" ")
    return len(words) == 3 or t.vow.points[words[1]].kind != "record"


def _split(text: str) -> tuple[str, tuple[str, ...]]:
    _, name, *arguments = text.split(" ")
    return name, tuple(arguments)


# --------------------------------------------------------------------------------- settings of every state


@purpose("action", "effect", 2)
def brings_back_all(t: Tester, r: Requirement) -> None:
    """What brings settings back brings back those too that can be put in other states only."""
    action = t.vow.actions[r.element]
    if not any(kind in CHANGES for kind, _ in action.does):
        return
    moved: list[PointEntry] = []
    for allowed in dict.fromkeys(each.set_in for each in t.vow.settings):
        of_these = [each for each in t.vow.settings if each.set_in == allowed]
        for entry in t.random.sample(of_these, 1):
            with suppress(NotSelected):
                enable(t, entry)
                t.put(entry.name, other_value(t, entry))
                moved.append(entry)
    t.goto(target_state(t, action))
    below = lowered(t)
    if below is not None and below not in moved:
        moved.append(below)  # no limit that is in force just now holds it down
    do(t, action)
    for entry in moved:
        t.ask(entry.name)


# ------------------------------------------------------------------------------------------------- records


@purpose("wire", "bulk", 3)
def nothing_captured_yet(t: Tester, r: Requirement) -> None:
    """A series is all zeros until the first capture after a boot is complete; none outlasts a boot."""
    series = [
        each
        for each in t.vow.points.values()
        if each.kind == "record" and any(field.count > 1 for field in record_of(t.vow, each).fields)
    ]
    if not series:
        raise NotSelected("the document has no record of a series")
    again, left_ns = boots(t)[-1], 0
    for way in boots(t):
        action = filled_by(t, str(series[0].record))
        if way in (t.power_cycle, t.reset) and action is not None and t.gate is None:
            with suppress(NotSelected):
                t.prepare()
                t.goto(target_state(t, action))
                do(t, action)
                t.act(action.name)  # under way when it boots
                again, left_ns = way, captured_ns(t, action)
                break
    again()
    t.alive(left_ns)
    for each in t.vow.points.values():
        if each.system == "captures":
            t.ask(each.name)
    for entry in series:
        ask_parts(t, entry)


@purpose("record", "layout", 3)
def captured_stays(t: Tester, r: Requirement) -> None:
    """A series that was captured is there until the next one, whatever is done meanwhile."""
    record = t.vow.document.records[r.element]
    series = [field.name for field in record.fields if field.count > 1]
    action, point = filled_by(t, r.element), answered_by(t, r.element)
    if not series or action is None or point is None:
        return
    t.prepare()
    t.goto(target_state(t, action))
    do(t, action)
    before = record_fields(t, point.name, record)
    t.safe()
    t.line(overlong(t))
    for each in t.vow.actions.values():
        kinds = {kind for kind, _ in each.does}
        if each.to.get(t.state) == t.state and not kinds & {"capture", "reboot", "save"}:
            t.act(each.name)
    after = record_fields(t, point.name, record)
    for name in series:
        if before[name] != after[name]:
            due = f"{name} of {point.name} as it was: nothing has been captured since"
            raise Broken(Judgement(False, r.id, due), f"ask {point.name}", "other samples")
    # One that has begun is completed, though what it records has ended.
    count = t.vow.system_name("captures")
    safe = t.vow.document.trial.safe
    if count is not None and safe is not None and t.gate is None and t.vow.document.wire.pipeline > 1:
        t.goto(target_state(t, action))
        lines = [Request(None, "act", name, (), False).line() for name in (action.name, safe)]
        began_ns = t.now_ns
        t.raw(b"".join(line + b"\n" for line in lines))
        field = next(each for each in record.fields if each.count > 1)
        present = record_series(t, point.name, record, field)
        # Some instruments need time to answer, on a clock that is held as well.
        if t.now_ns == began_ns and present != after[field.name]:
            due = f"{field.name} of {point.name} as it was: the next capture is not complete"
            raise Broken(Judgement(False, r.id, due), f"ask {point.name}", "other samples")
        t.alive(captured_ns(t, action))
        t.ask(count)
        # And one that a boot overtakes is not.
        reboot = t.vow.doing("reboot")
        if reboot is not None and t.state in reboot.to:
            t.goto(target_state(t, action))
            t.raw(b"".join(line + b"\n" for line in lines))
            t.act(reboot.name)
            t.alive(captured_ns(t, action))
            t.ask(count)
    t.keep(r.id)
