"""The computers that can be emulated: amd64 as most rack PCs have it, and arm64."""

from __future__ import annotations

import platform
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path


class ForeignError(Exception):
    """Programs of another architecture cannot run on this computer, and why."""


@dataclass(frozen=True, slots=True)
class Architecture:
    """One kind of computer, by Debian's name for it."""

    name: str
    kernel_package: str
    emulator: tuple[str, ...]
    """The emulator and the words that give its processor and board."""
    console: str
    kernel_words: str
    compiler: str
    tools: tuple[tuple[str, str], ...]
    """Commands that are needed besides, each with its Debian package."""


AMD64 = Architecture(
    name="amd64",
    kernel_package="linux-image-cloud-amd64",
    emulator=("qemu-system-x86_64", "-cpu", "Nehalem"),
    console="ttyS0",
    # On a busy host the kernel's check of its timer, which an emulator runs too late, ends the boot.
    kernel_words="no_timer_check",
    compiler="gcc",
    tools=(("qemu-system-x86_64", "qemu-system-x86"), ("gcc", "gcc")),
)
ARM64 = Architecture(
    name="arm64",
    kernel_package="linux-image-cloud-arm64",
    emulator=("qemu-system-aarch64", "-machine", "virt", "-cpu", "cortex-a72"),
    console="ttyAMA0",
    kernel_words="",
    compiler="aarch64-linux-gnu-gcc",
    tools=(
        ("qemu-system-aarch64", "qemu-system-arm"),
        ("qemu-aarch64-static", "qemu-user-static"),
        ("arch-test", "arch-test"),
        ("aarch64-linux-gnu-gcc", "gcc-aarch64-linux-gnu"),
    ),
)
ARCHITECTURES = {one.name: one for one in (AMD64, ARM64)}
BINARY_FORMATS = Path("/proc/sys/fs/binfmt_misc")
FORMAT = Path("/usr/lib/binfmt.d/qemu-aarch64.conf")


def enable_foreign(architecture: Architecture) -> None:
    """Let this computer run programs of the architecture, by user-mode emulation (binfmt_misc). ForeignError if not.

    The tree of another architecture is made by its own programs. The setting stays until this computer restarts.
    """
    if architecture is AMD64 or platform.machine() == "aarch64" or (BINARY_FORMATS / "qemu-aarch64").exists():
        return
    if not (BINARY_FORMATS / "register").exists():
        subprocess.run(["mount", "-t", "binfmt_misc", "binfmt_misc", str(BINARY_FORMATS)], check=False)
    try:
        (BINARY_FORMATS / "register").write_text(FORMAT.read_text())
    except OSError as error:
        raise ForeignError(f"programs for {architecture.name} cannot run here: {error}") from None


def lacking_tools(architecture: Architecture, others: dict[str, str]) -> list[str]:
    """Debian packages whose commands are not on this computer. others: command to package."""
    wanted = {**dict(architecture.tools), **others}
    return sorted({package for tool, package in wanted.items() if not shutil.which(tool)})
