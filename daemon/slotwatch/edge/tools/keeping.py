"""A house and its history as one file, and back: `backup` while the daemon runs, `restore` while it does not.

The file is a zip archive: `manifest.json`, `history.db` and the house's own files under `house/`. Secrets are left
out: tokens, keys, passwords and addresses of messages are in files of their own, which the house file only names.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

import msgspec

from slotwatch import __version__, clock
from slotwatch.edge.front.history_layout import check_version
from slotwatch.edge.shared.files import MAX_FILE_BYTES, load_house, load_noting
from slotwatch.edge.shared.places import SERVICE, history_of
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

MANIFEST, HISTORY, HOUSE = "manifest.json", "history.db", "house/"
FORMAT = 1
MOST_FILES = 256
MOST_MANIFEST_BYTES = 1 << 20
PIECE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Kept:
    """What a backup holds, or what a restore put where."""

    files: tuple[str, ...]
    left_out: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()
    """Files that were there before, under their new names."""


class Manifest(msgspec.Struct, frozen=True):
    """What a backup says of itself; it holds more, for people."""

    house_file: str
    """Where the house file was, absolute."""
    house_name: str
    """Its name inside the archive, under `house/`."""
    history: str
    """Where the history was, absolute."""


class _Versioned(msgspec.Struct, frozen=True):
    """The part of a manifest that every format has."""

    format: int


def backup(house_file: Path, target: Path) -> Kept:
    """Write the house and its history into one file. EdgeError or HouseFileError if it cannot be done."""
    house, read = load_noting(house_file)
    if target.exists() and not _is_backup(target):
        raise EdgeError(f"{target} exists and is not a backup", "choose another name")
    base = Path(house.file).parent
    inside = [path for path in read if path.is_relative_to(base)]
    outside = [str(path) for path in read if path not in inside]
    history = history_of(house)
    as_edge_error = _as_edge_error(f"{target} cannot be written", "choose another place")
    with as_edge_error, _beside(target) as part, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
        names = [str(path.relative_to(base).as_posix()) for path in inside]
        for path, name in zip(inside, names, strict=True):
            archive.write(path, HOUSE + name)
        if history.is_file():
            with tempfile.TemporaryDirectory(dir=target.absolute().parent) as place:
                copy = Path(place) / HISTORY
                _copy_history(history, copy)
                archive.write(copy, HISTORY)
        manifest = {
            "format": FORMAT,
            "version": __version__,
            "made_at": datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC).isoformat(timespec="seconds"),
            "house_file": house.file,
            "house_name": names[0],
            "history": str(history),
        }
        archive.writestr(MANIFEST, json.dumps(manifest, indent=2) + "\n")
    held = (*names, *((f"history ({history})",) if history.is_file() else ()))
    return Kept(held, (*outside, *(() if history.is_file() else ("history: there is none yet",))))


def restore(source: Path, house_file: Path | None) -> Kept:
    """Restore a backup. Existing files are kept under another name. EdgeError if it cannot be done."""
    as_edge_error = _as_edge_error(f"{source} cannot be read", "give a file that slotwatch backup wrote")
    with as_edge_error, zipfile.ZipFile(source) as archive:
        manifest, names = _checked(archive, source)
        final = (house_file or Path(manifest.house_file)).absolute()
        with tempfile.TemporaryDirectory() as place:
            for name in names:
                _extract(archive, name, Path(place) / name, None if name == HISTORY else MAX_FILE_BYTES)
            found = load_house(Path(place) / HOUSE / manifest.house_name)
            history = Path(place) / HISTORY
            wanted = _history_place(found, final, manifest)
            if history.is_file():
                _check_history(history)
                _refuse_if_used(wanted)
            moved = []
            places = []
            for name in names:
                if name != HISTORY:
                    inner = name.removeprefix(HOUSE)
                    goal = final if inner == manifest.house_name else final.parent / inner
                    places.append((Path(place) / name, goal))
            if history.is_file():
                places.append((history, wanted))
            stamp = datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC).strftime("%Y%m%dT%H%M%SZ")
            for path, goal in places:
                moved += _put(path, goal, stamp)
    return Kept(tuple(str(goal) for _, goal in places), moved=tuple(moved))


def _history_place(house: House, final: Path, manifest: Manifest) -> Path:
    """Where the history belongs: where one is, else where it was, else where `serve` would begin it.

    A house file that goes to another place than before leaves what is beside the old one alone.
    """
    there, before = history_of(replace(house, file=str(final))), Path(manifest.history)
    if there.is_file() or not before.parent.is_dir():
        return there
    return before if final == Path(manifest.house_file) or before.parent == SERVICE else there


def _copy_history(history: Path, copy: Path) -> None:
    """SQLite's own online backup: right also while the daemon writes."""
    with contextlib.closing(sqlite3.connect(history, timeout=10.0)) as db:
        check_version(db)
        with contextlib.closing(sqlite3.connect(copy)) as into:
            db.backup(into, pages=1024)
            into.execute("PRAGMA journal_mode=DELETE")
            with contextlib.suppress(sqlite3.Error):
                # What follows a restore was not watched under this history, however the daemon ended.
                into.execute("UPDATE state SET body = json_set(body, '$.stopped', json('true')) WHERE key = 'alive'")
                into.commit()


def _check_history(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as db:
        check_version(db)
        if db.execute("PRAGMA quick_check").fetchone()[0] != "ok":
            raise EdgeError("the history in this backup is damaged", "take another backup")


def _refuse_if_used(history: Path) -> None:
    """EdgeError while a daemon holds the history open: only the single user of a log may remove it."""
    if not history.is_file():
        return
    try:
        with contextlib.closing(sqlite3.connect(history, timeout=0.2)) as db:
            db.execute("PRAGMA journal_mode=DELETE").fetchone()
    except sqlite3.OperationalError:
        raise EdgeError(f"a daemon uses {history}", "stop it first: systemctl stop slotwatch") from None
    except sqlite3.DatabaseError:
        return  # damaged: all the more reason to put another in its place


def _checked(archive: zipfile.ZipFile, source: Path) -> tuple[Manifest, list[str]]:
    """The manifest and the names to be put back. Whatever the archive holds, nothing is written outside the house's
    directory."""
    wrong = EdgeError(f"{source} is not a backup of slotwatch", "give a file that slotwatch backup wrote")
    names = [entry.filename for entry in archive.infolist()]
    if MANIFEST not in names or len(names) > MOST_FILES or len(set(names)) != len(names):
        raise wrong
    if archive.getinfo(MANIFEST).file_size > MOST_MANIFEST_BYTES:
        raise wrong
    try:
        written = archive.read(MANIFEST)
        if msgspec.json.decode(written, type=_Versioned).format != FORMAT:
            raise EdgeError(f"{source} was written by a newer slotwatch", "install that one")
        manifest = msgspec.json.decode(written, type=Manifest)
    except msgspec.MsgspecError:
        raise wrong from None
    kept = [name for name in names if name != MANIFEST]
    safe = all(name == HISTORY or (name.startswith(HOUSE) and _is_inside(name.removeprefix(HOUSE))) for name in kept)
    if not safe or HOUSE + manifest.house_name not in kept:
        raise wrong
    return manifest, kept


def _is_inside(name: str) -> bool:
    path = PurePosixPath(name)
    return bool(name) and not path.is_absolute() and ".." not in path.parts and "\\" not in name


def _extract(archive: zipfile.ZipFile, name: str, path: Path, most_bytes: int | None) -> None:
    """Write one member; at most what its header says, and no more than may be."""
    size = archive.getinfo(name).file_size
    if most_bytes is not None and size > most_bytes:
        raise EdgeError(f"{name} in this backup is larger than {most_bytes >> 20} MiB", "take another backup")
    path.parent.mkdir(parents=True, exist_ok=True)
    with archive.open(name) as entry, path.open("wb") as file:
        shutil.copyfileobj(entry, file, PIECE_BYTES)


def _put(path: Path, goal: Path, stamp: str) -> list[str]:
    """Put a file where it belongs, owned as its directory is; what is there and differs is renamed."""
    goal.parent.mkdir(parents=True, exist_ok=True)
    if goal.is_file() and goal.stat().st_size == path.stat().st_size and goal.read_bytes() == path.read_bytes():
        return []
    moved = []
    if goal.exists():
        for tail in ("", "-wal", "-shm"):
            old = goal.with_name(goal.name + tail)
            if old.exists():
                aside = goal.with_name(f"{goal.name}.before-{stamp}{tail}")
                old.rename(aside)
                moved += [str(aside)] if not tail else []
    with _beside(goal) as part, part.open("wb") as file, path.open("rb") as given:
        shutil.copyfileobj(given, file, PIECE_BYTES)
    if os.geteuid() == 0:
        owner = goal.parent.stat()
        os.chown(goal, owner.st_uid, owner.st_gid)
    return moved


@contextlib.contextmanager
def _beside(goal: Path) -> Iterator[Path]:
    """A file to write beside its goal, which takes the goal's name once it is whole and on the disk."""
    part = goal.with_name(f".{goal.name}.part")
    try:
        part.touch(mode=0o600)
        yield part
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(goal)
    finally:
        part.unlink(missing_ok=True)


def _is_backup(path: Path) -> bool:
    with contextlib.suppress(OSError, zipfile.BadZipFile), zipfile.ZipFile(path) as archive:
        return MANIFEST in archive.namelist()
    return False


@contextlib.contextmanager
def _as_edge_error(what: str, advice: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise EdgeError(f"the history cannot be copied: {error}", "see whether this user may read it") from None
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError) as error:
        raise EdgeError(f"{what}: {error}", advice) from None
    except OSError as error:
        raise EdgeError(f"{what}: {error.strerror}", advice) from None
