"""What every client shows, whatever drives it: a document's names, and events for callbacks."""

from __future__ import annotations

import contextlib
import secrets
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from typing import Any, Generic, TypeVar

from wirevow.protocol.client.failures import HungWait, UnsafeEnd
from wirevow.protocol.client.names import Tree, describe_action, describe_point
from wirevow.protocol.client.operations import LONGEST_VIRTUAL_NS, NANO, Event, Host
from wirevow.protocol.vow import ActionEntry, PointEntry, Vow

RECONNECT_S = 10.0
"""How long a port that was lost is looked for."""
AT_THE_END_S = 1.0
"""The same when there is only the safe action left to do."""
LOOK_S = 0.2
ENDINGS = 2
"""Times the safe action is tried, each with all its attempts."""
REMEMBERED = 24
"""Pieces of the conversation that are kept for whoever asks what was said last."""

C = TypeVar("C")


class NamedPoint(Generic[C]):
    """A point of the document at a client. Numbers are plain, in `unit`."""

    def __init__(self, client: C, vow: Vow, entry: PointEntry) -> None:
        self._client = client
        self._vow = vow
        self._entry = entry
        self.name = entry.name
        self.unit = entry.scale.unit if entry.scale is not None else None

    @property
    def choices(self) -> tuple[str, ...]:
        """The words it may be; empty for a number."""
        return self._entry.choices

    def __repr__(self) -> str:
        return describe_point(self._vow, self._entry)


class NamedAction(Generic[C]):
    """An action of the document at a client: call it."""

    def __init__(self, client: C, vow: Vow, entry: ActionEntry) -> None:
        self._client = client
        self._vow = vow
        self.name = entry.name

    def __repr__(self) -> str:
        return describe_action(self._vow, self._vow.actions[self.name])


class Surface:
    """A client without its driver."""

    def __init__(self, url: str, vow: Vow, host: Host, tree: Tree[Any]) -> None:
        self.url = url
        self.vow = vow
        self.host = host
        self._tree = tree
        self._callbacks: list[Callable[[Event], object]] = []

    def __getattr__(self, name: str) -> Any:
        tree = self.__dict__.get("_tree")
        if tree is None:
            raise AttributeError(name)
        return getattr(tree, name)

    def __getitem__(self, name: str) -> Any:
        return self._tree[name]

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *dir(self._tree)})

    def __repr__(self) -> str:
        name, version, _ = self.vow.identity
        return f"<{name} {version} at {self.url}: {', '.join(self._tree.words())}>"

    def on_notice(self, callback: Callable[[Event], object]) -> None:
        """Call it with every `Event`, never in the middle of an operation."""
        self._callbacks.append(callback)

    def _waited_enough(self, passed_s: float, timeout: float | None) -> bool:
        """Whether a wait for a condition has lasted its time. HungWait where nothing would ever end it."""
        if timeout is None and self.host.virtual and passed_s > LONGEST_VIRTUAL_NS / NANO:
            raise HungWait("the condition did not come true in six hours of virtual time: give a timeout")
        return timeout is not None and passed_s >= timeout

    def _call_back(self) -> None:
        while self.host.fresh:
            event = self.host.fresh.pop(0)
            for callback in self._callbacks:
                callback(event)


class Said:
    """What was said last on the wire. Whoever listens (`overheard`) is told it at once."""

    def __init__(self, overheard: Callable[[str, bytes], None] | None = None) -> None:
        self._pieces: deque[tuple[str, bytes]] = deque(maxlen=REMEMBERED)
        self.add: Callable[[tuple[str, bytes]], None] = self._pieces.append
        if overheard is not None:

            def add(piece: tuple[str, bytes]) -> None:
                self._pieces.append(piece)
                overheard(*piece)

            self.add = add

    def __str__(self) -> str:
        """A line each: `>` sent, `<` received."""
        return "\n".join(
            f"{way} {line}"
            for way, data in self._pieces
            for line in data.decode("ascii", "backslashreplace").splitlines()
        )


def host_of(vow: Vow, *, virtual: bool, checks: bool | None, keep_alive_s: float) -> Host:
    """The state of a conversation at a real port, or with an instrument in this process."""
    return Host(
        vow,
        checks=not virtual if checks is None else checks,
        tag=1 if virtual else secrets.randbelow(0x10000),
        virtual=virtual,
        keep_alive_s=keep_alive_s,
    )


# ------------------------------------------------------------------------------------------------ ending safe


def unsafe(url: str, vow: Vow, why: BaseException | None) -> UnsafeEnd:
    """What a person must be told when the safe action was not confirmed."""
    return UnsafeEnd(
        f"{url}: {vow.document.trial.safe or 'no safe action'} could not be confirmed: {why}. "
        "THE INSTRUMENT MAY STILL BE HANDLING POWER: disconnect the source by hand."
    )


def alarm(ended: UnsafeEnd, error: BaseException) -> None:
    """Say so beside the error that ended the block, which stays the one that is raised."""
    error.add_note(ended.message)
    print(f"wirevow: {ended.message}", file=sys.stderr)


ENDING_SIGNALS = ("SIGTERM", "SIGHUP")
"""Those that end a process at once, unless a block's end catches them. Ctrl-C is an exception by itself."""


def default_signals() -> list[int]:
    """Which of them nobody has caught yet; none outside the main thread, where none can be caught."""
    if threading.current_thread() is not threading.main_thread():
        return []
    numbers = [getattr(signal, name) for name in ENDING_SIGNALS if hasattr(signal, name)]
    return [int(number) for number in numbers if signal.getsignal(number) is signal.SIG_DFL]


@contextlib.contextmanager
def held_back() -> Iterator[None]:
    """Signals that would interrupt the safe action come after it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    former: dict[int, Any] = {}
    for name in ("SIGINT", *ENDING_SIGNALS):
        if hasattr(signal, name):
            number = int(getattr(signal, name))
            handler = signal.getsignal(number)
            if handler is not None and handler is not signal.SIG_IGN:
                former[number] = signal.signal(number, lambda number, frame: came.append(number))
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
        for number in came:
            signal.raise_signal(number)
