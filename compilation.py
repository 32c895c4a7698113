"""Builds the C files where a C compiler is there: hatchling runs it for a wheel and for an editable installation.

CC names another compiler. Without one the package is whole, and slower. Compilers for other machines build for these as
well, where they are there: each machine loads its own file only.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SHARED = Path("daemon/slotwatch/edge/shared")
SOURCES = tuple(
    SHARED / f"{name}.c"
    for name in ("continuations", "receiving", "recording", "looking", "copying", "intervals", "levels")
)
MACHINES = ("x86_64", "aarch64")


def build(compiler: str, source: Path, target: Path, how: tuple[str, ...] = ("-O3", "-s")) -> None:
    """Compile one file. CalledProcessError if the compiler refuses it, OSError if there is none."""
    made = f"-DSOURCE={zlib.crc32(source.read_bytes())}u"
    flags = ("-std=c11", "-shared", "-fPIC", "-Wl,--build-id=none", *how)
    new = target.with_suffix(f".{os.getpid()}")
    subprocess.run([compiler, *flags, made, "-o", new.name, str(source.resolve())], check=True, cwd=target.parent)
    new.replace(target)  # a running daemon keeps the file that it has mapped


class CompilationHook(BuildHookInterface[Any]):
    """Puts the built files beside their source."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        wanted = {machine: f"{machine}-linux-gnu-gcc" for machine in MACHINES}
        wanted[platform.machine()] = os.environ.get("CC", "cc")
        for machine, compiler in wanted.items():
            if sys.platform != "linux" or shutil.which(compiler) is None:
                continue
            for source in (Path(self.root) / each for each in SOURCES):
                try:
                    build(compiler, source, source.with_name(f"{source.stem}.{machine}.so"))
                except (OSError, subprocess.CalledProcessError) as error:
                    self.app.display_warning(f"{source.name} was not compiled for {machine}: {error}")
