"""The way out of a check: whatever ends it, the instrument is told to be safe, or the user that it was not.

Within `WHOLE_S` at most, whatever the port does: a port that hangs is waited for in a thread of its own and
left behind. The safe action goes out with a check, which is right whether or not the guard is on, after an LF
that ends whatever line was begun.
"""

from __future__ import annotations

import os
import random
import select
import threading
import time
from collections.abc import Callable
from contextlib import suppress

import serial

from wirevow.protocol.conformance.envelope import saving_actions
from wirevow.protocol.conformance.keeping import RESTORE_S, Ask, Restorer
from wirevow.protocol.conformance.rig import Rig, RigError
from wirevow.protocol.conformance.session import ONLY_ASKS, Session
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.message import Reply, Request, parse_answer

WHOLE_S = 0.8
"""Longest time that all of it takes; with the process's own end it stays within a second."""
ANSWER_S = 0.2
"""How long the reply is waited for before the action is sent again."""
TRIES = 2


def end(tester: Tester, *, orderly: bool) -> list[str]:
    """Make the instrument safe, put the bench back, let go of rig and port.

    `orderly`: the check came to its own end, so that there is time to put the bench back. Returns what the
    user has to be told loudly, nothing if all went well.
    """
    warnings: list[str] = []
    done: list[str] = []
    thread = threading.Thread(target=_let_go, args=(tester, orderly, warnings, done), daemon=True)
    thread.start()
    thread.join(WHOLE_S)
    if "safe" not in done:
        warnings.append(_alarm(tester, f"the port took longer than {WHOLE_S:g} s"))
        warnings += _found_with(tester)
    elif tester.found is not None:
        thread.join(RESTORE_S + 2 * ANSWER_S)
    return warnings


def _let_go(tester: Tester, orderly: bool, warnings: list[str], done: list[str]) -> None:
    session = tester.session
    if session.held and not orderly and session.rig is not None:
        # On a clock that stands still an answer may never come.
        _quietly(session.rig.close)
    warning = _make_safe(tester)
    if warning is not None:
        warnings += [warning, *_found_with(tester)]
    done.append("safe")
    if warning is None and tester.found is not None and _touched(tester):
        warnings += _restored(tester)
    if session.rig is not None:
        if orderly:
            _put_back(tester, session.rig, warnings)
        _quietly(session.rig.close)
    if warning is not None:
        # A system may wait half a minute for bytes that cannot go out.
        _quietly(session.port.reset_output_buffer)
    _quietly(session.port.close)


def _restored(tester: Tester) -> list[str]:
    """Put back what the instrument was found with; what the user has to be told of it."""
    restorer = _restorer(tester, _Wire(tester.session).exchange)
    try:
        return restorer.run()
    except (OSError, serial.SerialException) as error:
        return restorer.warnings(f"putting back was broken off: the port is lost ({error})")
    except Exception as defect:  # of ours, and no reason to tell nobody
        return restorer.warnings(f"putting back was broken off: {type(defect).__name__}: {defect}")


def _found_with(tester: Tester) -> list[str]:
    """What the user has to put back by hand, when no answer has come even to the safe action."""
    if tester.found is None or not tester.found.words or not _touched(tester):
        return []
    restorer = _restorer(tester, lambda request: None)
    return restorer.warnings("nothing that was changed could be put back")


def _restorer(tester: Tester, ask: Ask) -> Restorer:
    assert tester.found is not None
    names = [name.encode("ascii") for name in saving_actions(tester.vow)]
    sent = (entry.data for entry in tester.session.journal if entry.kind == "send")
    saved = any(name in data for data in sent for name in names)
    return Restorer(tester.vow, tester.found, ask, _tag, saved, tester.limits.may_restore)


def _quietly(let_go: Callable[[], object]) -> None:
    """A driver whose device is gone may raise anything, and there is nothing left to do about it."""
    with suppress(Exception):
        let_go()


def _put_back(tester: Tester, rig: Rig, warnings: list[str]) -> None:
    for event, value in tester.bench_now.items():
        base = tester.declared[event].base
        if base is not None and value != base:
            try:
                rig.bench(event, str(base))
            except RigError as error:
                warnings.append(f"{event} could not be put back to {base}: {error.message}")
                return


def _alarm(tester: Tester, why: str) -> str:
    action = tester.vow.document.trial.safe
    what = "no safe action is known (`trial.safe`)" if action is None else f"{action} could not be confirmed"
    return (
        f"{tester.session.port.port}: {what}: {why}. "
        "THE INSTRUMENT MAY STILL BE HANDLING POWER: disconnect the source by hand."
    )


def _touched(tester: Tester) -> bool:
    """Whether anything was sent but questions."""
    sent = (entry.data for entry in tester.session.journal if entry.kind == "send")
    return any(ONLY_ASKS.fullmatch(data) is None for data in sent)


def _make_safe(tester: Tester) -> str | None:
    """Send the safe action until it is confirmed; what to say if it never was."""
    if not _touched(tester):
        return None  # nothing was sent but questions: it may be any instrument, or at work for somebody
    vow = tester.vow
    action = vow.document.trial.safe
    if action is None:
        return _alarm(tester, "look at its state") if tester.energise else None
    why = "no answer"
    wire = _Wire(tester.session)
    try:
        for _ in range(TRIES):
            reply = wire.exchange(Request(_tag(), "act", action, (), True))
            if reply is None:
                continue
            if reply.ok:
                why = _not_at_rest(tester, wire)
                if why:
                    return _alarm(tester, why)
                if "link.guard" in vow.points:
                    # Our check has turned it on.
                    wire.exchange(Request(_tag(), "put", "link.guard", ("off",), True))
                return None
            why = f"the answer was `{reply.line().decode('ascii')}`"
    except (OSError, serial.SerialException) as error:
        why = f"the port is lost ({error})" if str(error) else "the port is lost"
    return _alarm(tester, why)


def _not_at_rest(tester: Tester, wire: _Wire) -> str:
    """Within an envelope its word is not enough: what its state shows against it; empty for nothing."""
    if tester.gate is None:
        return ""
    reach = tester.gate.reach
    state = wire.exchange(Request(_tag(), "ask", reach.state_point, (), True))
    if state is None or not state.ok or len(state.words) != 1:
        return "it does not answer what its state is"
    return f"its state is {state.words[0]}" if state.words[0] in reach.live else ""


def _tag() -> str:
    return f"@{random.randrange(0x1000, 0x10000):x}"


class _Wire:
    """The port as it is, without oracle, journal or clock; what is done is put to the account."""

    def __init__(self, session: Session) -> None:
        self._port = session.port
        self._descriptor = session.descriptor
        self._session = session
        self._heard = b""
        if self._descriptor is None:
            with suppress(NotImplementedError, ValueError, serial.SerialException):
                self._port.timeout = 0.01
                self._port.write_timeout = ANSWER_S

    def exchange(self, request: Request) -> Reply | None:
        end = time.monotonic() + ANSWER_S
        account, now_ns = self._session.account, self._session.now_ns
        self._write(b"\n" + request.line() + b"\n", end)
        if account is not None:
            account.sent([request.line()], now_ns())
        while time.monotonic() < end:
            self._heard += self._read(end)
            *lines, self._heard = self._heard.split(b"\n")
            self._heard = self._heard[-1024:]
            for line in lines:
                if account is not None:
                    account.heard(line, now_ns())
                answer = parse_answer(line.removesuffix(b"\r"))
                if isinstance(answer, Reply) and answer.tag == request.tag:
                    return answer
        return None

    def _write(self, data: bytes, end: float) -> None:
        if self._descriptor is None:
            self._port.write(data)
            return
        while data:
            if not select.select([], [self._descriptor], [], max(0.0, end - time.monotonic()))[1]:
                raise OSError("it takes no more bytes")
            with suppress(BlockingIOError):
                data = data[os.write(self._descriptor, data) :]

    def _read(self, end: float) -> bytes:
        if self._descriptor is None:
            return bytes(self._port.read(max(1, self._port.in_waiting)))
        if not select.select([self._descriptor], [], [], max(0.0, end - time.monotonic()))[0]:
            return b""
        with suppress(BlockingIOError):
            data = os.read(self._descriptor, 4096)
            if not data:
                raise OSError("disconnected")
            return data
        return b""
