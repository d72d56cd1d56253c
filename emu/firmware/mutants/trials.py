"""Checks of mutants, each in a process of its own: a mutant may crash it or never return.

Beside the outcomes of `wirevow.emu.audit` there are

=========  =================================================================================  ========
outcome    meaning                                                                            detected
=========  =================================================================================  ========
`crash`    the firmware broke its process                                                     yes
`hang`     the firmware did not return for `hang_s` of processor time                         yes
`timeout`  the check was not done within its time                                             no
=========  =================================================================================  ========
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import select
import signal
import threading
import time
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from wirevow.emu.audit import Trial, tried
from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import Vow, compile_vow

HANG_S = 30.0
"""The longest wait of a check takes the firmware a few seconds of processor time."""
HUNG = 86
"""Exit status of a process that ended itself because of that; any other is free."""
MOST_BYTES = 8 << 30
"""Address space of a trial: a mutant that talks without end must not take the machine along."""

Task = tuple[str | None, Path]
"""A mutant's name, None for the firmware as it is, and its library."""


@dataclass(frozen=True, slots=True)
class _Running:
    name: str | None
    process: ForkServerProcess
    pipe: Connection
    begun: float


def trials(
    document: Path, tasks: Iterable[Task], seed: int, jobs: int, limit_s: float, hang_s: float = HANG_S
) -> Generator[Trial, None, None]:
    """What comes of each task, in the order in which they are done; tasks are taken as they can be begun.

    Closing the iterator, or an exception such as KeyboardInterrupt where it is used, ends those under way.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    waiting = iter(tasks)
    running: list[_Running] = []
    more = True
    try:
        while more or running:
            while more and len(running) < jobs:
                task = next(waiting, None)
                if task is None:
                    more = False
                    break
                name, library = task
                mine, theirs = context.Pipe(duplex=False)
                process = context.Process(
                    target=_try, args=(str(document), library, name, seed, hang_s, theirs), daemon=True
                )
                process.start()
                theirs.close()
                running.append(_Running(name, process, mine, time.monotonic()))
            wait([each.pipe for each in running], timeout=1.0)
            for each in list(running):
                trial = _result(each, seed, limit_s)
                if trial is not None:
                    running.remove(each)
                    yield trial
    finally:
        for each in running:
            each.process.kill()
            each.process.join()


def _result(running: _Running, seed: int, limit_s: float) -> Trial | None:
    """What came of it, or None while it goes on."""
    seconds = round(time.monotonic() - running.begun, 3)
    if running.pipe.poll():
        try:
            trial: Trial = running.pipe.recv()
            running.process.join()
            return trial
        except EOFError:
            running.process.join()
            outcome, message = _ended(running.process.exitcode)
            return Trial(running.name, seed, outcome, 0, seconds, message=message)
    if seconds > limit_s:
        running.process.kill()
        running.process.join()
        return Trial(running.name, seed, "timeout", 0, seconds, message=f"not done within {limit_s:.0f} s")
    return None


def _ended(status: int | None) -> tuple[str, str]:
    """Outcome and message of a process that told nothing."""
    if status == HUNG:
        return "hang", "the firmware did not return"
    if status is not None and status < 0:
        return "crash", signal.Signals(-status).name
    return "error", f"the process ended with status {status}"


def _try(document: str, library: Path, name: str | None, seed: int, hang_s: float, pipe: Connection) -> None:
    """One trial, in its own process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent's business
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    vow = compile_vow(load_document(document).document)
    _watch(hang_s, pipe)
    pipe.send(attempt(vow, library, name, seed))


def attempt(vow: Vow, library: Path, name: str | None, seed: int) -> Trial:
    """One trial in this very process, which a mutant may crash."""
    return tried(vow, lambda: FirmwareInstrument(vow, library, None, seed), name, seed)


def _watch(hang_s: float, pipe: Connection) -> None:
    """End this process when its main thread is in the firmware for too long, or nobody listens any more.

    A signal's handler runs between two steps of the main thread's Python: not while that is in a library.
    """
    beats = 0

    def beat(number: int, frame: object) -> None:
        nonlocal beats
        beats += 1

    def watch() -> None:
        reader = select.poll()
        reader.register(pipe, 0)  # hung up is always told
        seen, since = -1, 0.0
        while not reader.poll(1000):
            if beats != seen:
                seen, since = beats, time.process_time()
            elif time.process_time() - since > hang_s:
                os._exit(HUNG)
        os._exit(0)

    signal.signal(signal.SIGVTALRM, beat)
    signal.setitimer(signal.ITIMER_VIRTUAL, 1.0, 1.0)
    threading.Thread(target=watch, daemon=True).start()
