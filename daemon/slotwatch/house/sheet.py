"""A table from paperwork: finds its delimiter, its header row and its columns, whatever they are called.

Tolerant about form (order, case, extra columns, blank and comment rows, quoted cells, line ends), and it says
how each column was read. The caller decides what the cells mean.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from slotwatch.errors import HouseFileError, Problem
from slotwatch.house.document import decode_text
from slotwatch.printable import LONGEST_HELD, cut, one_line

MAX_SHEET_BYTES = 16 << 20
MAX_ROWS = 100_000
"""Five times the rows of 512 full universes."""
MAX_COLUMNS = 256
MAX_CELL = 1000
_SHORT_CELL = f"at most {MAX_CELL} letters are expected"
MOST_ALIKE = 5
"""Rows with the same fault that are listed; the others are counted."""
HEADER_WITHIN = 30
"""Rows of titles that may be above the header."""
_DELIMITERS = (",", ";", "\t")
_NOT_WORD = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True)
class Column:
    """A column that is understood: our name and what paperwork calls it."""

    name: str
    others: tuple[str, ...] = ()
    required: bool = False


@dataclass(slots=True)
class Row:
    """One row: its number in the file, and its cells by our names."""

    number: int
    cells: dict[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


@dataclass(slots=True)
class TableSheet:
    """A sheet that could be read."""

    file: str
    rows: list[Row]
    columns: frozenset[str]
    """Our names of the columns that are there."""
    readings: str
    """How each column was read, for people, in one line."""
    header: tuple[int, frozenset[str]]
    """The line of the header, and its titles as they are compared."""
    problems: list[Problem] = field(default_factory=list)
    """Rows with more cells than the header has, and rows with a cell that is too long; nothing of them is read."""


def read_sheet(
    file: str, data: bytes, columns: tuple[Column, ...], own: tuple[tuple[str, str], ...] = ()
) -> TableSheet:
    """Read a CSV file (UTF-8; comma, semicolon or tab). `own` are the house's names: (our column, its header).

    HouseFileError with one line if it is not such a table.
    """
    text = decode_text(file, data, MAX_SHEET_BYTES)
    if not text.strip():
        raise HouseFileError(
            [Problem(file, None, "", "", "it is empty; a header row and at least one row are expected")]
        )
    names = _names(columns, own)
    wanted = [column.name for column in columns if column.required]
    best: tuple[int, int, str] | None = None
    for delimiter in _DELIMITERS:
        for at, (_number, cells) in zip(range(HEADER_WITHIN), _records(file, text, delimiter), strict=False):
            found = {names[word] for cell in cells if (word := _word(cell)) in names}
            if best is None or len(found) > best[0]:
                best = (len(found), at, delimiter)
    if best is None or best[0] == 0:
        known = ", ".join(column.name for column in columns)
        raise HouseFileError([Problem(file, 1, "", "", f"no header row is found; columns are {known}")])
    sheet = _sheet(file, _records(file, text, best[2]), best[1], names)
    wrong = _wrong_names(file, sheet, columns, own)
    if not wrong:
        wrong = [_missing(file, sheet, name, columns) for name in wanted if name not in sheet.columns]
    if wrong:
        raise HouseFileError(wrong)
    return sheet


def _sheet(file: str, records: Iterator[tuple[int, list[str]]], header_at: int, names: dict[str, str]) -> TableSheet:
    for _ in range(header_at):
        next(records)
    header_number, header = next(records)
    places: dict[str, int] = {}
    used: list[str] = []
    unused: list[str] = []
    for index, cell in enumerate(header):
        title, name = cut(cell.strip(), LONGEST_HELD), names.get(_word(cell))
        if name is None or name in places:
            unused += [repr(title)] if title else []
        else:
            places[name] = index
            used.append(name if title == name else f"{name} from {title!r}")
    readings = "columns read: " + ", ".join(used) + (f"; not used: {', '.join(unused)}" if unused else "")
    sheet = TableSheet(file, [], frozenset(places), readings, (header_number, frozenset(map(_word, header))))
    for number, cells in records:
        if any(cell.strip() for cell in cells[len(header) :]):
            sheet.problems.append(_too_long(file, number, cells, len(header)))
            continue
        row = Row(number, {name: one_line(cells[at]) for name, at in places.items() if at < len(cells)})
        if wide := [name for name, cell in row.cells.items() if len(cell) > MAX_CELL]:
            sheet.problems += [Problem(file, number, name, row.cells[name], _SHORT_CELL) for name in wide]
            continue
        if any(row.cells.values()):
            sheet.rows.append(row)
    return sheet


def _too_long(file: str, number: int, cells: list[str], wanted: int) -> Problem:
    first = one_line(cells[wanted])[:60] or one_line(next(filter(str.strip, cells[wanted:])))[:60]
    return Problem(
        file,
        number,
        "",
        f"{len(cells)} cells, the header has {wanted}; the first one too many is {first!r}",
        "each fixture or circuit needs a row of its own, and a cell that contains the delimiter needs quotes",
    )


def condensed(problems: list[Problem]) -> list[Problem]:
    """Say once, with a count, what is wrong in the same way in more than MOST_ALIKE rows."""
    alike = Counter((problem.key, problem.wanted) for problem in problems)
    remarked: set[tuple[str, str]] = set()
    found: list[Problem] = []
    for problem in problems:
        kind = problem.key, problem.wanted
        if alike[kind] <= MOST_ALIKE:
            found.append(problem)
        elif kind not in remarked:
            remarked.add(kind)
            wanted = f"{problem.wanted} (and in {alike[kind] - 1} more rows)"
            if problem.key == "universe":
                wanted += '; or declare once what each number is: [patch] universes = { 1 = "e131/1" }'
            found.append(replace(problem, wanted=wanted))
    return found


def _records(file: str, text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Rows that hold something, with the line each begins in. Blank rows and rows that begin with # are none."""
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter)
    begins, count = 1, 0
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            raise HouseFileError(
                [Problem(file, reader.line_num, "", "", f"this row cannot be read: {error}")]
            ) from None
        if cells is None:
            return
        number, begins = begins, reader.line_num + 1
        if len(cells) > MAX_COLUMNS:
            raise HouseFileError([Problem(file, number, "", "", f"a row of more than {MAX_COLUMNS} cells")])
        if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#"):
            count += 1
            if count > MAX_ROWS:
                raise HouseFileError([Problem(file, number, "", "", f"more than {MAX_ROWS} rows")])
            yield number, cells


def _names(columns: tuple[Column, ...], own: tuple[tuple[str, str], ...]) -> dict[str, str]:
    names: dict[str, str] = {}
    for column in columns:
        for other in column.others:
            names.setdefault(_word(other), column.name)
    for column in columns:
        names[_word(column.name)] = column.name
    for name, title in own:
        # What the house says wins: no other column may be read as this one.
        names = {word: meant for word, meant in names.items() if meant != name}
        names[_word(title)] = name
    return names


def _word(title: str) -> str:
    return _NOT_WORD.sub(" ", title.strip().lower()).strip()


def _wrong_names(
    file: str, sheet: TableSheet, columns: tuple[Column, ...], own: tuple[tuple[str, str], ...]
) -> list[Problem]:
    """Names that the house gives and nothing has: without them the column would be taken as if it were absent."""
    number, titles = sheet.header
    known = [column.name for column in columns]
    wanted = f"the house file names a column for this; only these are read: {', '.join(known)}"
    unread = [Problem(file, number, name, title, wanted) for name, title in own if name not in known]
    return unread + [
        Problem(file, number, name, title, f"the house file names this column, but none is called so; {sheet.readings}")
        for name, title in own
        if name in known and _word(title) not in titles
    ]


def _missing(file: str, sheet: TableSheet, name: str, columns: tuple[Column, ...]) -> Problem:
    column = next(column for column in columns if column.name == name)
    others = f" (also understood: {', '.join(column.others)})" if column.others else ""
    wanted = (
        f"a column named {name} is expected{others}; {sheet.readings}. If the column has another title, name"
        f' it beside `file` in the house file: columns = {{ {name} = "its title" }}'
    )
    return Problem(file, sheet.header[0], name, "no such column", wanted)
