"""Asks the other listeners of the house for the state of their streams, and passes the answers to judging.

One request a second to each, over a connection that is kept, with the tag of the last answer; more often while a
stream there is about to be lost. Each listener has a task of its own: one that hangs delays nothing but itself.
"""

from __future__ import annotations

import asyncio
import ssl
from pathlib import Path
from typing import Annotated, NamedTuple

import aiohttp
import msgspec

from slotwatch import __version__, clock
from slotwatch.durations import NANOSECONDS
from slotwatch.edge.front.bounded_answer import BoundedAnswer
from slotwatch.edge.front.reasons import why_unreachable
from slotwatch.edge.front.to_judging import Ask, tell_judging
from slotwatch.edge.shared.ended_tasks import work_together
from slotwatch.edge.shared.messages.orders import TakeListener
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError, read_secret
from slotwatch.house.schema import House
from slotwatch.house.witnesses import DeclaredListener
from slotwatch.snapshot import Snapshot
from slotwatch.views.elsewhere import HeardThere
from slotwatch.views.streams import COMPACT
from slotwatch.wire.observation import Count, Hertz, ListenerSeen, Milliseconds, Sequence, StreamElsewhere, Text

EVERY_S = 1.0
SOON_S = 0.3
"""While a stream there is late."""
LATE_NS = (950_000_000, 4_000_000_000)
"""Ages of a live E1.31 stream at which it may be about to be lost: past its keep-alive, before that is certain."""
ANSWER_WITHIN_S = 2.0
MOST_BYTES = 8 << 20
"""8,192 streams are some 3 MB."""
MOST_STREAMS = 8192


class StreamInJson(msgspec.Struct):
    """What is read of one stream where the answer is JSON; the other members of it are ignored."""

    universe: Text
    network: Text
    source: Text
    frames: Count
    state: Text
    judged: bool
    sequence: Sequence | None = None
    missing: Count | None = None
    last_frame_age_s: Annotated[float, msgspec.Meta(ge=0, le=1e6)] | None = None
    joined: bool | None = None
    name: Text = ""
    refresh_hz: Hertz | None = None
    wins: bool = False
    interval_max_ms: Milliseconds | None = None

    def observed(self) -> StreamElsewhere:
        """Give the stream as judging takes it."""
        return StreamElsewhere(
            self.universe.partition("@")[0],
            self.network,
            self.source,
            self.sequence,
            self.frames,
            self.missing,
            None if self.last_frame_age_s is None else int(self.last_frame_age_s * NANOSECONDS),
            self.state,
            # What arrives without being asked for may stop at any time.
            self.judged and self.joined is not False,
            self.name,
            self.refresh_hz,
            self.wins,
            self.interval_max_ms,
        )


_JSON: msgspec.json.Decoder[list[StreamInJson]] = msgspec.json.Decoder(
    Annotated[list[StreamInJson], msgspec.Meta(max_length=MOST_STREAMS)]
)
_COMPACT: msgspec.msgpack.Decoder[tuple[StreamElsewhere, ...]] = msgspec.msgpack.Decoder(
    Annotated[tuple[StreamElsewhere, ...], msgspec.Meta(max_length=MOST_STREAMS)]
)


class Answer(NamedTuple):
    """What a listener answered."""

    body: bytes
    is_compact: bool
    tag: str


class NotReached(Exception):
    """Why a listener was not reached, as the end of a sentence."""


class ElsewhereFetcher:
    """Follows no snapshot; `run` asks for ever."""

    name = "elsewhere"

    def __init__(self, house: House, ask: Ask, heard: dict[str, HeardThere]) -> None:
        """heard: takes the newest answer of each listener, for the page."""
        self._house = house
        self._ask = ask
        self._heard = heard
        heard.clear()

    def note(self, snapshot: Snapshot) -> None:
        """Nothing of a snapshot is needed."""

    def health(self) -> dict[str, object]:
        """A rule reports listeners that are not reached."""
        return {"ok": True, "text": ""}

    async def run(self) -> None:
        """Ask all of them for ever."""
        await work_together(*map(self._follow, self._house.listeners))

    async def _follow(self, declared: DeclaredListener) -> None:
        while True:
            try:
                async with await self._session(declared) as session:
                    await self._ask_for_ever(session, declared)
            except NotReached as refusal:
                await self._tell(declared, clock.monotonic_ns(), None, str(refusal))
            await asyncio.sleep(EVERY_S)

    async def _session(self, declared: DeclaredListener) -> aiohttp.ClientSession:
        token, context = await asyncio.to_thread(
            _credentials,
            read_place(self._house, declared.token_file) if declared.token_file else None,
            read_place(self._house, declared.ca_file) if declared.ca_file else None,
        )
        headers = {"User-Agent": f"slotwatch/{__version__}"} | ({"Authorization": f"Bearer {token}"} if token else {})
        return aiohttp.ClientSession(
            timeout=aiohttp.ClientTimeout(total=ANSWER_WITHIN_S),
            headers=headers,
            response_class=BoundedAnswer,
            connector=aiohttp.TCPConnector(limit=1, ssl=context or True),
        )

    async def _ask_for_ever(self, session: aiohttp.ClientSession, declared: DeclaredListener) -> None:
        """Ask until it is not reached any more."""
        tag = ""
        while True:
            asked_ns = clock.monotonic_ns()
            found: tuple[StreamElsewhere, ...] | None = None
            if (answer := await fetch(session, declared.url, tag)) is not None:
                tag = answer.tag
                found = await asyncio.to_thread(read_streams, answer)
                self._heard[declared.name] = HeardThere(asked_ns + clock.wall_offset_ns(), found)
            await self._tell(declared, asked_ns, found, "")
            late = any(LATE_NS[0] < (one.age_ns or 0) < LATE_NS[1] and _keeps_alive(one) for one in found or ())
            passed_s = (clock.monotonic_ns() - asked_ns) / NANOSECONDS
            await asyncio.sleep(max(SOON_S / 3, (SOON_S if late else EVERY_S) - passed_s))

    async def _tell(
        self, declared: DeclaredListener, asked_ns: int, found: tuple[StreamElsewhere, ...] | None, reason: str
    ) -> None:
        seen = ListenerSeen(t_ns=asked_ns, name=declared.name, reached=not reason, reason=reason, streams=found)
        await tell_judging(self._ask, TakeListener(seen))


def _keeps_alive(one: StreamElsewhere) -> bool:
    return one.state == "live" and one.universe.startswith("e131/")


def _credentials(token: Path | None, ca: Path | None) -> tuple[str, ssl.SSLContext | None]:
    try:
        word = read_secret(token).decode("ascii") if token else ""
        context = ssl.create_default_context(cafile=str(ca)) if ca else None
    except SecretFileError as error:
        raise NotReached(f"its token {error}") from None
    except UnicodeDecodeError:
        raise NotReached("its token file holds letters that no token has") from None
    except (OSError, ssl.SSLError) as error:
        raise NotReached(f"its certificate file {ca} cannot be used ({error.strerror or 'no certificate'})") from None
    return word, context


async def fetch(session: aiohttp.ClientSession, url: str, tag: str) -> Answer | None:
    """Ask for its streams: None where nothing changed since `tag`.

    The compact form is asked for; a version that does not have it answers JSON. NotReached with the reason, also where
    it answers more than MOST_BYTES.
    """
    headers = {"Accept": f"{COMPACT}, application/json;q=0.5"} | ({"If-None-Match": tag} if tag else {})
    try:
        async with session.get(f"{url}/api/v1/streams", headers=headers, allow_redirects=False) as response:
            if response.status == 304:
                return None
            if response.status in (401, 403):
                raise NotReached(
                    "it does not accept the token" if "Authorization" in session.headers else "it needs a token"
                )
            if response.status != 200:
                raise NotReached(f"it answered {response.status}")
            body = bytearray()
            async for part in response.content.iter_any():
                body += part
                if len(body) > MOST_BYTES:
                    raise NotReached(f"its answer is longer than {MOST_BYTES >> 20} MiB")
            return Answer(bytes(body), response.content_type == COMPACT, response.headers.get("ETag", "")[:256])
    except TimeoutError:
        raise NotReached(f"no answer within {ANSWER_WITHIN_S:.0f} s") from None
    except (aiohttp.ClientError, OSError, ValueError) as error:
        raise NotReached(why_unreachable(error)) from None


def read_streams(answer: Answer) -> tuple[StreamElsewhere, ...]:
    """Read an answer. NotReached if it is none."""
    try:
        if answer.is_compact:
            return _COMPACT.decode(answer.body)
        return tuple(one.observed() for one in _JSON.decode(answer.body))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        raise NotReached("its answer is not understood: no slotwatch runs there, or one of another version") from None
