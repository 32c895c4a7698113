"""Who holds a port of this computer, as far as this user may know."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

OWN = "slotwatch"


def holders(protocol: str, port: int) -> list[str]:
    """Names and numbers (`program (process 812)`) of the programs with this local port open. `protocol`: udp or tcp.

    A program of another user is found only by root; otherwise its owner's number is given instead. Of slotwatch
    it is the process to end: its parts are started again.
    """
    inodes = _inodes(protocol, port)
    found = {inode: name for inode, name in _open_sockets().items() if inode in inodes}
    unknown = {owner for inode, owner in inodes.items() if inode not in found}
    return sorted(set(found.values())) + [f"a program of user {owner}" for owner in sorted(unknown)]


def holder_sentence(protocol: str, port: int) -> str:
    """` by NAME (process PID)`, or nothing where it cannot be known."""
    names = holders(protocol, port)
    return f" by {', '.join(names)}" if names else ""


def _inodes(protocol: str, port: int) -> dict[int, int]:
    """Socket inode to user number of all sockets with this local port, both families."""
    found: dict[int, int] = {}
    for family in ("", "6"):
        try:
            lines = Path(f"/proc/net/{protocol}{family}").read_text().splitlines()[1:]
        except OSError:
            continue
        for line in lines:
            words = line.split()
            listening = protocol == "udp" or words[3] == "0A"
            if listening and int(words[1].rpartition(":")[2], 16) == port:
                found[int(words[9])] = int(words[7])
    return found


def _is_own(process: Path) -> bool:
    """Whether a process is slotwatch: the kernel gives it the name of its interpreter."""
    words = (process / "cmdline").read_bytes().split(b"\0")[1:3]
    return any(word.startswith(b"slotwatch.") or word.rpartition(b"/")[2] == b"slotwatch" for word in words)


def _whole(process: Path) -> Path:
    """The process of slotwatch that started this one; itself if none did."""
    parent = process.with_name((process / "stat").read_text().rpartition(") ")[2].split()[1])
    return parent if parent.exists() and _is_own(parent) else process


def _named(process: Path) -> str:
    if _is_own(process):
        return f"{OWN} (process {_whole(process).name})"
    return f"{(process / 'comm').read_text().strip()} (process {process.name})"


def _open_sockets() -> dict[int, str]:
    """Socket inode to `name (process pid)` of every process whose descriptors may be read."""
    found: dict[int, str] = {}
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            name = _named(process)
            for link in (process / "fd").iterdir():
                # A descriptor may be closed between the listing and here; the listing's own always is.
                with contextlib.suppress(OSError):
                    target = os.readlink(link)  # noqa: PTH115 - a path would be made of `socket:[123]`
                    if target.startswith("socket:["):
                        found[int(target[8:-1])] = name
    return found
