"""The `plant:` section of a document: which plant stands behind the instrument, and its parameters.

A plant is a class. Installed packages register theirs by name (entry points of the group `wirevow.plants`;
those of Wirevow itself are registered in the same way), and a document names one with `kind:`. Or it is in a
Python file beside the document, named with `python:`. The parameters of a registered one are held against its
model when a document is read. A file is code of whoever wrote the document: reading one runs none of it, so
its parameters stay as they are written until something is simulated (`wirevow.emu.plant.registry`).

Nothing of this is on the wire. Keys carry their SI unit as a suffix; numbers are floats in that unit. What is
wired to the instrument (source, leads, weather) is not here but in a bench file.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from functools import lru_cache
from importlib.metadata import EntryPoint, PackageNotFoundError, distribution, entry_points
from pathlib import Path
from typing import Annotated, Any, Protocol, cast

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationInfo, WrapValidator

from wirevow.protocol.document.terminals import Control, Signal
from wirevow.protocol.errors import WirevowError

GROUP = "wirevow.plants"
"""The entry points that register plants."""


class PlantError(WirevowError):
    """A plant that cannot be used: which, what is wrong with it, and what to do."""


class PlantSection(BaseModel):
    """Base of every part of the section: unknown keys are errors, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


PythonClass = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,60}\.py:[A-Za-z_][A-Za-z0-9_]{0,60}$",
        description="A class in a Python file beside the document: bath.py:Bath. Simulating runs it.",
    ),
]


class PlantUse(PlantSection):
    """Base of the parameters of a plant. A class of an installed package is named with `kind`."""

    kind: str | None = Field(default=None, description="The name that the plant is registered with.")

    @property
    def name(self) -> str:
        """What people call the plant."""
        return self.kind or getattr(self, "python", None) or "plant"


class PythonPlant(PlantUse):
    """A class in a file beside the document, with its parameters as they are written."""

    model_config = ConfigDict(extra="allow")

    kind: None = Field(default=None, description="Left out where a class is named.")
    python: PythonClass

    _folder: Path | None = PrivateAttr(default=None)
    """Where the document is; None when it was read from memory."""

    def model_post_init(self, context: Any) -> None:
        self._folder = (context or {}).get("folder")

    def __eq__(self, other: object) -> bool:
        # Where it lies makes no other document of it.
        return isinstance(other, PythonPlant) and (self.python, self.model_extra) == (
            other.python,
            other.model_extra,
        )

    __hash__ = None  # type: ignore[assignment]

    @property
    def folder(self) -> Path | None:
        return self._folder


class PlantClass(Protocol):
    """What a plant's class offers before there is one: its parameters' model, and its terminals."""

    Parameters: type[PlantUse]
    signals: Mapping[str, Signal]
    controls: Mapping[str, Control]
    events: Mapping[str, Control]
    build: Callable[..., Any]


def registered() -> tuple[str, ...]:
    """The names of all registered plants."""
    return tuple(sorted({point.name for point in (*_own(), *entry_points(group=GROUP))}))


@lru_cache(64)
def registered_class(kind: str) -> PlantClass:
    """The class of a registered plant. PlantError when there is none, or it cannot be used."""
    # Our own come first and cost no search; nobody else can take their names.
    found = [point for point in _own() if point.name == kind] or list(entry_points(group=GROUP, name=kind))
    if not found:
        known = registered()
        near = difflib.get_close_matches(kind[:60], known, n=1, cutoff=0.6)
        remedy = (
            f'write "{near[0]}"' if near else f"write one of {', '.join(known) or '(none is registered)'}"
        )
        raise PlantError(f'no plant "{kind[:60]}" is registered: {remedy}, or name a class with python:')
    if len({point.value for point in found}) > 1:
        where = ", ".join(sorted(point.value for point in found))
        raise PlantError(f'two packages register a plant "{kind}" ({where}): uninstall one of them')
    try:
        loaded = found[0].load()
    except Exception as wrong:
        raise PlantError(
            f'the plant "{kind}" cannot be loaded from {found[0].value} ({type(wrong).__name__}: {wrong}): '
            "reinstall the package that registers it"
        ) from wrong
    return plant_class(loaded, found[0].value)


def plant_class(candidate: Any, where: str) -> PlantClass:
    """The candidate, if it has what a plant's class has. PlantError tells what it lacks."""
    if not isinstance(candidate, type):
        raise PlantError(f"{where} is no class: name a class that is a plant")
    for name, kind in (("signals", Signal), ("controls", Control), ("events", Control)):
        offered = getattr(candidate, name, None)
        if not isinstance(offered, Mapping) or not all(
            isinstance(key, str) and isinstance(value, kind) for key, value in offered.items()
        ):
            raise PlantError(f"{where} has no {name}: give it a dict of names to {kind.__name__}(...)")
    parameters = getattr(candidate, "Parameters", None)
    if not (isinstance(parameters, type) and issubclass(parameters, PlantUse)):
        raise PlantError(f"{where} has no Parameters: give it a class Parameters(wirevow.PlantParameters)")
    if not callable(getattr(candidate, "build", None)):
        raise PlantError(f"{where} has no build: derive it from wirevow.Plant, or write that class method")
    return cast("PlantClass", candidate)


def _own() -> tuple[EntryPoint, ...]:
    try:
        return tuple(distribution("wirevow").entry_points.select(group=GROUP))
    except PackageNotFoundError:
        return ()


def parameter_models() -> tuple[type[PlantUse], ...]:
    """The models of all registered plants, in the order of their names."""
    return tuple(registered_class(name).Parameters for name in registered())


def _of_its_class(value: Any, otherwise: Callable[[Any], Any], info: ValidationInfo) -> Any:
    """The section as its class wants it. A file's class is not asked: that would run it."""
    if not isinstance(value, dict):
        return otherwise(value)
    kind, python = value.get("kind"), value.get("python")
    if (kind is None) == (python is None):
        raise ValueError(
            f"say which plant it is: write kind: (one of {', '.join(registered())}), or python: FILE.py:CLASS"
        )
    if python is not None:
        return PythonPlant.model_validate(value, context=info.context)
    if not isinstance(kind, str):
        raise ValueError("kind is a name: write one of " + ", ".join(registered()))
    try:
        model = registered_class(kind).Parameters
    except PlantError as wrong:
        raise ValueError(str(wrong)) from None
    return model.model_validate(value, context=info.context)


Plant = Annotated[PlantUse, WrapValidator(_of_its_class)]
"""The physics section."""
