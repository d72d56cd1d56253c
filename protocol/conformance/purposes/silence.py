"""Purposes about the watch on a silent host."""

from __future__ import annotations

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.meddling import by_hand, overlong
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement


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
