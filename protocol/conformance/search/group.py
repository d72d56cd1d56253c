"""Searches among the purposes of a check."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from wirevow.protocol.conformance.purposes import Purpose
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.vow import Vow

LINES = 600
"""Requests that the searches of a check send, about."""
BATCHES = 3
RANK = 10_000
"""Of the first; choices of a purpose depend on its rank."""


@dataclass(frozen=True, slots=True)
class Searches:
    """The searches of one check: `lines` requests in all, or none.

    `memory` is the folder of one document's failures found before, which are tried first; without it nothing
    is kept, and a check with the same seed is the same check.
    """

    lines: int = LINES
    memory: Path | None = None

    def recalled(self, t: Tester) -> list[tuple[str, Purpose]]:
        """What was found before, to be tried before anything else."""
        if self.memory is None or not self.memory.is_dir():
            return []
        return [_purpose(t, RANK, self._work(self.lines, self.memory, recall=True))]

    def batches(self, t: Tester) -> list[tuple[str, Purpose]]:
        """Requirement and purpose of every search."""
        if self.lines <= 0:
            return []
        size = -(-self.lines // BATCHES)
        return [
            _purpose(t, RANK + 1 + number, self._work(size, self.memory, recall=False))
            for number in range(BATCHES)
        ]

    def _work(self, lines: int, memory: Path | None, recall: bool) -> Callable[[Tester, Requirement], None]:
        def work(t: Tester, r: Requirement) -> None:
            from wirevow.protocol.conformance.search.walk import Search

            chosen = t.random.getrandbits(64)
            Search(t, chosen, lines, shorten=t.shorten, memory=memory, recall=recall).run()

        return work


def _purpose(t: Tester, rank: int, work: Callable[[Tester, Requirement], None]) -> tuple[str, Purpose]:
    return f"state.{t.vow.initial}.reachable", Purpose("search", "walk", rank, work)


def memory_of(vow: Vow) -> Path:
    """Where failures found with one document are kept: what failed with another may mean nothing with it.

    In the user's cache folder, as the system or the XDG Base Directory Specification names it.
    """
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    root = Path(named) if named else Path.home() / ".cache"
    name, _, digest = vow.identity
    return root / "wirevow" / "found" / f"{name}-{digest}"
