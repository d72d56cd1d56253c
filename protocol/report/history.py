"""Many reports of one instrument, in the order of time: when did this start to fail?

A report that does not judge a requirement (not selected, inconclusive) says nothing of when it began or
ceased to fail: the change lies between the reports that do, and both are named.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from jinja2 import Template

from wirevow._version import __version__
from wirevow.protocol.report import since
from wirevow.protocol.report.outcome import printable
from wirevow.protocol.report.page import VERDICT_WORDS, parts
from wirevow.protocol.report.past import Past
from wirevow.protocol.templates import templates

JUDGED = ("pass", "fail")
MOST_STORIES = 20
"""Lines of one kind that the text has."""


@dataclass(frozen=True, slots=True)
class Track:
    """One requirement through all reports."""

    id: str
    sentence: str
    verdicts: tuple[str | None, ...]
    """None where the report does not have it."""
    reason: str
    """What the last report that has it says."""
    renewed: tuple[int, ...]
    """Reports since which its promise is another."""

    @property
    def last(self) -> int | None:
        """The last report that judges it."""
        return next((i for i in reversed(range(len(self.verdicts))) if self.verdicts[i] in JUDGED), None)

    @property
    def began(self) -> tuple[int | None, int] | None:
        """The last report that judges it otherwise, if any, and the first from which on it is as it was
        judged last; None if it was never judged."""
        if self.last is None:
            return None
        first = self.last
        for i in reversed(range(self.last)):
            if self.verdicts[i] == self.verdicts[self.last]:
                first = i
            elif self.verdicts[i] in JUDGED:
                return i, first
        return None, first

    @property
    def failing(self) -> bool:
        """It failed when it was judged last, and the last report has it."""
        return self.last is not None and self.verdicts[self.last] == "fail" and self.verdicts[-1] is not None

    @property
    def times(self) -> int:
        """How often it has begun to fail."""
        judged = ["pass", *(verdict for verdict in self.verdicts if verdict in JUDGED)]
        return sum((one, other) == ("pass", "fail") for one, other in pairwise(judged))

    @property
    def steady(self) -> bool:
        """All reports say the same of it, and it does not fail."""
        return len(set(self.verdicts)) == 1 and self.verdicts[0] != "fail"


@dataclass(frozen=True, slots=True)
class History:
    """Reports in the order of time, and every requirement that one of them has."""

    runs: tuple[Past, ...]
    tracks: tuple[Track, ...]
    latest: since.Since
    """What has changed from the last report but one to the last."""

    def failing(self) -> list[Track]:
        """What fails, the longest first."""
        return sorted((track for track in self.tracks if track.failing), key=_first)

    def failed(self) -> list[Track]:
        """What has failed and passes, what has come to pass last first."""
        passing = (
            track
            for track in self.tracks
            if "fail" in track.verdicts and track.last is not None and track.verdicts[track.last] == "pass"
        )
        return sorted(passing, key=_first, reverse=True)

    def untried(self) -> list[Track]:
        """What was judged once, and is not in the last report, though that has it."""
        return [
            track
            for track in self.tracks
            if track.last is not None and track.verdicts[-1] in ("not selected", "inconclusive")
        ]

    def moved(self) -> list[Track]:
        """Those that were not always as they are."""
        return [track for track in self.tracks if not track.steady]


def _first(track: Track) -> int:
    """The report from which on it is as it was judged last."""
    return -1 if track.began is None else track.began[1]


def history(reports: Sequence[Past]) -> History:
    """Put reports of one instrument, two or more, in the order in which their checks began."""
    runs = tuple(sorted(reports, key=lambda past: past.started))
    rows = [past.rows() for past in runs]
    ids = dict.fromkeys(key for each in reversed(rows) for key in each)
    tracks = []
    for key in ids:
        seen = [each.get(key) for each in rows]
        there = [(i, row) for i, row in enumerate(seen) if row is not None]
        tracks.append(
            Track(
                key,
                there[-1][1].sentence,
                tuple(None if row is None else row.verdict for row in seen),
                there[-1][1].reason,
                tuple(i for (_, old), (i, new) in pairwise(there) if old.sentence != new.sentence),
            )
        )
    return History(runs, tuple(tracks), since.since(runs[-2], runs[-1]))


# --------------------------------------------------------------------------------------------------- words


def story(track: Track, runs: Sequence[Past]) -> str:
    """In one line: since when it is as it was judged last, and what is not known of that."""
    began = track.began
    if began is None or track.last is None:
        return "no report judges it"
    before, first = began
    verb, other = ("fails", "passed") if track.verdicts[track.last] == "fail" else ("passes", "failed")
    said = f"{verb} since {_run(runs, first)}"
    if before is None:
        asked = first and track.verdicts[first - 1] is None
        said += (
            ", which is the first that has it"
            if asked
            else ", which is the first that judges it" * (first > 0)
        )
    else:
        said += f"; {other} last in {_run(runs, before)}"
        if first - before > 1:
            said += f", {first - before - 1} between do not judge it"
    if any((before or 0) < i <= first for i in track.renewed):
        said += "; its promise is another since then"
    if track.last != len(runs) - 1:
        said += f"; last judged in {_run(runs, track.last)}"
    if track.times > 1:
        said += f"; it has begun to fail {track.times} times"
    return said


def stories(tracks: Sequence[Track], runs: Sequence[Past]) -> dict[str, list[str]]:
    """Ids by the story that they share: one cause often moves many."""
    told: dict[str, list[str]] = {}
    for track in tracks:
        told.setdefault(story(track, runs), []).append(track.id)
    return told


def _run(runs: Sequence[Past], index: int) -> str:
    past = runs[index]
    return f"#{index + 1} ({past.started:%Y-%m-%d}, {printable(past.document.version)})"


def _counts(past: Past) -> dict[str, int]:
    counted = Counter(row.verdict for row in past.requirements)
    return {verdict: counted[verdict] for verdict in ("pass", "fail", "inconclusive", "not selected")}


def lines(history: History) -> Iterator[str]:
    """For the terminal."""
    for index, past in enumerate(history.runs):
        counts = ", ".join(f"{count} {verdict}" for verdict, count in _counts(past).items() if count)
        yield f"#{index + 1:<3} {since.run_name(past)}: {past.verdict}; {counts}; {printable(past.port)}"
    for head, tracks in (
        ("failing", history.failing()),
        ("failed before, passing", history.failed()),
        ("judged before, not in the last", history.untried()),
    ):
        if tracks:
            yield f"{head}: {len(tracks)}"
            told = stories(tracks, history.runs)
            for words, ids in list(told.items())[:MOST_STORIES]:
                yield f"  {since.named(ids)}: {words}"
            if len(told) > MOST_STORIES:
                yield f"  and {len(told) - MOST_STORIES} lines more; --json and --html show all"
    yield "the last report"
    yield from (f"  {line}" for line in since.lines(history.latest))


def json_text(history: History) -> str:
    """As JSON: the same facts, one object; reports are named by their index."""
    return json.dumps(
        {
            "runs": [{**since.run_data(past), "counts": _counts(past)} for past in history.runs],
            "failing": [track.id for track in history.failing()],
            "requirements": [
                {
                    "id": track.id,
                    "verdicts": track.verdicts,
                    "last_judged": track.last,
                    "otherwise_until": track.began[0] if track.began else None,
                    "as_judged_since": track.began[1] if track.began else None,
                    "promise_changed_in": track.renewed,
                }
                for track in history.tracks
            ],
            "latest": since.as_data(history.latest),
        },
        indent=1,
    )


def _template() -> Template:
    environment = templates("wirevow.protocol.report")
    environment.filters["word"] = VERDICT_WORDS.__getitem__
    environment.filters["story"] = story
    environment.filters["stories"] = stories
    environment.filters["parts"] = parts
    environment.filters["printable"] = printable
    return environment.get_template("history.html.j2")


def page(history: History) -> str:
    """One HTML page that needs nothing else."""
    return _template().render(
        h=history,
        name=history.runs[-1].document.name,
        counts=[_counts(past) for past in history.runs],
        latest=list(since.lines(history.latest)),
        wirevow=__version__,
    )
