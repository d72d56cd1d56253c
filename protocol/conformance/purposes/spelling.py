"""Purposes about how lines are written: every length, every ending, every broken form, as rows of tables.

A row is a text, made of what the document has. One driver sends the rows of a requirement; what is due to
each the oracle knows.
"""

from __future__ import annotations

import math
import string
from collections.abc import Iterable, Iterator
from fractions import Fraction

from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.meddling import a_number, put_line
from wirevow.protocol.conformance.purposes.points import between, enable, other_value
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request, check_of
from wirevow.protocol.quantity import MOST_DIGITS, decimal_of
from wirevow.protocol.vow import PointEntry, part_count

FEW = 3
"""So many more settings, of other units, are written in every way; the rules are the same for all."""
SHARE = 0.5
"""Part of the ways to write a number that each of these is written in, with a check and without."""
LEAST = len("ask self.state x ~0000")
"""The shortest line of those that differ in nothing but their length, and of which some have checks."""
COUNTED = 1 << 16
"""Bytes after which a count of them has come round."""
REMARKABLE = (0x00, 0x0A, 0x0D, 0x20, 0x7E, 0x7F, 0x80, 0xFF)
"""Bytes of a check that firmware may take for something else: an end, a sign, nothing."""

Q = b"ask self.state"


def written(t: Tester, rows: Iterable[bytes | str]) -> None:
    """The driver: bytes go out as they are, with an LF, a text as a request, with a tag by turns."""
    for row in rows:
        if isinstance(row, str):
            t.say(row)
        else:
            t.raw(row if row.endswith(b"\n") else row + b"\n")


def both_ways(t: Tester, texts: Iterable[str]) -> None:
    """Requests with a check, which allows some of them more, and without."""
    for text in texts:
        t.say(text, check=True)
        t.guard_off()
        t.say(text)


# ------------------------------------------------------------------------------------------- ends of lines

ENDINGS = (
    Q + b"\r\n", b"\n\r\n\n", Q + b"\n", b" " + Q, Q + b" ", b"ask\tself.state", Q + b"\r\r\n",
    b"ask self.\rstate\n", b"\r" + Q, Q + b"\n" + Q + b"\n",
)  # fmt: skip


@purpose("wire", "framing", 1)
def framing(t: Tester, r: Requirement) -> None:
    written(t, ENDINGS)
    t.quiet()
    t.raw(Q + b"\n", pieces=7)


# ------------------------------------------------------------------------------------------------- lengths


@purpose("wire", "length", 3)
def length(t: Tester, r: Requirement) -> None:
    """Every length that there is, with a check by turns, of the longest both; and all that lies beyond."""
    limit = t.vow.document.wire.line_limit
    odd = t.random.randrange(2)
    left = {(place, byte) for place in (0, 1) for byte in REMARKABLE}
    for size in range(LEAST, limit + 2):
        for checked in (False, True) if size >= limit else ((size + odd) % 2 == 0,):
            word = "x" * (size - LEAST + (1 if checked else 7))
            t.line(_remarkable(word, left) if checked else Request(None, "ask", "self.state", (word,)).line())
    exact = (Q + b" ").ljust(limit, b"x")
    written(t, (exact + b"\r\n", exact + b"x\r\n", exact + b"\rx\n", b"@1f " + exact))
    t.raw(exact + b"\n", pieces=3)
    written(t, (b"x" * size for size in (limit + 2, 2 * limit, 255, 255 + limit, 256 + limit, 1024)))
    # The tail of a line that is too long is no command.
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    command = put_line(t, entry, value).encode()
    for pad in (limit, limit + 1, 2 * limit, 256, *((COUNTED,) if t.session.held else ())):
        written(t, (b"x" * pad + b" " + command, b"x" * pad + command, b"x" * pad, b"x" * pad + Q))
    t.ask(entry.name)


def _remarkable(word: str, left: set[tuple[int, int]]) -> bytes:
    """A checked question of this length whose check has remarkable bytes that none had before."""
    best, most = b"", set[tuple[int, int]]()
    for tail in [a + b for a in string.ascii_lowercase for b in string.digits] if left and word[2:] else [""]:
        line = Request(None, "ask", "self.state", (word[: len(word) - len(tail)] + tail,), True).line()
        hits = left.intersection(enumerate(bytes.fromhex(line[-4:].decode())))
        if not best or len(hits) > len(most):
            best, most = line, hits
    left -= most
    return best


# -------------------------------------------------------------------------------------------------- syntax

BROKEN = (
    # A verb, a name, a tag, a check: begun with what it may not begin with, or ended too soon.
    b"x", b"ask", b"ask ", b"Ask self.state", b"ASK self.state", b"get self.state", b"asks self.state",
    b"a self.state", b"ask Self.state", b"ask self..state", b"ask .self", b"ask self.", b"ask 1self",
    b"ask self-state", b"ask 1self.state", b"ask self.1state", b"ask _self", b"ask _self.state",
    b"ask self._state", b"@ " + Q, b"@12345 " + Q, b"@1F " + Q, b"@1g " + Q, b"@g " + Q, b"@1f  " + Q, b"@1f",
    b"@1f ", b"@1f ask",
    b"1f " + Q, b"@1f ask Self", b"@1f@2 " + Q,
    Q + b" ~", Q + b" ~123", Q + b" ~12345", Q + b" ~abcd", b"~1234", b"ask ~1234", Q + b" 1~2", Q + b" @1",
    # What an instrument says is no request.
    b"note 1 boot power", b"ok", b"refuse syntax", b"@1f ok", b"   ",
    # What begins no request is not skipped either, whatever it may mean to a script.
    *(b"%cask self.st%cate" % (mark, mark) for mark in string.punctuation.encode()),
)  # fmt: skip
ODD = (0x00, 0x01, 0x07, 0x08, 0x09, 0x0B, 0x11, 0x13, 0x1B, 0x1F, 0x7F, 0x80, 0xA0, 0xC3, 0xFE, 0xFF)
"""Bytes that are no part of a line: a driver's, a terminal's, those of which others are made."""


@purpose("wire", "syntax", 2)
def misspelt(t: Tester, r: Requirement) -> None:
    # A tag of its own where the form leaves room for one, by turns.
    written(
        t,
        (f"{t.new_tag()} ".encode() + row if row[:1] not in b"@1" and t.lines % 3 else row for row in BROKEN),
    )
    for byte in ODD:
        one = bytes((byte,))
        place = t.random.choice((b"ask self.st" + one + b"ate", one + Q))
        written(
            t, (place, Q + one, b"@2a " + Q + one) if byte in b"\x11\x13\xc3" else (place, b"@2a " + Q + one)
        )
    written(t, [bytes(0x80 | value for value in Q)])
    # One space between words, wherever, and a check of what is before its own, the tag among it.
    for body, tail in (
        (Q + b" ", b""),
        (Q, b" "),
        (b" " + Q, b""),
        (b"@1f  " + Q, b""),
        (b"ask  self.state", b""),
    ):
        t.line(body + b" ~" + check_of(body).encode() + tail)
    checked = Request("@1f", "ask", "self.state", (), True).line()
    written(t, (checked + b"\r\n", checked.replace(b" ~", b"~"), checked + b" " + checked[-5:]))
    t.line(b"@1f " + Q + b" ~" + check_of(Q).encode())
    # No name stands for another: not by its beginning, its end, a part of it or its length.
    names = [*t.vow.points, *t.vow.actions]
    for name in (max(names, key=len), t.random.choice(names)):
        first, last = name.split(".")[0], name.split(".")[-1]
        near = (name[:-1], f"{name}0", f"{name}.{last}", first, last, f"x{name}", name[1:])
        verb = "ask" if name in t.vow.points else "act"
        written(
            t, (f"{verb} {each}" for each in dict.fromkeys(near) if each not in names and each[:1].isalpha())
        )
    t.ask("self.state")


@purpose("wire", "tag", 3)
def tag(t: Tester, r: Requirement) -> None:
    """A tag is its own line's, whatever that is refused for."""
    written(t, (each + b" " + Q for each in (b"@0", b"@0000", b"@ffff", b"@a9b")))
    for line in (b"@1f " + Q + b" ~0000", b"@1f x", b"@1f ".ljust(t.vow.document.wire.line_limit + 1, b"x")):
        written(t, (line, b"x"))


@purpose("wire", "identity", 2)
def identity(t: Tester, r: Requirement) -> None:
    t.ask("self.vow")
    written(t, (b"\n", b"@beef ask self.vow", b"@c0de ask self.vow"))


# -------------------------------------------------------------------------------------------------- checks


@purpose("wire", "echo_check", 3)
def echo_check(t: Tester, r: Requirement) -> None:
    """A reply has a check where its line had one, or the guard is on."""
    written(
        t,
        (
            Request(None, "ask", "self.state", (), True).line(),
            Q,
            "ask no.such",
            b"x",
            b"x" * 600,
            Q + b" ~0000",
        ),
    )
    t.say("put link.guard off", check=True)
    t.say("ask self.state")
    t.say("ask no.such", check=True)
    t.say("put link.guard on")
    t.say("put link.guard off", check=True)


@purpose("wire", "guard", 3)
def unchecked_of_all_kinds(t: Tester, r: Requirement) -> None:
    """While the guard is on the check that is missing comes first, and asking needs none."""
    entry = a_number(t)
    plain = put_line(t, entry, int(t.setting(entry.name))).encode()
    body = b"@1f ask self.state ".ljust(t.vow.document.wire.line_limit - 5, b"x")
    t.say("put link.guard on")
    written(
        t,
        (
            b"put no.such 1",
            b"act no.such",
            b"put self.state",
            f"put {entry.name} x".encode(),
            b"act self.state 1",
        ),
    )
    written(t, ("ask no.such", "ask self.state x", "ask self.state"))
    t.line(body + b" ~" + check_of(body).encode())  # too long comes first, whatever its check
    t.guard_off()
    # Each verb turns it on, and what is given again turns nothing.
    t.put(entry.name, t.setting(entry.name), check=True)
    again = Request("@1e", "put", "link.guard", ("off",), True).line()
    written(t, (again, again, "ask link.guard"))
    for action in t.vow.actions.values():
        quiet = action.to.get(t.state) == t.state and action.takes_ticket is None
        if quiet and not {kind for kind, _ in action.does} & {"reboot", "save"}:
            t.act(action.name, check=True)
            t.line(plain)
            break
    t.guard_off()
    written(t, (b"@1d put link.guard on", b"@1d put link.guard on"))
    t.say("put link.guard on", check=True)
    for _ in range(2):
        t.say("put link.guard off", check=True)
    t.say("ask link.guard", check=True)  # it turns on what it asks for
    t.ask("self.state")


# ------------------------------------------------------------------------------------------ numbers and units

NUMBERS = (
    "{whole}", "{whole}.", "{n}0", "{n}.0", "{short}", "0{n}", "+{n}", "{n}x", "-{zero}", "{comma}", "{n}e0",
    "{whole}e0", "{whole}E0", "0x{whole}", "inf", "nan", "{n}_0", "-", ".", "1000000000", "00", "-00", "-0",
    "0" * MOST_DIGITS, "0." + "0" * MOST_DIGITS, "-0." + "0" * (MOST_DIGITS - 1), "{over16}", "{over32}",
)  # fmt: skip
"""What a hand, or another program, takes for a number. `n` is one, `short` that without its last zeros."""
UNITS = ("", "m{u}", "{u}x", "{U}", "{u}{u}", "xx", "x", "1", "{u} {u}")
"""The same of units."""


def _spelt(entry: PointEntry, counts: int) -> Iterator[str]:
    """Rows of the numbers, behind `put` and the name."""
    number, *rest = entry.words(counts)
    unit = "".join(f" {each}" for each in rest)
    whole, point, part = number.partition(".")
    fields = {
        "n": number, "whole": whole, "zero": entry.number.text(0), "comma": number.replace(".", ","),
        "short": number.rstrip("0").rstrip(".") if point else f"{number}.0",
        "over16": f"{abs(int(whole)) + (1 << 16)}{point}{part}",
        "over32": f"{abs(int(whole)) + (1 << 32)}{point}{part}",
    }  # fmt: skip
    for row in NUMBERS:
        spelt = row.format(**fields)
        if spelt != number:
            yield f"put {entry.name} {spelt}{unit}"


def _with_units(entry: PointEntry, counts: int, units: Iterable[str]) -> Iterator[str]:
    """Rows of the units, and these, behind `put`, the name and a number."""
    number, *rest = entry.words(counts)
    for row in UNITS if rest else ():
        for told in dict.fromkeys((number, entry.number.text(0), "0")) if row == "{u}x" else (number,):
            yield f"put {entry.name} {told} {row.format(u=rest[0], U=rest[0].swapcase())}".rstrip()
    for other in units:
        if [other] != rest:
            yield f"put {entry.name} {number} {other}"


@purpose("wire", "exact", 1)
def written_otherwise(t: Tester, r: Requirement) -> None:
    """One number in every way there is."""
    entry = a_number(t)
    both_ways(t, _spelt(entry, t.bounds(entry)[1]))
    t.ask(entry.name)
    _checked_otherwise(t, entry)


@purpose("wire", "unit", 1)
def units_of_one_number(t: Tester, r: Requirement) -> None:
    """One number with every unit there is, and one without a unit with some."""
    entry = a_number(t)
    units = sorted({each.unit for each in t.vow.document.quantities.values()} - {"1"})
    both_ways(t, _with_units(entry, t.bounds(entry)[1], units))
    t.ask(entry.name)
    bare = (e for e in t.vow.settings if e.scale is not None and e.number.unit == "1" and t.settable_here(e))
    for each in list(bare)[:1]:
        shown = each.words(each.default)[0]
        both_ways(t, (f"put {each.name} {shown}{more}" for more in (" 1", " x", f" {units[0]}", "0", ".0")))


@purpose("wire", "unit", 3)
def numbers_of_other_units(t: Tester, r: Requirement) -> None:
    """Numbers of other units, and digits, in some of these ways."""
    entry = a_number(t)
    others = {(e.number.unit, e.number.digits): e for e in t.vow.settings if e.scale is not None}
    others.pop((entry.number.unit, entry.number.digits))
    for other in t.random.sample(list(others.values()), min(FEW, len(others))):
        enable(t, other)
        value = other_value(t, other)
        assert isinstance(value, int)
        for text in (*_spelt(other, value), *_with_units(other, value, ())):
            if t.random.random() < SHARE:
                t.say(text, check=t.random.random() < SHARE)
                t.guard_off()
        t.ask(other.name)
        t.home()


def _checked_otherwise(t: Tester, entry: PointEntry) -> None:
    """With a check digits may be left out after the point, and the unit; a number has at most nine digits, a
    sign and a point; and what is more steps than 32 bits hold is beyond the range."""
    low, high = t.bounds(entry)
    for left in (0, 1, 2):
        for shown in _shortened(entry, low, high, left):
            both_ways(
                t, (f"put {entry.name} {shown}", " ".join((f"put {entry.name} {shown}", *entry.words(0)[1:])))
            )
    here = [each for each in t.vow.settings if each.scale is not None and t.settable_here(each)]
    for text in [text for each in here for text in _wrapped(each, *t.bounds(each))][:2]:
        t.say(text, check=True)
    below = next((each for each in t.vow.settings if each.scale is not None and each.number.low < 0), None)
    if below is not None:
        enable(t, below)
        low, high = t.bounds(below)
        shown = below.number.text(low // 2)
        more = MOST_DIGITS - sum(each.isdigit() for each in shown)
        for short in _shortened(below, low, min(high, -1), 1):
            t.say(f"put {below.name} {short}", check=True)
        if low < 0 and "." in shown:
            t.say(f"put {below.name} {shown}{'3' * more}", check=True)
    t.guard_off()
    t.ask(entry.name)


def _shortened(entry: PointEntry, low: int, high: int, left: int) -> Iterator[str]:
    """The highest number between these with so many digits after the point, fewer than the step has, of which
    only the last is none; nothing if there is none."""
    step, parts = entry.number.step, 10**left
    if entry.number.digits > left:
        for number in range(int(high * step * parts), int(low * step * parts), -1):
            if (left == 0 or 0 < abs(number) % parts < 10) and (
                Fraction(number, parts) / step
            ).denominator == 1:
                yield f"{decimal_of(Fraction(number, parts)):f}"
                return


def _wrapped(entry: PointEntry, low: int, high: int) -> Iterator[str]:
    """A whole number of which only the low 16, or 32, bits of its steps may be put."""
    step = entry.number.step
    for bits in (16, 32):
        whole = math.ceil(((1 << bits) + low) * step)
        fits = (whole / step).denominator == 1 and high < whole / step <= high + (1 << bits)
        if fits and whole < 10**MOST_DIGITS:
            yield " ".join(("put", entry.name, str(whole), *entry.words(0)[1:]))


# ------------------------------------------------------------------------------------------------- rounding

ROUNDED = (Fraction(2, 5), Fraction(49, 100), Fraction(1, 2), Fraction(51, 100))
"""Parts of a step that a number may lie above one."""


@purpose("wire", "round", 3)
def rounding(t: Tester, r: Requirement) -> None:
    """Between two steps, in the middle and at either end, as far as the quantity goes, and below zero."""
    entry = a_number(t)
    low, high = t.bounds(entry)
    _rounded(t, entry, [counts + share for counts in ((low + high) // 2, high, low) for share in ROUNDED[1:]])
    # The range of the quantity is as far as what was rounded may go, and no further.
    numbers = [each for each in t.vow.settings if each.scale is not None and t.settable_here(each)]
    whole = [
        each
        for each in numbers
        if t.bounds(each) == (each.number.low, each.number.high) and each is not entry
    ]
    for each in whole[:1]:
        _rounded(t, each, [each.number.high + share for share in ROUNDED[::2]])
    for below in below_zero(t):
        t.home()
        enable(t, below)
        _rounded(t, below, [counts - share for counts in (-3, -1, 0) for share in ROUNDED[::2]])
        break


def below_zero(t: Tester) -> Iterator[PointEntry]:
    """Settings that may be below zero just now."""
    return (each for each in t.vow.settings if each.scale is not None and t.bounds(each)[0] < 0)


def _rounded(t: Tester, entry: PointEntry, places: Iterable[Fraction]) -> None:
    """Numbers with more digits than their step has, and what each became."""
    for counts in places:
        shown = between(entry, counts)
        if shown:
            t.say(" ".join(("put", entry.name, shown, *entry.words(0)[1:])), check=True)
            t.ask(entry.name)


# ------------------------------------------------------------------------------------------- parts of records

PARTS = (
    "-1", "x", "00", "1 1", "999999999", "1.0", "256", "65536", "-0", "+0", "0.0", "0 0", "0x0",
    "1" + "0" * MOST_DIGITS,
)  # fmt: skip


@purpose("wire", "bulk", 1)
def parts_there_are_none_of(t: Tester, r: Requirement) -> None:
    records = [each for each in t.vow.points.values() if each.kind == "record"]
    for entry in records:
        rows = PARTS if entry is records[0] else PARTS[:1]
        written(t, (f"ask {entry.name} {row}" for row in rows))
        written(t, (f"put {entry.name} 1", f"ask {entry.name}"))
        t.say(f"ask {entry.name} {part_count(t.vow, entry)}", check=True)
        t.say(f"ask {entry.name} 0", check=True)
        t.ask("self.state")  # the guard is on now, and this answer shows it
        t.guard_off()


@purpose("wire", "reasons", 1)
def counted_not_put(t: Tester, r: Requirement) -> None:
    """What the instrument counts and keeps itself cannot be put, though it may lie where settings do."""
    for entry in t.vow.points.values():
        if entry.source == "system" and not entry.settable:
            t.say(" ".join(("put", entry.name, *(entry.words(0) if entry.scale is not None else ("0",)))))
