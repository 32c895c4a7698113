"""Builds the virtual rack PC, runs it and prints one line for each promise: python -m tests.rack [--smoke]."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from deb.build import Target, build
from tests.rack import tree
from tests.rack.architecture import (
    AMD64,
    ARCHITECTURES,
    Architecture,
    ForeignError,
    enable_foreign,
    lacking_tools,
)
from tests.rack.house import RackHouse
from tests.rack.life import LAST, is_upgraded, previous_package
from tests.rack.machine import Machine, RackError
from tests.rack.messages import MESSAGES
from tests.rack.network import NETWORK
from tests.rack.processes import PROCESSES
from tests.rack.promises import RackPromise, keep
from tests.rack.smoke import SMOKE
from tests.rack.wear import WEAR, power_cut

TOOLS = {"mmdebstrap": "mmdebstrap", "mke2fs": "e2fsprogs", "dpkg-deb": "dpkg", "unshare": "util-linux"}


def main() -> int:
    """0 all kept, 1 one was not, 2 the machine could not be built or failed."""
    parser = argparse.ArgumentParser(description="Run the promises on a virtual rack PC.")
    parser.add_argument("--smoke", action="store_true", help="only the short part")
    parser.add_argument("--cuts", type=int, default=2, help="further power cuts at random moments (default 2)")
    parser.add_argument(
        "--only", default="", help="words with commas between: only trials whose function's name has one"
    )
    parser.add_argument("--times", type=int, default=1, help="how often, each time on a fresh copy of the disk")
    parser.add_argument("--keep", action="store_true", help="keep the machine's disk and console log")
    parser.add_argument("--arch", choices=sorted(ARCHITECTURES), default="amd64", help="which computer (default amd64)")
    given = parser.parse_args()
    architecture = ARCHITECTURES[given.arch]
    if lacking := _lacking(architecture):
        print(f"The virtual rack PC needs {', '.join(lacking)}.")
        return 2 if os.environ.get("CI") == "true" else 0
    began_s = time.monotonic()
    tree.KEPT.mkdir(parents=True, exist_ok=True)
    directory = Path(tempfile.mkdtemp(dir=tree.KEPT, prefix="run-"))
    machine: Machine | None = None
    try:
        enable_foreign(architecture)
        previous = None if given.smoke or given.only or architecture is not AMD64 else previous_package()
        package = build(Target("12", architecture.name), directory, "gzip")
        image = tree.build_image(package, previous, directory, architecture)
        built_s = time.monotonic() - began_s
        print(f"built  {built_s:5.0f} s  a Debian 12 disk for {architecture.name} with the package", flush=True)
        fresh = directory / "fresh.img"
        tree.run("cp", "--sparse=always", image.disk, fresh)
        broken = 0
        for _ in range(given.times):
            tree.run("cp", "--sparse=always", fresh, image.disk)
            machine = Machine(image, directory)
            machine.boot()
            print(f"booted {machine.boot_s:5.0f} s", flush=True)
            promises = _chosen(given)
            broken_now = keep(promises, RackHouse(machine))
            print(f"{len(promises) - broken_now} passed, {broken_now} failed", flush=True)
            broken += broken_now
            machine.close()
        print(f"The virtual rack PC took {time.monotonic() - began_s:.0f} s.", flush=True)
        return int(broken > 0)
    except (RackError, ForeignError) as error:
        print(f"The machine failed: {error}", flush=True)
        return 2
    finally:
        if machine is not None:
            machine.close()
        if given.keep:
            print(f"kept: {directory}")
        else:
            shutil.rmtree(directory, ignore_errors=True)


def _chosen(given: argparse.Namespace) -> Sequence[RackPromise]:
    if given.smoke:
        return SMOKE
    cuts = (power_cut(number + 2) for number in range(given.cuts))
    if given.only:
        every = [*PROCESSES, *NETWORK, *MESSAGES, *WEAR, *cuts, *LAST]
        return [
            *SMOKE[:4],
            *(one for one in every if any(word in one.tries.__name__ for word in given.only.split(","))),
        ]
    first = [] if given.arch != "amd64" else [is_upgraded]
    return [*first, *SMOKE, *PROCESSES, *NETWORK, *MESSAGES, *WEAR, *cuts, *LAST]


def _lacking(architecture: Architecture) -> list[str]:
    os.environ["PATH"] += ":/usr/sbin:/sbin"
    lacking = lacking_tools(architecture, TOOLS)
    return lacking if os.geteuid() == 0 else [*lacking, "root"]


if __name__ == "__main__":
    sys.exit(main())
