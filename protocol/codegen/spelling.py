"""Words in flash, spelled with symbols: characters, and those that stand for two characters.

A document's names and words repeat each other's pieces. Each round gives the pair of neighbouring characters
that is found most often a symbol of its own, until a pair saves no more than it costs (digram coding). The
last symbol of a word carries `LAST`, so no word has a length in front; the first is always a character, for
most words are told apart by that alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise

LAST = 128
"""Added to the last symbol of a word."""
EMPTY = 255
"""All there is of a word without characters."""


class Spelling:
    """The symbols for some words: a pair's symbol is its place in `pairs`, a character's its code."""

    def __init__(self, words: Iterable[str]) -> None:
        spelled = [[ord(character) for character in word] for word in words]
        self.pairs: list[tuple[int, int]] = []
        # The symbols of pairs lie below those of all characters.
        characters = min((symbol for word in spelled for symbol in word), default=0)
        while len(self.pairs) < characters:
            found = Counter(
                pair for word in spelled for pair in pairwise(word[1:]) if min(pair) >= characters
            )
            pair = max(found, key=lambda each: (found[each], each), default=(0, 0))
            if found[pair] <= 2:
                break
            for word in spelled:
                _join(word, pair, len(self.pairs))
            self.pairs.append(pair)

    def spell(self, word: str) -> tuple[int, ...]:
        """The bytes of a word, its last marked."""
        symbols = [ord(character) for character in word]
        for symbol, pair in enumerate(self.pairs):
            _join(symbols, pair, symbol)
        return (*symbols[:-1], symbols[-1] + LAST) if symbols else (EMPTY,)

    def places(self, words: Sequence[str]) -> list[int]:
        """Where each of the words begins when they stand one after another, and where the last ends."""
        found = [0]
        for word in words:
            found.append(found[-1] + len(self.spell(word)))
        return found


def _join(word: list[int], pair: tuple[int, int], symbol: int) -> None:
    at = 1
    while at + 1 < len(word):
        if (word[at], word[at + 1]) == pair:
            word[at : at + 2] = [symbol]
        at += 1
