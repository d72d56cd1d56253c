"""Lists of words that share what they have in common."""

from __future__ import annotations

from collections.abc import Sequence


class Pool:
    """Words one after another; a run of words that is there already is shared."""

    def __init__(self) -> None:
        self._words: list[str] = []

    def run(self, words: Sequence[str]) -> int:
        """The number of the first of these words in this order."""
        for start in range(len(self._words) - len(words) + 1):
            if self._words[start : start + len(words)] == list(words):
                return start
        start = len(self._words)
        self._words += words
        return start

    @property
    def words(self) -> tuple[str, ...]:
        """All words, in order."""
        return tuple(self._words)
