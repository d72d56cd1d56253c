"""Failures that searches have found, kept in a file that the user names, to be tried first the next time.

An entry belongs to one port and one document: what failed of another instrument, or by another promise, would
only change what is blamed here and when. The file is JSON. Without a file nothing is remembered, and a check
with the same seed is the same check.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import file_content

HEAD = "wirevow memory"
VERSION = 1
MOST_BYTES = 4_000_000
"""Of a file that is read; more failures than a person will ever mend."""
FIELDS = ("port", "document", "key", "choices")


@dataclass(slots=True)
class Memory:
    """What the file holds for one port and one document. `document`: name, version and wire digest."""

    path: Path
    port: str
    document: str
    found: set[tuple[str, str]] = field(default_factory=set)
    """Key and choices, both hex, as Hypothesis has them."""
    _others: list[dict[str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for entry in self._read():
            if (entry["port"], entry["document"]) == (self.port, self.document):
                self.found.add((entry["key"], entry["choices"]))
            else:
                self._others.append(entry)

    def _read(self) -> list[dict[str, str]]:
        """The entries of the file; none if there is no file. Raises WirevowError."""
        try:
            if not self.path.exists():
                return []
            text = file_content(self.path, MOST_BYTES, "memory")
        except (OSError, ValueError) as wrong:
            raise WirevowError(
                f"--memory {self.path}: it is no memory that a check has written ({wrong}); name another file"
            ) from wrong
        try:
            held = json.loads(text)
            if held[HEAD] != VERSION:
                raise ValueError
            entries = [{name: entry[name] for name in FIELDS} for entry in held["found"]]
            for entry in entries:
                bytes.fromhex(entry["key"] + entry["choices"])
                if not isinstance(entry["port"] + entry["document"], str):
                    raise TypeError
        except (ValueError, LookupError, TypeError, RecursionError) as wrong:
            raise WirevowError(
                f"--memory {self.path}: it is no memory that a check has written; name another file"
            ) from wrong
        return entries

    def write(self) -> None:
        """Put the file in its place as a whole. What cannot be written is lost, and the check goes on."""
        entries = [*self._others]
        for key, choices in sorted(self.found):
            entries.append({"port": self.port, "document": self.document, "key": key, "choices": choices})
        beside = self.path.with_name(f"{self.path.name}.new")
        with suppress(OSError):
            beside.write_text(json.dumps({HEAD: VERSION, "found": entries}, indent=1), encoding="utf-8")
            os.replace(beside, self.path)
