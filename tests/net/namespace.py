"""A network of its own for a test: a user and network namespace without any right, by unshare(1)."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.patience import PATIENCE_S, PROGRAM_S

ROOT = Path(__file__).parent.parent.parent
SETUP = """
set -e
ip link set lo up
ip link add sw type veth peer name eth1
ip address add 10.20.0.9/24 dev eth1
ip link set eth1 up
ip link set sw up
"""
"""`eth1` is the listener's interface with the documents' example address, `sw` the other end of its cable."""

CABLE = """
import socket, struct, subprocess

def ip(*words):
    subprocess.run(["ip", *words], check=True)

def take_own(*names):
    # Both ends of a cable are this one computer: it is to take what comes from its own addresses.
    for name in names:
        open(f"/proc/sys/net/ipv4/conf/{name}/rp_filter", "w").write("0")
        open(f"/proc/sys/net/ipv4/conf/{name}/accept_local", "w").write("1")

def send_groups_by(sock, name):
    request = struct.pack("=4s4si", bytes(4), bytes(4), socket.if_nametoindex(name))
    sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, request)

# The far end needs a source address to send from.
ip("address", "add", "10.20.0.10/32", "dev", "sw")
take_own("all", "eth1", "sw", "default")
"""
"""For a program inside: both ends of the cable can talk to each other."""

DAEMON = (
    CABLE
    + """
import json, tempfile, threading, time
from pathlib import Path
from sacn.messages.data_packet import DataPacket
from tests.daemon import CID, HEARD, Ports, ended, house_text, start
from tests.patience import until

ports, place = Ports(), Path(tempfile.mkdtemp())
file = place / "house.toml"
file.write_text(house_text(ports, range(1, 3)).replace('["lo"]', '["eth1"]'))
over = threading.Event()

def packet(universe, frame):
    return bytes(DataPacket(CID, "test desk", universe, (frame % 256,) * 512, sequence=frame % 256).getBytes())

def play(interface, more=lambda frame: None):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        send_groups_by(sock, interface)
        frame = 0
        while not over.wait(0.025):
            frame += 1
            for number in (1, 2):
                try:
                    sock.sendto(packet(number, frame), (f"239.255.0.{number}", ports.e131))
                except OSError:
                    pass  # the cable is out
            more(frame)

def desk(*given):
    threading.Thread(target=play, args=given, daemon=True).start()

def rules(daemon, state="open"):
    return sorted(i["rule"] for i in daemon.get(f"/api/v1/incidents?state={state}") or [])
"""
)
"""A house on `eth1`, and a desk that plays two universes until `over`."""


def _tried(command: list[str]) -> bool:
    try:
        return subprocess.run(command, capture_output=True, timeout=PATIENCE_S).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False


def require_namespaces() -> None:
    """Skip with the reason where namespaces cannot be made; on CI that is a failure."""
    if shutil.which("unshare") and shutil.which("ip") and _tried(["unshare", "-Urn", "true"]):
        return
    reason = "network namespaces cannot be made here (unshare -Urn, ip)"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def inside(program: str) -> dict[str, Any]:
    """Run a Python program inside; it prints one line of JSON last, which is returned."""
    require_namespaces()
    words = ["unshare", "-Urn", "sh", "-c", f"{SETUP}\nexec '{sys.executable}' -"]
    answer: dict[str, Any] = json.loads(said_last(words, program))
    return answer


def said_last(words: Sequence[str], program: str, more: Mapping[str, str] | None = None) -> str:
    """The last line that a Python program prints. A failure shows all of them, also where it did not end.

    more: of its environment.
    """
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **(more or {})}
    try:
        done = subprocess.run(
            words, input=program, capture_output=True, text=True, timeout=PROGRAM_S, cwd=ROOT, env=environment
        )
    except subprocess.TimeoutExpired as late:
        said = b"".join(filter(None, (late.stdout, late.stderr))).decode(errors="replace")
        pytest.fail(f"the program did not end within {PROGRAM_S:g} s; it printed:\n{said}")
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout.splitlines()[-1]
