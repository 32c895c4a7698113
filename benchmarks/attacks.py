"""Two attacks at once on a daemon in a network namespace, beside a desk of 64 universes that stops in their middle.

    python -m benchmarks.attacks [KIND+KIND ...]

Frames with any address go onto a cable of the namespace. For each pair there is a line for each incident, and one row:
memory of all processes (Pss) before, most of it meanwhile and a minute after, packets not judged, seconds until the
desk's loss was reported, the rules that were raised, and the load. It takes two minutes a pair, so `make bench` leaves
it out. Needs unshare and ip.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import multiprocessing
import os
import random
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, cast

from benchmarks.load import Watcher, watching
from slotwatch.rehearse.capture import ethernet, hardware_address
from slotwatch.rehearse.packets import Sent
from slotwatch.wire.universe import Protocol
from tests.fuzz.attackers import DESK_ADDRESS, DESK_CID, HERE, KINDS
from tests.judge.stage import Packet, e131, group_of

UNIVERSES, HZ = 64, 40
SETTLES_S, LASTS_S, AFTER_S = 12.0, 10.0, 60.0
STOPS_S, RETURNS_S = 3.0, 9.0
"""Of the desk, from the beginning of the attacks."""
FAST_HZ = 10_000
RATES_HZ = {"small_packets": 30_000, "ends_in_the_desks_name": 200, "a_second_desk_in_its_name": 200}
"""Those of the kinds in the desk's name are chosen so that each call makes what they send."""
VISITORS = 8
DECLARED = f'\n[[sources]]\nname = "Desk A"\ncid = "{DESK_CID.hex()}"\naddress = "{DESK_ADDRESS}"\n'
NOBODY = "nobody"
"""What the desk alone does."""
KNOWN = {*KINDS, "arp_flood", "http_flood", NOBODY} - {"arp_packets", "igmp_reports", "line_noise"}
"""These three are no packets of a protocol of levels, but what the listener makes of others."""
PAIRS = (
    NOBODY,
    "invented_senders+small_packets",
    "invented_senders+arp_flood",
    "invented_universes+discovery_lists",
    "invented_universes+a_second_desk_in_its_name",
    "polls+ends_in_the_desks_name",
    "polls+http_flood",
    "arp_flood+a_second_desk_in_its_name",
    "small_packets+rubbish_of_some",
    "clones+a_second_desk_in_its_name",
    "clones+arp_flood",
    "http_flood+ends_in_the_desks_name",
    "http_flood+small_packets",
    "rubbish_of_one+invented_universes",
)
CABLE = f"""
set -e
ip link set lo up
ip link add sw type veth peer name eth1 address {hardware_address(HERE).hex(":")}
ip address add {HERE}/8 dev eth1
ip link set eth1 up
ip link set sw up
for one in all eth1 default; do echo 0 > /proc/sys/net/ipv4/conf/$one/rp_filter; done
"""


def _frame(packet: Packet, ports: dict[Protocol, int]) -> bytes:
    """Lay a packet out for the cable."""
    sent = Sent(0, 0, packet.src, 5568, packet.dst, ports[packet.protocol], packet.data, ttl=64)
    return cast(bytes, ethernet(sent))  # nothing is given only for what no wire carries


def _arp(chance: random.Random) -> bytes:
    """A request of a device that does not exist (RFC 826)."""
    hardware = b"\2" + chance.randbytes(5)
    body = struct.pack(">HHBBH", 1, 0x0800, 6, 4, 1) + hardware + b"\x0a" + chance.randbytes(3)
    return b"\xff" * 6 + hardware + b"\x08\x06" + body + bytes(6) + socket.inet_aton(HERE)


def _made(kind: str, ports: dict[Protocol, int]) -> list[tuple[float, bytes]]:
    """All that an attack sends, and when."""
    chance, hz = random.Random(kind), RATES_HZ.get(kind, FAST_HZ)
    times_s = [n / hz for n in range(round(LASTS_S * hz))]
    if kind == "arp_flood":
        return [(t_s, _arp(chance)) for t_s in times_s]
    made = ((t_s, one) for n, t_s in enumerate(times_s) for one in KINDS[kind](chance, n, t_s, hz))
    return [(t_s, _frame(one, ports)) for t_s, one in made if isinstance(one, Packet)]


def _desk(ports: dict[Protocol, int]) -> Iterator[tuple[float, bytes]]:
    """Levels move with each frame. Ends only with its process."""
    stops_s, returns_s = SETTLES_S + STOPS_S, SETTLES_S + RETURNS_S

    def frame(number: int, turn: int) -> bytes:
        data = e131(number, turn, bytes([turn]) * 512, cid=DESK_CID, name="Desk A")
        return _frame(Packet(0, data, DESK_ADDRESS, group_of(number)), ports)

    turns = [[frame(number, turn) for number in range(1, UNIVERSES + 1)] for turn in range(256)]
    for turn in itertools.count():
        if not stops_s <= turn / HZ < returns_s:
            for place, one in enumerate(turns[turn % 256]):
                yield (turn + place / UNIVERSES) / HZ, one


def _send(frames: Iterable[tuple[float, bytes]], began_s: float) -> None:
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as sock:
        sock.bind(("sw", 0))
        for t_s, frame in frames:
            while (wait_s := began_s + t_s - time.monotonic()) > 0.001:
                time.sleep(wait_s)
            with contextlib.suppress(OSError):  # the cable's queue is full
                sock.send(frame)


def _visit(page: int, began_s: float) -> None:
    """Ask for as much as the page answers, on many connections."""
    time.sleep(max(0.0, began_s - time.monotonic()))
    held = []
    for _ in range(200):
        with contextlib.suppress(OSError):
            held.append(socket.create_connection(("127.0.0.1", page), 5))

    def ask() -> None:
        while time.monotonic() < began_s + LASTS_S:
            with (
                contextlib.suppress(OSError),
                urllib.request.urlopen(f"http://127.0.0.1:{page}/api/v1/streams", timeout=10) as answer,
            ):
                answer.read()

    threads = [threading.Thread(target=ask) for _ in range(VISITORS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _incidents(watcher: Watcher) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(watcher.get("/api/v1/incidents?state=all"))
    return found


def _row(pair: str, directory: Path) -> str:
    with watching(directory, UNIVERSES, DECLARED, "eth1") as watcher:
        ports = {Protocol.E131: watcher.port, Protocol.ARTNET: watcher.artnet}
        works: list[Callable[[float], None]] = []
        for kind in pair.split("+"):
            if kind == "http_flood":
                works.append(partial(_visit, watcher.page))
            elif kind != NOBODY:
                works.append(partial(_send, _made(kind, ports)))
        begins_s = time.monotonic() + SETTLES_S
        desk = multiprocessing.Process(target=_send, args=(_desk(ports), begins_s - SETTLES_S))
        attackers = [multiprocessing.Process(target=work, args=(begins_s,)) for work in works]
        for one in (desk, *attackers):
            one.start()
        time.sleep(max(0.0, begins_s - 0.5 - time.monotonic()))
        before_mib, missed = watcher.memory_mib(), watcher.not_judged()
        began = time.time() + begins_s - time.monotonic()
        most_mib = 0.0
        while time.monotonic() < begins_s + LASTS_S:
            most_mib = max(most_mib, watcher.memory_mib())
            time.sleep(0.5)
        for one in attackers:
            one.join()
        time.sleep(max(0.0, begins_s + LASTS_S + AFTER_S - time.monotonic()))
        after_mib, missed = watcher.memory_mib(), watcher.not_judged() - missed
        incidents = _incidents(watcher)
        desk.terminate()
        desk.join()
    said_s = []
    for incident in incidents:
        opened_s = datetime.fromisoformat(incident["opened_at"]).timestamp() - began
        words = (incident[name] for name in ("state", "rule", "cause", "summary"))
        print(f"    {opened_s:6.1f} s", *words, flush=True)
        if incident["rule"] == "universe-lost" and incident["cause"] != "stream-terminated" and opened_s > STOPS_S:
            said_s.append(opened_s - STOPS_S)
    said = f"{min(said_s):.1f} s" if said_s else "not"
    rules = ", ".join(sorted({f"`{one['rule']}`" for one in incidents}))
    return (
        f"| {pair} | {before_mib:.0f} | {most_mib:.0f} | {after_mib:.0f} | {missed:,} | {said} | {rules} | "
        f"{os.getloadavg()[0]:.1f} |"
    )


def inside(pairs: list[str]) -> None:
    """Run in the namespace."""
    subprocess.run(["sh", "-c", CABLE], check=True)
    print("| pair | MiB before | most | a minute after | not judged | loss reported after | rules | load |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |", flush=True)
    for pair in pairs:
        with tempfile.TemporaryDirectory(prefix="slotwatch-attacks-") as place:
            print(_row(pair, Path(place)), flush=True)


def main(pairs: list[str]) -> None:
    unknown = [kind for pair in pairs for kind in pair.split("+") if kind not in KNOWN]
    if unknown:
        raise SystemExit(f"there is no attack {', '.join(unknown)}; there are {', '.join(sorted(KNOWN))}")
    program = "import sys; from benchmarks import attacks; attacks.inside(sys.argv[1:])"
    subprocess.run(["unshare", "-Urn", sys.executable, "-c", program, *(pairs or PAIRS)], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
