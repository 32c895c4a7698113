"""What `slotwatch replay` finds in a capture: one value, written as lines or as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from slotwatch.judge import wording
from slotwatch.snapshot import Incident, Severity, Snapshot
from slotwatch.views import api
from slotwatch.views.answers.faults import IncidentAnswer
from slotwatch.views.answers.traffic import SourceAnswer, UniverseAnswer
from slotwatch.views.house_time import house_moment, zone_named
from slotwatch.views.moments import iso_wall
from slotwatch.views.sheet import Sheet

Clock = Callable[[str], str]
"""Gives a moment, which is in ISO 8601 UTC, by the clock that the text uses."""
MOST_LINES = 200
"""Universes or sources listed in words; the JSON has them all."""
MOST_CHECKS = 3
"""Next checks of an incident in words, the first ones; the JSON has them all."""
ENOUGH_S = 10
"""The longest window in which frames are judged. A shorter recording says little of what it does not show."""


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """The file itself. Times are wall-clock nanoseconds; None if it holds no packet."""

    name: str
    packets: int
    first_ns: int | None
    last_ns: int | None
    show_packets: int
    """Of them, datagrams to a watched port."""
    other_udp: int = 0
    """Datagrams to other ports."""
    group_messages: int = 0
    """IGMP and MLD messages, which say what the switches were asked for."""
    unread: Mapping[str, int] = field(default_factory=dict)
    """Frames that gave no datagram, by reason: a key of UNREAD."""
    hidden: int = 0
    """Of them, those that may be datagrams to a watched port."""
    broken: str = ""
    """Why the file could not be read to its end; empty if it could."""
    clock_steps: tuple[tuple[int, int], ...] = ()
    """Set clocks: (wall nanoseconds before, by how many nanoseconds). The first ones."""
    clock_step_count: int = 0
    out_of_order: int = 0
    """Packets that carry an earlier time than one before them, and are judged in the order of the file."""

    @property
    def seconds(self) -> float:
        if self.first_ns is None or self.last_ns is None:
            return 0.0
        return round((self.last_ns - self.first_ns) / 1e9, 6)

    @property
    def first_at(self) -> str | None:
        """Time of the first packet, ISO 8601 UTC."""
        return None if self.first_ns is None else iso_wall(self.first_ns)

    @property
    def last_at(self) -> str | None:
        """Time of the last packet, ISO 8601 UTC."""
        return None if self.last_ns is None else iso_wall(self.last_ns)


UNREAD = {
    "cut": "cut short by the recording",
    "link-type": "of a link type that is not read",
    "mpls": "inside MPLS, which is not read",
    "pppoe": "inside PPPoE, which is not read",
    "fragment": "IP fragments, which are not put together",
    "no-udp": "without UDP",
    "bad-length": "with contradictory lengths",
}
"""Reasons why a frame gave no datagram, as a person reads them."""


def _unjudged(capture: CaptureSummary, incidents: list[Incident], levels_came: bool) -> str:
    """Say why nothing could be judged; empty if something was.

    levels_came: whether a frame was read. A recording that cuts long packets still has whole discovery lists and polls.
    """
    if (capture.show_packets and (levels_came or incidents or not capture.hidden)) or (
        (incidents or capture.group_messages) and not capture.hidden
    ):
        return ""
    why = ", ".join(f"{count} {UNREAD[reason]}" for reason, count in capture.unread.items() if count)
    if not capture.hidden:
        held = f" It holds {wording.count(capture.packets, 'packet')}: {_others(capture)}." if _others(capture) else ""
        return f"Nothing could be judged: no packet of E1.31 or Art-Net to the watched ports is in it.{held}"
    advice = " Record whole packets (snapshot length 0)." if capture.unread.get("cut") else ""
    return f"Nothing could be judged: of {wording.count(capture.packets, 'packet')}, {why}.{advice}"


def _others(capture: CaptureSummary) -> str:
    counts = [f"{capture.other_udp:,} to other UDP ports"] if capture.other_udp else []
    counts += [f"{count:,} {UNREAD[reason]}" for reason, count in capture.unread.items() if count]
    return "; ".join(counts)


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """What a capture came to, at its end."""

    capture: CaptureSummary
    unjudged: str
    """Why nothing could be judged; empty if something was."""
    universes: list[UniverseAnswer]
    sources: list[SourceAnswer]
    incidents: list[IncidentAnswer]
    """All of them, open and closed, in the order they were opened."""
    rejected: dict[str, int]
    """Packets that no protocol accepted, by reason."""
    odd: dict[str, int]
    """Sources whose packets do not conform but are understood, by what is odd about them."""

    @property
    def found_faults(self) -> bool:
        """Whether a warning or worse was raised that no exception accepts."""
        return any(one["severity"] != Severity.NOTE.word and not one["accepted"] for one in self.incidents)


def replay_report(capture: CaptureSummary, snapshot: Snapshot, incidents: list[Incident]) -> ReplayReport:
    """Make the report from the snapshot at the end and all incidents."""
    sheet = Sheet(snapshot)
    universes = api.universes(sheet)
    return ReplayReport(
        capture=capture,
        unjudged=_unjudged(capture, incidents, any(one["frames"] for one in universes)),
        universes=universes,
        sources=api.sources(sheet),
        incidents=[api.incident(sheet, found) for found in incidents],
        rejected=rejected(snapshot),
        odd=dict(Counter(word for source in snapshot.sources for word in source.odd)),
    )


def replay_json(report: ReplayReport) -> dict[str, object]:
    """Return what `replay --json` prints."""
    capture = report.capture
    return {
        "capture": {
            "packets": capture.packets,
            "first_at": capture.first_at,
            "last_at": capture.last_at,
            "seconds": capture.seconds,
            "out_of_order": capture.out_of_order,
        },
        "universes": report.universes,
        "sources": report.sources,
        "incidents": report.incidents,
        "rejected": report.rejected,
        "unread": {reason: capture.unread.get(reason, 0) for reason in UNREAD},
        "clock_steps": capture.clock_step_count,
    }


def rejected(snapshot: Snapshot) -> dict[str, int]:
    """Count packets that no protocol accepted, by reason."""
    counts: Counter[str] = Counter()
    for (_, reason), count in snapshot.counters.rejected.items():
        counts[reason] += count
    return dict(sorted(counts.items()))


def replay_text(report: ReplayReport, time_zone: str = "UTC") -> list[str]:
    """Return the report as lines: the file, the incidents with the worst first, then the sources with what they
    send. Times are by the house's clock, as in the incidents' own sentences."""
    clock = _clock_of(time_zone)
    lines = [*_heading(report.capture, clock), "", *_incidents(report, clock)]
    lines += _table("Universes", _universe_rows(report.universes))
    lines += _table("Sources", _source_rows(report.sources))
    if report.odd:
        counts = ", ".join(f"{word} ({wording.count(n, 'source')})" for word, n in report.odd.items())
        lines += ["", "Nonconforming but understood: " + counts]
    if report.rejected:
        counts = ", ".join(f"{reason} {count}" for reason, count in report.rejected.items())
        lines += ["", f"Not used, with the reason: {counts}"]
    return lines


def _clock_of(time_zone: str) -> Clock:
    if time_zone == "UTC":
        return str
    zone = zone_named(time_zone)
    return lambda moment: house_moment(moment, zone).isoformat(timespec="milliseconds")


def _heading(capture: CaptureSummary, clock: Clock) -> list[str]:
    lines = [f"{capture.name}: {wording.count(capture.packets, 'packet')} in {_duration(capture.seconds)}"]
    last_at = clock(capture.last_at) if capture.last_at else ""
    if capture.first_at:
        lines.append(f"from {clock(capture.first_at)} to {last_at}")
    others = _others(capture)
    lines.append(f"{capture.show_packets:,} to the watched ports" + (f"; {others}" if others else ""))
    if capture.broken:
        lines.append(f"The file is not whole: {capture.broken}. It was judged up to {last_at}.")
    if capture.clock_step_count:
        steps = ", ".join(
            f"{_signed(step_ns)} at {clock(iso_wall(wall_ns))}" for wall_ns, step_ns in capture.clock_steps
        )
        more = capture.clock_step_count - len(capture.clock_steps)
        went_back = any(step_ns < 0 for _, step_ns in capture.clock_steps)
        lines.append(
            f"The recording computer's clock was set while it recorded: {steps}"
            + (f" and {more} more times" if more else "")
            + ". It is not counted as silence."
            + (" A step back may also be a file whose parts are out of order." if went_back else "")
        )
    if capture.out_of_order:
        carry = "packet carries" if capture.out_of_order == 1 else "packets carry"
        lines.append(
            f"{capture.out_of_order:,} {carry} an earlier time than one before;"
            " all are judged in the order of the file."
        )
    return lines


def _incidents(report: ReplayReport, clock: Clock) -> list[str]:
    capture, incidents, unjudged = report.capture, report.incidents, report.unjudged
    if not incidents and unjudged:
        return [unjudged]
    limit = (
        []
        if not capture.hidden
        else [f"{wording.count(capture.hidden, 'packet')} could not be read, so what is missing here proves nothing."]
    )
    if round(capture.seconds, 1) < ENOUGH_S:
        limit.append(
            f"The recording lasts only {_duration(capture.seconds)}. Many faults need {ENOUGH_S} s of traffic to show."
        )
    if not incidents and not capture.show_packets:
        messages = wording.count(capture.group_messages, "IGMP or MLD message")
        return [f"It holds no show data. Only its {messages} could be judged: nothing was found wrong with them."]
    if not incidents:
        read = " in what could be read" if capture.hidden else ""
        until = (
            f" up to {clock(capture.last_at)}, where the file breaks off" if capture.broken and capture.last_at else ""
        )
        return [f"Nothing was found wrong{read}{until}.", *limit]
    counts = Counter(one["severity"] for one in incidents)
    words = [level.word for level in sorted(Severity, reverse=True)]
    heading = ", ".join(f"{counts[word]} {word}" for word in words if counts[word])
    lines = [*([unjudged] if unjudged else limit), f"Found: {heading}"]
    for one in sorted(incidents, key=lambda one: words.index(one["severity"])):
        opened, closed = (clock(moment) if moment else "" for moment in (one["opened_at"], one["closed_at"]))
        end = f"closed {closed}" if closed else "open at the end of the capture"
        lines += ["", f"{one['severity'].upper()}  opened {opened}, {end}"]
        cause = f" ({one['cause']})" if one["cause"] else ""
        lines.append(f"  {one['rule']}{cause}: {one['summary']}")
        if one["universes"]:
            lines.append(f"  universes: {_shortened(one['universes'])}")
        lines += [f"  - {line}" for line in one["evidence"]]
        if one["accepted"]:
            lines.append(f"  accepted: {one['accepted']['reason']}")
        else:
            lines += [f"  check: {line}" for line in one["next_checks"][:MOST_CHECKS]]
    return lines


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


def _universe_rows(universes: list[UniverseAnswer]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("universe", "state", "rate", "longest gap", "frames", "missing", "slots", "from")]
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
                one["winning_name"] or "–",
            )
        )
    return rows


def _source_rows(sources: list[SourceAnswer]) -> list[tuple[str, ...]]:
    heading = ("source", "address", "protocol", "priority", "universes")
    return [heading, *(_source_row(one) for one in sources)]


def _source_row(one: SourceAnswer) -> tuple[str, ...]:
    return (
        one["name"] or one["source"],
        ", ".join(dict.fromkeys(leg["address"] for leg in one["legs"])),
        one["protocol"],
        "–" if one["priority"] is None else str(one["priority"]),
        _shortened(one["universes"]),
    )


def _shortened(names: Iterable[str], most: int = 12) -> str:
    every = list(names)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def _signed(nanoseconds: int) -> str:
    return f"{'back' if nanoseconds < 0 else 'forward'} by {_duration(abs(nanoseconds) / 1e9)}"


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours > 48:
        return f"{hours // 24} days {hours % 24} h"
    return f"{hours} h {minutes} min {rest} s" if hours else f"{minutes} min {rest} s"
