"""Changes to the tables of a document, for faults that behave by another document than they claim."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from wirevow.protocol.vow import Vow


def with_point(vow: Vow, name: str, **changes: Any) -> Vow:
    """The tables with one point changed."""
    points = {**vow.points, name: replace(vow.points[name], **changes)}
    return replace(vow, points=points, settings=tuple(points[entry.name] for entry in vow.settings))


def with_action(vow: Vow, name: str, **changes: Any) -> Vow:
    """The tables with one action changed."""
    return replace(vow, actions={**vow.actions, name: replace(vow.actions[name], **changes)})


def with_state(vow: Vow, name: str, **changes: Any) -> Vow:
    """The tables with one state changed."""
    return replace(vow, states={**vow.states, name: replace(vow.states[name], **changes)})


def with_trip(vow: Vow, name: str, **changes: Any) -> Vow:
    """The tables with one trip changed."""
    return replace(vow, trips={**vow.trips, name: replace(vow.trips[name], **changes)})


def with_document(vow: Vow, **changes: Any) -> Vow:
    """The tables with those sections of the document changed that are used as they are."""
    return replace(vow, document=vow.document.model_copy(update=changes))
