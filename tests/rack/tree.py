"""The machine's disk: a Debian tree made by mmdebstrap (kept), and the package installed in it without a network."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from tests.rack.architecture import AMD64, Architecture
from tests.rack.machine import MachineImage
from tests.rack.packets import packets

ROOT = Path(__file__).parent.parent.parent
HERE = Path(__file__).parent
KEPT = ROOT / "build" / "rack"
SUITES = {"12": "bookworm", "13": "trixie"}
PACKAGES = (
    "systemd",
    "systemd-sysv",
    "udev",
    "dbus",
    "iproute2",
    "nftables",
    "kmod",
    "procps",
    "python3",
    "init-system-helpers",
)
"""Besides a kernel."""
DISK_MIB = 2560
UNIVERSES = range(1, 5)
AGENT = """[Unit]
Description=does what the driver of the virtual rack PC asks for
DefaultDependencies=no
After=systemd-udevd.service local-fs.target
[Service]
ExecStartPre=/bin/mount -o ro /dev/vdb /rack
ExecStart=/usr/bin/python3 -u /rack/agent.py
Restart=always
RestartSec=1s
OOMScoreAdjust=-1000
[Install]
WantedBy=sysinit.target
"""
SLOW = """# The emulator runs at a tenth of a computer's speed: starting and stopping may take ten times as long.
[Service]
TimeoutStartSec=600s
TimeoutStopSec=100s
"""
MASKED = (
    "e2scrub_reap.service", "e2scrub_all.timer", "apt-daily.timer", "apt-daily-upgrade.timer", "dpkg-db-backup.timer",
    "fstrim.timer", "getty@tty1.service", "serial-getty@ttyS0.service", "systemd-logind.service",
)  # fmt: skip
"""What makes the boot longer and has nothing to do with the service."""
HOUSE = """[house]
name = "Rack test house"
phase = "show"

[listen]
interfaces = ["show0"]
protocols = ["e131"]

[[sources]]
name = "main desk"
source_name = "rack desk"
""" + "".join(
    f"""
[[universes]]
protocol = "e131"
number = {number}
sources = ["main desk"]
"""
    for number in UNIVERSES
)
"""What somebody wrote into the conffile: its interface is not there yet when the machine boots."""


def run(*command: str | Path) -> None:
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{' '.join(map(str, command))}: {done.stdout[-2000:]}{done.stderr[-2000:]}")


def base_tree(release: str, packages: tuple[str, ...], architecture: Architecture = AMD64) -> Path:
    """A plain Debian tree as a tar file. Made once and kept until its list of packages changes."""
    suite = SUITES[release]
    key = hashlib.sha256(" ".join((suite, *packages)).encode()).hexdigest()[:12]
    place = KEPT / f"tree-{suite}-{architecture.name}-{key}.tar"
    if not place.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        made = place.with_suffix(f".{os.getpid()}.tmp.tar")
        run(
            "mmdebstrap",
            "--quiet",
            "--variant=minbase",
            f"--architectures={architecture.name}",
            '--aptopt=Acquire::Retries "5"',
            f"--include={','.join(packages)}",
            suite,
            made,
        )
        made.replace(place)
    return place


def unpack(tree: Path, into: Path) -> None:
    into.mkdir(parents=True)
    run("tar", "--extract", "--numeric-owner", "--xattrs", "--file", tree, "--directory", into)


def without_network(root: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a tree, in a network namespace with no card at all."""
    return subprocess.run(
        ["unshare", "--net", "--mount", "--pid", "--fork", "sh", "-c",
         f'mount -t proc proc {root}/proc && exec chroot {root} "$@"', "sh", *command],
        capture_output=True, text=True, env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND": "teletype"},
    )  # fmt: skip


def build_image(package: Path, previous: Path | None, directory: Path, architecture: Architecture) -> MachineImage:
    """Lay the disk of a machine that has the package, or the previous one if it is given, and the driver's disk."""
    base = base_tree("12", (*PACKAGES, architecture.kernel_package), architecture)
    with tempfile.TemporaryDirectory(dir=directory) as temporary:
        root = Path(temporary) / "tree"
        unpack(base, root)
        shutil.copy(previous or package, root / "package.deb")
        done = without_network(root, "dpkg", "--install", "/package.deb")
        if done.returncode:
            raise SystemExit(f"the package cannot be installed:\n{done.stdout}{done.stderr}")
        (root / "package.deb").unlink()
        _lay_driver(root)
        kernel, initrd = directory / "kernel", directory / "initrd"
        shutil.copy(next((root / "boot").glob("vmlinuz-*")), kernel)
        shutil.copy(next((root / "boot").glob("initrd.img-*")), initrd)
        disk = directory / "disk.img"
        disk.unlink(missing_ok=True)
        run("mke2fs", "-q", "-t", "ext4", "-d", root, disk, f"{DISK_MIB}M")
    return MachineImage(kernel, initrd, disk, architecture, _tools_disk(package, previous, directory, architecture))


def _lay_driver(root: Path) -> None:
    (root / "rack").mkdir()
    units = root / "etc" / "systemd" / "system"
    (units / "rack-agent.service").write_text(AGENT)
    (units / "sysinit.target.wants").mkdir(exist_ok=True)
    (units / "sysinit.target.wants" / "rack-agent.service").symlink_to("/etc/systemd/system/rack-agent.service")
    (units / "slotwatch.service.d").mkdir()
    (units / "slotwatch.service.d" / "slow.conf").write_text(SLOW)
    (root / "etc" / "fstab").write_text("/dev/vda / ext4 defaults 0 1\n")
    (root / "etc" / "hostname").write_text("rack\n")
    for name in MASKED:
        (units / name).symlink_to("/dev/null")
    (root / "etc" / "slotwatch" / "house.toml").write_text(HOUSE)


def _tools_disk(package: Path, previous: Path | None, directory: Path, architecture: Architecture) -> Path:
    with tempfile.TemporaryDirectory(dir=directory) as temporary:
        tools = Path(temporary)
        shutil.copy(HERE / "agent.py", tools)
        shutil.copy(HERE / "receiver.py", tools)
        shutil.copy(package, tools / "current.deb")
        if previous is not None:
            shutil.copy(previous, tools / "previous.deb")
        (tools / "packets").write_bytes(packets(UNIVERSES))
        run(architecture.compiler, "-O1", "-static", "-o", tools / "desk", HERE / "desk.c")
        disk = directory / "tools.img"
        disk.unlink(missing_ok=True)
        run("mke2fs", "-q", "-t", "ext4", "-d", tools, disk, "256M")
    return disk
