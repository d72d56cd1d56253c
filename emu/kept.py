"""Results kept in a file as they come, so that long work that was ended goes on there.

The file has a line of JSON with what all results depend on, then a line for each: `[key, result]`.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from wirevow.protocol.errors import WirevowError

SUFFIXES = (".py", ".yaml", ".c", ".h", ".j2")
APART = "excused.yaml"
"""The list of excused mutants: no result depends on it."""


class Kept:
    """Results by their keys, while nothing has changed that they depend on. OSError: it cannot be kept."""

    def __init__(self, path: Path, *, anew: bool = True, **depends: object) -> None:
        """`depends`: what the results depend on, the first of them named by what they are results of.
        `anew`: on Wirevow's own code and documents as well, and where anything has changed, what was kept is
        dropped; else that is a WirevowError, as any file is that holds no such results."""
        self.known: dict[str, Any] = {}
        head = json.dumps({**depends, "wirevow": fingerprint()} if anew else depends)
        # A file of any other kind, which need not be text, is somebody's: it must not be written over.
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines() if path.is_file() else []
        if lines and lines[0] != head and not (anew and _is_of(lines[0], next(iter(depends)))):
            raise WirevowError(f"--keep {path}: what it holds is of something else; name another file")
        for line in lines[1:] if lines[:1] == [head] else ():
            try:
                key, result = json.loads(line)
            except ValueError:
                continue  # cut short when it was ended
            self.known[key] = result
        path.parent.mkdir(parents=True, exist_ok=True)
        self._path = path
        rows = [head, *(json.dumps(row) for row in self.known.items())]
        path.write_text("".join(f"{row}\n" for row in rows), encoding="utf-8")

    def add(self, key: str, result: object) -> None:
        """Keep one more; `result` is JSON."""
        self.known[key] = result
        with self._path.open("a", encoding="utf-8") as file:
            print(json.dumps([key, result]), file=file)


def _is_of(line: str, kind: str) -> bool:
    """Whether a first line is one of such results."""
    try:
        head = json.loads(line)
    except ValueError:
        return False
    return isinstance(head, dict) and kind in head


@cache
def fingerprint() -> str:
    """A digest of everything of Wirevow that results depend on: the code, the documents, the benches."""
    digest = hashlib.sha256()
    for package in ("protocol", "emu", "spec"):
        root = Path(str(files("wirevow"))) / package
        for path in sorted(root.rglob("*")):
            if path.suffix in SUFFIXES and path.name != APART:
                digest.update(f"{package}/{path.relative_to(root)}\0".encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()
