"""Writes a show report as one HTML file, as JSON or as CSV. The HTML prints well, runs no script and loads nothing."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from math import log10

import msgspec
from markupsafe import Markup

from slotwatch.durations import MINUTE_NS, NANOSECONDS
from slotwatch.judge import wording
from slotwatch.views.answers.faults import IncidentAnswer
from slotwatch.views.answers.report import MinuteCells, NotJudgedInterval, ShowReport, UniverseMinutes, WorstUniverse
from slotwatch.views.answers.usual import TrendAnswer
from slotwatch.views.house_time import house_moment, zone_named
from slotwatch.views.moments import read_iso
from slotwatch.views.templates import environment

STYLE = """
:root{--ink:#1c2024;--soft:#555e68;--line:#c9ced4;--worst:#8c2f14;--bar:#4a6a86;--void:#e4e7ea;--paper:#fcfcfa}
@media(prefers-color-scheme:dark){:root{--ink:#d9dde1;--soft:#98a2ad;--line:#3a4148;--worst:#f0a184;--bar:#7fa3c2;
--void:#2a3036;--paper:#14181b}}
body{font:16px/1.5 Georgia,"Times New Roman",serif;color:var(--ink);background:var(--paper);max-width:62rem;
margin:2rem auto;padding:0 1.2rem}
h1{font-size:1.7rem;line-height:1.25;margin:0 0 .3rem}h2{font-size:1.2rem;margin:2.4rem 0 .6rem;
border-top:1px solid var(--line);padding-top:.8rem}h3{font-size:1rem;margin:1.4rem 0 .2rem}
p{margin:.3rem 0 .6rem}.soft{color:var(--soft)}.worst{color:var(--worst);font-weight:bold}
table{border-collapse:collapse;width:100%;font-size:.88rem;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.25rem .7rem .25rem 0;border-bottom:1px solid var(--line)}
td.n,th.n{text-align:right}ul{margin:.2rem 0 .8rem;padding-left:1.2rem}svg{display:block;width:100%;height:auto}
.wide{overflow-x:auto}
svg .bar{fill:var(--bar)}svg .bad{fill:var(--worst)}svg .void{fill:var(--void)}
svg .limit{stroke:var(--worst);stroke-dasharray:4 3;fill:none}svg text{fill:var(--soft);font-size:9px}
article{break-inside:avoid}
@media print{body{margin:0;max-width:none;font-size:10.5pt;background:#fff;color:#000}h2{break-after:avoid}
thead{display:table-header-group}tr,figure{break-inside:avoid}}
"""
REASONS = {
    "link-down": "this listener's own link was down",
    "host-overrun": "this computer lost packets before they were judged",
    "stall": "this computer had no time to judge",
    "not-running": "slotwatch was stopped",
    "ended-unexpectedly": "slotwatch ended without being stopped: a power cut, a crash or a kill",
}
"""Why a time was not judged, in words."""
BAD_STATES = frozenset({"lost", "missing", "faulty"})
WIDTH, HEIGHT, FOOT = 720, 76, 14
TREND_WIDTH = 320
MOST_BARS = 720
LISTED_MINUTES = 12
"""Minutes that the table below a chart lists."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One minute in a chart. Places and sizes in the chart's own units."""

    kind: str
    """bar: no fault | bad: a fault or missing frames | void: not judged."""
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class MinuteChart:
    """One universe's minutes as bars, and the worst of them as rows of a table."""

    name: str
    bars: Sequence[Bar]
    rows: Sequence[tuple[str, ...]]
    first_at: str
    last_at: str
    width: int = WIDTH
    height: int = HEIGHT + FOOT


@dataclass(frozen=True, slots=True)
class TrendChart:
    """What grows worse from show to show: a point for each show. Places in the chart's own units."""

    text: str
    points: Sequence[tuple[float, float]]
    limit_y: float
    described: str
    width: int = TREND_WIDTH
    height: int = HEIGHT


def report_html(report: ShowReport) -> str:
    """Write a report as one file. Its times are in the house's own time zone."""
    zone = zone_named(report.time_zone)
    template = environment().get_template("report.html")
    return template.render(
        report=report,
        style=Markup(STYLE),
        day=lambda text: wording.written(house_moment(text, zone), "%A %-d %B %Y, %H:%M"),
        lasted=_lasted,
        clock=lambda text: _clock(text, zone),
        phases=[(_clock(one.at, zone), one.phase) for one in report.phases],
        not_judged=[_interval(one, zone) for one in report.not_judged],
        marks=[(_clock(one["at"], zone), one["text"], one["by"]) for one in report.marks],
        charts=[_chart(one, zone) for one in report.worst],
        trends=[_trend(one) for one in report.grows_worse],
        universes=[_universe(one, zone) for one in report.universes],
    )


def _lasted(one: IncidentAnswer) -> str:
    """Say how long a fault itself lasted; nothing while it lasts."""
    return "" if one["lasted_s"] is None else f", {wording.seconds(round(one['lasted_s'] * NANOSECONDS))}"


def report_json(report: ShowReport) -> str:
    """Write everything of a report as indented JSON."""
    return json.dumps(msgspec.to_builtins(report), indent=2, ensure_ascii=False) + "\n"


def report_csv(report: ShowReport) -> str:
    """Write the incidents, marks and intervals of a report as one table, in order of time."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(["from", "to", "kind", "severity", "rule", "cause", "universes", "text", "by", "note", "lasted_s"])
    lines = []
    for one in report.incidents:
        seen = one["acknowledged"] or {"by": "", "note": ""}
        what = (one["severity"], one["rule"], one["cause"], " ".join(one["universes"]), one["summary"])
        lasted = "" if one["lasted_s"] is None else f"{one['lasted_s']:.3f}"
        ended = one["returned_at"] or one["closed_at"] or ""
        lines.append((one["began_at"] or "", ended, "incident", *what, seen["by"], seen["note"], lasted))
    lines += [(mark["at"], "", "mark", "", "", "", "", mark["text"], mark["by"], "", "") for mark in report.marks]
    for gap in report.not_judged:
        text = f"{gap.reason} {gap.network}".strip()
        lines.append((gap.since, gap.until or "", "not-judged", "", "", "", "", text, "", "", ""))
    rows.writerows([_cell(value) for value in line] for line in sorted(lines))
    return out.getvalue()


def _cell(value: str) -> str:
    """Mark text as text that a spreadsheet would run as a formula."""
    return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _interval(gap: NotJudgedInterval, zone: tzinfo) -> tuple[str, ...]:
    until = _clock(gap.until, zone) if gap.until else "now"
    return _clock(gap.since, zone), until, gap.network, REASONS.get(gap.reason, gap.reason)


def _chart(one: WorstUniverse, zone: tzinfo) -> MinuteChart:
    """Draw one universe's longest gap in each minute, on a logarithmic scale from 10 ms to 60 s."""
    rows = one.rows[-MOST_BARS:]
    first = read_iso(rows[0].at) // MINUTE_NS
    count = read_iso(rows[-1].at) // MINUTE_NS - first + 1
    width = WIDTH / max(count, 30)
    bars = []
    for row in rows:
        kind = "void" if row.not_judged_s else "bad" if _is_bad(row) else "bar"
        height = HEIGHT if kind == "void" else _height(row.worst_gap_ms or 0.0)
        x = (read_iso(row.at) // MINUTE_NS - first) * width
        bars.append(Bar(kind, x, HEIGHT - height, width * 0.9, height))
    worst = sorted((row for row in rows if _is_bad(row)), key=lambda row: -(row.worst_gap_ms or 0.0))
    listed = sorted(worst[:LISTED_MINUTES], key=lambda row: row.at)
    return MinuteChart(
        name=one.universe + (f" {one.label}" if one.label else ""),
        bars=bars,
        rows=[
            (_minute(row.at, zone), _spaced(row.state), f"{row.worst_gap_ms or 0.0:.0f} ms", str(row.lost_frames))
            for row in listed
        ],
        first_at=rows[0].at,
        last_at=rows[-1].at,
    )


def _is_bad(row: MinuteCells) -> bool:
    return row.state in BAD_STATES or row.lost_frames > 0


def _height(gap_ms: float) -> float:
    """Return the height of a bar: 10 ms is the ground, 60 s the top."""
    return max(1.0, min(1.0, log10(max(gap_ms, 10.0) / 10.0) / log10(6000.0)) * HEIGHT)


def _universe(one: UniverseMinutes, zone: tzinfo) -> tuple[str, ...]:
    return (
        one.universe,
        one.label,
        _spaced(one.worst_state),
        ", ".join(f"{count} min {_spaced(state)}" for state, count in one.state_minutes.items()),
        "" if one.refresh_hz is None else f"{one.refresh_hz:.1f}",
        f"{one.worst_gap_ms:.0f} ms" + (f" ({_minute(one.worst_minute_at, zone)})" if one.worst_minute_at else ""),
        str(one.lost_frames),
        "" if one.interval_p99_ms is None else f"{one.interval_p99_ms:.0f} ms",
        one.usual,
    )


def _trend(one: TrendAnswer) -> TrendChart:
    """Draw the shows from left to right, and where a warning begins."""
    top = max(*one["values"], one["limit"]) * 1.05
    step = TREND_WIDTH / len(one["values"])

    def y(value: float) -> float:
        return float(HEIGHT - value / top * HEIGHT)

    return TrendChart(
        text=one["text"],
        points=[((number + 0.5) * step, y(value)) for number, value in enumerate(one["values"])],
        limit_y=y(one["limit"]),
        described=f"Shows from {one['values'][0]:.1f} to {one['values'][-1]:.1f}; the limit is {one['limit']:.1f}",
    )


def _clock(text: str, zone: tzinfo) -> str:
    return wording.written(house_moment(text, zone), "%a %H:%M:%S")


def _minute(text: str, zone: tzinfo) -> str:
    return wording.written(house_moment(text, zone), "%a %H:%M")


def _spaced(state: str) -> str:
    """A state as people read it: `at rest`."""
    return state.replace("-", " ")
