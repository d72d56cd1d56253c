"""Slips: small changes of the machine's code, one at a time. Are they noticed?

    python -m tests.campaign.slips [DOC] [--sample N] [--keep FILE] [--both]

Operators over the syntax tree make them, of every function of the modules in `SLIPPING`. Without `--both` the
instrument is built from a copy of these modules in which one has the slip; the checker and its oracle keep
the originals, and the two meet through bytes, times and hands only: the checker has to find it. With `--both`
the module itself has the slip, for device and oracle alike: then the vectors that were written by hand, the C
core or the checker have to. A slip's name says its module, function, operator and which of them:
`device:Device._put/dropped/2`. Those of `slips.txt`, beside this file, can show in nothing that is promised.

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

import argparse
import ast
import inspect
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache, wraps
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

from tests.codegen.build import build_library
from tests.codegen.differential import compare
from tests.protocol.test_vectors import SPEC, Player
from wirevow.emu.audit import Trial, tried, vow_at
from wirevow.emu.executor import Ended, results
from wirevow.emu.instrument import Instrument
from wirevow.emu.kept import Kept
from wirevow.emu.mutants import TooLong, digest, limited
from wirevow.emu.ports.address import find
from wirevow.protocol.document.load import load_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vectors import read_vectors
from wirevow.protocol.vow import Vow, compile_vow

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

LINES = 2000
"""Of a comparison with the C core."""

LIMIT_S = 25
"""Of a processor's time: several times what the check of a good instrument takes."""

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
        if isinstance(node.left, ast.Constant | ast.JoinedStr) and isinstance(node.left.value, str | bytes):  # type: ignore[union-attr]
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


def drawn(vow: Vow, count: int | None = None, of: Sequence[str] = SLIPPING) -> list[Slip]:
    """Slips that the check of a good instrument comes by: so many, or all, in an order that a digest gives.

    Of what never runs in it, nothing can show.
    """
    run = lines_run(vow)
    found = [slip for module in of for slip in slips(module) if (module, slip.line) in run]
    return sorted(found, key=lambda each: digest(each.name))[:count]


# ------------------------------------------------------------------------------------------------- the copy


@cache
def _source(module: str) -> tuple[str, str]:
    """Full name and source of a module that instruments are made of. WirevowError: there is none."""
    full = next((f"wirevow.{each}" for each in MODULES if each.rpartition(".")[2] == module), "")
    spec = find_spec(full) if full else None
    if spec is None or spec.origin is None:
        raise WirevowError(f"no module {module[:60]!r} has slips; there are {', '.join(SLIPPING)}")
    return full, Path(spec.origin).read_text(encoding="utf-8")


@cache
def _tree(module: str) -> ast.Module:
    return ast.parse(_source(module)[1])


@cache
def _code(module: str) -> CodeType:
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


def copied(slip: Slip | None) -> dict[str, ModuleType]:
    """A copy of the modules, with the slip if there is one."""
    names = {each.rpartition(".")[2]: f"wirevow.{each}" for each in MODULES}
    kept = {full: import_module(full) for full in names.values()}
    codes = {short: _code(short) for short in names}
    if slip is not None:
        codes[slip.name.partition(":")[0]] = changed(slip)
    made: dict[str, ModuleType] = {}
    try:
        for short, full in names.items():
            sys.modules[full] = made[short] = ModuleType(full)
            exec(codes[short], made[short].__dict__)
    finally:
        sys.modules.update(kept)
    return made


def lines_run(vow: Vow) -> frozenset[tuple[str, int]]:
    """The lines of the modules that run in a whole check of the good instrument: module and number."""
    run: set[tuple[str, int]] = set()
    file_of = {f"<{name}>": name for name in (*SLIPPING, *SHARED)}

    def called(frame: FrameType, event: str, _: object) -> Callable[..., Any] | None:
        module = file_of.get(frame.f_code.co_filename)
        if module is None:
            return None

        def line(frame: FrameType, event: str, _: object) -> Any:
            run.add((module, frame.f_lineno))
            return line

        return line

    before = sys.gettrace()
    sys.settrace(called)
    try:
        made = copied(None)
        tables = made["vow"].compile_vow(vow.document)
        tried(vow, lambda: made["instrument"].Instrument(tables), None, 0)
    finally:
        sys.settrace(before)
    return frozenset(run)


def slip_named(name: str) -> Slip:
    """The slip of that name. WirevowError: there is none."""
    module = name.partition(":")[0]
    for slip in slips(module):
        if slip.name == name:
            return slip
    raise WirevowError(f"there is no slip {name[:120]!r}; a name is module:function/operator/number")


def build_slip(vow: Vow, name: str, seed: int = 0) -> Instrument:
    """The instrument with a slip in its code. WirevowError: there is none of that name.

    Whatever else comes out of its methods is `Crashed`.
    """
    made = copied(slip_named(name))
    tables = made["vow"].compile_vow(vow.document)
    made_of = made["instrument"].Instrument
    for method, work in vars(made_of).items():
        if isinstance(work, FunctionType) and not method.startswith("_"):
            setattr(made_of, method, _guarded(work))
    instrument: Instrument = made_of(tables, None, seed)
    return instrument


class Crashed(BaseException):
    """The changed code breaks off: no error of the check, which must not go on."""


def _guarded(work: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(work)
    def guarded(*given: Any, **named: Any) -> Any:
        try:
            return work(*given, **named)
        except TooLong:
            raise
        except Exception as error:
            raise Crashed(f"{type(error).__name__}: {error}") from error

    return guarded


# ---------------------------------------------------------------------------------------------- trying them


def attempt(task: tuple[str, str, int]) -> Trial:
    """One trial of document, slip and seed. Whose code breaks off crashes, and who takes too long hangs."""
    document, name, seed = task
    vow = vow_at(document)
    begun = time.perf_counter()
    try:
        with limited(LIMIT_S):
            trial = tried(vow, lambda: build_slip(vow, name, seed), name, seed)
    except Crashed as broken:
        return Trial(name, seed, "crash", 0, round(time.perf_counter() - begun, 3), message=str(broken))
    return replace(trial, outcome="hang") if trial.message.startswith(TooLong.__name__) else trial


def slip_into(name: str) -> None:
    """Change the module itself, for the rest of this process: for everything that stands on it."""
    slip = slip_named(name)
    module, _, function = name.partition("/")[0].partition(":")
    code = next(each for where, each in _codes(changed(slip), "") if where == function)
    owner: Any = import_module(_source(module)[0])
    for part in function.split("."):
        owner = inspect.getattr_static(owner, part)
    owner = getattr(owner, "fget", None) or getattr(owner, "__func__", owner)
    inspect.unwrap(owner).__code__ = code


def _codes(code: CodeType, inside: str) -> Iterator[tuple[str, CodeType]]:
    for each in code.co_consts:
        if isinstance(each, CodeType) and not each.co_name.startswith("<"):
            yield f"{inside}{each.co_name}", each
            yield from _codes(each, f"{inside}{each.co_name}.")


NOT_CAUGHT = "nothing"


def caught_by(task: tuple[str, str, str]) -> str:
    """What notices a slip in both views: `vectors`, `core`, `check`, or `nothing`; the process keeps it."""
    document, name, library = task
    slip_into(name)
    try:
        with limited(LIMIT_S):
            vow = compile_vow(load_document(document).document)
            for case in read_vectors(SPEC / "vectors"):
                Player(vow).play(case)
    except Exception:
        return "vectors"
    try:
        with limited(LIMIT_S):
            compare(vow, Path(library), LINES, 1)
    except Exception:
        return "core"
    with limited(LIMIT_S):
        trial = tried(vow, lambda: Instrument(vow), name, 0)
    return NOT_CAUGHT if trial.outcome == "passed" else "check"


def _lost(task: tuple[str, str, str], ended: Ended) -> str:
    return "hang"


def found(document: Path, count: int | None, keep: Path | None) -> Iterator[tuple[Slip, str]]:
    """Slips of the instrument alone, and what came of each: an outcome of a `Trial`."""
    drawn_ones = {slip.name: slip for slip in drawn(vow_at(str(document)), count)}
    kept = Kept(keep, slips=str(document)) if keep is not None else None
    known = {} if kept is None else kept.known
    yield from ((slip, known[name]) for name, slip in drawn_ones.items() if name in known)
    tasks = [(str(document), name, 0) for name in drawn_ones if name not in known]
    for (_, name, _), trial in results(attempt, tasks):
        if kept is not None:
            kept.add(name, trial.outcome)
        yield drawn_ones[name], trial.outcome


def found_in_both(document: Path, count: int | None, keep: Path | None) -> Iterator[tuple[Slip, str]]:
    """Slips of both views, and what caught each."""
    drawn_ones = {slip.name: slip for slip in drawn(vow_at(str(document)), count, of=SHARED)}
    kept = Kept(keep, slips=f"both {document}") if keep is not None else None
    known = {} if kept is None else kept.known
    yield from ((slip, known[name]) for name, slip in drawn_ones.items() if name in known)
    with tempfile.TemporaryDirectory() as folder:
        library = build_library(vow_at(str(document)), Path(folder), ["-O1"])
        tasks = [(str(document), name, str(library)) for name in drawn_ones if name not in known]
        for (_, name, _), by in results(caught_by, tasks, ended=_lost, limit_s=4 * LIMIT_S):
            if kept is not None:
                kept.add(name, by)
            yield drawn_ones[name], by


@cache
def excused() -> dict[str, str]:
    """Slips of which nothing can show, by name or pattern, and why."""
    lines = Path(__file__).with_name("slips.txt").read_text(encoding="ascii").splitlines()
    rows = (line.partition("  ") for line in lines if line and not line.startswith(";"))
    return {name: why.strip() for name, _, why in rows}


def is_excused(name: str) -> bool:
    """Whether nothing of it can show."""
    return any(fnmatchcase(name, pattern) for pattern in excused())


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("document", nargs="?", default="tarn")
    parser.add_argument("--sample", type=int, metavar="N", help="So many, drawn by a digest of their names.")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="Keep what came of each, and go on there.")
    parser.add_argument("--both", action="store_true", help="In device and oracle alike.")
    given = parser.parse_args()
    document = find(given.document).resolve()
    counted: Counter[str] = Counter()
    holes: list[Slip] = []
    for slip, outcome in (found_in_both if given.both else found)(document, given.sample, given.keep):
        missed = outcome in (NOT_CAUGHT, "passed", "inconclusive", "error")
        told = "cannot show" if missed and is_excused(slip.name) else outcome
        counted[told] += 1
        if missed and told == outcome:
            holes.append(slip)
            print(f"{slip.name}, line {slip.line}: {slip.change} [{outcome}]", flush=True)
    whole = counted.total() - counted["cannot show"]
    figures = ", ".join(f"{count} {name}" for name, count in counted.most_common())
    print(f"{document.stem}: {whole - len(holes)} of {whole} slips noticed ({figures})")
    return int(bool(holes))


if __name__ == "__main__":
    from tests.campaign import slips as module  # as other processes import it

    sys.exit(module.main())
