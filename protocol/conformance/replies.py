"""How long answers took: their distribution, in seconds.

Times are counted in bins whose upper ends are 1, 2 and 5 times a power of ten, as rulers of instruments have
them (common practice, no source).
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

_ENDS_NS = tuple(step * 10**decade for decade in range(3, 11) for step in (1, 2, 5))
"""Upper ends: from 1 us to 50 s."""


@dataclass(frozen=True, slots=True)
class Bin:
    """Answers that took more than the bin before ends at, and at most this long."""

    to_s: float
    count: int


@dataclass(frozen=True, slots=True)
class ReplyTimes:
    """How long answers took, in seconds, from the end of the request or of the answer before it.

    On a held clock an answer that comes at once takes no time.
    """

    count: int = 0
    median_s: float = 0.0
    p99_s: float = 0.0
    """99 of 100 took no longer."""
    greatest_s: float = 0.0
    host_late_s: float = 0.0
    """How late the host itself woke up at most, before the check and while it waited; 0 on a held clock."""
    bins: tuple[Bin, ...] = ()
    """From the first to the last that is not empty; what is longer than the last end is in the last."""


def reply_times(taken_ns: Sequence[int], host_ns: int) -> ReplyTimes:
    """The distribution of so many times; `host_ns` is how late the host itself is."""
    if not taken_ns:
        return ReplyTimes(host_late_s=host_ns / 1e9)
    ordered = sorted(taken_ns)
    median, p99 = (ordered[min(len(ordered) * part // 100, len(ordered) - 1)] / 1e9 for part in (50, 99))
    places = Counter(min(bisect_left(_ENDS_NS, taken), len(_ENDS_NS) - 1) for taken in ordered)
    bins = tuple(Bin(_ENDS_NS[place] / 1e9, places[place]) for place in range(min(places), max(places) + 1))
    return ReplyTimes(len(ordered), median, p99, ordered[-1] / 1e9, host_ns / 1e9, bins)
