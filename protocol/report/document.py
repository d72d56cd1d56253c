"""The report as JSON.

`report.schema.json` beside this module says what is in it; `"report": 1` is the version of that shape.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.report.outcome import Outcome
from wirevow.protocol.report.since import Since
from wirevow.protocol.report.since import as_data as since_data

VERSION = 1


def as_data(outcome: Outcome, since: Since | None = None) -> dict[str, Any]:
    """The report as what `json` can write; with `since`, and what has changed."""
    return {
        "report": VERSION,
        "verdict": outcome.verdict,
        "note": outcome.note,
        "guarantee": outcome.guarantee,
        "warnings": list(outcome.warnings),
        "cautions": list(outcome.cautions),
        "document": {
            "path": outcome.path,
            "name": outcome.name,
            "version": outcome.version,
            "title": outcome.title,
            "digest": outcome.digest,
            "sha256": outcome.sha256,
        },
        "port": outcome.port,
        "rig": outcome.rig,
        "simulated": outcome.simulated,
        "clock": "held" if outcome.held else "real",
        "profile": {
            "name": outcome.profile.name,
            "reason": outcome.profile.reason,
            "left_out": outcome.dry(),
        },
        "seed": outcome.seed,
        "budget": outcome.budget,
        "started": outcome.started,
        "seconds": round(outcome.seconds, 3),
        "lines": outcome.lines,
        "bytes_sha256": outcome.bytes_sha256,
        "slowest_reply_seconds": round(outcome.slowest_s, 6),
        "reply_deadline_seconds": outcome.deadline_s,
        "reply_times": {
            "count": outcome.replies.count,
            "median_seconds": round(outcome.replies.median_s, 6),
            "p99_seconds": round(outcome.replies.p99_s, 6),
            "greatest_seconds": round(outcome.replies.greatest_s, 6),
            "host_late_seconds": round(outcome.replies.host_late_s, 6),
            "bins": [{"to_seconds": each.to_s, "count": each.count} for each in outcome.replies.bins],
        },
        "done_to_it": {
            "settings_put": outcome.done.puts,
            "saves": outcome.done.saves,
            "saves_unanswered": outcome.done.saves_unanswered,
            "boots": outcome.done.boots,
            "boots_unasked": outcome.done.boots_unasked,
            "outputs_switched": outcome.done.switchings,
            "energised_seconds": round(outcome.done.energised_s, 3),
            "energised_at_the_end": outcome.done.energised,
            "highest_current_amperes": outcome.done.amperes,
            "highest_power_watts": outcome.done.watts,
            "operating_points": [
                {"state": state, "volts": round(volts, 6), "amperes": round(amperes, 6)}
                for state, volts, amperes in outcome.done.operating
            ],
        },
        "wirevow": outcome.wirevow,
        "python": outcome.python,
        "counts": {
            section: {str(verdict): count[str(verdict)] for verdict in _judged()}
            for section, count in outcome.counts().items()
        },
        "states": [asdict(state) for state in outcome.states],
        "requirements": [asdict(row) for row in outcome.rows],
        "failures": [asdict(breach) for breach in outcome.breaches],
        "not_selected": [
            {"reason": reason, "requirements": ids} for reason, ids in outcome.not_selected().items()
        ],
        "since": None if since is None else since_data(since),
    }


def _judged() -> Iterable[Verdict]:
    """Verdicts that a single requirement can have."""
    return (verdict for verdict in Verdict if verdict is not Verdict.ERROR)


def text(outcome: Outcome, since: Since | None = None) -> str:
    """The file."""
    return json.dumps(as_data(outcome, since), indent=1) + "\n"
