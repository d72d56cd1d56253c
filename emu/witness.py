"""Two simulated instruments asked the same: the exchange in which a difference of their documents shows."""

from __future__ import annotations

from wirevow.emu.faults import build_instrument
from wirevow.protocol.compare.comparison import Difference
from wirevow.protocol.compare.shown import Shown
from wirevow.protocol.vow import Vow


def witness(old: Vow, new: Vow, difference: Difference) -> Shown | None:
    """The first request of the difference's `tries` that both answer otherwise, with both answers.

    None where none of them shows it: a state, a time or an event on the bench may be needed. Each request is
    sent to an instrument that has just booted.
    """
    for request in difference.effect.tries:
        before, after = _answer(old, request), _answer(new, request)
        if before != after:
            return Shown(f"> {request}\n< {before}   (old)\n< {after}   (new)")
    return None


def _answer(vow: Vow, request: str) -> str:
    """The reply of a fresh instrument, without what it says unasked."""
    instrument = build_instrument(vow, None, 0, None)
    start_ns = vow.document.wire.opening.settle
    instrument.opened(0)
    instrument.advance(start_ns)
    instrument.take()
    instrument.receive(request.encode() + b"\n", start_ns)
    instrument.advance(start_ns + vow.document.wire.reply_deadline)
    said = instrument.take().decode("ascii", "replace").splitlines()
    return next((line for line in said if not line.startswith("note ")), "(nothing)")
