"""The plan: what a check is going to do to a real instrument, for the person who has to agree to it.

It follows from the document and from what was allowed, before anything is sent. How long it takes is an
estimate: so many lines for each requirement, the time of their characters on the wire at its rate, and the
waits that the document's own times make necessary.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from wirevow.protocol.conformance.allowance import KINDS, allowance, switched_states
from wirevow.protocol.conformance.envelope import (
    Envelope,
    energising_actions,
    if_the_host_dies,
    live_states,
    saving_actions,
)
from wirevow.protocol.conformance.keeping import zeroed
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

LINES_EACH = 20
"""Lines that a check sends for each requirement, about. Measured with the two demo documents and nothing
energised: 13 and 17 of all requirements; energised 27 and 26."""
LEARNED_EACH = 20
"""Lines that learning sends for each state and input (measured: 19 and 20)."""
CHARACTERS = 50
"""Of a request and its answer together, about (measured: 47 with tarn)."""
BITS = 10
"""Of a character on the wire: start, eight data bits, stop."""
PAUSE_S = 0.012
"""The host's own pauses, for each line (measured: 0.012 with tarn)."""
UNASKED_WAITS = 10
"""So often a check waits for what a state does by itself after a time, for its notice above all (measured: 11
with tarn); once where there are no notices."""
UNASKED_NS = 10 * NS_PER_S
"""For what takes longer it does not wait on a clock that runs."""
IDLE_WAITS = 5
"""So often a check waits for a begun line to be forgotten, about."""

Ceilings = Mapping[str, int]
"""How often it may save (`store`), boot (`boot`) and switch outputs (`switch`) at most; a kind that is not
there is not allowed."""


class NotAgreed(WirevowError):
    """The person did not agree to the plan, or was not there: nothing was changed."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What will be done at most: each kind, and how often, in words."""

    rows: tuple[tuple[str, str], ...]
    lines: int
    seconds: float
    for_s: float | None = None
    """One check after the other for so long."""

    def text(self) -> list[str]:
        """For people, a line for each kind."""
        about = f"about {self.lines} lines, {_about(self.seconds)} (an estimate)"
        if self.for_s is not None:
            times = max(1, round(self.for_s / self.seconds))
            long = f"{self.for_s:g} s" if self.for_s < 90 else _about(self.for_s)
            often = "once" if times == 1 else f"{times} times"
            about = f"one check after the other for {long}, about {often}; each {about}"
        return [f"{what}: {much}" for what, much in (*self.rows, ("effort", about))]


def ceilings_of(vow: Vow, envelope: Envelope | None, allow: Sequence[str]) -> Ceilings:
    """What a check may do of each kind, by the words of `--allow`. Raises WirevowError."""
    allowed = allowance(allow, envelope=envelope is not None)
    ceilings: dict[str, int] = {kind: allowed.of(kind) for kind in KINDS if allowed.of(kind)}
    if "store" in ceilings and vow.doing("recall") is None:
        del ceilings["store"]  # what is saved could not be put back
    if "store" in ceilings and envelope is not None:
        ceilings["store"] = min(allowed.store, envelope.most.saves)
    return ceilings


def plan_of(
    vow: Vow,
    *,
    envelope: Envelope | None = None,
    ceilings: Ceilings,
    budget: int | None = None,
    requirements: int | None = None,
    lines: int | None = None,
    for_s: float | None = None,
) -> Plan:
    """What a check of a real instrument will do.

    `requirements`: how many are looked at, by default all; `lines`: how many are sent, if that is known;
    `budget`: at most so many; `for_s`: one check after the other for so long, the ceilings for all together.
    """
    count = len(requirement_ids(vow.document)) if requirements is None else requirements
    if lines is None:
        lines = count * LINES_EACH
    if budget is not None:
        lines = min(lines, budget)
    return Plan(tuple(_rows(vow, envelope, ceilings)), lines, _seconds(vow, envelope, ceilings, lines), for_s)


def _rows(vow: Vow, envelope: Envelope | None, ceilings: Ceilings) -> Iterator[tuple[str, str]]:
    if vow.settings:
        yield "settings", f"puts all {len(vow.settings)}, again and again, and at the end as they were found"
    barred = frozenset() if envelope is not None else energising_actions(vow)
    lost = {point: None for name in vow.actions if name not in barred for point in zeroed(vow, name)}
    if lost:
        yield "counters", f"zeroes {', '.join(lost)}: what they hold is lost"
    if saving_actions(vow):
        yield "store", _at_most("saves", "store", ceilings, ", and at the end what it held")
    if vow.document.wire.opening.resets or any(
        ("reboot", "") in action.does for action in vow.actions.values()
    ):
        first = ", the first time when its port is opened" if vow.document.wire.opening.resets else ""
        yield "boots", _at_most("boots it", "boot", ceilings, first)
    if states := [name for name in vow.states if name in switched_states(vow) - live_states(vow)]:
        yield "outputs", _at_most(f"switches them (state {', '.join(states)})", "switch", ceilings)
    yield "energised", "never" if envelope is None else f"within {envelope.text()}"
    if envelope is not None:
        yield "host dies", if_the_host_dies(vow)


def _at_most(what: str, kind: str, ceilings: Ceilings, also: str = "") -> str:
    times = ceilings.get(kind)
    return "never" if times is None else f"{what}, at most {times} times{also}"


def _seconds(vow: Vow, envelope: Envelope | None, ceilings: Ceilings, lines: int) -> float:
    """An estimate: characters on the wire, the host's own pauses, and the document's times."""
    wire = vow.document.wire
    shut = live_states(vow) | (frozenset() if "switch" in ceilings else switched_states(vow))
    unasked = [
        leave.after_ns
        for name, state in vow.states.items()
        if name not in shut
        for leave in state.leaves
        if leave.when is None and leave.after_ns <= UNASKED_NS
    ]
    times = UNASKED_WAITS if "notices" in vow.parts else 1
    waits_ns = times * min(unasked, default=0) + IDLE_WAITS * wire.idle_checked
    # A check that its budget cuts short does not come to all of them.
    share = min(1.0, lines / (LINES_EACH * len(requirement_ids(vow.document))))
    energised_s = 0.0 if envelope is None else float(envelope.most.seconds)
    return lines * (CHARACTERS * BITS / wire.baud + PAUSE_S) + share * (waits_ns / NS_PER_S + energised_s)


def _about(seconds: float) -> str:
    if seconds < 90:
        return f"{max(10, 10 * round(seconds / 10))} s"
    return f"{round(seconds / 60)} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
