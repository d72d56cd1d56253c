"""The one-page report of a job: HTML that needs nothing else, and prints on a sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wirevow.protocol.figures import svg_url
from wirevow.protocol.templates import templates

if TYPE_CHECKING:
    from matplotlib.figure import Figure


FOOTER = "Uncertainties are expanded ones, k = 2 unless said otherwise (JCGM 100:2008)."


@dataclass(frozen=True, slots=True)
class Table:
    """One table; with `numbers` all columns but the first are set to the right."""

    title: str
    rows: Sequence[Sequence[str]]
    head: Sequence[str] = ()
    numbers: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """What is on the page, from top to bottom."""

    title: str
    subtitle: str
    verdict: str
    good: bool
    tables: Sequence[Table]
    warnings: Sequence[str] = ()
    notes: Sequence[str] = ()
    picture_text: str = ""
    footer: str = FOOTER


def html(page: Page, figure: Figure | None) -> str:
    """The page as text."""
    picture = None if figure is None else svg_url(figure)
    return templates("wirevow.protocol.jobs").get_template("page.html.j2").render(page=page, picture=picture)
