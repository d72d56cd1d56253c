"""Names that one slip or one damaged letter would turn into each other.

A host that types or a noisy line that flips a letter must not reach another point, another action, or
another choice of the same point: all of these would be answered `ok`. Two names are too close when one
letter is changed, added or left out, or two neighbours are swapped (distance 1 of Damerau, Communications of
the ACM 7, 1964, restricted to one edit). Names that differ in a digit only (`cell1`, `cell2`) are allowed,
since people number things, but they are told: checks are the only protection there.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations

from wirevow.protocol.document.vet.survey import Survey, Where


def check(survey: Survey) -> None:
    """Every rule about names."""
    document = survey.document
    spoken: list[tuple[Where, str]] = [(("points", name), name) for name in document.points]
    for name in document.actions:
        if name in document.points:
            survey.report("name-twice", ("actions", name), f"{name} is a point too", "rename one of them")
        else:
            spoken.append((("actions", name), name))
    _apart(survey, spoken)
    for name, point in document.points.items():
        choices = point.choice or []
        _apart(survey, [(("points", name, "choice", index), word) for index, word in enumerate(choices)])


def _apart(survey: Survey, spoken: Iterable[tuple[Where, str]]) -> None:
    for (_, first), (where, second) in combinations(spoken, 2):
        if first == second:
            survey.report("name-twice", where, f"{second} is here twice", "remove one of them")
        elif close(first, second):
            if _without_digits(first) == _without_digits(second):
                if where not in survey.marks:
                    continue  # a row: its number is what `many` asks for
                survey.report(
                    "names-number",
                    where,
                    f"{second} and {first} differ in a digit only",
                    "use words if you can, and let hosts use checks",
                )
            else:
                survey.report(
                    "names-close", where, f"{second} and {first} are one letter apart", "rename one of them"
                )


def close(first: str, second: str) -> bool:
    """Whether one edit (change, addition, loss, swap of neighbours) makes one of the other."""
    if abs(len(first) - len(second)) > 1:
        return False
    start = 0
    while start < min(len(first), len(second)) and first[start] == second[start]:
        start += 1
    rest, other = first[start:], second[start:]
    if len(first) == len(second):
        return rest[1:] == other[1:] or (rest[:2] == other[:2][::-1] and rest[2:] == other[2:])
    return rest[1:] == other if len(rest) > len(other) else rest == other[1:]


def _without_digits(name: str) -> str:
    return "".join(letter for letter in name if not letter.isdigit())
