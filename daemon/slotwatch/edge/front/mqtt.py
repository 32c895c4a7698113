"""Publishes to an MQTT broker: retained states under the house's topic, `status` that says `offline` by itself.

Topics: `TOPIC/status` (`online`, or `offline` as last will), `TOPIC/house`, `TOPIC/incidents`,
`TOPIC/universe/e131/12` (retained JSON), and `TOPIC/incident` (one message for each change, not retained). Only the
newest state of a topic waits for a broker that is away; of incident messages the newest MOST_MESSAGES do. What the
broker retained of a universe that is known no more is deleted at each connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import ssl
from collections import deque

import aiomqtt

from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError, read_secret
from slotwatch.house.schema import House
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.views.sheet import Sheet
from slotwatch.views.topics import brief, states

MOST_MESSAGES = 1000
SHORTEST_RETRY_S = 1.0
LONGEST_RETRY_S = 60.0
ANSWER_WITHIN_S = 10.0
AT_LEAST_ONCE = 1


class MqttSender:
    """Follows snapshots; `run` sends."""

    name = "mqtt"

    def __init__(self, house: House) -> None:
        self._house = house
        self._topic = house.mqtt.topic.strip("/")
        self._states: dict[str, str] = {}
        self._held: tuple[object, ...] = ()
        self._sent: dict[str, str] = {}
        self._messages: deque[str] = deque(maxlen=MOST_MESSAGES)
        self._revisions: dict[int, tuple[int, bool]] | None = None
        self._changed = asyncio.Event()
        self._trouble = "Not connected to the MQTT broker yet."

    def note(self, snapshot: Snapshot) -> None:
        held = _mark(snapshot)
        if held != self._held:  # thousands of universes are not written out five times a second for nothing
            self._held = held
            self._states = states(Sheet(snapshot))
        self._note_incidents(snapshot.incidents)
        if self._messages or self._states != self._sent:
            self._changed.set()

    def _note_incidents(self, incidents: tuple[Incident, ...]) -> None:
        before = self._revisions
        self._revisions = {one.id: (one.revision, one.closed_ns is None) for one in incidents}
        if before is None:
            return  # what stood before we began is in the retained list
        for one in incidents:
            if before.get(one.id) != self._revisions[one.id]:
                self._messages.append(json.dumps(brief(one), separators=(",", ":")))

    def health(self) -> dict[str, object]:
        return {"ok": not self._trouble, "text": self._trouble}

    async def run(self) -> None:
        """Stay connected for ever."""
        retry_s = SHORTEST_RETRY_S
        while True:
            try:
                async with await self._client() as client:
                    retry_s = SHORTEST_RETRY_S
                    await self._talk(client)
            except SecretFileError as error:
                self._trouble = f"Nothing is sent to the MQTT broker {self._broker}: its password file {error}."
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                self._trouble = f"Nothing is sent to the MQTT broker {self._broker}: {_why(error)}."
            await asyncio.sleep(retry_s)
            retry_s = min(2 * retry_s, LONGEST_RETRY_S)

    @property
    def _broker(self) -> str:
        return f"{self._house.mqtt.host}:{self._house.mqtt.port}"

    async def _client(self) -> aiomqtt.Client:
        mqtt = self._house.mqtt
        password = None
        if mqtt.password_file:
            path = read_place(self._house, mqtt.password_file)
            password = (await asyncio.to_thread(read_secret, path)).decode("utf-8")
        return aiomqtt.Client(
            mqtt.host,
            mqtt.port,
            username=mqtt.username or None,
            password=password,
            tls_context=ssl.create_default_context() if mqtt.tls else None,
            timeout=ANSWER_WITHIN_S,
            will=aiomqtt.Will(f"{self._topic}/status", "offline", qos=AT_LEAST_ONCE, retain=True),
        )

    async def _talk(self, client: aiomqtt.Client) -> None:
        """Publish to the broker until the connection ends, even if its answer never comes."""
        self._sent = {}
        hearing, telling = asyncio.create_task(self._hear(client)), asyncio.create_task(self._tell(client))
        try:
            done, _ = await asyncio.wait({hearing, telling}, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
            raise aiomqtt.MqttError("the connection was closed")
        except asyncio.CancelledError:
            # An orderly stop: publish `offline` now, for a broker sends no last will after a clean disconnect.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(0.5):
                    await client.publish(f"{self._topic}/status", "offline", qos=AT_LEAST_ONCE, retain=True)
            raise
        finally:
            hearing.cancel()
            telling.cancel()
            await asyncio.gather(hearing, telling, return_exceptions=True)

    async def _hear(self, client: aiomqtt.Client) -> None:
        """Take what the broker retained of universes, of earlier runs too. It ends when the connection does."""
        await client.subscribe(f"{self._topic}/universe/#", qos=AT_LEAST_ONCE)
        async for message in client.messages:
            name = message.topic.value.removeprefix(f"{self._topic}/")
            if message.retain and message.payload:
                self._sent.setdefault(name, "")  # `_send` writes it anew, or deletes it if it is no state any more
                self._changed.set()

    async def _tell(self, client: aiomqtt.Client) -> None:
        await client.publish(f"{self._topic}/status", "online", qos=AT_LEAST_ONCE, retain=True)
        self._trouble = ""
        while True:
            self._changed.clear()
            await self._send(client)
            await self._changed.wait()

    async def _send(self, client: aiomqtt.Client) -> None:
        for name, text in list(self._states.items()):
            if self._sent.get(name) != text:
                await client.publish(f"{self._topic}/{name}", text, qos=AT_LEAST_ONCE, retain=True)
                self._sent[name] = text
        for name in self._sent.keys() - self._states.keys() if self._states else ():
            await client.publish(f"{self._topic}/{name}", b"", qos=AT_LEAST_ONCE, retain=True)
            del self._sent[name]
        while self._messages:
            text = self._messages[0]
            await client.publish(f"{self._topic}/incident", text, qos=AT_LEAST_ONCE)
            if self._messages and self._messages[0] is text:
                self._messages.popleft()


def _mark(snapshot: Snapshot) -> tuple[object, ...]:
    """What the retained states are made of, in brief."""
    incidents = tuple((one.id, one.revision, one.closed_ns, one.acknowledged is None) for one in snapshot.incidents)
    names = (snapshot.universe_names, snapshot.universe_labels, snapshot.house.name, snapshot.house.vantage)
    return (snapshot.universes["state"].tobytes(), incidents, snapshot.house.phase, *names)


def _why(error: Exception) -> str:
    """Say why a broker does not take what is sent, as the end of a sentence."""
    if isinstance(error, aiomqtt.MqttError) and isinstance(error.__context__, OSError):
        error = error.__context__  # the library's own word for it is only its number
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted ({error.verify_message})"
    if isinstance(error, socket.gaierror):
        return "its name is not known"
    if isinstance(error, TimeoutError) or str(error) == "Operation timed out":
        return f"no answer within {ANSWER_WITHIN_S:.0f} s"
    if isinstance(error, OSError) and error.strerror:
        return f"it cannot be reached ({error.strerror})"
    if isinstance(error, aiomqtt.MqttCodeError) and "uthori" in str(error):
        return "it does not accept the user name or the password"
    return str(error) or type(error).__name__
