"""Rows of a snapshot that say what the switches know. Tuples: a snapshot is copied some times a second."""

from __future__ import annotations

from typing import NamedTuple


class PlaceRow(NamedTuple):
    """Which switch port a device is connected to."""

    switch: str
    port: str
    """As the switch calls it."""
    description: str
    via: str
    """lldp: it announced itself there | snmp: the switch learnt its address there."""


class SwitchPortRow(NamedTuple):
    """One port of a switch. Times are monotonic nanoseconds, 0 for never."""

    name: str
    description: str
    up: bool
    changed_ns: int
    """When it last went up or down, while this listener watched."""
    changes: int
    """How often it did, of the newest 32."""
    speed_mbps: int | None
    half_duplex: bool | None
    errors: int | None
    """As the switch counts them, since its own start."""
    discards: int | None
    counted: int
    """Errors and discarded frames since this listener began to watch."""
    counted_show: int | None
    """… since the last show began; None: there was none."""
    power: str
    uplink: bool
    far: str
    """Switch at its other end; empty: none is known."""
    hangs: tuple[str, ...]
    """Names of what is connected to it."""
    devices: int
    """Device addresses that were learnt on it."""
    matters: bool
    """Whether the show depends on it."""


class SwitchRow(NamedTuple):
    """One declared switch. Times are monotonic nanoseconds, 0 for never."""

    name: str
    address: str
    answers: bool
    reason: str
    answered_ns: int
    system_name: str
    began_ns: int
    """When its up time began."""
    restarted_ns: int
    """When it last restarted, while this listener watched."""
    querier: str
    groups: int
    offers: tuple[str, ...]
    """Which tables it gives."""
    cut: bool
    """Whether a table was longer than what is read."""
    own: bool
    """Whether this listener is connected to it."""
    ports: tuple[SwitchPortRow, ...]


class LastShowRow(NamedTuple):
    """How leads and switch ports stood at the last show. See `wire.observation.LastShowSeen`."""

    since_wall_ns: int
    leads: tuple[tuple[str, str, str, str], ...]
    speeds: tuple[tuple[str, str, int], ...]
