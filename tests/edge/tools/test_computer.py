"""`host`: each finding against a made-up /proc, with its fix; and the whole on this computer."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from slotwatch.edge.shared.interfaces import Interface, InterfaceTable
from slotwatch.edge.tools import computer
from slotwatch.edge.tools.computer import HostCheck
from slotwatch.house.schema import House, Line
from slotwatch.house.service import Http, Listen
from slotwatch.wire.universe import Protocol
from tests.patience import PATIENCE_S
from tests.ports import free_port

TABLE = InterfaceTable(
    {
        1: Interface(1, "lo", True, True, ("127.0.0.1",)),
        2: Interface(2, "eth1", True, False, ("10.20.0.9",)),
        3: Interface(3, "eth2", False, False, ("10.30.0.9",)),
        4: Interface(4, "eth3", True, False, ("fe80::1",)),
    }
)


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


@pytest.mark.parametrize(
    ("wanted", "ok", "text", "fix"),
    [
        ("eth1", True, "up, 10.20.0.9", ""),
        ("10.20.0.9", True, "up, 10.20.0.9", ""),
        ("eth2", False, "no carrier, 10.30.0.9", "sudo ip link set eth2 up"),
        ("eth3", False, "up, fe80::1", "sudo ip address add"),
        ("eth9", False, "does not exist", "there are: eth1, eth2, eth3, lo"),
    ],
)
def test_a_declared_interface(wanted: str, ok: bool, text: str, fix: str) -> None:
    (finding,) = computer.interface_checks(TABLE, [wanted])
    assert (finding.ok, finding.text) == (ok, text)
    assert fix in finding.fix


def test_a_computer_with_nothing_but_loopback() -> None:
    (finding,) = computer.interface_checks(InterfaceTable({1: TABLE.by_index[1]}), [])
    assert not finding.ok


@pytest.mark.parametrize(
    ("most", "ok", "packets"),
    [
        # 212,992 is rmem_default and rmem_max of an untouched kernel; it grants twice what is asked.
        (212_992, False, "about 332 packets"),
        (4_194_304, True, "about 6553 packets"),
        (67_108_864, True, "about 52428 packets"),
    ],
)
def test_the_receive_buffer(tmp_path: Path, most: int, ok: bool, packets: str) -> None:
    _write(tmp_path / "sys/net/core/rmem_max", f"{most}\n")
    finding = computer.buffer_check(tmp_path)
    assert finding.ok is ok
    assert packets in finding.text
    assert ("sudo sysctl -w net.core.rmem_max=67108864" in finding.fix) is not ok


@pytest.mark.parametrize(("everywhere", "own", "ok"), [(0, 0, True), (2, 1, True), (1, 0, False), (0, 1, False)])
def test_the_reverse_path_filter_is_the_stricter_of_its_two_settings(
    tmp_path: Path, everywhere: int, own: int, ok: bool
) -> None:
    """The kernel's ip-sysctl text: the maximum of conf/all and conf/INTERFACE is used; 1 strict, 2 loose."""
    _write(tmp_path / "sys/net/ipv4/conf/all/rp_filter", f"{everywhere}\n")
    _write(tmp_path / "sys/net/ipv4/conf/eth1/rp_filter", f"{own}\n")
    (finding,) = computer.reverse_path_checks(tmp_path, TABLE, ["eth1"])
    assert finding.ok is ok
    if not ok:
        assert finding.fix == "sudo sysctl -w net.ipv4.conf.all.rp_filter=2 net.ipv4.conf.eth1.rp_filter=2"


@pytest.mark.parametrize(("lost", "ok"), [(0, True), (1, True), (500, False)])
def test_drops_of_the_whole_computer(tmp_path: Path, lost: int, ok: bool) -> None:
    _write(
        tmp_path / "net/snmp",
        "Udp: InDatagrams NoPorts InErrors OutDatagrams RcvbufErrors SndbufErrors InCsumErrors\n"
        f"Udp: 1000000 3 {lost} 5 {lost} 0 0\n",
    )
    (finding,) = computer.drop_checks(tmp_path)
    assert finding.ok is ok
    assert finding.text.startswith(f"{lost:,} of {1_000_000 + lost:,} datagrams dropped")


def test_a_port_that_another_program_holds_is_a_fault_with_its_name() -> None:
    port = free_port()
    house = House(listen=Listen(protocols=(Protocol.E131,), e131_port=port), http=Http(port=0))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("0.0.0.0", port))
        found, *_ = computer.port_checks(house)
    free, *_ = computer.port_checks(house)
    assert free == HostCheck(f"UDP port {port} (e131)", True, "free")
    assert not found.ok and found.text.startswith("held by ")


def test_a_port_that_slotwatch_holds_is_well_and_says_so(tmp_path: Path) -> None:
    """To the kernel each of its processes is a Python."""
    port = free_port()
    house = House(listen=Listen(protocols=(Protocol.E131,), e131_port=port), http=Http(port=0))
    held = (
        "import socket, sys; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM);"
        f" s.bind(('0.0.0.0', {port})); print('held', flush=True); sys.stdin.read()"
    )
    for name, is_own in (("bin/slotwatch", True), ("slotwatch-tests/desk", False)):
        program = tmp_path / name
        program.parent.mkdir()
        program.write_text(held)
        with subprocess.Popen([sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
            assert other.stdout is not None and other.stdout.readline() == b"held\n"
            found, *_ = computer.port_checks(house)
            other.communicate()
        assert found.ok is is_own
        assert (found.text == f"held by a running slotwatch (process {other.pid})") is is_own


def test_a_serial_port_that_is_not_there(tmp_path: Path) -> None:
    house = House(lines=(Line("feed", 1, "/dev/ttyUSB97"),))
    (finding,) = computer.serial_checks(house, tmp_path)
    assert (finding.ok, finding.text) == (False, "does not exist")


def test_what_cannot_be_read_is_no_fault(tmp_path: Path) -> None:
    assert computer.buffer_check(tmp_path).ok
    assert computer.membership_check(tmp_path).ok
    assert list(computer.drop_checks(tmp_path)) == []


def test_a_listening_time_that_is_none_is_refused() -> None:
    for wrong in ("-1", "nan", "99999"):
        done = subprocess.run(
            [sys.executable, "-m", "slotwatch.cli", "host", f"--listen={wrong}"],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
        )
        assert done.returncode not in (0, 1) and "--listen" in done.stderr


def test_the_verb_prints_every_check_and_a_fix_for_each_fault() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "host", "--json"], capture_output=True, text=True, timeout=PATIENCE_S
    )
    answer = json.loads(done.stdout)
    assert done.returncode == (0 if answer["ok"] else 1)
    assert {"receive buffer", "clock", "IGMP", "switch port"} <= {f["what"] for f in answer["findings"]}
    assert all(f["fix"] for f in answer["findings"] if not f["ok"])
    plain = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "host"], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert plain.stdout.count("fix: ") == sum(1 for f in answer["findings"] if not f["ok"])
