"""Sends one message through the library Apprise, as a program of its own: `python -m` this module.

The library waits, brings 190 plugins (half a second, 20 MiB) and starts threads: none of that belongs in the page's
process, and a program that hangs can be ended. What to send comes on the standard input as JSON, so that the secret
address is in no list of processes. What came back goes to the standard output as one line, empty if the service took
it.
"""

from __future__ import annotations

import json
import logging
import re
import sys

from slotwatch.printable import reason_of

MOST_LINES = 10
_SYSTEM = re.compile(r"\[Errno -?\d+\] ([A-Za-z ]+)")

_REDIRECTED = re.compile(r"\berror=(3\d\d)\b")
"""What most plugins write of the status of an answer."""


def send(url: str, title: str, text: str, severity: str, kind: str) -> str:
    """Send it. Empty if the service took it, else why not, as the end of a sentence and without the address."""
    import apprise

    types = {"critical": apprise.NotifyType.FAILURE, "warning": apprise.NotifyType.WARNING}
    notify_type = apprise.NotifyType.SUCCESS if kind == "resolved" else types.get(severity, apprise.NotifyType.INFO)
    reasons = ReasonLog()
    logger = logging.getLogger("apprise")
    logger.addHandler(reasons)
    logger.setLevel(logging.DEBUG)
    # With a redirect, what is secret in the address or the message would go to another computer.
    asset = apprise.AppriseAsset(
        app_id="slotwatch", app_desc="slotwatch", app_url="", async_mode=False, http_redirects=False
    )
    sender = apprise.Apprise(asset=asset)
    if not sender.add(url):
        return "Apprise does not know this kind of address, or a part of it is missing"
    # Without its format the library takes the text for HTML in a mail: lines run together, and "<" hides a name.
    text_format = apprise.NotifyFormat.TEXT
    if sender.notify(body=text, title=title, notify_type=notify_type, body_format=text_format):
        return ""
    reason = "; ".join(reasons.lines)
    if redirected := _REDIRECTED.search(reason):
        reason = f"it answered {redirected[1]}: redirects are not followed, so give the address that it leads to"
    return without_secret(url, reason or "the service did not take it")


class ReasonLog(logging.Handler):
    """The library's own words for why something failed."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        line = record.getMessage().rstrip(". ")
        if record.levelno < logging.WARNING:
            # Only the system's own text: other details hold addresses and objects.
            found = _SYSTEM.search(line) if " Exception: " in line else None
            line = found[1] if found is not None else ""
        if line and line not in self.lines and len(self.lines) < MOST_LINES:
            self.lines.append(line)


def without_secret(url: str, reason: str) -> str:
    """A reason without any part of the secret address but the host's name."""
    place = re.match(r"[A-Za-z0-9+.-]+://(?:[^/@?]*@)?([^/:?]*)", url)
    host = place[1] if place else ""
    for part in sorted({part for part in re.split(r"[/:@?&=,]+", url) if len(part) > 3}, key=len, reverse=True):
        if part != host:
            reason = reason.replace(part, "…")
    return reason_of(reason)


def main() -> int:
    given = json.load(sys.stdin)
    try:
        reason = send(given["url"], given["title"], given["text"], given["severity"], given["kind"])
    except Exception as error:  # a plugin of the library may raise anything
        reason = without_secret(given["url"], f"{type(error).__name__}: {error}")
    print(reason)
    return 0


if __name__ == "__main__":
    sys.exit(main())
