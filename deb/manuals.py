"""The manual pages and the shell completion, made from the parser that the command itself uses."""

from __future__ import annotations

import argparse
import gzip
import os
from datetime import UTC, datetime
from pathlib import Path

import shtab
from argparse_manpage.manpage import Manpage

from slotwatch.cli import build_parser

FOOTER = (
    ".SH CAUTION\nslotwatch is not a safety system. Never use it for pyrotechnics, flames, lasers, hoists, "
    "moving scenery, emergency or escape lighting.\n.SH SEE ALSO\n"
)


def write_manuals(target: Path) -> None:
    """Write slotwatch(1) and one page for each verb, gzipped, with the time of SOURCE_DATE_EPOCH."""
    parser = build_parser()
    verbs = _verbs(parser)
    target.mkdir(parents=True, exist_ok=True)
    pages = {"slotwatch": parser, **{f"slotwatch-{verb}": page for verb, page in verbs.items()}}
    for name, page in pages.items():
        others = ", ".join(f"\\fB{other}\\fR(1)" for other in pages if other != name)
        text = _page(name, page) + FOOTER + others + "\n"
        with gzip.GzipFile(target / f"{name}.1.gz", "wb", compresslevel=9, mtime=0) as file:
            file.write(text.encode())


def write_completion(target: Path) -> None:
    """Write the completion for bash where bash-completion finds it."""
    target.mkdir(parents=True, exist_ok=True)
    (target / "slotwatch").write_text(shtab.complete(build_parser(), "bash"), encoding="utf-8")


def _verbs(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return next(dict(action.choices) for action in parser._actions if isinstance(action.choices, dict))


def _page(name: str, parser: argparse.ArgumentParser) -> str:
    """Return one page. The library dates it today and names no summary; both are replaced here."""
    date = datetime.fromtimestamp(int(os.environ["SOURCE_DATE_EPOCH"]), UTC).strftime("%Y-%m-%d")
    summary = (parser.description or "").rstrip(".").split(". ")[0]
    lines = str(Manpage(parser)).splitlines()
    body = lines[lines.index(".SH SYNOPSIS") :]
    header = [f'.TH {name.upper()} 1 "{date}" "slotwatch" "User Commands"', ".SH NAME", f"{name} \\- {summary}"]
    return "\n".join([*header, *body]) + "\n"
