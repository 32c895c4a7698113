"""`slotwatch replay` on captures that others made: tshark's counts and rates, the API's objects, exit status."""

from __future__ import annotations

import json
import statistics
from collections import defaultdict
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from slotwatch import cli
from slotwatch.edge.tools.captures import open_capture
from slotwatch.edge.tools.replaying import Replay
from slotwatch.house.schema import House, Phase
from slotwatch.wire import compose, pcap_blocks
from slotwatch.wire.pcap import CaptureInterface
from tests.views.api_schemas import fits
from tests.wire import frames, tshark
from tests.wire.frames import ethernet, ipv4, udp

T = 1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z
CID = bytes(range(16))
SAMPLES = sorted(tshark.CAPTURES.glob("*.pcap*"))


def replay(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = cli.main(["replay", *words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def made(tmp_path: Path, packets: list[tuple[int, bytes]], name: str = "made.pcapng") -> str:
    path = tmp_path / name
    raw = pcap_blocks.header([CaptureInterface(1, "eth1")]) + b"".join(
        pcap_blocks.packet(T + t, frame) for t, frame in packets
    )
    path.write_bytes(raw)
    return str(path)


def frame(universe: int, sequence: int, level: int = 0, cid: bytes = CID, src: str = "10.0.0.1") -> bytes:
    packet = compose.e131_data(cid, "Desk A", universe, sequence & 0xFF, bytes([level & 0xFF]) * 512)
    return ethernet(ipv4(udp(packet), src=src, dst=f"239.255.{universe >> 8}.{universe & 255}"))


def stream(seconds: float, hz: float = 40, universe: int = 7) -> list[tuple[int, bytes]]:
    """A desk at work: levels change with every frame."""
    return [(round(k / hz * 1e9), frame(universe, k, k)) for k in range(round(seconds * hz))]


@pytest.mark.tshark
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_samples_give_tsharks_counts(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, found = replay(capsys, str(path))
    every = tshark.rows(path, "", "acn.dmx.universe", "artnet.output.universe", "ip.src")
    e131 = [(universe, source) for universe, _, source in every if universe]
    art = [(universe, source) for _, universe, source in every if universe]
    wanted: defaultdict[str, int] = defaultdict(int)
    for universe, *_ in e131:
        wanted[f"e131/{universe}"] += 1
    for universe, *_ in art:
        wanted[f"artnet/{universe}"] += 1
    assert {one["universe"] for one in found["universes"]} == set(wanted)
    counted = {one["universe"]: one["frames"] for one in found["universes"]}
    # Terminated packets are no frames ; only one sample holds any, three of one universe.
    terminated = 3 if path.name.startswith("sender-pypi-sacn") else 0
    assert sum(wanted.values()) - sum(counted.values()) in (0, terminated)
    assert all(wanted[name] - count in (0, terminated) for name, count in counted.items())
    addresses = {row[-1] for row in e131 + art}
    assert {one["address"] for one in found["sources"]} == addresses
    assert found["capture"]["packets"] == len(every)
    assert found["rejected"] == {}


@pytest.mark.tshark
@pytest.mark.parametrize(
    ("name", "universe"),
    [("sender-npm-sacn-4.6.2.pcapng", "e131/1"), ("e131-one-universe-2hz-4-slots.pcapng", "e131/1")],
)
def test_rates_and_intervals_are_those_of_tsharks_times(
    name: str, universe: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tshark.CAPTURES / name
    _, found = replay(capsys, str(path))
    times = [float(row[0]) for row in tshark.rows(path, "acn.dmx.universe", "frame.time_epoch")]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    (shown,) = (one for one in found["universes"] if one["universe"] == universe)
    recent = [gap for gap, at in zip(gaps, times[1:], strict=True) if at > times[-1] - 5]
    assert shown["refresh_hz"] == pytest.approx(1 / statistics.fmean(recent), rel=0.05)
    assert shown["interval_ms"]["max"] == pytest.approx(max(gaps) * 1000, rel=0.05)


def test_the_object_fits_its_schema(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, found = replay(capsys, made(tmp_path, [*stream(4), (9_000_000_000, frame(9, 0))]))
    assert list(found) == [
        "capture",
        "universes",
        "sources",
        "incidents",
        "rejected",
        "unread",
        "clock_steps",
    ]
    assert found["capture"] == {
        "packets": 161,
        "first_at": "2026-01-01T00:00:00.000Z",
        "last_at": "2026-01-01T00:00:09.000Z",
        "seconds": 9.0,
        "out_of_order": 0,
    }
    for one in found["universes"]:
        fits("universe", one)
    for one in found["sources"]:
        fits("source", one)
    for one in found["incidents"]:
        fits("incident", one)
    (lost,) = (one for one in found["incidents"] if one["rule"] == "universe-lost")
    # The last frame, and the loss timeout of 2.5 s (E1.31 6.7.1) after it, in ticks of 50 ms.
    assert lost["began_at"] == "2026-01-01T00:00:03.975Z"
    assert "2026-01-01T00:00:06.475Z" <= lost["opened_at"] <= "2026-01-01T00:00:06.625Z"
    assert status == 1


def test_a_healthy_show_is_silent(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, found = replay(capsys, made(tmp_path, stream(12)))
    assert (status, found["incidents"]) == (0, [])
    (one,) = found["universes"]
    assert (one["universe"], one["frames"], one["lost_frames"], one["state"]) == ("e131/7", 480, 0, "steady")


def test_nothing_is_judged_after_the_last_packet(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A recording that was stopped is not a loss."""
    status, found = replay(capsys, made(tmp_path, stream(6)))
    assert status == 0 and found["universes"][0]["state"] == "steady"


def test_lost_packets_are_counted_as_the_sequence_says(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    kept = [packet for k, packet in enumerate(stream(20)) if k % 20 != 7]
    status, found = replay(capsys, made(tmp_path, kept))
    assert found["universes"][0]["lost_frames"] == 40
    assert status == 1 and [one["rule"] for one in found["incidents"]] == ["packet-loss"]


def test_rejected_packets_are_counted_by_reason(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bad = [
        (k * 1000, ethernet(ipv4(udp(raw)))) for k, raw in enumerate((b"hello", b"x" * 40, b"Art-Net\0" + bytes(30)))
    ]
    _, found = replay(capsys, made(tmp_path, bad))
    assert found["rejected"] == {"not-this-protocol": 2, "too-short": 1}


def test_the_house_is_judged_by(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    house = tmp_path / "house.toml"
    house.write_text(
        '[house]\nname = "Harbour Street Playhouse"\n[listen]\ninterfaces = ["eth1"]\n'
        '[[universes]]\nprotocol = "e131"\nnumber = 7\nlabel = "Dimmer racks"\n'
        '[[universes]]\nprotocol = "e131"\nnumber = 8\n'
    )
    capture = made(tmp_path, stream(14))
    status, found = replay(capsys, capture, "-c", str(house))
    assert [(one["universe"], one["label"]) for one in found["universes"]] == [
        ("e131/7", "Dimmer racks"),
        ("e131/8", ""),
    ]
    (missing,) = found["incidents"]
    assert (status, missing["rule"], missing["severity"]) == (1, "universe-missing", "critical")
    house.write_text(
        house.read_text().replace('"Harbour Street Playhouse"', '"Harbour Street Playhouse"\nphase = "dark"')
    )
    status, found = replay(capsys, capture, "-c", str(house))
    assert status == 0 and [one["severity"] for one in found["incidents"]] == ["note"]


def test_what_a_route_of_the_house_feeds_is_declared(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """As while it watches: the house file says that this computer sends it."""
    house = tmp_path / "house.toml"
    route = '[[routes]]\nname = "tower"\nfrom = "e131/7"\nto = "e131/8"\n'
    house.write_text(f'[listen]\ninterfaces = ["eth1"]\n[[universes]]\nprotocol = "e131"\nnumber = 7\n{route}')
    both = made(tmp_path, sorted(stream(4) + stream(4, universe=8)))
    assert [one["rule"] for one in replay(capsys, both, "-c", str(house))[1]["incidents"]] == []


def test_people_get_words(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert cli.main(["replay", made(tmp_path, stream(6))]) == 0
    shown = capsys.readouterr().out
    assert "240 packets in 6.0 s" in shown and "Nothing was found wrong." in shown and "Desk A" in shown


def test_a_cut_off_capture_is_judged_and_reported(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = Path(made(tmp_path, stream(6)))
    path.write_bytes(path.read_bytes()[:-10])
    assert cli.main(["replay", str(path)]) == 0
    shown = capsys.readouterr()
    assert "239 packets" in shown.out and "cut off" in shown.err
    # 239 packets of 40 a second: the last whole one came 238 / 40 = 5.95 s after the first.
    assert "The file is not whole: the last " in shown.out
    assert "It was judged up to 2026-01-01T00:00:05.950Z." in shown.out
    assert "Nothing was found wrong up to 2026-01-01T00:00:05.950Z, where the file breaks off." in shown.out


def test_what_to_check_is_printed_also_of_a_fault_that_is_over(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    packets = [(t, one) for t, one in stream(30) if not 10 * 10**9 <= t < 15 * 10**9]
    packets += [(t, frame(8, k, cid=bytes(range(1, 17)))) for k, (t, _) in enumerate(stream(30))]
    path = made(tmp_path, sorted(packets))
    assert cli.main(["replay", path]) == 1
    shown = capsys.readouterr().out
    assert "universe-lost" in shown and "closed 2026-" in shown
    checks = [line for line in shown.splitlines() if line.startswith("  check: ")]
    assert 1 <= len(checks) <= 3
    _, found = replay(capsys, path)
    (lost,) = [one for one in found["incidents"] if one["rule"] == "universe-lost"]
    assert [f"  check: {text}" for text in lost["next_checks"]][:3] == checks


@pytest.mark.parametrize(
    ("join", "words"),
    [
        ("declared", "does not declare: unless the recording computer joined them, a switch floods multicast."),
        ("none", "does not join: unless the recording computer joined them, a switch floods multicast."),
    ],
)
def test_nothing_is_claimed_of_what_the_recording_computer_joined(
    join: str, words: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    house = tmp_path / "house.toml"
    house.write_text(
        f'[house]\nname = "Harbour Street Playhouse"\n[listen]\ninterfaces = ["eth1"]\njoin = "{join}"\n'
        '[[universes]]\nprotocol = "e131"\nnumber = 7\n'
    )
    both = stream(14) + [(t, frame(8, k, k)) for k, (t, _) in enumerate(stream(14))]
    cli.main(["replay", made(tmp_path, sorted(both)), "-c", str(house)])
    printed = capsys.readouterr().out
    (flood,) = [line for line in printed.splitlines() if line.startswith("  flooded-groups: ")]
    assert flood.endswith(f", which the house file {words}")
    assert "this computer did not join" not in printed


@pytest.mark.parametrize("raw", [None, b"", b"GIF89a" + bytes(99)])
def test_what_cannot_be_read_is_one_line_and_status_2(
    raw: bytes | None, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "show.pcap"
    if raw is not None:
        path.write_bytes(raw)
    assert cli.main(["replay", str(path)]) == 2
    shown = capsys.readouterr()
    assert shown.out == "" and len(shown.err.splitlines()) == 1 and "show.pcap" in shown.err


def test_a_capture_of_nothing_is_not_called_well(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = made(tmp_path, [])
    assert cli.main(["replay", path, "--json"]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1) and "no packet" in err


def test_a_capture_of_other_things_is_not_called_well_either(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    others = [(k * 25_000_000, ethernet(ipv4(udp(bytes(40), dst_port=9999), src="10.0.0.1"))) for k in range(9)]
    assert cli.main(["replay", made(tmp_path, others)]) == 2
    printed = capsys.readouterr().out
    assert "Nothing could be judged: no packet of E1.31 or Art-Net to the watched ports is in it." in printed
    assert "Nothing was found wrong" not in printed


def test_a_silence_of_weeks_does_not_keep_anybody_waiting(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    week = 7 * 86_400 * 1_000_000_000
    packets = stream(3) + [(week + t, packet) for t, packet in stream(3)]
    status, found = replay(capsys, made(tmp_path, packets))
    assert found["capture"]["seconds"] == pytest.approx(week / 1e9 + 2.975)
    assert status == 1 and any(one["rule"] == "universe-lost" for one in found["incidents"])


def wrapped(packets: list[tuple[int, bytes]], how: str) -> bytes:
    """The same packets as a recording that cannot be read."""
    if how == "cut":
        return frames.pcap([(T + t, packet) for t, packet in packets], snap=96)
    if how == "link-type":  # 147: reserved for private use, tcpdump.org's list of link types
        return frames.pcap([(T + t, packet) for t, packet in packets], link=147)
    head = {"mpls": b"\x88\x47\0\0\x11\x40", "pppoe": b"\x88\x64\x11\0\0\1\2\xa2\0\x21"}[how]
    return frames.pcap([(T + t, packet[:12] + head + packet[14:]) for t, packet in packets])


@pytest.mark.parametrize("how", ["cut", "link-type", "mpls", "pppoe"])
@pytest.mark.parametrize("declared", [False, True])
def test_a_recording_that_cannot_be_read_is_never_healthy(
    how: str, declared: bool, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path, house = tmp_path / "show.pcap", tmp_path / "house.toml"
    path.write_bytes(wrapped(stream(14), how))
    house.write_text(
        '[listen]\ninterfaces = ["eth1"]\n[[universes]]\nprotocol = "e131"\nnumber = 7\nsources = ["spare"]\n'
        '[[sources]]\nname = "spare"\naddress = "10.0.0.9"\nrole = "backup"\n'
    )
    words = ["replay", str(path), *(["-c", str(house)] if declared else [])]
    assert cli.main(words) == 2
    printed = capsys.readouterr().out
    assert printed.count("Nothing could be judged: of 560 packets, 560 ") == 1
    assert "Nothing was found wrong" not in printed and "universe-missing" not in printed
    assert cli.main([*words, "--json"]) == 2
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert found["incidents"] == [] and err.count("\n") == 1 and "othing could be judged" in err
    assert found["unread"] == dict.fromkeys(found["unread"], 0) | {how: 560}


def test_a_recording_that_cuts_all_levels_and_keeps_discovery_lists_is_not_healthy(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A discovery list of one universe has 122 bytes (ANSI E1.31-2018 4.3), a full data packet 638."""
    (listed,) = compose.e131_discovery(CID, "Desk A", [7])
    packets = [*stream(14), (14_000_000_000, ethernet(ipv4(udp(listed), dst="239.255.250.214")))]
    path = tmp_path / "show.pcap"
    path.write_bytes(frames.pcap([(T + t, packet) for t, packet in packets], snap=200))
    assert cli.main(["replay", str(path)]) == 2
    assert "Nothing could be judged: of 561 packets, 560 cut short" in capsys.readouterr().out


def test_what_a_cut_recording_lacks_is_neither_missing_nor_lost(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """At 600 bytes full frames of universe 8 are cut and short ones of 7 are whole; 7 stops for 4 s."""
    short = compose.e131_data(CID, "Desk A", 7, 0, bytes(8))
    packets = []
    for k in range(800):
        t = k * 25_000_000
        if not 400 <= k < 560:
            packet = bytearray(short)
            packet[111], packet[130] = k & 0xFF, k & 0xFF
            packets.append((T + t, ethernet(ipv4(udp(bytes(packet))))))
        packets.append((T + t + 1_000_000, frame(8, k, k)))
    path, house = tmp_path / "show.pcap", tmp_path / "house.toml"
    path.write_bytes(frames.pcap(packets, snap=600))
    house.write_text(
        '[listen]\ninterfaces = ["eth1"]\n[[universes]]\nprotocol = "e131"\nnumber = 7\n'
        '[[universes]]\nprotocol = "e131"\nnumber = 8\n'
    )
    status, found = replay(capsys, str(path), "-c", str(house))
    assert found["incidents"] == [] and status == 0
    assert {one["universe"]: one["state"] for one in found["universes"]}["e131/8"] == "not-judged"
    assert found["unread"]["cut"] == 800
    assert cli.main(["replay", str(path), "-c", str(house)]) == 0
    printed = capsys.readouterr().out
    assert "Nothing was found wrong in what could be read." in printed
    assert "800 packets could not be read, so what is missing here proves nothing." in printed


def test_a_clock_set_forward_by_an_hour_is_no_loss(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    hour = 3600 * 1_000_000_000
    packets = [(t + (hour if k >= 300 else 0), packet) for k, (t, packet) in enumerate(stream(15))]
    status, found = replay(capsys, made(tmp_path, packets))
    assert (status, found["incidents"], found["clock_steps"]) == (0, [], 1)
    assert cli.main(["replay", made(tmp_path, packets)]) == 0
    printed = capsys.readouterr().out
    assert "clock was set while it recorded: forward by 1 h 0 min 0 s at 2026-01-01T00:00:07" in printed
    stirred = stream(15)
    stirred[200], stirred[201] = (stirred[201][0], stirred[200][1]), (stirred[200][0], stirred[201][1])
    assert replay(capsys, made(tmp_path, stirred))[1]["capture"]["out_of_order"] == 1
    back = [(t - (hour if k >= 300 else 0), packet) for k, (t, packet) in enumerate(stream(15))]
    status, found = replay(capsys, made(tmp_path, back))
    assert (status, found["incidents"], found["clock_steps"]) == (0, [], 1)


def test_a_clean_stop_without_data_is_a_clean_stop(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """ANSI E1.31-2018 6.2.6: property values of a terminated packet are ignored, so none are needed."""
    last = bytearray(compose.e131_data(CID, "Desk A", 7, 0, b"")[:125])
    last[112] = 0x40
    for offset, value in ((16, 0x706D), (38, 0x7057), (115, 0x700A), (123, 0)):
        last[offset : offset + 2] = value.to_bytes(2, "big")
    ends = []
    for k in range(3):
        last[111] = (240 + k) & 0xFF
        ends.append((6_000_000_000 + k * 25_000_000, ethernet(ipv4(udp(bytes(last))))))
    _, found = replay(capsys, made(tmp_path, [*stream(6), *ends, (7_000_000_000, frame(9, 0))]))
    (lost,) = (one for one in found["incidents"] if one["rule"] == "universe-lost")
    assert lost["cause"] == "stream-terminated"
    assert found["rejected"] == {} and "no-start-code" in found["sources"][0]["odd"]


@pytest.mark.slow
def test_a_long_silence_costs_by_its_deadlines_and_not_by_its_seconds(tmp_path: Path) -> None:
    """Twenty silences of a day each: ticks measure the work."""
    day = 86_400 * 1_000_000_000
    capture = open_capture(made(tmp_path, [(k * day, frame(7, k)) for k in range(20)]))
    judged = Replay(capture, replace(House(), networks=capture.networks), Phase.SHOW).run()
    assert judged.ticks < 20 * 250
    assert judged.snapshot.universes["frames"][0] == 20
