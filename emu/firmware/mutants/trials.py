"""Checks of mutants, each in a process of its own (`wirevow.emu.executor`): it may crash or never return.

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

import os
import resource
import signal
import tempfile
import threading
import time
from collections.abc import Generator, Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from wirevow.emu import executor
from wirevow.emu.audit import Trial, tried
from wirevow.emu.executor import Ended
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
class _Task:
    document: str
    name: str | None
    library: bytes
    """Its content: the machine that tries it may be another one."""
    seed: int
    limit_s: float
    hang_s: float


def trials(
    document: Path,
    tasks: Iterable[Task],
    seed: int,
    jobs: int | None,
    limit_s: float,
    hang_s: float = HANG_S,
    on: str | None = None,
) -> Generator[Trial, None, None]:
    """What comes of each task, in the order in which they are done; tasks are taken as they can be begun.

    Where they are done is as `wirevow.emu.executor.results` says.
    """
    whole = (
        _Task(str(document.resolve()), name, library.read_bytes(), seed, limit_s, hang_s)
        for name, library in tasks
    )
    done = executor.results(_try, whole, on=on, jobs=jobs, ended=_ended, limit_s=limit_s)
    with closing(done):
        for _, trial in done:
            yield trial


def _ended(task: _Task, end: Ended) -> Trial:
    """What it means that a process told nothing."""

    def trial(outcome: str, message: str) -> Trial:
        return Trial(task.name, task.seed, outcome, 0, 0.0, message=message)

    if end.status is None:
        return trial("timeout", f"not done within {task.limit_s:.0f} s")
    if end.status == HUNG:
        return trial("hang", "the firmware did not return")
    return trial("crash" if end.status < 0 else "error", str(end))


def _try(task: _Task) -> Trial:
    """One trial, in a process of its own."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    vow = compile_vow(load_document(task.document).document)
    _watch(task.hang_s)
    with tempfile.NamedTemporaryFile(prefix="wirevow-", suffix=".so") as file:
        file.write(task.library)
        file.flush()
        return attempt(vow, Path(file.name), task.name, task.seed)


def attempt(vow: Vow, library: Path, name: str | None, seed: int) -> Trial:
    """One trial in this very process, which a mutant may crash."""
    return tried(vow, lambda: FirmwareInstrument(vow, library, None, seed), name, seed)


def _watch(hang_s: float) -> None:
    """End this process when its main thread is in the firmware for too long.

    A signal's handler runs between two steps of the main thread's Python: not while that is in a library.
    """
    beats = 0

    def beat(number: int, frame: object) -> None:
        nonlocal beats
        beats += 1

    def watch() -> None:
        seen, since = -1, 0.0
        while True:
            time.sleep(1.0)
            if beats != seen:
                seen, since = beats, time.process_time()
            elif time.process_time() - since > hang_s:
                os._exit(HUNG)

    signal.signal(signal.SIGVTALRM, beat)
    signal.setitimer(signal.ITIMER_VIRTUAL, 1.0, 1.0)
    threading.Thread(target=watch, daemon=True).start()
