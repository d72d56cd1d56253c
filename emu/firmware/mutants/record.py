"""What has come of mutants already, kept in a file: an audit that was ended early goes on there."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path

from wirevow.emu.audit import Trial
from wirevow.emu.firmware.mutants.excused import FILE

SUFFIXES = (".py", ".yaml", ".c", ".h", ".j2")


class Record:
    """Trials with one seed, as long as nothing changes that they depend on. OSError: it cannot be kept."""

    def __init__(self, path: Path, seed: int) -> None:
        self.known: dict[str | None, Trial] = {}
        """By mutant; None: the firmware as it is."""
        head = json.dumps({"mutants": 1, "seed": seed, "fingerprint": fingerprint()})
        lines = path.read_text(encoding="utf-8").splitlines() if path.is_file() else []
        for line in lines[1:] if lines[:1] == [head] else ():
            try:
                trial = Trial(**json.loads(line))
            except ValueError:
                continue  # cut short when it was ended
            self.known[trial.fault] = trial
        path.parent.mkdir(parents=True, exist_ok=True)
        self._path = path
        rows = [head, *(json.dumps(asdict(trial)) for trial in self.known.values())]
        path.write_text("".join(f"{row}\n" for row in rows), encoding="utf-8")

    def add(self, trial: Trial) -> None:
        """Keep one more."""
        self.known[trial.fault] = trial
        with self._path.open("a", encoding="utf-8") as file:
            print(json.dumps(asdict(trial)), file=file)


def fingerprint() -> str:
    """A digest of the code, the documents and the benches. The list of the excused changes no trial."""
    digest = hashlib.sha256()
    for package in ("protocol", "emu", "spec"):
        root = Path(str(files("wirevow"))) / package
        for path in sorted(root.rglob("*")):
            if path.suffix in SUFFIXES and path != FILE:
                digest.update(f"{package}/{path.relative_to(root)}\0".encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()
