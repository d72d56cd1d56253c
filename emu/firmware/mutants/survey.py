"""An audit with mutants: draw them, leave out those excused, try the others, and remember."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import asdict
from itertools import chain
from pathlib import Path

from wirevow.emu.audit import Trial
from wirevow.emu.firmware.mutants.excused import excuses
from wirevow.emu.firmware.mutants.operators import Mutant
from wirevow.emu.firmware.mutants.score import Fate
from wirevow.emu.firmware.mutants.trials import Task, trials
from wirevow.emu.firmware.mutants.workshop import Built, Workshop
from wirevow.emu.kept import Kept

PATIENCE = 10.0
"""A check may take so many times as long as that of the firmware as it is."""
LIMIT_S = 1800.0
"""The longest that is allowed to a check when it is not known how long that takes."""


class Survey:
    """What comes of the mutants drawn from the firmware of a document. StaleError when excuses are old."""

    def __init__(
        self,
        document: Path,
        workshop: Workshop,
        seed: int,
        jobs: int | None = None,
        kept: Kept | None = None,
        on: str | None = None,
    ) -> None:
        self._document, self._workshop, self._seed, self._jobs = document, workshop, seed, jobs
        self._kept, self._on = kept, on
        known = {} if kept is None else kept.known
        self._known = {key or None: Trial(**trial) for key, trial in known.items()}
        self.excuses = excuses(workshop.mutants)

    def clean(self) -> Trial:
        """The trial of the firmware as it is."""
        if None in self._known:
            return self._known[None]
        (trial,) = trials(
            self._document, [(None, self._workshop.original())], self._seed, 1, LIMIT_S, on=self._on
        )
        self._keep(trial)
        return trial

    def fates(self, drawn: Iterator[Built], limit_s: float) -> Generator[Fate, None, None]:
        """What comes of each mutant, in the order in which they are done."""
        # What is settled already is told at once, up to the first that has to be tried.
        untried: Iterator[Built] = iter(())
        for built in drawn:
            fate = self._settled(built)
            if fate is None:
                untried = chain([built], drawn)
                break
            yield fate
        mutants: dict[str, Mutant] = {}
        settled: list[Fate] = []

        def tasks() -> Iterator[Task]:
            for built in untried:
                fate = self._settled(built)
                if fate is not None:
                    settled.append(fate)
                else:
                    mutants[built.mutant.name] = built.mutant
                    yield built.mutant.name, built.library

        for trial in trials(self._document, tasks(), self._seed, self._jobs, limit_s, on=self._on):
            while settled:
                yield settled.pop(0)
            self._keep(trial)
            assert trial.fault is not None
            yield Fate(mutants[trial.fault], trial, self.excuses.get(trial.fault))
        yield from settled

    def _settled(self, built: Built) -> Fate | None:
        """What is known of a mutant without trying it."""
        excuse = self.excuses.get(built.mutant.name)
        if excuse is not None and excuse.verdict != "hole":
            return Fate(built.mutant, None, excuse)
        trial = self._known.get(built.mutant.name)
        return Fate(built.mutant, trial, excuse) if trial is not None else None

    def _keep(self, trial: Trial) -> None:
        if self._kept is not None:
            self._kept.add(trial.fault or "", asdict(trial))
