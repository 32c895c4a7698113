"""What the users' documents show: every indented block, and every command in it or in a table of the API."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent
PAGES = (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))
PROGRAMS = ("slotwatch", "curl", "promtool", "dumpcap", "cp", "sudo", "make", "systemctl", ".venv/bin/python", "S=")
"""With one of these a line begins that is typed into a terminal."""


@dataclass(frozen=True)
class Block:
    """Indented lines of a page, without their indentation."""

    page: str
    line: int
    text: str

    @property
    def kind(self) -> str:
        first = self.text.splitlines()[0]
        if first.startswith("import "):
            return "python"
        if re.fullmatch(r"\[+[a-z]+\]+", first):
            return "house"
        if first.startswith(PROGRAMS):
            return "commands"
        return "other"

    def __str__(self) -> str:
        return f"{self.page}:{self.line}"


def blocks() -> list[Block]:
    """Every indented block of every page. A blank line inside belongs to it."""
    found = []
    for page in PAGES:
        for block in re.finditer(r"(?:^    .*\n(?:\n(?=    ))*)+", text := page.read_text(encoding="utf-8"), re.M):
            line = text.count("\n", 0, block.start()) + 1
            found.append(Block(page.name, line, re.sub(r"^    ", "", block[0], flags=re.M)))
    return found


def commands() -> list[str]:
    """Every command, once, as it is typed and in the order of the pages; its remark is left out."""
    lines = [line for block in blocks() if block.kind == "commands" for line in block.text.splitlines()]
    lines += re.findall(r"^\| `(curl [^`]+)` \|", (ROOT / "docs" / "api.md").read_text(encoding="utf-8"), re.M)
    lines += [line for page in PAGES for line in re.findall(r"`(dumpcap [^`]+)`", page.read_text(encoding="utf-8"))]
    return list(dict.fromkeys(re.sub(r"\s+#.*", "", line).strip() for line in lines if line.strip()))
