"""Purposes, one by one, show what is broken, and pass by what is not."""

from __future__ import annotations

import pytest

from protocol.conformance.purposes import PURPOSES
from protocol.conformance.tester import Broken
from protocol.document.requirements import requirements
from tests.protocol.conformance.instruments import hands_on

SHOWS = [
    ("begins_no_faster", "law.current_slews.rate", "rate-not-at-the-start", "tarn"),
    ("changes_no_faster", "law.current_slews.rate", "rate-in-whole-thousands", "tarn"),
    ("computed_at_the_ends", "point.room.lack.derived", "derived-not-below-zero", "brae"),
    ("fires", "trip.overheat.fires", "derived-not-below-zero", "tarn"),
    ("law", "law.elapsed_is_time", "elapsed-waits-for-level", "tarn"),
    ("settles", "law.current_follows_level.settling", "level-zeroed-by-stop", "tarn"),
]


def work(name: str, about: str, document: str, fault: str | None = None) -> None:
    hands = hands_on(document, fault=fault)
    hands.acquaint()
    (requirement,) = (each for each in requirements(hands.vow.document) if each.id == about)
    (purpose,) = (each for each in PURPOSES if each.work.__name__ == name)
    hands.home()
    hands.trying = about
    purpose.work(hands, requirement)
    hands.quiet()


@pytest.mark.parametrize(("name", "about", "fault", "document"), SHOWS)
def test_it_shows_what_is_broken(name: str, about: str, fault: str, document: str) -> None:
    work(name, about, document)
    with pytest.raises(Broken):
        work(name, about, document, fault)
