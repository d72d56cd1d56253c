"""The report as one HTML page that needs nothing else: no script, no font, no network.

The picture of what was looked at has a column for each requirement and a lane for each state. That of reply
times has a bar for each bin, its height by the logarithm of the count, so that one late reply among thousands
is seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from jinja2 import Template

from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.report.outcome import Outcome, Row
from wirevow.protocol.templates import templates

LABEL_PX = 112
PITCH_PX = 6
"""From one requirement to the next."""
LANE_PX = 11
GAP_PX = 14
"""Between two sections in one band."""
WIDTH_PX = 960
HEAD_PX = 30
"""Above the lanes: the section's name and the verdicts."""
FOOT_PX = 14

COLUMNS = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.NONE)

VERDICT_WORDS = {
    str(Verdict.NONE): "none",
    str(Verdict.PASS): "pass",
    str(Verdict.INCONCLUSIVE): "doubt",
    str(Verdict.FAIL): "fail",
    str(Verdict.ERROR): "error",
}
"""Names of verdicts that are fit for style classes."""


@dataclass(frozen=True, slots=True)
class Column:
    """One requirement in the picture; `lanes` are the y of the states it was looked at in."""

    row: Row
    x: int
    lanes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Band:
    """A strip of the picture, as wide as the page."""

    top: int
    labels: tuple[tuple[int, str], ...]
    """Where a section begins, and its name."""
    columns: tuple[Column, ...]

    @property
    def end(self) -> int:
        """Where its last column ends."""
        return self.columns[-1].x + PITCH_PX


@dataclass(frozen=True, slots=True)
class Picture:
    """The picture of requirements and states."""

    bands: tuple[Band, ...]
    lanes: tuple[str, ...]
    height: int
    width: int = WIDTH_PX
    label: int = LABEL_PX
    head: int = HEAD_PX
    lane: int = LANE_PX
    column: int = PITCH_PX - 1


def picture(outcome: Outcome) -> Picture:
    """Lay out the columns in bands; a section goes on in the next band where one is full."""
    lanes = {state.name: HEAD_PX + LANE_PX * index for index, state in enumerate(outcome.states)}
    band_px = HEAD_PX + LANE_PX * len(lanes) + FOOT_PX
    bands: list[Band] = []
    columns: list[Column] = []
    labels: list[tuple[int, str]] = []
    section = ""
    x = LABEL_PX

    def finish() -> None:
        bands.append(Band(band_px * len(bands), tuple(labels), tuple(columns)))
        labels.clear()
        columns.clear()

    for row in outcome.rows:
        begins = row.section != section
        if begins and columns:
            x += GAP_PX
            if labels:
                # Names are about 7 px a letter wide; none may cover the next.
                x = max(x, labels[-1][0] + 7 * len(labels[-1][1]) + GAP_PX)
        if x + PITCH_PX > WIDTH_PX:
            finish()
            x = LABEL_PX
        if begins or not columns:
            labels.append((x, row.section if begins else f"{row.section}, continued"))
        section = row.section
        columns.append(Column(row, x, tuple(lanes[state] for state in row.states)))
        x += PITCH_PX
    if columns:
        finish()
    return Picture(tuple(bands), tuple(lanes), band_px * len(bands))


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
    environment.tests["moving"] = lambda steps: any(step.at_s for step in steps)
    return environment.get_template("page.html.j2")


_TEMPLATE = _template()
"""Read before a check begins, so that its end takes no longer than it must."""


def text(outcome: Outcome) -> str:
    """The file."""
    return _TEMPLATE.render(
        o=outcome,
        counts=outcome.counts(),
        total=outcome.total(),
        verdicts=[str(verdict) for verdict in COLUMNS],
        picture=picture(outcome),
        broken=list(outcome.by_requirement().values()),
        replies=reply_picture(outcome),
        measured=outcome.measured(),
        doubtful=[row for row in outcome.rows if row.verdict == str(Verdict.INCONCLUSIVE)],
        not_selected=outcome.not_selected(),
        left_out=outcome.dry(),
        most_steps=40,
    )
