"""How late the host itself is: it sleeps, and sees how much later than asked for it wakes up."""

from __future__ import annotations

import time

NAPS = 20
NAP_NS = 1_000_000
BUSY_NS = 5_000_000
"""A host that wakes up this late is too busy to say whose fault a late answer is. An ordinary idle system is
late by a tenth of a millisecond or so (common practice, no source)."""


def lateness_ns() -> int:
    """How much later than asked for the host wakes up at most, just now; takes NAPS times NAP_NS."""
    latest_ns = 0
    for _ in range(NAPS):
        began_ns = time.monotonic_ns()
        time.sleep(NAP_NS / 1e9)
        latest_ns = max(latest_ns, time.monotonic_ns() - began_ns - NAP_NS)
    return latest_ns
