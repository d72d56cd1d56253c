"""The report as one HTML page that needs nothing else: no script, no font, no network.

The picture of what was looked at has a column for each requirement and a lane for each state.
"""

from __future__ import annotations

from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from protocol.conformance.verdict import Verdict
from protocol.report.outcome import Outcome, Row

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


def parts(sentence: str) -> list[str]:
    """A sentence in parts, every second of which stood between backquotes."""
    pieces = sentence.split("`")
    return pieces if len(pieces) % 2 else [sentence]


def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("protocol.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["parts"] = parts
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
        doubtful=[row for row in outcome.rows if row.verdict == str(Verdict.INCONCLUSIVE)],
        not_selected=outcome.not_selected(),
        left_out=outcome.dry(),
        most_steps=40,
    )
