"""Searches without the constants of loaded modules.

Hypothesis reads the source of every loaded module outside `site-packages`, to draw its constants now and
then.
So the lines of a check would depend on how Wirevow was installed and on what else the process has loaded, and
reading takes a second or two. There is no setting against it (as of Hypothesis 6.170).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from hypothesis.internal.conjecture import providers


@contextmanager
def without_constants() -> Iterator[None]:
    """While this runs Hypothesis draws no constants but its own; before and after as it would."""
    read = getattr(providers, "_get_local_constants", None)
    kind = getattr(providers, "Constants", None)
    if read is None or kind is None:
        yield  # a version that does otherwise
        return
    none = kind()
    _forget()
    providers._get_local_constants = lambda: none
    try:
        yield
    finally:
        providers._get_local_constants = read
        _forget()


def _forget() -> None:
    """Which constants fit which choice is remembered."""
    cache = getattr(providers, "CONSTANTS_CACHE", None)
    if cache is not None:
        cache.cache.clear()
