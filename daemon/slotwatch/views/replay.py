"""What a judged capture came to: the contract's object, and the same in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from slotwatch.snapshot import Incident, Severity, Snapshot
from slotwatch.views import api
from slotwatch.views.moments import iso_wall
from slotwatch.views.sheet import Sheet

MOST_LINES = 200
"""Universes or sources listed in words; the JSON has them all."""


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """The file itself. Times are wall-clock nanoseconds; None if it holds no packet."""

    name: str
    packets: int
    first_ns: int | None
    last_ns: int | None
    show_packets: int
    """Of them, datagrams to a watched port."""
    unread: tuple[tuple[str, int], ...] = ()
    """What else was in it, in words."""

    @property
    def seconds(self) -> float:
        if self.first_ns is None or self.last_ns is None:
            return 0.0
        return round((self.last_ns - self.first_ns) / 1e9, 6)


def replay(capture: CaptureSummary, snapshot: Snapshot, incidents: list[Incident]) -> dict[str, Any]:
    """Make the contract's object of `replay --json`."""
    sheet = Sheet(snapshot)
    return {
        "capture": {
            "packets": capture.packets,
            "first_at": None if capture.first_ns is None else iso_wall(capture.first_ns),
            "last_at": None if capture.last_ns is None else iso_wall(capture.last_ns),
            "seconds": capture.seconds,
        },
        "universes": api.universes(sheet),
        "sources": api.sources(sheet),
        "incidents": [api.incident(sheet, found) for found in incidents],
        "rejected": rejected(snapshot),
    }


def rejected(snapshot: Snapshot) -> dict[str, int]:
    """Count packets that no protocol accepted, by reason."""
    counts: Counter[str] = Counter()
    for (_, reason), count in snapshot.counters.get("rejected", {}).items():
        counts[reason] += count
    return dict(sorted(counts.items()))


def text(capture: CaptureSummary, snapshot: Snapshot, incidents: list[Incident]) -> list[str]:
    """Say in lines what was found: the file, the worst first, then who sends what."""
    found = replay(capture, snapshot, incidents)
    lines = _heading(capture, found)
    lines += ["", *_incidents(incidents, found["incidents"], capture.show_packets)]
    lines += _table("Universes", _universe_rows(found["universes"]))
    lines += _table("Sources", _source_rows(found["sources"]))
    odd = Counter(word for source in snapshot.sources for word in source.odd)
    if odd:
        lines += ["", "Nonconforming but understood: " + ", ".join(f"{word} ({n} sources)" for word, n in odd.items())]
    if found["rejected"]:
        counts = ", ".join(f"{reason} {count}" for reason, count in found["rejected"].items())
        lines += ["", f"Not used, with the reason: {counts}"]
    return lines


def _heading(capture: CaptureSummary, found: dict[str, Any]) -> list[str]:
    lines = [f"{capture.name}: {_counted(capture.packets, 'packet')} in {_duration(capture.seconds)}"]
    if capture.first_ns is not None:
        lines.append(f"from {found['capture']['first_at']} to {found['capture']['last_at']}")
    others = "; ".join(f"{count} {what}" for what, count in capture.unread if count)
    lines.append(f"{capture.show_packets} to the watched ports" + (f"; {others}" if others else ""))
    return lines


def _incidents(incidents: list[Incident], objects: list[dict[str, Any]], show_packets: int) -> list[str]:
    if not incidents and not show_packets:
        return ["Nothing was judged: no packet of E1.31 or Art-Net to the watched ports is in it."]
    if not incidents:
        return ["Nothing was found wrong."]
    order = sorted(range(len(incidents)), key=lambda i: (-incidents[i].severity, incidents[i].opened_ns))
    counts = Counter(incident.severity for incident in incidents)
    heading = ", ".join(f"{counts[level]} {level.word}" for level in sorted(Severity, reverse=True) if counts[level])
    lines = [f"Found: {heading}"]
    for index in order:
        shown, raised = objects[index], incidents[index]
        lines += ["", f"{raised.severity.word.upper()}  {shown['opened_at']}  {_span(shown)}"]
        lines.append(f"  {raised.rule}{f' ({raised.cause})' if raised.cause else ''}: {raised.summary}")
        if raised.universes:
            lines.append(f"  universes: {_shortened(raised.universes)}")
        lines += [f"  - {line}" for line in raised.evidence]
        if raised.accepted:
            lines.append(f"  accepted: {raised.accepted}")
    return lines


def _span(shown: dict[str, Any]) -> str:
    if shown["closed_at"] is None:
        return "open at the end of the capture"
    return f"closed {shown['closed_at']}"


def _table(heading: str, rows: list[tuple[str, ...]]) -> list[str]:
    if len(rows) < 2:
        return []
    widths = [max(len(row[column]) for row in rows[: MOST_LINES + 1]) for column in range(len(rows[0]))]
    lines = ["", heading]
    lines += [_line(row, widths) for row in rows[: MOST_LINES + 1]]
    if len(rows) > MOST_LINES + 1:
        lines.append(f"  and {len(rows) - MOST_LINES - 1} more; --json has them all")
    return lines


def _line(row: tuple[str, ...], widths: list[int]) -> str:
    return "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _universe_rows(universes: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("universe", "state", "rate", "longest gap", "frames", "lost", "slots", "from")]
    for one in universes:
        longest = one["interval_ms"]["max"]
        rows.append(
            (
                one["universe"],
                one["state"],
                "–" if one["refresh_hz"] is None else f"{one['refresh_hz']:.1f} Hz",
                "–" if longest is None else f"{longest:.1f} ms",
                str(one["frames"]),
                str(one["lost_frames"]),
                str(one["slots"]),
                one.get("winning_name") or "–",
            )
        )
    return rows


def _source_rows(sources: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    heading = ("source", "address", "protocol", "priority", "universes")
    return [heading, *(_source_row(one) for one in sources)]


def _source_row(one: dict[str, Any]) -> tuple[str, ...]:
    return (
        one.get("name") or one["source"],
        one["address"],
        one["protocol"],
        "–" if one["priority"] is None else str(one["priority"]),
        _shortened(one["universes"]),
    )


def _shortened(names: Iterable[str], most: int = 12) -> str:
    every = list(names)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min {rest} s" if hours else f"{minutes} min {rest} s"
