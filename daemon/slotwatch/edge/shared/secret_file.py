"""Reads small files that hold one secret: a token, an address, a key. It reads a bounded length, and never a pipe."""

from __future__ import annotations

import os
import pwd
import stat
from pathlib import Path

MOST_BYTES = 8192


class SecretFileError(ValueError):
    """Why a secret cannot be had, as the end of a sentence. `is_denied`: another user may be able to have it."""

    def __init__(self, reason: str, *, is_denied: bool = False) -> None:
        super().__init__(reason)
        self.is_denied = is_denied


def read_secret(path: Path) -> bytes:
    """What the file holds, without white space around it. SecretFileError if it cannot be had."""
    try:
        # Without waiting: opening a pipe that nobody writes to would stop the whole process.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except PermissionError:
        raise SecretFileError(f"{path} may not be read by {own_user()}", is_denied=True) from None
    except OSError as error:
        raise SecretFileError(f"{path} cannot be read ({error.strerror})") from None
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise SecretFileError(f"{path} is not an ordinary file")
        found = os.read(handle, MOST_BYTES + 1)
    except OSError as error:
        raise SecretFileError(f"{path} cannot be read ({error.strerror})") from None
    finally:
        os.close(handle)
    if len(found) > MOST_BYTES:
        raise SecretFileError(f"{path} is larger than {MOST_BYTES} bytes")
    if not found.strip():
        raise SecretFileError(f"{path} is empty")
    return found.strip()


def own_user() -> str:
    """The user that this program runs as, in words."""
    number = os.geteuid()
    try:
        return f"the user {pwd.getpwuid(number).pw_name}"
    except KeyError:
        return f"the user with number {number}"
