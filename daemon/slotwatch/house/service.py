"""How this computer listens, serves its page and keeps what it saw: `[listen]`, `[http]`, `[history]`, `[recorder]`."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.wire.universe import ON_NETWORK, Protocol


@dataclass(frozen=True, slots=True)
class RecorderTerms:
    """How many packets are kept around an incident, and where."""

    seconds: float = 60.0
    memory_mib: int = 64
    directory: str = "packets"
    disk_mib: int = 512


@dataclass(frozen=True, slots=True)
class Listen:
    """Where and how packets are received."""

    interfaces: tuple[str, ...] = ()
    protocols: tuple[Protocol, ...] = ON_NETWORK
    vantage: str = "port"
    """port | mirror."""
    join: str = "declared"
    """declared | none."""
    artnet_subscribe: bool = False
    ask_fixtures: bool = False
    """Whether a person may have fixtures asked (RDM, read only) through Art-Net nodes."""
    e131_port: int = Protocol.E131.facts.udp_port
    artnet_port: int = Protocol.ARTNET.facts.udp_port

    @property
    def ports(self) -> dict[Protocol, int]:
        """The UDP port of each protocol that comes by a network, in the order of ON_NETWORK."""
        return {Protocol.E131: self.e131_port, Protocol.ARTNET: self.artnet_port}

    @property
    def watched_ports(self) -> dict[Protocol, int]:
        """The same of the protocols that are listened to."""
        return {protocol: port for protocol, port in self.ports.items() if protocol in self.protocols}


@dataclass(frozen=True, slots=True)
class Http:
    """The page and the API."""

    host: str = "127.0.0.1"
    port: int = 8580
    token_file: str = ""
    read: str = "open"
    """open | token: whether reading needs the token too."""
    hosts: tuple[str, ...] = ()
    """Names under which the page is reached, besides addresses and this computer's own name."""
    certificate_file: str = ""
    key_file: str = ""
    """`[tls]` of the house file."""


@dataclass(frozen=True, slots=True)
class HistoryTerms:
    """Where incidents and minute summaries are kept, and for how many days."""

    path: str = "slotwatch.db"
    keep_days: int = 30


@dataclass(frozen=True, slots=True)
class FirstContact:
    """Nothing is declared: groups are joined from discovery lists and from what a person asked for."""

    universes: tuple[int, ...] = ()
    """E1.31 universes to join in addition to those that discovery lists name."""
