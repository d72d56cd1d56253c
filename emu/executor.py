"""Many pieces of work that do not need each other, on all cores of this machine or on many machines.

`results(work, tasks)` calls `work(task)` for each task and yields what comes of them as they are done. Every
piece is done in the main thread of a process that does nothing else, so that signals, limits and crashes are
its own, and what comes of it is the same wherever it runs:

- by default in processes of this machine, as many as there are cores;
- with `on`, the address of a Dask scheduler, in processes beside its workers. They need the same Wirevow
  (which is looked at) and the same files in the same places. What a worker had begun when it was lost is
  begun again on another one.

`work` is a function at the top of a module that can be imported, not of `__main__`; it, its task and its
result are pickled. Tasks are taken from their iterator as they can be begun.
"""

from __future__ import annotations

import atexit
import os
import select
import signal
import subprocess
import sys
import threading
import traceback
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any, TypeAlias, TypeVar, cast

from wirevow.emu.kept import fingerprint
from wirevow.protocol.errors import WirevowError

T = TypeVar("T")
R = TypeVar("R")

TRIES = 2
"""A process may be lost to something else on its machine; one that is lost twice is lost to the task."""
TICK_S = 1.0
PATIENCE_S = 30
"""A scheduler has to answer by then, and to have a worker."""


class ExecutorError(WirevowError):
    """The work cannot be done where it should be."""


@dataclass(frozen=True, slots=True)
class Ended:
    """The process of a piece of work ended before the work was done."""

    status: int | None
    """As `subprocess` has it, negative for a signal. None: it was ended because its time was over."""

    def __str__(self) -> str:
        if self.status is None:
            return "its time was over"
        if self.status < 0:
            return f"its process ended with {signal.Signals(-self.status).name}"
        return f"its process ended with status {self.status}"


def cores() -> int:
    """How many processes may run at once."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def results(
    work: Callable[[T], R],
    tasks: Iterable[T],
    *,
    on: str | None = None,
    jobs: int | None = None,
    ended: Callable[[T, Ended], R] | None = None,
    limit_s: float | None = None,
    tick: Callable[[], None] = lambda: None,
) -> Generator[tuple[T, R], None, None]:
    """Tasks and what comes of them, in the order in which they are done. `tick` is called every second or so.

    `ended`: each task has a process to itself, which it may crash, or be ended in after `limit_s`, and this
    makes a result of that. Closing the iterator, or an exception where it is used, ends what is under way
    (what a scheduler's workers have begun ends by itself). An exception of `work` is raised here.
    ExecutorError: no scheduler at `on`, or a process was lost twice with one task.
    """
    asked = _Asked(work, ended is not None, limit_s, fingerprint())
    with _pool(on, jobs or cores()) as (pool, do, room):
        waiting: dict[Future[Any], T] = {}
        left = iter(tasks)
        more = True
        while more or waiting:
            while more and len(waiting) < room():
                try:
                    task = next(left)
                except StopIteration:
                    more = False
                else:
                    waiting[pool.submit(do, asked, task)] = task
            tick()
            for future in wait(waiting, TICK_S, FIRST_COMPLETED).done:
                task, result = waiting.pop(future), future.result()
                if not isinstance(result, Ended):
                    yield task, result
                elif ended is not None:
                    yield task, ended(task, result)
                else:
                    raise ExecutorError(f"{task}: {result}; is there enough memory?")


@dataclass(frozen=True, slots=True)
class _Asked:
    work: Callable[[Any], Any]
    alone: bool
    """In a process of its own, that is, not one that has done other tasks."""
    limit_s: float | None
    fingerprint: str


# -------------------------------------------------------------------------------------------- where

_Pool: TypeAlias = tuple[Executor, Callable[[_Asked, Any], Any], Callable[[], int]]


@contextmanager
def _pool(on: str | None, jobs: int) -> Iterator[_Pool]:
    """What takes tasks, what it is to call with each, and how many it may have at once."""
    if on is None:
        processes = _Processes()
        pool = ThreadPoolExecutor(jobs)
        try:
            yield pool, processes.do, lambda: jobs + 1
        finally:
            # What is under way ends with its process, so that the threads end.
            pool.shutdown(wait=False, cancel_futures=True)
            processes.close()
            pool.shutdown()
        return
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise ExecutorError("--on needs the package distributed: pip install 'wirevow[machines]'") from None
    try:
        client = Client(on, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ExecutorError(
            f"--on {on}: no Dask scheduler answers there ({error}); see `dask scheduler`"
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError:
            raise ExecutorError(
                f"--on {on}: the scheduler has no worker; start some with `dask worker {on}`"
            ) from None
        far = client.get_executor(pure=False)
        try:
            yield far, done_here, lambda: 2 * max(1, sum(client.nthreads().values()))
        finally:
            far.shutdown(wait=False)


def done_here(asked: _Asked, task: Any) -> Any:
    """What a worker of a scheduler calls. ExecutorError: its Wirevow is another one."""
    if fingerprint() != asked.fingerprint:
        raise ExecutorError("a worker's Wirevow is not the same as here: install the same everywhere")
    return _beside.do(asked, task)


# ---------------------------------------------------------------------------------------- its processes


@dataclass(slots=True)
class _Processes:
    """Processes that do one thing after the other, for threads that wait for them."""

    _idle: dict[bool, list[_Process]] = field(default_factory=lambda: {False: [], True: []})
    _all: list[_Process] = field(default_factory=list)
    _closed: bool = False
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def do(self, asked: _Asked, task: Any) -> Any:
        """What comes of a task; Ended if its process is lost."""
        lost = Ended(None)
        for _ in range(1 if asked.alone else TRIES):
            with self._lock:
                if self._closed:
                    break
                process = self._idle[asked.alone].pop() if self._idle[asked.alone] else _Process()
                if process not in self._all:
                    self._all.append(process)
            answer = process.ask(asked, task)
            with self._lock:
                if process.runs:
                    self._idle[asked.alone].append(process)
                else:
                    self._all.remove(process)
            if not isinstance(answer, Ended):
                good, value = answer
                if good:
                    return value
                raise value
            lost = answer
        return lost

    def close(self) -> None:
        """End them all, whatever they are doing."""
        with self._lock:
            self._closed = True
            for process in self._all:
                process.kill()


class _Process:
    """A Python of its own at the other end of a pipe."""

    def __init__(self) -> None:
        self._pipe, theirs = Pipe()
        code = "import sys; from wirevow.emu.executor import serve; serve(int(sys.argv[1]))"
        # A group of its own: a terminal's Ctrl-C is its parent's business, and what it starts ends with it.
        self._popen = subprocess.Popen(
            [sys.executable, "-c", code, str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            process_group=0,
            stdout=subprocess.DEVNULL,  # a library's chatter
        )
        theirs.close()
        self._pipe.send(sys.path)
        self.runs = True

    def ask(self, asked: _Asked, task: Any) -> tuple[bool, Any] | Ended:
        """Whether it went well, with the result or the exception; or how the process ended."""
        try:
            self._pipe.send((asked.work, task, asked.alone))
            if self._pipe.poll(asked.limit_s):
                return cast("tuple[bool, Any] | Ended", self._pipe.recv())
            late = True
        except (EOFError, OSError):
            late = False
        self.kill()
        status = self._popen.wait()
        self._pipe.close()
        self.runs = False
        return Ended(None if late else status)

    def kill(self) -> None:
        """End it and what it has started."""
        if self._popen.poll() is None:
            with suppress(ProcessLookupError):
                os.killpg(self._popen.pid, signal.SIGKILL)
            self._popen.wait()


_beside = _Processes()
"""Of a worker of a scheduler."""
atexit.register(_beside.close)


def serve(descriptor: int) -> None:
    """The other process: do what comes through the pipe until its end."""
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    pipe = Connection(descriptor)
    sys.path[:] = pipe.recv()
    watched = False
    while True:
        try:
            work, task, alone = pipe.recv()
        except EOFError:
            return
        if not alone:
            watched = watched or _end_with(pipe)
            pipe.send(_worked(work, task))
            continue
        child = os.fork()
        if not child:
            _end_with(pipe)
            pipe.send(_worked(work, task))
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if status:
            pipe.send(Ended(os.waitstatus_to_exitcode(status)))


def _worked(work: Callable[[Any], Any], task: Any) -> tuple[bool, Any]:
    try:
        return True, work(task)
    except Exception as error:
        error.add_note(traceback.format_exc())
        return False, error


def _end_with(pipe: Connection) -> bool:
    """End this process when nobody waits for it any more."""
    reader = select.poll()
    reader.register(pipe, 0)  # hung up is always told

    def watch() -> None:
        reader.poll()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    return True
