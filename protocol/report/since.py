"""What has changed from one report to a later one of the same instrument.

A requirement id that only one of them has is never a regression: the document (or the version of Wirevow,
where the document is the same) has made it or taken it. Nor is one that fails now that its promise is
another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from wirevow.protocol.report.outcome import printable
from wirevow.protocol.report.past import Past, PastReplies, PastRow

RATIO = 1.25
"""How much longer replies have to take to be called slower. Common practice, no source."""
MOST_IDS = 12
"""Of one kind that the text names; the JSON and the page have all."""


class Kind(StrEnum):
    """How a requirement has changed, in the order in which it is told."""

    FAILS = "newly failing"
    FAILS_ANEW = "failing, and its promise is another"
    DOUBTFUL = "newly inconclusive"
    UNTRIED = "no longer tried"
    PARTLY = "in part no longer tried"
    PASSES = "newly passing"
    COME = "new"
    GONE = "gone"


WORSE = frozenset({Kind.FAILS, Kind.DOUBTFUL, Kind.UNTRIED, Kind.PARTLY})
"""Kinds that the instrument or the check is to blame for, not the document."""


@dataclass(frozen=True, slots=True)
class Change:
    """One requirement that is not as it was; a verdict is None where the report does not have it."""

    id: str
    kind: Kind
    before: str | None
    now: str | None
    reason: str
    """What the later report says of it; for one that is gone, what the earlier said."""


@dataclass(frozen=True, slots=True)
class Slower:
    """Replies that take longer than the host's own delays explain. Seconds."""

    what: str
    before_s: float
    now_s: float


@dataclass(frozen=True, slots=True)
class Since:
    """All that has changed."""

    before: Past
    now: Past
    changes: tuple[Change, ...]
    slower: tuple[Slower, ...]
    still_failing: tuple[str, ...]
    circumstances: tuple[tuple[str, str, str], ...]
    """What was otherwise about the check itself: its name, then, now."""

    @property
    def worse(self) -> bool:
        """Something fails, is in doubt or is left out that was not, and no document has changed it."""
        return any(
            change.kind in WORSE and (change.kind, change.before) != (Kind.DOUBTFUL, "not selected")
            for change in self.changes
        )

    @property
    def maker(self) -> str:
        """What makes and takes requirements between the two."""
        same = self.before.document.sha256 == self.now.document.sha256
        return f"Wirevow {printable(self.now.wirevow)}" if same else "the document"

    def of(self, kind: Kind) -> list[Change]:
        """Changes of one kind, in the order of the document."""
        return [change for change in self.changes if change.kind is kind]


def since(before: Past, now: Past) -> Since:
    """Hold a report against an earlier one of the same instrument."""
    old, new = before.rows(), now.rows()
    changes = [_changed(old.get(key), row) for key, row in new.items()]
    changes += [
        Change(key, Kind.GONE, row.verdict, None, row.reason) for key, row in old.items() if key not in new
    ]
    return Since(
        before,
        now,
        tuple(change for change in changes if change is not None),
        tuple(_slower(before, now)),
        tuple(
            key
            for key, row in new.items()
            if row.verdict == "fail" and key in old and old[key].verdict == "fail"
        ),
        tuple(_circumstances(before, now)),
    )


def _changed(old: PastRow | None, new: PastRow) -> Change | None:
    if old is None:
        return Change(new.id, Kind.COME, None, new.verdict, new.reason)
    kind = _kind(old, new)
    return None if kind is None else Change(new.id, kind, old.verdict, new.verdict, new.reason)


def _kind(old: PastRow, new: PastRow) -> Kind | None:
    if old.verdict == new.verdict:
        return Kind.PARTLY if new.verdict == "pass" and new.reason and not old.reason else None
    match new.verdict:
        case "fail":
            return Kind.FAILS if old.sentence == new.sentence else Kind.FAILS_ANEW
        case "inconclusive":
            return Kind.DOUBTFUL
        case "pass":
            return Kind.PASSES
        case _:
            return Kind.UNTRIED


def _slower(before: Past, now: Past) -> Iterator[Slower]:
    """The delays of both hosts could add up; a time within them shows nothing of the instrument."""
    if before.clock != now.clock or before.port != now.port:
        return
    old, new = before.reply_times, now.reply_times
    unsure_s = old.host_late_seconds + new.host_late_seconds
    for what, before_s, now_s in _times(old, new):
        if now_s > RATIO * before_s and now_s - before_s > unsure_s:
            yield Slower(what, before_s, now_s)


def _times(old: PastReplies, new: PastReplies) -> Iterator[tuple[str, float, float]]:
    yield "half of the replies", old.median_seconds, new.median_seconds
    yield "99 of 100 replies", old.p99_seconds, new.p99_seconds


def _circumstances(before: Past, now: Past) -> Iterator[tuple[str, str, str]]:
    for name, old, new in (
        ("document", before.document.version, now.document.version),
        ("Wirevow", before.wirevow, now.wirevow),
        ("port", before.port, now.port),
        ("clock", before.clock, now.clock),
        ("profile", before.profile.name, now.profile.name),
        ("seed", str(before.seed), str(now.seed)),
        ("budget", _budget(before), _budget(now)),
    ):
        if old != new:
            yield name, printable(old), printable(new)
    if before.document.version == now.document.version and before.document.sha256 != now.document.sha256:
        yield "document", before.document.sha256[:8], f"{now.document.sha256[:8]}, under the same version"


def _budget(past: Past) -> str:
    return "none" if past.budget is None else f"{past.budget} lines"


# --------------------------------------------------------------------------------------------------- text


def run_name(past: Past) -> str:
    """A report in a few words: when, and of which version."""
    document = past.document
    return f"{past.started:%Y-%m-%d %H:%M}, {printable(document.name)} {printable(document.version)}"


def lines(since: Since) -> Iterator[str]:
    """For the terminal."""
    yield f"since {run_name(since.before)} ({since.before.verdict}):"
    for name, old, new in since.circumstances:
        yield f"  {name}: {new}; it was {old}"
    if since.before.document.sha256 != since.now.document.sha256:
        yield "  the document has changed: `wirevow compare OLD NEW` tells what that means"
    for kind in Kind:
        found = since.of(kind)
        if found:
            yield f"  {head(since, kind)}: {len(found)}"
            yield from (f"    {line}" for line in _grouped(found))
    for each in since.slower:
        yield f"  slower: {each.what} take up to {_ms(each.now_s)}; it was {_ms(each.before_s)}"
    if since.still_failing:
        yield f"  still failing: {named(since.still_failing)}"
    if not since.changes:
        yield "  every verdict is as it was"


def head(since: Since, kind: Kind) -> str:
    """What changes of a kind are called."""
    match kind:
        case Kind.COME:
            return f"made by {since.maker}"
        case Kind.GONE:
            return f"taken by {since.maker}"
        case _:
            return kind.value


def _grouped(changes: Sequence[Change]) -> Iterator[str]:
    """A line for each verdict and reason: hundreds are left out for one cause."""
    groups: dict[tuple[str, str], list[str]] = {}
    for change in changes:
        verdict = change.now if change.kind is Kind.COME else f"was {change.before}"
        reason = "" if change.kind in (Kind.PASSES, Kind.GONE) else change.reason
        groups.setdefault((f" ({verdict})", f": {reason}" if reason else ""), []).append(change.id)
    for (verdict, reason), ids in groups.items():
        yield named(ids) + printable(verdict + reason)


def named(ids: Sequence[str]) -> str:
    """The first of them, and how many more there are."""
    more = len(ids) - MOST_IDS
    return ", ".join(map(printable, ids[:MOST_IDS])) + (f" and {more} more" if more > 0 else "")


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms"


def as_data(since: Since) -> dict[str, Any]:
    """As what `json` can write."""
    return {
        "before": run_data(since.before),
        "now": run_data(since.now),
        "worse": since.worse,
        "circumstances": {name: {"before": old, "now": new} for name, old, new in since.circumstances},
        "changes": [
            {
                "requirement": change.id,
                "kind": change.kind.value,
                "before": change.before,
                "now": change.now,
                "reason": change.reason,
            }
            for change in since.changes
        ],
        "made_and_taken_by": since.maker,
        "slower": [
            {"what": each.what, "before_seconds": each.before_s, "now_seconds": each.now_s}
            for each in since.slower
        ],
        "still_failing": list(since.still_failing),
    }


def run_data(past: Past) -> dict[str, Any]:
    """What names a report."""
    return {
        "started": past.started.isoformat(timespec="seconds"),
        "verdict": past.verdict,
        "document": past.document.model_dump(),
        "port": past.port,
        "wirevow": past.wirevow,
    }
