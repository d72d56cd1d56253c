"""One line of a dialect with fields in it, such as `I={value}`: written, read, held against another.

A field stands for the value of a point, for a ticket, or for any text (`{_}`). What it may be is a `Form`, a
regular expression beside the characters that it is made of, so that it can be decided whether two templates
fit one and the same line: the product of their automata is searched for a word (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

_FIELD = re.compile(r"\{([^{}]*)\}")
_PRINTABLE = frozenset(map(chr, range(0x20, 0x7F)))


Automaton = list[list[tuple[frozenset[str], int]]]
"""By state, the first being 0 and the last the end: characters, and the state that each of them leads to."""


class TemplateError(ValueError):
    """What is wrong with a template, and what to write."""


@dataclass(frozen=True, slots=True)
class Form:
    """What may stand in a field: one of `words`, or any run of `characters` that `pattern` matches."""

    pattern: str
    words: tuple[str, ...] = ()
    characters: frozenset[str] = frozenset()
    empty: bool = False


NUMBER = Form(r"[-+]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})", characters=frozenset("0123456789+-."))
TICKET = Form(r"[0-9a-f]{4}", characters=frozenset("0123456789abcdef"))
ANYTHING = Form(r"[ -~]*", characters=_PRINTABLE, empty=True)
TEXT = Form(r"[!-~](?:[ -~]*[!-~])?", characters=_PRINTABLE)


def words_form(words: tuple[str, ...]) -> Form:
    """One of these words."""
    longest_first = sorted(words, key=len, reverse=True)
    return Form("|".join(map(re.escape, longest_first)), words)


class Template:
    """A line of the firmware, its line end not included. `form` says of each field's name what it may be.

    TemplateError if it is none, or if `form` raises it.
    """

    def __init__(self, text: str, form: Callable[[str], Form]) -> None:
        self.text = text
        bare = _FIELD.sub("", text)
        if "{" in bare or "}" in bare:
            raise TemplateError(f"{text!r}: a brace begins or ends a field: write {{value}} or {{_}}")
        if not text or not _PRINTABLE.issuperset(text):
            raise TemplateError(f"{text!r}: a template is a line of printable ASCII, without its line end")
        pieces = _FIELD.split(text)
        self._parts: list[str | tuple[str, Form]] = []
        for index, piece in enumerate(pieces):
            self._parts.append((piece, form(piece)) if index % 2 else piece)
        self.fields = tuple(part[0] for part in self._parts if isinstance(part, tuple))
        for name in self.fields:
            if name != "_" and self.fields.count(name) > 1:
                raise TemplateError(f"{text!r}: {{{name}}} stands in it twice; write it once")

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        shown = [re.escape(part) if isinstance(part, str) else f"({part[1].pattern})" for part in self._parts]
        return re.compile("".join(shown))

    def read(self, line: str) -> dict[str, str] | None:
        """The texts of the fields, if the line fits."""
        match = self._pattern.fullmatch(line)
        return None if match is None else dict(zip(self.fields, match.groups(), strict=True))

    def written(self, values: Mapping[str, str]) -> str:
        """The line with these texts in its fields; nothing where any text may stand."""
        return "".join(part if isinstance(part, str) else values.get(part[0], "") for part in self._parts)

    def shares_with(self, other: Template) -> bool:
        """Whether some line fits both."""
        mine, yours = self._automaton(), other._automaton()
        seen, open_ = {(0, 0)}, [(0, 0)]
        while open_:
            one, two = open_.pop()
            if one == len(mine) - 1 and two == len(yours) - 1:
                return True
            for characters, to in mine[one]:
                for others, to_other in yours[two]:
                    if characters & others and (to, to_other) not in seen:
                        seen.add((to, to_other))
                        open_.append((to, to_other))
        return False

    def _automaton(self) -> Automaton:
        steps: Automaton = [[]]

        def follow(text: str, begin: int, end: int | None) -> int:
            for index, character in enumerate(text):
                if end is not None and index == len(text) - 1:
                    steps[begin].append((frozenset(character), end))
                    return end
                steps.append([])
                steps[begin].append((frozenset(character), len(steps) - 1))
                begin = len(steps) - 1
            return begin

        at = 0
        for part in self._parts:
            if isinstance(part, str):
                at = follow(part, at, None)
                continue
            form = part[1]
            steps.append([])
            end = len(steps) - 1
            if form.words:
                for word in form.words:
                    follow(word, at, end)
            else:
                steps[at].append((form.characters, end))
                steps[end].append((form.characters, end))
                if form.empty:
                    steps[at].append((frozenset(), end))  # taken without a character
            at = end
        return _closed(steps, at)


def _closed(steps: Automaton, end: int) -> Automaton:
    """The automaton without empty steps, its end moved to the last place."""
    reached: list[list[int]] = []
    for state in range(len(steps)):
        found, open_ = [state], [state]
        while open_:
            for characters, to in steps[open_.pop()]:
                if not characters and to not in found:
                    found.append(to)
                    open_.append(to)
        reached.append(found)
    last = len(steps)
    closed: Automaton = []
    for found in reached:
        out = [(characters, to) for state in found for characters, to in steps[state] if characters]
        closed.append(out + [(characters, last) for characters, to in out if end in reached[to]])
    return [*closed, []]
