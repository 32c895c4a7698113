"""The line of each key of a TOML document, which `tomllib` does not give.

Only ever given text that `tomllib` has accepted, so it looks for ends and never for mistakes.
"""

from __future__ import annotations

import re
from typing import NamedTuple

Path = tuple[str | int, ...]

MAX_SPELLING = 60
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_GAP = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")
_BLANK = re.compile(r"[ \t]*")
_SCALAR_END = re.compile(r"[,\]}\n#]")
_BASIC = re.compile(r'"(?:[^"\\]++|\\.)*+"', re.DOTALL)
_LITERAL = re.compile(r"'[^']*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]++|\\.|"(?!""))*+"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'''(?:''|'|)(?!')", re.DOTALL)
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)")


class Place(NamedTuple):
    """One key, table or list element: its line from 1, and how its value is spelt there (cut short)."""

    line: int
    spelling: str


def find_places(text: str) -> dict[Path, Place]:
    """Map the path of every table, key and list element to its place. `text` is valid TOML with \\n ends."""
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places: dict[Path, Place] = {(): Place(1, "")}
        self._line = 1
        self._counted = 0
        self._lists: dict[Path, int] = {}

    def scan(self) -> dict[Path, Place]:
        table: Path = ()
        self._skip(_GAP)
        while self.at < len(self.text):
            if self.text.startswith("[", self.at):
                table = self._header()
            else:
                self._pair(table)
            self._skip(_GAP)
        return self.places

    def _header(self) -> Path:
        many = self.text.startswith("[[", self.at)
        line = self._line_here()
        self.at += 2 if many else 1
        keys = self._dotted()
        self.at += 2 if many else 1
        path = self._resolve(keys[:-1])
        if many:
            whole: Path = (*path, keys[-1])
            index = self._lists[whole] = self._lists.get(whole, -1) + 1
            self.places.setdefault(whole, Place(line, f"[[{'.'.join(keys)}]]"))
            path = (*whole, index)
        else:
            path = self._resolve(keys)
        header = ".".join(keys)
        for length in range(1, len(path)):
            self.places.setdefault(path[:length], Place(line, ""))
        self.places.setdefault(path, Place(line, _short(f"[[{header}]]" if many else f"[{header}]")))
        return path

    def _resolve(self, keys: list[str]) -> Path:
        """A header's name, with the number of the newest element wherever it goes through a list of tables."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            if path in self._lists:
                path = (*path, self._lists[path])
        return path

    def _pair(self, table: Path) -> None:
        line = self._line_here()
        keys = self._dotted()
        for length in range(1, len(keys)):
            self.places.setdefault((*table, *keys[:length]), Place(line, ""))
        self.at += 1  # the equals sign
        self._skip(_BLANK)
        self._value((*table, *keys), line)

    def _dotted(self) -> list[str]:
        keys = []
        while True:
            self._skip(_BLANK)
            keys.append(self._key())
            self._skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return keys
            self.at += 1

    def _key(self) -> str:
        if self.text.startswith('"', self.at):
            return _ESCAPE.sub(_unescape, self._take(_BASIC)[1:-1])
        if self.text.startswith("'", self.at):
            return self._take(_LITERAL)[1:-1]
        return self._take(_BARE)

    def _value(self, path: Path, line: int) -> None:
        start = self.at
        first = self.text[start]
        if first == "[":
            self._list(path)
        elif first == "{":
            self._inline_table(path)
        elif first in "\"'":
            long = self.text.startswith(first * 3, start)
            if first == '"':
                self._take(_LONG_BASIC if long else _BASIC)
            else:
                self._take(_LONG_LITERAL if long else _LITERAL)
        else:
            end = _SCALAR_END.search(self.text, start)
            self.at = end.start() if end else len(self.text)
        self.places[path] = Place(line, _short(self.text[start : min(self.at, start + 4 * MAX_SPELLING)]))

    def _list(self, path: Path) -> None:
        self.at += 1
        index = 0
        self._skip(_GAP)
        while not self.text.startswith("]", self.at):
            self._value((*path, index), self._line_here())
            index += 1
            self._skip(_GAP)
            if self.text.startswith(",", self.at):
                self.at += 1
                self._skip(_GAP)
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        self._skip(_GAP)
        while not self.text.startswith("}", self.at):
            self._pair(path)
            self._skip(_GAP)
            if self.text.startswith(",", self.at):
                self.at += 1
                self._skip(_GAP)
        self.at += 1

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.at)
        if found:
            self.at = found.end()

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if not found:  # tomllib accepted what this scanner cannot read: raise an error, never guess a line
            raise ValueError(f"unreadable TOML at character {self.at}")
        self.at = found.end()
        return found[0]

    def _line_here(self) -> int:
        self._line += self.text.count("\n", self._counted, self.at)
        self._counted = self.at
        return self._line


def _unescape(found: re.Match[str]) -> str:
    code = found[1]
    if code[0] in "uU" and len(code) > 1:
        return chr(int(code[1:], 16))
    return _ESCAPES.get(code, code)


def _short(spelling: str) -> str:
    words = " ".join(spelling.split()) if "\n" in spelling else spelling.rstrip()
    return words if len(words) <= MAX_SPELLING else words[: MAX_SPELLING - 1] + "…"
