"""A document as types: an editor completes its names, and mypy catches a wrong name, word or unit.

    wirevow generate stubs tarn --out tarn_types.py

    from tarn_types import as_tarn
    with wirevow.connect("/dev/ttyUSB0", "tarn") as client:
        tarn = as_tarn(client)
        tarn.sink.mode.put("current")              # mypy knows the words

With `--asyncio` they are the types of a `wirevow.AsyncClient`, whose calls are awaited.

The same document gives the same bytes. Units are literal types: `tarn.input.voltage.unit` is `Literal["V"]`.
"""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable

from wirevow.protocol.client.names import describe_action, describe_point
from wirevow.protocol.vow import PointEntry, Vow

_HEAD = '''"""Types of {name} {version} ({digest}). Written by `wirevow generate stubs`: do not edit."""

from __future__ import annotations

from typing import Any, Literal, Protocol, cast

import wirevow
'''

_WHOLE = """    def read(self, *patterns: str) -> dict[str, float | int | str]: ...

    def sleep(self, seconds: float) -> None: ...

    def close(self) -> None: ...

    def __enter__(self) -> Any: ...

    def __exit__(self, *error: Any) -> None: ...
"""
"""What the whole has besides the document's names; more is in `wirevow.Client`."""


_CALL = re.compile(r"^    def (read|put|record|quantity|sleep|close|__call__)\(", re.MULTILINE)


def stubs(vow: Vow, *, awaited: bool = False) -> str:
    """The module: a protocol for every group, and a function that gives a client its types.

    `awaited`: of a client of asyncio.
    """
    text = _stubs(vow)
    if not awaited:
        return text
    text = _CALL.sub(r"    async def \1(", text)
    text = text.replace("def __enter__", "async def __aenter__").replace(
        "def __exit__", "async def __aexit__"
    )
    return text.replace("wirevow.Client", "wirevow.AsyncClient")


def _stubs(vow: Vow) -> str:
    name, version, digest = vow.identity
    blocks = [_HEAD.format(name=name, version=version, digest=digest)]
    root = _class((name,))
    blocks += _group(vow, (), root)
    blocks.append(
        f"def as_{name}(client: wirevow.Client) -> {root}:\n"
        f'    """The same client, with its types."""\n'
        f"    return cast({root}, client)\n"
    )
    return "\n\n".join(blocks)


def _group(vow: Vow, path: tuple[str, ...], title: str) -> list[str]:
    """The classes of everything below `path`, the innermost first."""
    before: list[str] = []
    body: list[str] = []
    names = [*vow.points, *vow.actions]
    for word in _words(names, path):
        here = (*path, word)
        dotted = ".".join(here)
        if keyword.iskeyword(word):
            continue  # reached as client["..."]
        if dotted in vow.points or dotted in vow.actions:
            leaf = f"{title}{_class((word,))}"
            point = vow.points.get(dotted)
            before.append(_act(vow, dotted, leaf) if point is None else _point(vow, point, leaf))
        else:
            leaf = f"{title}{_class((word,))}"
            before += _group(vow, here, leaf)
        body.append(f"    @property\n    def {word}(self) -> {leaf}: ...\n")
    if not path:
        body.append(_WHOLE)
    return [*before, f"class {title}(Protocol):\n" + "\n".join(body)]


def _words(names: Iterable[str], path: tuple[str, ...]) -> list[str]:
    size = len(path)
    split = (tuple(name.split(".")) for name in names)
    return list(dict.fromkeys(words[size] for words in split if words[:size] == path and len(words) > size))


def _class(words: tuple[str, ...]) -> str:
    return "".join(part.capitalize() for word in words for part in word.split("_"))


def _point(vow: Vow, entry: PointEntry, title: str) -> str:
    if entry.scale is not None:
        kind = "int" if entry.scale.digits == 0 else "float"
        unit = f'Literal["{entry.scale.unit}"]'
    else:
        words = ", ".join(f'"{word}"' for word in entry.choices)
        kind, unit = (f"Literal[{words}]" if words else "str"), "None"
    lines = [
        f"class {title}(Protocol):",
        f'    """{describe_point(vow, entry)}"""',
        "",
        "    name: str",
        f"    unit: {unit}",
        "",
    ]
    if entry.kind == "record":
        lines.append("    def record(self) -> dict[str, Any]: ...")
    else:
        lines.append(f"    def read(self) -> {kind}: ...")
    if entry.settable:
        lines.append(f"    def put(self, value: {kind}) -> {kind}: ...")
    if entry.scale is not None:
        lines.append("    def quantity(self) -> Any: ...")
    return "\n".join(lines) + "\n"


def _act(vow: Vow, name: str, title: str) -> str:
    return (
        f"class {title}(Protocol):\n"
        f'    """{describe_action(vow, vow.actions[name])}"""\n\n'
        "    name: str\n\n"
        "    def __call__(self) -> str | None: ...\n"
    )
