"""The names of a document as attributes, and what each says of itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Generic, TypeVar

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import ActionEntry, PointEntry, Vow

T = TypeVar("T")


class Tree(Generic[T]):
    """Things by dotted names: `tree.input.voltage` or `tree["input.voltage"]`."""

    def __init__(self, things: Mapping[str, T], prefix: str = "") -> None:
        self._things = things
        self._prefix = prefix

    def words(self) -> list[str]:
        """What may follow here."""
        length = len(self._prefix)
        found = (name[length:].partition(".")[0] for name in self._things if name.startswith(self._prefix))
        return list(dict.fromkeys(found))

    def __getattr__(self, word: str) -> T | Tree[T]:
        name = self._prefix + word
        if name in self._things:
            return self._things[name]
        if word not in self.words():
            raise AttributeError(
                f"there is no {name}; there are {', '.join(self._prefix + each for each in self.words())}"
            )
        return Tree(self._things, f"{name}.")

    def __getitem__(self, name: str) -> T:
        if self._prefix + name not in self._things:
            raise WirevowError(f"there is no {self._prefix + name}; there are {', '.join(self._things)}")
        return self._things[self._prefix + name]

    def __dir__(self) -> list[str]:
        return self.words()

    def __repr__(self) -> str:
        inside = (name for name in self._things if name.startswith(self._prefix))
        return "\n".join(repr(self._things[name]) for name in inside)


def describe_point(vow: Vow, entry: PointEntry) -> str:
    """What it is: unit, range, where it can be put."""
    means = vow.document.points[entry.name].means
    if entry.scale is not None:
        low, high = entry.scale.text(entry.scale.low), entry.scale.text(entry.scale.high)
        unit = "" if entry.scale.unit == "1" else f" {entry.scale.unit}"
        kind = f"{low} to {high}{unit}"
    elif entry.choices:
        kind = " / ".join(entry.choices)
    else:
        kind = entry.kind
    limits = [f"at least {entry.low.text}"] if entry.low is not None else []
    limits += [f"at most {entry.high.text}"] if entry.high is not None else []
    if entry.settable:
        limits.append(
            "put in any state" if entry.set_in is None else f"put in {', '.join(sorted(entry.set_in))}"
        )
    else:
        limits.append("read only")
    return f"{entry.name}: {kind}; {'; '.join(limits)}. {means}"


def describe_action(vow: Vow, entry: ActionEntry) -> str:
    """What it is: from which states, to which, and what it needs."""
    ways = dict.fromkeys(entry.to.values())
    needs = [f"needs {entry.guard.text}"] if entry.guard is not None else []
    number = f"number, 0 to {entry.many - 1}" if entry.many else ""
    needs += [f"takes the ticket of {entry.takes_ticket} by itself"] if entry.takes_ticket is not None else []
    more = "".join(f"; {need}" for need in needs)
    means = vow.document.actions[entry.name].means
    return f"{entry.name}({number}): from {', '.join(entry.to)} to {', '.join(ways)}{more}. {means}"
