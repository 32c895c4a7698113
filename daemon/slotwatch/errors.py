"""Errors that reach a user: each carries the sentence that is printed, never a traceback."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.printable import LONGEST_HELD, cut, shown

FOUND_FAULTS = 1
"""Exit status of a verb that ran and found faults."""
COULD_NOT_RUN = 2
"""Exit status of a verb that could not run, or that could judge nothing."""
MOST_LISTED = 50
"""Problems of one file that are listed; the others are counted."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a file: where, which key, what it holds, what would be right."""

    file: str
    line: int | None
    """1-based line or CSV row; None where the file has no lines (an archive)."""
    key: str
    """Key path or column, such as `limits.min_refresh_hz`; empty for the file itself."""
    holds: str
    """What is there, in the file's own spelling; empty if nothing is."""
    wanted: str
    """What would be right, in words."""

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        key, holds = cut(self.key, LONGEST_HELD), cut(self.holds, LONGEST_HELD)
        subject = " ".join(part for part in (f"{key}:" if key else "", holds) if part)
        return shown(f"{place}: {subject}{' - ' if subject else ''}{self.wanted}")


class SlotwatchError(Exception):
    """Base of everything that ends a verb with exit status 2."""

    @property
    def lines(self) -> list[str]:
        """One line for each thing wrong, ready for stderr."""
        return [shown(str(self))]


class HouseFileError(SlotwatchError):
    """A house file, patch or circuit list that cannot be used: all of its problems at once."""

    def __init__(self, problems: list[Problem], *, is_cut: bool = False) -> None:
        """is_cut: reading ended early, so there may be more."""
        super().__init__("1 problem" if len(problems) == 1 else f"{len(problems)} problems")
        self.problems = problems
        self.is_cut = is_cut

    @property
    def lines(self) -> list[str]:
        """The first MOST_LISTED problems, then how many more there are."""
        lines = [str(problem) for problem in self.problems[:MOST_LISTED]]
        more = len(self.problems) - len(lines)
        if more:
            least = "at least " if self.is_cut else ""
            lines.append(f"{self.problems[0].file}: and {least}{more} more problem{'' if more == 1 else 's'}")
        return lines


class CaptureError(SlotwatchError):
    """A capture file that cannot be read."""


class EdgeError(SlotwatchError):
    """The system refuses something: a port is taken, an interface is missing, a right is not granted.

    `advice` says how to fix it, as a sentence or a command.
    """

    def __init__(self, message: str, advice: str, errno: int | None = None) -> None:
        super().__init__(message)
        self.advice = advice
        self.errno = errno

    @property
    def lines(self) -> list[str]:
        return [shown(f"{self}; {self.advice}")]


class FormatError(EdgeError):
    """Another process of the daemon wrote in a format that this program does not read, as after an upgrade."""


class CouldNotStart(SlotwatchError):
    """A process of the daemon reported why it cannot run."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__(lines[0] if lines else "it did not start")
        self._lines = lines

    @property
    def lines(self) -> list[str]:
        return self._lines
