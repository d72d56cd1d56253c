"""`wirevow check`: hold the instrument at a port to its document."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import click

from wirevow.emu.commands.consent import allowing, before_changes, consented, within_envelope
from wirevow.emu.commands.files import Output, prove, write_cases
from wirevow.emu.commands.machines import on_machines
from wirevow.emu.commands.soak import span

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress

    from wirevow.protocol.conformance.campaign import Finding, Progress, Report
    from wirevow.protocol.conformance.envelope import Envelope
    from wirevow.protocol.conformance.plan import Plan
    from wirevow.protocol.report.outcome import Outcome
    from wirevow.protocol.report.past import Past
    from wirevow.protocol.report.since import Since
    from wirevow.protocol.vow import Vow

CASES = "cases"
"""Folder of case files, beside the first report file that was asked for, else in the current folder."""
Text: TypeAlias = "Callable[[Outcome, Since | None], str]"
"""Of an outcome, and what has changed since an earlier one if that was asked for."""


@click.command("check")
@click.argument("doc")
@click.argument("port")
@click.option("--rig", metavar="ENDPOINT", help="Hands on the bench: tcp:HOST:PORT#SECRET, or SCHEME:REST.")
@click.option("--json", "json_file", metavar="F", help="Write the report as JSON.")
@click.option("--junit", "junit_file", metavar="F", help="Write it as JUnit XML.")
@click.option("--html", "html_file", metavar="F", help="Write it as one HTML page.")
@click.option("--seed", metavar="N", type=int, default=0, show_default=True, help="Of everything chosen.")
@click.option("--dialect", "dialect_file", metavar="F", help="What the firmware at PORT speaks instead.")
@within_envelope
@allowing
@click.option(
    "--budget",
    metavar="LINES",
    type=click.IntRange(min=1),
    help="Send at most so many lines; a check cut short is inconclusive.",
)
@click.option(
    "--memory", "memory_file", metavar="F", help="Try first what failed here before; it is kept in this file."
)
@click.option(
    "--extra-states",
    metavar="K",
    type=click.IntRange(0, 2),
    default=0,
    show_default=True,
    help="Find faults in states that only K inputs more lead to; says first how long it takes.",
)
@click.option(
    "--only",
    metavar="PATTERN",
    multiple=True,
    help="Look only at requirements named so, such as 'trip.*'; may be given again.",
)
@click.option(
    "--since",
    "since_file",
    metavar="REPORT",
    help="Say what has changed since that report, which --json wrote.",
)
@click.option(
    "--for",
    "for_s",
    metavar="TIME",
    callback=span,
    help="Go on with one check after the other, each with a fresh seed, for so long: 30min, 8h.",
)
@click.option(
    "--keep",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="With --for: keep what is seen and found in FILE, and go on from there.",
)
@click.option(
    "--coverage",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="With --for and emu://DOC?firmware=...: write which lines of its C were reached, as a tracefile "
    "(geninfo(1); its counts are of checks), and strive for the branches that were not.",
)
@click.option("--until-failure", is_flag=True, help="With --for: end with the first check that fails.")
@on_machines
def command(
    doc: str,
    port: str,
    rig: str | None,
    json_file: str | None,
    junit_file: str | None,
    html_file: str | None,
    seed: int,
    dialect_file: str | None,
    envelope_file: str | None,
    yes: bool,
    budget: int | None,
    memory_file: str | None,
    extra_states: int,
    only: tuple[str, ...],
    allow: tuple[str, ...],
    since_file: str | None,
    for_s: float | None,
    keep: str | None,
    coverage: str | None,
    until_failure: bool,
    on: str | None,
) -> int:
    """Hold the instrument at PORT to every requirement of DOC.

    Nothing is energised (the dry profile) unless a rig says that the instrument is simulated, or an envelope
    says how far a real one may go. Nor is a real one saved to, booted or switched unless --allow says so, as
    in `--allow store --allow boot=20`. Before anything of a real one is changed, what will be done is shown
    with the cautions, and you are asked; in scripts --yes says so. Every failure becomes a case file that
    `wirevow replay` shows again. Status 0: pass, 1: fail, 2: usage or port error, 3: inconclusive; --since
    does not change it: `wirevow history` has a status for what has become worse.

    With --for it goes on for long, on all cores with a simulated instrument: long searches, the supply cut at
    any moment of a save, and failures grouped by what differs. What is begun when the time is over is
    finished. At a real instrument nothing is energised, and --allow is for all checks together.

    \b
    Example:  wirevow check tarn emu://tarn
              wirevow check tarn emu://tarn --since report.json --json report.json
              wirevow check mine.yaml /dev/ttyUSB0 --allow store --allow boot=20
              wirevow check tarn emu://tarn --for 2s --keep soak.jsonl
              wirevow check sluice "emu://sluice?dialect=sluice" --dialect sluice
    """
    from wirevow.emu import checking
    from wirevow.emu.loading import sound, spoken
    from wirevow.protocol.conformance.plan import ceilings_of, plan_of
    from wirevow.protocol.conformance.search.group import Searches
    from wirevow.protocol.conformance.search.memory import Memory
    from wirevow.protocol.conformance.selection import selected
    from wirevow.protocol.conformance.verdict import EXIT_CODE, Verdict
    from wirevow.protocol.document.requirements import requirement_ids
    from wirevow.protocol.report import terminal  # noqa: F401  (the end must not have to wait for it)
    from wirevow.protocol.vow import compile_vow

    if for_s is None and (keep or coverage or until_failure or on):
        raise click.UsageError(
            "--keep, --coverage, --until-failure and --on are for checks that go on: add --for TIME"
        )
    if coverage is not None and not (port.startswith("emu://") and "firmware=" in port):
        raise click.UsageError("--coverage is of firmware that is simulated: emu://tarn?firmware=chip, say")
    if for_s is not None:
        given = (envelope_file, budget, memory_file, extra_states, since_file, junit_file, html_file)
        if any(given):
            goes = "--rig, --dialect, --seed, --only, --allow, --yes and --json"
            raise click.UsageError(f"--for goes with {goes}: leave the rest out")
        if on is not None and not port.startswith("emu://"):
            raise click.UsageError("--on is for simulated instruments (emu://): leave it out")
    loaded = sound(doc)
    whole = compile_vow(loaded.document)
    book, vow = spoken(dialect_file, whole)
    memory = None if memory_file is None else Memory(Path(memory_file), port, " ".join(vow.identity))
    past = None if since_file is None else _past(since_file, vow.document.vow.name)
    progress = Bar()

    def plan(within: Envelope | None = None) -> Plan:
        count = len(selected(sorted(requirement_ids(vow.document)), only)) if only else None
        ceilings = ceilings_of(vow, within, allow)
        return plan_of(
            vow, envelope=within, ceilings=ceilings, budget=budget, requirements=count, for_s=for_s
        )

    envelope = None if envelope_file is None else consented(envelope_file, vow, yes, plan)
    agree = None if yes or envelope is not None else before_changes(plan, progress.paused)
    reports = _reports(whole, json_file, junit_file, html_file)
    folder = reports[0][0].path.parent if reports else Path()
    traced = None if coverage is None else Output("--coverage", Path(coverage))
    prove(loaded.name, [*(output for output, _ in reports), *([] if traced is None else [traced])])
    if for_s is not None:
        from wirevow.emu.commands.soak import soak
        from wirevow.emu.soak import Task

        return soak(
            Task(
                os.path.realpath(loaded.name), port, seed, rig, dialect_file, only, allow, traced is not None
            ),
            for_s,
            vow.identity,
            keep=None if keep is None else Path(keep),
            cases=folder / CASES,
            json_file=reports[0][0] if reports else None,  # no other report goes with --for
            coverage=traced,
            until_failure=until_failure,
            on=on,
            agree=agree,
            shown=progress.shown,
        )
    ended = checking.run(
        loaded,
        vow,
        port,
        rig=rig,
        seed=seed,
        envelope=envelope,
        budget=budget,
        extra_states=extra_states,
        only=only,
        allow=allow,
        book=book,
        searches=Searches(memory=memory),
        say=lambda text: click.echo(f"wirevow: {text}", err=True),
        agree=agree,
        shown=progress.shown,
        kept=lambda report: _write_cases(report, folder / CASES),
    )
    changed = None if past is None else _since(past, ended.outcome)
    written = [output.write(text(ended.outcome, changed)) for output, text in reports]
    if ended.outcome.lines:
        _show(ended.outcome, brief=isinstance(ended.trouble, KeyboardInterrupt))
        if changed is not None:
            _tell_since(changed)
    if ended.trouble is not None:
        raise ended.trouble
    return EXIT_CODE[ended.verdict] if all(written) else EXIT_CODE[Verdict.ERROR]


# ------------------------------------------------------------------------------------------------- files


def _reports(
    vow: Vow, json_file: str | None, junit_file: str | None, html_file: str | None
) -> list[tuple[Output, Text]]:
    """The report files that were asked for, each with what makes its text."""
    # Imported before the check, so that its end takes no longer than it must.
    reports: list[tuple[Output, Text]] = []
    if json_file is not None:
        from wirevow.protocol.report import document as json_report

        reports.append((Output("--json", Path(json_file)), json_report.text))
    if junit_file is not None:
        from wirevow.protocol.report import junit

        reports.append((Output("--junit", Path(junit_file)), lambda outcome, _: junit.text(outcome)))
    if html_file is not None:
        from wirevow.protocol.report import page

        reports.append(
            (Output("--html", Path(html_file)), lambda outcome, since: page.text(outcome, vow, since))
        )
    return reports


def _past(file: str, instrument: str) -> Past:
    """The earlier report, read before the check: its file may be the one that the new report goes to."""
    from wirevow.protocol.report.past import must_be_of, read_past

    path = Path(file)
    past = read_past(path)
    must_be_of(past, path, instrument)
    return past


def _write_cases(report: Report, folder: Path) -> dict[int, str]:
    """Write a case file for each failure; their paths by the failure's index."""
    prefix = f"{report.vow_name}-{report.seed}"
    return write_cases(
        folder,
        (
            (index, f"{prefix}-{each.requirement}", each.case.text())
            for index, each in enumerate(report.failures)
        ),
    )


# ------------------------------------------------------------------------------------------------- screen


def _show(outcome: Outcome, brief: bool) -> None:
    from wirevow.emu.screen import console
    from wirevow.protocol.report import terminal

    terminal.show(outcome, console(), brief=brief)


def _since(past: Past, outcome: Outcome) -> Since:
    from wirevow.protocol.report.document import text
    from wirevow.protocol.report.past import past_of
    from wirevow.protocol.report.since import since

    return since(past, past_of(text(outcome), "this check"))


def _tell_since(changed: Since) -> None:
    from wirevow.protocol.report.since import lines

    for line in lines(changed):
        click.echo(line)


class Bar:
    """How far the check is, and how long it may still take: a bar on a terminal, else a line now and then."""

    def __init__(self) -> None:
        self._bar: RichProgress | None = None

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Inside the block the terminal is free for a question."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        yield
        self._bar.start()

    @contextmanager
    def shown(self, report: Report) -> Iterator[Progress | None]:
        """Shown while the block runs."""
        left = _Left()
        if not sys.stderr.isatty():
            from wirevow.emu.commands.jobs import Progress as Lines

            lines = Lines(quiet=False)

            def tell(done: int, whole: int, finding: Finding) -> None:
                failed = f"{len(report.failures)} failed" if report.failures else ""
                parts = (f"{done} of {whole} tried", failed, left.text(done, whole))
                lines.say(lambda: f"{', '.join(filter(None, parts))}, now {finding.requirement.id}")

            yield tell
            return
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
        from rich.progress import Progress as RichProgress
        from rich.table import Column

        from wirevow.emu.screen import console

        one_line = Column(no_wrap=True, overflow="ellipsis")
        columns = (
            BarColumn(bar_width=20),
            MofNCompleteColumn(),
            TextColumn("{task.fields[left]}"),
            TextColumn("{task.fields[failures]}"),
            TextColumn("{task.description}", markup=False, table_column=one_line),
        )
        with RichProgress(*columns, console=console(stderr=True), transient=True) as bar:
            task = bar.add_task("getting acquainted", total=None, failures="", left="")
            self._bar = bar

            def show(done: int, whole: int, finding: Finding) -> None:
                broken = len(report.failures)
                failures = f"[red]{broken} failed[/red]" if broken else ""
                bar.update(
                    task, completed=done, total=whole, left=left.text(done, whole),
                    description=finding.requirement.id, failures=failures,
                )  # fmt: skip

            yield show


class _Left:
    """How long a check may still take, if what is left takes as long as what was done."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()

    def text(self, done: int, whole: int) -> str:
        from wirevow.emu.commands.jobs import duration

        if not 0 < done < whole:
            return ""
        return f"about {duration((time.monotonic() - self._began_s) * (whole - done) / done)} left"
