"""Reads the house file and what it names from disk."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from slotwatch import clock
from slotwatch.errors import HouseFileError, Problem
from slotwatch.house.load import load_house as load
from slotwatch.house.schema import House

MAX_FILE_BYTES = 256 << 20
"""An MVR file with models of a large rig; text files have smaller limits of their own."""


def load_house(path: Path | str) -> House:
    """Load a house file. HouseFileError with one line for each thing wrong; never another exception.

    File names in it are relative to it; `House.file` is its absolute path.
    """
    return load_noting(path)[0]


def load_noting(path: Path | str) -> tuple[House, list[Path]]:
    """As `load_house`, and every file that was read for it, the house file first."""
    place = Path(path).absolute()
    files: list[Path] = []

    def read(name: str) -> bytes:
        if (place.parent / name) not in files:
            files.append(place.parent / name)
        return read_file(place.parent / name, str(path) if name == str(place) else name)

    try:
        house = load(str(place), read, _today())
    except HouseFileError as error:
        raise HouseFileError([_shown(problem, str(place), str(path)) for problem in error.problems]) from None
    return house, files


def beside(house: House, name: str) -> Path:
    """Path of a file that the house file names: relative to the house file."""
    return Path(house.file).parent / name


def read_file(path: Path, shown: str) -> bytes:
    """Read a whole file of bounded size. HouseFileError with one line if it cannot be read."""
    try:
        if path.is_dir():
            raise _refused(shown, "it is a directory, not a file")
        if not path.is_file() and path.exists():
            raise _refused(shown, "it is not an ordinary file")
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise _refused(shown, "no such file") from None
    except PermissionError:
        raise _refused(shown, "this user may not read it") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _refused(shown, f"it cannot be read: {reason}") from None
    if len(data) > MAX_FILE_BYTES:
        raise _refused(shown, f"it is larger than {MAX_FILE_BYTES >> 20} MiB")
    return data


def _today() -> date:
    return datetime.fromtimestamp(clock.wall_ns() / 1e9, ZoneInfo("UTC")).date()


def _shown(problem: Problem, place: str, shown: str) -> Problem:
    """The file as the person named it, not its absolute path."""
    if problem.file != place:
        return problem
    return Problem(shown, problem.line, problem.key, problem.holds, problem.wanted)


def _refused(file: str, wanted: str) -> HouseFileError:
    return HouseFileError([Problem(file, None, "", "", wanted)])
