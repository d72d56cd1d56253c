"""A line that keeps the link alive for the page, in the instrument's own time."""

from __future__ import annotations

from wirevow.emu.ports.interface import Instrument
from wirevow.emu.ports.line import Line
from wirevow.protocol.expression.tree import Point as PointNode
from wirevow.protocol.expression.tree import walk
from wirevow.protocol.vow import Vow

USUAL_NS = 2_000_000_000
"""How often a link is kept alive that no trip watches."""
SHARE = 0.8
"""Of the shortest silence that a document lets anybody choose."""


class KeptLine(Line):
    """While `keeping`, the state is asked for in time; neither question nor answer comes to the host.

    A page looks ten times a second. When a thousand seconds pass in one, the instrument's link watchdog would
    have acted long before: so the line itself asks, at the instants at which a host would have to.
    """

    def __init__(self, instrument: Instrument, vow: Vow) -> None:
        super().__init__(instrument)
        self.keeping = False
        name = vow.system_name("state") or vow.system_name("identity")
        self._question = f"ask {name}\n".encode()
        self._every_ns = period_ns(vow)
        self._asked_ns = 0

    def run(self, until_ns: int) -> None:
        while self.keeping and (due_ns := self._due_ns()) < until_ns:
            super().run(due_ns)
            self._ask(due_ns)
        super().run(until_ns)

    def exchange(self, data: bytes, now_ns: int) -> bytes:
        if not self.keeping:
            return super().exchange(data, now_ns)
        self.run(now_ns)
        return self.take() + super().exchange(data, now_ns)

    def _due_ns(self) -> int:
        return max(self._asked_ns + self._every_ns, self.instrument.now_ns)

    def _ask(self, now_ns: int) -> None:
        self._asked_ns = now_ns
        came = super().exchange(self._question, now_ns)
        self._arrived += b"".join(line for line in came.splitlines(True) if line.startswith(b"note "))


def period_ns(vow: Vow) -> int:
    """How often a host that may be told any patience has to ask."""
    silence = vow.system_name("silence")
    settings = {entry.name: entry for entry in vow.settings}
    least = [
        settings[node.name].number.low * float(settings[node.name].number.step)
        for trip in vow.trips.values()
        if silence in trip.when.names
        for node in walk(trip.when.root)
        if isinstance(node, PointNode) and node.name in settings and settings[node.name].scale is not None
    ]
    return min(round(SHARE * min(least) * 1e9), USUAL_NS) if least else USUAL_NS
