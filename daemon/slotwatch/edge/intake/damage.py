"""How many of the packets that a socket dropped were damaged, by the kernel's own counters of UDP.

A socket's drop count holds both what its buffer could not take and what had a wrong checksum: Linux adds to `sk_drops`
in `__udp_enqueue_schedule_skb` and where `udp_recvmsg` finds a wrong sum (net/ipv4/udp.c). /proc/net/snmp and snmp6
tell the two apart, for all sockets of this network namespace: RcvbufErrors and MemErrors, or InCsumErrors.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from slotwatch import clock

PROC_NET = Path("/proc/self/net")
EVERY_NS = 1_000_000_000
"""How old the last reading may be: other programs' sockets count there as well, and are not ours to say."""


@dataclass(frozen=True, slots=True)
class UdpErrors:
    """Packets that UDP sockets of this network namespace did not get, since it was made."""

    no_room: int = 0
    """For want of buffer or of memory."""
    damaged: int = 0
    """Their checksum was wrong."""

    @classmethod
    def read(cls, place: Path = PROC_NET) -> UdpErrors | None:
        """Read the counters of both families. None where the kernel does not show them."""
        four = _counters_v4(place / "snmp")
        if not four:
            return None
        six = _counters_v6(place / "snmp6")
        return cls(
            four.get("RcvbufErrors", 0)
            + four.get("MemErrors", 0)
            + six.get("Udp6RcvbufErrors", 0)
            + six.get("Udp6MemErrors", 0),
            four.get("InCsumErrors", 0) + six.get("Udp6InCsumErrors", 0),
        )


class DamageCount:
    """Finds the damaged ones among a growing number of dropped packets.

    A packet counts as damaged only where both counters agree on it: there were wrong checksums, and the drops are more
    than there was no room for. In doubt it is this computer that dropped it.
    """

    def __init__(self, place: Path = PROC_NET) -> None:
        """place: where the kernel shows the counters."""
        self.damaged = 0
        """Packets so far."""
        self._place = place
        self._dropped = 0
        self._errors = UdpErrors.read(place)
        self._read_ns = clock.monotonic_ns()

    def follow(self, dropped: int, now_ns: int) -> int:
        """Give how many of all `dropped` were damaged. Reads the counters if some are new, else once a second."""
        if dropped == self._dropped and now_ns - self._read_ns < EVERY_NS:
            return self.damaged
        before, self._errors = self._errors, UdpErrors.read(self._place)
        new, self._dropped, self._read_ns = dropped - self._dropped, dropped, now_ns
        if before is not None and self._errors is not None and new > 0:
            beyond_room = new - (self._errors.no_room - before.no_room)
            self.damaged += max(0, min(self._errors.damaged - before.damaged, beyond_room))
        return self.damaged


def _counters_v4(file: Path) -> dict[str, int]:
    """Two lines begin with `Udp:`, the names and the counts (proc_net_snmp(5))."""
    rows = [line.split()[1:] for line in _lines(file) if line.startswith("Udp:")]
    return _numbers(zip(rows[0], rows[1], strict=False)) if len(rows) == 2 else {}


def _counters_v6(file: Path) -> dict[str, int]:
    """A name and a count on each line."""
    return _numbers((row[0], row[1]) for line in _lines(file) if len(row := line.split()) == 2)


def _numbers(pairs: Iterable[tuple[str, str]]) -> dict[str, int]:
    return {name: int(value) for name, value in pairs if value.isdigit()}


def _lines(file: Path) -> list[str]:
    try:
        return file.read_text("ascii").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
