"""The arm64 package in an arm64 tree, by user-mode emulation: the same findings, and the tests of the pure layers.

    python -m tests.rack.foreign [tests/wire tests/model ...]

It needs root, mmdebstrap, qemu-user-static and arch-test. No socket is opened here: user-mode emulation lacks
an option that receiving needs. `python -m tests.rack --arch arm64 --smoke` listens, on an emulated arm64 computer.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from deb.build import Target, build, fitting_wheels
from tests.rack import tree
from tests.rack.architecture import ARM64, ForeignError, enable_foreign
from tests.rack.trees import MINIMAL, TreeError, inside

TARGET = Target("12", ARM64.name)
PURE = ("tests/wire", "tests/house", "tests/model")
"""Layers whose tests open no socket, and that read and change what other processes share."""
RUNNER = ("pytest", "pytest-asyncio", "pytest-timeout", "pytest-xdist", "pytest-cov", "hypothesis", "scipy")
SLOW = "-q -p no:cacheprovider --timeout=3600 --hypothesis-profile=ci"
"""The emulator runs at a tenth of the speed: no test may fail for that."""
CAPTURES = tree.ROOT / "tests" / "data" / "captures"
SLOTWATCH = Path(sys.executable).with_name("slotwatch")
PACKAGES = "/usr/lib/slotwatch/lib/python3.11/site-packages"


def compare_captures(root: Path) -> None:
    """TreeError where a capture gives other findings there than on this computer."""
    place = root / "captures"
    shutil.copytree(CAPTURES, place)
    captures = sorted(one.name for one in place.glob("*.pcap*"))
    for name in captures:
        there = tree.without_network(root, "slotwatch", "replay", f"/captures/{name}", "--json")
        here = subprocess.run(
            [str(SLOTWATCH), "replay", str(CAPTURES / name), "--json"],
            capture_output=True,
            text=True,
        )
        if there.returncode != here.returncode or json.loads(there.stdout) != json.loads(here.stdout):
            raise TreeError(
                f"{name} is judged otherwise: {there.returncode} {there.stdout[-800:]}{there.stderr[-800:]}"
            )
    print(f"kept    {len(captures)} captures give the findings that they give on this computer", flush=True)


def run_tests(root: Path, wanted: list[str]) -> None:
    """Run tests of the checkout against the installed package. TreeError where one fails."""
    for name in ("tests", "config", "docs", "deb", "benchmarks"):
        shutil.copytree(tree.ROOT / name, root / "checkout" / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(tree.ROOT / "pyproject.toml", root / "checkout")
    runner = root / "runner"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", *fitting_wheels(TARGET), f"--target={runner}", *RUNNER],
        check=True,
    )
    for shared in ("numpy", "numpy.libs"):  # the package's own is the one that is tried
        shutil.rmtree(runner / shared, ignore_errors=True)
    command = f"cd /checkout && PYTHONPATH={PACKAGES}:/runner python3 -m pytest {SLOW} {' '.join(wanted)}"
    print(inside(root, "sh", "-c", command).splitlines()[-1])
    print(f"kept    the tests of {', '.join(wanted)} pass on {ARM64.name}", flush=True)


def main() -> int:
    """0 all kept, 1 something is otherwise there, 2 it cannot be tried here."""
    if os.geteuid() or not shutil.which("mmdebstrap"):
        print("This needs root and mmdebstrap.")
        return 2
    tree.KEPT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=tree.KEPT) as temporary:
        root = Path(temporary) / "tree"
        try:
            enable_foreign(ARM64)
            package = build(TARGET, Path(temporary), "gzip")
            tree.unpack(tree.base_tree("12", MINIMAL, ARM64), root)
            shutil.copy(package, root / "this.deb")
            inside(root, "dpkg", "--install", "/this.deb")
            print(f"kept    installed in a tree of Debian 12 for {ARM64.name}, without a network", flush=True)
            compare_captures(root)
            run_tests(root, sys.argv[1:] or list(PURE))
        except TreeError as error:
            print(f"BROKEN  {error}")
            return 1
        except ForeignError as error:
            print(error)
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
