"""The dead man's hand: the instrument's own link watchdog, tried before an envelope energises anything.

A program that is killed, a cable that is pulled and a host that sleeps can send no safe action. Then only the
instrument stops itself. So a check first sets the shortest silence that the document and the envelope allow,
starts the instrument at the lowest level that it is tried with, says nothing, and looks whether it has
stopped. If it has not, it is made safe, and nothing more is energised.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from wirevow.protocol.conformance.envelope import PATIENCE, kind_of, reaction_s
from wirevow.protocol.conformance.gate import NS_PER_S, UNTRIED, EnvelopeGate, NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import TripEntry

if TYPE_CHECKING:
    from wirevow.protocol.conformance.navigation import Navigation


def prove(t: Navigation) -> None:
    """See the link watchdog stop the instrument, once; until then the gate energises nothing.

    Raises Broken if it does not stop in time. Where it cannot be tried nothing is energised, and the gate
    says why.
    """
    gate = t.gate
    if gate is None or gate.unguarded != UNTRIED or gate.reach.watchdog is None:
        return
    gate.unguarded = ""  # for the trial
    proven = False
    try:
        _try(t, gate, gate.reach.watchdog)
        proven = True
    except Broken as broken:
        gate.unguarded = f"its link watchdog has not stopped it: {broken.judgement.expected}"
        t.warnings.append(
            f"{t.session.port.port}: {gate.unguarded}. It was made safe, and nothing more was energised. "
            "DO NOT LEAVE IT ALONE WITH A SOURCE: if its host dies, it goes on."
        )
        broken.steps, broken.lines = t.since_mark(), t.lines
        t.rest_plainly(gate)
        raise
    except (NotSelected, Doubtful) as why:
        t.safe()
        gate.unguarded = f"its link watchdog could not be tried: {why}"
    finally:
        if not proven and not gate.unguarded:
            gate.unguarded = UNTRIED  # cut short: it is tried again


def _try(t: Navigation, gate: EnvelopeGate, watchdog: TripEntry) -> None:
    t.home()
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry):
            # The least that flows: of a resistance the highest.
            lowest = t.room(entry)[1 if kind_of(entry) == "Ohm" else 0]
            if lowest != t.setting(name):
                t.put(name, lowest)
    _start(t, watchdog)
    patience_s = t.vow.points[PATIENCE].number.step * int(t.setting(PATIENCE))
    due_s = patience_s + reaction_s(t.vow, watchdog)
    due = f"trip {watchdog.name} within {float(due_s):g} s of silence"
    slack_ns = 0 if t.session.held else HOST_SLACK_NS
    with t.silence():
        t.wait(int(due_s * NS_PER_S) + 2 * t.vow.document.wire.reply_deadline + slack_ns)
    t.ask(gate.reach.state_point, tag=True)
    if gate.live:
        raise Broken(Judgement(False, f"trip.{watchdog.name}.fires", due), "", f"still in state {t.state}")
    last = t.vow.system_name("last_trip")
    if last is not None and t.ask(last, tag=True).words[:1] != (watchdog.name,):
        raise Doubtful(f"something else than {watchdog.name} has stopped it")
    t.keep(f"trip.{watchdog.name}.fires")
    t.home()


def _start(t: Navigation, watchdog: TripEntry) -> None:
    """Go to a state that it watches. Raises NotSelected if none can be reached."""
    why: NotSelected | None = None
    for state in t.vow.states:
        if state in watchdog.armed_in:
            try:
                t.goto(state)
                return
            except NotSelected as reason:
                why = why or reason
    raise why or NotSelected("no state that it watches can be reached")
