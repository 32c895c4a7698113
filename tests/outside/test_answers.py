"""What `replay --json` answers, how verbs end, and what they say of bad input; samples are held against tshark."""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
from datetime import datetime
from pathlib import Path

import pytest

from slotwatch.cli import VERBS
from tests.outside.show import DESK, HOUSE, Capture, artnet, discovery, e131, group, judge, run, sync_packet, universes

SAMPLES = Path(__file__).parents[1] / "data" / "captures"
STATES = {
    *("steady", "at-rest", "on-backup", "not-sent", "not-visible", "not-judged"),
    *("faulty", "missing", "lost", "returning"),
}
UNIVERSE = [
    "universe",
    "network",
    "label",
    "declared",
    "state",
    "refresh_hz",
    "interval_ms",
    "frames",
    "lost_frames",
    "slots",
    "priority",
    "winning_source",
    "sources",
    "last_frame_at",
    "incidents",
]
SOURCE = [
    "source",
    "protocol",
    "cid",
    "address",
    "source_name",
    "declared_as",
    "universes",
    "priority",
    "refresh_hz",
    "lost_frames",
    "first_seen_at",
    "last_seen_at",
]
INCIDENT = [
    "id",
    "state",
    "severity",
    "rule",
    "cause",
    "confidence",
    "universes",
    "sources",
    "fixtures",
    "began_at",
    "opened_at",
    "closed_at",
    "summary",
    "evidence",
    "explains",
    "also_possible",
    "still_working",
    "next_checks",
    "acknowledged",
]


def test_the_objects_have_every_documented_field(tmp_path: Path) -> None:
    capture = Capture()
    capture.run(12, 0, 8, slots=64)
    capture.run(9, 0, 13, slots=64)
    answer = judge(capture, tmp_path, HOUSE + universes(9, 12)).answer
    assert set(answer) == {"capture", "universes", "sources", "incidents", "rejected", "unread", "clock_steps"}
    assert {"cut", "link-type", "mpls", "pppoe", "fragment", "no-udp"} <= set(answer["unread"])
    assert {"packets", "first_at", "last_at", "seconds"} <= set(answer["capture"])
    assert answer["capture"]["packets"] == len(capture.rows)
    assert answer["capture"]["seconds"] == pytest.approx(12.975, abs=1e-6)
    for rows, fields in ((answer["universes"], UNIVERSE), (answer["sources"], SOURCE), (answer["incidents"], INCIDENT)):
        assert rows
        for row in rows:
            assert set(fields) <= set(row), set(fields) - set(row)
    for row in answer["universes"]:
        assert row["state"] in STATES
        assert set(row["interval_ms"]) == {"p50", "p95", "p99", "max"}
    (incident,) = answer["incidents"]
    assert incident["state"] in ("open", "closed")
    assert incident["severity"] in ("critical", "warning", "note")
    assert incident["confidence"] in ("certain", "high", "medium", "low")
    assert incident["acknowledged"] is None
    assert next(row for row in answer["universes"] if row["universe"] == "e131/12")["incidents"] == [incident["id"]]


def test_times_are_utc_with_milliseconds(tmp_path: Path) -> None:
    # "times are ISO 8601 UTC with milliseconds"
    capture = Capture()
    capture.run(3, 0.0125, 1, slots=64)
    answer = judge(capture, tmp_path).answer
    for moment in (answer["capture"]["first_at"], answer["universes"][0]["last_frame_at"]):
        assert len(moment) == len("2026-05-28T20:26:40.012Z")
        assert moment.endswith("Z")
        datetime.fromisoformat(moment)


def test_interval_statistics_are_those_of_the_capture(tmp_path: Path) -> None:
    # "Interval statistics within 50 µs of what tshark's frame.time_delta gives": 20 and 30 ms by turns, one of 70
    capture, at_s = Capture(), 0.0
    for turn in range(400):
        capture.put(at_s, e131(3, bytes([turn * 5 % 250]) * 64, sequence=turn))
        at_s += 0.07 if turn == 300 else 0.02 + 0.01 * (turn % 2)
    intervals = judge(capture, tmp_path).universe("e131/3")["interval_ms"]
    assert intervals["max"] == pytest.approx(70, abs=0.05)
    assert intervals["p95"] == pytest.approx(30, abs=0.05)
    assert min(abs(intervals["p50"] - 20), abs(intervals["p50"] - 30)) <= 0.05


def test_universes_are_written_as_documented(tmp_path: Path) -> None:
    # "`e131/12` (1 to 63999) or `artnet/0` (the 15-bit port-address in decimal)"
    capture = Capture()
    capture.put(0, e131(63999, bytes(64)))
    capture.put(0.1, artnet(0, bytes(64)), to="10.20.0.255", port=6454)
    capture.put(0.2, artnet(0x7FFF, bytes(64)), to="10.20.0.255", port=6454)
    capture.put(0.3, e131(0, bytes(64)))
    capture.put(0.4, e131(64000, bytes(64)), to=group(1))
    verdict = judge(capture, tmp_path)
    assert {row["universe"] for row in verdict.answer["universes"]} == {"e131/63999", "artnet/0", "artnet/32767"}
    assert sum(verdict.answer["rejected"].values()) == 2


@pytest.mark.parametrize(
    "packet",
    [
        e131(3, bytes(range(40))),
        discovery([1, 2, 7, 300]),
        sync_packet(9, 5),
        artnet(5, bytes(range(40)), 7),
    ],
    ids=["data", "discovery", "sync", "artnet"],
)
def test_a_packet_cut_at_any_length_is_counted_and_ends_nothing(tmp_path: Path, packet: bytes) -> None:
    # "Truncated at every length …: counted, bounded, said"
    capture = Capture()
    port = 6454 if packet.startswith(b"Art") else 5568
    for length in range(len(packet)):
        capture.put(length / 100, packet[:length], DESK, to="10.20.0.255", port=port)
    verdict = judge(capture, tmp_path)
    assert verdict.answer["capture"]["packets"] == len(packet)
    assert sum(verdict.answer["rejected"].values()) >= len(packet) - 45
    assert "malformed-packets" in verdict.rules()


def test_lying_lengths_and_vectors_are_rejected(tmp_path: Path) -> None:
    # "wrong vectors, lengths that lie"; E1.31-2018 5.1 to 7.6: "else discard"
    good = e131(3, bytes(64))
    lies = {0: 2, 2: 2, 4: 12, 18: 4, 40: 4, 117: 1, 118: 1, 119: 2, 121: 2, 123: 2}
    capture = Capture()
    for number, (offset, size) in enumerate(lies.items()):
        capture.put(number / 10, good[:offset] + b"\xee" * size + good[offset + size :], to=group(3))
    verdict = judge(capture, tmp_path)
    assert sum(verdict.answer["rejected"].values()) == len(lies)
    assert verdict.answer["universes"] == []


def test_a_name_that_is_no_utf_8_is_shown_all_the_same(tmp_path: Path) -> None:
    packet = bytearray(e131(3, bytes(64)))
    packet[44:108] = b"\xff\xfe\x80desk\x1b[31m" + b"\xc3" * 52
    capture = Capture()
    capture.put(0, bytes(packet))
    (row,) = judge(capture, tmp_path).answer["sources"]
    assert "desk" in row["source_name"]
    assert "\x1b" not in row["source_name"], "a control character of the network reaches no terminal"


@pytest.mark.tshark
@pytest.mark.parametrize("sample", sorted(SAMPLES.glob("*.pcap*")), ids=lambda path: path.name)
def test_samples_hold_what_tshark_counts(sample: Path) -> None:
    if not shutil.which("tshark"):
        if os.environ.get("CI"):
            pytest.fail("tshark is missing")
        pytest.skip("tshark is not installed")
    options = ["--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE"]
    fields = ["frame.number", "acn.dmx.universe", "acn.dmx.start_code", "artnet.output.universe"]
    words = ["tshark", "-r", str(sample), *options, "-T", "fields"] + [word for name in fields for word in ("-e", name)]
    rows = [
        line.split("\t")
        for line in subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    ]
    status, printed, complaint = run("replay", str(sample), "--json")
    answer = json.loads(printed)
    assert status in (0, 1), complaint
    assert answer["capture"]["packets"] == len(rows)
    heard = {f"e131/{row[1]}" for row in rows if row[1]} | {f"artnet/{row[3]}" for row in rows if row[3]}
    assert {row["universe"] for row in answer["universes"]} == heard


@pytest.mark.parametrize("verb", sorted(VERBS))
def test_every_verb_has_help(verb: str) -> None:
    status, printed, _ = run(verb, "--help")
    assert status == 0
    assert verb in printed
    printers = set(VERBS) - {"serve", "backup", "restore"}
    assert verb not in printers or "--json" in printed, "those that print results have --json"


@pytest.mark.parametrize(
    "words",
    [[], ["watch"], ["check"], ["check", "-c"], ["replay"], ["survey", "--seconds", "soon"], ["report", "--xml"]],
    ids=" ".join,
)
def test_words_that_cannot_be_read_are_one_line_and_exit_2(words: list[str]) -> None:
    # As documented: "2 it could not run, with one line on stderr for each thing wrong"
    status, printed, complaint = run(*words)
    assert (status, printed, len(complaint.splitlines())) == (2, "", 1), complaint
    assert complaint.startswith("slotwatch")


BAD = {
    "empty.toml": b"",
    "binary.toml": os.urandom(4096) + b"\0",
    "large.toml": b"a = 1\n" * (50 * 1024 * 1024 // 6),
    "empty.pcap": b"",
    "binary.pcap": b"\x17\x29\x31\x47" * 1000,
    "large.pcap": bytes(50 * 1024 * 1024),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_are_one_line_and_exit_2(tmp_path: Path, name: str) -> None:
    # "Unreadable, empty, 50 MB or binary house files and captures: one line, exit 2"
    path = tmp_path / name
    path.write_bytes(BAD[name])
    for words in [["check", "-c"], ["serve", "-c"]] if name.endswith("toml") else [["replay"]]:
        status, printed, complaint = run(*words, str(path))
        assert (status, printed) == (2, "")
        assert len(complaint.splitlines()) == 1
        assert str(path) in complaint
        assert "Traceback" not in complaint


def test_files_that_are_not_there_or_are_directories(tmp_path: Path) -> None:
    for path in (tmp_path / "none", tmp_path):
        for words in (["check", "-c"], ["serve", "-c"], ["replay"]):
            status, _, complaint = run(*words, str(path))
            assert (status, len(complaint.splitlines())) == (2, 1), complaint


def test_every_fault_of_a_house_file_is_reported_at_once_at_its_line(tmp_path: Path) -> None:
    # "Unknown keys are errors that name the nearest known key. Every fault of a file is reported at once,
    # each at its line"
    (tmp_path / "house.toml").write_text(
        '[house]\nname = 5\nphaze = "show"\n[listen]\ninterfaces = ["eth1"]\nvantage = "tap"\ne131_port = 70000\n'
        '[[universes]]\nprotocol = "e131"\nnumber = 64000\n[[accepted]]\nrule = "fast-refresh"\n'
    )
    status, _, complaint = run("check", "-c", str(tmp_path / "house.toml"))
    assert status == 2
    for line, key in ((2, "name"), (3, "phaze"), (6, "vantage"), (7, "e131_port"), (10, "number"), (11, "reason")):
        assert any(f"house.toml:{line}:" in text and key in text for text in complaint.splitlines()), (line, complaint)
    assert "the nearest is phase" in complaint


@pytest.mark.parametrize("magic", [0xA1B2C3D4, 0xA1B23C4D])
@pytest.mark.parametrize("order", ["<", ">"])
def test_captures_of_either_order_and_clock(tmp_path: Path, magic: int, order: str) -> None:
    # "micro- or nanosecond"
    capture = Capture()
    capture.run(3, 0, 1, slots=64)
    fraction = 1000 if magic == 0xA1B2C3D4 else 1
    out = [struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 65535, 1)]
    for at_s, frame in capture.rows:
        at_ns = round(at_s * 1e9)
        out.append(
            struct.pack(f"{order}IIII", at_ns // 10**9, at_ns % 10**9 // fraction, len(frame), len(frame)) + frame
        )
    (tmp_path / "other.pcap").write_bytes(b"".join(out))
    status, printed, _ = run("replay", str(tmp_path / "other.pcap"), "--json")
    answer = json.loads(printed)
    assert (status, answer["universes"][0]["frames"], answer["universes"][0]["interval_ms"]["p50"]) == (0, 40, 25.0)


@pytest.mark.parametrize(
    ("link", "head"),
    [
        (1, b"\x01\x00\x5e\x7f\x00\x03\x02\x00\x0a\x14\x00\x0a\x81\x00\x00\x07\x08\x00"),  # IEEE 802.1Q tag of VLAN 7
        (113, struct.pack("!HHH8sH", 2, 1, 6, b"\2\0\n\x14\0\n\0\0", 0x0800)),  # Linux cooked v1
        (276, struct.pack("!HHIHBB8s", 0x0800, 0, 2, 1, 2, 6, b"\2\0\n\x14\0\n\0\0")),  # Linux cooked v2
        (101, b""),  # raw IP
        (228, b""),  # raw IPv4
    ],
    ids=["vlan", "cooked-1", "cooked-2", "raw", "raw-ipv4"],
)
def test_captures_of_every_kind_of_link(tmp_path: Path, link: int, head: bytes) -> None:
    # "Ethernet, VLAN tags, Linux cooked v1 and v2, raw IP"; link types of the pcap register
    capture = Capture()
    capture.run(3, 0, 1, slots=64)
    out = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, link)]
    for at_s, frame in capture.rows:
        packet = head + frame[14:]
        out.append(struct.pack("<IIII", 1_780_000_000, round(at_s * 1e9), len(packet), len(packet)) + packet)
    (tmp_path / "other.pcap").write_bytes(b"".join(out))
    status, printed, _ = run("replay", str(tmp_path / "other.pcap"), "--json")
    assert (status, [row["frames"] for row in json.loads(printed)["universes"]]) == (0, [40])


@pytest.mark.parametrize(
    "octets",
    [
        struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1),
        struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1) + bytes(7),
        b"\x1f\x8bno gzip",
    ],
    ids=["no packet", "cut off before the first", "damaged gzip"],
)
def test_a_capture_of_nothing_is_never_all_well(tmp_path: Path, octets: bytes) -> None:
    # "Unreadable, empty … captures: one line, exit 2"
    (tmp_path / "capture.pcap").write_bytes(octets)
    status, printed, complaint = run("replay", str(tmp_path / "capture.pcap"), "--json")
    assert (status, printed, len(complaint.splitlines())) == (2, "", 1), complaint
