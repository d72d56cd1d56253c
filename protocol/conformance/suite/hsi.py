"""The HSI suite, and what it guarantees.

For a minimal machine S with a state cover A (one shortest word for each state), harmonised state identifiers
W and a number k, the suite is every word of A, followed by every word of at most k + 1 inputs, followed by
each identifier of the state of S that it leads to. Each word is run from the initial state.

Guarantee. Every machine M that answers all words of the suite as S does answers *every* word as S does, if M
is complete, deterministic, starts in its initial state, and is of the fault domain of k and A, that is, at
least one of these holds:

1. every state of M is reached by a word of A followed by at most k inputs, or
2. two words of A lead to states of M that answer every word alike.

This is the k-A-complete fault domain of Vaandrager and Melse, "New Fault Domains for Conformance Testing of
Finite State Machines" (CONCUR 2025, LIPIcs 348, art. 34), as far as it is known here: the definition and the
theorem for HSI are from memory, the proof below is our own. Every machine of at most n + k states (n those
of S) is in it: if the n words of A reach n different states, the other k are at most k inputs away. So the
suite is also (n + k)-complete in the sense of Chow (1978). Machines of the domain may be far larger: up to
n times the number of words of at most k inputs.

Proof. A machine of kind 2 fails, because two words of A lead to different states of S, whose identifiers
share a separating word that the suite runs after both. Let M be of kind 1 and pass. Relate the states of S
and M that a word of A and at most k inputs leads to. Related states answer every input alike, for one input
more is in the suite. Let one input more lead to s and m. Some word of A and at most k inputs leads M to m;
it leads S to s'. The identifiers of s and of s' were both run from m and answered as by s and by s'. If s
and s' were different, the word that they share would be answered in two ways by m. So s and m are related
again: the relation is a bisimulation, and it relates the initial states.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from wirevow.protocol.conformance.suite.identifiers import identifiers
from wirevow.protocol.conformance.suite.machine import Machine, Word, state_cover


@dataclass(frozen=True, slots=True)
class Sequence:
    """One word of a suite."""

    word: Word
    aim: int
    """Index in the word of the transition that it is there for."""


Idle = Callable[[int, int], bool]
"""Whether an input in a state sends nothing at all: then it changes no instrument, and is left away."""


def never(state: int, given: int) -> bool:
    """Every input is sent."""
    return False


def suite(machine: Machine, extra: int = 0, idle: Idle = never) -> tuple[Sequence, ...]:
    """The HSI suite of a minimal machine for `extra` further inputs (k); short words first.

    Words that begin another word are left out: running that one runs them. Raises ValueError if the machine
    is not minimal or has states that cannot be reached.
    """
    cover = state_cover(machine)
    if len(cover) < len(machine):
        missing = next(state for state in range(len(machine)) if state not in cover)
        raise ValueError(f"state {machine.name(missing)} cannot be reached: minimise the machine first")
    identify = identifiers(machine)
    found: dict[Word, int] = {}
    for access in cover.values():
        for middle, state in _middles(machine, machine.after(access), extra + 1, idle):
            word = (*access, *middle)
            aim = max(len(access) + min(len(middle), 1) - 1, 0)
            for identifier in identify[state] or ((),):
                whole = (*word, *_kept(machine, state, identifier, idle))
                found[whole] = max(aim, found.get(whole, 0))
    begun = {word[:length] for word in found for length in range(len(word))}
    return tuple(
        Sequence(word, min(aim, len(word) - 1))
        for word, aim in sorted(found.items(), key=lambda each: (len(each[0]), each[0]))
        if word not in begun
    )


def _middles(machine: Machine, state: int, most: int, idle: Idle) -> Iterator[tuple[Word, int]]:
    """All words of at most `most` inputs from a state, and where they lead."""
    yield (), state
    if most == 0:
        return
    for given in range(len(machine.inputs)):
        if not idle(state, given):
            for rest, end in _middles(machine, machine.table[state][given][1], most - 1, idle):
                yield (given, *rest), end


def _kept(machine: Machine, state: int, word: Word, idle: Idle) -> Word:
    kept = []
    for given in word:
        if not idle(state, given):
            kept.append(given)
        state = machine.table[state][given][1]
    return tuple(kept)
