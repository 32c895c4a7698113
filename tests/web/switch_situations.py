"""Fabricated answers of `/api/v1/network`, for the page alone: three switches of the invented house."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

Json = dict[str, Any]


def iso(ms: float) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def port(name: str, description: str = "", hangs: tuple[str, ...] = (), **changed: Any) -> Json:
    return {
        "port": name,
        "description": description,
        "up": True,
        "changed_at": None,
        "changes": 0,
        "speed_mbps": 1000,
        "half_duplex": False,
        "errors": 0,
        "discards": 0,
        "counted": 0,
        "counted_show": 0,
        "power": "",
        "uplink": False,
        "leads_to": None,
        "hangs": list(hangs),
        "devices": len(hangs),
        "matters": bool(hangs),
    } | changed


def switch(name: str, address: str, ports: list[Json], now_ms: float, **changed: Any) -> Json:
    return {
        "name": name,
        "address": address,
        "answers": True,
        "reason": "",
        "last_answer_at": iso(now_ms - 4000),
        "system_name": name,
        "up_since": iso(now_ms - 86400000 * 31),
        "restarted_at": None,
        "querier": None,
        "groups": 12,
        "offers": ["macs", "neighbours"],
        "cut": False,
        "own": False,
        "ports": ports,
    } | changed


def network(now_ms: float, is_desk_lost: bool = False) -> Json:
    """FOH in the control room, Stage behind it, and Grid behind that; the spare desk's port may be down."""
    down = {"up": False, "changed_at": iso(now_ms - 4100), "changes": 1, "speed_mbps": None} if is_desk_lost else {}
    way = {"uplink": True, "matters": True}
    idle = [port(str(number), up=number < 12, speed_mbps=None) for number in range(6, 24)]
    foh = [
        port("1", "Rack PC", ("this listener",)),
        port("3", "Desk left", ("main desk",)),
        port("4", "Desk right", ("spare desk",), **down),
        port("5", "Follow spot position", ("visiting rig",), matters=False, speed_mbps=100),
        *idle,
        port("24", "To stage left", leads_to="Stage", speed_mbps=10000, **way),
    ]
    stage = [
        port("1", "Media", ("media server",), counted=214, counted_show=214 if is_desk_lost else 0),
        port("2", "Rack 1", ("Rack 1 processor",), half_duplex=is_desk_lost, speed_mbps=100, power="delivering"),
        port("7", "To the grid", leads_to="Grid", **way),
        port("8", "To control", leads_to="FOH", speed_mbps=10000, **way),
    ]
    silent = {
        "answers": False,
        "reason": "no answer within 2 s: it is off, not reachable, or does not accept the credentials",
    }
    grid = switch("Grid", "10.20.0.4", [port("1", "To stage", leads_to="Stage", **way)], now_ms)
    return {
        "neighbours": [
            {
                "network": "eth1",
                "switch": "FOH",
                "port": "1",
                "description": "Rack PC",
                "chassis": "02:00:00:00:20:02",
                "management_address": "10.20.0.2",
                "vlan": 20,
                "last_seen_at": iso(now_ms - 12000),
            }
        ],
        "switches": [
            switch("FOH", "10.20.0.2", foh, now_ms, own=True, querier="10.20.0.1"),
            switch("Stage", "10.20.0.3", stage, now_ms),
            grid | (silent if is_desk_lost else {}),
        ],
    }
