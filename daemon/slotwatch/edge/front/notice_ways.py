"""How a message leaves: through an Apprise address, or as a signed POST. Each gives its result as a sentence."""

from __future__ import annotations

import asyncio
import base64
import binascii
import hashlib
import hmac
import json
import sys
from pathlib import Path
from typing import Protocol

import aiohttp

from slotwatch import __version__, clock
from slotwatch.edge.front.bounded_answer import BoundedAnswer
from slotwatch.edge.front.reasons import why_refused, why_unreachable
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError, read_secret
from slotwatch.house.outgoing import Notify, Webhook
from slotwatch.house.schema import House
from slotwatch.printable import reason_of
from slotwatch.views.notice import Notice

ANSWER_WITHIN_S = 10.0
SEND_WITHIN_S = 90.0
"""A mail server may take its time; the library's own limit is 60 s."""
KEY_PREFIX = b"whsec_"


class NoticeWay(Protocol):
    """How one recipient is reached."""

    kind: str

    async def unusable(self) -> str:
        """Empty if its secret can be had, else why not, as the end of a sentence. Sends nothing."""

    async def send(self, notice: Notice) -> str:
        """Send it once. Empty if the recipient took it, else why not, as the end of a sentence."""


def way_of(house: House, recipient: Notify | Webhook) -> NoticeWay:
    """Make what reaches a recipient. Its secret is read at each message, so that a new one needs no reload."""
    if isinstance(recipient, Webhook):
        return WebhookWay(recipient.url, read_place(house, recipient.secret_file))
    return AppriseWay(read_place(house, recipient.url_file))


class AppriseWay:
    """Mail, push services, chats: whatever the library Apprise has an address for."""

    kind = "apprise"

    def __init__(self, url_file: Path) -> None:
        self._url_file = url_file

    async def unusable(self) -> str:
        try:
            await asyncio.to_thread(self._url)
        except SecretFileError as error:
            return _no_address(error)
        return ""

    async def send(self, notice: Notice) -> str:
        try:
            url = await asyncio.to_thread(self._url)
        except SecretFileError as error:
            return _no_address(error)
        given = {
            "url": url,
            "title": notice.title,
            "text": notice.text,
            "severity": notice.severity,
            "kind": notice.kind,
        }
        return await _run(json.dumps(given).encode())

    def _url(self) -> str:
        lines = read_secret(self._url_file).decode("utf-8", "replace").splitlines()
        urls = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
        if len(urls) != 1:
            raise SecretFileError(f"{self._url_file} holds {len(urls)} addresses, and one is expected")
        return urls[0]


class WebhookWay:
    """A POST of JSON, signed as the Standard Webhooks specification says (HMAC-SHA256 over id, time stamp and body)."""

    kind = "webhook"

    def __init__(self, url: str, secret_file: Path) -> None:
        self._url = url
        self._secret_file = secret_file

    async def unusable(self) -> str:
        try:
            signing_key(await asyncio.to_thread(read_secret, self._secret_file))
        except SecretFileError as error:
            return _no_key(error)
        return ""

    async def send(self, notice: Notice) -> str:
        try:
            key = signing_key(await asyncio.to_thread(read_secret, self._secret_file))
        except SecretFileError as error:
            return _no_key(error)
        body = json.dumps(notice.as_object(), ensure_ascii=False, separators=(",", ":")).encode()
        headers = {
            "Content-Type": "application/json",
            "User-Agent": f"slotwatch/{__version__}",
            **signature(key, notice.id, clock.wall_ns() // 1_000_000_000, body),
        }
        return await _post(self._url, body, headers)


def _no_address(error: SecretFileError) -> str:
    return f"its address is not known: {error}"


def _no_key(error: SecretFileError) -> str:
    return f"its key is not known: {error}"


def signing_key(secret: bytes) -> bytes:
    """The key in a secret file: its text as it is, or `whsec_` and base64. SecretFileError if that is not base64."""
    if not secret.startswith(KEY_PREFIX):
        return secret
    try:
        return base64.b64decode(secret[len(KEY_PREFIX) :], validate=True)
    except binascii.Error:
        raise SecretFileError("what follows whsec_ is not base64") from None


def signature(key: bytes, number: str, at_s: int, body: bytes) -> dict[str, str]:
    """Headers by which the recipient checks who sent it, when, and that nothing was changed."""
    signed = b".".join((number.encode(), str(at_s).encode(), body))
    mark = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    return {"webhook-id": number, "webhook-timestamp": str(at_s), "webhook-signature": f"v1,{mark}"}


async def _post(url: str, body: bytes, headers: dict[str, str]) -> str:
    timeout = aiohttp.ClientTimeout(total=ANSWER_WITHIN_S)
    try:
        async with (
            aiohttp.ClientSession(timeout=timeout, response_class=BoundedAnswer) as session,
            session.post(url, data=body, headers=headers, allow_redirects=False) as response,
        ):
            if 200 <= response.status < 300:
                return ""
            return await why_refused(response)
    except TimeoutError:
        return f"no answer within {ANSWER_WITHIN_S:.0f} s"
    except (aiohttp.ClientError, OSError, ValueError) as error:
        return why_unreachable(error)


async def _run(given: bytes) -> str:
    """Have it sent by a program of its own, which is ended if it takes too long."""
    sending = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "slotwatch.edge.front.apprise_sending",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        async with asyncio.timeout(SEND_WITHIN_S):
            printed, _ = await sending.communicate(given)
    except TimeoutError:
        return f"no answer within {SEND_WITHIN_S:.0f} s"
    finally:
        if sending.returncode is None:
            sending.kill()
            await sending.wait()
    if sending.returncode != 0:
        return f"the program that sends it ended with status {sending.returncode}"
    return reason_of(printed.decode("utf-8", "replace"))
