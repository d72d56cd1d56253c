"""Searches among the purposes of a check."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from wirevow.protocol.conformance.purposes import Purpose
from wirevow.protocol.conformance.search.memory import Memory
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement

LINES = 600
"""Requests that the searches of a check send, about."""
BATCHES = 3
RANK = 10_000
"""Of the first; choices of a purpose depend on its rank."""


@dataclass(frozen=True, slots=True)
class Searches:
    """The searches of one check: `lines` requests in all, or none.

    `memory` are failures found before, which are tried first; without it nothing is kept, and a check with
    the same seed is the same check.
    """

    lines: int = LINES
    memory: Memory | None = None
    batch_lines: int = -(-LINES // BATCHES)
    """Of one search: a long one strives for what is unseen."""
    cuts: bool = False
    """Whether the supply is cut while it saves."""
    seen: int = 0
    """What of the firmware was reached before (`CoveringRig`)."""

    def recalled(self, t: Tester) -> list[tuple[str, Purpose]]:
        """What was found before, to be tried before anything else."""
        if self.memory is None or not self.memory.found:
            return []
        return [_purpose(t, RANK, self._work(self.lines, self.memory, recall=True))]

    def batches(self, t: Tester) -> list[tuple[str, Purpose]]:
        """Requirement and purpose of every search."""
        if self.lines <= 0:
            return []
        return [
            _purpose(t, RANK + 1 + number, self._work(self.batch_lines, self.memory, recall=False))
            for number in range(-(-self.lines // self.batch_lines))
        ]

    def _work(self, lines: int, memory: Memory | None, recall: bool) -> Callable[[Tester, Requirement], None]:
        def work(t: Tester, r: Requirement) -> None:
            from wirevow.protocol.conformance.search.walk import Search

            chosen = t.random.getrandbits(64)
            Search(
                t,
                chosen,
                lines,
                shorten=t.shorten,
                memory=memory,
                recall=recall,
                cuts=self.cuts,
                seen=self.seen,
            ).run()

        return work


def _purpose(t: Tester, rank: int, work: Callable[[Tester, Requirement], None]) -> tuple[str, Purpose]:
    return f"state.{t.vow.initial}.reachable", Purpose("search", "walk", rank, work)
