"""Complete suites: every machine of the fault domain that differs is killed.

The first two machines are worked examples in the manner of Chow (1978) and Fujiwara et al. (1991), written
from memory: their tables may differ from the papers'. What is tested of them does not depend on that.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wirevow.protocol.conformance.suite.hsi import suite
from wirevow.protocol.conformance.suite.identifiers import characterising_set, identifiers
from wirevow.protocol.conformance.suite.machine import (
    Machine,
    Word,
    difference,
    is_minimal,
    minimised,
    state_cover,
)

# From memory: three states, two inputs, after the running example of Chow, "Testing Software Design Modeled
# by Finite-State Machines" (1978).
CHOW = Machine(
    ("a", "b"),
    (
        (("0", 1), ("1", 0)),
        (("1", 1), ("1", 2)),
        (("0", 0), ("0", 2)),
    ),
)
# From memory: three states, three inputs, after the running example of Fujiwara et al., "Test Selection
# Based on Finite State Models" (1991).
FUJIWARA = Machine(
    ("a", "b", "c"),
    (
        (("e", 1), ("f", 0), ("e", 2)),
        (("f", 1), ("f", 2), ("e", 0)),
        (("e", 2), ("e", 1), ("f", 0)),
    ),
)


def machines(states: int, inputs: int, outputs: int) -> Iterator[Machine]:
    """All machines with so many states, inputs and outputs."""
    steps = [(str(output), to) for output in range(outputs) for to in range(states)]
    row = list(product(steps, repeat=inputs))
    names = tuple("abcdefgh"[:inputs])
    for table in product(row, repeat=states):
        yield Machine(names, table)


def specifications(states: int) -> list[Machine]:
    """All minimal machines over 2 inputs and 2 outputs, one for each behaviour, numbered along their cover.

    Renaming inputs or outputs changes nothing that is tested, so one of each such family is enough.
    """
    kept = {}
    for machine in machines(states, 2, 2):
        if tuple(state_cover(machine)) == tuple(range(states)) and is_minimal(machine):
            kept[_family(machine)] = machine
    return list(kept.values())


def _family(machine: Machine) -> tuple[object, ...]:
    forms = []
    for swap_inputs in (False, True):
        for swap_outputs in (False, True):
            table = tuple(
                tuple(
                    (str(1 - int(o)) if swap_outputs else o, to)
                    for o, to in (reversed(row) if swap_inputs else row)
                )
                for row in machine.table
            )
            forms.append(minimised(Machine(machine.inputs, table)).table)
    return min(forms)


class Survivors:
    """Finds every machine of a fault domain that passes a suite, by building it only as far as words go.

    A machine is begun with its initial state alone. A word that needs a step that is not there yet tries
    every target; the output is the specification's, or the machine would not pass. `roads` are walked first
    and may make new states; what comes after them may not, so every state is at the end of a road.
    """

    def __init__(self, machine: Machine, words: list[Word], roads: list[Word], most: int) -> None:
        self.machine = machine
        self.words = sorted(roads, key=len) + words
        self.roads = len(roads)
        self.most = most
        self.steps: dict[tuple[int, int], tuple[str, int]] = {}
        self.states = 1

    def found(self) -> Iterator[Machine]:
        yield from self._word(0)

    def _word(self, index: int) -> Iterator[Machine]:
        if index == len(self.words):
            yield from self._completed()
            return
        yield from self._walk(index, 0, 0, 0)

    def _walk(self, index: int, position: int, spec: int, state: int) -> Iterator[Machine]:
        word = self.words[index]
        while position < len(word):
            each = word[position]
            output, spec_to = self.machine.table[spec][each]
            step = self.steps.get((state, each))
            if step is None:
                new = index < self.roads and self.states < self.most
                for to in range(self.states + new):
                    self.steps[state, each] = (output, to)
                    before, self.states = self.states, max(self.states, to + 1)
                    yield from self._walk(index, position + 1, spec_to, to)
                    self.states = before
                del self.steps[state, each]
                return
            if step[0] != output:
                return
            position, spec, state = position + 1, spec_to, step[1]
        yield from self._word(index + 1)

    def _completed(self) -> Iterator[Machine]:
        """What no word has looked at may be anything: one such machine that differs is enough."""
        wrong = ("wrong", 0)
        yield Machine(
            self.machine.inputs,
            tuple(
                tuple(self.steps.get((state, each), wrong) for each in range(len(self.machine.inputs)))
                for state in range(self.states)
            ),
        )


def _words(inputs: int, most: int) -> list[Word]:
    return [word for length in range(most + 1) for word in product(range(inputs), repeat=length)]


def _roads(machine: Machine, extra: int) -> list[Word]:
    middles = _words(len(machine.inputs), extra)
    return [(*access, *middle) for access in state_cover(machine).values() for middle in middles]


def survivors(machine: Machine, extra: int, words: list[Word] | None = None) -> list[Machine]:
    """Machines of the fault domain that pass the suite and yet differ."""
    tests = [each.word for each in suite(machine, extra)] if words is None else words
    roads = _roads(machine, extra)
    everywhere = Survivors(machine, tests, roads, len(roads))
    return [each for each in everywhere.found() if difference(machine, each) is not None]


def killed(machine: Machine, mutant: Machine, words: list[Word]) -> bool:
    return any(machine.outputs(word) != mutant.outputs(word) for word in words)


def in_domain(machine: Machine, mutant: Machine, extra: int) -> bool:
    """Whether a machine is of the k-A-complete fault domain, by its definition."""
    reached = {mutant.after(road) for road in _roads(machine, extra)}
    if reached >= set(state_cover(mutant)):
        return True
    ends = [mutant.after(access) for access in state_cover(machine).values()]
    return any(difference(mutant, mutant, pair) is None for pair in combinations(ends, 2))


@pytest.mark.parametrize("states", [1, 2, 3])
def test_nothing_of_the_domain_survives_for_any_small_machine(states: int) -> None:
    for machine in specifications(states):
        assert survivors(machine, 0) == [], machine


@pytest.mark.parametrize("states", [1, 2])
def test_nothing_of_the_domain_survives_one_extra_input(states: int) -> None:
    """Up to 2 * 3 states, where the classic bound for one extra state is 3."""
    for machine in specifications(states):
        assert survivors(machine, 1) == [], machine


def test_nothing_of_the_domain_survives_one_extra_input_in_three_states() -> None:
    chosen = random.Random(5).sample(specifications(3), 1)
    for machine in [CHOW, *chosen]:
        assert survivors(machine, 1) == [], machine


def test_every_machine_of_as_many_states_is_killed_one_by_one() -> None:
    """The same without the search: all machines of at most 3 states against some of 2 and 3, one by one."""
    for machine, extra in [(specifications(2)[0], 1), (specifications(2)[-1], 1), (CHOW, 0)]:
        words = [each.word for each in suite(machine, extra)]
        for states in (1, 2, 3):
            for other in machines(states, 2, 2):
                if not killed(machine, other, words):
                    assert difference(machine, other) is None


def test_the_search_finds_survivors_of_a_suite_with_a_hole() -> None:
    """A check of the check: hardly a word can be spared."""
    for machine in (CHOW, specifications(2)[0]):
        words = [each.word for each in suite(machine)]
        holed = [survivors(machine, 0, words[:index] + words[index + 1 :]) for index in range(len(words))]
        assert sum(map(bool, holed)) > len(words) / 2


def test_a_suite_for_fewer_states_misses_a_machine_with_more() -> None:
    words = [each.word for each in suite(CHOW, 0)]
    found = Survivors(CHOW, words, _roads(CHOW, 1), 4).found()
    assert any(difference(CHOW, each) for each in found)


@pytest.mark.parametrize("machine", [CHOW, FUJIWARA])
def test_machines_of_the_literature(machine: Machine) -> None:
    assert is_minimal(machine)
    assert survivors(machine, 0) == []


# ------------------------------------------------------------------------------------------ larger machines


@st.composite
def larger(draw: st.DrawFn) -> Machine:
    states, inputs = draw(st.integers(4, 9)), draw(st.integers(2, 4))
    cell = st.tuples(st.sampled_from("xyz"), st.integers(0, states - 1))
    row = st.tuples(*[cell] * inputs)
    return minimised(Machine(tuple("abcd"[:inputs]), draw(st.tuples(*[row] * states))))


def mutated(machine: Machine, chance: random.Random, extra: int) -> Machine:
    """Some steps changed, and some states doubled first, so that copies may go wrong later."""
    table = [list(row) for row in machine.table]
    for _ in range(chance.randrange(extra + 1)):
        twin = chance.randrange(len(table))
        table.append(list(table[twin]))
        incoming = [(s, i) for s, row in enumerate(table) for i, (_, to) in enumerate(row) if to == twin]
        if incoming:
            state, each = chance.choice(incoming)
            table[state][each] = (table[state][each][0], len(table) - 1)
    for _ in range(chance.randrange(1, 3)):
        state, each = chance.randrange(len(table)), chance.randrange(len(machine.inputs))
        output, to = table[state][each]
        if chance.random() < 0.4:
            output = chance.choice("xyz")
        else:
            to = chance.randrange(len(table))
        table[state][each] = (output, to)
    return Machine(machine.inputs, tuple(tuple(row) for row in table))


@pytest.mark.parametrize("extra", [0, 1])
def test_sampled_mutants_of_larger_machines_are_killed(extra: int) -> None:
    seen = {"killed": 0, "same": 0}

    @settings(max_examples=40)
    @given(larger(), st.integers(0, 2**32))
    def attack(machine: Machine, seed: int) -> None:
        words = [each.word for each in suite(machine, extra)]
        chance = random.Random(seed)
        for _ in range(20):
            mutant = mutated(machine, chance, 2 * extra)
            if not in_domain(machine, mutant, extra):
                continue
            same = difference(machine, mutant) is None
            assert killed(machine, mutant, words) != same
            seen["same" if same else "killed"] += 1

    attack()
    assert seen["killed"] > 100


# --------------------------------------------------------------------------------------------- the parts


@settings(max_examples=40)
@given(larger())
def test_identifiers_are_harmonised(machine: Machine) -> None:
    found = identifiers(machine)
    for one, other in combinations(range(len(machine)), 2):
        shared = {w[:n] for w in found[one] for n in range(1, len(w) + 1)} & {
            w[:n] for w in found[other] for n in range(1, len(w) + 1)
        }
        assert any(machine.outputs(word, one) != machine.outputs(word, other) for word in shared)


@settings(max_examples=40)
@given(larger())
def test_the_library_agrees_on_what_can_be_told_apart(machine: Machine) -> None:
    """aalpy's characterising sets and ours separate every pair of states."""
    automata = pytest.importorskip("aalpy.automata")
    states = [automata.MealyState(number) for number in range(len(machine))]
    for state, row in zip(states, machine.table, strict=True):
        for each, (output, to) in enumerate(row):
            state.transitions[each] = states[to]
            state.output_fun[each] = output
    theirs = automata.MealyMachine(states[0], states)
    assert theirs.is_minimal()
    word_sets = [characterising_set(machine)]
    if len(machine) > 1:
        word_sets.append(theirs.compute_characterization_set())
    for words in word_sets:
        answers = [tuple(machine.outputs(word, state) for word in words) for state in range(len(machine))]
        assert len(set(answers)) == len(machine)


@settings(max_examples=40)
@given(larger(), st.randoms(use_true_random=False))
def test_minimising_keeps_the_behaviour(machine: Machine, chance: random.Random) -> None:
    doubled = Machine(
        machine.inputs,
        tuple(
            tuple((output, to + chance.choice((0, len(machine)))) for output, to in row)
            for row in machine.table * 2
        ),
    )
    small = minimised(doubled)
    assert len(small) == len(machine)
    assert difference(small, doubled) is None
    assert difference(small, machine) is None


def test_inputs_that_send_nothing_are_left_away() -> None:
    table = (
        (("ok", 1), ("off", 0), ("-", 0)),
        (("no", 1), ("on", 1), ("ok", 0)),
    )
    machine = Machine(("start", "look", "stop"), table)
    words = [each.word for each in suite(machine, 0, lambda s, i: table[s][i][0] == "-")]
    assert words
    assert all("-" not in machine.outputs(word) for word in words)
    assert (0, 2, 0) in words


@pytest.mark.parametrize(
    ("table", "why"),
    [
        (((("0", 0),), (("1", 1),)), "cannot be reached"),
        (((("0", 1),), (("0", 0),)), "minimise"),
    ],
)
def test_what_is_not_minimal_has_no_suite(table: tuple[tuple[tuple[str, int], ...], ...], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        suite(Machine(("a",), table))


def test_gaps_in_a_table_are_refused() -> None:
    with pytest.raises(ValueError, match="answers 1 of 2 inputs"):
        Machine(("a", "b"), ((("0", 0),),))
    with pytest.raises(ValueError, match="no state"):
        Machine(("a",), ((("0", 3),),))
