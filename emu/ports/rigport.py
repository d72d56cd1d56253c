"""The rig as a second endpoint: JSON objects, one per line each way, over TCP.

A client's first line is a hello with the secret. One client at a time. When it hangs up, the clock runs by
itself again from where it stands.
"""

import contextlib
import hmac
import json
import re
import secrets
import socket
import time
from decimal import Decimal
from typing import Any

from wirevow.emu.clock import Clock
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.request_line import begins_http
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.emu.ports.tcp import Refusals, hung_up, listen, place
from wirevow.protocol.conformance.rig import VERSION, RigError
from wirevow.protocol.inputs import MOST_NUMBER_CHARACTERS, decimal_of
from wirevow.protocol.serialport import PortError

BUSY = b'{"ok": false, "error": "busy: another client has this rig"}\n'
STRANGER = (
    b'{"ok": false, "error": "begin with {\\"do\\": \\"hello\\", \\"secret\\": ...}; the secret is what the '
    b'simulator printed behind # in the address of its rig: give that whole address"}\n'
)
SECRET = re.compile(r"[A-Za-z0-9_-]{8,64}")
LINE_LIMIT = 65536
ARRIVAL_S = 5.0
"""How long bytes that the host has sent may be on their way (a kernel's buffers, a network)."""

Answer = dict[str, object]

_decoded = json.JSONDecoder(parse_float=Decimal).decode


class RigPort:
    """Listens at `tcp:HOST:PORT#SECRET` and does what a client who knows the secret asks of the rig.

    Without a secret in it one is made; `address` has it. PortError if it cannot listen there.
    """

    def __init__(self, text: str, line: Line, clock: Clock, document: str, public: bool = False) -> None:
        self._rig = InstrumentRig(line, clock, document)
        where, _, secret = text.partition("#")
        self._secret = secret or secrets.token_hex(8)
        if not SECRET.fullmatch(self._secret):
            raise PortError(f"{where}: a rig's secret is 8 to 64 letters, digits, - and _")
        self._listener = listen(where, public)
        self.address = f"tcp:{place(self._listener)}#{self._secret}"
        self._admitted = False
        """The client has said the secret."""
        self._client: socket.socket | None = None
        self._refusals = Refusals(BUSY)
        self._heard = b""
        self._awaited: tuple[Answer, int, float] | None = None
        """A request that waits for bytes from the host: it, how many, and until when."""

    def watched(self) -> list[int]:
        descriptors = [self._listener.fileno(), *self._refusals.watched()]
        if self._client is not None:
            descriptors.append(self._client.fileno())
        return descriptors

    @property
    def descriptor(self) -> int | None:
        """The client's, if there is one."""
        return None if self._client is None else self._client.fileno()

    def wait_s(self) -> float | None:
        return None if self._awaited is None else max(0.0, self._awaited[2] - time.monotonic())

    def serve(self) -> None:
        self._refusals.tend()
        with contextlib.suppress(OSError):
            connection, _ = self._listener.accept()
            self._welcome(connection)
        self.hear()

    def hear(self) -> None:
        """Do what the client has asked for."""
        if self._client is None:
            return
        try:
            data = self._client.recv(LINE_LIMIT)
            if not data:
                self._hang_up()
                return
            self._heard += data
        except BlockingIOError:
            pass
        except OSError:
            self._hang_up()
            return
        self._work()

    def close(self) -> None:
        self._hang_up()
        self._refusals.close()
        self._listener.close()

    def _welcome(self, connection: socket.socket) -> None:
        while self._client is not None and hung_up(self._client):
            self.hear()  # what it asked for last, and its end
        if self._client is not None:
            self._refusals.refuse(connection)
            return
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = connection
        self._heard = b""
        self._admitted = False

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
            self._awaited = None
            self._rig.run()

    def _work(self) -> None:
        while self._client is not None:
            if self._awaited is not None:
                request, sent, deadline = self._awaited
                if not self._rig.arrived(sent) and time.monotonic() < deadline:
                    return
                self._awaited = None
                self._answer(request)
                continue
            line, newline, rest = self._heard.partition(b"\n")
            if not newline:
                if len(line) > LINE_LIMIT:
                    self._say(_refusal(f"a request is at most {LINE_LIMIT} bytes long"))
                    self._hang_up()
                return
            self._heard = rest
            if not self._admitted and not self._admit(line):
                return
            try:
                request = _understood(line)
                if request.get("do") in ("advance", "counts"):
                    self._awaited = request, _whole(request, "sent", "bytes"), time.monotonic() + ARRIVAL_S
                    continue
            except RigError as error:
                self._say(_refusal(error.message))
                continue
            else:
                self._answer(request)

    def _admit(self, line: bytes) -> bool:
        """Hear the first line: who does not say the secret is hung up on, and a web page is told nothing."""
        assert self._client is not None
        if begins_http(line):
            self._hang_up()
            return False
        with contextlib.suppress(RigError):
            request = _understood(line)
            secret = request.get("secret")
            if request.get("do") == "hello" and isinstance(secret, str):
                self._admitted = hmac.compare_digest(secret.encode("utf-8", "replace"), self._secret.encode())
        if not self._admitted:
            self._refusals.refuse(self._client, STRANGER)
            self._client = None
        return self._admitted

    def _answer(self, request: Answer) -> None:
        try:
            answer = {"ok": True, **self._do(request)}
        except RigError as error:
            answer = _refusal(error.message)
        self._say(answer)

    def _do(self, request: Answer) -> Answer:
        rig = self._rig
        match request.get("do"):
            case "hello":
                hello = rig.hello()
                return {
                    "rig": VERSION,
                    "simulated": hello.simulated,
                    "document": hello.document,
                    "events": sorted(hello.events),
                    "clock": "held" if hello.held else "real",
                    "abilities": sorted(hello.abilities),
                }
            case "bench":
                rig.bench(_event(request), _value(request))
                return self._counted()
            case "repeat":
                rig.repeat(_event(request), _words(request), _whole(request, "times", "events"))
                return self._counted()
            case "power":
                on = request.get("on")
                if not isinstance(on, bool):
                    raise RigError('"on" is true or false')
                rig.power(on)
                return self._counted()
            case "reset":
                rig.reset()
                return self._counted()
            case "store":
                rig.store(_image(request))
                return self._counted()
            case "hold":
                rig.hold()
            case "run":
                rig.run()
            case "advance":
                emitted = rig.advance(_nanoseconds(request), _whole(request, "sent", "bytes"))
                return {"emitted": emitted, "now_ns": rig.now_ns()}
            case "counts":
                return {"emitted": rig.counts(_whole(request, "sent", "bytes")), "now_ns": rig.now_ns()}
            case other:
                raise RigError(
                    '"do" is hello, bench, repeat, power, reset, store, hold, run, advance or counts, '
                    f"not {_shown(other)}"
                )
        return {}

    def _counted(self) -> Answer:
        """What has come and gone by then, so that a client need not ask."""
        received, emitted = self._rig.settled()
        return {"received": received, "emitted": emitted}

    def _say(self, answer: Answer) -> None:
        if self._client is not None:
            # Answers are short and a client reads each before it asks again; one that does not is hung up on.
            with contextlib.suppress(OSError):
                data = json.dumps(answer).encode() + b"\n"
                if self._client.send(data) == len(data):
                    return
            self._hang_up()


def _understood(line: bytes) -> dict[str, Any]:
    """The JSON object of a line. RigError."""
    try:
        request = _decoded(line.decode())
    except (ValueError, RecursionError):
        request = None
    if not isinstance(request, dict):
        raise RigError('write one JSON object per line, such as {"do": "reset"}')
    return request


def _refusal(error: str) -> Answer:
    return {"ok": False, "error": error}


def _whole(request: dict[str, Any], name: str, of: str) -> int:
    number = request.get(name)
    if not isinstance(number, int) or isinstance(number, bool) or number < 0:
        raise RigError(f'"{name}" is a whole number of {of}, not {_shown(number)}')
    return number


def _nanoseconds(request: Answer) -> int:
    given = request.get("seconds")
    try:
        if not isinstance(given, (str, int, Decimal)) or isinstance(given, bool):
            raise ValueError
        seconds = decimal_of(given)
        if not -(10**9) <= seconds <= 10**9:
            raise ValueError
    except ValueError:
        raise RigError(f'"seconds" is a number such as "0.005", not {_shown(given)}') from None
    return round(seconds * 1_000_000_000)


def _image(request: Answer) -> bytes:
    given = request.get("image")
    with contextlib.suppress(ValueError):
        if isinstance(given, str):
            return bytes.fromhex(given)
    raise RigError(f'"image" is hex digits, two for each byte, not {_shown(given)}')


def _event(request: Answer) -> str:
    event = request.get("event")
    if not isinstance(event, str):
        raise RigError(f'"event" is the name of a bench event, not {_shown(event)}')
    return event


def _words(request: dict[str, Any]) -> list[str]:
    values, most = request.get("values"), MOST_NUMBER_CHARACTERS
    if isinstance(values, list) and all(isinstance(each, str) and len(each) <= most for each in values):
        return values
    raise RigError(f'"values" is a list of words of at most {most} characters, not {_shown(values)}')


def _value(request: dict[str, Any]) -> float | str | None:
    value = request.get("value")
    if value is None or (isinstance(value, str) and len(value) <= MOST_NUMBER_CHARACTERS):
        return value
    if isinstance(value, (int, Decimal)) and not isinstance(value, bool):
        with contextlib.suppress(ValueError):
            return float(decimal_of(value))
    raise RigError(
        f'"value" is a number, a word or null, of at most {MOST_NUMBER_CHARACTERS} characters, '
        f"not {_shown(value)}"
    )


def _shown(given: object) -> str:
    """What was given, as far as a person looks at it."""
    text = repr(given)
    return text if len(text) <= 60 else f"{text[:60]}..."
