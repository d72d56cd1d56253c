"""The plants there are, by the name that a document chooses them with."""

from __future__ import annotations

from wirevow.emu.plant.terminals import CONTROLS, EVENTS, ROOM_CONTROLS, ROOM_EVENTS, ROOM_SIGNALS, SIGNALS
from wirevow.protocol.document.load import DocumentError, Loaded, Problem
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.terminals import Terminals
from wirevow.protocol.document.vet import misfits

_KINDS = {
    "sink": Terminals("sink", SIGNALS, CONTROLS, EVENTS),
    "room": Terminals("room", ROOM_SIGNALS, ROOM_CONTROLS, ROOM_EVENTS),
}


def terminals_of(document: Document) -> Terminals:
    """What the document's plant offers."""
    return _KINDS[document.plant.kind]


def fitted(loaded: Loaded[Document]) -> Document:
    """The document, if its plant can be driven as it says. DocumentError tells what does not fit."""
    found = misfits(loaded, terminals_of(loaded.document))
    if found:
        problems = [Problem(each.line, f"{each.message}: {each.remedy} [{each.code}]") for each in found]
        raise DocumentError(loaded.name, problems)
    return loaded.document
