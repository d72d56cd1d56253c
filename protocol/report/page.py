"""The report as one HTML page that needs nothing else: no script, no font, no network.

Its pictures: kinds of requirement by state (`matrix`), what was read in a failure (`trace`), each number's
interval against the promise, the operating points in the plane of voltage and current (`plane`), and the
reply times. These have a bar for each bin, its height by the logarithm of the count, so that one late reply
among thousands is seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from jinja2 import Template

from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.report.matrix import matrix
from wirevow.protocol.report.outcome import Breach, Number, Outcome
from wirevow.protocol.report.plane import plane
from wirevow.protocol.report.since import Kind, Since, head
from wirevow.protocol.report.trace import trace
from wirevow.protocol.templates import templates
from wirevow.protocol.vow import Vow

COLUMNS = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.NONE)

VERDICT_WORDS = {
    str(Verdict.NONE): "none",
    str(Verdict.PASS): "pass",
    str(Verdict.INCONCLUSIVE): "doubt",
    str(Verdict.FAIL): "fail",
    str(Verdict.ERROR): "error",
}
"""Names of verdicts that are fit for style classes."""


NUMBER_PX = 220
NUMBER_SPAN = 2.5
"""An axis reaches so many deviations to either side of what is promised."""


@dataclass(frozen=True, slots=True)
class Interval:
    """The picture of one number: where it was shown to lie, against the promise."""

    number: Number
    start: float
    end: float
    """Of the interval that was shown, or of what was seen of a quantity that is kept within a bound."""
    surely: float
    """Where it ends with the accuracy of what shows it."""
    promised: float
    band: tuple[float, float]
    """What a pass may leave."""
    open: tuple[bool, bool]
    """The interval reaches beyond the picture, below and above."""
    width: int = NUMBER_PX


def interval(number: Number) -> Interval:
    """Lay it out: what has to stay within a bound from zero, else with the promise in the middle."""
    reach = number.deviation or abs(number.promised) or 1.0
    first = (
        min(0.0, number.promised, number.low or 0.0) if number.kept else number.promised - NUMBER_SPAN * reach
    )
    last = number.promised + (2 if number.kept else NUMBER_SPAN) * reach

    def place(value: float) -> float:
        return round(min(max((value - first) / (last - first), 0.0), 1.0) * NUMBER_PX, 1)

    low = first if number.low is None or number.kept else number.low
    high = last if number.high is None else number.high
    seen = ((number.low or 0.0) + high) / 2 if number.kept else high
    floor = first if number.kept else number.promised - number.deviation
    ceiling = number.promised + number.deviation
    return Interval(
        number,
        place(min(low, seen)),
        max(place(max(low, seen)), place(min(low, seen)) + 2),
        place(high),
        place(number.promised),
        (place(floor), place(ceiling)),
        (number.low is None or low < first, number.high is None or high > last),
    )


def interval_words(number: Number) -> str:
    """The interval and the promise in words."""
    unit = f" {number.unit}" if number.unit not in ("", "1") else ""
    low, high = (None if each is None else f"{each:.4g}" for each in (number.low, number.high))
    if number.kept:
        low_end, high_end = number.low or 0.0, number.high or 0.0
        within = f" ± {(high_end - low_end) / 2:.3g}" if high_end > low_end else ""
        return f"at most {(low_end + high_end) / 2:.4g}{within} of {number.promised:.4g}{unit}"
    if low is None and high is None:
        seen = "not bracketed"
    elif high is None:
        seen = f"at least {low}{unit}"
    elif low is None:
        seen = f"at most {high}{unit}"
    else:
        seen = f"between {low} and {high}{unit}"
    return f"{seen}; {number.promised:.4g}{unit} is promised"


def plainly(outcome: Outcome) -> str:
    """The verdict in a sentence."""
    broken, total = outcome.by_requirement(), outcome.total()
    doubtful = total[str(Verdict.INCONCLUSIVE)]
    match outcome.verdict:
        case "pass":
            return "Everything that was tried held."
        case "fail":
            causes = f"; {len(broken)} different failures were found" if len(broken) > 1 else ""
            return f"{_many(total['fail'], 'requirement')} did not hold{causes}."
        case "inconclusive":
            return f"Nothing was seen to fail, but {_many(doubtful, 'requirement')} could not be judged."
        case "error":
            return "The check could not go on; this is no verdict on the instrument."
        case _:
            return "Nothing was tried."


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' if count != 1 else ''}"


REPLIES_PX = 640
REPLIES_HEAD_PX = 78
"""Above the bars: the names of the marks, one below the other."""
REPLIES_BAR_PX = 90
FINE = 14
"""With more bins than this only powers of ten are labelled."""


@dataclass(frozen=True, slots=True)
class Bar:
    """The replies of one bin."""

    x: float
    width: float
    height: float
    count: int
    late: bool
    """They came after the deadline."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A time that means something: its name, place and style class."""

    x: float
    y: int
    name: str
    style: str
    anchor: str


@dataclass(frozen=True, slots=True)
class ReplyPicture:
    """The picture of reply times against the deadline, on a logarithmic axis."""

    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    ticks: tuple[tuple[float, str], ...]
    """Labels of the axis, in milliseconds."""
    width: int = REPLIES_PX
    base: int = REPLIES_HEAD_PX + REPLIES_BAR_PX
    height: int = REPLIES_HEAD_PX + REPLIES_BAR_PX + 34


def reply_picture(outcome: Outcome) -> ReplyPicture | None:
    """Lay out the reply times; None if there are none to show, as on a held clock."""
    replies, deadline_s = outcome.replies, outcome.deadline_s
    if not replies.greatest_s:
        return None
    # A bin begins where the one before ends, which is at least 0.4 of its own end.
    first_s = min(0.4 * replies.bins[0].to_s, 0.1 * deadline_s)
    last_s = max(replies.bins[-1].to_s, 2 * deadline_s)
    scale = REPLIES_PX / math.log(last_s / first_s)

    def place(seconds: float) -> float:
        return round(scale * math.log(min(max(seconds, first_s), last_s) / first_s), 1)

    most = math.log1p(max(each.count for each in replies.bins))
    begins = [0.4 * replies.bins[0].to_s, *(each.to_s for each in replies.bins)]
    bars = tuple(
        Bar(
            place(begin),
            round(place(each.to_s) - place(begin) - 1, 1),
            round(REPLIES_BAR_PX * math.log1p(each.count) / most, 1),
            each.count,
            begin >= deadline_s,
        )
        for begin, each in zip(begins, replies.bins, strict=False)
        if each.count
    )
    named = [
        (replies.median_s, f"half within {_ms(replies.median_s)}", "seen"),
        (replies.p99_s, f"99 of 100 within {_ms(replies.p99_s)}", "seen"),
        (deadline_s, f"{_ms(deadline_s)} allowed", "allowed"),
    ]
    if replies.host_late_s:
        named.append((replies.host_late_s, f"the host itself up to {_ms(replies.host_late_s)} late", "host"))
    marks = tuple(
        Mark(
            place(seconds), 12 + 14 * row, name, style, "start" if place(seconds) < REPLIES_PX / 2 else "end"
        )
        for row, (seconds, name, style) in enumerate(named)
    )
    decades = range(math.floor(math.log10(first_s)), math.ceil(math.log10(last_s)) + 1)
    steps = (1, 2, 5) if len(decades) * 3 <= FINE else (1,)
    ends = [step * 10.0**decade for decade in decades for step in steps]
    ticks = tuple((place(end), f"{end * 1e3:g}") for end in ends if 1.3 * first_s < end < last_s / 1.1)
    return ReplyPicture(bars, marks, ticks)


def _ms(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 1 else f"{seconds * 1e3:.3g} ms"


def place_name(place: str) -> str:
    """FILE:LINE without the folders of the file, for where it is repeated a hundred times."""
    return place.replace("\\", "/").rpartition("/")[2]


def parts(sentence: str) -> list[str]:
    """A sentence in parts, every second of which stood between backquotes."""
    pieces = sentence.split("`")
    return pieces if len(pieces) % 2 else [sentence]


def _template() -> Template:
    environment = templates("wirevow.protocol.report")
    environment.filters["parts"] = parts
    environment.filters["short"] = place_name
    environment.filters["ms"] = _ms
    environment.filters["word"] = VERDICT_WORDS.__getitem__
    environment.filters["interval_words"] = interval_words
    environment.tests["moving"] = lambda steps: any(step.at_s for step in steps)
    return environment.get_template("page.html.j2")


_TEMPLATE = _template()
"""Read before a check begins, so that its end takes no longer than it must."""


def _about(breach: Breach) -> str:
    return " ".join((breach.sentence, breach.expected, breach.seen))


def text(outcome: Outcome, vow: Vow | None = None, since: Since | None = None) -> str:
    """The file. With `vow` it has the plane of voltage and current, with `since` what has changed."""
    not_selected = outcome.not_selected()
    return _TEMPLATE.render(
        o=outcome,
        plainly=plainly(outcome),
        total=outcome.total(),
        verdicts=[str(verdict) for verdict in COLUMNS],
        matrix=matrix(outcome),
        sections=list(outcome.counts()),
        broken=[
            (breaches, trace(breaches[0].steps, _about(breaches[0])))
            for breaches in outcome.by_requirement().values()
        ],
        intervals=[(row, [interval(each) for each in row.numbers]) for row in outcome.rows if row.numbers],
        plane=None if vow is None or not outcome.done.operating else plane(vow, outcome.done.operating),
        since=since,
        changed=[(head(since, kind), since.of(kind)) for kind in Kind if since.of(kind)] if since else [],
        replies=reply_picture(outcome),
        measured=[row for row in outcome.rows if row.measured and not row.numbers],
        doubtful=outcome.doubtful(),
        not_selected=not_selected,
        left_out=outcome.dry(),
        most_steps=40,
    )
