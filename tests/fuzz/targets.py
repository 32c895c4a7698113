"""What is fuzzed: everything that reads what a stranger sent or wrote, with the invariant of each in its docstring.

A target takes bytes and raises only where its invariant is broken. Seeds are small and valid; where a format has
a check sum (zip, gzip), the first byte says whether the rest is the file or what is packed into one here.
"""

from __future__ import annotations

import gzip
import io
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from slotwatch.edge.shared.shipped import directory
from slotwatch.edge.tools.captures import Capture
from slotwatch.edge.tools.unpacking import GZIP, Unpacking
from slotwatch.errors import CaptureError, HouseFileError
from slotwatch.house.cells import Addressing
from slotwatch.house.circuits import read_circuits
from slotwatch.house.conflicts import conflicts
from slotwatch.house.gdtf import read_gdtf
from slotwatch.house.load import load_house
from slotwatch.house.mvr import read_mvr
from slotwatch.house.patch import Patch, read_patch
from slotwatch.house.service import Listen
from slotwatch.wire import compose, igmp, names, pcap, rdm
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.line import MOST_BYTES, LineDecoder
from slotwatch.wire.pcap import Reader
from slotwatch.wire.universe import Protocol, UniverseId
from tests.house.reading import TODAY, reader
from tests.house.test_mvr import WASH, fixture, scene, zipped
from tests.wire import frames, vectors
from tests.wire.test_decode import agree
from tests.wire.test_ethernet import dissect
from tests.wire.vectors import batch_of

CONFIG = directory("config")
EXAMPLES = CONFIG / "examples"
BESIDE: Mapping[str, bytes] = {path.name: path.read_bytes() for path in sorted(EXAMPLES.glob("*.csv"))}
WIRE = Addressing(None, {"1": UniverseId(Protocol.E131, 11)})
ROOT = "GeneralSceneDescription.xml"


def decode_datagrams(raw: bytes) -> None:
    """Any datagram has a verdict on every port, and both decoders give the same."""
    batch = batch_of([raw[1:], raw[1:]] if raw else [b""], raw[0] % 4 if raw else 1)
    agree(batch)


def read_names(raw: bytes) -> None:
    """What the array decoder accepts can be read for its name, list or reply."""
    for protocol in (Protocol.E131, Protocol.ARTNET):
        batch = batch_of([raw], protocol)
        kind, length = int(decode(batch).kind[0]), int(batch.length[0])
        if kind in (PacketKind.LEVELS, PacketKind.E131_DISCOVERY) and protocol is Protocol.E131:
            names.source_name(batch.data[0])
        if kind == PacketKind.E131_DISCOVERY:
            assert len(names.discovery_page(batch.data[0], length).universes) <= 512
        if kind == PacketKind.ART_POLL_REPLY:
            names.poll_reply(batch.data[0], length)


def read_capture(raw: bytes) -> None:
    """Any file is read to where it ends, or refused as no capture; packets lie within it."""
    reader = Reader()
    half = len(raw) // 2
    try:
        found = reader.feed(raw[:half]) + reader.feed(raw[half:])
        reader.close()
    except ValueError as reason:
        assert str(reason)
        return
    for records in found:
        assert (records.captured >= 0).all() and (records.t_ns >= -1).all()
        assert (records.start + records.captured + pcap.SLACK <= len(records.data)).all()
        assert (records.interface < len(reader.interfaces)).all()


def read_frames(raw: bytes) -> None:
    """Any frame of any link layer gives datagrams within itself, or is counted once."""
    link = (0, 1, 101, 113, 276, 108)[raw[0] % 6] if raw else 1
    found, counts, records = dissect([raw[1:], raw[1:]], link)
    at = found.datagrams
    assert (at.payload + at.length <= (records.start + records.captured)[at.frame]).all()
    apart = counts.other_link_types + counts.not_ip + counts.not_udp + counts.fragments + counts.malformed + counts.cut
    apart += counts.mpls + counts.pppoe + counts.arp + counts.groups
    assert counts.udp + apart == 2
    assert np.unique(at.frame).size == at.frame.size


def read_groups(raw: bytes) -> None:
    """Any message is read or is nothing."""
    igmp.read_igmp(raw)
    igmp.read_mld(raw)
    igmp.observations(raw, 0, 0)
    igmp.neighbour(raw, 0, 0)


def read_rdm(raw: bytes) -> None:
    """Any message is read or refused with a reason; a lone ValueError is the only error."""
    for read in (rdm.decode, rdm.tod_data, rdm.art_rdm_message):
        try:
            read(raw)
        except ValueError as reason:
            assert str(reason)
    for read_data in (rdm.device_info, rdm.sensor_value):
        try:
            read_data(raw)
        except ValueError as reason:
            assert str(reason)
    rdm.discovery_reply(raw)


def read_line(raw: bytes) -> None:
    """Any bytes of a port are frames of at most 513; how they were cut into reads changes nothing but the times."""
    whole, pieces = LineDecoder(), LineDecoder()
    at = raw[0] if raw else 0
    together = whole.feed(raw[1:], 1)
    apart = pieces.feed(raw[1 : 1 + at], 1) + pieces.feed(raw[1 + at :], 1)
    assert together == apart and (whole.breaks, whole.faults) == (pieces.breaks, pieces.faults)
    assert all(len(frame.data) <= MOST_BYTES for frame in together)


def read_recording(raw: bytes) -> None:
    """Any file, gzipped or not, is read to where it ends on a clock that never falls, or refused in one line."""
    file = gzip.compress(raw[1:], 0) if raw[:1] == b"\1" else raw[1:]
    plain = io.BytesIO(file)
    capture = Capture("x.pcap", Listen(), (), Unpacking(plain) if file.startswith(GZIP) else plain)
    last_ns = 0
    try:
        capture.look_ahead()
        for chunk in capture.chunks():
            times = chunk.batch.t_ns
            assert (np.diff(times) >= 0).all() and chunk.last_ns >= last_ns
            last_ns = chunk.last_ns
            decode(chunk.batch)
    except CaptureError as refusal:
        one_line_each(refusal)


def read_house(raw: bytes) -> None:
    """Any file is a house that can be judged, or lines that say what is wrong."""
    try:
        house = load_house("house.toml", reader({**BESIDE, "house.toml": raw}), TODAY)
    except HouseFileError as refusal:
        one_line_each(refusal)
        return
    conflicts(house)


def read_tables(raw: bytes) -> None:
    """Any file is a patch, and a list of circuits, or lines that say what is wrong; rows that are wrong are named."""
    try:
        patch = read_patch("patch.csv", raw, WIRE, [])
    except HouseFileError as refusal:
        one_line_each(refusal)
    else:
        assert all(len(str(problem).splitlines()) == 1 for problem in patch.problems)
        well_hung(patch)
    try:
        read_circuits("circuits.csv", raw)
    except HouseFileError as refusal:
        one_line_each(refusal)


def read_scene(raw: bytes) -> None:
    """Any archive, or any scene within a good one, is fixtures or one line that says why not."""
    archive = raw[1:]
    if raw[:1] == b"\1":
        archive = zipped({ROOT: raw[1:], "Wash.gdtf": WASH_FILE})
    try:
        patch = read_mvr("show.mvr", archive, WIRE, [], ("Audience",))
    except HouseFileError as refusal:
        assert len(one_line_each(refusal)) == 1
        return
    well_hung(patch)


def read_fixture_type(raw: bytes) -> None:
    """Any archive, or any description within a good one, is modes of at most 512 slots or one line."""
    archive = zipped({"description.xml": raw[1:]}) if raw[:1] == b"\1" else raw[1:]
    try:
        modes = read_gdtf("x.gdtf", archive).modes
    except HouseFileError as refusal:
        assert len(one_line_each(refusal)) == 1
        return
    assert all(len(slots) <= 512 for mode in modes.values() for slots in mode.breaks.values())


def well_hung(patch: Patch) -> None:
    """Whatever was read has an address, and names that may be printed."""
    for one in patch.fixtures:
        assert 1 <= one.address <= 512 and one.name
        assert all(text.isprintable() for text in (one.name, one.label, one.position, one.profile, one.circuit)), one


def one_line_each(refusal: HouseFileError | CaptureError) -> list[str]:
    """What is printed of a refusal: at least one line, none of them broken or able to move a cursor."""
    lines = list(getattr(refusal, "lines", None) or [str(refusal)])
    assert lines and all(line and len(line.splitlines()) == 1 for line in lines), lines
    return lines


def _scene() -> tuple[bytes, bytes]:
    """A scene as pymvr's own writer makes it: the archive, and its XML alone."""
    with tempfile.TemporaryDirectory() as place:
        made = scene(Path(place), fixture("101", [(0, 1, 101)]), fixture("102", [(0, 1, 1), (1, 1, 9)], "Two parts"))
    with zipfile.ZipFile(io.BytesIO(made)) as archive:
        return made, archive.read(ROOT)


WASH_FILE = zipped({"description.xml": WASH})
_MADE, _XML = _scene()
_V3 = b"\x22\0\0\0\0\0\0\x02" + (b"\x04\0\0\0" + bytes((239, 255, 0, 1))) * 2
_GET = rdm.get(bytes(6), bytes(6), 1, rdm.DEVICE_INFO)
TARGETS: dict[Callable[[bytes], None], list[bytes]] = {
    decode_datagrams: [bytes([1]) + packet for packet in vectors.E131_VECTORS]
    + [bytes([2]) + packet for packet in vectors.ART_VECTORS]
    + [b"\x03\0" + bytes(24)],
    read_names: [
        *vectors.E131_VECTORS,
        compose.art_poll_reply("10.0.0.1", "node", "node", [compose.NodePort(1)]),
        *compose.e131_discovery(bytes(16), "x", range(1, 40)),
    ],
    read_capture: [
        frames.pcap([(1, b"frame"), (2, b"other")]),
        frames.pcap([(1, b"frame")], order=">", nano=True),
        frames.section() + frames.interface(resolution=9, offset_s=4, name="eth1") + frames.enhanced(1, b"x" * 9),
        frames.section(">") + frames.interface(order=">") + frames.simple(b"y" * 5, ">") + frames.section(),
    ],
    read_frames: [
        b"\x01" + frames.ethernet(frames.ipv4(frames.udp(b"data"), options=b"\x94\x04\0\0"), tags=((0x8100, 2),)),
        b"\x01" + frames.ethernet(frames.ipv6(frames.udp(b"data"), 0, b"\x11\0\x01\x04\0\0\0\0"), 0x86DD),
        b"\x02" + frames.ipv4(frames.udp(b"data")),
        b"\x03" + bytes(14) + b"\x08\0" + frames.ipv4(frames.udp(b"data")),
        b"\x00\x02\0\0\0" + frames.ipv4(frames.udp(b"data")),
    ],
    read_groups: [_V3, bytes.fromhex("1164000000000000027d0000"), frames.ipv4(_V3, 2), bytes((0x8F, *bytes(40)))],
    read_rdm: [_GET, rdm.art_rdm(1, _GET), b"Art-Net\0\x00\x81" + bytes(30), b"\xfe\xaa" + b"\xaf\x55" * 8],
    read_line: [
        b"\x05\xff\0\0\0" + bytes(range(1, 200)) + b"\xff\xff\xff\0\0\0\1",
        b"\x03\xff\0\7\xff\0\0" + bytes(520),
    ],
    read_recording: [
        kind
        + frames.pcap([(n, frames.ethernet(frames.ipv4(frames.udp(sent, 5568)))) for n, sent in enumerate(some, 1)])
        for kind in (b"\0", b"\1")
        for some in (vectors.E131_VECTORS[:3], vectors.ART_VECTORS[:3])
    ]
    + [b"\0" + frames.section() + frames.interface(resolution=9, name="eth1") + frames.enhanced(1, b"x" * 60)],
    read_house: [path.read_bytes() for path in sorted(EXAMPLES.glob("*.toml"))],
    read_tables: list(BESIDE.values()),
    read_scene: [b"\0" + _MADE, b"\1" + _XML],
    read_fixture_type: [b"\0" + WASH_FILE, b"\1" + WASH],
}
