"""The show report written down: one HTML file that needs nothing else, and CSV. It prints well and runs no script."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from html import escape
from math import log10
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from slotwatch.views.minutes import COLUMNS
from slotwatch.views.moments import NANOSECONDS, read_iso

STYLE = """
:root{--ink:#1c2024;--soft:#555e68;--line:#c9ced4;--loud:#8c2f14;--bar:#4a6a86;--void:#e4e7ea;--paper:#fcfcfa}
@media(prefers-color-scheme:dark){:root{--ink:#d9dde1;--soft:#98a2ad;--line:#3a4148;--loud:#f0a184;--bar:#7fa3c2;
--void:#2a3036;--paper:#14181b}}
body{font:16px/1.5 Georgia,"Times New Roman",serif;color:var(--ink);background:var(--paper);max-width:62rem;
margin:2rem auto;padding:0 1.2rem}
h1{font-size:1.7rem;line-height:1.25;margin:0 0 .3rem}h2{font-size:1.2rem;margin:2.4rem 0 .6rem;
border-top:1px solid var(--line);padding-top:.8rem}h3{font-size:1rem;margin:1.4rem 0 .2rem}
p{margin:.3rem 0 .6rem}.soft{color:var(--soft)}.loud{color:var(--loud);font-weight:bold}
table{border-collapse:collapse;width:100%;font-size:.88rem;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.25rem .7rem .25rem 0;border-bottom:1px solid var(--line)}
td.n,th.n{text-align:right}ul{margin:.2rem 0 .8rem;padding-left:1.2rem}svg{display:block;width:100%;height:auto}
svg .bar{fill:var(--bar)}svg .bad{fill:var(--loud)}svg .void{fill:var(--void)}svg text{fill:var(--soft);font-size:9px}
article{break-inside:avoid}
@media print{body{margin:0;max-width:none;font-size:10.5pt;background:#fff;color:#000}h2{break-after:avoid}
thead{display:table-header-group}tr,figure{break-inside:avoid}}
"""
REASONS = {
    "link-down": "this listener's own link was down",
    "host-overrun": "this computer lost packets before they were judged",
    "stall": "this computer did not get to judging",
    "not-running": "slotwatch was stopped",
    "ended-unexpectedly": "slotwatch ended without being stopped: a power cut, a crash or a kill",
}
"""Why a time was not judged, in words."""
BAD_STATES = frozenset({"lost", "missing", "faulty"})
WIDTH, HEIGHT, FOOT = 720, 76, 14
MOST_BARS = 720
TEXT_FORM_ROWS = 12


def report_html(found: dict[str, Any]) -> str:
    """Write a report (see `edge.reporting.gather`) as one file. Times are in the house's own zone."""
    zone = _zone(found["time_zone"])
    title = f"{found['house']}: show report"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n"
        f"<p>{_long(found['since'], zone)} to {_long(found['until'], zone)} ({escape(found['time_zone'])}). "
        f"{escape(found['span'])}</p>\n"
        f"<p><strong>{escape(found['summary'])}</strong></p>\n"
        + _phases(found["phases"], zone)
        + _incidents(found["incidents"], zone)
        + _rows("Not judged", ("From", "To", "Network", "Reason"), _intervals(found["not_judged"], zone))
        + _rows(
            "Marks",
            ("At", "What was seen", "By"),
            [(_short(m["at"], zone), m["text"], m["by"]) for m in found["marks"]],
        )
        + _worst(found["worst"], zone)
        + _universes(found["universes"], zone)
        + f'<p class="soft">Written {_long(found["generated_at"], zone)} by slotwatch {escape(found["version"])}. '
        "A listener's record: what did not reach its port is not in it. Not a safety record.</p>\n"
        "</body>\n</html>\n"
    )


def report_csv(found: dict[str, Any]) -> str:
    """Write the incidents, marks and intervals of a report as one table, in order of time."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(["from", "to", "kind", "severity", "rule", "cause", "universes", "text", "by", "note"])
    lines = []
    for one in found["incidents"]:
        seen = one["acknowledged"] or {"by": "", "note": ""}
        what = (one["severity"], one["rule"], one["cause"], " ".join(one["universes"]), one["summary"])
        lines.append((one["began_at"], one["closed_at"] or "", "incident", *what, seen["by"], seen["note"]))
    lines += [(m["at"], "", "mark", "", "", "", "", m["text"], m["by"], "") for m in found["marks"]]
    lines += [
        (
            gap["from"],
            gap["to"] or "",
            "not-judged",
            "",
            "",
            "",
            "",
            f"{gap['reason']} {gap['network']}".strip(),
            "",
            "",
        )
        for gap in found["not_judged"]
    ]
    rows.writerows([_cell(value) for value in line] for line in sorted(lines))
    return out.getvalue()


def _cell(value: str) -> str:
    """Text that a spreadsheet would run as a formula is marked as text."""
    return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _phases(phases: list[dict[str, Any]], zone: tzinfo) -> str:
    return _rows("Phases", ("Since", "Phase"), [(_short(one["at"], zone), one["phase"]) for one in phases])


def _incidents(incidents: list[dict[str, Any]], zone: tzinfo) -> str:
    if not incidents:
        return "<h2>Incidents</h2>\n<p>None.</p>\n"
    parts = [f"<h2>Incidents: {len(incidents)}</h2>\n"]
    for one in incidents:
        loud = ' class="loud"' if one["severity"] == "critical" else ""
        seen = one["acknowledged"]
        taken = (
            f" Taken on by {seen['by']} at {_short(seen['at'], zone)}. {seen['note']}"
            if seen
            else " Nobody took it on."
        )
        cause = f"; cause {one['cause'].replace('-', ' ')}, confidence {one['confidence']}" if one["cause"] else ""
        parts.append(
            f"<article>\n<h3><span{loud}>{escape(one['severity'].capitalize())}</span>, "
            f"{_short(one['began_at'], zone)} to {_short(one['closed_at'], zone) if one['closed_at'] else 'now'}: "
            f"{escape(one['summary'])}</h3>\n"
            f"<p>{escape(one['rule'])}{escape(cause)}.{escape(taken)}</p>\n"
            + _list(one["evidence"])
            + _list([f"{_short(entry['at'], zone)} {entry['text']}" for entry in one["timeline"]])
            + "</article>\n"
        )
    return "".join(parts)


def _intervals(gaps: list[dict[str, Any]], zone: tzinfo) -> list[tuple[str, ...]]:
    return [
        (
            _short(gap["from"], zone),
            _short(gap["to"], zone) if gap["to"] else "now",
            gap["network"],
            REASONS.get(gap["reason"], gap["reason"]),
        )
        for gap in gaps
    ]


def _worst(worst: list[dict[str, Any]], zone: tzinfo) -> str:
    if not worst:
        return "<h2>Worst minutes</h2>\n<p>No universe lost frames or was at fault in any minute.</p>\n"
    return "<h2>Worst minutes</h2>\n" + "".join(_figure(one, zone) for one in worst)


def _figure(one: dict[str, Any], zone: tzinfo) -> str:
    """One universe's minutes as bars (longest gap, logarithmic from 10 ms to 60 s), and the worst of them in words."""
    at, gap, lost, state, unseen = (
        COLUMNS.index(n) for n in ("at", "worst_gap_ms", "lost_frames", "state", "not_judged_s")
    )
    rows = one["rows"][-MOST_BARS:]
    first = read_iso(rows[0][at]) // (60 * NANOSECONDS)
    count = read_iso(rows[-1][at]) // (60 * NANOSECONDS) - first + 1
    width = WIDTH / max(count, 30)
    bars = []
    for row in rows:
        x = (read_iso(row[at]) // (60 * NANOSECONDS) - first) * width
        kind = "void" if row[unseen] else "bad" if row[state] in BAD_STATES or row[lost] else "bar"
        height = HEIGHT if kind == "void" else _height(row[gap] or 0.0)
        place = f'x="{x:.1f}" y="{HEIGHT - height:.1f}" width="{width * 0.9:.2f}" height="{height:.1f}"'
        bars.append(f'<rect class="{kind}" {place}/>')
    notable = sorted((row for row in rows if row[state] in BAD_STATES or row[lost]), key=lambda row: -(row[gap] or 0.0))
    lines = [
        (_short(row[at], zone), row[state], f"{row[gap]:.0f} ms", str(row[lost]))
        for row in sorted(notable[:TEXT_FORM_ROWS], key=lambda row: str(row[at]))
    ]
    name = escape(one["universe"] + (f" {one['label']}" if one["label"] else ""))
    return (
        f"<figure>\n<h3>{name}</h3>\n"
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT + FOOT}" role="img" aria-label="Longest gap in each minute of {name}; '
        f'the worst stand in the table below">\n{"".join(bars)}\n'
        f'<text x="0" y="{HEIGHT + FOOT - 3}">{_short(rows[0][at], zone)}</text>'
        f'<text x="{WIDTH}" y="{HEIGHT + FOOT - 3}" text-anchor="end">{_short(rows[-1][at], zone)}</text>\n</svg>\n'
        + _table(("Minute", "Worst state", "Longest gap", "Frames lost"), lines)
        + "</figure>\n"
    )


def _height(gap_ms: float) -> float:
    """Three decades and a bit: 10 ms is the ground, 60 s the top."""
    return max(1.0, min(1.0, log10(max(gap_ms, 10.0) / 10.0) / log10(6000.0)) * HEIGHT)


def _universes(universes: list[dict[str, Any]], zone: tzinfo) -> str:
    rows = [
        (
            one["universe"],
            one["label"],
            one["worst_state"],
            ", ".join(f"{count} min {state}" for state, count in one["state_minutes"].items()),
            "" if one["refresh_hz"] is None else f"{one['refresh_hz']:.1f}",
            f"{one['worst_gap_ms']:.0f} ms"
            + (f" at {_short(one['worst_minute_at'], zone)}" if one["worst_minute_at"] else ""),
            str(one["lost_frames"]),
        )
        for one in universes
    ]
    return _rows(
        "Universes", ("Universe", "Label", "Worst", "Minutes by worst state", "Hz", "Longest gap", "Lost"), rows
    )


def _rows(title: str, heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    return f"<h2>{title}</h2>\n" + (_table(heads, rows) if rows else "<p>None.</p>\n")


def _table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>\n" for row in rows)
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody>\n</table>\n"


def _list(lines: list[str]) -> str:
    return "<ul>\n" + "".join(f"<li>{escape(line)}</li>\n" for line in lines) + "</ul>\n" if lines else ""


def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC


def _moment(text: str, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(read_iso(text) / NANOSECONDS, zone)


def _long(text: str, zone: tzinfo) -> str:
    return _moment(text, zone).strftime("%A %-d %B %Y, %H:%M")


def _short(text: str, zone: tzinfo) -> str:
    return _moment(text, zone).strftime("%a %H:%M:%S")
