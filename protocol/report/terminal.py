"""The report on a screen, readable in 80 columns and without colours."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from wirevow.protocol.conformance.casefile import Case, Step
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.report.outcome import Breach, Outcome

MOST_STEPS = 12
"""Steps of an exchange that are shown; its case file has all."""
MOST_BREACHES = 8
"""Failures that are shown in full; the others have a line each."""
MOST_IDS = 6
BAR = 30

COLOURS = {"pass": "green", "inconclusive": "yellow", "fail": "red", "error": "red", "not selected": "dim"}


def show(outcome: Outcome, console: Console, *, brief: bool = False) -> None:
    """Print the report; `brief` leaves out all but failures, what was done to a real box, and verdict."""
    parts = [_failures(outcome)] if brief else [_failures(outcome), _counted(outcome), _rest(outcome)]
    if brief and not outcome.simulated:
        parts.append(_done(outcome))
    for part in chain(*parts, [_verdict(outcome)]):
        console.print(part)


def _counted(outcome: Outcome) -> Iterator[RenderableType]:
    yield _headed("Requirements", _counts(outcome))


def _failures(outcome: Outcome) -> Iterator[RenderableType]:
    broken = list(outcome.by_requirement().values())
    for number, breaches in enumerate(broken[:MOST_BREACHES], start=1):
        yield _headed(f"Failure {number} of {len(broken)}", _breach(breaches))
    rest = broken[MOST_BREACHES:]
    if rest:
        yield _headed("More failures", _pairs((each[0].requirement, _where(each)) for each in rest))


def _rest(outcome: Outcome) -> Iterator[RenderableType]:
    doubtful = outcome.doubtful()
    if doubtful:
        yield _headed("Inconclusive", _groups(doubtful))
    groups = outcome.not_selected()
    if groups:
        yield _headed("Not selected", _groups(groups))
    measured = outcome.measured()
    if measured:
        yield _headed("Measured", _pairs((row.id, row.measured) for row in measured))
    if outcome.replies.greatest_s:
        yield _headed("Reply times", _replies(outcome))
    yield _headed("Coverage by state", _states(outcome))
    if outcome.guarantee:
        yield _headed("State machine", Text(outcome.guarantee))
    if not outcome.simulated:
        yield from _done(outcome)
    yield _headed("Check", _facts(outcome))


def _done(outcome: Outcome) -> Iterator[RenderableType]:
    yield _headed("Done to it", _pairs(outcome.done.pairs()))


def moves(steps: tuple[Step, ...]) -> bool:
    """Whether any time passes in an exchange; on a held clock mostly none does."""
    return any(step.at_s for step in steps)


def _headed(title: str, body: RenderableType) -> RenderableType:
    return Group(Text(title, style="bold"), Padding(body, (0, 0, 1, 2), expand=False))


def _verdict(outcome: Outcome) -> Text:
    total = outcome.total()
    counted = [f"{total[str(verdict)]} {verdict}" for verdict in Verdict if total[str(verdict)]]
    line = Text.assemble(
        (f"{outcome.verdict}", f"bold {COLOURS[outcome.verdict]}"),
        f": {outcome.name} {outcome.version}, {', '.join(reversed(counted))}",
    )
    if outcome.note:
        line.append(f"\nended early: {outcome.note}", style="yellow")
    return line


def _counts(outcome: Outcome) -> Table:
    columns = [verdict for verdict in Verdict if verdict is not Verdict.ERROR]
    columns = [*columns[1:], columns[0]]
    table = _table()
    table.add_column("section")
    for verdict in columns:
        table.add_column(str(verdict), justify="right")
    for section, count in outcome.counts().items():
        cells = []
        for verdict in columns:
            number = count[str(verdict)]
            cells.append(Text(str(number), COLOURS[str(verdict)]) if number else Text("-", "dim"))
        table.add_row(section, *cells)
    return table


def _table() -> Table:
    return Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")


def show_case(case: Case, console: Console) -> None:
    """Print the failure of a case, as a check prints its failures."""
    told = iter((("expected", case.expected or "nothing"), ("seen", case.seen)))
    console.print(_failure(case.requirement, case.written, case.promise, case.steps, told))


def _breach(breaches: list[Breach]) -> RenderableType:
    """The first failure in full; the others of the same requirement by their cases."""
    breach = breaches[0]
    told = chain(_told(breach), (("also", f"{_found(each)}: {_where([each])}") for each in breaches[1:]))
    return _failure(breach.requirement, breach.place, breach.sentence, breach.steps, told)


def _where(breaches: list[Breach]) -> str:
    """Where to look: the case files, or the document."""
    cases = [each.case for each in breaches if each.case is not None]
    return ", ".join(cases) or breaches[0].place


def _failure(
    requirement: str, place: str, promise: str, steps: tuple[Step, ...], told: Iterator[tuple[str, str]]
) -> RenderableType:
    return Group(
        Text.assemble((requirement, "bold red"), f"  {place}"),
        Text(promise),
        Padding(_exchange(steps), (1, 0, 1, 2), expand=False),
        _pairs(told),
    )


def _told(breach: Breach) -> Iterator[tuple[str, str]]:
    yield "expected", breach.expected or "nothing"
    yield "seen", breach.seen
    yield "found", _found(breach)
    if breach.again:
        yield "again", breach.again
    if breach.also:
        ids = [key for key, _ in breach.also]
        more = f" and {len(ids) - MOST_IDS} more" if len(ids) > MOST_IDS else ""
        yield "the same in", f"{', '.join(ids[:MOST_IDS])}{more}"
    if breach.case is not None:
        yield "case", breach.case


def _found(breach: Breach) -> str:
    found = f"after {breach.lines} lines"
    return found if breach.purpose == breach.requirement else f"{found}, trying {breach.purpose}"


def _exchange(steps: tuple[Step, ...]) -> RenderableType:
    shown = steps[-MOST_STEPS:]
    table = Table.grid(padding=(0, 1))
    table.add_column(justify="right", style="dim", no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    if len(steps) > len(shown):
        table.add_row("", "", Text(f"({len(steps) - len(shown)} steps before these)", "dim"))
    timed = moves(steps)
    for step in shown:
        at = f"{step.at_s:.3f}" if timed and step.at_s is not None else ""
        table.add_row(at, Text(step.kind), Text(step.text))
    return table


def _pairs(pairs: Iterator[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", overflow="fold")
    table.add_column(overflow="fold")
    for name, value in pairs:
        table.add_row(Text(name), Text(value))
    return table


def _groups(groups: dict[str, list[str]]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(justify="right")
    table.add_column(overflow="fold")
    for reason, ids in groups.items():
        more = "" if len(ids) <= MOST_IDS else f" and {len(ids) - MOST_IDS} more"
        table.add_row(
            str(len(ids)), Group(Text(reason), Text(f"{', '.join(ids[:MOST_IDS])}{more}", style="dim"))
        )
    return table


def _states(outcome: Outcome) -> Table:
    whole = max(1, len(outcome.rows))
    table = Table.grid(padding=(0, 2))
    table.add_column()
    table.add_column(no_wrap=True)
    table.add_column(justify="right")
    for state in outcome.states:
        filled = -(-BAR * state.requirements // whole)
        bar = Text.assemble(("#" * filled, "green"), ("." * (BAR - filled), "dim"))
        name = f"{state.name} (handles power)" if state.energised else state.name
        table.add_row(name, bar, f"{state.requirements} of {len(outcome.rows)}")
    return table


def _ms(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds >= 1 else f"{seconds * 1e3:.3g} ms"


def _replies(outcome: Outcome) -> RenderableType:
    replies = outcome.replies
    most = max(each.count for each in replies.bins)
    table = Table.grid(padding=(0, 2))
    table.add_column(justify="right")
    table.add_column(no_wrap=True)
    table.add_column(justify="right")
    gap = False
    for index, each in enumerate(replies.bins):
        if not each.count and not any(near.count for near in replies.bins[max(0, index - 1) : index + 2]):
            if not gap:
                table.add_row("...")
            gap = True
            continue
        gap = False
        # A bar for one late reply among thousands has to be seen: lengths go by the logarithm.
        filled = round(BAR * math.log1p(each.count) / math.log1p(most))
        colour = "green" if each.to_s <= outcome.deadline_s else "yellow"
        bar = Text.assemble(("#" * filled, colour), ("." * (BAR - filled), "dim"))
        table.add_row(f"up to {each.to_s * 1e3:g} ms", bar, str(each.count))
    said = (
        f"Half within {_ms(replies.median_s)}, 99 of 100 within {_ms(replies.p99_s)}, all {replies.count}"
        f" within {_ms(replies.greatest_s)}; {_ms(outcome.deadline_s)} allowed."
    )
    if not outcome.held:
        said += (
            " In them is the time of the bytes on the wire, which does not count, and the host's own delays"
            f" (it woke up to {_ms(replies.host_late_s)} late), for which no instrument is failed."
        )
    return Group(table, Text(said))


def _facts(outcome: Outcome) -> Table:
    def facts() -> Iterator[tuple[str, str]]:
        yield "document", f"{outcome.path}: {outcome.name} {outcome.version} {outcome.digest}"
        yield "port", outcome.port
        own = "the port's own" if outcome.rig == outcome.port else outcome.rig
        yield "rig", ("none" if own is None else own) + (", clock held" if outcome.held else "")
        yield "profile", f"{outcome.profile.name}: {outcome.profile.reason}"
        left_out = outcome.dry()
        if left_out:
            many = "1 requirement was" if len(left_out) == 1 else f"{len(left_out)} requirements were"
            yield "", f"so {many} left out, wholly or in part"
        if outcome.simulated:
            yield "done to it", outcome.done.text()
        budget = "" if outcome.budget is None else f" of {outcome.budget} allowed"
        yield "effort", f"{outcome.lines} lines{budget} in {outcome.seconds:.1f} s, seed {outcome.seed}"

    return _pairs(facts())
