"""Purposes about the wire itself: lines, checks, tags, tickets, notices (`spec/wire.md`)."""

from __future__ import annotations

import string
from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.behaviour import do, target_state
from wirevow.protocol.conformance.purposes.points import (
    between,
    boots,
    doing,
    enable,
    moved_while_busy,
    other_value,
    restart,
)
from wirevow.protocol.conformance.tester import HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request, check_of
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import ActionEntry, PointEntry, record_of

FEW = 4
"""Settings that are tried in every way; the rules are the same for all."""
LONG = 1100
"""Notices after which a short count of them has come round."""
LEAST = len("ask self.state x ~0000")
"""The shortest line of those that differ in nothing but their length, and of which some have checks."""
SHARE = 0.3
"""Part of the actions whose names are tried with every wrong verb."""


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


@purpose("wire", "framing", 1)
def framing(t: Tester, r: Requirement) -> None:
    t.raw(b"ask self.state\r\n")
    t.raw(b"\n\r\n\n")
    t.quiet()
    t.raw(b"ask self.state\n")
    for line in (b"ask  self.state", b" ask self.state", b"ask self.state ", b"ask\tself.state"):
        t.line(line)
    t.raw(b"ask self.state\r\r\n")
    t.raw(b"ask self.\rstate\n")
    t.raw(b"\rask self.state\n")
    t.raw(b"ask self.state\nask self.state\n")
    t.raw(b"ask self.state\n", pieces=7)


@purpose("wire", "length", 3)
def length(t: Tester, r: Requirement) -> None:
    limit = t.vow.document.wire.line_limit
    exact = b"ask self.state " + b"x" * (limit - len("ask self.state "))
    # Every length that there is, with a check by turns; of the longest both.
    odd = t.random.randrange(2)
    for size in range(LEAST, limit + 2):
        for checked in (False, True) if size >= limit else ((size + odd) % 2 == 0,):
            word = "x" * (size - LEAST + (1 if checked else 7))
            t.line(Request(None, "ask", "self.state", (word,), checked).line())
    t.raw(exact + b"\r\n")
    t.raw(exact + b"x\r\n")
    t.raw(exact + b"\rx\n")
    for size in (limit + 2, 2 * limit, 255 + limit, 256 + limit, 1024):
        t.line(b"x" * size)
    # The tail of a line that is too long is no command.
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    command = put_line(t, entry, value).encode()
    for pad in (limit, limit + 1, 2 * limit, 256):
        t.line(b"x" * pad + b" " + command)
        t.line(b"x" * pad + command)
    t.ask(entry.name)
    t.line(b"@1f " + exact)


@purpose("wire", "syntax", 3)
def syntax(t: Tester, r: Requirement) -> None:
    for line in (
        b"x", b"ask", b"ask ", b"Ask self.state", b"ASK self.state", b"get self.state", b"asks self.state",
        b"ask Self.state", b"ask self..state", b"ask .self", b"ask self.", b"ask 1self", b"ask self-state",
        b"ask self.1state", b"ask _self", b"@ ask self.state", b"@12345 ask self.state",
        b"@1F ask self.state",
        b"@1g ask self.state", b"@1f  ask self.state", b"@1f", b"@1f ", b"@1f ask", b"1f ask self.state",
        b"@1f ask Self", b"@1f@2 ask self.state", b"ask self.state ~", b"ask self.state ~123",
        b"ask self.state ~12345", b"ask self.state ~abcd", b"~1234", b"ask ~1234", b"note 1 boot power",
        b"ok", b"refuse syntax", b"@1f ok",
    ):  # fmt: skip
        t.line(line if line[:1] == b"@" or t.lines % 3 == 0 else f"{t.new_tag()} ".encode() + line)
    # What begins no request is not skipped either, whatever it may mean to a script.
    for mark in string.punctuation.encode():
        t.line(b"%cask self.st%cate" % (mark, mark))
    t.line(b"   ")
    for byte in (0x00, 0x01, 0x07, 0x08, 0x09, 0x0B, 0x1B, 0x1F, 0x7F, 0x80, 0xA0, 0xC3, 0xFE, 0xFF):
        t.raw(b"ask self.st" + bytes((byte,)) + b"ate\n")
        t.raw(b"@2a ask self.state" + bytes((byte,)) + b"\n")
    t.raw(bytes((0x80 | value if value != 0x0A else value) for value in b"ask self.state\n"))
    t.ask("self.state")


@purpose("wire", "resync", 1)
def resync(t: Tester, r: Requirement) -> None:
    for garbage in (
        b"\xff\x00\xfe",
        b"@@@@",
        b"put ",
        bytes(range(0x20, 0x7F)),
        b"\x00" * 40,
        b"~0000 ~0000",
    ):
        t.raw(garbage + b"\nask self.state\n")
    noise = bytes(t.random.randrange(256) for _ in range(400)).replace(b"\n", b"?")
    t.raw(noise + b"\n")
    t.raw(b"ask self.state\n")
    t.quiet()


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


@purpose("wire", "tag", 3)
def tag(t: Tester, r: Requirement) -> None:
    for each in ("@0", "@0000", "@ffff", "@a9b"):  # besides those that come by turns
        t.line(f"{each} ask self.state".encode())
    # A tag is its own line's, whatever that is refused for.
    overlong = b"@1f ".ljust(t.vow.document.wire.line_limit + 1, b"x")
    for line in (b"@1f ask self.state ~0000", b"@1f x", overlong):
        t.line(line)
        t.line(b"x")


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


@purpose("wire", "unit", 3)
def unit(t: Tester, r: Requirement) -> None:
    units = {entry.number.unit: entry for entry in t.vow.settings if entry.scale is not None}
    units.pop("1", None)
    for entry in t.random.sample(list(units.values()), min(FEW, len(units))):
        enable(t, entry)
        value = other_value(t, entry)
        assert isinstance(value, int)
        number, ours = entry.words(value)
        for wrong in (f"m{ours}", ours.swapcase(), ours + ours, "x", "1", f"{ours} {ours}"):
            if wrong != ours:
                t.say(f"put {entry.name} {number} {wrong}")
        t.say(f"put {entry.name} {number}")
        t.say(f"put {entry.name} {number} m{ours}", check=True)
        t.ask(entry.name)
        t.home()
    entry = a_number(t)
    if entry.number.unit != "1":
        value = other_value(t, entry)
        assert isinstance(value, int)
        t.say(f"put {entry.name} {entry.number.text(value)}", check=True)
        t.ask(entry.name)


@purpose("wire", "exact", 3)
def exact(t: Tester, r: Requirement) -> None:
    written = {
        (entry.number.unit, entry.number.digits): entry
        for entry in t.vow.settings
        if entry.scale is not None and (entry.set_in is None or t.vow.initial in entry.set_in)
    }
    for entry in t.random.sample(list(written.values()), min(FEW, len(written))):
        scale = entry.number
        value = other_value(t, entry)
        assert isinstance(value, int)
        # A value that is whole in units, so that fewer digits mean the same.
        number, *rest = entry.words(value)
        shorter = number.rstrip("0").rstrip(".") if "." in number else ""
        for wrong in dict.fromkeys((shorter, number + "0" if "." in number else number + ".0", number[:-1])):
            if wrong and wrong != number:
                t.say(" ".join(("put", entry.name, wrong, *rest)))
        tail = number[number.index(".") :] if "." in number else ""
        longer = (
            [f"{power + int(number.split('.')[0])}{tail}" for power in (1 << 16, 1 << 32)]
            if number[0] != "-"
            else []
        )
        for wrong in (
            f"+{number}", f"0{number}", f"-{scale.text(0)}", number.replace(".", ","), f"{number}e0",
            f"{number}x", "-", ".", "1000000000", *longer,
        ):  # fmt: skip
            if wrong != number:
                t.say(" ".join(("put", entry.name, wrong, *rest)))
        t.ask(entry.name)
    entry = a_number(t)
    low, high = t.bounds(entry)
    grain, one, present = entry.number.grain, 10**entry.number.digits, t.setting(entry.name)
    whole = next((each for each in range(low, high + 1) if each * grain % one == 0 and each != present), None)
    if whole is not None and entry.number.digits:
        unit_words = entry.words(whole)[1:]
        short = str(int(whole * entry.number.step))
        t.say(" ".join(("put", entry.name, short, *unit_words)))
        t.say(" ".join(("put", entry.name, short, *unit_words)), check=True)
        t.ask(entry.name)


@purpose("wire", "round", 3)
def rounding(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    low, high = t.bounds(entry)
    middle = (low + high) // 2
    shares = Fraction(49, 100), Fraction(1, 2), Fraction(51, 100)
    for counts in (middle, high, low):
        for share in shares:
            _round(t, entry, counts + share)
    # The range of the quantity is as far as what was rounded may go, and no further.
    whole = next((each for each in t.vow.settings if t.settable_here(each) and _unlimited(t, each)), None)
    if whole is not None and whole is not entry:
        for share in (Fraction(2, 5), Fraction(1, 2)):
            _round(t, whole, whole.number.high + share)
    # Below zero, half a step goes down.
    below = next(below_zero(t), None)
    if below is not None:
        t.home()
        enable(t, below)
        for counts in (-3, -1, 0):
            for share in (Fraction(2, 5), Fraction(1, 2)):
                _round(t, below, counts - share)


def below_zero(t: Tester) -> Iterator[PointEntry]:
    """Settings that may be below zero just now."""
    return (each for each in t.vow.settings if each.scale is not None and t.bounds(each)[0] < 0)


def _unlimited(t: Tester, entry: PointEntry) -> bool:
    """Whether a number may go to the ends of its quantity just now."""
    return entry.scale is not None and t.bounds(entry) == (entry.number.low, entry.number.high)


def _round(t: Tester, entry: PointEntry, counts: Fraction) -> None:
    """A number with more digits than its step has, and what it became."""
    shown = between(entry, counts)
    if shown:
        t.say(" ".join(("put", entry.name, shown, *entry.words(0)[1:])), check=True)
        t.ask(entry.name)


@purpose("wire", "reasons", 3)
def reasons(t: Tester, r: Requirement) -> None:
    """Lines to which several reasons apply; the first of the table is due."""
    entry = a_number(t)
    number, *unit_words = entry.words(entry.number.high)
    over = entry.number.text(entry.number.high + 1)
    wrong_unit = "xx" if unit_words else ""
    lines = [
        "ask no.such ~0000",
        "ask no.such 1",
        "put no.such 1.0 A",
        "act no.such",
        "put self.state",
        "put self.state 1",
        "act self.state 1",
        f"put {entry.name} x {wrong_unit}".rstrip(),
        f"put {entry.name} {over} {wrong_unit}".rstrip(),
        f"put {entry.name} {over}00 {' '.join(unit_words)}".rstrip(),
        f"put {entry.name} {number} {' '.join(unit_words)} more".replace("  ", " "),
        f"ask {entry.name} 1",
        "ask self.vow x",
    ]
    for action in t.vow.actions.values():
        if not t.may_do(action.name):
            continue  # a faulty instrument could take any of these for it
        if t.random.random() < SHARE:
            lines += [f"ask {action.name}", f"put {action.name} 1"]
        if action.takes_ticket is not None:
            lines += [
                f"act {action.name} {each}" for each in ("123", "12345", "ABCD", "x", "0000 0000", "00g0")
            ]
            lines += [f"act {action.name}"]
        else:
            lines += [f"act {action.name} 0000"] if ("reboot", "") not in action.does else []
    for line in lines:
        t.say(line)
    # In a state that forbids it: type before state, state before range, unit before state.
    for setting in t.vow.settings:
        if setting.set_in is not None and t.vow.initial not in setting.set_in:
            if setting.scale is not None:
                scale = setting.number
                over, *ours = setting.words(scale.high)
                t.say(" ".join(("put", setting.name, "x", *ours)))
                t.say(" ".join(("put", setting.name, scale.text(scale.high + 1), *ours)))
                if ours:
                    t.say(f"put {setting.name} {over} xx")
            else:
                t.say(f"put {setting.name} nosuch")
    # The guard's check comes before everything that a line says.
    t.say("put link.guard on")
    for unchecked in ("put no.such 1", "put self.state 1", "act no.such", f"put {entry.name} x"):
        t.line(unchecked.encode())


@purpose("wire", "reasons", 1)
def busy(t: Tester, r: Requirement) -> None:
    """While the panel has control: every other reason comes before `busy`."""
    t.need("bench")
    if "panel.control" not in t.events:
        raise NotSelected("needs a rig that can turn the front panel")
    entry = a_number(t)
    scale = entry.number
    t.panel("panel.control", "local")
    ours = entry.words(scale.high)[1:]
    t.say(" ".join(("put", entry.name, scale.text(scale.high + 1), *ours)))
    t.say(" ".join(("put", entry.name, "x", *ours)))
    longer = scale.text(t.bounds(entry)[1]) + ("0" if scale.digits else ".0")
    t.say(" ".join(("put", entry.name, longer, *ours)))
    t.put(entry.name, entry.number.nearest(entry.number.low * entry.number.step))
    for action in t.vow.actions.values():
        if ("reboot", "") not in action.does and t.may_do(action.name):
            t.act(action.name)
    moved_while_busy(t)
    t.put("link.notices" if "link.notices" in t.vow.points else "link.guard", "off")
    t.panel("panel.control", "remote")


@purpose("wire", "atomic", 3)
def atomic(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    scale = entry.number
    value = other_value(t, entry)
    assert isinstance(value, int)
    t.put(entry.name, value)
    number, *ours = entry.words(entry.default if isinstance(entry.default, int) else 0)
    for line in (
        f"put {entry.name} {number} xx",
        " ".join(("put", entry.name, scale.text(scale.high + 1), *ours)),
        " ".join(("put", entry.name, number, *ours, "~0000")),
        " ".join(("put", entry.name, number, *ours, "more")),
        f"put {entry.name} {number}0",
    ):
        t.line(line.encode())
        t.ask(entry.name)
    choice = a_choice(t)
    if choice is not None:
        other = other_value(t, choice)
        t.say(f"put {choice.name} {other} {other}")
        t.ask(choice.name)
    # A refused request has not turned the guard on, whatever its check.
    t.say("ask no.such", check=True)
    t.ask("link.guard")
    t.put(entry.name, value)
    # Actions that are refused change no state and no setting.
    for action in t.vow.actions.values():
        if t.state not in action.to:
            t.act(action.name)
    t.ask("self.state")
    t.ask(entry.name)


@purpose("wire", "check", 3)
def check(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    body = put_line(t, entry, value).encode()
    right = int(check_of(body), 16)
    for wrong in {
        right ^ 1,
        right ^ 0x8000,
        right ^ 0xFFFF,
        (right >> 8) | (right & 0xFF) << 8,
        0,
        0xFFFF,
    } - {right}:
        t.line(body + b" ~%04X" % wrong)
    t.line(b"ask self.state ~0000")
    t.line(b"ask self.state ~FFFF")
    t.line(b"@7 act " + next(iter(t.vow.actions), "no.such").encode() + b" ~0001")
    t.ask(entry.name)
    for bit in range(8):
        damaged = bytearray(body + b" ~%04X" % right)
        damaged[4 + bit % (len(body) - 4)] ^= 1 << (bit % 7)
        if b"\n" not in damaged:
            t.line(bytes(damaged))
    t.ask(entry.name)
    t.say("ask self.state", check=True)


@purpose("wire", "check", 3)
def check_where_it_works(t: Tester, r: Requirement) -> None:
    """A check is compared in every state that handles power, whatever the request."""
    entry = next(each for each in t.vow.points.values() if each.system == "state")
    t.prepare()
    for state in t.vow.states.values():
        if not state.energised or not t.energise:
            continue
        t.goto(state.name)
        setting = next((each for each in t.vow.settings if t.settable_here(each)), None)
        if setting is not None:
            value = other_value(t, setting)
            t.say(" ".join(("put", setting.name, *setting.words(value))) + " ~0000")
            t.ask(setting.name)
        for line in (b"act no.such ~0000", b"ask " + entry.name.encode() + b" ~FFFF"):
            t.line(line)
        for action in t.vow.actions.values():
            if action.always:
                t.line(b"act " + action.name.encode() + b" ~0001")
                t.ask(entry.name)
                break


@purpose("wire", "guard", 3)
def guard(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    t.ask("link.guard")
    t.say("ask self.state", check=True)
    t.ask("link.guard")
    plain = put_line(t, entry, value).encode()
    t.line(plain)
    t.line(b"@5 " + plain)
    safe = t.vow.document.trial.safe
    if safe is not None:
        t.line(f"act {safe}".encode())
    t.line(b"put link.guard off")
    t.ask(entry.name)
    t.put(entry.name, value)
    t.ask(entry.name)
    t.say("put link.guard off", check=True)
    t.ask("link.guard")
    t.line(plain)
    for line in (b"x", b"x" * 600, b"ask self.state ~0000", b"", b"ask self.state"):
        t.say("put link.guard on", check=True)
        if line:
            t.line(line)
        t.line(plain)
    for boot_again in boots(t):
        t.say("put link.guard on", check=t.guard)
        t.line(plain)
        boot_again()
        t.ask("link.guard")
        t.line(plain)


@purpose("wire", "echo_check", 3)
def echo_check(t: Tester, r: Requirement) -> None:
    t.say("ask self.state", tag=False)
    t.say("ask self.state", check=True)
    t.say("ask self.state")
    t.say("ask no.such")
    t.line(b"x")
    t.line(b"x" * 600)
    t.line(b"ask self.state ~0000")
    t.say("put link.guard off", check=True)
    t.say("ask self.state")
    t.say("ask no.such", check=True)
    t.say("put link.guard on")
    t.say("put link.guard off", check=True)


@purpose("wire", "once", 3)
def once(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    low, high = t.bounds(entry)
    first = low + (high - low) // 3
    # What is given again is the reply, not the deed: a ticket is the same one.
    if any(action.gives_ticket_ns is not None for action in t.vow.actions.values()):
        give = giver(t).name
        again = f"@b1 act {give}".encode()
        t.line(again)
        for between in (b"", b"x", b"@9 x", b"x" * 600, b"ask self.state ~0000", again + b" ~0000", b"\r"):
            if between:
                t.raw(between + b"\n")
            t.line(again)
        t.line(f"@b2 act {give}".encode())
        t.home()
    # Refusals are remembered as well, and a boot forgets.
    if "panel.control" in t.events and "bench" in t.abilities:
        refused = f"@d1 {put_line(t, entry, first)}".encode()
        t.panel("panel.control", "local")
        t.line(refused)
        t.panel("panel.control", "remote")
        t.line(refused)
        t.line(f"@d2 {put_line(t, entry, first)}".encode())
    for boot_again in boots(t):
        t.line(b"@e1 ask self.boots")
        boot_again()
        t.line(b"@e1 ask self.boots")


@purpose("wire", "ticket", 3)
def ticket(t: Tester, r: Requirement) -> None:
    give = giver(t)
    take = taker(t)
    good = given(t)
    t.ask("self.state")
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    near = f"{int(good, 16) ^ 1:04x}"
    for wrong in (near, f"{int(good, 16) ^ 0x8000:04x}", "0000", "ffff", good[::-1]):
        if wrong != good:
            t.say(f"act {take.name} {wrong}")
    # A newer one voids it.
    if given(t) != good:
        t.say(f"act {take.name} {good}")
    # So does time.
    assert give.gives_ticket_ns is not None
    if t.session.held or give.gives_ticket_ns < 10**10:
        latest = t.oracle.twin.ticket
        t.wait(give.gives_ticket_ns + (1_000_000 if t.session.held else 4 * HOST_SLACK_NS))
        t.ask("self.state")
        if t.state not in take.to:
            given(t)
        t.say(f"act {take.name} {latest}")
    if not t.energise:
        return
    # Good once.
    t.home()
    t.prepare()
    used = given(t)
    t.act(take.name)
    t.ask("self.state")
    t.safe()
    if t.state != t.vow.initial:
        t.home()
    given(t)
    t.say(f"act {take.name} {used}")
    # Good for all its time.
    t.home()
    t.prepare()
    given(t)
    t.wait(give.gives_ticket_ns * 9 // 10)
    t.act(take.name)
    t.ask("self.state")
    # And void after a boot, which gives other ones.
    for boot_again in boots(t):
        t.home()
        boot_again()
        old = given(t)
        boot_again()
        if given(t) == old:
            # Once it may be chance.
            boot_again()
            if given(t) == old:
                due = "another ticket than before the boot"
                raise Broken(Judgement(False, r.id, due), f"act {give.name}", f"ok {old}")
        t.say(f"act {take.name} {old}")


@purpose("wire", "notice.number", 2)
def notice_number_long(t: Tester, r: Requirement) -> None:
    """Past what a byte can count, and three digits."""
    if "panel.control" not in t.events or "bench" not in t.abilities or not t.session.held:
        raise NotSelected("needs a rig that can turn the front panel and hold the clock")
    causes_notices(t, LONG)


@purpose("wire", "notice.number", 3)
def notice_number(t: Tester, r: Requirement) -> None:
    restart(t)
    causes_notices(t, 3)


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


@purpose("wire", "notice.whole", 3)
def notice_whole(t: Tester, r: Requirement) -> None:
    causes_notices(t, 2)
    t.say("put link.guard on")
    causes_notices(t, 2)


@purpose("wire", "notice.off", TOUR)
def notice_off(t: Tester, r: Requirement) -> None:
    causes_notices(t, 1)  # they tell where the numbers are
    t.ask("self.state")
    t.say("put link.notices off")
    t.ask("link.notices")
    causes_notices(t, 2)
    t.quiet()
    t.say("put link.notices on")
    causes_notices(t, 1)
    # A boot turns them back on, and says so itself.
    for boot_again in boots(t):
        t.home()
        t.say("put link.notices off")
        boot_again()
        t.ask("link.notices")


@purpose("wire", "notice.queue", TOUR)
def notice_queue(t: Tester, r: Requirement) -> None:
    t.need("bench")
    if "panel.control" not in t.events or "link.transmitter" not in t.events:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel")
    limit = t.vow.document.wire.notice_queue
    # So many are dropped that a byte does not count them, where turning takes no time.
    for extra in (0, 301 if t.session.held else 3):
        restart(t)
        t.transmitter("stalled")
        for index in range(limit + extra):
            t.panel("panel.control", "local" if index % 2 == 0 else "remote")
        t.transmitter("free")
        t.ask("link.drops")
        t.panel("panel.control", "remote")


@purpose("wire", "boot", 3)
def boot(t: Tester, r: Requirement) -> None:
    t.ask("self.boots")
    t.ask("self.uptime")
    if t.session.held:
        t.wait(10_000_000_000)
        t.ask("self.uptime")
    for each in ("power", "reset"):
        if each in t.abilities:
            if each == "power":
                t.power_cycle()
            else:
                t.reset()
            for name in ("self.boots", "self.boot_cause", "self.uptime", "self.state"):
                t.ask(name)
    reboot = doing(t, "reboot")
    if reboot is not None and t.state in t.vow.actions[reboot].to:
        entry = a_number(t)
        t.put(entry.name, other_value(t, entry))
        t.act(reboot)
        for name in ("self.boots", "self.boot_cause", "self.uptime", "self.state", entry.name):
            t.ask(name)
        if "drops" in {point.system for point in t.vow.points.values()}:
            t.ask("link.drops")


@purpose("wire", "boot", TOUR)
def boot_forgets(t: Tester, r: Requirement) -> None:
    """Whatever was counted and kept since a boot is gone after the next one, also if it was asked for."""
    if "panel.control" in t.events and "link.transmitter" in t.events and "bench" in t.abilities:
        t.transmitter("stalled")
        for index in range(t.vow.document.wire.notice_queue + 2):
            t.panel("panel.control", "local" if index % 2 == 0 else "remote")
        t.transmitter("free")
        t.panel("panel.control", "remote")
    for action in t.vow.actions.values():
        if any(kind == "capture" for kind, _ in action.does):
            with suppress(NotSelected):
                t.prepare()
                t.goto(target_state(t, action))
                do(t, action)
            break
    _trip(t)
    boots(t)[-1]()
    for entry in t.vow.points.values():
        if entry.source == "system" and entry.system not in ("identity", "silence"):
            t.ask(entry.name)
        if entry.kind == "record" and any(field.count > 1 for field in record_of(t.vow, entry).fields):
            t.say(f"ask {entry.name} 0")


@purpose("wire", "boot", 2)
def boot_forgets_trips(t: Tester, r: Requirement) -> None:
    """What tripped last is forgotten by every other way to boot as well."""
    last = t.vow.system_name("last_trip")
    for again in boots(t)[:-1] if last is not None else ():
        t.home()
        _trip(t)
        again()
        t.ask(str(last))


def _trip(t: Tester) -> None:
    """Have the quickest trip happen, and take its cause away."""
    provokes = [(e.provoke.within, n) for n, e in t.vow.document.trips.items() if e.provoke is not None]
    for _, name in sorted(provokes):
        provoke = t.vow.document.trips[name].provoke
        assert provoke is not None
        if not t.may_enter(provoke.state):
            continue
        with suppress(NotSelected, Doubtful):
            t.safe()
            t.provoke_trip(name, provoke)
            t.relieve(provoke)
            t.wait(t.vow.document.trial.settle)
            return


@purpose("wire", "identity", 2)
def identity(t: Tester, r: Requirement) -> None:
    t.ask("self.vow")
    t.raw(b"\n")
    t.line(b"@beef ask self.vow")
    t.line(b"@c0de ask self.vow")


@purpose("wire", "bulk", 1)
def bulk(t: Tester, r: Requirement) -> None:
    for entry in t.vow.points.values():
        if entry.kind == "record":
            for text in ("-1", "x", "00", "1 1", "999999999", "1.0"):
                t.say(f"ask {entry.name} {text}")
            t.say(f"put {entry.name} 1")
            t.say(f"ask {entry.name} 0", check=True)
            t.ask("self.state")  # the guard is on now, and this answer shows it
            t.guard_off()


@purpose("wire", "watchdog", 3)
def watchdog(t: Tester, r: Requirement) -> None:
    """Only accepted requests feed it."""
    silence = t.vow.system_point("silence")
    if silence is None:
        raise NotSelected("the document has no point for the host's silence")
    t.ask(silence.name)
    if not t.session.held:
        return
    if not t.energise:
        return
    for name, trip in t.vow.document.trips.items():
        if trip.provoke is not None and trip.provoke.silence:
            t.home()
            t.arrange(trip.provoke)
            patience_ns = t.patience_ns() or 0
            # Lines that are refused do not keep it alive.
            steps = 8
            with t.silence():
                for _ in range(steps):
                    t.session.wait(2 * patience_ns // steps)
                    if t.session.waiting:
                        break
                    t.raw(b"ask no.such\n")
                t.wait(trip.provoke.within)
            if t.state == trip.provoke.state:
                raise Broken(
                    Judgement(False, r.id, f"trip {name}"), "refused requests", f"still in {t.state}"
                )
            t.ask("self.state")


@purpose("wire", "deadline", 3)
def deadline(t: Tester, r: Requirement) -> None:
    for name in list(t.vow.points)[:8]:
        if t.vow.points[name].kind != "record":
            t.ask(name)
