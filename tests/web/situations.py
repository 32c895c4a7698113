# ruff: noqa: E501 (rows of made-up facts read better whole)
"""Fabricated houses in the shapes of the API, for the page alone: nothing here is measured or judged.

The invented Harbour Street Playhouse in several situations. Times are made relative to `now_ms`, so that a
page that opens on them finds them fresh.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from tests.web import switch_situations

Json = dict[str, Any]

DESK_A = "6f1c2a70-7d1e-4a55-9a3e-0b6f2a51c001"
DESK_B = "6f1c2a70-7d1e-4a55-9a3e-0b6f2a51c002"
MEDIA = "10.20.0.30"
VISITOR = "0d3a9d02-11aa-4c1b-8f00-5b6c1c2d3e4f"

UNIVERSE_COLUMNS = (
    "universe", "network", "label", "declared", "expected", "state", "refresh_hz", "interval_ms", "frames", "lost_frames",
    "slots", "priority", "winning_source", "sources", "last_frame_at", "incidents",
)  # fmt: skip

LABELS = {
    1: "Dimmer racks", 2: "Advance bar", 3: "Bridge 1", 4: "Bridge 2", 5: "Flown left", 6: "Flown right",
    7: "Cyclorama", 8: "Floor", 9: "House lights", 10: "Practicals", 11: "Moving lights 1", 12: "Moving lights 2",
}  # fmt: skip


def iso(ms: float) -> str:
    """ISO 8601 UTC with milliseconds, as the API writes times."""
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass
class Situation:
    """Everything the stand-in answers, at one moment."""

    house: Json
    universes: list[Json]
    sources: list[Json]
    incidents: list[Json]
    details: dict[str, Json] = field(default_factory=dict)
    answers: dict[str, Any] = field(default_factory=dict)
    """Other addresses under /api/v1/: what they answer."""


def universe(name: str, label: str, state: str, source: str, now_ms: float, hz: float | None = 40.0) -> Json:
    """One row as the list of universes has it."""
    silent = state in {"lost", "missing", "not-sent", "not-visible"}
    rate = None if silent else hz
    p50 = 1000 / rate if rate else None
    return {
        "universe": name,
        "network": "eth1",
        "label": label,
        "declared": True,
        "expected": True,
        "state": state,
        "refresh_hz": rate,
        "interval_ms": {"p50": p50, "p95": p50 and p50 * 1.1, "p99": p50 and p50 * 1.4, "max": p50 and p50 * 2.6},
        "frames": 0 if state == "missing" else 812345,
        "lost_frames": 0,
        "slots": 512,
        "priority": 100,
        "winning_source": None if silent else source,
        "sources": [source] if source else [],
        "last_frame_at": None if state == "missing" else iso(now_ms - (4100 if silent else 12)),
        "incidents": [],
    }


def house(now_ms: float, **changed: Any) -> Json:
    listener = {
        "receive_buffer_bytes": 8388608,
        "kernel_drops": 0,
        "routes_discarded_packets": 234,
        "node_unanswered_polls": 0,
        "joins_held": 12,
        "joins_failed": [],
        "judging_lag_ms": 1.8,
        "links": {"eth1": {"interface": "eth1", "up": True, "addresses": ["10.20.0.90"], "speed_mbps": 1000}},
        "queriers": {
            "eth1": {"watched": True, "reason": "", "address": "10.20.0.1", "version": "v2", "silent_s": 41.0}
        },
        "history": {"ok": True, "text": "written each minute; 18 MiB"},
        "alertmanager": {"used": False, "ok": True, "text": "not used"},
        "judging": {"ok": True, "text": "answers"},
        "trouble": [],
    }
    value = {
        "name": "Harbour Street Playhouse",
        "phase": "show",
        "phase_since": iso(now_ms - 3.1e6),
        "phase_pending": "",
        "version": "0.1.0",
        "vantage": "port",
        "networks": ["eth1"],
        "uptime_s": 86400 * 3 + 4000,
        "started_at": iso(now_ms - 86400000 * 3),
        "at": iso(now_ms),
        "host": "rack-pc",
        "time_zone": "Europe/London",
        "house_file": "/etc/slotwatch/house.toml",
        "faults": [],
        "quiet_until": None,
        "listener": listener,
    }
    return value | changed


def sources(now_ms: float) -> list[Json]:
    def row(source: str, name: str, address: str, universes: list[str], declared: bool = True) -> Json:
        e131 = "-" in source
        return {
            "source": source, "name": name, "protocol": "e131" if e131 else "artnet", "cid": source if e131 else None,
            "address": address, "source_name": name if e131 else "", "declared_as": name if declared else "",
            "universes": universes, "priority": 100 if e131 else None, "refresh_hz": 40.0, "lost_frames": 0,
            "first_seen_at": iso(now_ms - 9e6), "last_seen_at": iso(now_ms - 20),
            "legs": [{"network": "eth1", "address": address, "mac": None, "state": "live", "last_frame_at": iso(now_ms - 20), "universes": universes, "place": None}],
        }  # fmt: skip

    e131 = [f"e131/{n}" for n in range(1, 13)]
    return [
        row(DESK_A, "main desk", "10.20.0.10", e131),
        row(DESK_B, "spare desk", "10.20.0.11", e131),
        row(MEDIA, "media server", MEDIA, ["artnet/0", "artnet/1"]),
    ]


def levels(seed: int) -> list[int]:
    """A plausible look: groups up, groups down."""
    return [
        max(0, min(255, int(150 + 150 * math.sin((i + seed * 7) / 9.0)))) if (i // 24) % 3 != 1 else 0
        for i in range(512)
    ]


def detail(row: Json, now_ms: float) -> Json:
    number = int(row["universe"].split("/")[1])
    owners = [DESK_A] * 360 + [DESK_B] * 24 + [None] * 128 if number == 3 else [DESK_A] * 512
    if row["state"] == "lost":
        owners = []  # of what nobody sends there are no levels
    names = [DESK_A, DESK_B]

    def stream(source: str, name: str, address: str, priority: int, state: str = "live") -> Json:
        return {
            "source": source, "name": name, "address": address, "state": state, "role": "main", "priority": priority,
            "slots": 512, "refresh_hz": row["refresh_hz"], "refresh_1s_hz": row["refresh_hz"], "changes_hz": 12.4,
            "interval_ms": row["interval_ms"], "frames": 812345, "lost_frames": 3, "discarded": 0, "repeated": 0,
            "preview": 0, "options": 0, "sync_address": 0, "slot_priority": number == 3,
            "first_frame_at": iso(now_ms - 9e6), "last_frame_at": iso(now_ms - 14), "last_change_at": iso(now_ms - 200),
        }  # fmt: skip

    return row | {
        "levels": levels(number)[: len(owners)],
        "slot_sources": owners,
        "slot_source_names": ["main desk", "spare desk"] if names and owners else [],
        "slot_source_keys": [DESK_A, DESK_B] if names and owners else [],
        "streams": [stream(DESK_A, "main desk", "10.20.0.10", 100), stream(DESK_B, "spare desk", "10.20.0.11", 100)],
        "fixtures": [],
        "interval_histogram": [
            [0, 5, 0], [5, 10, 2], [10, 15, 40], [15, 20, 900], [20, 25, 39000], [25, 30, 36000], [30, 40, 700],
            [40, 60, 61], [60, 100, 9], [100, 200, 2], [200, 500, 0], [500, None, 1],
        ],
    }  # fmt: skip


def history(name: str, now_ms: float) -> Json:
    minute = now_ms // 60000 * 60000
    rows = []
    for back in range(60, 0, -1):
        wobble = math.sin(back / 5.0)
        rows.append(
            [
                iso(minute - back * 60000),
                2400,
                39.6 + wobble * 0.5,
                30 + 900 * (back in {14, 40}),
                int(back == 14),
                2,
                "steady",
                3.0 if back == 50 else 0.0,
                39.8,
                25.1,
                26.0,
                round(28.4 + wobble + (30.0 if back < 9 else 0.0), 1),
            ]
        )
    columns = ["at", "frames", "refresh_hz", "worst_gap_ms", "lost_frames", "sources", "state", "not_judged_s"]
    columns += ["moving_hz", "interval_p50_ms", "interval_p95_ms", "interval_p99_ms"]
    return {"universe": name, "columns": columns, "rows": rows}


GROWS_WORSE: Json = {
    "universe": "e131/2", "figure": "interval_p99_ms", "found_at": "2025-12-30T22:10:00.000Z", "limit": 100.0,
    "text": "Frames of e131/2 come less evenly from show to show: 99 of 100 intervals were within 28 ms in the first of the last 10 shows and 82 ms in the last. In about 3 shows they reach 100 ms, where uneven-refresh warns.",
    "values": [28.0, 33.1, 41.0, 44.8, 53.2, 58.0, 64.9, 69.7, 77.0, 82.3], "slope": 6.0, "p_value": 0.0,
}  # fmt: skip


def usual(name: str) -> Json:
    """The last 20 shows of a universe; tonight is worse."""

    def figure(median: float, mad: float, lowest: float, highest: float) -> Json:
        return {"median": median, "mad": mad, "lowest": lowest, "highest": highest, "shows": 20}

    tonight = {
        "refresh_hz": 39.6,
        "longest_gap_ms": 930.0,
        "missing_percent": 0.01,
        "sources": 2.0,
        "active_percent": 88.0,
    }
    tonight |= {"moving_hz": 39.8, "interval_p50_ms": 25.1, "interval_p95_ms": 26.0, "interval_p99_ms": 33.0}
    tonight |= {"sustained_hz": 39.4, "sustained_p99_ms": 58.0, "sustained_missing_percent": 0.0}
    figures = {
        "refresh_hz": figure(39.7, 0.1, 38.9, 40.1), "longest_gap_ms": figure(61.0, 9.0, 44.0, 120.0),
        "missing_percent": figure(0.0, 0.0, 0.0, 0.01), "sources": figure(2.0, 0.0, 2.0, 2.0), "active_percent": figure(86.0, 4.0, 71.0, 93.0),
        "moving_hz": figure(39.8, 0.1, 39.5, 40.0), "interval_p50_ms": figure(25.1, 0.0, 25.0, 25.2),
        "interval_p95_ms": figure(26.0, 0.2, 25.6, 27.1), "interval_p99_ms": figure(28.2, 0.9, 26.2, 30.4),
        "sustained_hz": figure(39.4, 0.1, 39.0, 39.8), "sustained_p99_ms": figure(29.0, 1.0, 26.4, 31.2),
        "sustained_missing_percent": figure(0.0, 0.0, 0.0, 0.0),
    }  # fmt: skip
    return {
        "universe": name, "shows": 20, "fewest_shows": 5, "method": "Median and MAD.", "source": "6f1c2a70-0000-4000-8000-000000000001",
        "figures": figures, "by_source": {}, "tonight": tonight, "left_out": [], "grows_worse": [],
        "restarted": {"at": "2025-11-03T10:00:00.000Z", "why": "the patch changed"},
    }  # fmt: skip


FIXTURE_ROLES = ("intensity", "red", "green", "blue", "white", "strobe")


def elsewhere(name: str, now_ms: float, is_lost: bool) -> Json:
    """One universe here, at a listener that is reached, and at one that is not."""
    source, state, age_s = (DESK_B, "silent", 4.1) if is_lost else (DESK_A, "live", 0.02)
    sender = "spare desk" if is_lost else "main desk"

    def stream(missing: int, hz: float) -> Json:
        return {
            "source": source, "name": sender, "network": "A", "state": state, "frames": 240113 - missing, "missing": missing,
            "last_frame_age_s": age_s, "refresh_hz": None if is_lost else hz, "judged": True, "wins": not is_lost,
            "interval_max_ms": 31.5,
        }  # fmt: skip

    here = stream(0, 44.0) | {
        "universe": name,
        "address": "10.20.0.10",
        "sequence": 17,
        "last_frame_at": iso(now_ms - age_s * 1000),
        "joined": True,
    }
    return {
        "universe": name,
        "here": [here],
        "there": [
            {
                "listener": "stage end",
                "url": "http://10.20.0.6:8580",
                "reached": True,
                "reason": "",
                "asked_at": iso(now_ms - 400),
                "streams": [stream(4802, 43.1)],
            },
            {
                "listener": "truck",
                "url": "http://10.20.0.7:8580",
                "reached": False,
                "reason": "no answer within 2 s",
                "asked_at": None,
                "streams": [],
            },
        ],
    }


def fixtures(lit: bool = True) -> list[Json]:
    made = []
    for number in (1, 2, 3, 7):
        for index in range(16):
            address = index * len(FIXTURE_ROLES) + 1
            values = levels(number)[address - 1 : address - 1 + len(FIXTURE_ROLES)]
            made.append({
                "fixture": f"{number}{index + 1:02d}", "universe": f"e131/{number}", "address": address,
                "footprint": len(FIXTURE_ROLES), "profile": "led-batten", "label": f"{LABELS[number]} {index + 1}",
                "position": LABELS[number], "circuit": f"C{number}{index + 1:02d}",
                "last_slot": address + len(FIXTURE_ROLES) - 1, "slots": [{"slot": address + i, "role": role, "level": values[i]} for i, role in enumerate(FIXTURE_ROLES)],
                "levels": dict(zip(FIXTURE_ROLES, values, strict=True)), "lit": lit and values[0] > 12,
            })  # fmt: skip
    return made


def asked(now_ms: float, *, running: bool = False) -> Json:
    """A window of asking and what it found, as house.listener.asking has it."""

    def device(verdict: str, uid: str, address: int | None, **more: Any) -> Json:
        return {
            "verdict": verdict, "uid": uid, "gateway": "10.20.1.7", "universe": "artnet/1", "label": "Batten", "address": address,
            "footprint": 6, "personality": "2 of 4", "sensor": 41, "refused": [], "fixture": None, "patched_address": None,
        } | more  # fmt: skip

    return {
        "running": running,
        "ends_in_s": 95.0 if running else 0.0,
        "ends_at": iso(now_ms + (95000 if running else -500000)),
        "stopped": "" if running else "stopped by a person",
        "requests": 34,
        "rows": [
            device("right", "7ff0:00000001", 1, fixture="701", patched_address=1),
            device("wrong-address", "7ff0:00000002", 31, fixture="702", patched_address=7),
            device("wrong-mode", "7ff0:00000003", 13, footprint=9, fixture="703", patched_address=13),
            device("unknown", "7ff0:00000004", 480, refused=["DEVICE_LABEL"], label=""),
            device("silent", "7ff0:00000005", None, footprint=None, personality=None, sensor=None, label=""),
            {"verdict": "missing", "fixture": "704", "universe": "artnet/1", "patched_address": 19, "footprint": 6},
        ],
    }


def hours() -> list[Json]:
    """Rows as /api/v1/hours has them."""

    def row(kind: str, name: str, on_h: float, full_h: float, rated_h: float | None, band: str | None) -> Json:
        return {
            kind: name,
            "on_h": on_h,
            "full_equivalent_h": full_h,
            "switched_on": int(on_h / 2) + 1,
            "rated_life_h": rated_h,
            "band": band,
        }

    return [
        row("circuit", "C101", 120.25, 60.5, 400.0, "young"),
        row("circuit", "C102", 410.0, 300.0, 400.0, "ageing to due"),
        row("circuit", "C103", 700.0, 560.0, 400.0, "overdue"),
        row("fixture", "301", 1204.0, 640.0, None, None),
    ]


def racks() -> list[Json]:
    def way(number: int) -> Json:
        level = levels(number)[number]
        return {
            "way": number,
            "circuit": f"C{number:03d}",
            "level": level,
            "estimated_a": 8.7 * level / 255,
            "limit_a": 10.0,
        }

    return [
        {
            "rack": f"Rack {rack}", "universe": "e131/1", "ways": [way(n) for n in range(1, 25)],
            "ways_declared": 24, "ways_above_zero": sum(way(n)["level"] > 0 for n in range(1, 25)), "ways_judged": 24, "ways_over_limit": [],
            "supplies": [
                {"supply": 1, "estimated_a": 41.2, "worst_a": 52.5, "full_a": 69.6, "limit_a": 80.0},
                {"supply": 2, "estimated_a": 84.9 if rack == 2 else 33.0, "worst_a": 85.0, "full_a": 104.0, "limit_a": 80.0},
                {"supply": 3, "estimated_a": 28.4, "worst_a": 52.5, "full_a": 69.6, "limit_a": 80.0},
            ],
            "neutral_upper_a": 61.0, "neutral_limit_a": None, "imbalance_percent": 34.0,
            "note": "Phase-cut dimmers add harmonics to the neutral that this estimate does not hold.",
        }
        for rack in (1, 2)
    ]  # fmt: skip


def base(now_ms: float) -> Situation:
    """All is well: 12 universes of E1.31, two of Art-Net, a held look on one."""
    rows = [universe(f"e131/{n}", LABELS[n], "steady", DESK_A, now_ms) for n in range(1, 13)]
    rows[8] = universe("e131/9", LABELS[9], "at-rest", DESK_A, now_ms, 1.1)
    rows += [universe(f"artnet/{n}", f"Media wall {n + 1}", "steady", MEDIA, now_ms, 30.0) for n in range(2)]
    old = incident(3, now_ms - 5.4e6, "packet-loss", "warning", ["e131/7"], now_ms)
    old |= {
        "state": "closed",
        "closed_at": iso(now_ms - 5.1e6),
        "summary": "Cyclorama (e131/7) misses 2.1 % of its frames",
    }
    free = [[97, 120], [133, 512]]
    return Situation(
        house(now_ms),
        rows,
        sources(now_ms),
        [old],
        {row["universe"]: detail(row, now_ms) for row in rows},
        {
            "fixtures": {"fixtures": fixtures()},
            "receivers": {"receivers": [
                {"name": "Rack 1 processor", "address": "10.20.1.1", "universes": ["e131/1"], "on_loss": "hold", "state": "answers", "last_seen_at": iso(now_ms - 4000)},
            ]},
            "patch": {
                "conflicts": [],
                "universes": [{"universe": f"e131/{n}", "used": 108, "free": free} for n in (1, 2, 3, 7)],
            },
            "racks": {"racks": racks()},
            "hours": hours(),
            "comparison": {
                "name": "act 1 opening", "text": "1 fixture differs from act 1 opening: 301 (front wash) is at 0 %, was 60 %.", "differ": 1,
                "groups": [{"position": "Bridge 1", "rack": "", "differences": [
                    {"fixture": "301", "label": "front wash", "position": "Bridge 1", "rack": "", "universe": "e131/1", "address": 1, "by_percent": 60.0,
                     "roles": [{"role": "intensity", "was_percent": 60.0, "now_percent": 0.0}]}]}],
                "not_compared": [{"fixture": "40", "reason": "not-patched", "text": "40: not patched now."}],
            },
            "references": [
                {"name": "act 1 opening", "at": iso(now_ms - 8.6e7), "by": "Ann", "fixtures": 35, "universes": 9, "moving": 4, "left_out": [], "automatic": False, "bytes": 5120},
            ],
            "routes": {"routes": [
                {"route": "tower", "from": "e131/12", "to": "serial:/dev/ttyUSB0", "state": "running", "frames": 120345,
                 "latency_ms": {"p50": 0.4, "p99": 2.1}, "held": False, "input_discarded_packets": 234,
                 "line": {"port": "/dev/ttyUSB0", "frames": 120345, "open": True, "trouble": "", "reopened": 1}, "text": "Repeats each frame onto the line, up to 44 a second."},
            ]},
            "network": switch_situations.network(now_ms),
            "rig-check": {"running": False, "started_at": None, "done": [], "left": [], "flagged": []},
            "readiness": {"ready": True, "reasons": [], "accepted": [{"rule": "fast-refresh", "universes": ["e131/40"], "reason": "pixel wall, 60 Hz by design"}], "not_visible": []},
        },
    )  # fmt: skip


def incident(number: int, began_ms: float, rule: str, severity: str, universes: list[str], now_ms: float) -> Json:
    return {
        "id": number, "state": "open", "severity": severity, "rule": rule, "cause": None, "confidence": "certain",
        "universes": universes, "sources": [], "fixtures": [], "began_at": iso(began_ms), "opened_at": iso(began_ms + 2600),
        "closed_at": None, "summary": rule, "evidence": [], "explains": [], "also_possible": [], "still_working": [],
        "next_checks": [], "acknowledged": None, "accepted": "", "flaps": 0, "revision": 1, "packets": True,
        "timeline": [{"at": iso(began_ms + 2600), "what": "opened", "text": "judged a fault"}], "moment": None,
        "labels": {name: LABELS[int(name.split("/")[1])] for name in universes if name.startswith("e131/") and int(name.split("/")[1]) in LABELS},
        "returned_at": None, "lasted_s": None, "rule_page": f"/rules/{rule}",
    }  # fmt: skip


def levels_over_time(name: str, now_ms: float) -> Json:
    """Levels around an incident, as /api/v1/incidents/7/levels has them: a fade that breaks off, and a held slot."""
    fade: list[int | None] = [min(255, n * 3) for n in range(120)]
    return {
        "universe": name, "from": iso(now_ms - 24000), "to": iso(now_ms), "left_out": False,
        "sources": [{"source": DESK_B, "slots": [{"slot": 1, "values": [*fade, *[None] * 120]}, {"slot": 7, "values": [180] * 120 + [None] * 120}]}],
    }  # fmt: skip


def night_report(now_ms: float, incidents: list[Json]) -> Json:
    """The report of the last hours, as /api/v1/report?format=json has it."""
    return {
        "house": "Harbour Street Playhouse", "since": iso(now_ms - 4 * 3.6e6), "until": iso(now_ms), "time_zone": "Europe/London",
        "phases": [{"at": iso(now_ms - hours * 3.6e6), "phase": phase} for hours, phase in ((5, "rehearsal"), (2.2, "pre-show"), (0.9, "show"))],
        "incidents": incidents, "marks": [{"at": iso(now_ms - 1.2e6), "text": "blink on bridge 1", "by": "Mara"}],
        "not_judged": [{"from": iso(now_ms - 6.1e6), "to": iso(now_ms - 5.9e6), "network": "eth1", "reason": "this computer was restarted"}],
    }  # fmt: skip


def desk_lost(now_ms: float) -> Situation:
    """The spare desk's universes went together; a stray level is noted beside it."""
    made = base(now_ms)
    began = now_ms - 4100
    gone = ["e131/3", "e131/4", "e131/5", "e131/6"]
    spare = next(row for row in made.sources if row["source"] == DESK_B)
    spare["last_seen_at"] = iso(began)
    spare["legs"][0] |= {"state": "silent", "last_frame_at": iso(began)}
    for row in made.universes:
        if row["universe"] in gone:
            row |= universe(row["universe"], row["label"], "lost", DESK_B, now_ms) | {"incidents": [7]}
    made.details = {row["universe"]: detail(row, now_ms) for row in made.universes}
    lost = incident(7, began, "universe-lost", "critical", gone, now_ms) | {
        "cause": "source-lost",
        "confidence": "high",
        "sources": ["spare desk"],
        "summary": "Universes e131/3 to e131/6 are lost: spare desk itself fell silent",
        "evidence": [
            "All four universes of spare desk ended within 12 ms of each other.",
            "No stream-terminated packet was sent, so it was not a stop on purpose.",
            "Its discovery list, due 3 s ago, did not come either.",
            "main desk and media server continue; this listener's link is up and dropped nothing.",
        ],
        "also_possible": ["its own lead or switch port, if its screen still runs"],
        "still_working": ["main desk carries e131/1, e131/2 and e131/7 to e131/12.", "Rack 1 processor holds its last look."],
        "next_checks": [
            "Look at spare desk's own screen: is it running, and does it show its output as on?",
            "Look at the link lamp of spare desk's switch port.",
            "If the look on stage is wrong, take it from main desk, as rehearsed.",
        ],
        "explains": [{"rule": "backup-absent", "universes": gone}, {"rule": "receiver-silent", "universes": []}],
        "moment": {
            "from": iso(began - 4000),
            "to": iso(began + 4000),
            "streams": [
                *[{"universe": name, "source": DESK_B, "last_frame_at": iso(began + i * 4), "first_after_at": None, "stopped": True} for i, name in enumerate(gone)],
                *[{"universe": f"e131/{n}", "source": DESK_A, "last_frame_at": iso(now_ms), "first_after_at": None, "stopped": False} for n in (1, 2, 7, 8)],
                {"universe": "artnet/0", "source": MEDIA, "last_frame_at": iso(now_ms), "first_after_at": None, "stopped": False},
            ],
        },
        "heard_elsewhere": [
            {"listener": "stage end", "url": "http://10.20.0.6:8580", "state": "lost", "last_frame_age_s": 2.6, "asked_at": iso(began + 2600),
             "universes": [{"universe": name, "goes_on": False, "last_frame_at": iso(began + 15 + i * 4)} for i, name in enumerate(gone)]},
        ],
        "timeline": [
            {"at": iso(began), "what": "began", "text": "last frame of e131/3"},
            {"at": iso(began + 2500), "what": "opened", "text": "e131/3 to e131/6 silent for 2.5 s: judged lost, cause unknown"},
            {"at": iso(began + 3100), "what": "revised", "text": "cause revised to source lost: its discovery list is overdue"},
        ],
    }  # fmt: skip
    stray = incident(8, now_ms - 600000, "stray-levels", "note", ["e131/8"], now_ms) | {
        "summary": "Slots 500 to 503 of Floor (e131/8) are above zero, and no fixture is there"
    }
    warning = incident(6, now_ms - 95000, "slow-refresh", "warning", ["e131/11"], now_ms) | {
        "summary": "Moving lights 1 (e131/11) changes at 14.2 Hz, below the 20 Hz this house asks for",
        "evidence": ["Mean of 5 s while the levels changed: 14.2 Hz.", "No frame is missing by sequence: the sender sends slowly."],
        "next_checks": ["Look at main desk's load: effects, and outputs that nobody uses."],
        "acknowledged": {"by": "Mara", "at": iso(now_ms - 40000), "note": "known, the new effect; after the show"},
    }  # fmt: skip
    made.incidents += [lost, stray, warning]
    made.universes[10] |= {"state": "faulty", "refresh_hz": 14.2, "incidents": [6]}
    made.details = {row["universe"]: detail(row, now_ms) for row in made.universes}
    made.answers["network"] = switch_situations.network(now_ms, is_desk_lost=True)
    made.answers["listeners"] = [
        {
            "name": "stage end",
            "url": "http://10.20.0.6:8580",
            "own_name": "control room",
            "reached": True,
            "compared": True,
            "reason": "",
            "last_reached_at": iso(now_ms - 400),
            "streams": 12,
        },
        {
            "name": "truck",
            "url": "http://10.20.0.7:8580",
            "own_name": "control room",
            "reached": False,
            "compared": False,
            "reason": "no answer within 2 s",
            "last_reached_at": None,
            "streams": 0,
        },
    ]
    made.answers["report"] = night_report(now_ms, made.incidents)
    made.answers["readiness"] = {
        "ready": False,
        "reasons": [
            {"rule": "universe-lost", "text": "Universes e131/3 to e131/6 are lost.", "universes": gone},
            {"rule": "slow-refresh", "text": "e131/11 changes at 14.2 Hz.", "universes": ["e131/11"]},
        ],
        "accepted": [],
        "not_visible": ["artnet/7"],
        "grows_worse": [GROWS_WORSE],
    }
    made.house["listener"]["asking"] = asked(now_ms)
    made.answers["patch"]["conflicts"] = [
        {"text": "Bridge 1 4 (e131/3, slots 19 to 24) and Bridge 1 5 (slots 22 to 27) share slots 22 to 24."}
    ]
    shown = fixtures()
    made.answers["rig-check"] = {
        "running": True,
        "started_at": iso(now_ms - 900000),
        "done": [{"fixture": f["fixture"], "label": f["label"], "at": iso(now_ms - 100000)} for f in shown[:20]],
        "left": [
            {"position": LABELS[n], "fixtures": [f for f in shown[20:] if f["universe"] == f"e131/{n}"][:5]}
            for n in (2, 3, 7)
        ],
        "flagged": [
            {
                "fixture": "201",
                "text": "Advance bar 1 rose together with Advance bar 2: one address twice, or both on one handle.",
            }
        ],
    }
    return made


def crowd(now_ms: float, count: int = 512) -> Situation:
    """A large house: 512 universes from three sources, some of them in trouble."""
    made = base(now_ms)
    rows = []
    for n in range(1, count + 1):
        source = DESK_A if n <= 256 else DESK_B if n <= 384 else MEDIA
        state = (
            "lost"
            if 300 <= n < 308
            else "faulty"
            if n in {40, 41}
            else "missing"
            if n == 200
            else "at-rest"
            if n % 17 == 0
            else "not-judged"
            if n == 77
            else "steady"
        )
        rows.append(
            universe(
                f"e131/{n}",
                LABELS.get(n, f"Pixel run {n}"),
                state,
                source,
                now_ms,
                1.1 if state == "at-rest" else 43.6 if source == DESK_A else 40.1 if source == DESK_B else 30.0,
            )
        )
    made.universes = rows
    made.details = {row["universe"]: detail(row, now_ms) for row in rows[:12]}
    lost = copy.deepcopy(desk_lost(now_ms).incidents[1])
    lost |= {
        "universes": [f"e131/{n}" for n in range(300, 308)],
        "summary": "Universes e131/300 to e131/307 are lost",
        "moment": None,
    }
    made.incidents = [lost]
    return made


def empty(now_ms: float) -> Situation:
    """A house that declares nothing, and hears nothing."""
    return Situation(house(now_ms, name="", phase="dark", networks=[]), [], [], [])


def blind(now_ms: float) -> Situation:
    """512 universes are declared, and this port sees none of them: nothing is lost, and nothing may be called well."""
    made = crowd(now_ms)
    made.universes = [
        universe(f"artnet/{n}", f"Pixel run {n}", "not-visible", "", now_ms) | {"last_frame_at": None}
        for n in range(1, 513)
    ]
    made.incidents, made.details = [], {}
    names = [row["universe"] for row in made.universes]
    made.answers["readiness"] = {"ready": True, "reasons": [], "accepted": [], "not_visible": names}
    return made


def all_lost(now_ms: float) -> Situation:
    """512 universes went at once; the incident was judged when it had 42 of them, and was widened no further."""
    made = crowd(now_ms)
    made.universes = [
        row | universe(row["universe"], row["label"], "lost", row["sources"][0], now_ms) for row in made.universes
    ]
    lost = made.incidents[0]
    lost |= {"universes": [f"e131/{n}" for n in range(471, 513)], "cause": "network-lost", "sources": ["main desk", "spare desk", "media server"],
             "began_at": iso(now_ms - 35000), "summary": "Universes e131/471 to e131/512 are lost: nothing reaches this port", "still_working": [], "next_checks": ["Look at the show switch: has it power?", "Look at this listener's own lead."]}  # fmt: skip
    made.details = {}
    return made


def flood(now_ms: float) -> Situation:
    """17 incidents: 12 circuits went off together with lights up, and five others, one of them a lost universe."""
    made = base(now_ms)
    began = now_ms - 6000
    for index in range(12):
        made.incidents.append(incident(20 + index, began + index * 40, "powered-off", "warning", ["e131/1"], now_ms) | {
            "fixtures": [f"30{index}"], "summary": f"Fixture 30{index}: intensity is up while circuit C1{index:02d} is off",
        })  # fmt: skip
    others = [
        ("universe-lost", "critical", ["e131/3"], "Bridge 1 (e131/3) is lost"), ("slow-refresh", "warning", ["e131/11"], "Moving lights 1 (e131/11) changes at 14.2 Hz"),
        ("packet-loss", "warning", ["e131/7"], "Cyclorama (e131/7) loses frames"), ("flash-rate", "warning", ["e131/12"], "Moving lights 2 flashes 5 times a second"),
        ("uneven-refresh", "warning", ["e131/8"], "Floor (e131/8) stutters"),
    ]  # fmt: skip
    for index, (rule, severity, names, summary) in enumerate(others):
        made.incidents.append(
            incident(40 + index, began - 60000 * index, rule, severity, names, now_ms) | {"summary": summary}
        )
    made.universes[2] |= universe("e131/3", LABELS[3], "lost", DESK_A, now_ms) | {"incidents": [40]}
    return made


def on_backup(now_ms: float) -> Situation:
    """The main desk is silent and its backup holds ten universes."""
    made = base(now_ms)
    for row in made.universes[:10]:
        row |= {"state": "on-backup", "winning_source": DESK_B, "incidents": [9]}
    made.incidents.append(incident(9, now_ms - 14000, "source-absent", "warning", [f"e131/{n}" for n in range(1, 11)], now_ms) | {
        "sources": ["main desk"], "summary": "main desk is silent on e131/1 to e131/10 since 13:35:09; spare desk keeps them alive",
        "still_working": ["backup spare desk is sending e131/1 to e131/10", "media server is sending artnet/0 and artnet/1", "Rack 1 processor should hold the last look"],
        "next_checks": ["Look at the screen of the silent source and at its link lamp."],
    })  # fmt: skip
    return made


def stranger(now_ms: float) -> Situation:
    """A stranger controls two universes, and all of them arrive."""
    made = base(now_ms)
    names = ["e131/3", "e131/4"]
    for row in made.universes:
        if row["universe"] in names:
            row |= {"state": "faulty", "winning_source": VISITOR, "incidents": [9]}
    made.incidents.append(incident(9, now_ms - 14000, "unexpected-source", "warning", names, now_ms) | {
        "sources": [VISITOR], "source_names": ["Laptop"], "cause": "undeclared", "controlled_by": dict.fromkeys(names, "a stranger"),
        "summary": '"Laptop" (10.20.0.77) sends universes e131/3 and e131/4 and is not declared. It is in control.',
    })  # fmt: skip
    return made


def returned(now_ms: float) -> Situation:
    """The spare desk came back for the fourth time, 9 s ago, and is watched; its first outage was minutes earlier."""
    made = desk_lost(now_ms)
    made.incidents = [one for one in made.incidents if one["id"] in {3, 7}]
    made.incidents[-1] |= {
        "began_at": iso(now_ms - 200000), "opened_at": iso(now_ms - 197000), "returned_at": iso(now_ms - 9000), "lasted_s": 13.0, "flaps": 3,
        "next_checks": [],
    }  # fmt: skip
    for row in made.universes:
        row |= universe(
            row["universe"], row["label"], "returning" if 7 in row["incidents"] else "steady", row["sources"][0], now_ms
        )
    made.details = {row["universe"]: detail(row, now_ms) for row in made.universes}
    return made


def over(now_ms: float) -> Situation:
    """The same a minute later: closed, of this phase, and seen by nobody."""
    made = returned(now_ms)
    made.incidents[-1] |= {"state": "closed", "closed_at": iso(now_ms - 60000), "returned_at": iso(now_ms - 70000)}
    made.incidents[-1]["next_checks"] = ["Look at its link lamp, and at its switch port."]
    for row in made.universes:
        row |= {"state": "steady", "incidents": []}
    return made


def undeclared(now_ms: float) -> Situation:
    """Three universes are heard, and no house file declares anything."""
    made = empty(now_ms)
    made.universes = [universe(f"e131/{n}", "", "steady", DESK_A, now_ms) | {"declared": False} for n in (1, 2, 3)]
    made.sources = sources(now_ms)[:1]
    return made


SITUATIONS = {
    "well": base, "desk-lost": desk_lost, "crowd": crowd, "empty": empty, "blind": blind, "all-lost": all_lost, "flood": flood, "on-backup": on_backup,
    "returned": returned, "over": over, "undeclared": undeclared, "stranger": stranger,
}  # fmt: skip
