"""The rig: a checker's hands. It changes what is wired to the instrument, cuts its power, moves its clock.

A rig is reached by an endpoint: `tcp:HOST:PORT#SECRET` is the socket that a simulator offers (one JSON
object per line each way, the first a hello with the secret that keeps others out); any other scheme is
looked up among the installed entry points of the group `wirevow.rig`, so that a person with a
programmable supply and a relay can write an adapter: a callable under the name of the scheme that takes
what follows the colon and returns a `Rig`.
"""

import importlib.metadata
import json
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

from wirevow.protocol.conformance.brisk import brisk
from wirevow.protocol.errors import WirevowError

VERSION = 1
GROUP = "wirevow.rig"
ANSWER_S = 60.0
"""Longest wait for an answer."""
ANSWER_LIMIT = 65536
"""Bytes of an answer: far more than a rig has to say."""
STRIDE_NS = 20 * 1_000_000_000
"""Time is advanced in strides, at first of this length: a simulated chip is hardly faster than a real one."""
QUICK_S = ANSWER_S / 200
"""An answer that came in so short a time lets the next stride be twice as long."""
LONGEST_STRIDE_NS = 100_000 * 1_000_000_000
"""More than a day; no wait of a check is longer."""
MOST_REPEATED = 10_000
"""Events of one `repeat`."""
_NANO = 1_000_000_000


class RigError(WirevowError):
    """The rig cannot be used, or could not do what was asked: why, and what to do."""


@dataclass(frozen=True, slots=True)
class Hello:
    """What a rig says of itself."""

    simulated: bool
    """Nothing real is behind it: no one can be hurt."""
    document: str
    """Name of the document of the instrument that it has its hands on."""
    events: frozenset[str]
    """Bench events that it can make happen."""
    abilities: frozenset[str]
    """Of `bench`, `power`, `reset`, `store`, `hold`, `advance`: what it can do. `repeat` besides: many bench
    events at once (`Repeating`). `quick`: nothing needs to be left out because it takes long, so that what
    is tried does not depend on how long things took."""
    held: bool
    """Its clock stands still unless advanced."""


@runtime_checkable
class Rig(Protocol):
    """Everything raises RigError when it cannot be done."""

    def hello(self) -> Hello:
        """Who it is. The first thing to ask."""

    def bench(self, event: str, value: float | str | None = None) -> None:
        """Make a bench event of the document happen, with its value in SI units or its choice."""

    def power(self, on: bool) -> None:
        """Give or cut the instrument's own supply."""

    def reset(self) -> None:
        """Pull the instrument's reset pin."""

    def hold(self) -> None:
        """From now on time passes only in `advance`; bytes take no time on the wire."""

    def run(self) -> None:
        """Let time pass by itself again."""

    def advance(self, span_ns: int, sent: int) -> int:
        """Let `span_ns` pass on the held clock, once the instrument has `sent` bytes from the host.

        `sent` counts from when the host opened the port. Returns the bytes the instrument has
        emitted to it since then: when the host has read so many, all that happened is known. What
        a driver throws away at opening is counted too, so compare with an earlier count.
        """

    def counts(self, sent: int) -> int:
        """Wait until the instrument has `sent` bytes; returns what it has emitted. Time is not moved."""

    def close(self) -> None:
        """Let go. Time passes by itself again."""


@runtime_checkable
class Repeating(Protocol):
    """What a rig of the ability `repeat` has besides. RigError as for `Rig`."""

    def repeat(self, event: str, values: Sequence[str], times: int) -> None:
        """Make a bench event happen with each of these words in turn, and that so many times.

        As `bench` one by one, all at one instant; at most `MOST_REPEATED` events in all.
        """


@runtime_checkable
class StoringRig(Rig, Protocol):
    """A rig with the ability `store`."""

    def store(self, image: bytes) -> None:
        """While the supply is off: leave this image in its store, and no other (`wire.store`)."""


@runtime_checkable
class CuttingRig(Rig, Protocol):
    """A rig whose supply can go inside what takes no time on a held clock."""

    def cut_after(self, steps: int) -> None:
        """After so many small steps of what it does next it does nothing any more; then the supply is cut."""


@runtime_checkable
class CoveringRig(Rig, Protocol):
    """A rig that sees what of the firmware has been reached."""

    def ways(self) -> int:
        """A number with a bit for each thing that has been; 0 where that cannot be seen."""


def greeting(rig: Rig, endpoint: str, document: str) -> Hello:
    """What the rig says of itself. RigError if its hands are on the instrument of another document."""
    hello = rig.hello()
    if hello.document != document:
        raise RigError(
            f"{endpoint}: this rig has its hands on {hello.document!r}, the document is {document!r}; "
            "give the rig of the instrument at the port"
        )
    return hello


def open_rig(endpoint: str) -> Rig:
    """The rig at `tcp:HOST:PORT#SECRET`, or of an installed adapter SCHEME:REST. Raises RigError."""
    scheme, colon, rest = endpoint.partition(":")
    if not colon:
        raise RigError(f"{endpoint}: not a rig; write tcp:HOST:PORT#SECRET, or SCHEME:REST of an adapter")
    if scheme == "tcp":
        return SocketRig(endpoint)
    adapters = {entry.name: entry for entry in importlib.metadata.entry_points(group=GROUP)}
    if scheme not in adapters:
        known = ", ".join(sorted({"tcp", *adapters}))
        raise RigError(f"{endpoint}: no rig adapter {scheme!r} is installed (there are: {known})")
    try:
        make: Callable[[str], object] = adapters[scheme].load()
        rig = make(rest)
    except WirevowError:
        raise
    except Exception as error:
        raise RigError(f"{endpoint}: its adapter {adapters[scheme].value} failed: {error!r}") from error
    if not isinstance(rig, Rig):
        what = type(rig).__name__
        raise RigError(f"{endpoint}: its adapter {adapters[scheme].value} made {what}, not a rig")
    return rig


class SocketRig:
    """The client of a rig endpoint `tcp:HOST:PORT#SECRET`."""

    def __init__(self, endpoint: str) -> None:
        endpoint, _, self._secret = endpoint.partition("#")
        self.endpoint = endpoint
        host, _, port = endpoint.removeprefix("tcp:").rpartition(":")
        if not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
            raise RigError(f"{endpoint}: write tcp:HOST:PORT#SECRET, as the simulator prints it for --rig")
        try:
            where = host.strip("[]") or "127.0.0.1", int(port)
            self._socket = socket.create_connection(where, timeout=ANSWER_S)
        except ConnectionRefusedError as error:
            raise RigError(
                f"{endpoint}: nothing listens there; start the simulator with --rig {endpoint} first"
            ) from error
        except OSError as error:
            raise RigError(
                f"{endpoint}: cannot connect ({error.strerror or error}); look at host and port"
            ) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._stride_ns = STRIDE_NS
        self._held = False
        self._known: tuple[int, int] | None = None
        """Bytes that the instrument had and had emitted after what was asked last, on a held clock."""
        try:
            self._hello = self._greet()
        except BaseException:
            self.close()
            raise

    def hello(self) -> Hello:
        return self._hello

    def bench(self, event: str, value: float | str | None = None) -> None:
        self._happen({"do": "bench", "event": event, "value": value})

    def repeat(self, event: str, values: Sequence[str], times: int) -> None:
        self._happen({"do": "repeat", "event": event, "values": list(values), "times": times})

    def power(self, on: bool) -> None:
        self._happen({"do": "power", "on": on})

    def reset(self) -> None:
        self._happen({"do": "reset"})

    def store(self, image: bytes) -> None:
        self._happen({"do": "store", "image": image.hex()})

    def hold(self) -> None:
        self._do({"do": "hold"})
        self._held = True

    def run(self) -> None:
        self._do({"do": "run"})
        self._held = False

    def advance(self, span_ns: int, sent: int) -> int:
        while True:
            stride_ns = min(span_ns, self._stride_ns)
            seconds = f"{stride_ns // _NANO}.{stride_ns % _NANO:09d}"
            began_s = time.monotonic()
            emitted = self._emitted(self._do({"do": "advance", "seconds": seconds, "sent": sent}))
            if stride_ns == self._stride_ns:
                quick = time.monotonic() - began_s < QUICK_S
                self._stride_ns = min(2 * stride_ns, LONGEST_STRIDE_NS) if quick else STRIDE_NS
            span_ns -= stride_ns
            if span_ns <= 0:
                return self._now_known(sent, emitted)

    def counts(self, sent: int) -> int:
        known = self._known
        if known is not None and known[0] == sent:
            return known[1]
        return self._now_known(sent, self._emitted(self._do({"do": "counts", "sent": sent})))

    def close(self) -> None:
        self._socket.close()

    def _greet(self) -> Hello:
        answer = self._ask({"do": "hello", "secret": self._secret})
        version = answer.get("rig")
        if answer.get("ok") is False and isinstance(answer.get("error"), str):
            raise RigError(f"{self.endpoint}: {answer['error']}")
        if answer.get("ok") is not True or version is None:
            raise self._stranger(json.dumps(answer))
        if version != VERSION:
            raise RigError(
                f"{self.endpoint}: it speaks version {version} of the rig protocol, this checker "
                f"version {VERSION}; use the simulator and the checker of one release"
            )
        try:
            return Hello(
                simulated=answer["simulated"] is True,
                document=str(answer["document"]),
                events=frozenset(map(str, answer["events"])),
                abilities=frozenset(map(str, answer["abilities"])),
                held=answer["clock"] == "held",
            )
        except (KeyError, TypeError) as error:
            raise self._stranger(json.dumps(answer)) from error

    def _happen(self, request: dict[str, object]) -> None:
        answer = self._do(request)
        received, emitted = answer.get("received"), answer.get("emitted")
        if isinstance(received, int) and isinstance(emitted, int):
            self._now_known(received, emitted)

    def _now_known(self, received: int, emitted: int) -> int:
        """On a held clock nothing more comes until something is asked for; returns `emitted`."""
        if self._held:
            self._known = received, emitted
        return emitted

    def _do(self, request: dict[str, object]) -> dict[str, Any]:
        self._known = None
        answer = self._ask(request)
        if answer.get("ok") is not True:
            reason = answer.get("error", "refused without a reason")
            raise RigError(f"{self.endpoint}: {request['do']}: {reason}")
        return answer

    def _ask(self, request: dict[str, object]) -> dict[str, Any]:
        try:
            self._socket.settimeout(ANSWER_S)
            self._socket.sendall(json.dumps(request).encode() + b"\n")
            if self._held:
                brisk((self._socket.fileno(),))
            line = self._line()
        except TimeoutError as error:
            raise RigError(
                f"{self.endpoint}: no answer to {request['do']} within {ANSWER_S:.0f} s; "
                "is it a rig, and alive?"
            ) from error
        except (OSError, ValueError) as error:
            raise self._lost() from error
        try:
            answer = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise self._stranger(line[:60].decode("ascii", "replace")) from error
        if not isinstance(answer, dict):
            raise self._stranger(line[:60].decode("ascii", "replace"))
        return answer

    def _line(self) -> bytes:
        """The answer, once it is whole. TimeoutError, OSError; RigError if it is none of a rig's."""
        end_s = time.monotonic() + ANSWER_S
        heard = b""
        while True:
            piece = self._socket.recv(ANSWER_LIMIT)
            if not piece:
                raise self._lost()
            heard += piece
            line, newline, more = heard.partition(b"\n")
            if newline and not more:
                return line
            if newline:
                raise RigError(f"{self.endpoint}: it says more than it was asked; is it a rig?")
            if len(heard) >= ANSWER_LIMIT:
                raise RigError(
                    f"{self.endpoint}: its answer is longer than {ANSWER_LIMIT} bytes; is it a rig?"
                )
            left_s = end_s - time.monotonic()
            if left_s <= 0:
                raise TimeoutError
            self._socket.settimeout(left_s)

    def _emitted(self, answer: dict[str, Any]) -> int:
        emitted = answer.get("emitted")
        if not isinstance(emitted, int):
            raise self._stranger(json.dumps(answer))
        return emitted

    def _lost(self) -> RigError:
        return RigError(f"{self.endpoint}: the rig hung up; is the simulator still running?")

    def _stranger(self, said: str) -> RigError:
        return RigError(
            f"{self.endpoint}: what answers there is not a rig (it said {said!r}); "
            "give the address that the simulator printed for its rig, not the one of its port"
        )
