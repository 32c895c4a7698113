"""Builds the Debian package: python -m deb.build --release 12 --arch amd64.

The package has a virtual environment of its own and takes only the interpreter from the system, so it installs without
a network. Dependencies come as wheels for the target's architecture and Python: one computer builds for all. Every file
has the time of the last commit, so two builds of one commit are equal.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path

from deb.manuals import write_completion, write_manuals
from slotwatch import __version__

ROOT = Path(__file__).parent.parent
FILES = ROOT / "deb" / "files"
HOME = Path("usr/lib/slotwatch")
PYTHON = {"12": "3.11", "13": "3.13"}
"""The interpreter of each Debian release."""
MACHINE = {"amd64": "x86_64", "arm64": "aarch64"}
"""What Python wheels call each architecture of Debian."""


@dataclass(frozen=True, slots=True)
class Target:
    """What a package is built for."""

    release: str
    arch: str

    @property
    def python(self) -> str:
        return PYTHON[self.release]

    @property
    def version(self) -> str:
        return f"{__version__}-1~deb{self.release}"

    @property
    def file_name(self) -> str:
        return f"slotwatch_{self.version}_{self.arch}.deb"


def run(*command: str | Path, **env: str) -> None:
    subprocess.run([str(word) for word in command], check=True, env={**os.environ, **env}, cwd=ROOT)


def commit_time() -> str:
    """Seconds since 1970 of the last commit: the time of every file in the package."""
    done = subprocess.run(["git", "log", "-1", "--format=%ct"], cwd=ROOT, check=True, capture_output=True, text=True)
    return done.stdout.strip()


def build_wheel(directory: Path) -> Path:
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", directory)
    return next(directory.glob("slotwatch-*.whl"))


def fitting_wheels(target: Target) -> list[str]:
    """Return the words by which pip takes wheels for the target, whatever computer it runs on."""
    machine = MACHINE[target.arch]
    platforms = [f"--platform={kind}_{machine}" for kind in ("manylinux_2_28", "manylinux2014", "manylinux_2_17")]
    return [*platforms, "--implementation=cp", f"--python-version={target.python}", "--only-binary=:all:"]


def lay_environment(tree: Path, target: Target, wheel: Path) -> None:
    """Lay the virtual environment: the interpreter as a link, the packages of wheels only."""
    home = tree / HOME
    packages = home / "lib" / f"python{target.python}" / "site-packages"
    (home / "bin").mkdir(parents=True)
    (home / "bin" / "python3").symlink_to(f"../../../bin/python{target.python}")
    (home / "pyvenv.cfg").write_text(
        f"home = /usr/bin\ninclude-system-site-packages = false\nversion = {target.python}\n", encoding="utf-8"
    )
    fitting = fitting_wheels(target)
    wheels = ROOT / "build" / "wheels" / f"{target.release}-{target.arch}"
    pip = (sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check")
    constraints = f"--constraint={ROOT / 'deb' / 'constraints.txt'}"
    for earlier in wheels.glob("slotwatch-*.whl"):  # pip would take the dependencies of this one, not of the new one
        earlier.unlink()
    run(*pip, "download", *fitting, constraints, f"--find-links={wheels}", f"--dest={wheels}", wheel)
    offline = ("--no-index", f"--find-links={wheels}", "--no-compile", f"--target={packages}")
    run(*pip, "install", *fitting, *offline, constraints, wheel)
    shutil.rmtree(
        packages / "bin", ignore_errors=True
    )  # commands of libraries, with this computer's interpreter in them
    for built in packages.glob("slotwatch/edge/shared/*.so"):  # each is for one machine
        if not built.name.endswith(f".{MACHINE[target.arch]}.so"):
            built.unlink()
    for left in packages.glob("*.dist-info"):
        for name in ("direct_url.json", "RECORD", "REQUESTED", "INSTALLER"):  # name this computer's paths
            (left / name).unlink(missing_ok=True)
    for name in (".DS_Store", "._*"):  # a maker's desktop left them in its wheel
        for left in packages.rglob(name):
            left.unlink()
    for tests in packages.rglob("tests"):
        if tests.is_dir():
            shutil.rmtree(tests)
    command = tree / "usr" / "bin" / "slotwatch"
    command.parent.mkdir(parents=True)
    shutil.copy(FILES / "slotwatch", command)
    command.chmod(0o755)


def lay_system_files(tree: Path) -> None:
    """Lay the unit, the kernel settings, the house file, documents, manual pages and completion."""
    units = tree / "usr" / "lib" / "systemd" / "system"
    units.mkdir(parents=True)
    unit = (ROOT / "systemd" / "slotwatch.service").read_text(encoding="utf-8")
    unit = unit.replace("/opt/slotwatch/bin/", "/usr/bin/").replace("/opt/slotwatch/", "/usr/share/doc/slotwatch/")
    (units / "slotwatch.service").write_text(unit, encoding="utf-8")
    kernel = tree / "usr" / "lib" / "sysctl.d"
    kernel.mkdir(parents=True)
    shutil.copy(ROOT / "systemd" / "sysctl.d" / "50-slotwatch.conf", kernel)
    house = tree / "etc" / "slotwatch"
    house.mkdir(parents=True)
    shutil.copy(FILES / "house.toml", house / "house.toml")
    documents = tree / "usr" / "share" / "doc" / "slotwatch"
    documents.mkdir(parents=True)
    for name in ("README.md", "SECURITY.md"):
        shutil.copy(ROOT / name, documents / name)
    shutil.copytree(ROOT / "docs", documents / "docs", ignore=shutil.ignore_patterns("decisions"))
    shutil.copytree(ROOT / "config" / "examples", documents / "examples")
    shutil.copy(FILES / "copyright", documents / "copyright")
    shutil.copy(ROOT / "CHANGELOG.md", documents / "what-is-new.md")
    write_manuals(tree / "usr" / "share" / "man" / "man1")
    write_completion(tree / "usr" / "share" / "bash-completion" / "completions")
    overrides = tree / "usr" / "share" / "lintian" / "overrides"
    overrides.mkdir(parents=True)
    shutil.copy(FILES / "lintian-overrides", overrides / "slotwatch")


def lay_control(tree: Path, target: Target) -> None:
    changelog = (FILES / "changelog").read_text(encoding="utf-8").replace("@VERSION@", target.version)
    when = format_datetime(datetime.fromtimestamp(int(os.environ["SOURCE_DATE_EPOCH"]), UTC))
    documents = tree / "usr" / "share" / "doc" / "slotwatch"
    _write_gzip(documents / "changelog.Debian.gz", changelog.replace("@DATE@", when).encode())
    control = tree / "DEBIAN"
    control.mkdir()
    kilobytes = sum(path.lstat().st_size for path in tree.rglob("*") if not path.is_dir()) // 1024
    text = (FILES / "control").read_text(encoding="utf-8")
    for word, value in (("VERSION", target.version), ("ARCH", target.arch), ("PYTHON", target.python)):
        text = text.replace(f"@{word}@", value)
    (control / "control").write_text(text.replace("@KILOBYTES@", str(kilobytes)), encoding="utf-8")
    (control / "conffiles").write_text("/etc/slotwatch/house.toml\n", encoding="utf-8")
    for name in ("postinst", "prerm", "postrm"):
        script = (FILES / name).read_text(encoding="utf-8").replace("@PYTHON@", target.python)
        (control / name).write_text(script, encoding="utf-8")
        (control / name).chmod(0o755)
    sums = [
        f"{hashlib.md5(path.read_bytes()).hexdigest()}  {path.relative_to(tree)}\n"
        for path in sorted(tree.rglob("*"))
        if path.is_file() and not path.is_symlink() and "DEBIAN" not in path.parts
    ]
    (control / "md5sums").write_text("".join(sums), encoding="utf-8")


def set_modes(tree: Path) -> None:
    """Give every file the same mode on every computer, whatever its umask."""
    for path in [tree, *tree.rglob("*")]:
        if path.is_symlink():
            continue
        is_command = path.is_dir() or (path.parent.name in ("bin", "DEBIAN") and os.access(path, os.X_OK))
        path.chmod(0o755 if is_command else 0o644)


def build(target: Target, directory: Path, compression: str = "xz") -> Path:
    """Build one package and return its file. compression: as dpkg-deb names it; gzip is quick, xz small."""
    os.environ["SOURCE_DATE_EPOCH"] = commit_time()
    os.environ["PYTHONHASHSEED"] = "0"
    directory.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        tree = Path(temporary) / "tree"
        tree.mkdir()
        lay_environment(tree, target, build_wheel(Path(temporary)))
        lay_system_files(tree)
        lay_control(tree, target)
        set_modes(tree)
        package = directory / target.file_name
        run("dpkg-deb", "--root-owner-group", f"-Z{compression}", "--build", tree, package)
    return package


def _write_gzip(path: Path, content: bytes) -> None:
    with gzip.GzipFile(path, "wb", compresslevel=9, mtime=0) as file:
        file.write(content)


def main() -> int:
    parser = argparse.ArgumentParser(description="Build the Debian package.")
    parser.add_argument("--release", choices=sorted(PYTHON), default="12", help="release of Debian (default 12)")
    parser.add_argument("--arch", choices=sorted(MACHINE), default="amd64", help="architecture (default amd64)")
    parser.add_argument("--directory", type=Path, default=ROOT / "dist", help="where the package is written")
    given = parser.parse_args()
    print(build(Target(given.release, given.arch), given.directory))
    return 0


if __name__ == "__main__":
    sys.exit(main())
