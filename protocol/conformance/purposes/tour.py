"""A first look at everything, in few lines: most broken firmware shows here.

Each purpose takes the shortest way through one subject. The thorough purposes of the other modules come
after; nothing here is left out there.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from fractions import Fraction

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.purposes import (
    TOUR,
    alternation,
    booting,
    cooling,
    counters,
    framing,
    hands,
    noticing,
    once,
    purpose,
    readings,
    saving,
    silence,
    thresholds,
    tickets,
    trips,
)
from wirevow.protocol.conformance.purposes.actions import act_guarded, do
from wirevow.protocol.conformance.purposes.looking import laws_hold, stays, target_state, values
from wirevow.protocol.conformance.purposes.meddling import a_choice, a_number, giver, put_line, taker
from wirevow.protocol.conformance.purposes.points import between, boots, doing, enable, off_step, other_value
from wirevow.protocol.conformance.purposes.saving import with_nothing_saved
from wirevow.protocol.conformance.purposes.spelling import below_zero
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression
from wirevow.protocol.message import check_of
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import PointEntry, Value, part_count, value_of


def dependent(t: Tester) -> list[tuple[PointEntry, Expression]]:
    """Numbers whose limit hangs on other settings, all settable in the initial state; divisions first."""
    found = [
        (entry, limit)
        for entry in t.vow.settings
        for limit in (entry.high, entry.low)
        if limit is not None and limit.names and t.settable_here(entry)
        if all(t.settable_here(t.vow.points[name]) for name in limit.names)
    ]
    return sorted(found, key=lambda each: "/" not in each[1].text)


@purpose("wire", "exact", TOUR)
def numbers(t: Tester, r: Requirement) -> None:
    """One number, one of each way to write it wrong, and its edges."""
    entry = a_number(t)
    scale = entry.number
    low, high = t.bounds(entry)
    middle = low + (high - low) // 3
    number, *unit = entry.words(middle)
    t.put(entry.name, middle)
    minus, comma = f"-{scale.text(0)}", number.replace(".", ",")
    whole_part = number.partition(".")[0]
    pointed = f"{whole_part}."
    for wrong in (
        *([whole_part] if scale.digits else []),
        pointed,
        f"{number}0",
        f"0{number}",
        f"+{number}",
        f"{number}x",
        minus,
        comma,
    ):
        t.say(" ".join(("put", entry.name, wrong, *unit)))
    for counts in (high, low, low - 1, high + 1):
        if len(scale.text(counts).replace(".", "").replace("-", "")) <= 9:
            t.put(entry.name, counts)
    t.ask(entry.name)
    whole = next((e for e in t.vow.settings if e.scale is not None and not e.number.digits), None)
    if whole is not None:
        # What 32 bits make of it is a value that is allowed.
        t.say(" ".join(("put", whole.name, str((1 << 32) + whole.number.high), *whole.words(1)[1:])))
    another = scale.text(middle + 1)
    if unit:
        t.say(f"put {entry.name} {another} {unit[0].swapcase()}")
        t.say(f"put {entry.name} {another}")
        t.say(f"put {entry.name} {another} m{unit[0]}")
        t.say(f"put {entry.name} {another} {unit[0]}x")
        t.ask(entry.name)
        t.say(f"put {entry.name} {number}", check=True)
    units = int(high * scale.step)
    if scale.digits and low * scale.step <= units:
        # With a check a number may be shorter, and means the same.
        t.say(" ".join(("put", entry.name, str(units), *unit)), check=True)
    # Zeros behind zeros would hide what becomes of many digits.
    part = another if number.partition(".")[2].strip("0") == "" else number
    t.say(" ".join(("put", entry.name, _padded(part), *unit)), check=True)
    for between_steps in (high + Fraction(2, 5), middle + Fraction(49, 100), middle + Fraction(1, 2)):
        shown = between(entry, between_steps)
        if shown:
            t.say(" ".join(("put", entry.name, shown, *unit)), check=True)
    t.ask(entry.name)
    t.guard_off()


LONG_NS = 3600 * NS_PER_S
"""Longer than anything that gives up by itself."""


@purpose("wire", "syntax", TOUR)
def lines(t: Tester, r: Requirement) -> None:
    for line in (b"ASK self.state", b"ask self.state ", b"@1F ask self.state", b"@12345 ask self.vow"):
        t.line(line)
    t.raw(b"ask self.st\x80ate\n")
    t.raw(b"ask self.stat\xe5\n")
    t.raw(b"ask self.statf\x08e\n")
    t.raw(b"ask self.\x00state\r\n")
    t.trying = "wire.framing"
    t.raw(b"\r\n\nask self.state\r\n")
    t.trying = r.id
    for line in (
        b"ask  self.state",
        b"ask self.state\r\r",
        b"@00d get self.state",
        b"@0 a self.state",
    ):
        t.line(line)
    t.line(b"ask self.state.")
    t.line(b"#")
    t.line(b'"ask self.state"')
    t.line(b" ")
    count = t.vow.document.wire.pipeline
    t.trying = "wire.order"
    t.raw(b"".join(b"@7%d ask self.%s\n" % (k, b"boots" if k % 2 else b"state") for k in range(count)))


@purpose("wire", "length", TOUR)
def long_lines(t: Tester, r: Requirement) -> None:
    limit = t.vow.document.wire.line_limit
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    t.line(b"ask self.state ".ljust(limit, b"x"))
    t.raw(b"ask self.state ".ljust(limit, b"x") + b"\r\n")
    asked = b"ask self.state"
    t.line(asked + b" x" * ((limit - len(asked)) // 2))
    t.line(b"@1f ask self.state")
    t.line(b"x" * (limit + 1))
    t.line(b"x" * limit + put_line(t, entry, value).encode())
    t.ask(entry.name)


@purpose("wire", "notice.queue", TOUR)
def queued(t: Tester, r: Requirement) -> None:
    """More notices than the queue holds."""
    t.need("bench")
    if "panel.control" not in t.events or "link.transmitter" not in t.events:
        raise NotSelected("needs a rig that can stall the transmitter and turn the panel")
    t.ask("link.drops")
    t.transmitter("stalled")
    for _ in range(t.vow.document.wire.notice_queue // 2 + 2):
        for who in ("local", "remote"):
            t.panel("panel.control", who)
    t.transmitter("free")
    t.ask("link.drops")


@purpose("wire", "bulk", TOUR)
def parts(t: Tester, r: Requirement) -> None:
    for entry in t.vow.points.values():
        if entry.kind == "record":
            last = part_count(t.vow, entry) - 1
            for index in dict.fromkeys((0, last, last + 1)):
                t.say(f"ask {entry.name} {index}")


@purpose("wire", "notice.whole", TOUR)
def notices(t: Tester, r: Requirement) -> None:
    """The panel takes control: noticed, and in the way of everything but the safe action."""
    if "panel.control" not in t.events or "bench" not in t.abilities:
        raise NotSelected("needs a rig that can turn the front panel")
    entry = a_number(t)
    t.trying = None
    local = next((each for each in t.vow.points.values() if each.local), None)
    if local is not None and local.high is not None:
        # The panel stops at the limits in force, so they are moved inwards.
        for name in sorted(local.high.names):
            low, high = t.bounds(t.vow.points[name])
            t.put(name, (low + high) // 2)
    if t.session.held:
        t.wait(LONG_NS)  # nothing has gone to sleep
    t.panel("panel.control", "local")
    t.put(entry.name, other_value(t, entry))
    t.say(f"put {entry.name} x")
    t.ask(entry.name)
    choice = a_choice(t)
    if choice is not None:
        t.put(choice.name, other_value(t, choice))
    loose = next((each for each in t.vow.settings if not each.saved and t.settable_here(each)), None)
    if loose is not None:
        t.put(loose.name, t.setting(loose.name))
    for action in t.vow.actions.values():
        if t.state not in action.to and action.takes_ticket is None:
            t.act(action.name)
            break
    if local is not None:
        t.trying = f"point.{local.name}.local"
        t.panel(f"panel.{local.name}", other_value(t, local))
        t.ask(local.name)
        if local.scale is not None:
            t.panel(f"panel.{local.name}", t.bounds(local)[1] + 1)
            t.ask(local.name)
    t.trying = None
    t.safe()
    t.say("put link.notices off")
    t.trying = "wire.notice.off"
    t.panel("panel.control", "remote")
    t.say("put link.notices off")
    t.panel("panel.control", "local")
    t.panel("panel.control", "remote")
    t.say("put link.notices on")
    t.panel("panel.control", "local")
    t.panel("panel.control", "remote")


@purpose("wire", "framing", TOUR)
def by_itself(t: Tester, r: Requirement) -> None:
    """The shortest transition that time alone makes."""
    spans = sorted(
        (leave.after_ns, state.name)
        for state in t.vow.states.values()
        for leave in state.leaves
        if leave.when is None and t.may_enter(state.name)
    )
    if not spans or not t.session.held:
        raise NotSelected("no timed transition, or a clock that cannot be advanced")
    after_ns, state = spans[0]
    t.trying = None
    t.goto(state)
    if t.state != t.vow.initial:
        # Asked for once more, its time begins anew.
        t.wait(after_ns * 6 // 10)
        again_ = next((a.name for a in t.vow.actions.values() if a.to.get(state) == state and not a.does), "")
        if again_ and not t.vow.actions[again_].always:
            t.act(again_)
    left_ns = t.oracle.twin.entered_ns + after_ns - t.now_ns
    t.wait(left_ns - after_ns // 100)
    t.ask("self.state")
    take = taker(t) if any(a.gives_ticket_ns is not None for a in t.vow.actions.values()) else None
    if take is not None and t.state in take.to:
        t.act(take.name)  # its ticket is too old by now
    only = next((a.name for a in t.vow.actions.values() if state not in a.to and t.vow.initial in a.to), None)
    refused = f"@d1 act {only}".encode()
    if only is not None:
        t.line(refused)
    t.wait(after_ns // 50)
    if only is not None:
        t.line(refused)  # a refusal is remembered like any reply
    t.ask("self.state")


@purpose("wire", "once", TOUR)
def again(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    low, high = t.bounds(entry)
    line = f"@a1 {put_line(t, entry, low + (high - low) // 3)}".encode()
    t.line(line)
    t.line(put_line(t, entry, low + (high - low) // 2).encode())
    t.line(line)
    t.line(f"@a1 ask {entry.name}".encode())
    t.line(b"@a1 ask self.uptime")
    if t.session.held:
        t.wait(LONG_NS)
        t.line(b"@a1 ask self.uptime")
        silence = t.vow.system_name("silence")
        if silence is not None:
            t.trying = "wire.watchdog"
            t.ask(silence)
            t.trying = r.id
        if "clock" in t.vow.document.promises:
            t.trying = "promise.clock"
        t.line(b"@a1 ask self.uptime")
        t.trying = r.id
        t.line(b"@0a1 ask self.uptime")
        t.line(b"@0a1 ask self.boots")
        t.line(b"@0a1 ask self.state")
    givers = (action for action in t.vow.actions.values() if action.gives_ticket_ns is not None)
    if any(t.vow.initial in action.to for action in givers):
        give = f"@b1 act {giver(t).name}".encode()
        t.line(give)
        t.line(b"x")
        t.line(give)
        t.line(give.replace(b"b1", b"b2"))


@purpose("wire", "guard", TOUR)
def guarded(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    plain = put_line(t, entry, value).encode()
    right = int(check_of(plain), 16)
    for wrong in (b"~0000", b"~%04X" % (right ^ 0x5500), b"~%04x" % (right | 0xA000)):
        t.line(plain + b" " + wrong)
    t.say("ask no.such", check=True)
    t.line(plain)
    t.say("ask self.state", check=True)
    t.line(plain)
    t.line(b"x" * 600)
    t.line(plain)
    if t.vow.document.trial.safe is not None:
        t.line(f"act {t.vow.document.trial.safe}".encode())
    t.line(b"put link.guard off")
    if t.session.held:
        t.trying = "wire.idle"
        t.raw(b"ask self.")
        t.wait(t.vow.document.wire.idle_checked * 51 // 50)
        t.raw(b"ask self.state\n")
        t.quiet()
        t.trying = r.id
    t.say("put link.guard off", check=True)
    t.line(plain)


@purpose("wire", "reasons", TOUR)
def refusals(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    unit = entry.words(entry.number.high)[1:]
    choice = a_choice(t)
    texts = [
        "ask no.such 1",
        "act no.such",
        f"put {entry.name}",
        "put self.state 1",
        f"act {entry.name}",
        *(f"put {e.name} {' '.join(e.words(1))}" for e in _readings(t)[:1]),
        f"put {entry.name} x {'x' if unit else ''}".rstrip(),
        " ".join(("put", entry.name, entry.number.text(entry.number.high + 1), *(("xx",) if unit else ()))),
        f"ask {entry.name} 1",
        *(f"ask {name}" for name in list(t.vow.actions)[:1]),
        f"ask {max(t.vow.points, key=len)}x",
        *[f"act {name} 1" for name, action in t.vow.actions.items() if not action.takes_ticket][:1],
    ]
    if choice is not None:
        texts += [
            f"put {choice.name} {choice.choices[-1]}",
            f"put {choice.name} {choice.choices[0][:-1] or 'x'}",
            f"put {choice.name} {choice.choices[0].title()}",
            f"put {choice.name} 1",
        ]
    for text in texts:
        t.say(text)
    for setting in t.vow.settings:
        if not t.settable_here(setting):
            t.put(setting.name, setting.default)
            t.say(f"put {setting.name} x")
            if setting.scale is not None:
                t.put(setting.name, setting.number.high + 1)
                t.done.add("reasons before and after state")
            break
    for action in t.vow.actions.values():
        if action.takes_ticket is not None and t.state not in action.to:
            t.say(f"act {action.name} x")
            t.say(f"act {action.name} ABCD")
            break


def _readings(t: Tester) -> list[PointEntry]:
    """Numbers that cannot be put, counts of the instrument's own first."""
    found = [entry for entry in t.vow.points.values() if entry.scale is not None and not entry.settable]
    return sorted(found, key=lambda entry: entry.source != "system")


@purpose("wire", "round", TOUR)
def signed(t: Tester, r: Requirement) -> None:
    """Numbers below zero, whole steps and halves of them."""
    entry = next(below_zero(t), None)
    if entry is None:
        raise NotSelected("no setting goes below zero")
    enable(t, entry)
    t.put(entry.name, -1)
    t.ask(entry.name)
    for counts in (Fraction(-5, 2), Fraction(-2, 5)):
        shown = between(entry, counts)
        if shown:
            t.say(" ".join(("put", entry.name, shown, *entry.words(0)[1:])), check=True)
            t.ask(entry.name)


@purpose("wire", "idle", TOUR)
def stale(t: Tester, r: Requirement) -> None:
    """A line broken off by silence, with a command for its tail."""
    idle_ns = t.vow.document.wire.idle_typing
    if not t.session.held:
        raise NotSelected("waiting for the idle time takes too long on a clock that cannot be advanced")
    t.raw(b"ask ")
    t.wait(idle_ns * 6 // 10)
    t.raw(b"self")
    t.wait(idle_ns * 6 // 10)
    t.raw(b".state\n")
    t.raw(b"ask self.")
    t.wait(idle_ns + idle_ns // 50)
    t.raw(b"ask self.state\n")
    t.quiet()
    t.trying = "promise.clock" if "clock" in t.vow.document.promises else None
    t.ask("self.uptime")  # more than 16 bits of milliseconds by now


@purpose("wire", "ticket", TOUR)
def started(t: Tester, r: Requirement) -> None:
    """The way to a start and back, with a wrong ticket on it and the used one after."""
    give, take = giver(t), taker(t)
    t.prepare()
    t.act(give.name)
    if take is None:
        raise NotSelected("no action takes the ticket without a guard")
    good = t.oracle.twin.ticket or "0000"
    t.say(f"act {take.name} {int(good, 16) ^ 1:04x}")
    if good.upper() != good:
        t.say(f"act {take.name} {good.upper()}")
    stays(t, give.to.get(t.vow.initial, t.state))
    t.act(give.name)
    t.say(f"act {take.name} {good}")
    if not t.energise:
        return
    t.act(give.name)
    if t.session.held and give.gives_ticket_ns is not None:
        # A newer ticket has its own time.
        t.wait(give.gives_ticket_ns * 6 // 10)
        t.act(give.name)
    # What is put while it waits for the start counts from the start.
    for name, value in t.vow.document.trial.put.items():
        entry = t.vow.points[name]
        wanted = value_of(entry, value)
        if isinstance(wanted, int) and t.settable_here(entry) and 2 * wanted <= t.bounds(entry)[1]:
            t.put(name, 2 * wanted)
    used = t.oracle.twin.ticket
    # What is refused leaves the ticket good, nearly as long as it is promised to be.
    t.say(f"act {take.name} {int(used or '0', 16) ^ 1:04x}")
    for shut in [each.name for each in t.vow.actions.values() if t.state not in each.to][:1]:
        t.say(f"act {shut}")
    if t.session.held and give.gives_ticket_ns is not None:
        t.wait(give.gives_ticket_ns * 9 // 10)
        t.ask("self.uptime")
    t.act(take.name)
    t.ask("self.state")
    patience_ns = t.patience_ns()
    if t.session.held and patience_ns is not None:
        # Asking is enough to be heard, and so is putting.
        for _ in range(2):
            t.wait(patience_ns * 6 // 5)
            t.ask("self.state")
            t.wait(patience_ns * 6 // 5)
            t.put("link.patience", t.setting("link.patience"))
        t.wait(patience_ns * 6 // 5)
    laws_hold(t)
    t.safe()
    t.ask("self.state")
    laws_hold(t)
    t.act(give.name)
    t.say(f"act {take.name} {used}")
    laws_hold(t)


@purpose("wire", "boot", TOUR)
def booted(t: Tester, r: Requirement) -> None:
    """Something saved, something not, and a boot of each kind from where nothing is as a boot leaves it."""
    save = doing(t, "save")
    entry = a_number(t)
    if not entry.saved:
        here = (each for each in t.vow.settings if each.scale is not None and t.settable_here(each))
        entry = next((each for each in here if each.saved), entry)
    choice = a_choice(t)
    saving = save is not None and t.state in t.vow.actions[save].to and entry.saved and t.session.held
    moved = [each for each in (entry, choice) if each is not None]
    wear = [each.name for each in t.vow.points.values() if each.system == "saves"]
    recall = doing(t, "recall")
    reset = t.vow.document.trial.reset
    ways = boots(t)
    tickets: list[str | None] = []
    if saving and save is not None:
        for name in wear:
            t.ask(name)
        with_nothing_saved(t)
        for each in moved:
            t.put(each.name, other_value(t, each))
        t.trying = f"action.{save}.effect"
        t.act(save)
        for name in wear:
            t.ask(name)
        if recall is not None and reset is not None:
            t.trying = f"action.{recall}.effect"
            t.act(reset)
            t.act(recall)
            for each in moved:
                t.ask(each.name)
        # A second save is as good as the first.
        t.put(entry.name, other_value(t, entry))
        t.act(save)
        t.put(entry.name, other_value(t, entry))
    meant = {"guard": "wire.guard", "notices": "wire.notice.off", "state": r.id, "control": r.id}
    session = [(e.name, meant[e.system]) for e in t.vow.points.values() if e.system in meant]
    for again_ in ways:
        t.trying = r.id
        if t.session.held:
            # So that the time since the boot shows the boot, and is counted in whole steps.
            step = t.vow.points["self.uptime"].number.step
            t.wait(5 * NS_PER_S + int(step * NS_PER_S * 7 / 10))
        t.ask("self.uptime")
        by_hand = again_ in (t.power_cycle, t.reset)
        tickets.append(_unsettle(t, by_hand))
        if by_hand and "panel.control" in t.events and "bench" in t.abilities:
            t.panel("panel.control", "local")
        again_()
        t.bench_now.pop("panel.control", None)
        t.line(b"@e1 ask self.boots")
        for name in ("self.boot_cause", "self.uptime"):
            t.ask(name)
        for name, broken in session:
            t.trying = broken
            t.ask(name)
        t.trying = None
        with t.blaming("saved"):
            for each in moved:
                t.ask(each.name)
    first = tickets[1:]
    if len(first) > 1 and first[0] is not None and len(set(first)) == 1:
        # The first ticket of every boot: three alike are no chance.
        again_()
        if _unsettle(t, by_hand) == first[0]:
            due = "another ticket than before the boot"
            raise Broken(Judgement(False, "wire.ticket", due), "the first ticket", f"ok {first[0]} each time")
    reboot = doing(t, "reboot")
    if reboot is not None and t.state in t.vow.actions[reboot].to:
        # A boot forgets what was remembered: the same line boots it again.
        for _ in range(2):
            t.line(f"@e2 act {reboot}".encode())
    if saving and save is not None:
        t.home()
        t.act(save)


def _unsettle(t: Tester, by_hand: bool) -> str | None:
    """Leave nothing as a boot leaves it: the session, what is remembered, the state; the ticket, if any.

    A boot that is not by hand is asked for, in a state that allows it.
    """
    if "link.notices" in t.vow.points:
        t.say("put link.notices off")
    if "link.guard" in t.vow.points:
        t.say("put link.guard on")
    reboots = [action for action in t.vow.actions.values() if ("reboot", "") in action.does]
    for action in t.vow.actions.values():
        to = action.to.get(t.state, t.state)
        quiet = to != t.state and not t.vow.states[to].energised and action.takes_ticket is None
        quiet = quiet and t.may_do(action.name)
        if quiet and (by_hand or all(to in reboot.to for reboot in reboots)):
            t.act(action.name)
            break
    t.line(b"@e1 ask self.boots")
    return t.oracle.twin.ticket


@purpose("wire", "deadline", TOUR)
def one_trip(t: Tester, r: Requirement) -> None:
    """The protections that take the least time, each from provocation to clearing."""
    if not t.session.held:
        raise NotSelected("needs a rig that can hold the clock")
    trips = t.vow.document.trips
    quick = sorted((trip.provoke.within, name) for name, trip in trips.items() if trip.provoke is not None)
    last = t.vow.system_name("last_trip")
    done = 0
    for _, name in quick:
        provoke = trips[name].provoke
        assert provoke is not None
        if done == 3 or not t.may_enter(provoke.state):
            continue
        t.home()
        t.trying = f"trip.{name}.fires"
        try:
            t.provoke_trip(name, provoke)
        except (NotSelected, Doubtful):
            continue
        done += 1
        t.ask("self.state")
        if done == 2 and last is not None:
            t.trying = f"trip.{name}.report"
            t.ask(last)
            t.trying = f"trip.{name}.fires"
        laws_hold(t)
        for action in t.vow.actions.values():
            if ("clear_trip", "") in action.does and t.state in action.to:
                t.act(action.name)
        t.relieve(provoke)
        if t.state == t.vow.trips[name].to and t.vow.trips[name].latched:
            t.trying = f"trip.{name}.clears"
            t.wait(t.vow.document.trial.settle)
            t.clear()  # nothing else has to be done first


def _padded(number: str) -> str:
    """The same number with as many digits as there may be."""
    digits = sum(each.isdecimal() for each in number)
    return f"{number}{'' if '.' in number else '.'}{'0' * (MOST_DIGITS - digits)}"


@purpose("wire", "atomic", TOUR)
def depending(t: Tester, r: Requirement) -> None:
    """A limit that hangs on another setting, moved."""
    found = dependent(t)
    if not found:
        raise NotSelected("no limit depends on a setting")
    for entry, limit in dict.fromkeys((found[0], found[-1])):
        t.home()
        if not off_step(t, entry, limit):
            for name in sorted(limit.names):
                low, high = t.bounds(t.vow.points[name])
                t.put(name, low + (high - low) // 3)
        low, high = t.bounds(entry)
        for counts in (high, low, low - 1, high + 1):
            t.put(entry.name, counts)
        t.ask(entry.name)
    # With the defaults, the limits are those of the defaults again.
    t.home()
    low, high = t.bounds(entry)
    t.put(entry.name, high)
    t.put(entry.name, low)


@purpose("wire", "watchdog", TOUR)
def silent(t: Tester, r: Requirement) -> None:
    silence = t.vow.system_name("silence")
    if silence is None or not t.session.held:
        raise NotSelected("needs a point for the host's silence and a clock that can be advanced")
    t.ask(silence)
    t.wait(NS_PER_S)
    t.line(b"ask no.such")
    t.ask(silence)


@purpose("wire", "identity", TOUR)
def shut(t: Tester, r: Requirement) -> None:
    """Every action that has a guard, with its guard shut and a wrong ticket, then with a good one."""
    guarded = [action for action in t.vow.actions.values() if action.guard is not None]
    if not guarded:
        raise NotSelected("no action has a guard")
    for action in guarded:
        guard = action.guard
        assert guard is not None
        t.home()
        t.trying = f"action.{action.name}.guard"
        t.prepare()
        try:
            state = target_state(t, action)
            seen = values(t, sorted(guard.names))
            for entry, value in _other_ends(t, guard.names):
                if not guard.truth({**seen, entry.name: entry.exact(value)}):
                    enable(t, entry)
                    t.put(entry.name, value)
                    t.goto(state)
                    act_guarded(t, action)
                    break
        except NotSelected:
            continue


def _other_ends(t: Tester, names: Iterable[str]) -> list[tuple[PointEntry, Value]]:
    """Settings among these points, each with the values that differ most from where it is."""
    found: list[tuple[PointEntry, Value]] = []
    for entry in (t.vow.points[name] for name in sorted(names)):
        if entry.source == "setting":
            ends = entry.choices if entry.scale is None else t.bounds(entry)[::-1]
            found += [(entry, value) for value in ends if value != t.setting(entry.name)]
    return found


@purpose("wire", "order", 3)
def actions(t: Tester, r: Requirement) -> None:
    """Every action that neither energises nor boots, once, and what it leads to."""
    for action in t.vow.actions.values():
        if action.takes_ticket is not None or ("reboot", "") in action.does or ("save", "") in action.does:
            continue
        if not t.may_do(action.name):
            continue
        if t.vow.initial not in action.to:
            t.act(action.name)
            continue
        t.home()
        t.trying = f"action.{action.name}.effect"
        with suppress(NotSelected):
            t.goto(target_state(t, action))
            do(t, action)
            t.ask("self.state")


@purpose("wire", "tag", 3)
def settings(t: Tester, r: Requirement) -> None:
    """Some settings, moved and asked; more of them are moved by every other purpose."""
    t.trying = None
    for entry in t.random.sample(list(t.vow.settings), min(9, len(t.vow.settings))):
        if t.settable_here(entry):
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
                t.ask(entry.name)


@purpose("wire", "notice.off", TOUR)
def left_alone(t: Tester, r: Requirement) -> None:
    """Switches of the session do not touch each other, and time alone changes nothing."""
    entry = a_number(t)
    t.trying = None
    t.put(entry.name, other_value(t, entry))
    plain = put_line(t, entry, entry.number.low).encode()
    switches = [each.name for each in t.vow.points.values() if each.system in ("guard", "notices", "control")]
    off = "link.notices" in t.vow.points
    if off:
        t.say("put link.notices off")
    t.say("put link.guard on")
    if off:
        t.ask("link.notices")
        t.say("put link.notices off")
    t.line(plain)
    bringing = ("recall", ""), ("defaults", "")
    for action in t.vow.actions.values():
        if set(bringing).intersection(action.does) and t.state in action.to:
            t.act(action.name)
            t.line(plain)
    if "panel.control" in t.events and "bench" in t.abilities:
        t.panel("panel.control", "local")
    if t.session.held:
        t.wait(LONG_NS)
        t.trying = "wire.watchdog"
        for each in t.vow.points.values():
            if each.system == "silence":
                t.ask(each.name)
        t.trying = None
    for name in (*switches, entry.name):
        t.ask(name)
    t.line(plain)
    if t.bench_now.get("panel.control") == "local":
        t.panel("panel.control", "remote")
    t.guard_off()
    if off:
        t.ask("link.notices")


ORDER = (
    trips.at_the_default_threshold,
    noticing.waiting_of_every_kind,
    stale,
    noticing.notice_queue,
    by_itself,
    silence.patience_to_its_step,
    parts,
    guarded,
    saving.like_empty_cells,
    once.once_whatever_happens,
    notices,
    lines,
    long_lines,
    refusals,
    numbers,
    framing.idle_of_all_lines,
    again,
    readings.comes_to_what_it_follows,
    noticing.before_every_reply,
    thresholds.over_quick_changes_of_state,
    counters.counted_for_hours,
    cooling.least_drive,
    depending,
    hands.acts_from_the_panel,
    booted,
    booting.boot_forgets,
    queued,
    alternation.counted,
    started,
    one_trip,
    shut,
    tickets.ticket_while_busy,
    noticing.notice_off,
    signed,
    left_alone,
    thresholds.close_to_the_guard,
    silent,
)
"""The tour, with parts of other rooms: what tells most in the fewest lines comes first."""
