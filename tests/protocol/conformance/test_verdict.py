"""Verdict overwriting, against the table of the standard."""

from __future__ import annotations

from itertools import product

import pytest

from wirevow.protocol.conformance.verdict import EXIT_CODE, Verdict

# ETSI ES 201 873-1 (TTCN-3 core language), "Verdict values and overwriting rules": rows are the verdict so
# far, columns the one that comes in (from memory). `error` is the test system's own and overwrites all.
NAMES = ("none", "pass", "inconc", "fail", "error")
OVERWRITTEN = {
    "none": ("none", "pass", "inconc", "fail", "error"),
    "pass": ("pass", "pass", "inconc", "fail", "error"),
    "inconc": ("inconc", "inconc", "inconc", "fail", "error"),
    "fail": ("fail", "fail", "fail", "fail", "error"),
    "error": ("error", "error", "error", "error", "error"),
}
OURS = dict(zip(NAMES, Verdict, strict=True))


@pytest.mark.parametrize(("before", "new"), list(product(NAMES, NAMES)))
def test_a_verdict_is_overwritten_as_the_standard_says(before: str, new: str) -> None:
    assert OURS[before].overwritten(OURS[new]) is OURS[OVERWRITTEN[before][NAMES.index(new)]]


def test_the_words_are_those_of_reports() -> None:
    assert [str(verdict) for verdict in Verdict] == ["not selected", "pass", "inconclusive", "fail", "error"]


def test_only_a_pass_ends_with_status_0() -> None:
    assert [verdict for verdict in Verdict if EXIT_CODE[verdict] == 0] == [Verdict.PASS]
    assert EXIT_CODE[Verdict.FAIL] == 1
    assert EXIT_CODE[Verdict.ERROR] == 2
    assert EXIT_CODE[Verdict.INCONCLUSIVE] == 3
