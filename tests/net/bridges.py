"""Linux bridges as switches, each in a network namespace of its own, with net-snmp's snmpd and lldpd as its agents.

net-snmp has no BRIDGE-MIB of its own: a small script answers for it with the bridge's real forwarding table.
"""

from __future__ import annotations

import os
import shutil
import sys

import pytest

from tests.net.namespace import said_last

TOOLS = ("snmpd", "lldpd", "bridge", "nsenter", "unshare")

FORWARDING_TABLE = """
import bisect, json, subprocess, sys, time
BASE = (1, 3, 6, 1, 2, 1, 17, 4, 3, 1, 2)  # dot1dTpFdbPort (RFC 4188); a port's number is its ifIndex here
read_s, rows = 0.0, []

def table():
    global read_s, rows
    if time.monotonic() - read_s > 0.5:
        links = {one["ifname"]: one["ifindex"] for one in json.loads(subprocess.check_output(["ip", "-j", "link"]))}
        entries = json.loads(subprocess.check_output(["bridge", "-j", "fdb", "show", "br", "br0"]))
        rows = sorted((BASE + tuple(bytes.fromhex(one["mac"].replace(":", ""))), links[one["ifname"]])
                      for one in entries if "permanent" != one.get("state") and one["ifname"] != "br0")
        read_s = time.monotonic()
    return rows

while line := sys.stdin.readline().strip():
    if line == "PING":
        print("PONG", flush=True)
        continue
    wanted = tuple(int(part) for part in sys.stdin.readline().strip().strip(".").split("."))
    found = table()
    keys = [key for key, _ in found]
    at = bisect.bisect_right(keys, wanted) if line == "getnext" else bisect.bisect_left(keys, wanted)
    if at >= len(keys) or (line == "get" and keys[at] != wanted):
        print("NONE", flush=True)
    else:
        print("." + ".".join(map(str, keys[at])), "integer", found[at][1], sep="\\n", flush=True)
"""

PROGRAM = """
import os, signal, stat, subprocess, sys, tempfile, time
from pathlib import Path
from tests.net.bridges import FORWARDING_TABLE
from tests.patience import PATIENCE_S, TRIALS, until

WORK = Path(tempfile.mkdtemp(dir="/tmp"))  # its name is short and has no space: snmpd's words and sockets take no other
WORK.chmod(0o755)  # lldpd drops its rights before it looks for the agent
(WORK / "forwarding.py").write_text(FORWARDING_TABLE)

class Bridge:
    # A bridge `br0` with its address, in a namespace of its own.
    def __init__(self, name, address):
        self.name, self.address, self.started = name, address, []
        self.home = subprocess.Popen(["unshare", "-n", "sleep", "infinity"])
        until(lambda: os.readlink(f"/proc/{self.home.pid}/ns/net") != os.readlink("/proc/self/ns/net"))
        self.ip("link", "add", "br0", "type", "bridge", "mcast_snooping", "0")
        self.ip("address", "add", f"{address}/24", "dev", "br0")
        for name in ("br0", "lo"):
            self.ip("link", "set", name, "up")

    def words(self, *words):
        return ["nsenter", "-t", str(self.home.pid), "-n", *words]

    def run(self, *words, **more):
        return subprocess.run(self.words(*words), check=True, **more)

    def ip(self, *words):
        self.run("ip", *words)

    def plug(self, port, other):
        # One end of a cable becomes a port; the other end stays where it is.
        subprocess.run(["ip", "link", "add", other, "type", "veth", "peer", "name", f"{other}x"], check=True)
        subprocess.run(["ip", "link", "set", f"{other}x", "netns", str(self.home.pid)], check=True)
        self.take(f"{other}x", port)

    def take(self, interface, port):
        self.ip("link", "set", interface, "name", port, "alias", f"socket {port}")
        self.ip("link", "set", port, "master", "br0")
        self.ip("link", "set", port, "up")

    def agent(self, *lines):
        # Debian's snmpd. `lines`: of its configuration.
        place = WORK / self.name
        place.mkdir(exist_ok=True)
        (place / "snmpd.conf").write_text("\\n".join([
            f"sysName {self.name}", "master agentx", f"agentXSocket {place}/agentx", "agentXPerms 0777 0777",
            f"pass_persist .1.3.6.1.2.1.17.4.3.1.2 {sys.executable} {WORK}/forwarding.py", *lines, ""]))
        command = self.words("snmpd", "-f", "-Lo", "-C", "-c", str(place / "snmpd.conf"), "-I", "-smux")
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        environment = {**os.environ, "SNMP_PERSISTENT_DIR": str(place), "MIBS": ""}
        self.snmpd = subprocess.Popen([*command, f"udp:{self.address}:161"], env=environment, **quiet)
        self.started.append(self.snmpd)

    def neighbours(self):
        # Debian's lldpd, announcing every second.
        place = WORK / self.name
        conf = f"configure system hostname {self.name}\\nconfigure lldp tx-interval 1\\n"
        (place / "lldpd.conf").write_text(conf)
        until(lambda: (place / "agentx").exists())
        paths = {"-X": "agentx", "-u": "lldpd", "-O": "lldpd.conf"}
        words = [word for option, name in paths.items() for word in (option, str(place / name))]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.started.append(subprocess.Popen(self.words("lldpd", "-d", "-x", *words), **quiet))

    def end(self):
        for one in (*self.started, self.home):
            one.send_signal(signal.SIGCONT)
            one.terminate()
        for one in (*self.started, self.home):
            try:
                one.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                one.kill()

def join(one, port, other, far):
    # A cable between two bridges.
    subprocess.run(["ip", "link", "add", "way", "type", "veth", "peer", "name", "back"], check=True)
    for name, bridge, taken in (("way", one, port), ("back", other, far)):
        subprocess.run(["ip", "link", "set", name, "netns", str(bridge.home.pid)], check=True)
        bridge.take(name, taken)
"""


def require_bridges() -> None:
    """Skip with the reason where the agents are missing; on CI that is a failure. lldpd can run as root only."""
    missing = [
        tool for tool in TOOLS if shutil.which(tool, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin") is None
    ]
    reason = f"missing: {', '.join(missing)}: sudo apt-get install snmpd lldpd" if missing else ""
    if not reason and os.geteuid() != 0:
        reason = "lldpd drops its rights, for which only root may run it here"
    if reason and os.environ.get("CI") and missing:
        pytest.fail(reason)
    if reason:
        pytest.skip(reason)


def among_bridges(program: str) -> str:
    """Run a program in a network namespace of its own; it prints one line last, which is returned."""
    require_bridges()
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    words = ["unshare", "-n", "sh", "-c", f"ip link set lo up; exec '{sys.executable}' -"]
    return said_last(words, PROGRAM + program, {"PATH": path})
