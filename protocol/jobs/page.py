"""The one-page report of a job: HTML that needs nothing else, and prints on a sheet."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from wirevow.protocol.errors import WirevowError

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
    from jinja2 import Environment, PackageLoader, StrictUndefined

    picture = None
    if figure is not None:
        stream = io.BytesIO()
        figure.savefig(stream, format="svg", metadata={"Date": None})
        picture = base64.b64encode(stream.getvalue()).decode("ascii")
    environment = Environment(
        loader=PackageLoader("wirevow.protocol.jobs"), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("page.html.j2").render(page=page, picture=picture)


def write(file: Path, text: str) -> None:
    """Write a result, all of it or nothing. Raises WirevowError."""
    begun = file.with_name(f"{file.name}.part")
    try:
        begun.write_text(text, "utf-8")
        begun.replace(file)
    except OSError as error:
        with suppress(OSError):
            begun.unlink(missing_ok=True)
        raise WirevowError(
            f"{file}: it cannot be written ({error.strerror}): make room, or name another place"
        ) from None
