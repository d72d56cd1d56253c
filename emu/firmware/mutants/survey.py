"""An audit with mutants: draw them, leave out those excused, try the others, and remember."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from pathlib import Path

from emu.audit import Trial
from emu.firmware.mutants.excused import excuses
from emu.firmware.mutants.operators import Mutant
from emu.firmware.mutants.record import Record
from emu.firmware.mutants.score import Fate
from emu.firmware.mutants.trials import Task, trials
from emu.firmware.mutants.workshop import Built, Workshop

PATIENCE = 10.0
"""A check may take so many times as long as that of the firmware as it is."""
LIMIT_S = 1800.0
"""The longest that is allowed to a check when it is not known how long that takes."""


class Survey:
    """What comes of the mutants drawn from the firmware of a document. StaleError when excuses are old."""

    def __init__(
        self, document: Path, workshop: Workshop, seed: int, jobs: int, record: Record | None = None
    ) -> None:
        self._document, self._workshop, self._seed, self._jobs = document, workshop, seed, jobs
        self._record = record
        self._known = {} if record is None else dict(record.known)
        self._excuses = excuses(workshop.mutants)

    def clean(self) -> Trial:
        """The trial of the firmware as it is."""
        if None in self._known:
            return self._known[None]
        (trial,) = trials(self._document, [(None, self._workshop.original())], self._seed, 1, LIMIT_S)
        self._keep(trial)
        return trial

    def fates(self, drawn: Iterator[Built], limit_s: float) -> Generator[Fate, None, None]:
        """What comes of each mutant, in the order in which they are done."""
        mutants: dict[str, Mutant] = {}
        settled: list[Fate] = []

        def tasks() -> Iterator[Task]:
            for built in drawn:
                name = built.mutant.name
                excuse = self._excuses.get(name)
                if excuse is not None:
                    settled.append(Fate(built.mutant, None, excuse))
                elif name in self._known:
                    settled.append(Fate(built.mutant, self._known[name]))
                else:
                    mutants[name] = built.mutant
                    yield name, built.library

        for trial in trials(self._document, tasks(), self._seed, self._jobs, limit_s):
            while settled:
                yield settled.pop(0)
            self._keep(trial)
            assert trial.fault is not None
            yield Fate(mutants[trial.fault], trial)
        yield from settled

    def _keep(self, trial: Trial) -> None:
        if self._record is not None:
            self._record.add(trial)
