"""Mutation operators: every small slip that could be made in a C source.

The operators are the usual selective set (A. J. Offutt et al., "An experimental determination of sufficient
mutant operators", ACM TOSEM 5(2), 1996) and the deletion of statements. A parser finds the places: rules on
lines of text, as general-purpose mutators have them, leave out every line with a comment, change digits
within names, and cannot tell a condition from a call.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import tree_sitter_c
from tree_sitter import Language, Node, Parser

BINARY: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    # Each comparison becomes its neighbour at the boundary and its opposite.
    "relational": {
        "<": ("<=", ">="),
        "<=": ("<", ">"),
        ">": (">=", "<="),
        ">=": (">", "<"),
        "==": ("!=",),
        "!=": ("==",),
    },
    "logical": {"&&": ("||",), "||": ("&&",)},
    "arithmetic": {"+": ("-",), "-": ("+",), "*": ("/",), "/": ("*",), "%": ("/",)},
    "bitwise": {"&": ("|",), "|": ("&",), "^": ("|",), "<<": (">>",), ">>": ("<<",)},
}
"""Kind -> operator between two operands -> what it becomes."""

UPDATES: Mapping[str, str] = {
    "++": "--", "--": "++", "+=": "-=", "-=": "+=", "|=": "&=", "&=": "|=", "<<=": ">>=", ">>=": "<<=",
}  # fmt: skip
"""Kind `update`: an operator that changes a variable -> what it becomes."""

UNARY = frozenset({"!", "-", "~"})
"""Kind `unary`: operators that are dropped."""

IN_PARENTHESES = frozenset({"if_statement", "while_statement", "do_statement"})
CONDITIONAL = IN_PARENTHESES | {"for_statement", "conditional_expression"}
"""Kind `negation`: what has a condition to negate."""

DELETED = frozenset({"expression_statement", "break_statement", "continue_statement"})
"""Kind `deletion`: statements that are left out."""

KINDS: Mapping[str, str] = {
    "relational": "a comparison at its boundary or the other way round",
    "logical": "`and` for `or`, or the reverse",
    "arithmetic": "another arithmetic operator",
    "bitwise": "another operator on bits",
    "update": "counted down for up, or the reverse",
    "unary": "a sign, `!` or `~` dropped",
    "negation": "a condition negated",
    "deletion": "a statement left out",
    "truth": "`true` for `false`, or the reverse",
    "constant": "a number or character one off",
    "table": "a number in a table one off",
}
"""Every kind and what it does."""

_NUMBER = re.compile(r"(0[xX][0-9a-fA-F]+|[0-9]+)([uUlL]*)")
_PARSER = Parser(Language(tree_sitter_c.language()))


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one source file.

    Its name survives whatever happens elsewhere: FILE:FUNCTION:KIND:HASH, the hash being that of the line and
    of what becomes of it, and where the function has the line twice, of the lines before and after it.
    """

    name: str
    file: str
    function: str
    """Or the table, or `-` outside of both."""
    kind: str
    line: int
    """Of the source as it is now, from 1."""
    before: str
    """The line, without indentation."""
    after: str
    """What it becomes."""
    start: int
    end: int
    replacement: str
    """For the bytes from `start` to before `end`."""

    def applied(self, source: str) -> str:
        """The whole source with the change."""
        data = source.encode()
        return (data[: self.start] + self.replacement.encode() + data[self.end :]).decode()


@dataclass(frozen=True, slots=True)
class _Change:
    kind: str
    function: str
    node: Node
    replacement: str


def mutants_of(file: str, source: str) -> list[Mutant]:
    """Every mutant of a C source, in the order of its text."""
    data = source.encode()
    lines = data.splitlines()
    changes = sorted(_changes(_PARSER.parse(data).root_node, "-"), key=lambda each: each.node.start_byte)
    rows = {(change.function, change.node.start_point.row) for change in changes}
    alike = Counter((function, lines[row].strip()) for function, row in rows)
    seen: Counter[str] = Counter()
    found: list[Mutant] = []
    for change in changes:
        node, function = change.node, change.function
        row, column = node.start_point
        before = lines[row]
        after = (
            before[:column] + change.replacement.encode() + before[column + node.end_byte - node.start_byte :]
        )
        context = [before.strip(), after.strip()]
        if alike[function, before.strip()] > 1:
            context += [lines[row - 1].strip(), lines[row + 1].strip()]
        digest = hashlib.sha256(b"\0".join(context)).hexdigest()[:8]
        name = f"{file}:{function}:{change.kind}:{digest}"
        seen[name] += 1
        found.append(
            Mutant(
                name=name if seen[name] == 1 else f"{name}.{seen[name]}",
                file=file,
                function=function,
                kind=change.kind,
                line=row + 1,
                before=_plain(before),
                after=_plain(after),
                start=node.start_byte,
                end=node.end_byte,
                replacement=change.replacement,
            )
        )
    return found


def _changes(node: Node, function: str) -> Iterator[_Change]:
    """What can be changed below a node of the syntax tree."""
    if node.type in ("function_definition", "init_declarator") and function == "-":
        function = _declared(node)
    for kind, replacement in _replacements(node):
        yield _Change(kind, function, node, replacement)
    for child in node.children:
        yield from _changes(child, function)


def _replacements(node: Node) -> Iterator[tuple[str, str]]:
    """Kind and replacement of every change of this very node."""
    text = _text(node)
    parent = node.parent
    if parent is None:
        return
    if parent.type == "binary_expression" and node == parent.child_by_field_name("operator"):
        for kind, table in BINARY.items():
            for other in table.get(text, ()):
                yield kind, other
    elif text in UPDATES and parent.type in ("update_expression", "assignment_expression"):
        yield "update", UPDATES[text]
    elif parent.type == "unary_expression" and text in UNARY:
        yield "unary", " "
    if parent.type in CONDITIONAL and parent.child_by_field_name("condition") == node:
        inner = text if node.type == "parenthesized_expression" else f"({text})"
        yield "negation", f"(!{inner})" if parent.type in IN_PARENTHESES else f"!{inner}"
    if node.type in DELETED:
        yield "deletion", ";"
    if node.type in ("true", "false"):
        yield "truth", "false" if node.type == "true" else "true"
    if node.type == "number_literal":
        yield from (("table" if _in_table(node) else "constant", other) for other in _neighbours(text))
    if node.type == "char_literal" and len(text) == 3:
        yield "constant", f"'{chr(ord(text[1]) + 1)}'"


def _neighbours(number: str) -> Iterator[str]:
    """One more and one less than a number as it is written."""
    match = _NUMBER.fullmatch(number)
    if match is None:
        return
    digits, suffix = match.groups()
    value = int(digits, 16 if digits[:2].lower() == "0x" else 10)
    for other in (value + 1, value - 1):
        if other >= 0:
            yield f"{hex(other) if digits[:2].lower() == '0x' else other}{suffix}"


def _in_table(node: Node) -> bool:
    while node.parent is not None:
        node = node.parent
        if node.type == "initializer_list":
            return True
    return False


def _declared(node: Node) -> str:
    """The name that a definition or an initialised declaration gives."""
    found: Node | None = node
    while found is not None and found.type != "identifier":
        found = found.child_by_field_name("declarator")
    return "-" if found is None else _text(found)


def _text(node: Node) -> str:
    return (node.text or b"").decode()


def _plain(line: bytes) -> str:
    return " ".join(line.decode().split())
