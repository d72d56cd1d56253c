"""Purposes about boots, and about long times between them."""

from __future__ import annotations

import time
from contextlib import suppress

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Doubtful
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.actions import do
from wirevow.protocol.conformance.purposes.framing import QUICK_NS
from wirevow.protocol.conformance.purposes.looking import target_state
from wirevow.protocol.conformance.purposes.meddling import (
    a_number,
    has_panel,
    has_transmitter,
    idle_limit_ns,
    longer_than,
    may_wait,
    overlong,
    run_over,
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
from wirevow.protocol.vow import record_of


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
        if may_wait(t, idle_limit_ns(t)):
            # Nor is it waited for: what comes long after the boot is no rest of it.
            t.raw(b"ask self.")
            again()
            t.wait(idle_limit_ns(t))
            t.raw(b"ask self.state\n")
        t.say("put link.guard on")
        if may_wait(t, idle_limit_ns(t)):
            t.raw(b"ask self.")
            t.wait(idle_limit_ns(t))
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


FIRST_STRIDE_NS = 20 * NS_PER_S

SLOW_S = 0.5
"""A rig that takes so long for a stride of a long wait is not asked for the next, which is longer; nor for
more boots than it does in so long a time."""

PAST_A_BYTE = 257

DAYS_NS = (1 << 32) * 1_000_000
"""As long as 32 bits count milliseconds: 50 days."""


@purpose("wire", "boot", 3)
def forgotten_by_every_boot(t: Tester, r: Requirement) -> None:
    """What was counted and told since a boot is gone after the next, also after one that nobody asked for."""
    ways = [each for each in boots(t) if each in (t.power_cycle, t.reset)]
    shown = [
        each for kind in ("drops", "captures", "last_trip") if (each := t.vow.system_name(kind)) is not None
    ]
    if not ways or not shown:
        raise NotSelected("needs a rig that can boot the instrument")
    capture = next((a for a in t.vow.actions.values() if "capture" in {kind for kind, _ in a.does}), None)
    for again in ways:
        if has_panel(t) and has_transmitter(t):
            run_over(t)
        if capture is not None:
            with suppress(NotSelected):
                t.prepare()
                t.goto(target_state(t, capture))
                t.act(capture.name)
                t.alive(NS_PER_S)
        struck = trip_and_cause(t)
        if struck is not None:
            t.relieve(struck[1])
        again()
        for name in shown:
            t.ask(name)


@purpose("wire", "order", 2)
def answered_before_a_boot(t: Tester, r: Requirement) -> None:
    """What was asked before a boot is answered before it, and so is what asks for the boot."""
    reboot = t.vow.doing("reboot")
    if reboot is None or t.state not in reboot.to:
        raise NotSelected("no action boots it from its initial state")
    lines = (f"{t.new_tag()} {text}\n" for text in ("ask self.vow", f"act {reboot.name}"))
    t.raw("".join(lines).encode())
    t.ask("self.state")


@purpose("wire", "boot", 2)
def boots_past_a_byte(t: Tester, r: Requirement) -> None:
    """Boots are counted past what a byte holds."""
    boots_point = t.vow.system_name("boots")
    if boots_point is None or "reset" not in t.abilities or not t.session.held:
        raise NotSelected(t.unbooted or "needs a rig that can pull the reset pin and hold the clock")
    if not t.limits.free:
        raise NotSelected("a real instrument is not booted so often")
    t.ask(boots_point)
    began_s = time.monotonic()
    for _ in range(PAST_A_BYTE):
        t.reset()
        if longer_than(t, began_s, SLOW_S):
            break
    t.ask(boots_point)


def _long_wait(t: Tester, ns: int) -> None:
    """Wait for so long, or for as long as the rig has a clock that is fast enough."""
    stride_ns = FIRST_STRIDE_NS
    while ns > 0:
        began_s = time.monotonic()
        t.wait(min(ns, stride_ns))
        ns -= stride_ns
        if longer_than(t, began_s, SLOW_S):
            return
        stride_ns *= 2


@purpose("wire", "boot", 2)
def counted_for_days(t: Tester, r: Requirement) -> None:
    """Times that are counted go on for days, and a line that has begun stays late for as long."""
    uptime, silence = t.vow.system_name("uptime"), t.vow.system_name("silence")
    if not t.session.held or uptime is None:
        raise NotSelected("needs a rig that can hold the clock, and a point for the time since the boot")
    t.raw(b"ask self.")
    _long_wait(t, DAYS_NS + t.vow.document.wire.idle_typing // 2)
    t.raw(b"state\n")
    t.quiet()
    if silence is not None:
        t.trying = "wire.watchdog"
        t.ask(silence)
        t.trying = r.id
    t.ask(uptime)
