"""The package in fresh trees of both Debian releases, without a network: installed, upgraded, removed, purged.

    python -m tests.rack.trees [12] [13]

It needs root and mmdebstrap. The trees hold only what the package depends on. Nothing runs as a service here; that is
what the virtual rack PC is for.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

from deb.build import Target, build
from tests.rack import tree

MINIMAL = ("python3", "init-system-helpers")
NEWER = "9.9.9-1"
CAPTURES = tree.ROOT / "tests" / "data"
EDITED = '\n[[universes]]\nprotocol = "e131"\nnumber = 7\n'


class TreeError(Exception):
    """Something in a tree is not as it has to be."""


def inside(root: Path, *command: str, status: int = 0) -> str:
    """Run a command in the tree; it has to end with this status."""
    done = tree.without_network(root, *command)
    if done.returncode != status:
        raise TreeError(f"{' '.join(command)} ended with {done.returncode}: {done.stdout[-1500:]}{done.stderr[-1500:]}")
    return done.stdout + done.stderr


def newer(package: Path, directory: Path) -> Path:
    """Make the same package with a higher version: an upgrade."""
    laid, made = directory / "laid", directory / "newer.deb"
    tree.run("dpkg-deb", "--raw-extract", package, laid)
    control = laid / "DEBIAN" / "control"
    lines = [f"Version: {NEWER}" if one.startswith("Version:") else one for one in control.read_text().splitlines()]
    control.write_text("\n".join(lines) + "\n")
    tree.run("dpkg-deb", "--root-owner-group", "-Zgzip", "--build", laid, made)
    return made


def left_in(root: Path, before: set[Path]) -> list[str]:
    """Files that the tree has more than before, but for logs and what dpkg and groupadd keep."""
    own = ("var/lib/dpkg", "var/log", "var/cache", "tmp", "proc", "etc/group-", "etc/gshadow-")
    more = sorted(str(one.relative_to(root)) for one in files(root) - before)
    return [one for one in more if not one.startswith(own)]


def files(root: Path) -> set[Path]:
    return {one for one in root.rglob("*") if not one.is_relative_to(root / "proc")}


def try_release(release: str, directory: Path) -> None:
    """The package's life in one tree; TreeError where it is not as it has to be."""
    package = build(Target(release, "amd64"), directory, "gzip")
    root = directory / f"tree-{release}"
    tree.unpack(tree.base_tree(release, MINIMAL), root)
    before = files(root)
    (root / "tmp").mkdir(exist_ok=True)
    for name, source in (("this.deb", package), ("newer.deb", newer(package, directory))):
        shutil.copy(source, root / "tmp" / name)
    capture = next(iter(sorted(CAPTURES.rglob("*.pcap*"))))
    shutil.copy(capture, root / "tmp" / capture.name)
    inside(root, "dpkg", "--install", "/tmp/this.deb")
    print(f"kept    Debian {release}: installed without a network", flush=True)
    inside(root, "slotwatch", "check", "-c", "/etc/slotwatch/house.toml")
    replayed = tree.without_network(root, "slotwatch", "replay", f"/tmp/{capture.name}", "--json")
    if replayed.returncode not in (0, 1) or '"capture"' not in replayed.stdout:
        raise TreeError(f"replay: {replayed.returncode} {replayed.stdout[-500:]}{replayed.stderr[-500:]}")
    print(f"kept    Debian {release}: check and replay work", flush=True)
    house = root / "etc" / "slotwatch" / "house.toml"
    edited = house.read_text() + EDITED
    house.write_text(edited)
    state = root / "var" / "lib" / "slotwatch"
    state.mkdir(parents=True)
    (state / "slotwatch.db").write_bytes(b"kept")
    inside(root, "dpkg", "--install", "--force-confold", "/tmp/newer.deb")
    if house.read_text() != edited:
        raise TreeError("the upgrade changed the house file")
    inside(root, "slotwatch", "check", "-c", "/etc/slotwatch/house.toml")
    print(f"kept    Debian {release}: upgraded, the edited house file stays", flush=True)
    inside(root, "dpkg", "--remove", "slotwatch")
    if house.read_text() != edited or not (state / "slotwatch.db").exists():
        raise TreeError("removal took the house file or the history")
    if (root / "usr" / "lib" / "slotwatch").exists():
        raise TreeError(f"removal left {sorted((root / 'usr/lib/slotwatch').rglob('*'))[:5]}")
    print(f"kept    Debian {release}: removed, house file and history stay", flush=True)
    inside(root, "dpkg", "--purge", "slotwatch")
    if left := left_in(root, before):
        raise TreeError(f"purging left {left[:10]}")
    print(f"kept    Debian {release}: purged, nothing is left", flush=True)


def main() -> int:
    if os.geteuid() or not shutil.which("mmdebstrap"):
        print("This needs root and mmdebstrap.")
        return 2
    tree.KEPT.mkdir(parents=True, exist_ok=True)
    for release in sys.argv[1:] or ["12", "13"]:
        with tempfile.TemporaryDirectory(dir=tree.KEPT) as temporary:
            try:
                try_release(release, Path(temporary))
            except TreeError as error:
                print(f"BROKEN  Debian {release}: {error}")
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
