"""Mutants as libraries of this machine, without those that are no change.

A mutant that does not compile is none. One whose object code is that of the original, or of a mutant before
it, is no other firmware: trivial compiler equivalence (M. Papadakis et al., "Trivial compiler equivalence:
a large scale empirical study of a simple, fast and effective equivalent mutant detection technique", ICSE
2015).
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from wirevow.emu.firmware.build import ToolError, compile_object, link_library, sources
from wirevow.emu.firmware.mutants.operators import Mutant, mutants_of
from wirevow.protocol.vow import Vow

CORE = 4
"""So many times as many mutants are drawn from the core: it is longer than all other files together."""


@dataclass(frozen=True, slots=True)
class Built:
    """A mutant to be tried."""

    mutant: Mutant
    library: Path


class Workshop:
    """The firmware of a document, in a folder, with one change at a time. ToolError without a compiler."""

    def __init__(self, vow: Vow, folder: Path) -> None:
        self._folder = folder
        self._texts = {path.name: path.read_text(encoding="utf-8") for path in sources(vow, folder)}
        self._core = f"{vow.identity[0]}_vow.c"
        self._objects: dict[str, Path] = {}
        self._digests: dict[str, set[bytes]] = {}
        for name, text in self._texts.items():
            found = self._compiled(name, text, folder / "original")
            self._objects[name] = found
            self._digests[name] = {_digest(found)}
        self.same = 0
        """Mutants so far that were no change."""

    @property
    def mutants(self) -> list[Mutant]:
        """Every mutant there could be."""
        return [mutant for name, text in self._texts.items() for mutant in mutants_of(name, text)]

    def original(self) -> Path:
        """The library of the firmware as it is."""
        return link_library(list(self._objects.values()), self._folder / "original", self._folder)

    def build(self, mutant: Mutant) -> Built | None:
        """A mutant's library, or None when it is no firmware or no other."""
        folder = self._folder / mutant.name.replace(":", "-")
        try:
            found = self._compiled(mutant.file, mutant.applied(self._texts[mutant.file]), folder)
        except ToolError:
            return None
        digest = _digest(found)
        if digest in self._digests[mutant.file]:
            self.same += 1
            return None
        self._digests[mutant.file].add(digest)
        objects = self._objects | {mutant.file: found}
        return Built(mutant, link_library(list(objects.values()), folder, self._folder))

    def drawn(self, each: int) -> Iterator[Built]:
        """`each` mutants of each kind from each file and more from the core: the same ones every time.

        First one of each kind and file, then another, and so on.
        """
        found = heaps(self.mutants)
        waiting = deque((iter(heap), self._quota(heap[0].file, each)) for heap in found)
        while waiting:
            heap, left = waiting.popleft()
            built = next((made for made in map(self.build, heap) if made is not None), None)
            if built is not None:
                yield built
                if left > 1:
                    waiting.append((heap, left - 1))

    def most(self, each: int) -> int:
        """At most so many are drawn."""
        return sum(min(len(heap), self._quota(heap[0].file, each)) for heap in heaps(self.mutants))

    def _quota(self, file: str, each: int) -> int:
        return each * CORE if file == self._core else each

    def _compiled(self, name: str, text: str, folder: Path) -> Path:
        folder.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
        return compile_object(folder / name, self._folder)


def heaps(mutants: Iterable[Mutant]) -> list[list[Mutant]]:
    """Mutants by kind and file, each heap and all of them in the order in which they are drawn.

    That is by a digest of their names, so that a change of the firmware elsewhere moves none of them.
    """
    found: dict[tuple[str, str], list[Mutant]] = {}
    for mutant in sorted(mutants, key=lambda each: _drawn_by(each.name)):
        found.setdefault((mutant.kind, mutant.file), []).append(mutant)
    return [found[heap] for heap in sorted(found, key=lambda heap: _drawn_by(*heap))]


def _drawn_by(*words: str) -> bytes:
    return hashlib.sha256("\0".join(words).encode()).digest()


def _digest(path: Path) -> bytes:
    return hashlib.sha256(path.read_bytes()).digest()
