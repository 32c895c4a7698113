"""A zip archive from a stranger, opened with bounds: nothing is unpacked to disk and nothing grows without end.

Checked before any other library sees it; those are then given a small archive that was made here.
"""

from __future__ import annotations

import io
import zipfile
from typing import Any
from xml.etree.ElementTree import Element, TreeBuilder, tostring

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser, ParseError

from slotwatch.errors import HouseFileError, Problem

MAX_ENTRIES = 20_000
MAX_DIRECTORY_BYTES = 4 << 20
"""The list of entries is read whole, so its size is looked at before anything parses it."""
MAX_XML_BYTES = 64 << 20
"""The scene of 20,000 fixtures has about 30 MiB."""
MAX_ALL_XML_BYTES = 256 << 20
MAX_INNER_BYTES = 64 << 20
"""One fixture type with its models."""
MAX_DEPTH = 100
MAX_ELEMENTS = 1_000_000
"""20,000 fixtures with all of their elements are 600,000."""
MAX_TYPE_ELEMENTS = 4_000_000
"""Of all fixture types of one scene together: 200 of 20,000 each, which is a large one (from memory)."""
MAX_RATIO = 200
"""Each fixture has an identifier of its own (36 random characters), so that no scene packs better than 1 to 80."""
RATIO_FROM_BYTES = 8 << 20
PIECE_BYTES = 1 << 16
_BEGIN = b"PK"
_END = b"PK\5\6"
_END_LENGTH = 22
_ZIP64 = b"PK\6\7"
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 1


class Elements:
    """How many elements several archives may still have together."""

    def __init__(self) -> None:
        self.left = MAX_TYPE_ELEMENTS


class CheckedArchive:
    """A checked archive. Every fault is a HouseFileError with one line.

    together: what it shares with other archives; None where it stands alone.
    """

    def __init__(self, file: str, data: bytes, together: Elements | None = None) -> None:
        self.file = file
        self._together = together or Elements()
        self._read_bytes = 0
        self._check_directory(data)
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
        except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError) as error:
            raise self.refused(f"it is not a readable zip archive: {error}") from None
        self.names: dict[str, zipfile.ZipInfo] = {}
        for entry in self._zip.infolist():
            self._check_entry(entry)
            self.names[entry.filename] = entry

    def read(self, name: str, most_bytes: int) -> bytes:
        """One entry, unpacked; at most this long."""
        try:
            with self._zip.open(self.names[name]) as entry:
                data = entry.read(most_bytes + 1)
        except Exception as error:  # a damaged entry may raise many kinds of errors inside zipfile and zlib
            raise self.refused(f"{name} in it cannot be unpacked: {error}") from None
        self._read_bytes += len(data)
        if len(data) > most_bytes or self._read_bytes > MAX_ALL_XML_BYTES:
            raise self.refused(f"{name} in it unpacks to more than {most_bytes >> 20} MiB")
        return data

    def xml(self, name: str) -> Element:
        """One entry as XML without DTD and entities, of bounded size and depth."""
        entry = self.names[name]
        if entry.file_size > RATIO_FROM_BYTES and entry.file_size > MAX_RATIO * entry.compress_size:
            raise self.refused(f"{name} in it unpacks to more than {MAX_RATIO} times its size, as no such file does")
        data = self.read(name, MAX_XML_BYTES).rstrip(b"\0")
        parser = DefusedXMLParser(target=_CountingBuilder(self._together), forbid_dtd=True)
        try:
            # In pieces, so that a count that runs over ends the reading there.
            for begin in range(0, len(data), PIECE_BYTES):
                parser.feed(data[begin : begin + PIECE_BYTES])
            root: Element = parser.close()
        except _TooMuch as error:
            raise self.refused(f"{name} in it {error}") from None
        except DefusedXmlException:
            raise self.refused(f"{name} in it declares a DTD or entities, which such a file never needs") from None
        except (ParseError, ValueError, LookupError) as error:
            raise self.refused(f"{name} in it is not XML: {error}") from None
        return root

    def refused(self, wanted: str) -> HouseFileError:
        return HouseFileError([Problem(self.file, None, "", "", wanted)])

    def _check_directory(self, data: bytes) -> None:
        at = data.rfind(_END, max(0, len(data) - _END_LENGTH - 65535))
        if at < 0 and not data.startswith(_BEGIN):
            raise self.refused("it is not a zip archive")
        if at < 0 or len(data) < at + _END_LENGTH:
            raise self.refused("it begins like a zip archive but has no end record; it may be cut short")
        if data[max(0, at - 20) : at].startswith(_ZIP64):
            raise self.refused("it is a zip64 archive; such files are never that large")
        if int.from_bytes(data[at + 12 : at + 16], "little") > MAX_DIRECTORY_BYTES:
            raise self.refused(f"its list of entries is larger than {MAX_DIRECTORY_BYTES >> 20} MiB")

    def _check_entry(self, entry: zipfile.ZipInfo) -> None:
        name = entry.filename
        parts = name.replace("\\", "/").split("/")
        if name.startswith(("/", "\\")) or ".." in parts or ":" in parts[0]:
            raise self.refused(f"it holds an entry that points outside of it: {name[:60]!r}")
        if len(self.names) >= MAX_ENTRIES:
            raise self.refused(f"it holds more than {MAX_ENTRIES} entries")
        if name in self.names:
            raise self.refused(f"it holds {name[:60]!r} twice")
        if entry.flag_bits & _ENCRYPTED:
            raise self.refused("it is encrypted")
        if entry.compress_type not in _METHODS:
            raise self.refused(f"{name[:60]!r} in it is packed by a method that the format does not allow")


class _TooMuch(Exception):
    """More elements, or deeper ones, than any such file holds."""


class _CountingBuilder(TreeBuilder):
    """Builds the tree and counts while it does. _TooMuch past the bounds."""

    def __init__(self, together: Elements) -> None:
        super().__init__()
        self._together = together
        self._count = self._depth = 0

    def start(self, tag: str, attributes: dict[Any, Any]) -> Element:
        self._count += 1
        self._depth += 1
        self._together.left -= 1
        if self._count > MAX_ELEMENTS or self._depth > MAX_DEPTH:
            raise _TooMuch("has too many elements or is nested too deeply")
        if self._together.left < 0:
            raise _TooMuch("has too many elements, with the fixture types before it")
        return super().start(tag, attributes)

    def end(self, tag: str) -> Element:
        self._depth -= 1
        return super().end(tag)


def repacked(name: str, root: Element) -> Any:
    """A small archive in memory that holds only this document: what other libraries are given to read."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(name, tostring(root, encoding="utf-8", xml_declaration=True))
    made.seek(0)
    return made
