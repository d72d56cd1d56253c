"""Purposes about requests that come twice."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, pairwise

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.meddling import (
    a_number,
    follows,
    giver,
    has_panel,
    images_in,
    left_by_time,
    may_wait,
    on_the_panel,
    put_line,
    refused_here,
    trip_and_cause,
)
from wirevow.protocol.conformance.purposes.points import (
    boots,
    doing,
    other_value,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request
from wirevow.protocol.vow import ActionEntry, PointEntry, part_count


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


SPAN = 1000
"""Values that are looked through for two that suit."""


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
        _enter_twice(t)
        return
    value = other_value(t, local)
    for _ in range(2):
        t.say(f"put {local.name} {' '.join(local.words(value))}", tag=False)
        t.panel("panel.control", "local")
        t.panel(f"panel.{local.name}", other_value(t, local))
        t.panel("panel.control", "remote")
    t.ask(local.name)


def _timed_ways(t: Tester) -> Iterator[tuple[ActionEntry, str, int]]:
    """Actions that lead to a state without power that time ends; which, and after how many ns."""
    for action in t.vow.actions.values():
        to = t.vow.states.get(action.to.get(t.state, ""))
        leave_ns = min((each.after_ns for each in to.leaves if each.when is None), default=0) if to else 0
        if to is None or not leave_ns or to.name == t.state or to.energised or not may_wait(t, leave_ns):
            continue
        if t.may_enter(to.name):
            yield action, to.name, leave_ns


def _enter_twice(t: Tester) -> None:
    """Do an action without a tag, and again where it leads: the time of that state begins anew."""
    for action, to, leave_ns in _timed_ways(t):
        if action.to.get(to) != to or action.takes_ticket is not None:
            continue
        for _ in range(2):
            t.say(f"act {action.name}", tag=False)
            t.wait(leave_ns * 6 // 10)
        t.ask("self.state")
        return


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
    for action, _, leave_ns in _timed_ways(t):
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


@purpose("wire", "once", TOUR)
def once_whatever_happens(t: Tester, r: Requirement) -> None:
    """What is remembered outlasts all that happens unasked, and is the whole reply, however long."""
    line, step_ns = told_apart(t)
    first, last = (tag + line[line.index(b" ") :] for tag in (b"@0", b"@ffff"))
    left = left_by_time(t)
    if left is not None:
        t.goto(left[0])
        t.line(first)
        t.wait(max(left[1], step_ns))
        t.line(first)
    t.line(last)
    t.wait(step_ns)
    struck = trip_and_cause(t)
    if struck is not None:
        t.line(last)
        refused = doing(t, "clear_trip")
        if refused is not None:
            t.line(f"@1b act {refused}".encode())
        follows(t, struck[0])
        t.relieve(struck[1])
        if refused is not None:
            t.wait(t.vow.document.trial.settle)
            t.line(f"@1b act {refused}".encode())
        if (silence := t.vow.system_name("silence")) is not None:
            trying, t.trying = t.trying, "wire.watchdog"
            t.ask(silence)  # no trip has fed it
            t.trying = trying
    t.line(last)
    t.wait(step_ns)
    t.line(f"@1c {t.random.choice(list(refused_here(t)))}".encode())
    t.line(last)  # replaced
    local = on_the_panel(t) if has_panel(t) else None
    for text in [f"ask {each.name} 0" for each in images_in(t)] or ["ask self.vow"]:
        t.line(f"@0000 {text}".encode())
        if local is not None:
            t.panel("panel.control", "local")
            t.panel(f"panel.{local.name}", other_value(t, local))
            t.panel("panel.control", "remote")
        t.line(f"@0000 {text}".encode())
