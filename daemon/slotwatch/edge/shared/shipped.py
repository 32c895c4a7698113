"""Finds the files that come with the program: the page (`web`) and the example houses (`config`)."""

from __future__ import annotations

from pathlib import Path

from slotwatch.errors import EdgeError

_PACKAGE = Path(__file__).parent.parent.parent


def directory(name: str) -> Path:
    """Return the directory `web` or `config`: package data in a wheel, the checkout's own else.

    EdgeError if the installation lacks it.
    """
    for place in (_PACKAGE / "shipped" / name, _PACKAGE.parent.parent / name):
        if place.is_dir():
            return place
    raise EdgeError(f"this installation has no {name} directory", "install slotwatch again")
