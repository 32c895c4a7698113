"""A pretend switch: what its polls say at each moment of a scenario."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from slotwatch.rehearse.cast import ns
from slotwatch.wire.observation import SwitchSeen
from slotwatch.wire.switch import SwitchNeighbour, SwitchPort, SwitchState, SwitchTables

UP_FOR_S = 86_400.0
"""How long it has been up when a scenario begins."""
ALWAYS = (1e12, 1e12)


def none_counted(t_s: float) -> int:
    return 0


@dataclass(frozen=True, slots=True)
class PretendPort:
    """One port."""

    name: str
    description: str = ""
    down: tuple[float, float] = ALWAYS
    """From when to when it has no link, seconds."""
    says_when: bool = True
    """Whether the switch keeps the moment of the last change (ifLastChange)."""
    speed_mbps: Callable[[float], int] = lambda t_s: 1000
    half_duplex: bool = False
    errors: Callable[[float], int] = none_counted

    def at(self, index: int, t_s: float, began_s: float) -> SwitchPort:
        up = not self.down[0] <= t_s < self.down[1]
        changed = max((moment for moment in self.down if moment <= t_s), default=None)
        ago_s = None if changed is None or not self.says_when or changed < began_s else t_s - changed
        speed = self.speed_mbps(t_s) if up else None
        return SwitchPort(index, self.name, self.description, up, ago_s, speed, self.half_duplex, self.errors(t_s), 0)


@dataclass(frozen=True, slots=True)
class PretendSwitch:
    """A switch. Ports are numbered from 1."""

    name: str
    ports: tuple[PretendPort, ...]
    macs: tuple[tuple[str, int], ...] = ()
    addresses: tuple[tuple[str, str], ...] = ()
    links: Mapping[int, str] = field(default_factory=dict)
    """Number of a port: the switch at its other end."""
    restart: tuple[float, float] = ALWAYS
    """When it goes off, and when its up time begins again."""
    silent: tuple[float, float] = ALWAYS
    """From when to when it does not answer, though it forwards."""
    up_for_s: float = UP_FOR_S
    querier: Callable[[float], str] = lambda t_s: ""
    """The querier that it reports, on its first interface."""

    def polls(self, every_s: float = 5.0, first_s: float = 0.5) -> Iterator[SwitchSeen]:
        """Give the result of each poll, for ever."""
        t_s = first_s
        while True:
            off = self.restart[0] <= t_s < self.restart[1] or self.silent[0] <= t_s < self.silent[1]
            reason = "no answer within 2 s" if off else ""
            yield SwitchSeen(ns(t_s), self.name, not off, reason, None if off else self._state(t_s))
            t_s += every_s

    def _state(self, t_s: float) -> SwitchState:
        began_s = self.restart[1] if t_s >= self.restart[1] else -self.up_for_s
        ports = tuple(port.at(number, t_s, began_s) for number, port in enumerate(self.ports, 1))
        up = {port.index for port in ports if port.up}
        tables = SwitchTables(
            f"chassis of {self.name}",
            tuple((mac, index) for mac, index in self.macs if index in up),
            tuple(
                SwitchNeighbour(index, f"chassis of {far}", "1", "", far)
                for index, far in self.links.items()
                if index in up
            ),
            self.addresses,
            querier=self.querier(t_s),
            offers=("macs", "neighbours", "addresses"),
            queriers=((1, self.querier(t_s)),) if self.querier(t_s) else (),
        )
        ticks = round((t_s - began_s) * 100) % (1 << 32)
        return SwitchState(self.name, ticks, None, ports, tables)
