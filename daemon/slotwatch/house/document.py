"""One TOML file, opened: its tables read by the table of keys, with every fault noted at its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from slotwatch.errors import HouseFileError, Problem
from slotwatch.house.keys import Section
from slotwatch.house.sections import BY_NAME
from slotwatch.house.toml_mistakes import usual_mistake
from slotwatch.house.toml_places import Path, Place, find_places
from slotwatch.house.values import Converter

MAX_TOML_BYTES = 4 << 20
"""A house of 4,096 universes, each with all of its keys, has under 1 MiB."""
MOST_PROBLEMS = 1000
"""A file with more of them is not a mistyped house file: reading ends there."""
MOST_DOTS = 8
"""Parts of the deepest key are three."""
MOST_DIGITS = 64
MOST_VALUES = 200_000
"""Keys and list elements of one file: 4,096 universes with all of their keys are 60,000."""
MOST_TABLES = 20_000
MOST_BACKSLASHES = 20_000
"""No name or address needs one; the parser may copy a text anew for each."""
_NO_KEY = re.compile(
    r"""\"{3}(?:[^"\\]++|\\.|"(?!""))*+"{3,5}|'{3}.*?'{3}|"(?:[^"\\\n]++|\\.)*+"|'[^'\n]*'|#[^\n]*""", re.DOTALL
)
"""Strings and comments: nothing in them is a key or a number."""
_DEEP = re.compile(rf"(?<![\w-])(?:[\w-]+[ \t]*\.[ \t]*){{{MOST_DOTS}}}")
_LONG = re.compile(rf"(?<![0-9A-Fa-f_])[0-9A-Fa-f_]{{{MOST_DIGITS}}}")
_TABLE = re.compile(r"^[ \t]*\[\[", re.MULTILINE)
_AT_LINE = re.compile(r" \(at line (\d+), column \d+\)| \(at end of document\)")


class TooManyProblems(Exception):
    """A document has MOST_PROBLEMS."""


@dataclass(slots=True)
class Entry:
    """One table as it was read: a value for every known key, the default where none or a wrong one was given."""

    document: Document
    path: Path
    values: dict[str, Any]
    given: frozenset[str]
    usable: bool
    """Every required key is there and right."""

    def __getitem__(self, key: str) -> Any:
        return self.values[key]

    @property
    def line(self) -> int:
        return self.document.line(self.path)

    def wrong(self, key: str, wanted: str, index: int | None = None) -> None:
        """Note a fault of one of its keys, or of one element of a list."""
        path: Path = (*self.path, key) if index is None else (*self.path, key, index)
        self.document.wrong(path, wanted)


@dataclass(slots=True)
class Document:
    """A parsed file with the places of its keys and the problems found so far."""

    file: str
    tree: dict[str, Any]
    places: dict[Path, Place]
    problems: list[Problem] = field(default_factory=list)

    def line(self, path: Path) -> int:
        while path not in self.places:
            path = path[:-1]
        return self.places[path].line

    def wrong(self, path: Path, wanted: str, holds: str | None = None) -> None:
        """Note a fault at this path. `holds` is the file's own spelling unless given."""
        place = self.places.get(path)
        shown = holds if holds is not None else place.spelling if place else ""
        if len(self.problems) >= MOST_PROBLEMS:
            raise TooManyProblems
        key = ".".join(part for part in path if isinstance(part, str))
        self.problems.append(Problem(self.file, self.line(path), key, shown, wanted))

    def table(self, section: Section, converter: Converter) -> Entry:
        """The table of a section; all defaults if it is not there."""
        path: Path = tuple(section.name.split(".")) if section.name else ()
        tree: Any = self.tree
        for key in path:
            tree = tree.get(key, {}) if isinstance(tree, dict) else {}
        if not isinstance(tree, dict):
            self.wrong(path, f"a table is expected: {section.header} on a line of its own")
            tree = {}
        return self._entry(section, path, tree, converter, required=bool(tree))

    def tables(self, section: Section, converter: Converter) -> Iterator[Entry]:
        """The tables of a list of tables, in order."""
        rows = self.tree.get(section.name, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            self.wrong((section.name,), f"a list of tables is expected: {section.header} on a line of its own")
            return
        for index, row in enumerate(rows):
            yield self._entry(section, (section.name, index), row, converter, required=True)

    def check_names(self, *, overlay: bool) -> None:
        """Note tables and keys at the top of the file that are not known there."""
        allowed = [s.name for s in BY_NAME.values() if s.name and "." not in s.name and (s.in_overlay or not overlay)]
        allowed += ["until"] if overlay else ["include"]
        for name in self.tree:
            if name in allowed:
                continue
            if name in BY_NAME and overlay:
                self.wrong((name,), "an overlay may not hold this section; it belongs in the house file", "")
            elif name == "until":
                self.wrong((name,), "only an overlay ends by itself; it belongs in a file under include")
            else:
                self.wrong((name,), unknown(name, allowed, "section or key"))

    def _entry(self, section: Section, path: Path, tree: dict[str, Any], converter: Converter, required: bool) -> Entry:
        values = {key.name: key.default for key in section.keys}
        usable = True
        for key in section.keys:
            if key.name in tree:
                try:
                    values[key.name] = converter.convert(key, tree[key.name])
                except ValueError as error:
                    self.wrong((*path, key.name), str(error))
                    usable = usable and not key.required
            elif key.required:
                usable = False
                if required:
                    self.wrong(
                        (*path, key.name),
                        f"it is needed: {key.sentence[0].lower()}{key.sentence[1:].rstrip('.')}",
                        "missing",
                    )
        if section.name:
            self._check_keys(section, path, tree)
        return Entry(self, path, values, frozenset(tree), usable)

    def _check_keys(self, section: Section, path: Path, tree: dict[str, Any]) -> None:
        known = [key.name for key in section.keys]
        known += [name.rpartition(".")[2] for name in BY_NAME if name.rpartition(".")[0] == section.name != ""]
        for name in tree:
            if name not in known:
                self.wrong((*path, name), unknown(name, known, f"key of {section.header}", section))


def unknown(name: str, known: list[str], what: str, section: Section | None = None) -> str:
    """The sentence for a name that is not known: the nearest one, or where it belongs, or all.

    section: where the name stood, if it was a key.
    """
    import difflib  # only a wrong name needs it, and every start would wait for it

    near = difflib.get_close_matches(name.lower().replace("-", "_"), known, 1, 0.6)
    if near:
        return f"not a known {what}; the nearest is {near[0]}"
    if section and name in BY_NAME and BY_NAME[name].key(section.name):
        return f"not a known {what}; each entry of {BY_NAME[name].header} lists its own {section.name}"
    # A key of another kind of entry is no hint: the slots of an exclusion are not those of a rack.
    homes = [
        home.header for home in BY_NAME.values() if home.name and home.key(name) and not (section and section.many)
    ]
    if homes:
        return f"not a known {what}; it belongs in {' or '.join(homes)}"
    return f"not a known {what}; known: {', '.join(dict.fromkeys(known))}"


def open_document(file: str, data: bytes) -> Document:
    """Parse a TOML file. HouseFileError with one line if it is not TOML."""
    text = decode_text(file, data, MAX_TOML_BYTES)
    if not text.strip():
        raise _refused(file, None, "it is empty; at least [house] and [listen] are expected")
    text = text.replace("\r\n", "\n")
    _check_bounds(file, text)
    try:
        return Document(file, tomllib.loads(text), find_places(text))
    except tomllib.TOMLDecodeError as error:
        found = _AT_LINE.search(str(error))
        line = int(found[1]) if found and found[1] else text.count("\n") + 1
        whole = text.split("\n")[line - 1].strip()
        reason = _AT_LINE.sub("", str(error)).rstrip(".")
        meant = usual_mistake(reason, whole)
        said = f"this is not TOML: {reason[0].lower()}{reason[1:]}" + (f"; {meant}" if meant else "")
        raise _refused(file, line, said, whole[:60]) from None
    except RecursionError:
        raise _refused(file, None, "lists and tables are nested too deeply") from None


def _check_bounds(file: str, text: str) -> None:
    """Refuse what would take long to parse, before it is parsed."""
    if text.count("\\") > MOST_BACKSLASHES:
        raise _refused(file, None, f"it holds more than {MOST_BACKSLASHES} backslashes")
    plain = _NO_KEY.sub(lambda found: "q" + "\n" * found[0].count("\n"), text)
    for pattern, wanted in (
        (_DEEP, f"a key has at most {MOST_DOTS} parts"),
        (_LONG, f"a number or key of more than {MOST_DIGITS} digits is never wanted"),
    ):
        if found := pattern.search(plain):
            raise _refused(file, plain.count("\n", 0, found.start()) + 1, wanted, found[0][:40] + "…")
    if len(_TABLE.findall(plain)) > MOST_TABLES:
        raise _refused(file, None, f"it holds more than {MOST_TABLES} tables")
    if plain.count(",") + plain.count("=") > MOST_VALUES:
        raise _refused(file, None, f"it holds more than {MOST_VALUES} keys and values")


def decode_text(file: str, data: bytes, most_bytes: int) -> str:
    """A text file's text, without its byte order mark. HouseFileError with one line if it is not UTF-8 text."""
    if len(data) > most_bytes:
        raise _refused(file, None, f"it is larger than {most_bytes >> 20} MiB, so it cannot be such a file")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _refused(file, None, "it is UTF-16; save it again as UTF-8")
    if b"\0" in data:
        raise _refused(file, None, "it is a binary file, not text")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _refused(
            file, line, "the text is not UTF-8; save the file again as UTF-8", f"byte 0x{data[error.start]:02x}"
        ) from None


def _refused(file: str, line: int | None, wanted: str, holds: str = "") -> HouseFileError:
    return HouseFileError([Problem(file, line, "", holds, wanted)])


Read = Callable[[str], bytes]
"""Reads a file that the house file names (relative to it). HouseFileError with one line if it cannot."""
