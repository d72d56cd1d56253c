"""Purposes about times: replies within their deadline, the clock, and times on a clock that runs by itself.

On a held clock times are exact, and most are looked at where what they belong to is (`behaviour.leave`,
`behaviour.delay`, `wire.idle`). On a running clock the host is late itself now and then. How late is measured
beside each time (`host.lateness_ns`); what that could explain is inconclusive, never a failure.
"""

from __future__ import annotations

from dataclasses import replace

from protocol.conformance.host import lateness_ns
from protocol.conformance.purposes import purpose
from protocol.conformance.purposes.physics import PROMISES
from protocol.conformance.tester import HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from protocol.device import NS_PER_S
from protocol.document.requirements import Requirement
from protocol.oracle import CLOCK_PARTS, Judgement

QUESTIONS = 40
LONGEST_NS = 20 * NS_PER_S
"""Longest wait on a running clock."""
RESOLVED = 20
"""A held clock runs so many times longer than it takes to tell the error that is allowed from a step."""


def _trusted(t: Tester) -> None:
    """Doubtful if the host is too busy to judge any time, beyond what every purpose allows for anyway."""
    if not t.session.held and (late_ns := lateness_ns()) > HOST_SLACK_NS:
        raise Doubtful(f"the host itself wakes up {late_ns / 1e6:.0f} ms late: it cannot judge times now")


@purpose("wire", "deadline", 3)
def replies_in_time(t: Tester, r: Requirement) -> None:
    """Many questions, one after another and as many at once as may wait, each answered in time."""
    _trusted(t)
    names = [name for name, entry in t.vow.points.items() if entry.kind != "record"]
    began = len(t.reply_ns)
    for index in range(QUESTIONS):
        t.ask(names[index % len(names)], tag=True)
    t.raw(b"ask self.state\n" * t.vow.document.wire.pipeline)
    t.quiet()
    slowest_ns = max(t.reply_ns[began:])
    if slowest_ns > t.deadline_ns:
        # Later than the deadline and yet within what a host is allowed: whose fault it is cannot be told.
        raise Doubtful(
            f"a reply took {slowest_ns / 1e6:.1f} ms of {t.deadline_ns / 1e6:g} ms, "
            "which is within what the host may be late itself"
        )


@purpose("trip", "delay", 3)
def trips_in_time(t: Tester, r: Requirement) -> None:
    """On a running clock: a trip with a delay, provoked at once, acts after it and within its time."""
    if t.session.held:
        return  # `behaviour.delay` has looked
    trip, provoke = t.vow.trips[r.element], t.vow.document.trips[r.element].provoke
    if provoke is None or not provoke.bench or provoke.silence:
        raise NotSelected("the document does not say how to provoke it at once")
    if any(event not in t.events for event in provoke.bench):
        raise NotSelected(f"needs a rig that can make {' and '.join(provoke.bench)} happen")
    if provoke.within > LONGEST_NS:
        raise NotSelected("it takes too long on a clock that cannot be advanced")
    _trusted(t)
    t.arrange(provoke)
    took_ns = t.strike(trip, provoke)
    t.relieve(provoke)
    if took_ns < trip.after_ns - trip.after_ns // CLOCK_PARTS - HOST_SLACK_NS:
        due = f"not before {trip.after_ns / 1e6:g} ms"
        raise Broken(Judgement(False, r.id, due), "", f"after {took_ns / 1e6:.0f} ms")
    t.keep(r.id)


def clock(t: Tester, r: Requirement) -> None:
    """The instrument's clock against ours, by the time since its boot.

    A promise in words states no bound that could be read, so the bound is that of every clock here, one part
    in `oracle.CLOCK_PARTS`: a resonator within it may still be outside of what the words say.
    """
    entry = next((each for each in t.vow.points.values() if each.system == "uptime"), None)
    if entry is None:
        raise NotSelected("no point tells the instrument's time")
    step_ns = int(entry.number.step * NS_PER_S)
    slack_ns = step_ns + (0 if t.session.held else 2 * HOST_SLACK_NS)
    needed_ns = slack_ns * CLOCK_PARTS
    if t.session.held:
        t.alive(RESOLVED * needed_ns)
    elif t.now_ns - max(t.acquainted_ns, t.oracle.twin.booted_ns) < 2 * needed_ns:
        raise NotSelected(
            f"telling one part in {CLOCK_PARTS} takes {2 * needed_ns / 1e9:.0f} s on a clock "
            "that cannot be advanced"
        )
    # The oracle holds every answer against our clock, within this bound; a wrong one bears on the promise.
    try:
        t.ask(entry.name)
    except Broken as broken:
        raise Broken(replace(broken.judgement, requirement=r.id), broken.sent, broken.seen) from broken
    t.keep(r.id)


PROMISES["clock"] = clock
