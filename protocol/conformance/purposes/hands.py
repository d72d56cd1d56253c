"""Purposes about settings that are put at the front panel: they act as those put by wire do."""

from __future__ import annotations

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.looking import steady
from wirevow.protocol.conformance.purposes.operating import arrive, states_of
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement


@purpose("point", "local", TOUR)
def acts_from_the_panel(t: Tester, r: Requirement) -> None:
    """Where a relation shows what a setting does, it holds with a value from the panel as well."""
    entry = t.vow.points[r.element]
    for name, rule in t.vow.document.laws.items():
        provoke = rule.provoke
        if rule.holds is None or provoke is None or provoke.bench or entry.scale is None:
            continue
        if entry.name not in rule.holds.names & provoke.put.keys():
            continue
        t.need("bench")
        if f"panel.{entry.name}" not in t.events:
            raise NotSelected("needs a rig that can turn the front panel")
        states_of(t, [provoke.state])
        arrive(t, provoke.state, provoke)
        present = t.setting(entry.name)
        assert isinstance(present, int)
        t.panel("panel.control", "local")
        t.panel(f"panel.{entry.name}", (t.bounds(entry)[0] + present) // 2)
        steady(t, rule.holds, f"law.{name}", rule.settle)
        t.panel("panel.control", "remote")
        return
