"""Slips: small changes of the machine's code, one at a time. Are they noticed?

    python -m tests.campaign.slips [DOC] [--sample N] [--keep FILE] [--both]

Operators over the syntax tree make them, of every function of the modules in `SLIPPING`. Without `--both` the
instrument is built from a copy of these modules in which one has the slip; the checker and its oracle keep
the originals, and the two meet through bytes, times and hands only: the checker has to find it. With `--both`
the module itself has the slip, for device and oracle alike: then the vectors that were written by hand, the C
core or the checker have to. A slip's name says its module, function, operator and which of them:
`device:Device._put/dropped/2`. Those of `slips_tarn.txt`, beside this file, can show in nothing that Tarn's
document promises.
"""

from __future__ import annotations

import argparse
import inspect
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from functools import cache, wraps
from importlib import import_module
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

from tests.campaign.operators import (
    MODULES,
    SHARED,
    SLIPPING,
    Slip,
    changed,
    code_of,
    slip_named,
    slips,
    source_of,
)
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
from wirevow.protocol.vectors import read_vectors
from wirevow.protocol.vow import Vow, compile_vow

LINES = 2000
"""Of a comparison with the C core."""

LIMIT_S = 25
"""Of a processor's time: several times what the check of a good instrument takes."""


def drawn(vow: Vow, count: int | None = None, of: Sequence[str] = SLIPPING) -> list[Slip]:
    """Slips that the check of a good instrument comes by: so many, or all, in an order that a digest gives.

    Of what never runs in it, nothing can show.
    """
    run = lines_run(vow)
    found = [slip for module in of for slip in slips(module) if (module, slip.line) in run]
    return sorted(found, key=lambda each: digest(each.name))[:count]


# ------------------------------------------------------------------------------------------------- the copy


def copied(slip: Slip | None) -> dict[str, ModuleType]:
    """A copy of the modules, with the slip if there is one."""
    names = {each.rpartition(".")[2]: f"wirevow.{each}" for each in MODULES}
    kept = {full: import_module(full) for full in names.values()}
    codes = {short: code_of(short) for short in names}
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
    file_of = {f"<{name}>": name for name in SHARED}

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
    instrument: Instrument = _guarded(made_of)(tables, None, seed)
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
    owner: Any = import_module(source_of(module)[0])
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


def noticed(document: Path, count: int | None, keep: Path | None, both: bool) -> Iterator[tuple[Slip, str]]:
    """Slips and what came of each: an outcome of a `Trial`, or, in both views, what caught it."""
    where, vow = str(document), vow_at(str(document))
    made = {slip.name: slip for slip in drawn(vow, count, SHARED if both else SLIPPING)}
    kept = Kept(keep, slips=f"{'both' if both else 'alone'} {document}") if keep is not None else None
    known = {} if kept is None else kept.known
    yield from ((slip, known[name]) for name, slip in made.items() if name in known)
    left = [name for name in made if name not in known]
    with tempfile.TemporaryDirectory() as folder:
        if both:
            library = str(build_library(vow, Path(folder), ["-O1"]))
            tried_both = results(
                caught_by, [(where, name, library) for name in left], ended=_lost, limit_s=4 * LIMIT_S
            )
            done = ((name, by) for (_, name, _), by in tried_both)
        else:
            tried_alone = results(attempt, [(where, name, 0) for name in left])
            done = ((name, trial.outcome) for (_, name, _), trial in tried_alone)
        for name, outcome in done:
            if kept is not None:
                kept.add(name, outcome)
            yield made[name], outcome


@cache
def excused(document: str) -> dict[str, str]:
    """Slips of which nothing can show in an instrument of this document, by name or pattern, and why."""
    path = Path(__file__).with_name(f"slips_{document}.txt")
    lines = path.read_text(encoding="ascii").splitlines() if path.is_file() else []
    rows = (line.partition("  ") for line in lines if line and not line.startswith(";"))
    return {name: why.strip() for name, _, why in rows}


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
    excuses = excused(document.stem)
    for slip, outcome in noticed(document, given.sample, given.keep, given.both):
        missed = outcome in (NOT_CAUGHT, "passed", "inconclusive", "error")
        told = "cannot show" if missed and any(fnmatchcase(slip.name, each) for each in excuses) else outcome
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
