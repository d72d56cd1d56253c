"""What may go on while something runs: the front panel has control, nothing can be sent, a line has begun.

None of it stops what runs. Where the rig cannot do it, or the clock runs by itself, time just passes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from wirevow.protocol.conformance.tester import Tester

LetPass = Callable[[Tester, int], None]


def unheard(t: Tester, ns: int) -> None:
    """Let time pass, and for as long as the host may be silent nothing can be sent."""
    _apart(t, ns, "link.transmitter", t.transmitter, "stalled", "free")


def at_the_panel(t: Tester, ns: int) -> None:
    """The same, and the panel has control."""
    _apart(t, ns, "panel.control", partial(t.panel, "panel.control"), "local", "remote")


def _apart(t: Tester, ns: int, event: str, turn: Callable[[str], object], there: str, back: str) -> None:
    """Turn it there, wait for half as long as the host may be silent, or for all of it, and turn it back."""
    if t.session.held and t.gate is None and t.may_turn(event, there):
        turn(there)
        patience_ns = t.patience_ns()
        apart_ns = max(ns if patience_ns is None else min(ns, patience_ns), 0)
        t.wait(apart_ns)
        turn(back)
        ns -= apart_ns
        if ns > 0:
            t.ask("self.uptime")
    t.alive(ns)


MEANWHILE: dict[int, LetPass] = {1: Tester.alive_in_parts, 3: unheard, 4: at_the_panel}
"""What happens in some of the parts of a time that is watched."""
