"""Publishes to an MQTT broker: retained states under the house's topic, `status` that says `offline` by itself.

Topics: `TOPIC/status` (`online`, or `offline` as last will), `TOPIC/house`, `TOPIC/incidents`,
`TOPIC/universe/e131/12` (retained JSON), and `TOPIC/incident` (one message for each change, not retained). Only the
newest state of a topic waits for a broker that is away; of incident messages the newest MOST_MESSAGES do. What the
broker retained of a universe that is known no more is deleted at each connection; a broker that lets nobody read gets
everything all the same.

`TOPIC/listener` is for two programs that were given one topic: each says who it is, once and after every `offline`, and
answers a stranger once.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import secrets
import socket
import ssl
from collections import deque
from collections.abc import Sequence

import aiomqtt

from slotwatch.edge.front.broker_gate import BrokerFault, BrokerGate
from slotwatch.edge.shared.ended_tasks import end_tasks, stop_if_asked
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError, read_secret
from slotwatch.house.schema import House
from slotwatch.judge.wording import list_names
from slotwatch.printable import one_line
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.views.sheet import Sheet
from slotwatch.views.topics import MOST_UNIVERSES, brief, states

MOST_MESSAGES = 1000
MOST_RETAINED = 4 * MOST_UNIVERSES
"""Topics of others that are remembered as being at the broker; more are found at a later connection, once these are
deleted."""
MOST_STRANGERS = 16
REFUSED = 128
"""From this number on a reason means that something is refused (MQTT 5.0, 2.4; MQTT 3.1.1, 3.9.3)."""
SHORTEST_RETRY_S = 1.0
LONGEST_RETRY_S = 60.0
ANSWER_WITHIN_S = 10.0
ECHO_WITHIN_S = 10.0
"""What we publish to a topic that we read is back by then."""
AT_LEAST_ONCE = 1
READ = ("universe/#", "listener", "status")
"""What slotwatch reads, under its topic."""


SILENT = logging.Logger("slotwatch.mqtt", logging.CRITICAL)
SILENT.addHandler(logging.NullHandler())
"""For the library, which writes a line for each message that it does not expect. The page says what is wrong."""


class MqttSender:
    """Follows snapshots; `run` sends."""

    name = "mqtt"

    def __init__(self, house: House, page: str = "") -> None:
        """page: address of the page for links; empty if others cannot reach it."""
        self._house = house
        self._page = page
        self._topic = house.mqtt.topic.strip("/")
        self._states: dict[str, str] = {}
        self._held: tuple[object, ...] = ()
        self._sent: dict[str, str] = {}
        self._found = 0
        """Topics that this connection has found at the broker and did not know of."""
        self._messages: deque[str] = deque(maxlen=MOST_MESSAGES)
        self._incidents: dict[int, tuple[int, bool, str]] | None = None
        """Revision of each incident, whether it is open, and what was sent of it."""
        self._changed = asyncio.Event()
        self._trouble = "Not connected to the MQTT broker yet."
        self._unread = ""
        """Why it is not known what the broker retained."""
        self._strangers: dict[str, str] = {}
        """Other programs that publish here: who each said it is, by what it said."""
        self._asks = True
        """Whether to ask the broker for what it retained; not after it ended a connection instead of an answer."""
        self._is_asking = False
        self._reads = asyncio.Event()
        """Whether something that we published came back."""
        self._announces = False
        self._is_denied = False
        """Whether the broker holds `offline`, though we are online: another program's word, or our own late will."""
        self._name = f"{socket.gethostname()} {secrets.token_hex(8)}"

    def note(self, snapshot: Snapshot) -> None:
        held = _mark(snapshot)
        if held != self._held:  # thousands of universes are not written out five times a second for nothing
            self._held = held
            self._states = states(Sheet(snapshot), self._page)
        self._note_incidents(snapshot.incidents)
        if self._messages or self._states != self._sent:
            self._changed.set()

    def _note_incidents(self, incidents: tuple[Incident, ...]) -> None:
        before, self._incidents = self._incidents, {}
        for one in incidents:
            known = None if before is None else before.get(one.id)
            mark = (one.revision, one.closed_ns is None)
            if known is None or known[:2] != mark:
                text = json.dumps(brief(one, self._page), separators=(",", ":"))
                # What was open before we began is in the retained list; a revision may change what is not sent.
                if before is not None and (known is None or known[2] != text):
                    self._messages.append(text)
                known = (*mark, text)
            self._incidents[one.id] = known

    def health(self) -> dict[str, object]:
        other = next(iter(self._strangers.values()), "")
        shared = other and (
            f'Another program, on the computer {other}, publishes under the MQTT topic "{self._topic}" too: each'
            " overwrites and deletes what the other one says. Give every listener a [mqtt] topic of its own."
        )
        wrong = [part for part in (self._trouble, shared) if part]
        return {"ok": not wrong, "text": " ".join([*wrong, *([self._unread] if self._unread else [])])}

    async def run(self) -> None:
        """Stay connected for ever."""
        retry_s = SHORTEST_RETRY_S
        mqtt = self._house.mqtt
        while True:
            gate = BrokerGate(mqtt.host, mqtt.port, tls=mqtt.tls)
            try:
                async with gate, await self._client(gate.address) as client:
                    retry_s = SHORTEST_RETRY_S
                    stop_if_asked()
                    await self._talk(client)
            except SecretFileError as error:
                self._trouble = f"Nothing is sent to the MQTT broker {self._broker}: its password file {error}."
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                self._trouble = f"Nothing is sent to the MQTT broker {self._broker}: {_why(gate.fault or error)}."
            stop_if_asked()
            await asyncio.sleep(retry_s)
            retry_s = min(2 * retry_s, LONGEST_RETRY_S)

    @property
    def _broker(self) -> str:
        return f"{self._house.mqtt.host}:{self._house.mqtt.port}"

    async def _client(self, address: str) -> aiomqtt.Client:
        mqtt = self._house.mqtt
        password = None
        if mqtt.password_file:
            path = read_place(self._house, mqtt.password_file)
            password = (await asyncio.to_thread(read_secret, path)).decode("utf-8")
        return aiomqtt.Client(
            address,
            transport="unix",
            logger=SILENT,
            username=mqtt.username or None,
            password=password,
            timeout=ANSWER_WITHIN_S,
            will=aiomqtt.Will(f"{self._topic}/status", "offline", qos=AT_LEAST_ONCE, retain=True),
        )

    async def _talk(self, client: aiomqtt.Client) -> None:
        """Publish to the broker until the connection ends, even if its answer never comes."""
        # Sent anew, or deleted: what the broker holds of the last connection is not known.
        self._sent, self._strangers, self._announces, self._is_denied = dict.fromkeys(self._sent, ""), {}, False, False
        self._reads.clear()
        self._found = 0
        tasks = [asyncio.create_task(work(client)) for work in (self._hear, self._tell, self._ask)]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
            for task in done:
                task.result()
        except asyncio.CancelledError:
            for task in tasks:
                task.cancel()  # nothing contradicts what follows
            # An orderly stop: publish `offline` now, for a broker sends no last will after a clean disconnect.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(0.5):
                    await client.publish(f"{self._topic}/status", "offline", qos=AT_LEAST_ONCE, retain=True)
            raise
        finally:
            self._asks, self._is_asking = not self._is_asking, False
            await end_tasks(tasks)

    async def _hear(self, client: aiomqtt.Client) -> None:
        """Take what the broker retained of universes, of earlier runs too, and what other programs publish here.
        MqttError at the end of the connection."""
        async for message in client.messages:
            name, said = message.topic.value.removeprefix(f"{self._topic}/"), message.payload
            if name == "listener" and not message.retain:
                self._meet(said)
            elif name == "status":
                if said == b"offline":
                    # Who ended or lost its connection may be any of them, or we: all say anew who is there.
                    self._strangers, self._is_denied, self._announces = {}, True, True
            elif message.retain and said and name not in self._sent and self._found < MOST_RETAINED:
                self._found += 1
                self._sent[name] = ""  # `_send` writes it anew, or deletes it if it is no state any more
            self._changed.set()

    async def _ask(self, client: aiomqtt.Client) -> None:
        """Ask the broker for what `_hear` takes."""
        if not self._asks:
            self._unread = self._not_read("gave no answer when slotwatch asked for", READ)
            return
        self._is_asking = True
        answers = await client.subscribe([(f"{self._topic}/{name}", AT_LEAST_ONCE) for name in READ])
        await self._announce(client)  # a broker may end the connection for this, as for the question
        self._is_asking = False
        codes = [one if isinstance(one, int) else one.value for one in answers]
        refused = [name for name, code in zip(READ, codes, strict=False) if code >= REFUSED]
        if refused:
            self._unread = self._not_read("does not let slotwatch read", refused)
            return
        try:
            async with asyncio.timeout(ECHO_WITHIN_S):
                await self._reads.wait()
        except TimeoutError:  # some brokers accept, and deliver nothing: then our own word does not come back either
            self._unread = self._not_read("does not let slotwatch read", READ)
            await self._reads.wait()
        self._unread = ""

    async def _announce(self, client: aiomqtt.Client) -> None:
        await client.publish(f"{self._topic}/listener", self._name, qos=AT_LEAST_ONCE)

    def _not_read(self, why: str, names: Sequence[str]) -> str:
        unknown = {
            "universe/#": "What an earlier run left there of universes that are known no more may stay.",
            "listener": "Whether another program publishes there is not known.",
            "status": 'Whether the broker calls slotwatch "offline" is not known.',
        }
        topics = list_names(f"{self._topic}/{name}" for name in names)
        return " ".join([f"The MQTT broker {self._broker} {why} {topics}.", *(unknown[name] for name in names)])

    def _meet(self, said: object) -> None:
        """Note who publishes here. A stranger is answered once, so that it knows of us too."""
        name = said.decode("utf-8", "replace")[:200] if isinstance(said, bytes) else ""
        if name == self._name:
            self._reads.set()
        elif name and name not in self._strangers and len(self._strangers) < MOST_STRANGERS:
            self._strangers[name] = one_line(name).partition(" ")[0]
            self._announces = True

    async def _tell(self, client: aiomqtt.Client) -> None:
        await self._say_online(client)
        self._trouble = ""
        while True:
            self._changed.clear()
            await self._send(client)
            await self._changed.wait()

    async def _say_online(self, client: aiomqtt.Client) -> None:
        await client.publish(f"{self._topic}/status", "online", qos=AT_LEAST_ONCE, retain=True)

    async def _send(self, client: aiomqtt.Client) -> None:
        if self._is_denied:
            self._is_denied = False
            await self._say_online(client)
        if self._announces:
            self._announces = False
            await self._announce(client)
        # What is found while this sends comes next time, after the states that it changes.
        told = len(self._messages)
        for name, text in list(self._states.items()):
            if self._sent.get(name) != text:
                await client.publish(f"{self._topic}/{name}", text, qos=AT_LEAST_ONCE, retain=True)
                self._sent[name] = text
        for name in self._sent.keys() - self._states.keys() if self._states else ():
            await client.publish(f"{self._topic}/{name}", b"", qos=AT_LEAST_ONCE, retain=True)
            del self._sent[name]
        for text in list(self._messages)[:told]:
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
    if isinstance(error, BrokerFault):
        return str(error)
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
    if isinstance(error, aiomqtt.MqttError) and isinstance(error.__cause__, aiomqtt.MqttCodeError):
        error = error.__cause__  # why the connection ended, behind what could not be done for it
    if isinstance(error, aiomqtt.MqttCodeError):
        return _words(error)
    return str(error) or type(error).__name__


def _words(error: aiomqtt.MqttCodeError) -> str:
    """A broker's reason as the end of a sentence: the standard's own words, before which the library puts a number."""
    words = str(error).partition("] ")[2].rstrip(". ")
    if words in ("Bad user name or password", "Not authorized"):
        return "it does not accept the user name or the password"
    return "it ended the connection" if words == "Unspecified error" else f"{words[:1].lower()}{words[1:]}"
