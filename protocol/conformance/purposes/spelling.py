"""Purposes about what is written otherwise than it should be: by a hand, by noise, or by another program.

Each part of the grammar of `spec/wire.md` with what it may not be: where one reason to refuse hides behind
another, and where what is wrong looks nearly right.
"""

from __future__ import annotations

import math
from fractions import Fraction

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.meddling import a_number, put_line
from wirevow.protocol.conformance.purposes.points import enable
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request, check_of
from wirevow.protocol.quantity import MOST_DIGITS, decimal_of
from wirevow.protocol.vow import PointEntry, part_count

COUNTED = 1 << 16
"""Bytes after which a count of them has come round."""
SHARE = 0.3
"""Part of the lines that have a check where they may and need not."""


@purpose("wire", "syntax", 2)
def misspelt(t: Tester, r: Requirement) -> None:
    """Each part of the grammar begun with what it may not begin with, or ended too soon."""
    for line in (
        b"ask 1self.state", b"ask _self.state", b"ask self.1state", b"ask self._state", b"ask .self",
        b"ask self.", b"ask self..state", b"@ ask self.state", b"@g ask self.state", b"ask self.state ~",
        b"~1234", b"ask self.state ~12345", b"@1f", b"note 1 boot power",
    ):  # fmt: skip
        t.line(line)
    # A driver's own characters are characters like any other, and so are those of which others are made.
    for byte in (b"\x11", b"\x13", b"\x00", b"\x7f", b"\xc3"):
        t.raw(b"ask self.state" + byte + b"\n")
        t.raw(byte + b"ask self.state\n")
    # One space between words, wherever, and a check of what is before its own.
    for body, tail in (
        (b"ask self.state ", b""), (b"ask self.state", b" "), (b" ask self.state", b""),
        (b"@1f  ask self.state", b""), (b"ask  self.state", b""),
    ):  # fmt: skip
        t.line(body + b" ~" + check_of(body).encode() + tail)
    checked = Request("@1f", "ask", "self.state", (), True).line()
    t.raw(checked + b"\r\n")
    t.line(checked.replace(b" ~", b"~"))
    t.line(checked + b" " + checked[-5:])
    # The tag is among the bytes that it protects.
    t.line(b"@1f ask self.state ~" + check_of(b"ask self.state").encode())


@purpose("wire", "exact", 1)
def written_otherwise(t: Tester, r: Requirement) -> None:
    """What other programs take for a number or a unit, with a check and without."""
    entry = a_number(t)
    number, *unit = entry.words(t.bounds(entry)[1])
    whole = number.partition(".")[0]
    for wrong in (f"{whole}e0", f"{number}e0", f"{whole}E0", f"0x{whole}", "inf", "nan", f"{number}_0"):
        t.say(" ".join(("put", entry.name, wrong, *unit)), check=True)
    t.say(" ".join(("put", entry.name, f"{number}e0", *unit)))
    if unit:
        for wrong in ("xx", f"m{unit[0]}", f"{unit[0]}x", unit[0].swapcase(), unit[0][:-1] or "x"):
            t.say(f"put {entry.name} {number} {wrong}", check=True)
        # Those of other quantities are no better.
        for other in sorted({each.unit for each in t.vow.document.quantities.values()} - {unit[0], "1"}):
            t.say(f"put {entry.name} {number} {other}", check=t.random.random() < SHARE)
        for nothing in (entry.number.text(0), "0"):
            t.say(f"put {entry.name} {nothing} {unit[0]}x", check=nothing == "0")
    # Nothing is below zero by no more than nothing, and no digit is there for nothing.
    for wrong in (
        "00",
        "0" * MOST_DIGITS,
        "0." + "0" * MOST_DIGITS,
        f"-0.{'0' * (MOST_DIGITS - 1)}",
        "-00",
        "-0",
    ):
        t.say(" ".join(("put", entry.name, wrong, *unit)), check=True)
    bare = next(
        (e for e in t.vow.settings if e.scale is not None and e.number.unit == "1" and t.settable_here(e)),
        None,
    )
    if bare is not None:
        shown = bare.words(bare.default)[0]
        for more in ("1", "x", *unit):
            t.say(f"put {bare.name} {shown} {more}", check=True)
        t.guard_off()
        t.say(f"put {bare.name} {shown}{'0' if '.' in shown else '.0'}")
    # What a check allows, it allows its own line, be that accepted or refused.
    shown = _shortened(entry, *t.bounds(entry), 1)
    if shown:
        t.say(f"put {entry.name} {shown}", check=True)
        t.guard_off()
        t.say(" ".join(("put", entry.name, shown, *unit)))
        for loose in (" ".join((shown, *unit)), number):
            t.say("ask no.such", check=True)
            t.say(f"put {entry.name} {loose}")
    t.guard_off()
    t.ask(entry.name)


@purpose("wire", "exact", 3)
def checked_otherwise(t: Tester, r: Requirement) -> None:
    """With a check digits may be left out after the point, and the unit; a number has at most nine digits, a
    sign and a point; and what is more steps than 32 bits hold is beyond the range."""
    entry = a_number(t)
    low, high = t.bounds(entry)
    for left in (1, 2):
        shown = _shortened(entry, low, high, left)
        if shown:
            t.say(f"put {entry.name} {shown}", check=True)
    here = [each for each in t.vow.settings if each.scale is not None and t.settable_here(each)]
    for each in here:
        shown = _wrapped(each, *t.bounds(each))
        if shown:
            t.say(" ".join(("put", each.name, shown, *each.words(0)[1:])), check=True)
            break
    below = next((each for each in t.vow.settings if each.scale is not None and each.number.low < 0), None)
    if below is None:
        return
    enable(t, below)
    low, high = t.bounds(below)
    shown = _shortened(below, low, min(high, -1), 1)
    if shown:
        t.say(f"put {below.name} {shown}", check=True)
    shown = below.number.text(low // 2)
    more = MOST_DIGITS - sum(each.isdigit() for each in shown)
    if low < 0 and "." in shown:
        t.say(f"put {below.name} {shown}{'3' * more}", check=True)


def _shortened(entry: PointEntry, low: int, high: int, left: int) -> str:
    """The highest number between these with so many digits after the point, fewer than the step has, of which
    only the last is none; empty if there is none."""
    step, parts = entry.number.step, 10**left
    if entry.number.digits > left:
        for number in range(int(high * step * parts), int(low * step * parts), -1):
            if 0 < abs(number) % parts < 10 and (Fraction(number, parts) / step).denominator == 1:
                return f"{decimal_of(Fraction(number, parts)):f}"
    return ""


def _wrapped(entry: PointEntry, low: int, high: int) -> str:
    """A whole number of which only the low 32 bits of its steps may be put; empty if there is none."""
    step = entry.number.step
    whole = math.ceil(((1 << 32) + low) * step)
    fits = (whole / step).denominator == 1 and whole / step - (1 << 32) <= high
    return str(whole) if fits and whole < 10**MOST_DIGITS else ""


@purpose("wire", "bulk", 3)
def parts_there_are_none_of(t: Tester, r: Requirement) -> None:
    records = [each for each in t.vow.points.values() if each.kind == "record"]
    for entry in records:
        last = part_count(t.vow, entry) - 1
        for index in (-1, 256, 1 << 16):
            t.say(f"ask {entry.name} {index}")
        t.say(f"ask {entry.name} {last + 1}", check=True)
        t.say(f"ask {entry.name}")
    for text in ("-0", "00", "+0", "0.0", "0 0", "0x0", f"1{'0' * MOST_DIGITS}"):
        t.say(f"ask {records[0].name} {text}")


@purpose("wire", "guard", 3)
def unchecked_of_all_kinds(t: Tester, r: Requirement) -> None:
    """While the guard is on the check that is missing comes first, and asking needs none."""
    entry = a_number(t)
    t.say("put link.guard on")
    for line in ("put no.such 1", "act no.such", "put self.state", f"put {entry.name} x", "act self.state 1"):
        t.line(line.encode())
    for text in ("ask no.such", "ask self.state x", "ask self.state"):
        t.say(text)
    # Too long comes first, whatever its check.
    limit = t.vow.document.wire.line_limit
    body = b"@1f ask self.state ".ljust(limit - 5, b"x")
    t.line(body + b" ~" + check_of(body).encode())
    t.guard_off()
    # Each verb turns it on, and what is given again turns nothing.
    t.put(entry.name, t.setting(entry.name), check=True)
    again = Request("@1e", "put", "link.guard", ("off",), True).line()
    t.line(again)
    t.line(again)
    t.ask("link.guard")
    for action in t.vow.actions.values():
        quiet = action.to.get(t.state) == t.state and action.takes_ticket is None
        if quiet and not {kind for kind, _ in action.does} & {"reboot", "save"}:
            t.act(action.name, check=True)
            t.line(put_line(t, entry, int(t.setting(entry.name))).encode())
            break
    t.guard_off()
    for _ in range(2):
        t.line(b"@1d put link.guard on")
    t.say("put link.guard on", check=True)
    for _ in range(2):
        t.say("put link.guard off", check=True)
    t.say("ask link.guard", check=True)  # it turns on what it asks for
    t.ask("self.state")


@purpose("wire", "length", 4)
def length_comes_round(t: Tester, r: Requirement) -> None:
    """Lines so long that a count of their bytes has come round to none, or to a command's."""
    if not t.session.held:
        raise NotSelected("so many bytes take too long on a clock that runs")
    for size in (256, COUNTED):
        for tail in (b"", b"ask self.state"):
            t.raw(b"x" * size + tail + b"\n")
    t.ask("self.state")


@purpose("wire", "syntax", 3)
def names_nearly_right(t: Tester, r: Requirement) -> None:
    """No name stands for another: not by its beginning, its end, a part of it or its length."""
    names = [*t.vow.points, *t.vow.actions]
    longest = max(names, key=len)
    for name in (longest, t.random.choice(names)):
        parts = name.split(".")
        near = (name[:-1], f"{name}0", f"{name}.{parts[-1]}", parts[0], parts[-1], f"x{name}", name[1:])
        for other in dict.fromkeys(near):
            if other not in names and other[:1].isalpha():
                t.say(f"{'ask' if name in t.vow.points else 'act'} {other}")
    t.line(b"ask self.state 1~2")
    t.line(b"ask self.state @1")


@purpose("wire", "reasons", 1)
def counted_not_put(t: Tester, r: Requirement) -> None:
    """What the instrument counts and keeps itself cannot be put, though it may lie where settings do."""
    for entry in t.vow.points.values():
        if entry.source == "system" and not entry.settable:
            t.say(" ".join(("put", entry.name, *(entry.words(0) if entry.scale is not None else ("0",)))))
