"""Words in flash: each begins with its length, so that a reader hops over what it does not look for."""

from __future__ import annotations

from collections.abc import Sequence


class Pool:
    """Words one after another; a run of words that is there already is shared."""

    def __init__(self) -> None:
        self._words: list[str] = []

    def run(self, words: Sequence[str]) -> int:
        """Offset in bytes of these words in this order."""
        for start in range(len(self._words) - len(words) + 1):
            if self._words[start : start + len(words)] == list(words):
                return self._size(start)
        start = len(self._words)
        self._words += words
        return self._size(start)

    def _size(self, words: int) -> int:
        return sum(len(word) + 1 for word in self._words[:words])

    @property
    def words(self) -> tuple[str, ...]:
        """All words, in order."""
        return tuple(self._words)

    @property
    def size(self) -> int:
        """Bytes, the lengths counted."""
        return self._size(len(self._words))


def literal(word: str) -> str:
    r"""A word with its length as C string literals, such as `"\005" "level"`."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"')
    return f'"\\{len(word):03o}" "{escaped}"'
