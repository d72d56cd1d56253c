"""`wirevow check --for`: one check after the other until a time is over."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.files import Output, write_cases
from wirevow.emu.commands.jobs import Progress, duration
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.emu.checking import Shown
    from wirevow.emu.soak import Soak, Task

UNITS = {"s": 1, "min": 60, "h": 3600, "d": 86400}
SHOWN = 20
"""Causes that are shown; --json has all."""
NAMED = 5
"""Seeds of one cause that are shown."""


def span(context: click.Context, option: click.Parameter, words: str | None) -> float | None:
    """A time such as 30min or 8h, in seconds."""
    if words is None:
        return None
    found = re.fullmatch(r"(\d{1,6}(?:\.\d{1,3})?) ?(s|min|h|d)", words)
    if found is None or not float(found[1]):
        raise click.BadParameter(f"{words!r}: write a number and {', '.join(UNITS)}, such as 8h")
    return float(found[1]) * UNITS[found[2]]


def soak(
    task: Task,
    for_s: float,
    identity: tuple[str, str, str],
    *,
    keep: Path | None,
    cases: Path,
    json_file: Output | None,
    coverage: Output | None,
    until_failure: bool,
    on: str | None,
    agree: Callable[[], None] | None,
    shown: Shown,
) -> int:
    """Do it; the exit status. Whatever ends it, what was found is told, and then that is raised."""
    from wirevow.emu.kept import Kept
    from wirevow.emu.soak import Soak, rounds
    from wirevow.protocol.conformance.verdict import EXIT_CODE, Verdict

    kept = None
    if keep is not None:
        kept = Kept(keep, anew=False, soak=1, document=" ".join(identity), port=task.port)
    found = Soak(kept)
    if found.seeds:
        click.echo(f"wirevow: {keep}: {len(found.seeds)} checks are known from before", err=True)
    progress, began_s = Progress(quiet=False), time.monotonic()

    def tick() -> None:
        left_s = max(0.0, for_s - (time.monotonic() - began_s))
        progress.say(lambda: f"{_counts(found)}; {duration(left_s)} left")

    trouble: WirevowError | KeyboardInterrupt | None = None
    made = rounds(
        task,
        found.fresh(task.seed),
        for_s,
        on=on,
        agree=agree,
        say=lambda text: click.echo(f"wirevow: {text}", err=True),
        shown=shown,
        tick=tick,
        seen=lambda: found.ways,
    )
    try:
        with closing(made):
            for one in made:
                found.add(one)
                tick()
                if until_failure and one.failures:
                    break
    except (WirevowError, KeyboardInterrupt) as ended:
        trouble = ended
    progress.done()
    found.keep_coverage()
    written = []
    if trouble is None or found.seeds:
        _tell(found, identity, task.port, _write_cases(found, identity[0], cases))
        if coverage is not None:
            written.append(coverage.write(found.coverage.tracefile()))
            click.echo(f"{coverage.path}: {found.coverage.told()}")
        if json_file is not None:
            written.append(json_file.write(json.dumps(found.as_json(), indent=1) + "\n"))
    if trouble is not None:
        raise trouble
    return EXIT_CODE[found.verdict] if all(written) else EXIT_CODE[Verdict.ERROR]


def _counts(found: Soak) -> str:
    failures = sum(map(len, found.causes.values()))
    return (
        f"{len(found.seeds)} checks, {found.lines} lines, {len(found.passed)} requirements shown, "
        f"{len(found.visited)} pairs of requirement and state seen, {failures} failures"
    )


def _write_cases(found: Soak, name: str, folder: Path) -> dict[str, str]:
    """Write a case file for each cause's first failure; their paths by the cause."""
    firsts = ((cause, *failures[0]) for cause, failures in found.grouped())
    return write_cases(
        folder, ((cause, f"{name}-{seed}-{each.requirement}", each.case) for cause, seed, each in firsts)
    )


def _tell(found: Soak, identity: tuple[str, str, str], port: str, cases: dict[str, str]) -> None:
    click.echo(f"{identity[0]} {identity[1]} at {port}: {_counts(found)}")
    click.echo(f"  checks: {', '.join(f'{count} {name}' for name, count in sorted(found.verdicts.items()))}")
    for note, count in found.notes.most_common(3):
        click.echo(f"  {count} times: {note}")
    often = sorted(found.grouped(), key=lambda each: -len(each[1]))
    for cause, failures in often[:SHOWN]:
        seeds = [*dict.fromkeys(str(seed) for seed, _ in failures)]
        more = f" and {len(seeds) - NAMED} more" if len(seeds) > NAMED else ""
        first = failures[0][1]
        click.echo(f"\n{len(failures)} times {cause}  (seeds {', '.join(seeds[:NAMED])}{more})")
        click.echo(f"  first     {first.requirement}")
        click.echo(f"  expected  {first.expected or 'nothing'}")
        click.echo(f"  seen      {first.seen}")
        if cause in cases:
            click.echo(f"  case      {cases[cause]}")
    if len(often) > SHOWN:
        click.echo(f"\nand {len(often) - SHOWN} more causes: --json has them")
    click.echo(f"\n{found.verdict}: {identity[0]} {identity[1]}, {len(found.seeds)} checks")
