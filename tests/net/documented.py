"""Types every command of the documents, in a network of its own where `eth1` is the show network.

Run inside `namespace.inside`. Nothing is changed in a command but places that belong to this computer, how long it
listens, and the number of an incident.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import re
import shlex
import shutil
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from sacn.messages.data_packet import DataPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from tests.daemon import CID
from tests.documents import ROOT, commands
from tests.net.namespace import CABLE
from tests.patience import PATIENCE_S, until

URL = "http://127.0.0.1:8580"
UNIVERSES = (1, 3, 7, 12)
STRANGE = 9
"""A universe that the desk sends and the house does not declare."""
LONG = (
    ("--listen 35", "--listen 2"),
    ("eth1 --write house.toml", "eth1 --write house.toml --seconds 2"),
    ("eth2 --write house.toml", "eth2 --write house.toml --seconds 2"),
    ("-w show.pcapng", "-w show.pcapng -a duration:1"),
)
"""How long a command listens."""
ENDLESS = ("slotwatch rehearse", "slotwatch rehearse source-died", "curl -sN $S/api/v1/events")
"""Commands that continue until they are interrupted, or for a minute: they are interrupted after their first line."""
NOT_HERE = {
    "make demo": "tests/edge/tools/test_demo.py starts the demo",
    "make run HOUSE=/path/house.toml": "`make` around `slotwatch serve -c`",
    "make deb RELEASE=12 ARCH=amd64": "tests/test_deb.py builds the package",
    "make rack": "needs an emulator and half an hour",
    "make rack-smoke": "the last step of CI",
    "make rack CUTS=20": "needs an emulator and an hour",
    "make rack-smoke ARCH=arm64": "needs an emulator and an hour",
    ".venv/bin/python -m tests.rack --only clock,disk": "needs an emulator",
    ".venv/bin/python -m tests.rack --smoke --keep": "needs an emulator",
    "sudo apt-get install python3-venv": "changes this computer",
    "sudo python3 -m venv /opt/slotwatch": "changes this computer; tests/test_wheel.py installs into an environment",
    "sudo /opt/slotwatch/bin/pip install .": "changes this computer; tests/test_wheel.py installs into an environment",
    "sudo ln -s /opt/slotwatch/bin/slotwatch /usr/local/bin/": "changes this computer",
    "sudo apt-get install ./dist/slotwatch_0.1.0-1~deb12_amd64.deb": "tests/rack installs the package",
    "systemctl stop slotwatch": "needs an init; tests/rack stops the service",
    "systemctl start slotwatch": "needs an init; tests/rack starts the service",
}
"""Commands that are not typed, and why."""

HOUSE = """
[house]
name = "Mill Lane Studio"
phase = "show"

[listen]
interfaces = ["eth1"]
protocols = ["e131", "artnet"]
ask_fixtures = true

[http]
listen = "127.0.0.1:8580"

[history]
path = "history.db"

[[sources]]
name = "main desk"
address = "10.20.0.10"

[[profiles]]
name = "lamp"
slots = ["intensity"]
load_w = 575

[patch]
file = "patch.csv"

[circuits]
file = "circuits.csv"

[[racks]]
name = "Rack 1"
universe = "e131/1"
address = 1
ways = 12
volts = 230
supplies = 3
order = "in-turn"

[[receivers]]
name = "Rack 1 processor"
address = "10.20.1.1"
universes = ["e131/1"]

[[listeners]]
name = "stage end"
url = "http://127.0.0.1:8581"
own_name = "control room"

[[notify]]
name = "duty phone"
url_file = "duty.url"
""" + "".join(f'\n[[universes]]\nprotocol = "e131"\nnumber = {n}\nsources = ["main desk"]\n' for n in UNIVERSES)

FILES = {
    "patch.csv": "fixture,universe,address,profile,label,position,circuit\n12,e131/1,1,lamp,Front,Bar 1,12\n",
    "circuits.csv": "circuit,rack,way\n12,Rack 1,1\n",
    "foh.snmp": "community\n",
}


class Phone(BaseHTTPRequestHandler):
    """Takes every message."""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Nothing is logged."""


class Terminal:
    """One directory, and what was typed in it: each command with its status and what it printed."""

    def __init__(self, place: Path) -> None:
        place.mkdir()
        self.place = place
        self.incident = "7"
        self.typed: dict[str, tuple[int, str]] = {}
        self.left = [one for one in commands() if one not in NOT_HERE]
        self.environment = {
            **os.environ,
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}:/usr/sbin:/sbin",
            "HOME": str(place),
            "XDG_STATE_HOME": str(place / "state"),
            "CURL_HOME": str(place),
            "PYTHONUNBUFFERED": "1",
            "S": URL,
        }
        (place / ".curlrc").write_text(f"show-error\nfail-with-body\nmax-time = {PATIENCE_S:g}\n")
        for name, text in FILES.items():
            (place / name).write_text(text)

    def words(self, command: str) -> str:
        for before, after in LONG:
            command = command.replace(before, after)
        command = command.replace("/incidents/7", f"/incidents/{self.incident}")
        command = command.replace("config/campus", f"{shlex.quote(str(ROOT))}/config/campus")
        return re.sub(r"(?<= )/etc/", f"{shlex.quote(str(self.place))}/etc/", command)

    def start(self, command: str) -> subprocess.Popen[str]:
        words = self.words(command)
        is_one_program = "&&" not in command and not command.startswith("S=")
        return subprocess.Popen(
            # As in a terminal, also where these tests run in the background of a script, which ignores Ctrl-C.
            ["env", "--default-signal=INT", "bash", "-c", f"exec {words}" if is_one_program else words],
            cwd=self.place,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def run(self, command: str) -> int:
        """Type one command, wait for its end or end it, and keep what came."""
        with self.start(command) as process:
            printed = ""
            if command in ENDLESS:
                assert process.stdout is not None
                printed = process.stdout.readline()
                process.send_signal(signal.SIGINT)
            printed += process.communicate(timeout=PATIENCE_S)[0]
        self.typed[command] = process.returncode, printed[-600:]
        return process.returncode

    def run_all(self, *beginnings: str) -> None:
        """Type every command that begins so and was not typed yet."""
        for command in self.left:
            if command.startswith(beginnings) and command not in self.typed:
                self.run(command)

    @contextlib.contextmanager
    def serving(self, command: str) -> Iterator[None]:
        """`slotwatch serve` in a second terminal, from its page being up until Ctrl-C."""
        process = self.start(command)
        printed: list[str] = []
        assert process.stdout is not None
        reader = threading.Thread(target=lambda: printed.extend(process.stdout or ()), daemon=True)
        reader.start()
        try:
            until(lambda: "its page is" in "".join(printed) or process.poll() is not None)
            assert process.poll() is None, "".join(printed)
            yield
        finally:
            process.send_signal(signal.SIGINT)
            status = process.wait(PATIENCE_S)
            reader.join(PATIENCE_S)
            self.typed[command] = status, "".join(printed)[-600:]

    def asked(self, path: str, *more: str) -> bytes:
        """The answer to a request, or nothing if it is refused."""
        words = ["curl", "-s", *more, URL + path]
        done = subprocess.run(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=self.environment)
        return done.stdout if done.returncode == 0 else b""


def play(over: threading.Event) -> None:
    """A desk on the far end of the cable; it announces what it sends."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        request = struct.pack("=4s4si", bytes(4), bytes(4), socket.if_nametoindex("sw"))
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, request)
        sock.bind(("10.20.0.10", 0))
        frame = 0
        while not over.wait(0.025):
            for number in (*UNIVERSES, STRANGE):
                levels = (frame % 256, 128) * 256  # some move, some do not
                packet = DataPacket(CID, "main desk", number, levels, sequence=frame % 256)
                sock.sendto(bytes(packet.getBytes()), (f"239.255.0.{number}", 5568))
            if frame % 40 == 0:
                listed = UniverseDiscoveryPacket(CID, "main desk", (*UNIVERSES, STRANGE))
                sock.sendto(bytes(listed.getBytes()), ("239.255.250.214", 5568))
            frame += 1


def main(place: Path) -> None:
    exec(CABLE, made := {})  # the cable's ends are joined by the same words as in the other tests
    made["ip"]("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
    made["ip"]("address", "add", "10.21.0.9/24", "dev", "eth2")
    for name in ("eth2", "sw2"):
        made["ip"]("link", "set", name, "up")
    over = threading.Event()
    threading.Thread(target=play, args=(over,), daemon=True).start()
    terminals = Terminal(place / "show"), Terminal(place / "recordings")
    try:
        with ThreadPoolExecutor() as pool:
            for work in (pool.submit(a_show, terminals[0]), pool.submit(recordings, terminals[1])):
                work.result()
    finally:
        over.set()
    typed = terminals[0].typed | terminals[1].typed
    print(json.dumps({"typed": typed, "left": [one for one in terminals[0].left if one not in typed]}))


def a_show(terminal: Terminal) -> None:
    """All that needs the show network or a daemon that listens to it."""
    without_a_house_file(terminal)
    with_a_house_file(terminal)


def without_a_house_file(terminal: Terminal) -> None:
    """From nothing to a first house file, as README.md and first-house.md go."""
    with terminal.serving("slotwatch serve --interface eth1"):
        terminal.run_all("slotwatch host", "slotwatch ready")
    house = terminal.place / "house.toml"
    terminal.run("slotwatch survey --interface eth1 --interface eth2 --write house.toml")
    house.unlink()
    terminal.run("slotwatch survey --interface eth1 --write house.toml")
    terminal.run("slotwatch check -c house.toml")
    with terminal.serving("slotwatch serve -c house.toml"):
        terminal.run("slotwatch ready")


def with_a_house_file(terminal: Terminal) -> None:
    """All that asks a running daemon."""
    place = terminal.place
    (place / "house.toml").write_text(HOUSE)
    (place / "etc" / "slotwatch").mkdir(parents=True)
    phone = ThreadingHTTPServer(("127.0.0.1", 0), Phone)
    threading.Thread(target=phone.serve_forever, daemon=True).start()
    (place / "duty.url").write_text(f"json://127.0.0.1:{phone.server_port}/\n")
    with terminal.serving("slotwatch serve -c house.toml"):
        for name in (*FILES, "house.toml"):
            shutil.copy(place / name, place / "etc" / "slotwatch" / name)
        terminal.run("S=http://127.0.0.1:8580")
        terminal.run_all("slotwatch reference", "slotwatch notify", "slotwatch patch")
        found = until(lambda: re.search(rb'"id": ?(\d+)', terminal.asked("/api/v1/incidents?state=all")))
        terminal.incident = found[1].decode()
        until(lambda: terminal.asked(f"/api/v1/incidents/{terminal.incident}/packets"))
        for command in terminal.left:
            if command.endswith("/ask-fixtures"):
                terminal.asked("/api/v1/house/phase", "-X", "PUT", "-d", '{"phase": "get-in", "confirm": true}')
            if command.startswith("curl") and command not in terminal.typed:
                terminal.run(command)
        terminal.run_all("slotwatch ready", "slotwatch report", "slotwatch backup", "dumpcap")
    terminal.run("slotwatch restore kept.zip")
    phone.shutdown()


def recordings(terminal: Terminal) -> None:
    """Rehearsals, recordings of them, and the files for many houses."""
    place = terminal.place
    (place / "etc" / "prometheus").mkdir(parents=True)
    terminal.run_all("cp ", "promtool ")
    terminal.run_all("slotwatch rehearse")
    packets = (place / "it.pcapng").read_bytes()
    (place / "show.pcapng").write_bytes(packets)
    (place / "show.pcapng.gz").write_bytes(gzip.compress(packets))
    subprocess.run(["editcap", "-F", "pcap", "it.pcapng", "show.pcap"], cwd=place, check=True)
    terminal.run_all("slotwatch replay")
