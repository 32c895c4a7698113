"""RDM messages (ANSI E1.20) and how Art-Net carries them. Makes GET requests only: a monitor changes nothing.

Slot numbers are those of E1.20 table 6-1, from the START code. Timing and sending are the edge's.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum

START_CODE, SUB_START_CODE = 0xCC, 0x01
HEADER = 24
MOST_DATA = 231
ALL_DEVICES = b"\xff" * 6
PARAMETERS = {
    0x0020: "queued-message",
    0x0030: "status-messages",
    0x0050: "supported-parameters",
    0x0060: "device-info",
    0x0080: "device-model-description",
    0x0081: "manufacturer-label",
    0x0082: "device-label",
    0x00E0: "dmx-personality",
    0x00E1: "dmx-personality-description",
    0x00F0: "dmx-start-address",
    0x0140: "dmx-block-address",
    0x0141: "dmx-fail-mode",
    0x0200: "sensor-definition",
    0x0201: "sensor-value",
}
DEVICE_INFO, DEVICE_LABEL, START_ADDRESS, SENSOR_VALUE = 0x0060, 0x0082, 0x00F0, 0x0201
DISC_UNIQUE_BRANCH = 0x0001
QUEUED_MESSAGE = 0x0020
_SETS_OR_FINDS = (0x10, 0x30)
PREFIXES = dict(
    zip(
        (0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x11, 0x12, 0x13, 0x14, 0x15),
        (1.0, 1e-1, 1e-2, 1e-3, 1e-6, 1e-9, 1e1, 1e2, 1e3, 1e6, 1e9),
        strict=True,
    )
)
"""Factor of a sensor's prefix. 0, 1, 2, 3 and 0x13 as a public header has them, the others from memory."""


class CommandClass(IntEnum):
    DISCOVERY = 0x10
    DISCOVERY_RESPONSE = 0x11
    GET = 0x20
    GET_RESPONSE = 0x21
    SET = 0x30
    SET_RESPONSE = 0x31


class Response(IntEnum):
    ACK = 0
    ACK_TIMER = 1
    NACK = 2
    ACK_OVERFLOW = 3


@dataclass(frozen=True, slots=True)
class Message:
    """One RDM message. `port_or_response` is the port of a request, the response type of an answer."""

    destination: bytes
    source: bytes
    transaction: int
    port_or_response: int
    message_count: int
    sub_device: int
    command_class: int
    parameter: int
    data: bytes = b""

    @property
    def is_answer(self) -> bool:
        return self.command_class % 2 == 1


@dataclass(frozen=True, slots=True)
class DeviceInfo:
    """What a device says of itself (E1.20 10.5.1)."""

    protocol: int
    model: int
    category: int
    software: int
    footprint: int
    personality: int
    personalities: int
    start_address: int
    """1 to 512; 0xFFFF where it takes no slots."""
    sub_devices: int
    sensors: int


@dataclass(frozen=True, slots=True)
class SensorValue:
    number: int
    present: int
    lowest: int
    highest: int
    recorded: int


def checksum(raw: bytes) -> int:
    """Sum all bytes before the checksum, START code included, modulo 65,536."""
    return sum(raw) & 0xFFFF


def uid_text(uid: bytes) -> str:
    """Write a UID as E1.20 does: `05e0:12345678`."""
    return f"{uid[:2].hex()}:{uid[2:].hex()}"


def encode(message: Message) -> bytes:
    """Write a message with its START code and checksum. ValueError for fields that do not fit."""
    if len(message.destination) != 6 or len(message.source) != 6:
        raise ValueError("a UID has six bytes")
    if len(message.data) > MOST_DATA:
        raise ValueError(f"{len(message.data)} bytes of data are more than {MOST_DATA}")
    raw = struct.pack(">BBB6s6s", START_CODE, SUB_START_CODE, HEADER + len(message.data), *_uids(message))
    raw += struct.pack(
        ">BBBHBHB",
        message.transaction & 0xFF,
        message.port_or_response,
        message.message_count,
        message.sub_device,
        message.command_class,
        message.parameter,
        len(message.data),
    )
    raw += message.data
    return raw + struct.pack(">H", checksum(raw))


def _uids(message: Message) -> tuple[bytes, bytes]:
    return message.destination, message.source


def get(
    destination: bytes,
    source: bytes,
    transaction: int,
    parameter: int,
    data: bytes = b"",
    *,
    port: int = 1,
    sub_device: int = 0,
) -> bytes:
    """Make a GET request for one of the read-only parameters that slotwatch asks for."""
    if parameter not in PARAMETERS:
        raise ValueError(f"parameter 0x{parameter:04x} is none that slotwatch asks for")
    return encode(Message(destination, source, transaction, port, 0, sub_device, CommandClass.GET, parameter, data))


def decode(raw: bytes) -> Message:
    """Read a message with its START code. ValueError with the reason if it is none, whatever the bytes are."""
    if len(raw) < HEADER + 2:
        raise ValueError("too short")
    if raw[0] != START_CODE or raw[1] != SUB_START_CODE:
        raise ValueError("no RDM start code")
    length = raw[2]
    if length < HEADER or len(raw) < length + 2:
        raise ValueError("the length does not fit")
    if struct.unpack_from(">H", raw, length)[0] != checksum(raw[:length]):
        raise ValueError("the checksum is wrong")
    destination, source, transaction, port, count, sub_device, kind, parameter, size = struct.unpack_from(
        ">6s6sBBBHBHB", raw, 3
    )
    if size != length - HEADER:
        raise ValueError("the data length does not fit")
    data = bytes(raw[HEADER:length])
    return Message(destination, source, transaction, port, count, sub_device, kind, parameter, data)


def device_info(data: bytes) -> DeviceInfo:
    """Read DEVICE_INFO's 19 bytes."""
    if len(data) != 19:
        raise ValueError(f"device info has 19 bytes, not {len(data)}")
    return DeviceInfo(*struct.unpack(">HHHIHBBHHB", data))


def sensor_value(data: bytes) -> SensorValue:
    """Read SENSOR_VALUE: 9 bytes, or 7 from devices that record nothing."""
    if len(data) not in (7, 9):
        raise ValueError(f"a sensor value has 9 bytes, not {len(data)}")
    return SensorValue(*struct.unpack(">Bhhhh", data.ljust(9, b"\0")))


def discovery_reply(raw: bytes) -> bytes | None:
    """Read the UID out of a reply to DISC_UNIQUE_BRANCH; None for a collision or noise.

    0 to 7 bytes of 0xFE, one of 0xAA, then each UID byte twice with complementary bits set, and the sum of
    those twelve bytes in the same form (E1.20 7.5).
    """
    place = 0
    while place < len(raw) and place < 7 and raw[place] == 0xFE:
        place += 1
    if place >= len(raw) or raw[place] != 0xAA or len(raw) < place + 17:
        return None
    coded = raw[place + 1 : place + 17]
    if any(coded[at] & 0xAA != 0xAA or coded[at + 1] & 0x55 != 0x55 for at in range(0, 16, 2)):
        return None
    plain = bytes(coded[at] & coded[at + 1] for at in range(0, 16, 2))
    return plain[:6] if sum(coded[:12]) & 0xFFFF == struct.unpack(">H", plain[6:])[0] else None


# --- over Art-Net ------------------------------------------------------------------------------------

_ART_NET = b"Art-Net\0"


def tod_request(port_addresses: tuple[int, ...]) -> bytes:
    """Ask gateways for the devices they know already. Never starts a discovery."""
    nets = {address >> 8 for address in port_addresses}
    if not 1 <= len(port_addresses) <= 32 or len(nets) != 1:
        raise ValueError("ask for 1 to 32 port-addresses of one Net")
    head = _ART_NET + struct.pack("<H", 0x8000) + b"\0\x0e" + bytes(9)
    low = bytes(address & 0xFF for address in port_addresses)
    return head + bytes([nets.pop(), 0, len(low)]) + low.ljust(32, b"\0")


@dataclass(frozen=True, slots=True)
class DeviceTable:
    """One block of the table of devices that a gateway's port knows."""

    port_address: int
    port: int
    bind_index: int
    complete: bool
    """False: the gateway has no table (NAK)."""
    total: int
    block: int
    uids: tuple[bytes, ...]


def tod_data(raw: bytes) -> DeviceTable:
    """Read a gateway's answer. ValueError if it is none."""
    if len(raw) < 28 or raw[:10] != _ART_NET + b"\x00\x81":
        raise ValueError("no table of devices")
    total, block, count = struct.unpack_from(">HBB", raw, 24)
    count = min(count, (len(raw) - 28) // 6)
    uids = tuple(bytes(raw[28 + 6 * at : 34 + 6 * at]) for at in range(count))
    address = (raw[21] & 0x7F) << 8 | raw[23]
    return DeviceTable(address, raw[13], raw[20], raw[22] == 0, total, block, uids)


def art_rdm(port_address: int, message: bytes) -> bytes:
    """Wrap a request for a gateway. Only GET passes: Art-Net carries no discovery, and a monitor sets nothing."""
    read = decode(message)
    if read.command_class & 0x30 in _SETS_OR_FINDS:
        raise ValueError("only GET requests are sent")
    head = _ART_NET + struct.pack("<H", 0x8300) + b"\0\x0e" + bytes([1, 0]) + bytes(7)
    return head + bytes([port_address >> 8 & 0x7F, 0, port_address & 0xFF]) + message[1:]


def art_rdm_message(raw: bytes) -> tuple[int, Message]:
    """Read (port-address, message) of a wrapped message. ValueError if it is none."""
    if len(raw) < 24 or raw[:10] != _ART_NET + b"\x00\x83":
        raise ValueError("no wrapped RDM message")
    return (raw[21] & 0x7F) << 8 | raw[23], decode(bytes([START_CODE]) + raw[24:])
