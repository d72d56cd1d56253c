"""How much is taken from whoever gives us something, and what is said to more.

Every input has a bound, and the error names it. Those of documents are in `document.load`, those of a port in
`conformance.session`, those of a rig on either side of its socket.
"""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

MOST_NUMBER_CHARACTERS = 40
"""Of a number that is given as text."""
MOST_CASE_BYTES = 1024 * 1024
"""Of a case file, and of a file of vectors: a whole check has fewer steps than that holds."""

_NUMBER = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?", re.ASCII)

# General category Cc but for tab and line feed; the explicit directional characters of UAX 9; the separators
# that some terminals and editors take for line ends; halves of a surrogate pair.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


def decimal_of(given: object) -> Decimal:
    """The number that a text or a number gives. ValueError, with the bound, for any other and for what is too
    large to compute with: an exponent of a few digits can stand for more digits than a machine holds."""
    text = str(given)
    if len(text) > MOST_NUMBER_CHARACTERS:
        raise ValueError(f"a number has at most {MOST_NUMBER_CHARACTERS} characters, not {len(text)}")
    if _NUMBER.fullmatch(text) is None:
        raise ValueError("a number is written as 12.5 or 1e-3, its exponent in at most three digits")
    number = Decimal(text)
    if abs(float(number)) == float("inf"):
        raise ValueError("a number is less than 1e308")
    return number


def file_content(path: Path, most: int, what: str) -> bytes:
    """The bytes of a regular file. ValueError, with what to name, if there is none or it is too large.

    `most`: bytes. `what`: what the file should be, for the error.
    """
    unusable = None
    try:
        if path.is_dir():
            unusable = f"this is a directory: name the {what} in it"
        elif path.exists() and not path.is_file():
            # A pipe could hold us up for ever, a device has no end.
            unusable = f"this is not a regular file: name a {what}"
        else:
            with path.open("rb") as file:
                content = file.read(most + 1)
            if len(content) <= most:
                return content
            unusable = f"the file is larger than {most // 1024} kB: a {what} is smaller"
    except FileNotFoundError:
        unusable = "there is no such file: check the name"
    except (OSError, ValueError) as wrong:
        reason = wrong.strerror if isinstance(wrong, OSError) and wrong.strerror else str(wrong)
        unusable = f"the file cannot be read ({reason}): name a readable {what}"
    raise ValueError(unusable)


def unprintable(text: str) -> str | None:
    """The first character that is no text to read, as `U+202E`; None if there is none.

    It is a control character other than a line end or a tab, or changes the direction of text (UAX 9).
    """
    found = _UNPRINTABLE.search(text)
    return None if found is None else f"U+{ord(found[0]):04X}"


def shown(text: str) -> str:
    """The text with such characters written out, so that they steer nothing: `\\x1b`, `\\u202e`."""
    return _UNPRINTABLE.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)
