"""Templates in the folder `templates` of a package, read in one way. jinja2 is imported with the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def templates(package: str, *, html: bool = True) -> Environment:
    """Those of a package: lines of statements leave nothing behind, and a name that is not there is an error.

    In HTML whatever is put in is text, never markup; elsewhere it stands as it is, up to the last line end.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package),
        autoescape=html,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=not html,
    )
