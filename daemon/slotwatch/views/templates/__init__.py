"""HTML templates, shipped beside the modules that fill them. Everything put into one is escaped."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def environment() -> Environment:
    """Return the environment of all templates. A misspelt name raises UndefinedError and prints nothing.

    The loader reads the program's own files, as the import of a module does.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined  # not before a page is asked for

    return Environment(
        loader=PackageLoader("slotwatch.views", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        auto_reload=False,
    )
