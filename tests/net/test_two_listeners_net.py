"""Two daemons, each in a network namespace of its own, either side of a way that loses frames, is cut, and is slow.

    desk -- br0 -- way -- br1 -- stage end        control room hangs on br0

The way passes each frame on 20 ms late, as a bridge on a slow link does. nftables drops frames at random, as a bad lead
does. The pages ask each other over a network of their own, so that a cut of the show's way leaves that alone.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from tests.daemon import STUTTERS
from tests.net.namespace import CABLE, inside

pytestmark = pytest.mark.net

HOUSE = (
    CABLE.partition("# The far end")[0]
    + """
import contextlib, json, os, signal, subprocess, sys, tempfile, threading, time, urllib.request
from pathlib import Path
from sacn.messages.data_packet import DataPacket
from tests.daemon import CID, Ports, house_text
from tests.net.test_two_listeners_net import after_s
from tests.patience import PATIENCE_S, TRIALS, until

PLACE = Path(tempfile.mkdtemp())
NAMES = ("control room", "stage end")
HOME = ("10.30.0.9", "10.30.0.6")
FRAMES_A_WRAP = 256

class Far:
    # A namespace of its own with a lead into the show's bridge and one into that of the pages.
    def __init__(self, number, bridge):
        self.number = number
        self.process = subprocess.Popen(["unshare", "-n", "sleep", "infinity"])
        pid = self.process.pid
        until(lambda: os.readlink(f"/proc/{pid}/ns/net") != os.readlink("/proc/self/ns/net"))
        for lead, into in (("show", bridge), ("page", "br9")):
            ip("link", "add", f"{lead}{number}", "type", "veth", "peer", "name", lead, "netns", str(pid))
            ip("link", "set", f"{lead}{number}", "master", into, "up")
        for words in (
            ("address", "add", f"10.20.0.{9 - 3 * number}/24", "dev", "show"), ("link", "set", "show", "up"),
            ("address", "add", f"{HOME[number]}/24", "dev", "page"), ("link", "set", "page", "up"),
            ("link", "set", "lo", "up"),
        ):
            subprocess.run(self.words("ip", *words), check=True)

    def words(self, *words):
        return ["nsenter", "-t", str(self.process.pid), "-n", *words]

class Watching:
    # `slotwatch serve` in such a namespace, with the other one as its listener.
    def __init__(self, far, ports):
        self.far, self.own, self.ports = far, far.number, ports
        other = 1 - self.own
        more = (f'\\n[[listeners]]\\nname = "{NAMES[other]}"\\nurl = "http://{HOME[other]}:{ports.page}"\\n'
                f'own_name = "{NAMES[self.own]}"\\n')
        text = house_text(ports, range(1, 3), more).replace('["lo"]', '["show"]')
        self.file = PLACE / str(self.own) / "house.toml"
        self.file.parent.mkdir()
        self.file.write_text(text.replace(f"127.0.0.1:{ports.page}", f"{HOME[self.own]}:{ports.page}"))
        (self.file.parent / "slotwatch.token").write_text("stage-and-control-room-0123456789")
        (self.file.parent / "slotwatch.token").chmod(0o600)
        self.start()

    def start(self):
        log = open(self.file.parent / "log", "a")
        command = [sys.executable, "-m", "slotwatch.cli", "serve", "-c", str(self.file)]
        self.process = subprocess.Popen(self.far.words(*command), stdout=log, stderr=log, cwd=self.file.parent)

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE_S)

    def get(self, path):
        try:
            with urllib.request.urlopen(f"http://{HOME[self.own]}:{self.ports.page}{path}", timeout=5) as answer:
                return json.load(answer)
        except OSError:
            return None

    def compares(self):
        return all(row["compared"] for row in self.get("/api/v1/listeners") or [{"compared": False}])

    def hears(self):
        rows = self.get("/api/v1/streams") or []
        return len(rows) == 2 and all(row["state"] == "live" and row["judged"] for row in rows)

    def open(self):
        return self.get("/api/v1/incidents?state=open") or []

    def every(self):
        return sorted(one["rule"] for one in self.get("/api/v1/incidents?state=all") or [])

    def one(self, rule):
        return next((one for one in self.open() if one["rule"] == rule), None)

def desk(ports, plays, over, sent):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        send_groups_by(sock, "br0")
        began_s, frame = time.monotonic(), 0
        while not over.wait(max(0.0, began_s + frame / 40 - time.monotonic())):
            frame += 1
            for universe in (1, 2) if plays.is_set() else ():
                made = DataPacket(CID, "test desk", universe, (frame % 256,) * 512, sequence=frame % 256)
                sock.sendto(bytes(made.getBytes()), (f"239.255.0.{universe}", ports.e131))
            sent[0] = frame

def pass_on(over, delay_s):
    # The way between the bridges: every frame, both ways, so much later.
    import collections, select
    ends = [socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3)) for _ in range(2)]
    for end, name in zip(ends, ("way0", "way1")):
        end.bind((name, 3))
    waiting = collections.deque()
    while not over.is_set():
        due_s = waiting[0][0] - time.monotonic() if waiting else 0.5
        for end in select.select(ends, [], [], max(0.0, min(due_s, 0.5)))[0]:
            octets, about = end.recvfrom(4096)
            if octets[12:14] == b"\\x08\\x00" and octets[23] == 17:
                # The kernel left the sum of UDP to a card that is not there; 0 is no sum (RFC 768).
                octets = octets[:40] + bytes(2) + octets[42:]
            if about[2] != 4:  # not what was sent here
                waiting.append((time.monotonic() + delay_s, ends[1 - ends.index(end)], octets))
        while waiting and waiting[0][0] <= time.monotonic():
            _, end, octets = waiting.popleft()
            with contextlib.suppress(OSError):
                end.send(octets)

def lose(share_percent):
    rules = (f"table bridge lossy {{\\n chain way {{\\n type filter hook forward priority 0;\\n"
             f" iifname \\"to0\\" ip daddr 239.255.0.0/16 numgen random mod 100 < {share_percent} drop\\n }}\\n}}\\n")
    subprocess.run(["nft", "-f", "-"], input=rules, text=True, check=True)

def lose_nothing():
    subprocess.run(["nft", "delete", "table", "bridge", "lossy"], check=True)

def way(state):
    ip("link", "set", "to1", state)

ip("link", "del", "sw")
for name in ("br0", "br1", "br9"):
    ip("link", "add", name, "type", "bridge", "mcast_snooping", "0")
    ip("link", "set", name, "up")
ip("address", "add", "10.20.0.10/24", "dev", "br0")
ip("address", "add", "10.30.0.1/24", "dev", "br9")
for bridge, end, far in (("br0", "to1", "way0"), ("br1", "to0", "way1")):
    ip("link", "add", end, "type", "veth", "peer", "name", far)
    ip("link", "set", end, "master", bridge, "up")
    ip("link", "set", far, "up")
over, plays, sent = threading.Event(), threading.Event(), [0]
plays.set()
ports = Ports()
fars = [Far(0, "br0"), Far(1, "br1")]
for work in ((desk, ports, plays, over, sent), (pass_on, over, 0.02)):
    threading.Thread(target=work[0], args=work[1:], daemon=True).start()
daemons = []
try:
    # They do not start together: the second one after the desk's numbers have wrapped.
    daemons.append(Watching(fars[0], ports))
    began_s = time.monotonic()
    until(daemons[0].hears)
    until(lambda: sent[0] > FRAMES_A_WRAP)
    daemons.append(Watching(fars[1], ports))
    for one in daemons:
        until(lambda: one.compares() and one.hears())
    starts_s = [time.monotonic() - began_s]
    answer = tell(*daemons)
    print(json.dumps({**answer, "starts_s": starts_s}))
except BaseException:
    for one in daemons:
        print((one.file.parent / "log").read_text(), one.get("/api/v1/incidents?state=all"), file=sys.stderr)
    raise
finally:
    over.set()
    for one in daemons:
        one.process.kill()
    for one in fars:
        one.process.kill()
"""
)


def beside_stutters(answer: dict[str, Any], name: str) -> list[list[str]]:
    """The rules of each side without what a busy computer brings about by itself."""
    own = {*STUTTERS, "querier-absent"}  # none is here, which is said where the test takes over 260 s
    if max(answer["starts_s"]) > 25.0:
        own.add("listener-silent")  # said of the one that takes over 30 s to start
    return [[rule for rule in rules if rule not in own] for rules in answer[name]]


def run_between(program: str) -> dict[str, Any]:
    """Run a program that defines `tell(first, second)`: what it gives."""
    before, begin, after = HOUSE.partition('for name in ("br0"')
    return inside(f"{before}{program}\n{begin}{after}")


def after_s(incident: dict[str, Any], from_s: float) -> float:
    """When an incident opened, by the wall clock, after a moment (s since 1970)."""
    return datetime.fromisoformat(incident["opened_at"].replace("Z", "+00:00")).timestamp() - from_s


def test_what_is_lost_on_the_way_between_is_reported_by_both_and_to_each_other() -> None:
    answer = run_between("""
def tell(first, second):
    def tried(rule, within_s, do, undo):
        # What opens too late by itself does so at every trial.
        for _ in range(TRIALS):
            began_s = time.time()
            do()
            opened = {}
            def both():
                # Each when it is open: a desk that stutters meanwhile may close the one before the other opens. What
                # is cut off may open with one universe, and widen.
                for one in (first, second):
                    if (seen := one.one(rule)) and (rule == "loss-between" or len(seen["universes"]) == 2):
                        opened.setdefault(one.own, seen)
                return len(opened) == 2
            until(both)
            found = [began_s, opened[0], opened[1]]
            undo()
            for one in (first, second):
                until(lambda: not one.one("loss-between") and not one.one("lost-between"))
            if all(after_s(one, began_s) <= within_s for one in found[1:]):
                break
        return found
    found = {"lossy": tried("loss-between", 15.0, lambda: lose(2), lose_nothing)}
    found["cut"] = tried("lost-between", 3.5, lambda: way("down"), lambda: way("up"))
    found["every"] = [first.every(), second.every()]
    return found
""")
    lossy_s, *lossy = answer["lossy"]
    for one in lossy:
        assert "stage end misses" in one["summary"]
        assert after_s(one, lossy_s) <= 15.0
    cut_s, *cut = answer["cut"]
    for one, other in zip(cut, ("10.30.0.6", "10.30.0.9"), strict=True):
        assert one["universes"] == ["e131/1", "e131/2"]
        assert "lost between control room and stage end" in one["summary"]
        assert "heard at control room, not at stage end" in one["summary"]
        (there,) = one["heard_elsewhere"]
        assert other in there["url"], "each leads to the other's page"
        # From the last frame, by each side's own clock: E1.31's 2.5 s, and a question a second or more often.
        assert 0 < after_s(one, cut_s) <= 3.5
    assert {one for rules in beside_stutters(answer, "every") for one in rules} == {"loss-between", "lost-between"}


def test_a_slow_way_wrapping_numbers_and_restarts_of_either_side_say_nothing_and_a_dead_desk_is_one_incident() -> None:
    answer = run_between("""
def tell(first, second):
    wraps = sent[0] // FRAMES_A_WRAP
    until(lambda: sent[0] // FRAMES_A_WRAP >= wraps + 2)
    quiet = [first.every(), second.every()]
    for one, other in ((second, first), (first, second)):
        began_s = time.monotonic()
        one.stop()
        one.start()
        until(lambda: one.compares() and one.hears() and other.compares())
        starts_s.append(time.monotonic() - began_s)
        wraps = sent[0] // FRAMES_A_WRAP
        until(lambda: sent[0] // FRAMES_A_WRAP > wraps)
    restarted = [first.every(), second.every()]
    plays.clear()
    for one in (first, second):
        until(lambda: one.one("universe-lost"))
    # Both have asked each other since, and nothing else comes of it.
    for one in (first, second):
        until(lambda: one.one("universe-lost")["heard_elsewhere"])
    return {"quiet": quiet, "restarted": restarted, "dead": [first.open(), second.open()],
            "every": [first.every(), second.every()]}
""")
    assert beside_stutters(answer, "quiet") == [[], []]
    assert beside_stutters(answer, "restarted") == [[], []]
    for found in answer["dead"]:
        (incident,) = [one for one in found if one["rule"] == "universe-lost"]
        assert (incident["rule"], incident["universes"]) == ("universe-lost", ["e131/1", "e131/2"])
        assert incident["heard_elsewhere"][0]["state"] == "lost"
    assert beside_stutters(answer, "every") == [["universe-lost"], ["universe-lost"]]
