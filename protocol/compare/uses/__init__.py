"""How a host uses what differs: one table, from the entry that differs to the ways of using it.

A way of using something is worked by a tester of the old document on an instrument of the old document; what
it does is a course that another instrument can be put through (`wirevow.emu.witness` does). Each tells, where
it is known, whether the condition of the difference holds in it: so a course shows either side of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from wirevow.protocol.compare.changes import Change
from wirevow.protocol.compare.uses import machine, points, protection, wire
from wirevow.protocol.compare.uses.way import Question, Use, Ways
from wirevow.protocol.document.model import Pulse


def uses(question: Question) -> Iterator[Use]:
    """The ways of using what has changed; none where no exchange can show it."""
    for row in question.change.rows:
        if row in WAYS:
            yield from WAYS[row](question)
            return


def unshown(change: Change) -> str:
    """Why no exchange with the simulated instrument shows a change; empty if one may."""
    for row in change.rows:
        if row in UNSHOWN:
            return UNSHOWN[row]
    if change.key == "does" and [_driven(each) for each in change.old] == [
        _driven(each) for each in change.new
    ]:
        return _ZEROES
    return ""


def _driven(effect: Any) -> Any:
    return effect.pulse if isinstance(effect, Pulse) else effect


WAYS: dict[tuple[str, str], Ways] = {
    ("points", "gone"): points.asked,
    ("points", "quantity.unit"): points.asked,
    ("points", "quantity.step"): points.steps,
    ("points", "quantity.low"): points.bounds,
    ("points", "quantity.high"): points.bounds,
    ("points", "low"): points.bounds,
    ("points", "high"): points.bounds,
    ("points", "choice"): points.choices,
    ("points", "record"): points.asked,
    ("points", "part_bytes"): points.asked,
    ("points", "system"): points.asked,
    ("points", "text"): points.text,
    ("points", "access"): points.put_default,
    ("points", "default"): points.default,
    ("points", "saved"): points.saved,
    ("points", "local"): points.local,
    ("points", "set_in"): points.set_in,
    ("points", "signal"): points.reading,
    ("points", "derived"): points.reading,
    ("points", "highest"): points.reading,
    ("points", "lowest"): points.reading,
    ("points", "drives"): points.reading,
    ("points", "drives_as"): points.reading,
    ("points", "every"): points.fresh,
    ("states", "leaves"): machine.leaves,
    ("states", "initial"): machine.boot,
    ("states", "*"): machine.in_states,
    ("actions", "gone"): machine.acted,
    ("actions", "to"): machine.acted,
    ("actions", "keeps"): machine.acted,
    ("actions", "takes_ticket"): machine.acted,
    ("actions", "does"): machine.did,
    ("actions", "many"): machine.numbered,
    ("actions", "gives_ticket"): machine.ticketed,
    ("actions", "allowed"): machine.allowed,
    ("actions", "guard"): machine.guarded,
    ("actions", "always"): machine.always,
    ("trips", "*"): protection.tripped,
    ("records", "order"): wire.records,
    ("records", "fields"): wire.records,
    ("fan", "*"): protection.heated,
    ("derating", "*"): protection.heated,
    ("wire", "idle_typing"): wire.paused,
    ("wire", "idle_checked"): wire.paused,
    ("wire", "notice_queue"): wire.stalled,
    ("wire", "parts"): wire.parts,
    ("wire", "line_limit"): wire.long,
    ("wire", "opening.settle"): wire.opened,
    ("wire", "opening.resets"): wire.opened,
    ("*", "means"): wire.anything,
}
"""By section of the document and entry, as in `rules.RULES`."""


_PROMISED = "it is a promise of how good or how fast, and the simulated instrument keeps both"


_LINES = "it is of the port's own wires, which the simulated instrument does not have"


_ZEROES = "it says what a tester finds at zero; what is driven is the same"


UNSHOWN: dict[tuple[str, str], str] = {
    ("wire", "baud"): _LINES,
    ("wire", "opening.dtr"): _LINES,
    ("wire", "opening.rts"): _LINES,
    ("wire", "pipeline"): "the simulated instrument lets more requests wait than it promises",
    ("wire", "reply_deadline"): _PROMISED,
    ("points", "quantity.accuracy"): _PROMISED,
    ("points", "quantity.accuracy.reading_percent"): _PROMISED,
    ("points", "quantity.accuracy.range_percent"): _PROMISED,
    ("actions", "repeat"): "it is advice to hosts; the same line is done again or not by its tag alone",
    ("trips", "every"): "the simulated instrument watches all the time, which both promises allow",
    ("derating", "power"): _PROMISED,
    ("derating", "temperature"): "it says which reading tells what derates",
    ("derating", "ceiling"): "it says which setting is derated",
    ("fan", "temperature"): "it says which reading tells what drives the fan",
    ("fan", "duty"): "it says which reading tells of the fan",
    ("limits", "*"): _PROMISED,
    ("laws", "*"): _PROMISED,
    ("promises", "*"): "it is said in words",
}
"""What no exchange with the simulated instrument shows, and why."""
