"""Words that tell states apart.

A *characterising set* separates every pair of states of a minimal machine (Chow 1978). *Harmonised state
identifiers* are finer: each state has its own words, and any two states share a word (as a prefix of one of
each) that separates them (the HSI method, Petrenko and others, from memory). The union of the identifiers is
a characterising set.
"""

from __future__ import annotations

from itertools import combinations

from wirevow.protocol.conformance.suite.machine import Machine, Word, difference


def identifiers(machine: Machine) -> dict[int, tuple[Word, ...]]:
    """Harmonised identifiers of every state. ValueError if two states cannot be told apart.

    Greedy: of all single inputs, and of a shortest word for each pair that no single input separates, the
    one that separates most pairs is taken until every pair is separated. Both states of a pair get it.
    """
    pairs = list(combinations(range(len(machine)), 2))
    candidates: set[Word] = {(each,) for each in range(len(machine.inputs))}
    answers: dict[Word, list[tuple[str, ...]]] = {}

    def separates(word: Word, pair: tuple[int, int]) -> bool:
        if word not in answers:
            answers[word] = [machine.outputs(word, state) for state in range(len(machine))]
        return answers[word][pair[0]] != answers[word][pair[1]]

    for pair in pairs:
        if not any(separates(word, pair) for word in candidates):
            word = difference(machine, machine, pair)
            if word is None:
                names = " and ".join(machine.name(state) for state in pair)
                raise ValueError(f"states {names} answer every word alike: minimise the machine first")
            candidates.add(word)
    separated_by = {
        word: {pair for pair in pairs if separates(word, pair)} for word in sorted(candidates, key=_order)
    }
    found: dict[int, set[Word]] = {state: set() for state in range(len(machine))}
    left = set(pairs)
    while left:
        word = max(separated_by, key=lambda each: (len(separated_by[each] & left), -len(each)))
        for pair in separated_by[word] & left:
            for state in pair:
                found[state].add(word)
        left -= separated_by[word]
    return {state: _longest(words) for state, words in found.items()}


def characterising_set(machine: Machine) -> tuple[Word, ...]:
    """Words that together separate every pair of states. ValueError if two states cannot be told apart."""
    return _longest({word for words in identifiers(machine).values() for word in words})


def _order(word: Word) -> tuple[int, Word]:
    return len(word), word


def _longest(words: set[Word]) -> tuple[Word, ...]:
    """Without words that begin another one."""
    return tuple(
        sorted(
            (each for each in words if not any(o != each and o[: len(each)] == each for o in words)),
            key=_order,
        )
    )
