"""Hostile documents end in a clear error, soon and with little memory; no content does anything else."""

import json
import subprocess
import sys
from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wirevow.protocol.document.load import DocumentError, read_document, read_yaml
from wirevow.protocol.document.vet import vet

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
GOOD = (HERE / "hutch.yaml").read_text(encoding="utf-8")
DATA = read_yaml(GOOD.encode(), "hutch.yaml").data

SECONDS = 2
MEGABYTES = 200

# Each document has a process of its own, forked after the imports, so that time and memory are those of one
# document. The processor's time is what counts: the machine may be busy with other things.
PROBE = """
import json, os, resource, sys, time
from wirevow.protocol.document.load import DocumentError
from wirevow.protocol.document.vet import vet_file

def told(path):
    try:
        return [finding.text("it") for finding in vet_file(path).found]
    except DocumentError as wrong:
        return wrong.message.splitlines()

for path in sys.stdin.read().split():
    if os.fork() == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (20, 20))
        resource.setrlimit(resource.RLIMIT_AS, (2**30, 2**30))
        start = time.process_time()
        lines = told(path)
        spent = time.process_time() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        with open(path + ".json", "w") as file:
            json.dump({"told": lines[:30], "seconds": spent, "kilobytes": peak}, file)
        os._exit(0)
    os.wait()
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What each hostile document came to; a case is missing if its process died."""
    folder = tmp_path_factory.mktemp("hostile")
    paths = {case: folder / f"{index}.yaml" for index, case in enumerate(HOSTILE)}
    for case, (content, _) in HOSTILE.items():
        paths[case].write_bytes(content)
    subprocess.run(
        [sys.executable, "-c", PROBE],
        input="\n".join(map(str, paths.values())),
        text=True,
        cwd=ROOT,
        check=True,
    )
    outcomes = {case: Path(f"{path}.json") for case, path in paths.items()}
    return {case: json.loads(path.read_text()) for case, path in outcomes.items() if path.exists()}


def section(name: str, lines: str) -> bytes:
    """The good document with more in one section."""
    assert f"\n{name}:\n" in GOOD
    return GOOD.replace(f"\n{name}:\n", f"\n{name}:\n{lines}", 1).encode()


def name(i: int) -> str:
    """Names that are two letters apart."""
    first, second = chr(97 + i % 26), chr(97 + i // 26)
    return f"p.{first}{first}{second}{second}"


def points(count: int, body: Callable[[int], str]) -> bytes:
    return section("points", "".join(f"  {name(i)}: {body(i)}\n" for i in range(count)))


BOMB = "".join(f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9) if i else 'lol'}]\n" for i in range(9))
LONG_AND = " and ".join(f"air.warmth > {i}" for i in range(25))
LONG_OR = " or ".join(f"air.warmth > {i}" for i in range(26))


def group(i: int) -> str:
    """A setting that 24 others bound, and that bounds them."""
    others = ", ".join(name(k) for k in range(i // 25 * 25, i // 25 * 25 + 25) if k != i)
    return f"{{means: In a group, quantity: warmth, access: set, default: 0, low: 'min({others}) - 20'}}"


def chain(i: int) -> str:
    before = ", ".join(map(name, range(max(0, i - 5), max(2, i))))
    return f"{{means: In a chain, quantity: warmth, access: set, default: 0, low: 'min({before})'}}"


def circle(i: int) -> str:
    return f"{{means: In a circle, quantity: share, derived: {name((i + 1) % 300)} / 2}}"


def many(i: int) -> str:
    others = " + ".join(map(name, range(i + 1, i + 25)))
    return f"{{means: Of many, quantity: share, derived: {others}}}"


def lost(i: int) -> str:
    return (
        f"{{means: Lost, quantity: no{i}, set_in: [{', '.join(['nowhere'] * 12)}], access: set, default: 0}}"
    )


def trip(i: int) -> str:
    condition = LONG_OR if i % 2 else LONG_AND
    rest = "latched: true, to: tripped, reports: air.warmth"
    return f"  t{name(i)[2:]}: {{means: Trip, when: {condition}, {rest}}}\n"


def changed(old: str, new: str) -> bytes:
    assert old in GOOD
    return GOOD.replace(old, new).encode()


def formula(text: str) -> bytes:
    return changed("    high: 60\n", f"    high: {text}\n")


def step(text: str) -> bytes:
    return changed("step: 0.5", f"step: {text}")


HOSTILE: dict[str, tuple[bytes, str]] = {
    "flow lists in lists": (b"[" * 200_000, "more than 32 levels of nesting"),
    "flow mappings in mappings": (b"{a: " * 60_000, "more than 32 levels of nesting"),
    "block lists in lists": (b"- " * 100_000, "more than 32 levels of nesting"),
    "block mappings in mappings": (
        "".join(" " * i + "a:\n" for i in range(700)).encode(),
        "more than 32 levels",
    ),
    "complex keys": (b"? " * 100_000, "a key is one word or name"),
    "brackets that never match": (b"[}" * 100_000, "this is not YAML"),
    "nesting inside the document": (step("[" * 5000), "more than 32 levels of nesting"),
    "anchor bomb": (BOMB.encode(), "anchors are not allowed"),
    "alias to itself": (b"a: &a [*a]\n", "anchors are not allowed"),
    "merge bomb": (b"a: {<<: *b}\n", "aliases are not allowed"),
    "a tag that runs code": (b"a: !!python/object/apply:os.system ['true']\n", "tags are not allowed"),
    "not a number": (step(".NaN"), "not a finite number"),
    "infinity": (step("-.inf"), "not a finite number"),
    "infinity in a formula": (formula("inf"), "there is no point inf"),
    "a huge exponent": (step("1e999999999"), "a number is finite, below 10^12"),
    "a tiny exponent": (step("1e-999999999"), "at most 12 decimals"),
    "200,000 digits": (step("9" * 200_000), "a number of 200000 characters"),
    "200,000 quoted digits": (step(f"'{'9' * 200_000}'"), "expected a number"),
    "200,000 digits in a formula": (formula("1 + " + "9" * 200_000), "500 are allowed"),
    "200,000 digits of a duration": (changed("20 ms", "9" * 200_000 + " ms"), "a duration is"),
    "a power in a formula": (formula("9 ** 9 ** 9 ** 9"), "there is no power operator"),
    "a formula of parentheses": (formula("(" * 240 + "1" + ")" * 240), "nested more than"),
    "a formula of signs": (formula("1 " + "-" * 400 + "1"), "nested more than"),
    "a formula that calls": (formula("eval('1')"), "points.roof.warmth.high"),
    "too large": (b"# " + b"x" * 300_000, "larger than 256 kB"),
    "binary": (bytes(range(256)) * 100, "not"),
    "zeros": (b"\0" * 200_000, "character U+0000 is not text"),
    "line ends": (b"\n" * 200_000, "the file is empty"),
    "comments": (b"#\n" * 120_000, "the document is empty"),
    "a text that never ends": (b'a: "' + b"x\n" * 100_000, "this is not YAML"),
    "a block text of blank lines": (b"a: |\n" + b"\n" * 250_000, 'unknown key "a"'),
    "directives": (b"%A b\n" * 50_000, "this is not YAML"),
    "document ends": (b"---\n" * 60_000, "a second document"),
    "a list of many": (b"[" + b"a," * 120_000 + b"]", "more than 12000 values"),
    "a mapping of many": (b"{" + b"a," * 120_000 + b"}", '"a" is empty'),
    "tabs": (b"\t" * 200_000 + b"a: 1", "a tab where YAML wants spaces"),
    "anchors": (b"&a " * 80_000, "anchors are not allowed"),
    "colons": (b":" * 250_000, "a second"),
    "question marks and colons": (b"? :\n" * 60_000, "a key is"),
    "escapes": (b'a: "' + b"\\x41" * 60_000 + b'"', 'unknown key "a"'),
    "duplicate keys": (changed("vow:\n", "vow:\n  name: a\n"), 'key "name" is here twice'),
    "cyclic derived points": (
        points(300, circle),
        "p.aaaa depends on itself by way of p.bbaa and p.ccaa and 297 more",
    ),
    "derived points that depend on many": (points(200, many), "there is no point p."),
    "settings bound in a chain": (points(300, chain), "can leave"),
    "settings bound in groups": (points(250, group), "too involved"),
    "conditions that are hard to compare": (section("trips", "".join(map(trip, range(60)))), "never fires"),
    "names that nothing has": (points(360, lost), "there is no quantity no"),
    "too many points": (points(400, circle), "points: write 400 of them or less"),
    "wrong keys everywhere": (changed("means:", "maens:"), 'did you mean "means"'),
    "thousands of wrong keys": (
        points(390, lambda i: "{" + ", ".join(f"hihg{k}: 2" for k in range(13)) + "}"),
        'did you mean "high"',
    ),
    "thousands of wrong effects": (
        changed("does: [clear_trip]", f"does: [{', '.join(['{pulze: 1}'] * 3000)}]"),
        'did you mean "pulse"',
    ),
}


@pytest.mark.parametrize("case", HOSTILE)
def test_a_hostile_document_ends_in_a_clear_error_soon_and_small(
    case: str, results: dict[str, dict[str, Any]]
) -> None:
    assert case in results, "the process died"
    result = results[case]
    assert result["told"], "nothing was told"
    assert HOSTILE[case][1] in "\n".join(result["told"])
    assert all(len(line) < 1000 for line in result["told"])
    assert result["seconds"] < SECONDS
    assert result["kilobytes"] < MEGABYTES * 1024


# ------------------------------------------------------------------------------------ wrong types everywhere


def nodes(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path]
    if isinstance(node, dict):
        for key, value in node.items():
            found += nodes(value, (*path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            found += nodes(value, (*path, index))
    return found


def written(node: Any) -> str:
    """The data as YAML, all in flow style: JSON with numbers as they are."""
    if isinstance(node, dict):
        return "{" + ", ".join(f"{json.dumps(key)}: {written(value)}" for key, value in node.items()) + "}"
    if isinstance(node, list):
        return "[" + ", ".join(map(written, node)) + "]"
    if isinstance(node, str):
        return json.dumps(node)
    if isinstance(node, bool):
        return "true" if node else "false"
    return "null" if node is None else str(node)


def judged(text: str) -> None:
    """Load and vet; anything but success and DocumentError fails the test."""
    try:
        loaded = read_document(text)
    except DocumentError as caught:
        refused = caught
    else:
        vet(loaded)
        return
    assert refused.problems
    assert "pydantic" not in refused.message


OTHERS = (
    None,
    True,
    0,
    -1,
    10**30,
    Decimal("0.001"),
    "",
    "x",
    "a b",
    "é\u2028",
    [],
    [[]],
    ["x", 1],
    {},
    {"a": {"b": []}},
)
NODES = nodes(DATA)


def replaced(path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    data = deepcopy(DATA)
    node = data
    for part in path[:-1]:
        node = node[part]
    node[path[-1]] = value
    return data


@settings(max_examples=120)
@given(st.sampled_from(NODES), st.sampled_from(OTHERS))
def test_a_value_of_another_type_anywhere_is_an_error_or_fine(path: tuple[Any, ...], value: Any) -> None:
    judged(written(replaced(path, value)))


@settings(max_examples=40)
@given(st.sampled_from(NODES), st.sampled_from(NODES))
def test_a_part_of_the_document_in_the_place_of_another_is_an_error_or_fine(
    path: tuple[Any, ...], other: tuple[Any, ...]
) -> None:
    value = DATA
    for part in other:
        value = value[part]
    if other != path[: len(other)]:
        judged(written(replaced(path, value)))


@settings(max_examples=60)
@given(st.sampled_from([path for path in NODES if path]))
def test_a_part_that_is_missing_is_an_error_or_fine(path: tuple[Any, ...]) -> None:
    data = deepcopy(DATA)
    node = data
    for part in path[:-1]:
        node = node[part]
    del node[path[-1]]
    judged(written(data))


@settings(max_examples=80)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 40), st.text(max_size=6))
def test_damaged_text_is_an_error_or_fine(start: int, length: int, put: str) -> None:
    judged(GOOD[:start] + put + GOOD[start + length :])


@settings(max_examples=200)
@given(st.binary(max_size=200))
def test_any_bytes_are_an_error(content: bytes) -> None:
    with pytest.raises(DocumentError):
        read_document(content)


@settings(max_examples=200)
@given(st.text(alphabet="abn:-?[]{}#&*!|>'\"%@`, \n\t0.9~", max_size=60))
def test_any_scribble_of_yaml_signs_is_an_error(text: str) -> None:
    with pytest.raises(DocumentError):
        read_document(text)
