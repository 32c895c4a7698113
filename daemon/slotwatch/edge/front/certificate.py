"""The page's certificate and its key, from the two files that the house file names."""

from __future__ import annotations

import ssl
from pathlib import Path

from slotwatch.edge.shared.places import read_place
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House


def tls_context(house: House) -> ssl.SSLContext | None:
    """What the page's server encrypts with; None where the page has no certificate.

    EdgeError if the certificate cannot be used.
    """
    if not house.http.certificate_file:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load_certificate(context, house)
    return context


def load_certificate(context: ssl.SSLContext, house: House) -> None:
    """Have new connections get the certificate that is in the files now. EdgeError if it cannot be used."""
    certificate = read_place(house, house.http.certificate_file)
    key = read_place(house, house.http.key_file) if house.http.key_file else certificate
    try:
        for path in (certificate, key):
            if path.exists() and not path.is_file():  # reading a pipe would never end
                raise _unusable(certificate, f"{path.name} is not an ordinary file")
        context.load_cert_chain(certificate, key, _no_passphrase)
    except FileNotFoundError:
        missing = next((path for path in (certificate, key) if not path.exists()), key)
        raise _unusable(certificate, f"{missing.name} does not exist") from None
    except _NeedsPassphrase:
        raise _unusable(certificate, f"{key.name} needs a passphrase; keep the key without one") from None
    except (OSError, ssl.SSLError) as error:
        raise _unusable(certificate, _reason(error)) from error


class _NeedsPassphrase(Exception):
    """The key is encrypted, and nobody is there who could type its passphrase."""


def _no_passphrase() -> str:
    raise _NeedsPassphrase


def _reason(error: OSError) -> str:
    if isinstance(error, ssl.SSLError):
        is_mismatch = error.reason == "KEY_VALUES_MISMATCH"
        return "the key belongs to another certificate" if is_mismatch else "no PEM certificate with its key is in them"
    return error.strerror or type(error).__name__


def _unusable(certificate: Path, why: str) -> EdgeError:
    return EdgeError(
        f"cannot use the certificate {certificate.name}: {why}",
        "set [tls] certificate_file and key_file to a PEM pair that this program may read",
    )
