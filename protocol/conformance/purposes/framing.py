"""Purposes about lines in time and among others: pauses in a line, many at once, answers in order."""

from __future__ import annotations

from contextlib import suppress
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.actions import do
from wirevow.protocol.conformance.purposes.constancy import captured_ns
from wirevow.protocol.conformance.purposes.images import ask_parts
from wirevow.protocol.conformance.purposes.looking import target_state
from wirevow.protocol.conformance.purposes.meddling import (
    a_number,
    discarded,
    idle_limit_ns,
    may_wait,
    on_the_wire,
    overlong,
    put_line,
    refused_here,
    rounds,
)
from wirevow.protocol.conformance.purposes.points import (
    boots,
    other_value,
)
from wirevow.protocol.conformance.purposes.records import filled_by
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request
from wirevow.protocol.vow import record_of


@purpose("wire", "idle", 3)
def idle(t: Tester, r: Requirement) -> None:
    wire = t.vow.document.wire
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    command = put_line(t, entry, value)
    if not t.session.held and wire.idle_typing > 5 * 10**9:
        raise NotSelected("waiting for the idle time takes too long on a clock that cannot be advanced")
    for idle_ns, checked in ((wire.idle_typing, False), (wire.idle_checked, True)):
        margin_ns = max(idle_ns // 50, 1 if t.session.held else 3 * HOST_SLACK_NS)
        line = Request(None, "ask", entry.name, (), checked).line()
        if checked:
            t.say("put link.guard on")
            command_line = Request(None, *_words(command), checked).line()
        else:
            command_line = command.encode()
        cut = len(command_line) // 2
        # Within the idle time the line goes on.
        t.raw(line[:5])
        t.wait(idle_ns - margin_ns)
        t.raw(line[5:] + b"\n")
        # After it, the rest of the line is nothing, and neither is a whole command behind it.
        t.raw(command_line[:cut])
        t.wait(idle_ns + margin_ns)
        t.raw(command_line[cut:] + b"\n")
        t.quiet()
        t.raw(b"xx")
        t.wait(idle_ns + margin_ns)
        t.raw(command_line + b"\n")
        t.quiet()
        t.ask(entry.name)
        # The time is from the last byte, not from the first.
        third = max(1, len(command_line) // 3)
        for start in range(0, len(command_line), third):
            t.raw(command_line[start : start + third])
            t.wait(idle_ns * 6 // 10)
        t.raw(b"\n")
        t.ask(entry.name)
        idle_s, off = Fraction(idle_ns, NS_PER_S), Fraction(margin_ns, NS_PER_S)
        what = "the idle time of a checked line" if checked else "the idle time"
        t.shown(r.id, Bracket(what, idle_s, needed(idle_s, off), "s", idle_s - off, idle_s + off))
        t.home()


def _words(text: str) -> tuple[str, str, tuple[str, ...]]:
    verb, name, *arguments = text.split(" ")
    return verb, name, tuple(arguments)


@purpose("wire", "order", 3)
def order(t: Tester, r: Requirement) -> None:
    count = t.vow.document.wire.pipeline
    entry = a_number(t)
    low, high = t.bounds(entry)
    lines = []
    for index in range(count):
        counts = low + (high - low) * (index + 1) // (count + 1)
        line = put_line(t, entry, counts) if index % 2 == 0 else f"ask {entry.name}"
        lines.append(f"{t.new_tag()} {line}\n")
    t.raw("".join(lines).encode())
    t.ask(entry.name)
    t.quiet()


QUICK_NS = 20 * 60 * NS_PER_S

LONGEST_NS = 2 * 3600 * NS_PER_S
"""Longest wait for a count to come round, at a first look and later: hours take some rigs a while."""

PAUSES = (1, 2, 3)
"""Pauses in a line that is discarded: each of them leaves it so."""


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
                discarded(t, begun, pauses)
        # What has come with its end is read afresh, without its tag and with a check of its own.
        t.raw(b"@1f ask self.")
        t.wait(idle_limit_ns(t))
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


@purpose("wire", "order", 1)
def longest_at_once(t: Tester, r: Requirement) -> None:
    """As many requests as may wait, with the longest replies there are, and as long as lines may be."""
    wire = t.vow.document.wire
    texts = ["ask self.vow"]
    texts += [f"ask {each.name} 0" for each in t.vow.points.values() if each.kind == "record"]
    texts += [f"ask {max(t.vow.points, key=len)}"]
    sizes = {text: len(t.say(text, tag=True).line()) for text in texts if _plain_ask(t, text)}
    longest = max(sizes, key=lambda each: sizes[each])
    if on_the_wire(t, wire.pipeline * (sizes[longest] + 12)):
        lines = (
            Request(f"@f00{index % 10}", "ask", *_split(longest), True) for index in range(wire.pipeline)
        )
        t.raw(b"".join(line.line() + b"\n" for line in lines))
        t.quiet()
        t.guard_off()
    if on_the_wire(t, wire.pipeline * wire.line_limit):
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
