"""Rules of the session crossed: all that is remembered, with all that may happen meanwhile.

One question, asked again and again with the same tag, shows three things at once. It is for the host's
silence: the number tells a stored reply from a new one, and a silence that something has ended from one that
goes on; the check tells whether the guard is on.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.meddling import (
    Step,
    a_number,
    by_hand,
    has_panel,
    put_line,
    refused_here,
    unheard,
)
from wirevow.protocol.conformance.purposes.once import told_apart
from wirevow.protocol.conformance.purposes.points import restart
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement

SOME = 6
"""Of what happens so many are looked at on a clock that runs by itself."""
WAITS = (4, 1), (4, 2)
"""Steps of the answer before and after what happens, by turns: what was stored, what goes on and what has
been ended are three numbers then."""


@purpose("wire", "once", 1)
def whatever_happens_between(t: Tester, r: Requirement) -> None:
    """What is no request leaves all that is remembered; what is one replaces the reply, whatever its answer,
    and only what is accepted ends the silence. No refusal turns the guard."""
    line, steps_ns = _question(t)
    for guard in (False, True):
        if guard:
            t.say("put link.guard on")
        stored = ""
        happenings = list(_happenings(t))
        if not t.session.held:
            happenings = t.random.sample(happenings, min(SOME, len(happenings)))
        for index, happens in enumerate((None, *happenings)):
            before_ns, after_ns = (steps * steps_ns for steps in WAITS[index % 2])
            t.wait(before_ns)
            if happens is not None:
                happens()
            t.wait(after_ns)
            stored = _asked(t, line, stored)


def _question(t: Tester) -> tuple[bytes, int]:
    """A request whose answer tells all that, and its step in time."""
    silence = t.vow.system_point("silence")
    if silence is not None:
        return f"@0c0d ask {silence.name}".encode(), int(silence.number.step * NS_PER_S)
    with suppress(NotSelected):
        restart(t)  # the time since a boot is told to a step only soon after it
    return told_apart(t)


def _asked(t: Tester, line: bytes, stored: str) -> str:
    """Ask it, and return the answer as it came. What was stored before and is not any more is told by it."""
    trying, t.trying = t.trying, "wire.watchdog" if t.vow.system_point("silence") is not None else t.trying
    try:
        reply = t.line(line)
    except Broken as broken:
        if broken.seen == stored:
            broken.judgement = replace(broken.judgement, requirement="wire.once")
        raise
    t.trying = trying
    assert reply is not None
    return reply.line().decode("ascii")


def _happenings(t: Tester) -> Iterator[Step]:
    """Everything that may happen in the initial state without a rig's booting it or tripping."""
    yield from unheard(t)
    if t.session.held:
        yield from by_hand(t)
    for text in refused_here(t):
        for check in sorted({t.guard, True}):
            yield partial(t.say, text, tag=check is not t.guard, check=check)
    entry = a_number(t)
    if has_panel(t) and t.session.held:
        yield partial(t.panel, "panel.control", "local")
        yield partial(t.say, put_line(t, entry, int(t.setting(entry.name))), tag=False)
        yield partial(t.panel, "panel.control", "remote")
    safe = t.vow.document.trial.safe
    accepted = ["ask self.state", f"put link.guard {'on' if t.guard else 'off'}"]
    accepted += [f"ask {each.name} 0" for each in t.vow.points.values() if each.kind == "record"]
    for text in accepted if safe is None else (*accepted, f"act {safe}"):
        yield partial(t.say, text, tag=False)
        yield partial(t.say, text, tag=True)
