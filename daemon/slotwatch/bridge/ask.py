"""Asking fixtures what they are, through Art-Net gateways: read only, gently, within a window that ends.

A gateway is asked for the table of devices that it already has (never for a new discovery), then each device for its
info, label and first sensor. One request is on its way at a time for each gateway. What comes back is compared
with the patch: right, wrong address, wrong mode, unknown. A patched fixture for which no device answers is missing.

RDM traffic shares the line with levels, and old fixtures may twitch at it: that is why it is asked for by a
person, refused in pre-show and show, and can be stopped at once.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

from slotwatch.house.schema import Fixture, House, Phase
from slotwatch.snapshot.routes import AskedRow
from slotwatch.wire import rdm
from slotwatch.wire.universe import Protocol, UniverseId

PACE_NS = 200_000_000
"""Between two requests to one gateway: five a second leave a line's refresh alone (common practice, no source)."""
ANSWER_NS = 2_000_000_000
"""How long a device may take to answer (common practice, no source)."""
TABLE_NS = 3_000_000_000
"""How long a gateway may take to send its table: Art-Net's time for answers to polls."""
TRIES = 2
"""How often one question is asked."""
MOST_DEVICES = 4096
"""Devices that are kept; the network names them."""
MOST_WINDOW_NS = 600_000_000_000
DEFAULT_WINDOW_NS = 120_000_000_000
"""Longest and usual time from the first question to the last."""
PROTOTYPE_MAKER = b"\x7f\xf0"
"""A manufacturer number for prototypes (E1.20; from memory): this program has none of its own."""
NO_ADDRESS = 0xFFFF
"""Start address of a device that takes no slots (E1.20 10.5.1)."""
LONGEST_S = 600.0
"""Longest window in which fixtures are asked."""


def may_ask_fixtures(house: House, phase: Phase, seconds: float, *, confirm: bool) -> None:
    """Allow it where the house does, outside shows, once a person confirms; else ValueError with the reason."""
    if not house.listen.ask_fixtures:
        raise ValueError("asking fixtures is off; set ask_fixtures = true under [listen] in the house file")
    if phase in (Phase.PRE_SHOW, Phase.SHOW):
        raise ValueError(f"fixtures are not asked in {phase}: RDM shares their line with the levels")
    if not 0 <= seconds <= LONGEST_S:
        raise ValueError(f"a window of asking lasts at most {LONGEST_S:.0f} s")
    if not confirm:
        raise ValueError("old fixtures may twitch while they are asked: confirm to continue")


@dataclass(slots=True)
class Device:
    """What one device has answered so far."""

    uid: bytes
    gateway: str
    universe: int
    """Port-address."""
    info: rdm.DeviceInfo | None = None
    label: str = ""
    sensor: int | None = None
    """Present value of its first sensor, in that sensor's own unit."""
    silent: bool = False
    """It answered nothing."""
    refused: tuple[str, ...] = ()
    """Parameters that it refused to give (NACK), by name."""


@dataclass(slots=True)
class Question:
    """One question on its way to, or waiting for, a gateway."""

    port_address: int
    uid: bytes = b""
    """Empty: the table of devices."""
    parameter: int = 0
    data: bytes = b""
    tries: int = 0
    transaction: int = 0
    sent_ns: int = 0


@dataclass(slots=True)
class Gateway:
    """One Art-Net node, and the questions that still wait."""

    address: str
    queue: deque[Question] = field(default_factory=deque)
    on_way: Question | None = None
    """The question that waits for its answer."""
    next_ns: int = 0
    """When the next question may be sent."""


class Ask:
    """One window of asking. Times are monotonic nanoseconds."""

    def __init__(self, house: House, targets: dict[str, tuple[int, ...]], own_id: bytes, now_ns: int, end_ns: int):
        """targets: port-addresses by gateway address. own_id: four bytes that differ from those of other computers."""
        self.house = house
        self.end_ns = min(end_ns, now_ns + MOST_WINDOW_NS)
        self.began_ns = now_ns
        self.devices: dict[tuple[str, bytes], Device] = {}
        self.stopped = ""
        self.sent = 0
        self._own = PROTOTYPE_MAKER + own_id[:4].ljust(4, b"\0")
        self._transaction = 0
        self._gateways = {
            address: Gateway(address, deque(Question(number) for number in numbers), None, now_ns)
            for address, numbers in targets.items()
        }

    @property
    def finished(self) -> bool:
        """Whether nothing is left to ask, or the window has ended."""
        return bool(self.stopped) or all(not g.queue and g.on_way is None for g in self._gateways.values())

    def stop(self, why: str) -> None:
        """Ask nothing more."""
        if not self.finished:
            self.stopped = why

    def due(self, now_ns: int) -> list[tuple[str, bytes]]:
        """Packets to send now: (gateway's address, bytes)."""
        if now_ns >= self.end_ns:
            self.stop("the window has ended")
        if self.finished:
            return []
        packets = []
        for gateway in self._gateways.values():
            self._give_up(gateway, now_ns)
            if gateway.on_way is None and gateway.queue and now_ns >= gateway.next_ns:
                packets.append((gateway.address, self._next(gateway, now_ns)))
        return packets

    def next_ns(self) -> int | None:
        """Give the time at which `due` next has something to do; None: asking has ended."""
        if self.finished:
            return None
        times = []
        for gateway in self._gateways.values():
            if gateway.on_way is not None:
                times.append(gateway.on_way.sent_ns + _patience(gateway.on_way))
            elif gateway.queue:
                times.append(gateway.next_ns)
        return min([*times, self.end_ns])

    def heard(self, address: str, raw: bytes, now_ns: int) -> None:
        """Take an Art-Net packet of a gateway. Whatever it is, nothing raises."""
        gateway = self._gateways.get(address)
        if gateway is None or self.finished:
            return
        try:
            if raw[8:10] == b"\x00\x81":
                self._table(gateway, rdm.tod_data(raw), now_ns)
            elif raw[8:10] == b"\x00\x83":
                self._answer(gateway, *rdm.art_rdm_message(raw), now_ns)
        except ValueError:
            return  # no answer to anything we asked; the request times out

    def rows(self) -> tuple[AskedRow, ...]:
        """Each device and each patched fixture that was looked for, with the verdict in words."""
        return compare(self.house, list(self.devices.values()), self._looked_at())

    def _looked_at(self) -> set[int]:
        """Port-addresses whose gateways have sent their table: only there can a fixture be missing."""
        return {device.universe for device in self.devices.values()}

    def _give_up(self, gateway: Gateway, now_ns: int) -> None:
        request = gateway.on_way
        if request is None or now_ns - request.sent_ns < _patience(request):
            return
        gateway.on_way = None
        gateway.next_ns = now_ns + PACE_NS
        if request.tries < TRIES:
            gateway.queue.appendleft(request)
        elif request.uid and request.parameter == rdm.DEVICE_INFO:
            self.devices[gateway.address, request.uid].silent = True
            gateway.queue = deque(r for r in gateway.queue if r.uid != request.uid)

    def _next(self, gateway: Gateway, now_ns: int) -> bytes:
        request = gateway.on_way = gateway.queue.popleft()
        request.tries += 1
        request.sent_ns = now_ns
        self.sent += 1
        if not request.uid:
            return rdm.tod_request((request.port_address,))
        self._transaction = (self._transaction + 1) & 0xFF
        request.transaction = self._transaction
        message = rdm.get(request.uid, self._own, request.transaction, request.parameter, request.data)
        return rdm.art_rdm(request.port_address, message)

    def _table(self, gateway: Gateway, table: rdm.DeviceTable, now_ns: int) -> None:
        request = gateway.on_way
        for uid in table.uids:
            known = (gateway.address, uid) in self.devices
            if known or len(self.devices) >= MOST_DEVICES:
                continue
            self.devices[gateway.address, uid] = Device(uid, gateway.address, table.port_address)
            for parameter in (rdm.DEVICE_INFO, rdm.DEVICE_LABEL):
                gateway.queue.append(Question(table.port_address, uid, parameter))
        if request is not None and not request.uid and request.port_address == table.port_address:
            gateway.on_way, gateway.next_ns = None, now_ns + PACE_NS

    def _answer(self, gateway: Gateway, port_address: int, message: rdm.Message, now_ns: int) -> None:
        request, device = gateway.on_way, self.devices.get((gateway.address, message.source))
        expected = request is not None and (request.uid, request.parameter) == (message.source, message.parameter)
        if not expected or request is None or device is None or message.transaction != request.transaction:
            return
        gateway.on_way, gateway.next_ns = None, now_ns + PACE_NS
        if message.port_or_response == rdm.Response.ACK_TIMER:
            if request.tries < TRIES:
                gateway.queue.append(request)
        elif message.port_or_response == rdm.Response.NACK:
            device.refused += (rdm.PARAMETERS.get(message.parameter, hex(message.parameter)),)
        elif message.parameter == rdm.DEVICE_INFO:
            device.info = rdm.device_info(message.data)
            if device.info.sensors:
                gateway.queue.append(Question(port_address, device.uid, rdm.SENSOR_VALUE, b"\0"))
        elif message.parameter == rdm.DEVICE_LABEL:
            text = message.data.decode("utf-8", "replace")
            device.label = "".join(filter(str.isprintable, text))[:32]
        elif message.parameter == rdm.SENSOR_VALUE:
            device.sensor = rdm.sensor_value(message.data).present


def _patience(request: Question) -> int:
    return ANSWER_NS if request.uid else TABLE_NS


def compare(house: House, devices: list[Device], looked_at: set[int]) -> tuple[AskedRow, ...]:
    """Compare devices with the patch: one row for each device, then one for each patched fixture without an answer.

    looked_at: port-addresses whose table of devices has come. Elsewhere no fixture can be missing.
    """
    patched = {
        (f.universe.number, f.address): f
        for f in house.fixtures
        if f.universe.protocol is Protocol.ARTNET and f.universe.number in looked_at
    }
    rows, answered = [], set()
    for device in sorted(devices, key=lambda d: (d.universe, d.info.start_address if d.info else 0, d.uid)):
        verdict, fixture = _verdict(device, patched)
        if fixture is not None:
            answered.add((fixture.universe.number, fixture.address))
        rows.append(_row(device, verdict, fixture))
    strays = [place for place, row in enumerate(rows) if row.verdict == "unknown"]
    for fixture in (fixture for key, fixture in sorted(patched.items()) if key not in answered):
        wanted = fixture.footprint, str(fixture.universe)
        alike = next((place for place in strays if (rows[place].footprint, rows[place].universe) == wanted), None)
        if alike is None:
            rows.append(_missing(fixture))
        else:
            strays.remove(alike)
            name, address = fixture.name, fixture.address
            rows[alike] = replace(rows[alike], verdict="wrong-address", fixture=name, patched_address=address)
    return tuple(rows)


def _verdict(device: Device, patched: dict[tuple[int, int], Fixture]) -> tuple[str, Fixture | None]:
    if device.info is None:
        return ("silent" if device.silent else "not-asked-yet"), None
    if device.info.start_address == NO_ADDRESS or not device.info.footprint:
        return "no-slots", None
    fixture = patched.get((device.universe, device.info.start_address))
    if fixture is None:
        return "unknown", None
    return ("right" if fixture.footprint == device.info.footprint else "wrong-mode"), fixture


def _missing(fixture: Fixture) -> AskedRow:
    return AskedRow(
        "missing",
        str(fixture.universe),
        footprint=fixture.footprint,
        fixture=fixture.name,
        patched_address=fixture.address,
    )


def _row(device: Device, verdict: str, fixture: Fixture | None) -> AskedRow:
    info = device.info
    return AskedRow(
        verdict,
        str(UniverseId(Protocol.ARTNET, device.universe)),
        uid=rdm.uid_text(device.uid),
        gateway=device.gateway,
        label=device.label,
        address=info.start_address if info else None,
        footprint=info.footprint if info else None,
        personality=f"{info.personality} of {info.personalities}" if info else None,
        sensor=device.sensor,
        refused=tuple(device.refused),
        fixture=fixture.name if fixture else None,
        patched_address=fixture.address if fixture else None,
    )
