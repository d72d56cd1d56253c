"""Text to checked tree, by way of Python's own expression grammar (`ast`), of which this is a small part:

    numbers     12  0.05          exact; no exponent, at most 18 characters
    points      limit.current
    words       "power"           only beside == and !=
    arithmetic  + - * /  and the sign -
    functions   min(a, b, ...)  max(a, b, ...)  abs(a)  clip(a, low, high)
    comparisons < <= > >= == !=   chains such as 0 < a < 5 too
    logic       and  or  not

Hostile text never reaches Python's parser: characters, length and nesting are checked before it.
"""

from __future__ import annotations

import ast
import keyword
import re
from collections.abc import Callable
from fractions import Fraction
from typing import NoReturn

from wirevow.protocol.expression.tree import (
    CONDITIONS,
    And,
    Arithmetic,
    ArithmeticOperator,
    Call,
    Comparison,
    Condition,
    ExpressionError,
    FunctionName,
    Negation,
    Node,
    Not,
    Number,
    Or,
    Point,
    Quantity,
    Relation,
    Word,
    children,
    names,
    walk,
)

TEXT_LIMIT = 500
DEPTH_LIMIT = 32
NUMBER_LIMIT = 18

_LOGIC = frozenset({"and", "or", "not"})

RESERVED = frozenset(keyword.kwlist)
"""Words that cannot be a part of a point's name in an expression, because Python's grammar has them."""

_TOKEN = re.compile(
    r"""
    (?P<space>[ \t\r\n]+)
  | (?P<number>[0-9][0-9A-Za-z_.]*|\.[0-9][0-9A-Za-z_.]*)
  | (?P<name>[A-Za-z_][A-Za-z0-9_]*)
  | (?P<string>"[^"]*"|'[^']*')
  | (?P<symbol>\*\*|//|<<|>>|<>|<=|>=|==|!=|&&|\|\||:=|->|[-+*/<>(),.])
    """,
    re.VERBOSE,
)
_NUMBER = re.compile(r"(?:0|[1-9][0-9]*)(?:\.[0-9]+)?")
_WORD = re.compile(r"[!#-&(-\[\]-~]{1,32}")  # printable, without space, quotes and backslash

_REMEDIES = {
    "**": "there is no power operator: multiply, as in a * a",
    "//": "there is no rounding division: write / and let the limit round inwards",
    "<<": "there are no bit operations: multiply by a number",
    ">>": "there are no bit operations: divide by a number",
    "<>": "write != for 'is not equal'",
    "&&": "write 'and' instead of '&&'",
    "||": "write 'or' instead of '||'",
    ":=": "nothing can be assigned in an expression",
    "->": "'->' means nothing here",
    "=": "write == to compare",
    "!": "write 'not' instead of '!'",
    "%": "there is no remainder operator, and no percent sign: write 0.05 instead of 5 %",
    "^": "there is no power operator: multiply, as in a * a",
    "&": "write 'and' instead of '&'",
    "|": "write 'or' instead of '|'",
    "~": "there are no bit operations",
    "[": "there is no indexing: name the point in full, as in limit.current",
    "{": "only ( ) group",
    "}": "only ( ) group",
    "]": "only ( ) group",
    "#": "there are no comments in an expression: put the comment beside it",
    ":": "there are no ranges and no assignments: compare, as in 0 <= a <= 5",
    ";": "one expression only, without ';'",
    "?": "there is no conditional operator: use min, max or clip",
    "\\": "an expression has no '\\': break the line without it",
    '"': "the word's closing quote is missing",
    "'": "the word's closing quote is missing",
    "\u00d7": "write * to multiply",
    "\u00b7": "write * to multiply",
    "\u00f7": "write / to divide",
    "\u2212": "write the ASCII minus sign -",
    "\u2013": "write the ASCII minus sign -",
    "\u2264": "write <= for 'at most'",
    "\u2265": "write >= for 'at least'",
    "\u2260": "write != for 'is not equal'",
    "\u2126": "units are not written in expressions: the quantity of each point has one",
    "\u00b0": "units are not written in expressions: the quantity of each point has one",
}

_ARITHMETIC: dict[type[ast.operator], ArithmeticOperator] = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/",
}  # fmt: skip
_RELATIONS: dict[type[ast.cmpop], Relation] = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
}  # fmt: skip
_FUNCTIONS: dict[str, tuple[FunctionName, Callable[[int], bool], str]] = {
    "min": ("min", lambda count: count >= 2, "min takes two or more numbers"),
    "max": ("max", lambda count: count >= 2, "max takes two or more numbers"),
    "abs": ("abs", lambda count: count == 1, "abs takes one number"),
    "clip": ("clip", lambda count: count == 3, "clip takes three numbers: clip(value, low, high)"),
}


def read(text: str) -> Quantity | Condition:
    """The checked tree of `text`. Raises ExpressionError with the place and what to write instead."""
    numbers = _scan(text)
    # Line breaks come from folded YAML text; as spaces they leave the columns where they were.
    body = re.sub(r"[\t\r\n]", " ", text)
    shift = len(body) - len(body.lstrip())
    try:
        parsed = ast.parse(body.strip(), mode="eval")
    except SyntaxError as error:
        column = min(shift + (error.offset or 1), len(text))
        raise _syntax_error(text, column) from None
    except (RecursionError, MemoryError, ValueError):
        raise ExpressionError("the expression is too deeply nested: split it") from None
    root = _Builder(numbers, shift).build(parsed.body, 1)
    if isinstance(root, Word):
        raise ExpressionError(f'compare a point with "{root.word}": a word alone says nothing', root.column)
    _check_words(root)
    return root


def _scan(text: str) -> dict[int, str]:
    """Check characters, length and nesting; return the source text of each number by its index."""
    if len(text) > TEXT_LIMIT:
        raise ExpressionError(
            f"the expression has {len(text)} characters, {TEXT_LIMIT} are allowed: split it", TEXT_LIMIT + 1
        )
    if not text.strip():
        raise ExpressionError("the expression is empty: write a number, a point or a comparison")
    numbers: dict[int, str] = {}
    index = open_parentheses = signs = 0
    previous = ("", "", 0)  # kind, text and end of the token before, spaces apart
    while index < len(text):
        found = _TOKEN.match(text, index)
        if found is None:
            _refuse_character(text[index], index + 1)
        kind, token = str(found.lastgroup), found.group()
        column = index + 1
        if kind != "space":
            touching = previous[2] == index
            if kind == "symbol" and token in _REMEDIES:
                raise ExpressionError(_REMEDIES[token], column)
            if kind == "number":
                numbers[index] = _check_number(token, column)
            elif kind == "string":
                if previous[0] == "name" and touching and previous[1] not in _LOGIC:
                    raise ExpressionError(f"a word has no prefix: write {token}", column)
                if previous[0] == "string":
                    raise ExpressionError("two words stand side by side: compare with one of them", column)
                _check_word(token, column)
            elif kind == "name":
                _check_name(token, previous[1] == ".", column)
            # Python's parser recurses on signs, `not` and open parentheses; the tree's depth comes later.
            signs = signs + 1 if token in ("-", "+", "not") else signs if token == "(" else 0
            open_parentheses += (token == "(") - (token == ")")
            if open_parentheses + signs > DEPTH_LIMIT:
                raise ExpressionError(f"nested more than {DEPTH_LIMIT} levels deep: split it", column)
            previous = (kind, token, found.end())
        index = found.end()
    return numbers


def _refuse_character(character: str, column: int) -> NoReturn:
    remedy = _REMEDIES.get(character)
    if remedy is None:
        remedy = f"{character!r} has no meaning in an expression: use names, numbers, + - * / and comparisons"
    raise ExpressionError(remedy, column)


def _check_number(token: str, column: int) -> str:
    if _NUMBER.fullmatch(token):
        if len(token) > NUMBER_LIMIT:
            raise ExpressionError(f"a number has at most {NUMBER_LIMIT} characters, not {len(token)}", column)
        return token
    if re.fullmatch(r"[0-9.]+[eE][0-9]*", token):
        remedy = "write the number without an exponent, as in 0.001"
    elif re.fullmatch(r"\.[0-9]+", token):
        remedy = f"write a digit before the point, as in 0{token[:8]}"
    elif re.fullmatch(r"[0-9]+\.", token):
        remedy = f"write a digit after the point, as in {token[:8]}0"
    elif re.fullmatch(r"0[0-9]+(\.[0-9]+)?", token):
        remedy = "write the number without leading zeros"
    elif "_" in token:
        remedy = "write the number without '_'"
    elif re.fullmatch(r"[0-9.]+[A-Za-z]+", token):
        remedy = "write the number alone, in the unit of the quantity, with a space before a following word"
    else:
        remedy = "write a decimal number, as in 12 or 0.05"
    raise ExpressionError(f"{token[:NUMBER_LIMIT]!r} is not a number: {remedy}", column)


def _check_word(token: str, column: int) -> None:
    if not _WORD.fullmatch(token[1:-1]):
        raise ExpressionError(
            f"{token[:34]} is not a word: write one of the point's choices, without spaces", column
        )


def _check_name(token: str, dotted: bool, column: int) -> None:
    if token in ("True", "False", "None"):
        raise ExpressionError(f"{token} is not a value here: write a comparison", column)
    if token in RESERVED and (dotted or token not in _LOGIC):
        raise ExpressionError(
            f"'{token}' cannot stand in an expression; no point has it as a part of its name", column
        )


def _syntax_error(text: str, column: int) -> ExpressionError:
    """The error for a text of allowed tokens that Python's parser did not take at `column`."""
    ends = len(text.rstrip())
    if text.count("(") > text.count(")"):
        return ExpressionError("a closing ) is missing", text.rindex("(") + 1)
    if text.count(")") > text.count("("):
        return ExpressionError("there is a ) too many", text.rindex(")") + 1)
    if re.search(r"([-+*/<>=,.]|\b(and|or|not))$", text[:ends]):
        return ExpressionError("the expression breaks off: something is missing at the end", ends)
    rest = text[column - 1 :].split()
    near = rest[0][:20] if rest else ""
    return ExpressionError(
        f"not an expression near {near!r}: an operator or an operand is missing (units are not written)",
        column,
    )


class _Builder:
    """Turns Python's tree into ours, refusing whatever is not on the list."""

    def __init__(self, numbers: dict[int, str], shift: int) -> None:
        self._numbers = numbers
        self._shift = shift

    def _column(self, node: ast.expr) -> int:
        return self._shift + node.col_offset + 1

    def build(self, node: ast.expr, depth: int) -> Node:
        column = self._column(node)
        if depth > DEPTH_LIMIT:
            raise ExpressionError(
                f"nested more than {DEPTH_LIMIT} levels deep (a chain nests at each operator): split it",
                column,
            )
        match node:
            case ast.Constant(value=str(word)):
                return Word(word, column)
            case ast.Constant():
                # ast has already made a float of it; the source text is exact.
                return Number(Fraction(self._numbers[column - 1]), column)
            case ast.Name() | ast.Attribute():
                return Point(self._name(node), column)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                return Negation(self._quantity(operand, depth + 1), column)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                return Not(self._condition(operand, depth + 1), column)
            case ast.UnaryOp():
                raise ExpressionError("write the number without a leading +", column)
            case ast.BinOp(left=left, op=op, right=right):
                return Arithmetic(
                    self._quantity(left, depth + 1),
                    _ARITHMETIC[type(op)],
                    self._quantity(right, depth + 1),
                    column,
                )
            case ast.BoolOp(op=op, values=values):
                parts = tuple(self._condition(value, depth + 1) for value in values)
                return And(parts, column) if isinstance(op, ast.And) else Or(parts, column)
            case ast.Compare(left=left, ops=ops, comparators=comparators):
                return self._chain([left, *comparators], ops, depth)
            case ast.Call():
                return self._call(node, depth)
            case ast.Tuple():
                raise ExpressionError("a comma stands only between the arguments of a function", column)
        raise ExpressionError("not allowed: use arithmetic, comparisons and min, max, abs, clip", column)

    def _name(self, node: ast.expr) -> str:
        match node:
            case ast.Name(id=name):
                if name in _FUNCTIONS:
                    raise ExpressionError(f"{name} is a function: write {name}(...)", self._column(node))
                return name
            case ast.Attribute(value=value, attr=attribute):
                return f"{self._name(value)}.{attribute}"
        raise ExpressionError("a dot stands only between the words of a point's name", self._column(node))

    def _call(self, node: ast.Call, depth: int) -> Call:
        column = self._column(node)
        known = _FUNCTIONS.get(node.func.id) if isinstance(node.func, ast.Name) else None
        if known is None:
            raise ExpressionError(
                "not a function: the functions are min, max, abs and clip (write * to multiply)", column
            )
        function, fits, remedy = known
        if not fits(len(node.args)):
            raise ExpressionError(f"{remedy}; there are {len(node.args)} here", column)
        return Call(function, tuple(self._quantity(argument, depth + 1) for argument in node.args), column)

    def _chain(self, operands: list[ast.expr], relations: list[ast.cmpop], depth: int) -> Condition:
        built = [self.build(operand, depth + 1) for operand in operands]
        links: list[Condition] = []
        for left, relation, right in zip(built, relations, built[1:], strict=False):
            links.append(self._comparison(left, _RELATIONS[type(relation)], right))
        return links[0] if len(links) == 1 else And(tuple(links), links[0].column)

    def _comparison(self, left: Node, relation: Relation, right: Node) -> Comparison:
        for side in (left, right):
            if isinstance(side, CONDITIONS):
                raise ExpressionError(
                    "conditions cannot be compared: join them with and, or, not", side.column
                )
        assert not isinstance(left, CONDITIONS)
        assert not isinstance(right, CONDITIONS)
        for side, other in ((left, right), (right, left)):
            if isinstance(side, Word):
                if relation not in ("==", "!="):
                    raise ExpressionError(f"words have no order: write == or !=, not {relation}", side.column)
                if not isinstance(other, Point):
                    raise ExpressionError("a word is compared with a point alone", side.column)
        return Comparison(left, relation, right, left.column)

    def _quantity(self, node: ast.expr, depth: int) -> Quantity:
        built = self.build(node, depth)
        if isinstance(built, Word):
            raise ExpressionError("a word stands only beside == or !=", built.column)
        if isinstance(built, CONDITIONS):
            raise ExpressionError("a condition stands where a number is needed", built.column)
        return built

    def _condition(self, node: ast.expr, depth: int) -> Condition:
        built = self.build(node, depth)
        if isinstance(built, CONDITIONS):
            return built
        if isinstance(built, Point):
            raise ExpressionError(
                f"a condition is needed here: compare {built.name}, as in {built.name} > 0", built.column
            )
        raise ExpressionError("a condition is needed here: write a comparison", built.column)


def word_points(root: Node) -> frozenset[str]:
    """The points that hold a choice's word: those compared with a word, or with such a point."""
    pairs: list[tuple[str, str]] = []
    found: set[str] = set()
    for node in walk(root):
        match node:
            case Comparison(left=Point(name=name), right=Word()):
                found.add(name)
            case Comparison(left=Word(), right=Point(name=name)):
                found.add(name)
            case Comparison(left=Point(name=first), relation="==" | "!=", right=Point(name=second)):
                pairs.append((first, second))
    while grown := {name for pair in pairs if found & set(pair) for name in pair} - found:
        found |= grown
    return frozenset(found)


def _check_words(root: Quantity | Condition) -> None:
    """A point cannot be a word in one place and a number in another."""
    words = word_points(root)
    if not words & names(root):
        return
    for node in walk(root):
        match node:
            case Comparison(left=Point() | Word(), relation="==" | "!=", right=Point() | Word()):
                continue
        for operand in children(node):
            if isinstance(operand, Point) and operand.name in words:
                raise ExpressionError(
                    f"{operand.name} is a word elsewhere in this expression and a number here", operand.column
                )
