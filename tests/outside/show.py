"""Write captures with `struct` alone and judge them with the command line: nothing of the program is used to make them.

Layouts: E1.31-2018 tables 4-1 to 4-3, the port-6454 protocol's Dmx packet, RFC 791, RFC 768, the classic pcap header.
"""

from __future__ import annotations

import io
import ipaddress
import json
import struct
import uuid
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from slotwatch import cli

START_S = 1_780_000_000
DESK = "10.20.0.10"
SPARE = "10.20.0.11"
OTHER = "10.20.0.12"
LISTENER = "10.20.0.99"


def cid(name: str) -> bytes:
    """Make a CID out of a name."""
    return uuid.uuid5(uuid.NAMESPACE_DNS, name).bytes


def e131(
    universe: int,
    levels: bytes,
    *,
    sender: str = "desk",
    sequence: int = 0,
    priority: int = 100,
    options: int = 0,
    sync: int = 0,
    start_code: int = 0,
    name: str | None = None,
) -> bytes:
    """Compose an E1.31 data packet (E1.31-2018 table 4-1)."""
    count = len(levels) + 1
    root = struct.pack("!HH12s", 0x10, 0, b"ASC-E1.17") + struct.pack("!HI", 0x7000 | (109 + count), 4) + cid(sender)
    framing = struct.pack("!HI", 0x7000 | (87 + count), 2) + (name or sender).encode().ljust(64, b"\0")
    framing += struct.pack("!BHBBH", priority, sync, sequence & 0xFF, options, universe)
    dmp = struct.pack("!HBBHHHB", 0x7000 | (10 + count), 2, 0xA1, 0, 1, count, start_code)
    return root + framing + dmp + levels


def discovery(universes: list[int], sender: str = "desk") -> bytes:
    """Compose an E1.31 universe discovery packet (table 4-3)."""
    listed = struct.pack("!HIBB", 0x7000 | (8 + 2 * len(universes)), 1, 0, 0)
    listed += b"".join(struct.pack("!H", number) for number in universes)
    framing = struct.pack("!HI64sI", 0x7000 | (74 + len(listed)), 2, sender.encode(), 0)
    size = 22 + len(framing) + len(listed)
    root = struct.pack("!HH12sHI", 0x10, 0, b"ASC-E1.17", 0x7000 | size, 8) + cid(sender)
    return root + framing + listed


def sync_packet(address: int, sequence: int, sender: str = "desk") -> bytes:
    """Compose an E1.31 synchronisation packet (table 4-2)."""
    root = struct.pack("!HH12sHI", 0x10, 0, b"ASC-E1.17", 0x7021, 8) + cid(sender)
    return root + struct.pack("!HIBHH", 0x700B, 1, sequence & 0xFF, address, 0)


def artnet(port_address: int, levels: bytes, sequence: int = 0, physical: int = 0) -> bytes:
    """Compose a port-6454 Dmx packet."""
    head = struct.pack("<8sH", b"Art-Net\0", 0x5000) + struct.pack("!HBB", 14, sequence, physical)
    return head + struct.pack("<H", port_address) + struct.pack("!H", len(levels)) + levels


def group(universe: int) -> str:
    """Give the IPv4 group of an E1.31 universe (table 9-10)."""
    return f"239.255.{universe >> 8}.{universe & 255}"


def ethernet(payload: bytes, source: str, destination: str, port: int, ident: int = 0) -> bytes:
    """Wrap a payload into UDP, IPv4 and Ethernet."""
    udp = struct.pack("!HHHH", port, port, 8 + len(payload), 0) + payload
    here, there = ipaddress.IPv4Address(source), ipaddress.IPv4Address(destination)
    head = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), ident & 0xFFFF, 0, 16, 17, 0, here.packed, there.packed)
    total = sum(struct.unpack("!10H", head))
    total = (total & 0xFFFF) + (total >> 16)
    checksum = ~((total & 0xFFFF) + (total >> 16)) & 0xFFFF
    head = head[:10] + struct.pack("!H", checksum) + head[12:]
    if there.is_multicast:
        mac = b"\x01\x00\x5e" + bytes([there.packed[1] & 0x7F]) + there.packed[2:]
    else:
        mac = b"\x02\x00" + there.packed
    return mac + b"\x02\x00" + here.packed + b"\x08\x00" + head + udp


@dataclass
class Capture:
    """Packets with their moments, in seconds from the capture's beginning."""

    rows: list[tuple[float, bytes]] = field(default_factory=list)

    def put(self, at_s: float, payload: bytes, source: str = DESK, to: str | None = None, port: int = 5568) -> None:
        """Add one datagram; without `to` an E1.31 data packet goes to its group."""
        if to is None:
            to = group(struct.unpack_from("!H", payload, 113)[0]) if len(payload) > 125 else "239.255.250.214"
        self.rows.append((at_s, ethernet(payload, source, to, port, len(self.rows))))

    def write(self, path: Path) -> Path:
        """Write a classic pcap file with nanoseconds."""
        out = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 1)]
        for at_s, frame in sorted(self.rows, key=lambda row: row[0]):
            at_ns = round(at_s * 1e9)
            head = struct.pack("<IIII", START_S + at_ns // 10**9, at_ns % 10**9, len(frame), len(frame))
            out.append(head + frame)
        path.write_bytes(b"".join(out))
        return path

    def run(
        self,
        universe: int,
        start_s: float,
        end_s: float,
        *,
        hz: float = 40.0,
        sender: str = "desk",
        source: str = DESK,
        move: bool | int = True,
        level: int = 0,
        slots: int = 512,
        first: int = 0,
        **more: Any,
    ) -> int:
        """Add a stream; `move` is the step of every slot from frame to frame. Return the next sequence number."""
        sequence, count = first, round((end_s - start_s) * hz)
        step = 5 if move is True else int(move)
        for turn in range(count):
            value = (level + turn * step) % 250 if step else level
            self.put(
                start_s + turn / hz,
                e131(universe, bytes([value]) * slots, sender=sender, sequence=sequence, **more),
                source,
            )
            sequence += 1
        return sequence


@dataclass
class Verdict:
    """What `replay --json` printed."""

    status: int
    answer: dict[str, Any]
    complaint: str

    @property
    def incidents(self) -> list[dict[str, Any]]:
        """All incidents, open and closed."""
        return self.answer["incidents"]  # type: ignore[no-any-return]

    def rules(self) -> list[str]:
        """The rules of all incidents, sorted."""
        return sorted(incident["rule"] for incident in self.incidents)

    def only(self, rule: str) -> dict[str, Any]:
        """The one incident of this rule."""
        found = [incident for incident in self.incidents if incident["rule"] == rule]
        assert len(found) == 1, (rule, brief(self.incidents))
        return found[0]

    def universe(self, name: str) -> dict[str, Any]:
        """One universe's object."""
        found: list[dict[str, Any]] = [row for row in self.answer["universes"] if row["universe"] == name]
        assert len(found) == 1, [row["universe"] for row in self.answer["universes"]]
        return found[0]


def brief(incidents: list[dict[str, Any]]) -> list[str]:
    """One line for each incident, for messages of failed checks."""
    return [
        f"{i['rule']} {i['severity']} {i['cause']} {i['confidence']} {','.join(i['universes'])} "
        f"began {seconds(i['began_at']):.3f} opened {seconds(i['opened_at']):.3f} "
        f"closed {seconds(i['closed_at']) if i['closed_at'] else None} explains {i['explains']}"
        for i in incidents
    ]


def seconds(moment: str) -> float:
    """Give a moment of the answer in seconds from the capture's beginning."""
    return datetime.fromisoformat(moment).timestamp() - START_S


def run(*words: str) -> tuple[int, str, str]:
    """Run the command line; its exit status, what it printed, and what it complained of."""
    out, complaints = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(complaints):
        try:
            status = cli.main(list(words))
        except SystemExit as stop:
            status = int(stop.code or 0)
    return status, out.getvalue(), complaints.getvalue()


def judge(capture: Capture, folder: Path, house: str | None = None, **files: str) -> Verdict:
    """Replay a capture, with a house file if there is one."""
    path = capture.write(folder / "capture.pcap")
    words = ["replay", str(path), "--json"]
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text)
    if house is not None:
        (folder / "house.toml").write_text(house)
        words += ["-c", str(folder / "house.toml")]
    status, printed, complaint = run(*words)
    assert status in (0, 1), complaint
    return Verdict(status, json.loads(printed), complaint)


HOUSE = """
[house]
name = "Test house"
phase = "show"
[listen]
interfaces = ["eth1"]
protocols = ["e131", "artnet"]
"""


def universes(*numbers: int, more: str = "", sources: str = "", protocol: str = "e131") -> str:
    """Declare universes in the house file's own words."""
    named = f"sources = [{sources}]\n" if sources else ""
    return "".join(f'[[universes]]\nprotocol = "{protocol}"\nnumber = {number}\n{named}{more}\n' for number in numbers)


def source(name: str, role: str = "main", more: str = "", sender: str | None = None) -> str:
    """Declare a source by the CID of its name."""
    identity = uuid.UUID(bytes=cid(sender or name))
    return f'[[sources]]\nname = "{name}"\ncid = "{identity}"\nrole = "{role}"\n{more}\n'
