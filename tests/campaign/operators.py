"""Operators over the syntax tree of the machine's code: each makes small changes, one at a time.

=============  ============================================================================================
operator       what is otherwise
=============  ============================================================================================
`compared`     a comparison is another: < for <=, == for !=, in for not in
`negated`      a condition is turned round
`halved`       one part of an `and` or `or` is missing, or the one is the other
`dropped`      a statement is missing
`counted`      a whole number is one more, a truth is the other
`reckoned`     + for -, * for //, min for max
`exchanged`    two tests that end a function, one behind the other, change places
`forgotten`    a case of a `match` is missing
=============  ============================================================================================
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from types import CodeType
from typing import Any

from wirevow.protocol.errors import WirevowError

MODULES = (
    "protocol.framing",
    "protocol.message",
    "protocol.quantity",
    "protocol.record",
    "protocol.vow",
    "protocol.store",
    "protocol.formulas",
    "protocol.device",
    "emu.rules",
    "emu.instrument",
)
"""What the simulated instrument is made of, each after those that it imports."""

SLIPPING = ("framing", "message", "record", "store", "device")
"""Those of which slips are made: how an instrument behaves. The tables have mutants of their own, the plant
has faults; the rest is the simulation's own book-keeping."""

SHARED = (*SLIPPING, "quantity", "formulas")
"""Those on which the oracle stands as well."""

UNSEEN = frozenset({"__init__", "__repr__", "__len__", "__iter__", "__contains__"})
"""Functions that no instrument's behaviour comes from: a boot sets all anew."""

Step = tuple[str, int | None]
Way = tuple[Step, ...]
"""The way from the root of a tree to a node: fields, and places in their lists."""


@dataclass(frozen=True, slots=True)
class Slip:
    """One change of one module."""

    name: str
    line: int
    change: str
    """Old and new, as source."""
    path: Way
    new: ast.AST | None
    """What comes in the node's place; None: two neighbours change places."""


# ---------------------------------------------------------------------------------------------- making them

_OTHER: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
_EXTREME = {"min": "max", "max": "min"}


def _compared(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Compare):
        for place, op in enumerate(node.ops):
            ops = [_OTHER[type(op)]() if at == place else each for at, each in enumerate(node.ops)]
            yield ast.Compare(node.left, ops, node.comparators)  # type: ignore[arg-type]


def _negated(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.If | ast.While | ast.IfExp):
        if isinstance(node.test, ast.Compare) and len(node.test.ops) == 1:
            return  # `compared` has turned it
        test = node.test.operand if isinstance(node.test, ast.UnaryOp) else ast.UnaryOp(ast.Not(), node.test)
        yield _with(node, test=test)


def _halved(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.BoolOp):
        yield ast.BoolOp(_OTHER[type(node.op)](), node.values)  # type: ignore[arg-type]
        for place in range(len(node.values)):
            left = node.values[:place] + node.values[place + 1 :]
            yield left[0] if len(left) == 1 else ast.BoolOp(node.op, left)


def _dropped(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Expr) and not isinstance(node.value, ast.Constant | ast.Yield | ast.YieldFrom):
        yield ast.Pass()
    if isinstance(node, ast.Assign | ast.AugAssign):
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        if isinstance(target, ast.Attribute | ast.Subscript) or isinstance(node, ast.AugAssign):
            yield ast.Pass()
    if isinstance(node, ast.If) and isinstance(node.body[-1], ast.Return | ast.Continue) and not node.orelse:
        yield ast.Pass()


def _counted(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield ast.Constant(not node.value)
        elif isinstance(node.value, int):
            yield ast.Constant(node.value + 1)


def _reckoned(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.BinOp) and type(node.op) in _OTHER:
        if isinstance(node.left, ast.Constant) and isinstance(node.left.value, str | bytes):
            return
        yield ast.BinOp(node.left, _OTHER[type(node.op)](), node.right)  # type: ignore[arg-type]
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _EXTREME:
        yield ast.Call(ast.Name(_EXTREME[node.func.id], ast.Load()), node.args, node.keywords)


def _forgotten(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Match):
        for place in range(len(node.cases)):
            cases = node.cases[:place] + node.cases[place + 1 :]
            yield ast.Match(node.subject, cases) if cases else ast.Pass()


OPERATORS: dict[str, Callable[[ast.AST], Iterator[ast.AST]]] = {
    "compared": _compared,
    "negated": _negated,
    "halved": _halved,
    "dropped": _dropped,
    "counted": _counted,
    "reckoned": _reckoned,
    "forgotten": _forgotten,
}


def _with(node: ast.AST, **changes: Any) -> ast.AST:
    fields = {name: getattr(node, name) for name in node._fields if hasattr(node, name)}
    return type(node)(**(fields | changes))


def _ends(node: ast.AST) -> bool:
    """Whether it is a test that ends the function, as refusals are."""
    return isinstance(node, ast.If) and not node.orelse and isinstance(node.body[-1], ast.Return)


def slips(module: str) -> Iterator[Slip]:
    """Every slip of a module, in the order of its source."""
    for name, path, function in _functions(_tree(module), ()):
        if name.rpartition(".")[2] in UNSEEN:
            continue
        counted: Counter[str] = Counter()
        for way, node in _nodes(function, path):
            for operator, make in OPERATORS.items():
                for new in make(node):
                    counted[operator] += 1
                    yield _slip(module, name, operator, counted[operator], way, node, new)
            after = _behind(function, path, way)
            if after is not None and _ends(node) and _ends(after):
                counted["exchanged"] += 1
                yield _slip(module, name, "exchanged", counted["exchanged"], way, node, None)


def _slip(
    module: str, function: str, operator: str, number: int, path: Way, old: ast.AST, new: ast.AST | None
) -> Slip:
    name = f"{module}:{function}/{operator}/{number}"
    now = "behind the next" if new is None else _shown(new)
    return Slip(name, getattr(old, "lineno", 0), f"{_shown(old)} -> {now}", path, new)


def _shown(node: ast.AST) -> str:
    return ast.unparse(ast.fix_missing_locations(deepcopy(node))).split("\n")[0][:100]


def _functions(node: ast.AST, path: Way, inside: str = "") -> Iterator[tuple[str, Way, ast.AST]]:
    for place, each in enumerate(getattr(node, "body", ())):
        here = (*path, ("body", place))
        if isinstance(each, ast.FunctionDef):
            yield f"{inside}{each.name}", here, each
        elif isinstance(each, ast.ClassDef):
            yield from _functions(each, here, f"{inside}{each.name}.")


def _nodes(node: ast.AST, path: Way) -> Iterator[tuple[Way, ast.AST]]:
    """Everything in a function's body that does something: no words for people, no types."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "args") and not isinstance(node, ast.Call):
            continue
        places = enumerate(value) if isinstance(value, list) else ((None, value),)
        for place, each in places:
            if isinstance(each, ast.AST) and not isinstance(each, ast.Raise | ast.Assert | ast.JoinedStr):
                here = (*path, (field, place))
                yield here, each
                yield from _nodes(each, here)


def _behind(root: ast.AST, start: Way, path: Way) -> ast.AST | None:
    """The statement behind one, in its list."""
    field, place = path[-1]
    if place is None or field != "body":
        return None
    body = getattr(_at(root, path[len(start) : -1]), "body", [])
    return body[place + 1] if isinstance(body, list) and place + 1 < len(body) else None


def _at(node: ast.AST, path: Way) -> Any:
    for field, place in path:
        value = getattr(node, field)
        node = value if place is None else value[place]
    return node


@cache
def source_of(module: str) -> tuple[str, str]:
    """Full name and source of a module that instruments are made of. WirevowError: there is none."""
    full = next((f"wirevow.{each}" for each in MODULES if each.rpartition(".")[2] == module), "")
    spec = find_spec(full) if full else None
    if spec is None or spec.origin is None:
        raise WirevowError(f"no module {module[:60]!r} has slips; there are {', '.join(SLIPPING)}")
    return full, Path(spec.origin).read_text(encoding="utf-8")


@cache
def _tree(module: str) -> ast.Module:
    return ast.parse(source_of(module)[1])


@cache
def code_of(module: str) -> CodeType:
    return compile(_tree(module), f"<{module}>", "exec", dont_inherit=True)


def changed(slip: Slip) -> CodeType:
    """The module with the slip."""
    module = slip.name.partition(":")[0]
    tree = deepcopy(_tree(module))
    field, place = slip.path[-1]
    parent = _at(tree, slip.path[:-1])
    if slip.new is None:
        body = getattr(parent, field)
        assert place is not None
        body[place : place + 2] = body[place : place + 2][::-1]
    elif place is None:
        setattr(parent, field, deepcopy(slip.new))
    else:
        getattr(parent, field)[place] = deepcopy(slip.new)
    return compile(ast.fix_missing_locations(tree), f"<{module}>", "exec", dont_inherit=True)


def slip_named(name: str) -> Slip:
    """The slip of that name. WirevowError: there is none."""
    module = name.partition(":")[0]
    for slip in slips(module):
        if slip.name == name:
            return slip
    raise WirevowError(f"there is no slip {name[:120]!r}; a name is module:function/operator/number")
