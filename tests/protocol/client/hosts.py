"""Host programs that come to an end in every way there is, and what has become of the instrument then.

python -m tests.protocol.client.hosts URL: a JSON line for each way.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import select
import signal
import sys
import time
from collections.abc import Callable
from typing import Any

import wirevow

READY_S = 20
TARN = wirevow.load("tarn")
Tell = Callable[[], object]


def energised(url: str) -> wirevow.Client:
    client = wirevow.connect(url, TARN)
    client.sink.level.put(0.5)
    client.sink.start()
    return client


def block(url: str, tell: Tell) -> None:
    with energised(url) as client:
        tell()
        client.sleep(30)


def exception(url: str, tell: Tell) -> None:
    with energised(url):
        raise ZeroDivisionError


def forgotten(url: str, tell: Tell) -> None:
    client: wirevow.Client | None = energised(url)
    assert client is not None
    client = None
    gc.collect()
    tell()
    time.sleep(30)


def left_open(url: str, tell: Tell) -> None:
    global left
    left = energised(url)


left: wirevow.Client | None = None


async def start(client: wirevow.AsyncClient) -> None:
    await client.sink.level.put(0.5)
    await client.sink.start()


async def async_block(url: str, tell: Tell) -> None:
    async with wirevow.connect_async(url, TARN) as client:
        await start(client)
        tell()
        await client.sleep(30)


async def async_exception(url: str, tell: Tell) -> None:
    async with wirevow.connect_async(url, TARN) as client:
        await start(client)
        raise ZeroDivisionError


async def async_cancelled_again_and_again(url: str, tell: Tell) -> None:
    task = asyncio.create_task(async_block(url, lambda: None))
    while not task.done():
        await asyncio.sleep(0.3)
        for _ in range(3):
            task.cancel()
            await asyncio.sleep(0)
    tell()
    await asyncio.sleep(30)


async def async_forgotten(url: str, tell: Tell) -> None:
    client: wirevow.AsyncClient | None = wirevow.connect_async(url, TARN)
    assert client is not None
    await client.open()
    await start(client)
    client = None
    gc.collect()
    tell()
    await asyncio.sleep(30)


def loop_torn_down(url: str, tell: Tell) -> None:
    loop = asyncio.new_event_loop()
    loop.run_until_complete(async_block(url, tell))


WAYS: dict[str, tuple[Callable[[str, Tell], Any], int | None]] = {
    "SIGTERM": (block, signal.SIGTERM),
    "SIGHUP": (block, signal.SIGHUP),
    "SIGINT": (block, signal.SIGINT),
    "exception": (exception, None),
    "forgotten": (forgotten, 0),
    "left open": (left_open, None),
    "asyncio SIGTERM": (async_block, signal.SIGTERM),
    "asyncio SIGHUP": (async_block, signal.SIGHUP),
    "asyncio SIGINT": (async_block, signal.SIGINT),
    "asyncio exception": (async_exception, None),
    "asyncio cancelled": (async_cancelled_again_and_again, 0),
    "asyncio forgotten": (async_forgotten, 0),
    "loop torn down": (loop_torn_down, signal.SIGINT),
}
"""What a host does, and the signal that it gets once it is ready: 0 for none, it is looked at as it goes on.

None is for one that ends by itself.
"""


def host(url: str, way: str, ready: int) -> None:
    """In a process of its own."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # tracebacks are meant to be
    work, _ = WAYS[way]
    ended = work(url, lambda: os.write(ready, b"x"))
    if ended is not None:
        asyncio.run(ended)


def trial(url: str, way: str) -> dict[str, object]:
    """Run a host to its end, and look at the instrument."""
    _, number = WAYS[way]
    reader, ready = os.pipe()
    child = os.fork()
    if not child:
        host(url, way, ready)
        sys.exit()
    os.close(ready)
    status = None
    if number is not None and not select.select([reader], [], [], READY_S)[0]:
        os.kill(child, signal.SIGKILL)
    if number:
        os.kill(child, number)
    if number != 0:
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    os.close(reader)
    with wirevow.connect(url, TARN) as client:
        found = {
            "way": way,
            "status": status,
            "state": client.self.state.read(),
            "trip": client.trip.last.read(),
        }
    if number == 0:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    return found


if __name__ == "__main__":
    for each in WAYS:
        print(json.dumps(trial(sys.argv[1], each)), flush=True)
