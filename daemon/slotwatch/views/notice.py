"""One message about incidents to one recipient, and its words. Plain values, so that it can wait on a disk."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import msgspec

from slotwatch.judge.returns import UNTIL_THEN
from slotwatch.judge.wording import count, list_universes, written
from slotwatch.snapshot import Incident
from slotwatch.views.incidents import incident_brief
from slotwatch.views.moments import iso_wall

MOST_OBJECTS = 20
"""Incidents that go with a message as objects; a message of many counts the others."""
MOST_LINES = 10
MOST_CHECKS = 4
MOST_EVIDENCE = 3
LONGEST_TITLE = 160
NO_LINK = "No link: the page opens only on slotwatch's own computer."


@dataclass(frozen=True, slots=True)
class Notice:
    """What is sent. `id` is the same however often it is tried, so that a recipient can drop a copy."""

    id: str
    kind: str
    """opened | worsened | repeated | resolved | summary | test."""
    house: str
    severity: str
    phase: str
    at: str
    """When it was decided, ISO 8601 UTC."""
    title: str
    text: str
    link: str = ""
    count: int = 0
    """Incidents that it is about."""
    incidents: tuple[dict[str, object], ...] = field(default=())
    """The first MOST_OBJECTS of them, as the API's objects."""

    def as_object(self) -> dict[str, object]:
        """The JSON body of a webhook, and what waits on the disk."""
        return {one.name: getattr(self, one.name) for one in fields(self)} | {"incidents": list(self.incidents)}


def notice_of(kept: Mapping[str, object]) -> Notice:
    """Read what `as_object` gave. KeyError or msgspec.ValidationError, a ValueError, if it is something else."""
    return msgspec.convert({one.name: kept[one.name] for one in fields(Notice)}, Notice)


@dataclass(frozen=True, slots=True)
class NoticeScene:
    """What messages are made from: one moment of the house."""

    house: str
    phase: str
    wall_ns: int
    incidents: tuple[Incident, ...]
    held_rules: frozenset[str] = frozenset()
    """Rules that a quiet window holds now."""
    zone: str = "UTC"
    page: str = ""
    """Address of the page, as others reach it; empty if they cannot."""


def link_to(page: str, about: Sequence[Incident]) -> str:
    """Where the page shows some incidents; empty where others do not reach it. page: its address."""
    if not page:
        return ""
    return f"{page}/incident/{about[0].id}" if len(about) == 1 else f"{page}/incidents"


def incident_key(one: Incident) -> str:
    """Distinguishes incidents of different histories, which may use the same numbers."""
    return f"{one.id}-{(one.opened_ns + one.wall_offset_ns) // 1_000_000}"


def single(
    scene: NoticeScene,
    recipient: str,
    kind: str,
    one: Incident,
    occasion: str,
    extra: str = "",
    folded: Sequence[int] = (),
) -> Notice:
    """A message about one incident. `occasion` makes its id differ from those of other messages about it.

    folded: numbers of incidents that were sent before and turned out to be part of this one.
    """
    titles = {
        "opened": one.severity.word.capitalize(),
        "worsened": f"Now {one.severity.word}",
        "repeated": f"Still {one.severity.word}",
        "resolved": "Over",
    }
    title = f"{titles[kind]}: {scene.house}: {_first_sentence(one.summary)}"
    lines = [one.summary, *([extra] if extra else [])]
    if folded:
        lines.append(f"It includes incident {', '.join(str(number) for number in folded)}, which was sent before.")
    began = _clock(one.began_ns + one.wall_offset_ns, scene.zone)
    if kind == "resolved":
        # Not when it was closed: that comes after some seconds of watching, and contradicts how long it lasted.
        ended_ns = one.returned_ns if one.returned_ns is not None else one.closed_ns
        ended = _clock(ended_ns + one.wall_offset_ns, scene.zone) if ended_ns is not None else ""
        lines.append(f"It began at {began}" + (f" and ended at {ended}." if ended else " and has ended."))
    else:
        lines.append(f"It began at {began}. Phase: {scene.phase}. Confidence in the cause: {one.confidence}.")
        where = list_universes(one.universes)
        if len(one.universes) > 1 and where.lower() not in one.summary.lower():
            lines.append(f"{where}.")
        lines += one.evidence[:MOST_EVIDENCE]
        if one.next_checks:
            lines += ["", "What to look at:", *(f"- {check}" for check in one.next_checks[:MOST_CHECKS])]
        if one.acknowledged is not None:
            lines.append(f"{one.acknowledged.by} has acknowledged it.")
    link = link_to(scene.page, (one,))
    return _made(
        scene, f"{recipient}|{incident_key(one)}|{occasion}", kind, one.severity.word, title, lines, link, (one,)
    )


def no_longer_known(scene: NoticeScene, recipient: str, key: str, summary: str) -> Notice:
    """About an incident that judging does not know any more, as where its history was lost or replaced."""
    title = f"No longer known: {scene.house}: {_first_sentence(summary)}"
    lines = [summary, "slotwatch no longer knows of it. Whether it is over is not known: look at the page."]
    return _made(scene, f"{recipient}|{key}|gone", "resolved", "note", title, lines, scene.page, (), 1)


def summed_up(
    scene: NoticeScene, recipient: str, opened: Sequence[Incident], over: Sequence[Incident], missed: int, occasion: str
) -> Notice:
    """One message about many incidents."""
    worst = max((one.severity for one in (*opened, *over)), default=None)
    parts = [
        f"{count(len(opened), 'incident')} {'is' if len(opened) == 1 else 'are'} open" if opened else "",
        f"{len(over)} {'is' if len(over) == 1 else 'are'} over" if over else "",
        f"{missed} opened and ended meanwhile" if missed else "",
    ]
    counts = ", ".join(part for part in parts if part)
    word = worst.word if worst is not None else "note"
    title = f"{word.capitalize() if opened else 'Over'}: {scene.house}: {counts}"
    lines = [f"{counts[:1].upper()}{counts[1:]}."]
    for head, some in (("Open:", opened), ("Over:", over)):
        if some:
            lines += ["", head, *(f"- {one.summary}" for one in some[:MOST_LINES])]
            if len(some) > MOST_LINES:
                lines.append(f"- and {len(some) - MOST_LINES} more.")
    link = f"{scene.page}/incidents" if scene.page else ""
    return _made(scene, f"{recipient}|{occasion}", "summary", word, title, lines, link, (*opened, *over), missed)


def test_notice(scene: NoticeScene, recipient: str) -> Notice:
    """A message that is marked as a test."""
    lines = [
        "This is a test. Nothing is wrong, and nothing has to be done.",
        f"slotwatch at {scene.house} sent it to {recipient} to show that messages arrive.",
    ]
    title = f"Test: {scene.house}: messages arrive"
    return _made(scene, f"{recipient}|test|{scene.wall_ns}", "test", "note", title, lines, scene.page, ())


def _made(
    scene: NoticeScene,
    occasion: str,
    kind: str,
    severity: str,
    title: str,
    lines: list[str],
    link: str,
    about: tuple[Incident, ...],
    more: int = 0,
) -> Notice:
    number = hashlib.sha256(f"{scene.house}|{occasion}".encode()).hexdigest()[:24]
    if len(title) > LONGEST_TITLE:
        title = title[: LONGEST_TITLE - 1] + "…"
    lines = [*lines, "", link or NO_LINK, f"Message {number}."]
    return Notice(
        id=number,
        kind=kind,
        house=scene.house,
        severity=severity,
        phase=scene.phase,
        at=iso_wall(scene.wall_ns),
        title=title,
        text="\n".join(lines),
        link=link,
        count=len(about) + more,
        incidents=tuple(dict(incident_brief(one)) for one in about[:MOST_OBJECTS]),
    )


def _first_sentence(text: str) -> str:
    """What happened, in one sentence. Of what is over and watched also what it was: a phone shows the title alone."""
    over, _, before = text.partition(UNTIL_THEN)
    first = (before or over).partition(". ")[0].rstrip(".")
    return f"{over}: {first}" if before else first


def _clock(wall_ns: int, zone: str) -> str:
    """A moment for people, in the house's own time."""
    moment = datetime.fromtimestamp(wall_ns // 1_000_000_000, UTC).astimezone(ZoneInfo(zone))
    return f"{written(moment, '%H:%M:%S on %-d %B')} ({zone})"
