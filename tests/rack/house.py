"""What happens inside the machine: its show network, its desk, and what the daemon says."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from tests.rack.machine import CommandError, Machine, until

LONG_S = 900.0
"""How long a trial waits for what comes about by itself. Nothing is measured by it: the emulator is slow."""
CABLE = """set -e
ip netns list | grep -q stage || ip netns add stage
ip link add show0 type veth peer name desk0
ip link set desk0 netns stage
ip address add 10.20.0.6/24 dev show0
ip link set show0 up
ip -n stage address add 10.20.0.10/24 dev desk0
ip -n stage link set lo up
ip -n stage link set desk0 up
ip -n stage route add 239.0.0.0/8 dev desk0
"""
"""The listener's card `show0`, and the desk's `desk0` in the namespace `stage`, joined by a cable."""
HEARD = ("steady", "at-rest", "faulty")
"""`faulty`: an emulated desk may stutter; that data arrives is what counts."""


class RackHouse:
    """A machine with a house: the package's daemon, a cable, a desk."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine

    def lay_cable(self) -> None:
        self.machine.must(CABLE)

    def start_desk(self, interface: str = "desk0", rate_hz: int = 20) -> None:
        desk = f"/rack/desk /rack/packets {interface} {rate_hz}"
        self.machine.must(f"systemd-run --quiet --collect --unit=desk ip netns exec stage {desk}")

    def stop_desk(self) -> None:
        self.machine.run("systemctl stop desk")

    def in_stage(self, command: str) -> str:
        """Run a command at the desk's end of the cable."""
        return self.machine.must(f"ip netns exec stage {command}")

    def mark(self, text: str) -> bool:
        """Make a mark; whether it is answered as stored on the disk."""
        answer = self.machine.ask("/api/v1/marks", "POST", {"text": text})
        return answer.status == 201 and bool(answer.json()["stored"])

    def marks(self) -> list[str]:
        return [one["text"] for one in self.get("/api/v1/marks?since=2001-01-01") or []]

    def take_house_file(self, text: str) -> None:
        """Write the house file and have it read again."""
        self.machine.write("/etc/slotwatch/house.toml", text)
        self.machine.must("systemctl reload slotwatch")

    def goes_on(self, more: int = 80) -> bool:
        """Whether so many further frames are heard."""
        before = self.frames()
        return bool(until(lambda: self.frames() > before + more, LONG_S))

    def restarts(self) -> int:
        """How often systemd had to restart the service since the machine was booted."""
        return int(self.unit("NRestarts")["NRestarts"])

    def get(self, path: str) -> Any:
        """The answer to a GET, or None while nothing answers."""
        answer = self.machine.ask(path)
        return json.loads(answer.output) if answer.status == 200 else None

    def states(self) -> dict[str, str]:
        """State of each universe; empty while nothing answers."""
        return {one["universe"]: one["state"] for one in self.get("/api/v1/universes") or []}

    def frames(self) -> int:
        """Frames of all universes since judging started."""
        return sum(one["frames"] for one in self.get("/api/v1/universes") or [])

    def hears_all(self) -> bool:
        """Whether every declared universe is heard now, and more arrives."""
        states = self.states()
        return len(states) >= 4 and all(state in HEARD for state in states.values())

    def wait_heard(self, within_s: float = LONG_S) -> bool:
        return bool(until(self.hears_all, within_s))

    def incidents(self, state: str = "open") -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.get(f"/api/v1/incidents?state={state}&limit=200") or []
        return found

    def seen(self) -> set[int]:
        """Numbers of all incidents up to now."""
        return {one["id"] for one in self.incidents("all")}

    def rules_since(self, seen: set[int]) -> set[str]:
        """Rules of the incidents that are not among those seen before."""
        return {one["rule"] for one in self.incidents("all") if one["id"] not in seen}

    def rules(self, state: str = "open") -> set[str]:
        return {one["rule"] for one in self.incidents(state)}

    def wait_rule(self, rule: str, within_s: float = LONG_S) -> dict[str, Any]:
        """The open incident of this rule; empty if none opens."""

        def found() -> dict[str, Any]:
            return next((one for one in self.incidents() if one["rule"] == rule), {})

        answer: dict[str, Any] = until(found, within_s)
        return answer

    def wait_closed(self, rules: Iterable[str], within_s: float = LONG_S) -> bool:
        wanted = set(rules)
        return bool(until(lambda: self.states() and not self.rules() & wanted, within_s))

    def ready(self) -> bool:
        return self.machine.ask("/readyz").status == 200

    def wait_ready(self, within_s: float = LONG_S) -> bool:
        return bool(until(self.ready, within_s))

    def unit(self, *names: str) -> dict[str, str]:
        """Properties of the service, as systemd gives them."""
        output = self.machine.must(f"systemctl show slotwatch.service -p {','.join(names)}")
        return dict(line.split("=", 1) for line in output.splitlines() if "=" in line)

    def pid(self, role: str = "") -> int:
        """Process number of a role, 0 if there is none; of the parent without a role."""
        if not role:
            return int(self.unit("MainPID")["MainPID"] or 0)
        found = self.machine.run(f"pgrep -f 'slotwatch[.]process {role} '").output.split()
        return int(found[0]) if found else 0

    def journal(self, lines: int = 200) -> str:
        return self.machine.must(f"journalctl -b -u slotwatch --no-pager -o cat -n {lines}")

    def report(self) -> dict[str, Any]:
        """The whole history, as the command prints it."""
        done = self.machine.run("slotwatch report --since 2001-01-01 --json", 300)
        if done.status not in (0, 1):
            raise CommandError(f"slotwatch report: {done.output[-1000:]}")
        found: dict[str, Any] = json.loads(done.output)
        return found

    def boot(self, clock: str = "") -> None:
        """Switch on; the cable and the desk come once the machine is up."""
        self.machine.boot(clock)
        self.lay_cable()
        self.start_desk()
