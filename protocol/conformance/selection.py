"""Which requirements a check is asked to look at: by name, with the wildcards of file names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from fnmatch import fnmatchcase

from wirevow.protocol.errors import WirevowError

NOT_ASKED = "not asked for: the check was told which requirements to look at"
NEAR = 3


def selected(ids: Sequence[str], patterns: Iterable[str]) -> frozenset[str]:
    """Those of the ids that match one of the patterns. Raises WirevowError if a pattern matches none."""
    chosen: set[str] = set()
    for pattern in patterns:
        matching = [each for each in ids if fnmatchcase(each, pattern)]
        if not matching:
            near = get_close_matches(pattern, ids, n=NEAR, cutoff=0.4)
            hint = f"near it are {', '.join(near)}" if near else f"for example {', '.join(ids[:NEAR])}"
            raise WirevowError(f"no requirement is named {pattern}: write an id, or a part and *; {hint}")
        chosen.update(matching)
    return frozenset(chosen)
