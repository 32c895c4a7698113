"""Asking fixtures, as the routes process does it: whom to ask, the window, what was answered."""

from __future__ import annotations

from ipaddress import IPv4Address

import numpy as np

from slotwatch.bridge.ask import DEFAULT_WINDOW_NS, Ask
from slotwatch.house.schema import House
from slotwatch.snapshot.routes import AskingRow
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.names import poll_reply
from slotwatch.wire.universe import Protocol

MOST_GATEWAYS = 256
MOST_PORTS = 32


class Questions:
    """At most one window of asking at a time. Gateways are those declared and those heard to be nodes."""

    def __init__(self, house: House, cid: bytes) -> None:
        self._house = house
        self._id = cid[:4]
        self._heard: dict[str, set[int]] = {}
        self._ask: Ask | None = None
        self._trouble = ""

    def take_house(self, house: House) -> None:
        """Ask by another house from the next window on."""
        self._house = house

    def start(self, now_ns: int, seconds: float) -> None:
        """Begin a window, or say why not."""
        targets = self._targets()
        if not self._house.listen.ask_fixtures or not targets:
            self._trouble = "no gateway is declared as a receiver of Art-Net universes, and none was heard"
            return
        self._trouble = ""
        window_ns = int(seconds * 1e9) or DEFAULT_WINDOW_NS
        self._ask = Ask(self._house, targets, self._id, now_ns, now_ns + window_ns)

    def stop(self, why: str) -> None:
        if self._ask is not None:
            self._ask.stop(why)

    def due(self, now_ns: int) -> list[tuple[str, bytes]]:
        return [] if self._ask is None else self._ask.due(now_ns)

    def next_ns(self) -> int | None:
        return None if self._ask is None else self._ask.next_ns()

    def ingest(self, batch: Batch, fields: Fields) -> None:
        """Take answers, and remember nodes that name their ports."""
        if not self._house.listen.ask_fixtures:
            return
        wanted = (fields.kind == PacketKind.ART_OTHER) | (fields.kind == PacketKind.ART_POLL_REPLY)
        for row in np.flatnonzero(wanted).tolist():
            address = str(IPv4Address(batch.src[row, 12:].tobytes()))
            length = int(batch.length[row])
            if fields.kind[row] == PacketKind.ART_POLL_REPLY:
                self._remember(address, set(poll_reply(batch.data[row], length).output_addresses))
            elif self._ask is not None:
                self._ask.heard(address, batch.data[row, :length].tobytes(), int(batch.t_ns[row]))

    def state(self, now_ns: int) -> AskingRow | None:
        """What the page shows of it; None while nothing was ever asked."""
        if self._ask is None:
            return AskingRow(trouble=self._trouble) if self._trouble else None
        return AskingRow(
            running=not self._ask.finished,
            ends_in_s=max(0.0, round((self._ask.end_ns - now_ns) / 1e9, 1)) if not self._ask.finished else 0.0,
            ends_ns=self._ask.end_ns,
            stopped=self._ask.stopped,
            requests=self._ask.sent,
            rows=self._ask.rows(),
        )

    def _remember(self, address: str, numbers: set[int]) -> None:
        if address in self._heard or len(self._heard) < MOST_GATEWAYS:
            known = self._heard.setdefault(address, set())
            known |= set(sorted(numbers - known)[: MOST_PORTS - len(known)])

    def _targets(self) -> dict[str, tuple[int, ...]]:
        declared = {u.id.number for u in self._house.universes if u.id.protocol is Protocol.ARTNET}
        targets: dict[str, set[int]] = {}
        for receiver in self._house.receivers:
            numbers = {u.number for u in receiver.universes if u.protocol is Protocol.ARTNET}
            if numbers:
                targets.setdefault(receiver.address, set()).update(numbers)
        for address, numbers in self._heard.items():
            if numbers & declared:
                targets.setdefault(address, set()).update(numbers & declared)
        return {address: tuple(sorted(numbers)) for address, numbers in targets.items()}
