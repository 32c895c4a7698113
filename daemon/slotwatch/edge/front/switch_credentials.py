"""Reads what a switch needs before it answers: a community (2c), or a user with two passphrases (3)."""

from __future__ import annotations

import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path

from slotwatch.edge.shared.secret_file import SecretFileError, read_secret

AUTHENTICATION = ("SHA", "SHA-224", "SHA-256", "SHA-384", "SHA-512", "MD5")
"""RFC 3414 and RFC 7860. The first is what a file means that names none."""
PRIVACY = ("AES", "AES-192", "AES-256", "DES")
"""RFC 3826 (AES with 128 bits), RFC 3414 (DES); the longer ones are common practice, no source."""
SHORTEST = 8
"""Characters of a passphrase (RFC 3414 11.2)."""
_KEYS = {"user", "authentication", "privacy", "authentication_protocol", "privacy_protocol"}


@dataclass(frozen=True, slots=True)
class Credentials:
    """Version 2c: only `community`. Version 3: the others; an empty passphrase means that nothing is protected so."""

    community: str = ""
    user: str = ""
    authentication: str = ""
    privacy: str = ""
    authentication_protocol: str = AUTHENTICATION[0]
    privacy_protocol: str = PRIVACY[0]


def read_credentials(path: Path, version: str) -> Credentials:
    """Read a file. SecretFileError with the end of a sentence if it cannot be used."""
    raw = read_secret(path)
    if path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH):
        raise SecretFileError(f"{path} may be read by everybody on this computer: chmod o-rw {path.name}")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise SecretFileError(f"{path} is not text") from None
    return _community(path, text) if version == "2c" else _user(path, text)


def _community(path: Path, text: str) -> Credentials:
    """One line: the community itself, or `community = "…"`."""
    if "=" not in text and "\n" not in text:
        return Credentials(community=text)
    found = _table(path, text)
    if set(found) != {"community"} or not found["community"]:
        raise SecretFileError(f'{path} must hold one line: community = "…"')
    return Credentials(community=found["community"])


def _user(path: Path, text: str) -> Credentials:
    found = _table(path, text)
    if unknown := set(found) - _KEYS:
        raise SecretFileError(f"{path}: {sorted(unknown)[0]} is not a known key; known: {', '.join(sorted(_KEYS))}")
    made = Credentials(**found)
    if not made.user:
        raise SecretFileError(f"{path} names no user")
    if made.privacy and not made.authentication:
        raise SecretFileError(f"{path}: privacy needs authentication (RFC 3414)")
    for name, word in (("authentication", made.authentication), ("privacy", made.privacy)):
        if word and len(word) < SHORTEST:
            raise SecretFileError(f"{path}: {name} needs at least {SHORTEST} characters (RFC 3414)")
    for name, word, known in (
        ("authentication_protocol", made.authentication_protocol, AUTHENTICATION),
        ("privacy_protocol", made.privacy_protocol, PRIVACY),
    ):
        if word not in known:
            raise SecretFileError(f"{path}: {name} must be one of {', '.join(known)}")
    return made


def _table(path: Path, text: str) -> dict[str, str]:
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise SecretFileError(f'{path} is not understood: lines such as user = "…" are expected') from None
    if not all(isinstance(value, str) for value in found.values()):
        raise SecretFileError(f'{path} is not understood: lines such as user = "…" are expected')
    return found
