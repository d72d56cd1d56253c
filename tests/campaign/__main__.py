"""`make campaign`: does the checker cry wolf, and does it sleep?

The clean instrument of every document in spec/ is checked with many seeds and has to pass each time, and is
walked about at random for long; then every named fault is tried with a few seeds and has to be detected.
Documents are drawn at random, and what they say of an instrument is held against itself.
Checks of a real instrument are ended at random moments, and have to leave it as they found it. Sluice's
firmware is checked through its dialect on a simulated chip, as it is and with its own faults. Last come
mutants of the reference firmware's C, of which 95 % have to be detected.

    python -m tests.campaign [SEEDS [EVERY]] [--on ADDRESS]

SEEDS: so many seeds of the clean instrument (200), and a long walk for every fifty. EVERY: of the faults that
the checker is tuned on, one in so many of each kind, with one seed, as few of Sluice's, eight mutants, and
the matrix on a held clock at one port; without it all faults, held out or not, with three seeds, every
mutant that is drawn, and all of the matrix.

Results are kept in build/campaign.jsonl and build/mutants.jsonl: ended early, the campaign goes on there the
next time, as long as neither the documents nor the code have changed. Walks begin with those in build/found
that once went wrong.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from importlib.resources import files
from itertools import groupby, islice
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from scipy import stats

from tests import left
from tests.campaign.documents import GOOD, random_documents, results_of
from tests.campaign.documents import told as told_of_documents
from tests.dialect import chip
from tests.dialect.box import FAULTS, checked, phrasebook
from tests.emu.exchanges import successors
from tests.matrix import Cell, cells, looked_at
from wirevow.emu.audit import Trial, score, trials
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument, fault_named, faults_for
from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.emu.firmware.build import build_library, build_rig, demo_vow, have_simulator
from wirevow.emu.firmware.mutants import score as mutation
from wirevow.emu.firmware.mutants.survey import LIMIT_S, Survey
from wirevow.emu.firmware.mutants.workshop import Workshop
from wirevow.emu.kept import Kept
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.casefile import steps_of
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.search.memory import Memory
from wirevow.protocol.conformance.search.walk import Search
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.plant import PythonPlant
from wirevow.protocol.vow import Vow, compile_vow

STATE = Path("build/campaign.jsonl")
SEEDS = 200
FAULT_SEEDS = 3
PYTHON_SEEDS, PYTHON_EVERY = 50, 20
"""The same where the plant is in Python; the faults themselves are known from the other documents."""
CONFIDENCE = 0.95
FOUND = Path("build/found")
WALK, FEW_LINES = 20_000, 5_000
"""Lines of a long walk: enough that the search has time to strive for what is unseen."""
SEEDS_PER_WALK = 50
MUTANTS = Path("build/mutants.jsonl")
EACH_MUTANT = 2
"""Mutants of each kind from each file."""
FEW_MUTANTS = 8
FEW_PORTS = ("emu",)
"""Where time is virtual the bytes are the same at every port, which is one of the tests."""
REAL = ("wire.*", "state.*", "trip.*", "point.sink.*")
"""Requirements that are looked at where the clock runs, which takes minutes."""

DRAWN, FEW_DRAWN = 300, 12
"""Documents that are drawn; each is simulated as it says, and checked against itself."""

LEFT, FEW_LEFT = 40, 2
"""So many checks of a real instrument, with each profile, are ended at a random moment."""

Task = tuple[str | None, int]


def documents() -> list[Path]:
    """The instruments' documents that come with Wirevow."""
    return sorted(Path(str(path)) for path in files("wirevow.spec").iterdir() if path.name.endswith(".yaml"))


def most_probable_share(alarms: int, checks: int) -> float:
    """Upper bound at 95 % of the share of checks that raise a false alarm, given those that did.

    C. J. Clopper and E. S. Pearson, Biometrika 26(4), 1934, one-sided. Without any alarm it is close to
    3/checks, the rule of three (J. A. Hanley and A. Lippman-Hand, JAMA 249(13), 1983).
    """
    return 1.0 if alarms == checks else float(stats.beta.ppf(CONFIDENCE, alarms + 1, checks - alarms))


def some_faults(vow: Vow, every: int) -> list[str]:
    """One in `every` of the faults of each kind that are not held out, and at least one."""
    known = [fault for fault in faults_for(vow) if not fault.holdout]
    return [fault.name for _, kind in groupby(known, lambda each: each.kind) for fault in list(kind)[::every]]


def tasks_of(vow: Vow, seeds: int, every: int | None) -> list[Task]:
    """Everything to be tried with one document, clean instruments first."""
    if isinstance(vow.document.plant, PythonPlant):  # which is integrated: each takes ten times as long
        seeds, every = min(seeds, PYTHON_SEEDS), PYTHON_EVERY * (1 if every is None else 2)
    clean: list[Task] = [(None, seed) for seed in range(seeds)]
    if every is not None:
        return [*clean, *((name, 0) for name in some_faults(vow, every))]
    faults = [*(fault.name for fault in faults_for(vow)), *successors(vow.identity[0])]
    return [*clean, *((name, seed) for seed in range(FAULT_SEEDS) for name in faults)]


def tried(path: Path, tasks: Sequence[Task], kept: Kept, on: str | None, console: Console) -> list[Trial]:
    """All trials of one document, with a bar on a terminal."""
    columns = (
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        TextColumn("{task.fields[wrong]}"),
    )  # fmt: skip
    results: list[Trial] = []
    wrong = 0
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        shown = bar.add_task(path.name, total=len(tasks), wrong="")
        for trial in trials(path, tasks, on=on, kept=kept):
            results.append(trial)
            wrong += not is_right(trial)
            bar.update(shown, advance=1, wrong=f"{wrong} not as it should be" if wrong else "")
    return results


def walked(name: str, vow: Vow, seeds: int, lines: int) -> Iterator[str]:
    """Walk the clean instrument about for long; what goes wrong, in words."""
    FOUND.mkdir(parents=True, exist_ok=True)
    memory = Memory(FOUND / f"{name}.json", "in process", " ".join(vow.identity))
    for seed in range(-(-seeds // SEEDS_PER_WALK)):
        for recall in (True, False):
            hands = direct_tester(vow, build_instrument(vow, seed=seed), seed=seed, budget=2 * lines)
            hands.acquaint()
            try:
                Search(hands, seed, lines, memory=memory, recall=recall).run()
            except Broken as broken:
                steps = "".join(
                    f"    {step.kind} {step.text}\n" for step in steps_of(broken.steps or [], vow)
                )
                due, seen = broken.judgement.expected, broken.seen
                yield f"  walk {seed}: {broken.judgement.requirement}: due {due}, seen {seen}\n{steps}"


def mutated(console: Console, few: bool, on: str | None) -> list[mutation.Fate]:
    """What comes of mutants of the reference firmware."""
    vow = demo_vow()
    path = next(path for path in documents() if path.stem == vow.identity[0])
    fates: list[mutation.Fate] = []
    with tempfile.TemporaryDirectory(prefix="wirevow-") as folder, console.status("mutants") as shown:
        workshop = Workshop(vow, Path(folder))
        survey = Survey(path, workshop, 0, kept=Kept(MUTANTS, mutants=0), on=on)
        drawn = workshop.drawn(EACH_MUTANT)
        if few:
            unlisted = (built for built in drawn if built.mutant.name not in survey.excuses)
            drawn = islice(unlisted, FEW_MUTANTS)
        with closing(survey.fates(drawn, LIMIT_S)) as made:
            for fate in made:
                fates.append(fate)
                survivors = sum(each.survived for each in fates)
                shown.update(f"mutants: {len(fates)} of {workshop.most(EACH_MUTANT)}, {survivors} survived")
    return fates


def firmware_as_it_is() -> list[str]:
    """What a check accuses the reference firmware of, in a process. The suite leaves out what takes hours."""
    vow = demo_vow()
    with tempfile.TemporaryDirectory(prefix="wirevow-") as folder:
        report = campaign.run(
            direct_tester(vow, FirmwareInstrument(vow, build_library(vow, Path(folder)))), reduce=False
        )
    return [f"{each.requirement}: {each.sent}: {each.seen}" for each in report.failures]


def is_right(trial: Trial) -> bool:
    """A clean instrument passes, a faulty one does not."""
    return trial.outcome == "passed" if trial.fault is None else trial.detected


def told(name: str, results: Sequence[Trial]) -> Iterator[str]:
    """What the trials of one document show."""
    clean = [trial for trial in results if trial.fault is None]
    faulty = [trial for trial in results if trial.fault is not None]
    alarms = [trial for trial in clean if not is_right(trial)]
    if clean:
        bound = most_probable_share(len(alarms), len(clean))
        yield (
            f"{name}: {len(alarms)} false alarms in {len(clean)} checks of the clean instrument "
            f"(so fewer than {bound:.2%} of all seeds give one, at {CONFIDENCE:.0%} confidence)"
        )
    for trial in alarms:
        yield f"  seed {trial.seed}: {trial.outcome} {trial.requirement or ''}: {trial.message}"
    if faulty:
        found = score(faulty)
        yield (
            f"{name}: {found.detected} of {found.faults} faults detected, after {found.median_lines:g} lines "
            f"(median; at most {found.most_lines})"
            if found.median_lines is not None
            else f"{name}: none of {found.faults} faults detected"
        )
    for trial in sorted(faulty, key=lambda each: (each.fault or "", each.seed)):
        if not is_right(trial):
            name = trial.fault or ""
            held_out = " (held out)" if "/" not in name and fault_named(name).holdout else ""
            yield f"  {trial.fault}{held_out}, seed {trial.seed}: {trial.outcome} {trial.message}".rstrip()


def broken(cell: Cell) -> tuple[str, list[str]]:
    """The verdict at one place of the matrix, and what fails; all of it is tried where time is virtual."""
    verdict, troubles, _ = looked_at(cell, () if cell.clock == "held" else REAL)
    return verdict, troubles if verdict not in ("pass", "inconclusive") else []


def on_the_chip(faults: Iterable[int]) -> Iterator[str]:
    """Sluice's firmware on a simulated chip, checked through its dialect: as it is, and with its faults."""
    book = phrasebook()
    with tempfile.TemporaryDirectory(prefix="wirevow-") as name:
        rig = build_rig(Path(name))
        for fault in (0, *faults):
            report = checked(chip.ChipBox(rig, chip.build(Path(name), fault)), book, until_failure=fault > 0)
            if report.verdict is not (Verdict.FAIL if fault else Verdict.PASS):
                yield f"  {FAULTS[fault] if fault else 'as it is'}: {report.verdict} {report.note}"


def not_left(seeds: int) -> Iterator[str]:
    """Checks that did not leave a real instrument as they found it."""
    for seed in range(seeds):
        for profile in left.PROFILES:
            with tempfile.TemporaryDirectory(prefix="wirevow-") as folder:
                troubles = left.troubles(seed, profile, Path(folder))
            if troubles:
                yield f"  {profile}, seed {seed}: {'; '.join(troubles)}"


def main(seeds: int, every: int | None, on: str | None) -> int:
    kept = Kept(STATE, campaign=1)
    if kept.known:
        print(f"campaign: {len(kept.known)} results are known from {STATE}", flush=True)
    console = Console(stderr=True)
    wrong = 0
    for path in documents():
        vow = compile_vow(load_document(path).document)
        begun = time.monotonic()
        results = tried(path, tasks_of(vow, seeds, every), kept, on, console)
        wrong += sum(not is_right(trial) for trial in results)
        for line in told(path.name, results):
            print(line)
        alarms = list(walked(path.stem, vow, seeds, WALK if every is None else FEW_LINES))
        wrong += len(alarms)
        print(f"{path.name}: {len(alarms)} false alarms in long walks", *alarms, sep="\n")
        print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    begun = time.monotonic()
    places = [cell for cell in cells() if every is None or (cell.clock == "held" and cell.port in FEW_PORTS)]
    failing = 0
    for cell in places:
        cell_begun = time.monotonic()
        verdict, troubles = broken(cell)
        failing += len(troubles)
        took_s = time.monotonic() - cell_begun
        print(f"  {cell}: {verdict} ({took_s:.0f} s)", *troubles, sep="\n    ", flush=True)
    wrong += failing
    print(f"{failing} failures of a good tarn at {len(places)} ports, clocks and profiles")
    print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    begun = time.monotonic()
    drawn = list(results_of(random_documents(DRAWN if every is None else FEW_DRAWN, 0), on=on))
    amiss = [each for each in drawn if each.outcome not in GOOD]
    if every is None:  # not all that are drawn pass yet: a taste tells of its own, and fails for none
        wrong += len(amiss)
    print(f"drawn at random: {told_of_documents(drawn)}")
    for each in amiss:
        print(f"  {each.name}: {each.outcome} {each.requirement}: {each.message[:200]}")
    print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    begun = time.monotonic()
    endings = list(not_left(LEFT if every is None else FEW_LEFT))
    wrong += len(endings)
    print(f"{len(endings)} times tarn was not left as it was found:", *endings, sep="\n")
    print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    begun = time.monotonic()
    few = list(FAULTS)[::every]
    missed = list(on_the_chip(few)) if have_simulator() else []
    wrong += len(missed)
    told_of = f"sluice on a chip, as it is and with {len(few)} faults: {len(missed)} wrong"
    print(told_of, *missed, sep="\n")
    print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    begun = time.monotonic()
    if every is None:
        accused = firmware_as_it_is()
        wrong += len(accused)
        print(f"{len(accused)} failures of the reference firmware:", *accused, sep="\n  ")
    fates = mutated(console, every is not None, on)
    share = mutation.score(fates).share
    print("mutants of the reference firmware:", *mutation.told(fates), sep="\n")
    if share is not None and share < mutation.BAR:
        wrong += sum(fate.survived for fate in fates)
        print(f"  fewer than {mutation.BAR:.0%} are detected")
    print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    verdict = f"{wrong} not as it should be, see above" if wrong else "no false alarm, nothing missed"
    print(f"campaign: {verdict}")
    return 1 if wrong else 0


if __name__ == "__main__":
    try:
        parser = argparse.ArgumentParser(
            description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        parser.add_argument("seeds", type=int, nargs="?", default=SEEDS)
        parser.add_argument("every", type=int, nargs="?")
        parser.add_argument("--on", metavar="ADDRESS", help="Of a Dask scheduler.")
        given = parser.parse_args()
        sys.exit(main(given.seeds, given.every, given.on))
    except KeyboardInterrupt:
        print(f"\ncampaign: ended early; the next one goes on from {STATE}.", file=sys.stderr)
        sys.exit(130)
