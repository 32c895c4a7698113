"""A switch of the rehearsal, as the tests of rules see its polls: on their own clock."""

from __future__ import annotations

from dataclasses import replace
from itertools import takewhile
from typing import Any

from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.rehearse.pretend_switch import PretendPort, PretendSwitch
from slotwatch.wire.observation import SwitchSeen
from tests.judge.stage import START_NS, S

FOH = DeclaredSwitch("FOH", "10.0.0.250", "2c", "foh.snmp", 5)
MAC = "02:00:00:00:00:01"
"""Of the main desk, on port 3."""


def switch(port: PretendPort | None = None, **more: Any) -> PretendSwitch:
    """Four ports; the third has the main desk on it."""
    ports = (PretendPort("1"), PretendPort("2"), port or PretendPort("3"), PretendPort("4"))
    return PretendSwitch("FOH", ports, ((MAC, 3),), (("10.0.0.1", MAC),), **more)


def polled(one: PretendSwitch, until_s: float, every_s: float = 5.0) -> list[tuple[float, SwitchSeen]]:
    """Its polls, each with the moment at which it is handed over."""
    polls = takewhile(lambda seen: seen.t_ns < until_s * S, one.polls(every_s))
    return [(seen.t_ns / S, replace(seen, t_ns=START_NS + seen.t_ns)) for seen in polls]
