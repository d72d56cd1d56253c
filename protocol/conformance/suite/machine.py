"""Mealy machines as data: complete, deterministic, with inputs and outputs as words.

An input that a state does not know is no gap in the table: it has an output that says so (`refuse state`) and
a target. So every machine here is complete, and every word of inputs can be run.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

Word = tuple[int, ...]
"""A sequence of inputs, each by its index in `Machine.inputs`."""

Step = tuple[str, int]
"""An output and the state afterwards."""


@dataclass(frozen=True, slots=True)
class Machine:
    """A complete deterministic Mealy machine. States are numbered from 0, which is the initial one.

    `table[state][input]` is the output and the state afterwards. ValueError if it is not complete.
    """

    inputs: tuple[str, ...]
    table: tuple[tuple[Step, ...], ...]
    names: tuple[str, ...] = ()
    """What to call the states, for people; numbers if not given."""

    def __post_init__(self) -> None:
        if not self.table:
            raise ValueError("a machine has at least one state")
        for state, row in enumerate(self.table):
            if len(row) != len(self.inputs):
                raise ValueError(f"state {state} answers {len(row)} of {len(self.inputs)} inputs: give all")
            for _, to in row:
                if not 0 <= to < len(self.table):
                    raise ValueError(f"state {state} leads to {to}, which is no state")

    def __len__(self) -> int:
        return len(self.table)

    def name(self, state: int) -> str:
        """The state's name."""
        return self.names[state] if self.names else str(state)

    def after(self, word: Sequence[int], state: int = 0) -> int:
        """The state after a word."""
        for each in word:
            state = self.table[state][each][1]
        return state

    def outputs(self, word: Sequence[int], state: int = 0) -> tuple[str, ...]:
        """The outputs along a word."""
        found = []
        for each in word:
            output, state = self.table[state][each]
            found.append(output)
        return tuple(found)

    def written(self, word: Sequence[int]) -> str:
        """A word for people."""
        return "; ".join(self.inputs[each] for each in word) or "(nothing)"


def state_cover(machine: Machine) -> dict[int, Word]:
    """A shortest word to each state that can be reached, the empty word to the initial one.

    Every prefix of such a word is itself the word of a state: the cover is closed under prefixes.
    """
    cover: dict[int, Word] = {0: ()}
    queue = deque([0])
    while queue:
        state = queue.popleft()
        for each, (_, to) in enumerate(machine.table[state]):
            if to not in cover:
                cover[to] = (*cover[state], each)
                queue.append(to)
    return cover


def minimised(machine: Machine) -> Machine:
    """The machine with the fewest states that answers every word alike; states in the order of their cover.

    Moore's partition refinement over the states that can be reached. A class is named after its first state.
    """
    reached = list(state_cover(machine))
    block = dict.fromkeys(reached, 0)
    blocks = 1
    while True:
        signatures: dict[tuple[int, tuple[Step, ...]], int] = {}
        finer = {}
        for state in reached:
            row = tuple((output, block[to]) for output, to in machine.table[state])
            finer[state] = signatures.setdefault((block[state], row), len(signatures))
        block = finer
        if len(signatures) == blocks:
            break
        blocks = len(signatures)
    # `reached` begins with the initial state, so block numbers follow the cover.
    first: dict[int, int] = {}
    for state in reached:
        first.setdefault(block[state], state)
    return Machine(
        machine.inputs,
        tuple(
            tuple((output, block[to]) for output, to in machine.table[first[each]]) for each in range(blocks)
        ),
        tuple(machine.name(first[each]) for each in range(blocks)) if machine.names else (),
    )


def is_minimal(machine: Machine) -> bool:
    """Whether every state can be reached and no two answer every word alike."""
    return len(minimised(machine)) == len(machine)


def difference(one: Machine, other: Machine, states: tuple[int, int] = (0, 0)) -> Word | None:
    """A shortest word that the two answer differently from these states; None if there is none."""
    return next(differences(one, other, states), None)


def differences(one: Machine, other: Machine, states: tuple[int, int] = (0, 0)) -> Iterator[Word]:
    """Shortest words to every transition that the two machines answer differently.

    The last input of each word is the one answered differently; what comes after it is not followed. The
    machines have the same inputs (ValueError).
    """
    if one.inputs != other.inputs:
        raise ValueError("the machines have different inputs")
    seen = {states}
    queue: deque[tuple[tuple[int, int], Word]] = deque([(states, ())])
    while queue:
        (left, right), word = queue.popleft()
        for each, (output, to) in enumerate(one.table[left]):
            other_output, other_to = other.table[right][each]
            if output != other_output:
                yield (*word, each)
            elif (to, other_to) not in seen:
                seen.add((to, other_to))
                queue.append(((to, other_to), (*word, each)))
