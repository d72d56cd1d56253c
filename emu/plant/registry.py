"""The plant that a document chose: its class, its parameters, what it offers.

A registered class was found when the document was read (`wirevow.protocol.document.plant`). One in a file
beside the document is code of whoever wrote that: it is run here, and only for whoever simulates it.
"""

from __future__ import annotations

import importlib.util
import sys
import traceback
from functools import lru_cache, partial
from os import PathLike
from pathlib import Path

from pydantic import ValidationError

from wirevow.emu.bench import Bench
from wirevow.emu.hands import hand_of
from wirevow.emu.plant.agenda import PANEL, planned_of
from wirevow.emu.plant.bare import bare_terminals
from wirevow.protocol.document.load import DocumentError, Loaded, Problem, load_yaml_model, part_of
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.plant import (
    PlantClass,
    PlantError,
    PlantUse,
    PythonPlant,
    plant_class,
    registered_class,
)
from wirevow.protocol.document.terminals import Terminals
from wirevow.protocol.document.vet import misfits
from wirevow.protocol.vow import bench_events


def class_of(section: PlantUse) -> PlantClass:
    """The section's class. For one in a file this runs the file. Raises PlantError."""
    if isinstance(section, PythonPlant):
        return _class_in_file(section)
    return registered_class(section.name)


def parameters_of(section: PlantUse) -> PlantUse:
    """The parameters as the class has them; runs a file. Raises PlantError."""
    if not isinstance(section, PythonPlant):
        return section
    try:
        return class_of(section).Parameters.model_validate(section.model_dump())
    except ValidationError as wrong:
        first = wrong.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise PlantError(f"{section.name}: {where}: {first['msg']}: mend the plant: section") from None


def terminals_of(document: Document, run: bool = False) -> Terminals | None:
    """What the document's plant offers; None for one in a file, unless it may be `run`. Raises PlantError."""
    section = document.plant
    if section is None:
        return bare_terminals(document)
    if isinstance(section, PythonPlant) and not run:
        return None
    plant = class_of(section)
    rests = getattr(plant, "rests", None)  # a plant need not know
    told = None if rests is None else partial(rests, parameters_of(section))
    without = getattr(plant, "without", None)  # names that are there only with some parameters
    gone = frozenset() if without is None else without(parameters_of(section))
    signals = {name: each for name, each in plant.signals.items() if name not in gone}
    events = {name: each for name, each in plant.events.items() if name not in gone}
    return Terminals(section.name, signals, plant.controls, events, told)


def looked_at(loaded: Loaded[Document], run: bool = False) -> Terminals | None:
    """As `terminals_of`, the parameters held against their model; DocumentError with its line."""
    section = loaded.document.plant
    try:
        if run and isinstance(section, PythonPlant):
            part_of(loaded, ("plant",), class_of(section).Parameters)
        return terminals_of(loaded.document, run)
    except PlantError as wrong:
        raise DocumentError(loaded.name, [Problem(loaded.marks.line("plant"), wrong.message)]) from wrong


def fitted(loaded: Loaded[Document]) -> Document:
    """The document, if its plant can be driven as it says; runs a plant's file. DocumentError if not."""
    terminals = looked_at(loaded, run=True)
    assert terminals is not None
    found = misfits(loaded, terminals)
    if found:
        problems = [Problem(each.line, f"{each.message}: {each.remedy} [{each.code}]") for each in found]
        raise DocumentError(loaded.name, problems)
    return loaded.document


def wired(path: str | PathLike[str], document: Document) -> Bench:
    """The bench in a file, if all in its timeline can happen to the document's plant or panel.

    DocumentError if not. Runs a plant's file.
    """
    loaded = load_yaml_model(path, Bench)
    terminals = terminals_of(document, run=True)
    assert terminals is not None
    problems = []
    for index, mishap in enumerate(loaded.document.timeline):
        try:
            if mishap.event.startswith(PANEL):
                hand_of(mishap, bench_events(document))
            else:
                planned_of(mishap, terminals.events)
        except ValueError as wrong:
            problems.append(Problem(loaded.marks.line("timeline", index), str(wrong)))
    if problems:
        raise DocumentError(loaded.name, problems)
    return loaded.document


def _class_in_file(section: PythonPlant) -> PlantClass:
    file, _, name = section.python.partition(":")
    if section.folder is None:
        raise PlantError(f"{section.python}: the document was not read from a file: nothing lies beside it")
    path = section.folder / file
    try:
        stamp = path.stat()
    except OSError as wrong:
        raise PlantError(
            f"{path} cannot be read ({wrong.strerror}): put the plant's file beside the document"
        ) from None
    module = _module(path, stamp.st_mtime_ns, stamp.st_size)
    if name not in vars(module):
        raise PlantError(f"{path} has no class {name}: name one that it has")
    return plant_class(vars(module)[name], section.python)


@lru_cache(32)
def _module(path: Path, changed_ns: int, size: int) -> object:
    """The file as a module of its own, run once as long as it stays as it is."""
    name = f"wirevow_plant_{path.stem}_{abs(hash((path, changed_ns, size))):x}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise PlantError(f"{path} is no Python file: name one that ends in .py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # pydantic and dataclasses look there for what annotations name
    try:
        spec.loader.exec_module(module)
    except Exception as wrong:
        del sys.modules[name]
        line = _line_in(wrong, path)
        raise PlantError(f"{path}{line} raises {type(wrong).__name__}: {wrong}: mend it") from wrong
    return module


def _line_in(wrong: BaseException, path: Path) -> str:
    """`:12`, the last line of the file that was running."""
    if isinstance(wrong, SyntaxError) and wrong.filename == str(path):
        return f":{wrong.lineno}"
    lines = [
        line
        for frame, line in traceback.walk_tb(wrong.__traceback__)
        if frame.f_code.co_filename == str(path)
    ]
    return f":{lines[-1]}" if lines else ""
