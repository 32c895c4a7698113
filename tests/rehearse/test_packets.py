"""The rehearsal's own packets against golden vectors that an independent dissector has read."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from uuid import UUID

import pytest

from slotwatch.rehearse import packets
from slotwatch.rehearse.capture import ethernet, pcapng
from slotwatch.rehearse.desk import ArtDesk, Desk, SentUniverse, cid_of
from slotwatch.rehearse.looks import held, moving
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import mixed
from slotwatch.wire.observation import MembershipSeen, NeighbourSeen, QuerySeen

CID = UUID("11112222-3333-4444-5555-666677778888").bytes


def zeros(count: int) -> str:
    return "00" * count


# Vectors that were built by hand and whose fields tshark 4.0.17 reads back; sync and discovery rest on
# the clause list of E1.31-2018 alone, since that dissector does not know them.
GOLDEN = {
    "data": (
        packets.e131_data(CID, "desk", 7, 42, bytes((1, 2, 3, 4))),
        "001000004153432d45312e3137000000707200000004111122223333444455556666777788887"
        f"05c000000026465736b{zeros(60)}6400002a000007700f02a10000000100050001020304",
    ),
    "sync": (
        packets.e131_sync(CID, 5, 9),
        "001000004153432d45312e313700000070210000000811112222333344445555666677778888700b000000010500090000",
    ),
    "discovery": (
        packets.e131_discovery(CID, "desk", [300, 7, 1, 2])[0],
        "001000004153432d45312e3137000000707000000008111122223333444455556666777788887"
        f"05a000000026465736b{zeros(60)}{zeros(4)}7010000000010000000100020007012c",
    ),
    "art dmx": (packets.art_dmx(0x0123, 1, bytes((0x10, 0x20))), "4172742d4e6574000050000e0100230100021020"),
    "art poll": (packets.art_poll(), "4172742d4e6574000020000e0610"),
    "art sync": (packets.art_sync(), "4172742d4e6574000052000e0000"),
}


@pytest.mark.parametrize("name", GOLDEN)
def test_packets_are_the_golden_vectors(name: str) -> None:
    made, wanted = GOLDEN[name]
    assert made.hex() == wanted


def test_discovery_pages_hold_512_universes_each_and_fit() -> None:
    pages = packets.e131_discovery(CID, "desk", list(range(1, 700)))
    assert [len(page) for page in pages] == [1144, 120 + 2 * 187]  # 1144: E1.31-2018 4.3
    assert [page[118:120] for page in pages] == [b"\0\1", b"\1\1"]


def test_poll_reply_has_its_length_and_ports() -> None:
    reply = packets.art_poll_reply("192.0.2.41", "node", [0x123, 0x124])
    assert len(reply) == 239
    assert reply[18:20] == bytes((1, 2))
    assert reply[190:194] == bytes((3, 4, 0, 0))


def test_cids_are_version_4_uuids_and_differ() -> None:
    made = {cid_of(name) for name in ("a", "b", "c", "main desk")}
    assert len(made) == 4
    assert all(UUID(bytes=cid).version == 4 for cid in made)


def scenario() -> list[object]:
    desk = Desk(
        "Desk A",
        "192.0.2.10",
        (SentUniverse(1, moving(), stop_s=2.0, closes=True), SentUniverse(2, held(), priority=120)),
    )
    art = ArtDesk("Media", "192.0.2.30", (SentUniverse(0, moving()),), polls=True)
    seen = [
        QuerySeen(1_000_000, 0, "192.0.2.1", "igmp2", 10.0),
        QuerySeen(2_000_000, 0, "192.0.2.1", "igmp3", 10.0, 125.0),
        MembershipSeen(3_000_000, 0, "192.0.2.77", "239.255.0.9", True, "igmp2"),
        MembershipSeen(4_000_000, 0, "192.0.2.77", "239.255.0.9", False, "igmp2"),
        NeighbourSeen(5_000_000, 0, "192.0.2.20", "02:00:c0:00:02:14", True),
    ]
    six = [Sent(6_000_000, 0, "fe80::10", 5568, packets.group_v6(7), 5568, packets.e131_sync(CID, 1, 7))]
    return list(mixed(desk.sends(4.0), art.sends(4.0), seen, six))


@pytest.mark.tshark
def test_tshark_reads_every_packet_without_a_fault(tmp_path: Path) -> None:
    """Source: tshark's own dissectors and its expert warnings."""
    if not shutil.which("tshark"):
        assert not os.environ.get("CI"), "tshark is missing"
        pytest.skip("tshark is not installed")
    items = scenario()
    path = tmp_path / "scenario.pcapng"
    path.write_bytes(b"".join(pcapng(items)))  # type: ignore[arg-type]
    tshark = ["tshark", "-r", str(path), "--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE"]
    tshark += ["-o", "udp.check_checksum:TRUE", "-o", "ip.check_checksum:TRUE"]
    fields = ["frame.protocols", "ip.checksum.status", "udp.checksum.status", "_ws.malformed", "igmp.checksum.status"]
    rows = subprocess.run(
        [*tshark, "-T", "fields", "-E", "separator=|", *(word for field in fields for word in ("-e", field))],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    assert len(rows) == len(items)
    for row in rows:
        protocols, ip_status, udp_status, malformed, igmp_status = row.split("|")
        assert not malformed, row
        assert ip_status in ("", "1"), row  # 1: good
        assert udp_status in ("", "1"), row
        assert igmp_status in ("", "1"), row
        assert protocols.startswith("eth:ethertype:")
    counted = subprocess.run(
        [*tshark, "-Y", "acn.dmx.priority == 120 or artnet.output.sequence", "-T", "json"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert len(json.loads(counted)) == sum(
        1
        for item in items
        if isinstance(item, Sent)
        and (item.payload[:10] == b"Art-Net\0\0\x50" or (len(item.payload) > 600 and item.payload[108] == 120))
    )


def test_group_addresses_become_the_groups_hardware_addresses() -> None:
    """RFC 1112 6.4 (low 23 bits) and RFC 2464 section 7 (low 32 bits)."""
    sync = packets.e131_sync(CID, 1, 7)
    frame = ethernet(Sent(0, 0, "192.0.2.10", 5568, packets.group(0x1234), 5568, sync))
    assert frame is not None and frame[:6].hex() == "01005e7f1234"
    frame = ethernet(Sent(0, 0, "fe80::1", 5568, packets.group_v6(0x1234), 5568, sync))
    assert frame is not None and frame[:6].hex() == "333383001234"
