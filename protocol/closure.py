"""The transitive closure of a step: where it leads, taken again and again (of a state machine, mostly)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

T = TypeVar("T")


def closure(start: Iterable[T], step: Callable[[T], Iterable[T]]) -> set[T]:
    """All of `start`, and whatever the step leads to from one of these, one after another."""
    found = set(start)
    waiting = list(found)
    while waiting:
        new = set(step(waiting.pop())) - found
        found |= new
        waiting += new
    return found
