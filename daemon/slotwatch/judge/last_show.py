"""How leads and switch ports stood at the last show, so that a change since then is noticed.

`ways.last_show` keeps it up to date. The history keeps it across restarts. A show that begins takes what it
finds.
"""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.cabling import PortKey
from slotwatch.judge.pass_names import PassNames
from slotwatch.judge.ports import PortId, Ports, id_of, say_port_of
from slotwatch.judge.switches import Switches
from slotwatch.snapshot.switches import LastShowRow
from slotwatch.wire.observation import LastShowSeen

SAME_NS = NANOSECONDS
"""How far the beginning of one show may lie apart when its wall clock was corrected."""
MOST_SPEEDS = 4096
MOST_NETWORKS = 64


class LastShow:
    """What the last show had, or has while it runs."""

    def __init__(self) -> None:
        self.since_wall_ns = 0
        """When it began; 0: none is known."""
        self._leads: dict[str, dict[PortId, str]] = {}
        """Of a network: the ports that announced themselves, each in words."""
        self._speeds: dict[tuple[str, str], int] = {}
        self._since_ns: int | None = None
        self._followed_ns = -1

    # --- what is asked --------------------------------------------------------------------------------

    def leads(self, network: str) -> dict[PortId, str]:
        """Give the ports that announced themselves at a network's lead, each in words."""
        return self._leads.get(network, {})

    def speed_mbps(self, switch: str, port: str) -> int | None:
        """Give the speed of a switch port; None: it is not known."""
        return self._speeds.get((switch, port))

    def row(self) -> LastShowRow | None:
        """Give what is to be kept; None: there was no show yet."""
        if not self.since_wall_ns:
            return None
        leads = tuple(
            (network, *one, text) for network, known in sorted(self._leads.items()) for one, text in known.items()
        )
        speeds = tuple((switch, port, mbps) for (switch, port), mbps in sorted(self._speeds.items()))
        return LastShowRow(self.since_wall_ns, leads, speeds)

    # --- what is seen ---------------------------------------------------------------------------------

    def remember(self, seen: LastShowSeen) -> None:
        """Take up what an earlier judgement knew."""
        self.since_wall_ns = seen.since_wall_ns
        self._leads, self._speeds = {}, {}
        for network, chassis, port, text in seen.leads:
            self._leads.setdefault(network, {})[chassis, port] = text
        for switch, name, mbps in seen.speeds:
            self._speeds[switch, name] = mbps

    def follow(
        self, names: PassNames, show_since_ns: int, ports: Ports, switches: Switches, in_use: Iterable[PortKey]
    ) -> None:
        """Keep what the show that runs has. Called again in one pass it does nothing.

        in_use: switch ports that the show depends on.
        """
        if self._followed_ns == names.now_ns:
            return
        self._followed_ns = names.now_ns
        since_wall_ns = show_since_ns + names.wall_offset_ns
        # Within one run the wall clock may be set; across a restart there is only the wall clock.
        is_new = show_since_ns != self._since_ns and abs(since_wall_ns - self.since_wall_ns) > SAME_NS
        self._since_ns = show_since_ns
        self.since_wall_ns = since_wall_ns if is_new else self.since_wall_ns
        self._follow_leads(names, ports, is_new)
        self._follow_speeds(switches, in_use, is_new)

    def _follow_leads(self, names: PassNames, ports: Ports, is_new: bool) -> None:
        for network in range(min(MOST_NETWORKS, max(1, len(names.house.networks)))):
            now = {id_of(one): say_port_of(one) for one in ports.now(network, names.now_ns)}
            known = self._leads.get(name := names.network_name(network), {})
            # A network on which no device announced itself yet keeps what it had: LLDP comes every 30 s.
            if now and (is_new or not known):
                self._leads[name] = now

    def _follow_speeds(self, switches: Switches, in_use: Iterable[PortKey], is_new: bool) -> None:
        for switch, index in in_use:
            record = switches.get(switch)
            found = record.ports.get(index) if record and record.answers else None
            if found is not None and is_new:
                found.show_counted = found.counted
            if found is None or not found.port.up or not found.port.speed_mbps:
                continue
            key = switch, found.port.name
            before = None if is_new else self._speeds.get(key)
            if before is not None or key in self._speeds or len(self._speeds) < MOST_SPEEDS:
                self._speeds[key] = max(found.port.speed_mbps, before or 0)
