"""The token that a change over HTTP needs where others can reach the page, and what is wrong with it."""

from __future__ import annotations

import ipaddress

from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError, read_secret
from slotwatch.house.schema import House


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this computer and no other."""
    if host == "localhost" or host.endswith(".localhost"):
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def read_token(house: House) -> tuple[bytes, str]:
    """The house's token, and why nothing can be changed with it: one is empty, both where none is declared."""
    token, error = _read(house)
    return token, f"The token file {error}: nothing can be changed with it." if error else ""


def is_denied(house: House) -> bool:
    """Whether this user may not read the token file, and another one perhaps may."""
    error = _read(house)[1]
    return error is not None and error.is_denied


def read_only(house: House) -> str:
    """Why the page can be read only: a token is expected, and it cannot be had. Empty where that is not so."""
    trouble = read_token(house)[1]
    return trouble and f"The page at {house.http.host}:{house.http.port} can be read only. {trouble}"


def _read(house: House) -> tuple[bytes, SecretFileError | None]:
    if not house.http.token_file:
        return b"", None
    try:
        return read_secret(read_place(house, house.http.token_file)), None
    except SecretFileError as error:
        return b"", error
