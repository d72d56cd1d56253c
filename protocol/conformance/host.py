"""How late the host itself is: it sleeps, and sees how much later than asked for it wakes up."""

from __future__ import annotations

import time

PRESSURE = "/proc/pressure/cpu"
NAPS = 20
NAP_NS = 1_000_000
BUSY_NS = 5_000_000
"""A host that wakes up this late is too busy to say whose fault a late answer is. An ordinary idle system is
late by a tenth of a millisecond or so (common practice, no source)."""

AGAIN_NS = 20_000_000
"""How often the kernel is asked at most. It counts what has passed since it was asked last in whole ticks (of
1 ms to 10 ms): asked more often it loses most of it, for all that ask (seen with Linux 6.18, HZ=250)."""
_asked_ns = _total_ns = 0


def lateness_ns() -> int:
    """How much later than asked for the host wakes up at most, just now; takes NAPS times NAP_NS."""
    latest_ns = 0
    for _ in range(NAPS):
        began_ns = time.monotonic_ns()
        time.sleep(NAP_NS / 1e9)
        latest_ns = max(latest_ns, time.monotonic_ns() - began_ns - NAP_NS)
    return latest_ns


def contended_ns() -> int:
    """For how long, since it was started, programs of this machine have waited for a processor, at least one
    at a time, as it was at most AGAIN_NS ago; 0 where the system does not tell (Linux: the kernel's
    `psi.rst`, pressure stall information).

    An instrument that is simulated here is late when it waits; a host that wakes up in time does not see it.
    """
    global _asked_ns, _total_ns
    now_ns = time.monotonic_ns()
    if not _asked_ns or now_ns - _asked_ns >= AGAIN_NS:
        _asked_ns, _total_ns = now_ns, _contended_ns()
    return _total_ns


def _contended_ns() -> int:
    try:
        with open(PRESSURE, "rb", buffering=0) as file:
            some = file.read(256).partition(b"\n")[0]
        return int(some.rpartition(b"total=")[2]) * 1000
    except (OSError, ValueError):
        return 0
