"""What docstrings and documents name between backticks exists: modules, names in them, files of the source."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent
SOURCE = ROOT / "daemon" / "slotwatch"
TOP = {path.stem for path in SOURCE.iterdir()}
DOTTED = re.compile(r"`([a-z_0-9]+(?:\.[A-Za-z_0-9]+)+)`")
FILE = re.compile(r"`((?:[a-z_0-9]+/)+[a-z_0-9]+\.(?:py|c|js))`")
ENDINGS = {"py", "c", "md", "toml", "js", "html", "db"}


def _texts() -> Iterator[tuple[Path, str]]:
    yield from ((path, path.read_text(encoding="utf-8")) for path in ROOT.glob("*.md"))
    for place in ("daemon", "docs", "tests", "benchmarks"):
        for path in (ROOT / place).rglob("*"):
            if path.suffix in {".py", ".md", ".c"} and path != Path(__file__):
                yield path, path.read_text(encoding="utf-8")


def _is_there(dotted: str) -> bool:
    """Whether `judge.binding` or `judge.binding.RuleSetup` is a module of the source, or a name in one."""
    place = SOURCE
    for index, part in enumerate(dotted.split(".")):
        if (place / part).is_dir():
            place /= part
            continue
        module = place / f"{part}.py"
        rest = dotted.split(".")[index + 1 :] if module.exists() else [part]
        text = (module if module.exists() else place / "__init__.py").read_text(encoding="utf-8")
        return not rest or re.search(rf"\b{rest[0]}\b", text) is not None
    return True


def test_modules_that_are_named_exist() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}: {dotted}"
        for path, text in _texts()
        for dotted in DOTTED.findall(text)
        if dotted.split(".")[0] in TOP and dotted.split(".")[-1] not in ENDINGS and not _is_there(dotted)
    ]
    assert not wrong, wrong


def test_files_that_are_named_exist() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}: {name}"
        for path, text in _texts()
        for name in FILE.findall(text)
        if not any((place / name).exists() for place in (ROOT, ROOT / "daemon", SOURCE, path.parent))
    ]
    assert not wrong, wrong
