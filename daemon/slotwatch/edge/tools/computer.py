"""Checks what this computer needs to receive show data, with a command to fix each fault.

Every check reads; nothing is changed, joined or sent. `root` may be another directory than / in tests.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from slotwatch.edge.intake.joins import MOST_IPV4_JOINS
from slotwatch.edge.intake.opening import KERNEL_BYTES_PER_PACKET, WANTED_BUFFER_BYTES
from slotwatch.edge.shared.interfaces import Interface, InterfaceTable, read_interfaces
from slotwatch.edge.shared.ports import OWN, holders
from slotwatch.house.schema import House

ENOUGH_BUFFER_BYTES = 8 * 1024 * 1024
"""A burst of 500 universes (640 kB of the kernel's accounting) ten times over, or 37 ms of a full gigabit."""
CAP_NET_RAW = 13
STA_UNSYNC = 0x40
ADJTIMEX_BYTES = 208


@dataclass(frozen=True, slots=True)
class HostCheck:
    """One thing that was looked at."""

    what: str
    ok: bool
    text: str
    fix: str = ""
    """A command, or what to change; empty where all is well."""


def judge_computer(house: House, root: Path = Path("/")) -> list[HostCheck]:
    """Every finding, in the order in which a person would look."""
    table = read_interfaces()
    wanted = [network.interface for network in house.networks]
    proc = root / "proc"
    return [
        *interface_checks(table, wanted),
        *port_checks(house),
        buffer_check(proc),
        membership_check(proc),
        *reverse_path_checks(proc, table, wanted),
        *drop_checks(proc),
        clock_check(),
        igmp_check(proc),
        *serial_checks(house, root),
    ]


def interface_checks(table: InterfaceTable, wanted: list[str]) -> Iterator[HostCheck]:
    """Interfaces of the house, or all of this computer: whether each exists, is up and has an address."""
    if not wanted:
        for interface in table.by_index.values():
            if not interface.loopback:
                yield HostCheck(f"interface {interface.name}", True, _described(interface))
        if all(interface.loopback for interface in table.by_index.values()):
            yield HostCheck("interfaces", False, "there is none but loopback", "plug in a network: ip -brief link")
        return
    for text in wanted:
        found = table.find(text)
        if found is None:
            there = ", ".join(sorted(i.name for i in table.by_index.values()))
            fix = f"correct `[listen] interfaces`; there are: {there}"
            yield HostCheck(f"interface {text}", False, "does not exist", fix)
        elif not found.up:
            fix = f"sudo ip link set {found.name} up; then look at its lead and its lamp"
            yield HostCheck(f"interface {found.name}", False, _described(found), fix)
        elif not any("." in address for address in found.addresses):
            fix = f"sudo ip address add 10.0.0.9/8 dev {found.name} (an address of your show network)"
            yield HostCheck(f"interface {found.name}", False, _described(found), fix)
        else:
            yield HostCheck(f"interface {found.name}", True, _described(found))


def _described(interface: Interface) -> str:
    state = "up" if interface.up else "no carrier"
    speed = f", {interface.speed_mbps} Mbit/s" if interface.up and interface.speed_mbps else ""
    return f"{state}{speed}, {', '.join(interface.addresses) or 'no address'}"


def port_checks(house: House) -> Iterator[HostCheck]:
    """UDP ports of the protocols: held by us is well, held by another is not, held by two hides unicast."""
    for protocol, number in house.listen.watched_ports.items():
        what = f"UDP port {number} ({protocol.word})"
        programs = holders("udp", number)
        if not programs:
            yield HostCheck(what, True, "free")
        elif len(programs) == 1 and _is_slotwatch(programs[0]):
            yield HostCheck(what, True, f"held by a running {programs[0]}")
        else:
            pids = " ".join(map(_pid, filter(_pid, programs)))
            look = f"ps -fp {pids}" if pids else f"sudo ss -lunp sport = :{number}"
            fix = f"end it if the show does not need it, or move it to another computer; what it is: {look}"
            yield HostCheck(what, False, f"held by {', '.join(programs)}; the last to bind takes all unicast", fix)
    programs = holders("tcp", house.http.port)
    held = [program for program in programs if not _is_slotwatch(program)]
    who = f"sudo ss -ltnp sport = :{house.http.port}"
    fix = f"give the page another port with `[http] listen`, or end what holds it: {who}"
    own = "" if held else "a running "
    text = f"held by {own}{', '.join(programs)}" if programs else "free"
    yield HostCheck(f"TCP port {house.http.port} (the page)", not held, text, fix if held else "")


def _pid(program: str) -> str:
    """The number of `name (process number)`; empty for a program of another user."""
    return program.rpartition("(process ")[2].rstrip(")") if program.endswith(")") else ""


def _is_slotwatch(program: str) -> bool:
    """Whether `name (process number)` is a process of ours."""
    return program.startswith(f"{OWN} (")


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text().split()[0])
    except (OSError, ValueError, IndexError):
        return None


def buffer_check(proc: Path) -> HostCheck:
    """The kernel doubles what it grants: rmem_max of 4 MiB is a buffer of 8 MiB."""
    most = _number(proc / "sys/net/core/rmem_max")
    if most is None:
        return HostCheck("receive buffer", True, "its limit cannot be read here")
    granted = min(2 * most, WANTED_BUFFER_BYTES)
    text = (
        f"{granted // 1024} KiB, about {granted // KERNEL_BYTES_PER_PACKET} packets of a full universe "
        f"(at least {ENOUGH_BUFFER_BYTES // 1024} KiB are needed; {WANTED_BUFFER_BYTES // 1024} KiB are best)"
    )
    fix = f"sudo sysctl -w net.core.rmem_max={WANTED_BUFFER_BYTES}; for good: systemd/sysctl.d/50-slotwatch.conf"
    enough = granted >= ENOUGH_BUFFER_BYTES
    return HostCheck("receive buffer", enough, text, "" if enough else fix)


def membership_check(proc: Path) -> HostCheck:
    """How many groups one socket may join, and how many are joined."""
    most = _number(proc / "sys/net/ipv4/igmp_max_memberships")
    held = sum(1 for line in _lines(proc / "net/igmp") if line.startswith("\t"))
    if most is None:
        return HostCheck("multicast memberships", True, "their limit cannot be read here")
    text = f"at most {most} for each socket (slotwatch uses up to {MOST_IPV4_JOINS}); {held} on this computer now"
    fix = f"sudo sysctl -w net.ipv4.igmp_max_memberships={MOST_IPV4_JOINS}"
    return HostCheck("multicast memberships", most > 0, text, "" if most > 0 else fix)


def reverse_path_checks(proc: Path, table: InterfaceTable, wanted: list[str]) -> Iterator[HostCheck]:
    """Strict filtering (1) drops what comes from a network to which this interface has no route (RFC 3704)."""
    base = proc / "sys/net/ipv4/conf"
    everywhere = _number(base / "all/rp_filter") or 0
    for interface in table.by_index.values():
        ours = interface.name in wanted or bool(set(interface.addresses) & set(wanted))
        if interface.loopback or (wanted and not ours):
            continue
        mode = max(everywhere, _number(base / interface.name / "rp_filter") or 0)
        what = f"reverse-path filter on {interface.name}"
        if mode == 1:
            fix = f"sudo sysctl -w net.ipv4.conf.all.rp_filter=2 net.ipv4.conf.{interface.name}.rp_filter=2"
            yield HostCheck(what, False, "strict: senders outside this interface's network are dropped unseen", fix)
        else:
            yield HostCheck(what, True, "off" if mode == 0 else "loose")


def drop_checks(proc: Path) -> Iterator[HostCheck]:
    """UDP counters of the whole computer since it was started (/proc/net/snmp)."""
    rows = [line.split() for line in _lines(proc / "net/snmp") if line.startswith("Udp:")]
    if len(rows) != 2:
        return
    counts = dict(zip(rows[0][1:], map(int, rows[1][1:]), strict=False))
    lost, bad = counts.get("RcvbufErrors", 0), counts.get("InCsumErrors", 0)
    total = counts.get("InDatagrams", 0) + lost
    text = f"{lost:,} of {total:,} datagrams dropped for want of buffer since this computer started"
    share = lost / max(1, total)
    fix = "see the receive buffer above; which program it was: ss -uamp (the d in skmem)"
    yield HostCheck("UDP drops", share < 0.0001, text, fix if share >= 0.0001 else "")
    if bad:
        fix = "look at the network card's offload: ethtool -K INTERFACE rx off; then at lead and switch"
        yield HostCheck("UDP check sums", False, f"{bad} datagrams arrived damaged", fix)


def clock_check() -> HostCheck:
    """Whether the kernel calls its clock synchronised (adjtimex(2)); times in reports are worth what it is."""
    state = ctypes.create_string_buffer(ADJTIMEX_BYTES)
    if ctypes.CDLL(None, use_errno=True).adjtimex(state) < 0:
        return HostCheck("clock", True, "its state cannot be read here")
    status = int.from_bytes(state.raw[40:44], "little")  # struct timex: modes, offset, freq, maxerror, esterror, status
    if status & STA_UNSYNC:
        by_hand = "sudo timedatectl set-time '2026-01-31 20:00:00'"
        fix = f"sudo timedatectl set-ntp true; without a time server set it by hand: {by_hand}"
        return HostCheck(
            "clock", False, "not synchronised: times in reports may be wrong; judging does not depend on it", fix
        )
    return HostCheck("clock", True, "synchronised")


def igmp_check(proc: Path) -> HostCheck:
    """Whether this user has the right to hear IGMP."""
    lines = [line for line in _lines(proc / "self/status") if line.startswith("CapEff:")]
    may = bool(lines) and bool(int(lines[0].split()[1], 16) >> CAP_NET_RAW & 1)
    text = "may listen for IGMP queries" if may else "this user may not: queriers are then shown as not watched"
    return HostCheck("IGMP", True, text)


def serial_checks(house: House, root: Path) -> Iterator[HostCheck]:
    """Rights on serial ports: those the house names, else those that are there."""
    named = [line.port for line in house.lines]
    named += [route.target_serial.removeprefix("serial:") for route in house.routes if route.target_serial]
    there = [str(path) for pattern in ("ttyUSB*", "ttyACM*") for path in sorted((root / "dev").glob(pattern))]
    for port in dict.fromkeys(named or there):
        if not Path(port).exists():
            yield HostCheck(f"serial {port}", False, "does not exist", "plug it in; then: ls -l /dev/serial/by-id")
        elif os.access(port, os.R_OK | os.W_OK):
            yield HostCheck(f"serial {port}", True, "may be used")
        else:
            yield HostCheck(f"serial {port}", False, "this user may not use it", _serial_fix(port))


def _serial_fix(port: str) -> str:
    try:
        group = Path(port).group()
    except (OSError, KeyError):
        group = "dialout"
    return f"sudo adduser $USER {group}, then log in again (the systemd unit has it)"


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text().splitlines()
    except OSError:
        return []
