"""A server in a thread of the test's own process, and patience with what other threads do."""

import contextlib
import threading
import time
from collections.abc import Callable, Iterator

from tests.emu.fake import Fake
from wirevow.emu.ports.rigport import RigPort
from wirevow.emu.ports.server import Server, open_endpoint


@contextlib.contextmanager
def serving(
    listen: str = "pty",
    *,
    link: str | None = None,
    pace: int | None = None,
    rig: bool = False,
    speed: int | None = 1,
) -> Iterator[tuple[Fake, str, str]]:
    """A fake instrument that is being served: it, the port's address, the rig's address."""
    fake = Fake()
    endpoint = open_endpoint(listen, link)
    server = Server(fake, endpoint, pace, speed)
    address = ""
    if rig:
        server.rig = desk = RigPort("tcp:127.0.0.1:0", server.line, server.clock, "fake")
        address = desk.address
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield fake, endpoint.address, address
    finally:
        server.stop()
        thread.join(5)
        assert not thread.is_alive(), "the server did not end"


def until(condition: Callable[[], bool], seconds: float = 5) -> None:
    """Wait for something that another thread is about to do."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.002)
