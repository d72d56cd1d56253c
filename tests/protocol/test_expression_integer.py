"""Integer arithmetic over counts: Python functions and C, both held against exact evaluation.

The C of some hundred generated expressions goes into one program, compiled with the system's compiler and
stopped by its undefined-behaviour checks at the first overflow.
"""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.protocol.expression_texts import comparisons_of, number_texts, truth_texts
from wirevow.protocol.expression import Expression, ExpressionError, parse

SCALES = {
    "a": Fraction("0.001"),
    "b.x": Fraction("0.05"),
    "limit.power": Fraction(1, 3),
    "large": Fraction("0.0001"),
}
LIMITS = {"a": (-6000, 6000), "b.x": (-7, 40), "limit.power": (1, 360), "large": (0, 2_000_000_000)}
RANGES = {name: (low * SCALES[name], high * SCALES[name]) for name, (low, high) in LIMITS.items()}
WORDS = ("off", "power", "swing")

numbers = st.sampled_from(("0", "1", "2", "0.5", "1.1", "0.001", "36", "999.99"))


trees = number_texts(tuple(SCALES), numbers, divisions=("/ limit.power", "/ -2.5", "/ (b.x - 7)"))
shallow = number_texts(tuple(SCALES), numbers, divisions=("/ limit.power", "/ -2.5", "/ (b.x - 7)"), depth=2)
word_tests = st.tuples(
    st.just("mode"),
    st.sampled_from(("==", "!=")),
    st.sampled_from(("'off'", "'power'", "'swing'", "earlier")),
).map(" ".join)
texts = trees | truth_texts(comparisons_of(shallow) | word_tests)
counts = st.fixed_dictionaries(
    {name: st.sampled_from(limits) | st.integers(*limits) for name, limits in LIMITS.items()}
)
modes = st.fixed_dictionaries({name: st.sampled_from(WORDS) for name in ("mode", "earlier")})
steps = st.sampled_from((Fraction(1), Fraction("0.001"), Fraction("0.05")))


def engineering(given_counts: Mapping[str, int | str]) -> dict[str, Fraction | int | str]:
    return {
        name: count * SCALES[name] if isinstance(count, int) else count
        for name, count in given_counts.items()
    }


def nearest(value: Fraction) -> int:
    """Half away from zero."""
    return math.floor(abs(value) + Fraction(1, 2)) * (1 if value >= 0 else -1)


@given(text=texts, given_counts=counts, given_modes=modes, step=steps)
def test_functions_over_counts_agree_with_evaluation(
    text: str, given_counts: Mapping[str, int], given_modes: Mapping[str, str], step: Fraction
) -> None:
    expression = parse(text)
    both: dict[str, int | str] = {**given_counts, **given_modes}
    values = engineering(both)
    try:
        if expression.kind == "truth":
            assert expression.truth_function(SCALES, RANGES)(both) is expression.truth(values)
            return
        upper, lower, middle = (
            expression.count_function(SCALES, RANGES, step, rounding)(both)
            for rounding in ("down", "up", "nearest")
        )
    except ExpressionError as error:
        # Nothing but what the form itself cannot do.
        assert "can be 0" in error.message or "too involved" in error.message  # noqa: PT017
        return
    assert upper == expression.upper(values, step)
    assert lower == expression.lower(values, step)
    assert middle == nearest(expression.number(values) / step)


@pytest.mark.parametrize(
    ("count", "down", "up", "middle"),
    [(3, 1, 2, 2), (1, 0, 1, 1), (0, 0, 0, 0), (-1, -1, 0, -1), (-3, -2, -1, -2)],
)
def test_halves_round_away_from_zero(count: int, down: int, up: int, middle: int) -> None:
    expression = parse("a / 2")
    step = SCALES["a"]
    found = [
        expression.count_function(SCALES, RANGES, step, rounding)({"a": count})
        for rounding in ("down", "up", "nearest")
    ]
    assert found == [down, up, middle]


@dataclass(frozen=True)
class Case:
    expression: Expression
    step: Fraction
    counts: tuple[Mapping[str, int | str], ...]


def _generated(number: int) -> list[Case]:
    cases: dict[str, Case] = {}

    @settings(
        max_examples=number,
        database=None,
        phases=[Phase.generate],
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        text=texts,
        step=steps,
        samples=st.lists(
            st.tuples(counts, modes).map(lambda pair: {**pair[0], **pair[1]}), min_size=4, max_size=4
        ),
    )
    def collect(text: str, step: Fraction, samples: list[Mapping[str, int | str]]) -> None:
        cases[text] = Case(parse(text), step, tuple(samples))

    collect()
    return list(cases.values())


def _program(cases: list[Case]) -> tuple[str, list[str]]:
    """One C program that prints what every case gives, and what it should print."""
    functions: list[str] = []
    calls: list[str] = []
    expected: list[str] = []
    for number, case in enumerate(cases):
        expression = case.expression
        try:
            width = expression.c_overflow(SCALES, RANGES, case.step)
        except ExpressionError:
            continue
        names = sorted(expression.names)

        def variable(name: str, width: int = width, names: list[str] = names) -> str:
            return f"v{names.index(name)}"

        parameters = ", ".join(
            f"enum word v{index}" if name in ("mode", "earlier") else f"int{width}_t v{index}"
            for index, name in enumerate(names)
        )
        head = f"static void e{number}({parameters or 'void'})"
        if expression.kind == "truth":
            text = expression.c_condition(SCALES, RANGES, variable, lambda _, word: word.upper())
            functions.append(f'{head}\n{{\n    printf("%d\\n", {text});\n}}\n')
        else:
            numerator, denominator = expression.c_fraction(SCALES, RANGES, variable, case.step)
            functions.append(
                f"{head}\n{{\n    int{width}_t n = {numerator};\n    int{width}_t d = {denominator};\n"
                f'    printf("%lld %lld\\n", (long long)n, (long long)d);\n}}\n'
            )
        for sample in case.counts:
            arguments = [str(sample[name]).upper() for name in names]
            calls.append(f"    e{number}({', '.join(arguments)});")
            value = expression.evaluate(engineering(sample))
            expected.append(str(int(value)) if isinstance(value, bool) else str(value / case.step))
    program = (
        "#include <stdint.h>\n#include <stdio.h>\n\nenum word { OFF, POWER, SWING };\n\n"
        + "\n".join(functions)
        + "\nint main(void)\n{\n"
        + "\n".join(calls)
        + "\n    return 0;\n}\n"
    )
    return program, expected


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler: install gcc")
def test_c_agrees_with_evaluation(tmp_path: Path) -> None:
    cases = _generated(600)
    program, expected = _program(cases)
    assert len(expected) > 400, "most generated expressions should have a C form"
    source, binary = tmp_path / "cases.c", tmp_path / "cases"
    source.write_text(program)
    # Unused parameters and constant conditions come from what constant folding leaves of random trees.
    strict = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror", "-Wno-unused-parameter"]
    checks = ["-fsanitize=undefined", "-fno-sanitize-recover=all"]
    compiled = subprocess.run(
        ["gcc", *strict, *checks, "-o", str(binary), str(source)], capture_output=True, text=True, check=False
    )
    assert compiled.returncode == 0, compiled.stderr[:3000]
    ran = subprocess.run([str(binary)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    lines = ran.stdout.splitlines()
    assert len(lines) == len(expected)
    for line, value in zip(lines, expected, strict=True):
        numbers_seen = [int(part) for part in line.split()]
        if len(numbers_seen) == 2:
            assert numbers_seen[1] > 0
            assert str(Fraction(*numbers_seen)) == value
        else:
            assert line == value


def c_name(name: str) -> str:
    return name.replace(".", "_")


@pytest.mark.parametrize(
    ("text", "step", "numerator", "denominator"),
    [
        ("a * 1.1 + 0.1", "0.001", "11 * a + 1000", "10"),
        ("-a", "0.001", "-a", "1"),
        ("5 - a", "0.001", "5000 - a", "1"),
        ("2 * (a + 1) - 2 * a", "1", "2", "1"),
        ("a - a", "1", "0", "1"),
        ("2 * a / 4", "0.001", "a", "2"),
        ("min(2 * a, 4)", "0.001", "2 * (a < 2000 ? a : 2000)", "1"),
        ("max(1, 2) + abs(-3)", "1", "5", "1"),
        ("a / limit.power", "1", "3 * a", "1000 * limit_power"),
        ("abs(0 - a)", "0.001", "(a < 0 ? -a : a)", "1"),
        ("1 / -limit.power", "1", "-3", "limit_power"),
        ("a / limit.power + 1 / limit.power", "1", "3 * a + 3000", "1000 * limit_power"),
    ],
)
def test_printed_c_is_short(text: str, step: str, numerator: str, denominator: str) -> None:
    printed = parse(text).c_fraction(SCALES, RANGES, c_name, Fraction(step))
    assert printed == (numerator, denominator)


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("a > 1.5", "a > 1500"),
        ("1.1 * a >= b.x", "11 * a >= 500 * b_x"),
        ("a / limit.power < 2", "3 * a < 2000 * limit_power"),
        ("a > 1 or a < 0 and b.x == 2", "a > 1000 || (a < 0 && b_x == 40)"),
        ("not (a > 1)", "!(a > 1000)"),
        ("mode != 'off'", "mode != MODE_OFF"),
        ("'off' == mode", "MODE_OFF == mode"),
        ("mode == earlier", "mode == earlier"),
        ("a + 1 > a", "1"),
    ],
)
def test_printed_conditions(text: str, printed: str) -> None:
    found = parse(text).c_condition(SCALES, RANGES, c_name, lambda name, word: f"{name}_{word}".upper())
    assert found == printed


def test_width_is_the_smallest_that_holds_every_intermediate() -> None:
    ranges = {"a": (Fraction(0), Fraction(2**31 - 1))}
    scales = {"a": Fraction(1)}
    assert parse("a").c_overflow(scales, ranges) == 32
    assert parse("a + 1 - 1").c_overflow(scales, ranges) == 32
    assert parse("a + 1").c_overflow(scales, ranges) == 64
    assert parse("min(a, 1) + a").c_overflow(scales, ranges) == 64
    assert parse("a * a > 1").c_overflow(scales, ranges) == 64
    assert parse("a / 4294967296").c_overflow(scales, ranges) == 64  # the denominator counts too
    assert parse("a > 1").c_overflow(scales, ranges, Fraction(1)) == 32


def test_width_leaves_room_for_factors_carried_inwards() -> None:
    """99999 * min(1000 * n, 3 * m) is small, but gcc 12 computes 99999 * (1000 * n) on its way to it."""
    scales = {"n": Fraction(1), "m": Fraction("0.003")}
    ranges = {"n": (Fraction(1), Fraction(360)), "m": (Fraction(-18), Fraction(18))}
    text = "99.999 * min(n, m)"
    assert (
        parse(text).c_fraction(scales, ranges, c_name).numerator
        == "99999 * (1000 * n < 3 * m ? 1000 * n : 3 * m)"
    )
    assert parse(text).c_overflow(scales, ranges) == 64
    assert parse(text).c_overflow(scales, {**ranges, "n": (Fraction(1), Fraction(20))}) == 32


@pytest.mark.parametrize(
    ("text", "culprit"),
    [
        ("1 + min(large * large * large, 3)", "large * large * large"),
        ("a > 1 and large * large > 0.0000000001", "large * large > 0.0000000001"),
    ],
)
def test_what_fits_no_width_is_named(text: str, culprit: str) -> None:
    with pytest.raises(ExpressionError, match="64 bits") as caught:
        parse(text).c_overflow(SCALES, RANGES)
    assert caught.value.message.startswith(f"{culprit} does not fit")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("1 / a", "can be 0"),
        ("1 / (a - a)", "division by zero"),
        ("1 / (2 - 2)", "division by zero"),
        ("1 + c", "no step for c"),
    ],
)
def test_what_cannot_be_printed_is_refused(text: str, complaint: str) -> None:
    with pytest.raises(ExpressionError, match=complaint):
        parse(text).c_fraction(SCALES, RANGES, c_name)


@pytest.mark.parametrize(
    "text",
    [
        "min(a, " * 31 + "b.x" + ")" * 31,
        "1 / (limit.power + " * 14 + "1" + ")" * 14,
        "abs(a + " * 15 + "1" + ")" * 15,
    ],
)
def test_forms_that_explode_are_refused_at_once(text: str) -> None:
    """Written out, these would be thousands to billions of characters long."""
    with pytest.raises(ExpressionError, match="too involved"):
        parse(text).c_fraction(SCALES, RANGES, c_name)
