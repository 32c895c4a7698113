"""The page's certificate and its key, from the two files that the house file names."""

from __future__ import annotations

import contextlib
import math
import os
import ssl
from datetime import UTC, datetime
from pathlib import Path

from slotwatch import clock
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import own_user
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House


class KeptPair:
    """The pair that was taken last, in memory that outlives the page's process: that may be restarted in a renewal."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def keep(self, files: tuple[Path, Path], states: list[tuple[int, ...]]) -> None:
        """Keep what is in these files, if they are still those of these states: else they may be no pair."""
        with contextlib.suppress(OSError):
            kept = b"\n".join((_names(files), *(path.read_bytes() for path in files)))
            if _states(files) != states:
                return
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, kept, 0)

    def of(self, files: tuple[Path, Path]) -> tuple[Path, Path] | None:
        """Where the pair that these files held can be read; None if none was kept of them."""
        names = _names(files) + b"\n"
        place = Path(f"/proc/self/fd/{self._fd}")
        return (place, place) if os.pread(self._fd, len(names), 0) == names else None


class PageCertificate:
    """The pair that new connections get: the newest that could be used. Open connections keep theirs."""

    def __init__(self, house: House, kept: KeptPair | None = None) -> None:
        """EdgeError if the certificate cannot be used, and `kept` has none of these files."""
        self._files = _files(house)
        self._kept = kept
        self.context: ssl.SSLContext | None = None
        """What the page's server encrypts with; None where the page has no certificate."""
        self._refusal = ""
        self._from_s, self._until_s = 0.0, math.inf
        self._tried = self._changing = _states(self._files)
        if self._files is not None:
            self.context = self._newest = self._first(self._files)
            self.context.sni_callback = self._give_newest

    def renewed(self, house: House) -> PageCertificate:
        """The certificate under this house. Of the same files it is read again, and one that cannot be used now, as in
        the middle of its renewal, leaves the one before. EdgeError if other files cannot be used.
        """
        if _files(house) != self._files:
            return PageCertificate(house, self._kept)
        if self._files is not None:
            self._read_again(self._files)
        return self

    def follow(self) -> bool:
        """Read the files again if they changed, once they are the same at two calls: a renewal writes one after the
        other. Whether they were read."""
        found = _states(self._files)
        is_settled, self._changing = found == self._changing, found
        if self._files is None or found == self._tried or not is_settled:
            return False
        self._read_again(self._files)
        return True

    def _first(self, files: tuple[Path, Path]) -> ssl.SSLContext:
        try:
            return self._take(files)
        except EdgeError as error:
            kept = self._kept.of(files) if self._kept is not None else None
            if kept is None:
                raise
            self._refusal = str(error)
            try:
                return self._load(*kept)
            except EdgeError:
                raise error from None  # it names the files

    def _read_again(self, files: tuple[Path, Path]) -> None:
        self._tried = _states(files)
        try:
            self._newest, self._refusal = self._take(files), ""
        except EdgeError as error:
            self._refusal = str(error)

    def _take(self, files: tuple[Path, Path]) -> ssl.SSLContext:
        states = _states(files)
        found = self._load(*files)
        if self._kept is not None:
            self._kept.keep(files, states)
        return found

    @property
    def trouble(self) -> str:
        """What is wrong with the certificate, as sentences; empty if nothing is."""
        now_s, found = clock.wall_ns() / 1e9, []
        if self._refusal:
            found.append(
                f"A new certificate was not taken: this computer {self._refusal}. The page keeps the one that it had,"
                " and takes the new one once its files are right."
            )
        if now_s > self._until_s:
            found.append(f"The certificate of the page ended on {_day(self._until_s)}: browsers warn of it.")
        elif now_s < self._from_s:
            found.append(f"The certificate of the page begins on {_day(self._from_s)}: until then browsers warn of it.")
        return " ".join(found)

    def _load(self, certificate: Path, key: Path) -> ssl.SSLContext:
        """Read the files, each time into a context of its own: a pair that does not match would stay half loaded."""
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            for path in (certificate, key):
                if path.exists() and not path.is_file():  # reading a pipe would never end
                    raise _unusable(certificate, f"{path.name} is not an ordinary file")
            context.load_cert_chain(certificate, key, _no_passphrase)
            self._from_s, self._until_s = _span_s(certificate)
        except FileNotFoundError:
            missing = next((path for path in (certificate, key) if not path.exists()), key)
            raise _unusable(certificate, f"{missing.name} does not exist") from None
        except _NeedsPassphrase:
            raise _unusable(certificate, f"{key.name} needs a passphrase; keep the key without one") from None
        except (OSError, ssl.SSLError) as error:
            number = None if isinstance(error, ssl.SSLError) else error.errno  # OpenSSL's numbers are its own
            raise _unusable(certificate, _reason(error), number) from error
        return context

    def _give_newest(self, connection: ssl.SSLObject, _name: str | None, _context: ssl.SSLContext) -> None:
        """OpenSSL asks this at the beginning of each connection, also where the client names no server."""
        connection.context = self._newest


def _files(house: House) -> tuple[Path, Path] | None:
    """The certificate and its key; None where the page has none."""
    if not house.http.certificate_file:
        return None
    certificate = read_place(house, house.http.certificate_file)
    return certificate, read_place(house, house.http.key_file) if house.http.key_file else certificate


def _names(files: tuple[Path, Path]) -> bytes:
    return " ".join(map(str, files)).encode(errors="surrogateescape")


def _states(files: tuple[Path, Path] | None) -> list[tuple[int, ...]]:
    """What shows that one of the files is another, was written, or may be read now."""
    return [_state(path) for path in files or ()]


def _state(path: Path) -> tuple[int, ...]:
    try:
        found = path.stat()
    except OSError:
        return ()
    return found.st_dev, found.st_ino, found.st_mtime_ns, found.st_ctime_ns, found.st_size


def _span_s(certificate: Path) -> tuple[float, float]:
    """From when until when the first certificate of a file holds, in seconds of the wall clock."""
    from cryptography import x509  # takes a while, and most pages have no certificate

    try:
        found = x509.load_pem_x509_certificates(certificate.read_bytes())[0]
    except ValueError:
        return 0.0, math.inf  # OpenSSL took it, and it serves; this library is stricter
    return found.not_valid_before_utc.timestamp(), found.not_valid_after_utc.timestamp()


def _day(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d, %H:%M UTC")


class _NeedsPassphrase(Exception):
    """The key is encrypted, and nobody is there who could type its passphrase."""


def _no_passphrase() -> str:
    raise _NeedsPassphrase


def _reason(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return f"{own_user()} may not read it or its key"
    if isinstance(error, ssl.SSLError):
        is_mismatch = error.reason == "KEY_VALUES_MISMATCH"
        return "the key belongs to another certificate" if is_mismatch else "no PEM certificate with its key is in them"
    return error.strerror or type(error).__name__


def _unusable(certificate: Path, why: str, number: int | None = None) -> EdgeError:
    return EdgeError(
        f"cannot use the certificate {certificate.name}: {why}",
        "set [tls] certificate_file and key_file to a PEM pair that this program may read",
        number,
    )
