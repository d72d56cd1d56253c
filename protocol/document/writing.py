"""Plain data as the YAML of a document, one line for each entry."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

_BARE = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*")
_NOT_WORDS = frozenset(("null", "true", "false"))


def text_of(data: Any) -> str:
    """The document as YAML, one line for each entry; what `read_document` reads as the same data."""
    return "".join(_lines(data, 0)) if isinstance(data, Mapping) and data else f"{_flow(data)}\n"


def _lines(members: Mapping[str, Any], depth: int) -> Iterator[str]:
    for key, value in members.items():
        head = f"{'  ' * depth}{_scalar(key)}:"
        if isinstance(value, Mapping) and value and depth < 2:
            yield f"{head}\n"
            yield from _lines(value, depth + 1)
        elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
            yield f"{head}\n"
            yield from (f"{'  ' * depth}- {_flow(item)}\n" for item in value)
        else:
            yield f"{head} {_flow(value)}\n"


def _flow(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_scalar(key)}: {_flow(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return f"[{', '.join(map(_flow, value))}]"
    return _scalar(value)


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value if _BARE.fullmatch(value) and value not in _NOT_WORDS else json.dumps(value)
    return format(value, "f") if isinstance(value, Decimal) else str(value)
