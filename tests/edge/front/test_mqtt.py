"""MQTT against Debian's mosquitto on loopback: retained states, the last will, and a broker that comes and goes."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest

from slotwatch.edge.front import mqtt as module
from slotwatch.edge.front.mqtt import MqttSender
from slotwatch.house.outgoing import Mqtt
from slotwatch.house.schema import House
from tests.patience import PATIENCE_S, cancelled, happens, lose_a_cancel
from tests.ports import free_port
from tests.views import fabricate
from tests.views.fabricate import incident, snapshot

BROKER = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
pytestmark = pytest.mark.skipif(
    BROKER is None and os.environ.get("CI") != "true", reason="needs mosquitto: apt-get install mosquitto"
)
TOPIC = "theatre/slotwatch"


@contextmanager
def broker(place: Path, port: int, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    assert BROKER is not None, "mosquitto is missing"
    config = place / f"mosquitto-{port}.conf"
    config.write_text("\n".join([f"listener {port} 127.0.0.1", *(more or ("allow_anonymous true",)), ""]))
    with (place / "mosquitto.log").open("ab") as log:
        process = subprocess.Popen([BROKER, "-c", str(config)], stdout=log, stderr=log)
    try:
        deadline = time.monotonic() + PATIENCE_S
        while True:
            with suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
                break
            assert process.poll() is None and time.monotonic() < deadline, (place / "mosquitto.log").read_text()
            time.sleep(0.02)
        yield process
    finally:
        process.kill()
        process.wait()


@asynccontextmanager
async def sending(sender: MqttSender) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(sender.run())
    try:
        yield task
    finally:
        await cancelled(task)


class Hearer:
    """Subscribes to everything and keeps the newest message of each topic."""

    def __init__(self) -> None:
        self.newest: dict[str, str] = {}
        self.every: list[tuple[str, str]] = []
        self.at_each: Callable[[str], None] = lambda topic: None
        """Called with the topic of each message, before the next one is read."""

    @asynccontextmanager
    async def hearing(self, port: int, user: str | None = None) -> AsyncIterator[Hearer]:
        async with aiomqtt.Client("127.0.0.1", port, username=user) as client:
            await client.subscribe("#", qos=1)

            async def read() -> None:
                async for message in client.messages:
                    assert isinstance(message.payload, bytes)
                    self.newest[str(message.topic)] = message.payload.decode()
                    self.every.append((str(message.topic), message.payload.decode()))
                    self.at_each(str(message.topic))

            task = asyncio.create_task(read())
            try:
                yield self
            finally:
                await cancelled(task)


def house(port: int, **more: str) -> House:
    return replace(fabricate.house(), mqtt=Mqtt("127.0.0.1", port, TOPIC, **more))  # type: ignore[arg-type]


async def test_states_are_retained_and_incidents_are_published(tmp_path: Path) -> None:
    port = free_port(socket.SOCK_STREAM)
    with broker(tmp_path, port):
        sender = MqttSender(house(port))
        sender.note(snapshot())
        async with sending(sender):
            async with Hearer().hearing(port) as first:
                await happens(lambda: len(first.newest.keys() - {f"{TOPIC}/listener"}) == 6)
            assert sender.health()["ok"]
            async with Hearer().hearing(port) as heard:  # who comes later gets what was retained
                await happens(lambda: len(heard.newest) == 6)
                assert heard.newest == {name: first.newest[name] for name in heard.newest}
                assert heard.newest[f"{TOPIC}/status"] == "online"
                assert json.loads(heard.newest[f"{TOPIC}/universe/e131/2"])["state"] == "lost"
                assert json.loads(heard.newest[f"{TOPIC}/house"])["phase"] == "show"
                assert [one["id"] for one in json.loads(heard.newest[f"{TOPIC}/incidents"])] == [7]
                sender.note(snapshot(incidents=(incident(8),)))
                await happens(lambda: f"{TOPIC}/incident" in heard.newest)  # sent after all states
                assert json.loads(heard.newest[f"{TOPIC}/incident"])["id"] == 8
                assert [one["id"] for one in json.loads(heard.newest[f"{TOPIC}/incidents"])] == [8]
                count = len(heard.every)
                sender.note(snapshot(incidents=(incident(8, revision=50),)))
                sender.note(snapshot(incidents=(incident(8, revision=51), incident(9))))
                await happens(lambda: json.loads(heard.newest[f"{TOPIC}/incident"])["id"] == 9)
                sent = [topic.removeprefix(f"{TOPIC}/") for topic, _ in heard.every[count:]]
                assert sent == ["house", "incidents", "incident"], "of what is not new nothing is sent"


async def test_an_incident_is_told_after_the_states_that_it_changed(tmp_path: Path) -> None:
    """Also one that is found before the broker has acknowledged the message about the one before it."""
    port, last = free_port(socket.SOCK_STREAM), 60
    listed: list[tuple[int, int]] = []
    with broker(tmp_path, port):
        sender, heard = MqttSender(house(port)), Hearer()

        def find_the_next(topic: str) -> None:
            if topic == f"{TOPIC}/incident":
                told = json.loads(heard.newest[topic])["id"]
                listed.append((told, json.loads(heard.newest[f"{TOPIC}/incidents"])[0]["id"]))
                if told < last:
                    sender.note(snapshot(incidents=(incident(told + 1),)))

        heard.at_each = find_the_next
        sender.note(snapshot())
        async with sending(sender), heard.hearing(port):
            await happens(lambda: f"{TOPIC}/incidents" in heard.newest)
            sender.note(snapshot(incidents=(incident(8),)))
            await happens(lambda: len(listed) == last - 7)
    assert listed == [(number, number) for number in range(8, last + 1)]


async def test_an_orderly_stop_says_offline(tmp_path: Path) -> None:
    port = free_port(socket.SOCK_STREAM)
    with broker(tmp_path, port):
        async with Hearer().hearing(port) as heard:
            sender = MqttSender(house(port))
            async with sending(sender):
                await happens(lambda: heard.newest.get(f"{TOPIC}/status") == "online")
            await happens(lambda: heard.newest.get(f"{TOPIC}/status") == "offline")


async def test_a_stop_is_a_stop_although_the_library_reports_the_end_of_its_connection(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """aiomqtt raises "Unexpected disconnection" where the broker is faster to end the connection than it is itself."""
    leave = aiomqtt.Client.__aexit__

    async def leave_with_an_error(client: aiomqtt.Client, *error: object) -> None:
        await leave(client, *error)  # type: ignore[arg-type]
        raise aiomqtt.MqttError("Unexpected disconnection")

    monkeypatch.setattr(aiomqtt.Client, "__aexit__", leave_with_an_error)
    odd = OddBroker(refuses=True)
    async with odd.running() as port:
        task = asyncio.create_task(MqttSender(house(port)).run())
        await happens(lambda: f"{TOPIC}/status".encode() in odd.published)
        await cancelled(task)
        assert task.cancelled()


async def test_a_stop_is_a_stop_although_the_library_connects_in_the_same_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before Python 3.12, asyncio.wait_for, by which the library waits, keeps a cancel if what it waits for is done."""
    enter, entered = aiomqtt.Client.__aenter__, asyncio.Event()

    async def enter_and_keep_the_cancel(client: aiomqtt.Client) -> aiomqtt.Client:
        await enter(client)
        entered.set()
        await lose_a_cancel()
        return client

    monkeypatch.setattr(aiomqtt.Client, "__aenter__", enter_and_keep_the_cancel)
    odd = OddBroker(refuses=True)
    async with odd.running() as port:
        task = asyncio.create_task(MqttSender(house(port)).run())
        await asyncio.wait_for(entered.wait(), PATIENCE_S)
        await cancelled(task)
        assert task.cancelled()
        assert not odd.published


async def test_a_connection_that_ends_in_the_turn_of_an_answer_is_followed_by_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As above: a cancel that is lost in one of the sender's tasks."""
    monkeypatch.setattr(module, "SHORTEST_RETRY_S", 0.02)
    publish, losses = aiomqtt.Client.publish, [f"{TOPIC}/status"]

    async def publish_and_keep_the_cancel(client: aiomqtt.Client, topic: str, *more: object, **given: object) -> None:
        await publish(client, topic, *more, **given)  # type: ignore[arg-type]
        if topic in losses:
            losses.remove(topic)
            await lose_a_cancel()

    monkeypatch.setattr(aiomqtt.Client, "publish", publish_and_keep_the_cancel)
    odd = OddBroker(closed=f"{TOPIC}/listener".encode())
    async with odd.running() as port, sending(MqttSender(house(port))):
        await happens(lambda: odd.connections == 2)


async def test_a_death_says_offline_by_the_last_will(tmp_path: Path) -> None:
    port = free_port(socket.SOCK_STREAM)
    script = (
        "import asyncio\nfrom slotwatch.edge.front.mqtt import MqttSender\n"
        "from tests.edge.front.test_mqtt import house\n"
        f"asyncio.run(MqttSender(house({port})).run())\n"
    )
    import sys

    with broker(tmp_path, port):
        async with Hearer().hearing(port) as heard:
            child = subprocess.Popen([sys.executable, "-c", script])  # noqa: ASYNC220 a test may
            try:
                await happens(lambda: heard.newest.get(f"{TOPIC}/status") == "online")
            finally:
                child.kill()
                child.wait()
            await happens(lambda: heard.newest.get(f"{TOPIC}/status") == "offline")


async def test_a_broker_that_comes_back_is_reported_everything_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SHORTEST_RETRY_S", 0.05)
    monkeypatch.setattr(module, "LONGEST_RETRY_S", 0.1)
    port = free_port(socket.SOCK_STREAM)
    sender = MqttSender(house(port))
    sender.note(snapshot())
    async with sending(sender):
        await happens(lambda: sender.health()["text"].endswith("it cannot be reached (Connection refused)."))
        with broker(tmp_path, port):
            await happens(lambda: sender.health()["ok"])
        await happens(lambda: not sender.health()["ok"])
        sender.note(snapshot(incidents=(incident(9),)))
        with broker(tmp_path, port):
            await happens(lambda: sender.health()["ok"])
            async with Hearer().hearing(port) as heard:
                await happens(lambda: f"{TOPIC}/incidents" in heard.newest)
                assert [one["id"] for one in json.loads(heard.newest[f"{TOPIC}/incidents"])] == [9]


async def test_a_wrong_password_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "SHORTEST_RETRY_S", 0.05)
    port = free_port(socket.SOCK_STREAM)
    (tmp_path / "passwords").write_text("")
    with broker(tmp_path, port, "allow_anonymous false", f"password_file {tmp_path / 'passwords'}", "user root"):
        sender = MqttSender(house(port, username="ann"))
        async with sending(sender):
            refused = "it does not accept the user name or the password."  # return code 5, MQTT 3.1.1 table 3.1
            await happens(lambda: sender.health()["text"].endswith(refused))
            assert not sender.health()["ok"]


async def test_a_password_file_that_is_no_file_stops_nothing_and_a_right_one_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipe that nobody writes to: whoever read it would wait for ever."""
    monkeypatch.setattr(module, "SHORTEST_RETRY_S", 0.05)
    monkeypatch.setattr(module, "LONGEST_RETRY_S", 0.1)
    port, password = free_port(socket.SOCK_STREAM), tmp_path / "password"
    subprocess.run(["mosquitto_passwd", "-b", "-c", tmp_path / "passwords", "ann", "right"], check=True)  # noqa: ASYNC221
    os.mkfifo(password)
    sender = MqttSender(replace(house(port, username="ann", password_file="password"), file=str(tmp_path / "h.toml")))
    with broker(tmp_path, port, "allow_anonymous false", f"password_file {tmp_path / 'passwords'}", "user root"):
        async with sending(sender):
            await happens(lambda: f"its password file {password} is not an ordinary file" in sender.health()["text"])
            password.unlink()
            await happens(lambda: f"its password file {password} cannot be read" in sender.health()["text"])
            password.write_text("right\n")
            await happens(lambda: sender.health()["ok"])


async def test_what_is_known_no_more_is_deleted_at_the_broker(tmp_path: Path) -> None:
    """A universe that an earlier run retained as steady: whoever subscribes now would be told so for ever."""
    port, gone = free_port(socket.SOCK_STREAM), f"{TOPIC}/universe/e131/77"
    with broker(tmp_path, port):
        async with aiomqtt.Client("127.0.0.1", port) as earlier:
            await earlier.publish(gone, '{"state":"steady","label":""}', qos=1, retain=True)
            await earlier.publish("theatre/other/universe/e131/77", "not ours", qos=1, retain=True)
        async with Hearer().hearing(port) as heard:
            await happens(lambda: len(heard.newest) == 2)
            sender = MqttSender(house(port))
            async with sending(sender):
                await happens(lambda: sender.health()["ok"])
                sender.note(snapshot())  # judging may begin later than the connection
                await happens(lambda: heard.newest[gone] == "")
                await happens(lambda: f"{TOPIC}/universe/e131/2" in heard.newest)
        assert heard.newest["theatre/other/universe/e131/77"] == "not ours"


async def test_messages_for_a_broker_that_stays_away_are_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_MESSAGES", 20)
    port = free_port(socket.SOCK_STREAM)
    sender = MqttSender(house(port))
    sender.note(snapshot())
    for number in range(100, 140):
        sender.note(snapshot(incidents=(incident(number),)))
    with broker(tmp_path, port):
        async with Hearer().hearing(port) as heard, sending(sender):
            topic = f"{TOPIC}/incident"

            def numbers() -> list[int]:
                return [json.loads(text)["id"] for name, text in heard.every if name == topic]

            await happens(lambda: 139 in numbers())
            assert numbers() == list(range(120, 140))


async def test_a_broker_that_lets_nobody_read_gets_everything_and_the_page_says_what_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rights to write only: this broker accepts the subscription and delivers nothing."""
    monkeypatch.setattr(module, "ECHO_WITHIN_S", 0.2)
    port = free_port(socket.SOCK_STREAM)
    rights = tmp_path / "rights"
    rights.write_text(f"topic write {TOPIC}/#\nuser reader\ntopic read #\n")
    with broker(tmp_path, port, "allow_anonymous true", f"acl_file {rights}", "user root"):
        async with Hearer().hearing(port, "reader") as heard:
            sender = MqttSender(house(port))
            sender.note(snapshot())
            async with sending(sender):
                await happens(lambda: f"{TOPIC}/universe/e131/2" in heard.newest)
                await happens(lambda: f"does not let slotwatch read {TOPIC}/universe/#" in sender.health()["text"])
                assert sender.health()["ok"], "everything arrives"
                sender.note(snapshot(incidents=(incident(9),)))
                await happens(lambda: f"{TOPIC}/incident" in heard.newest)


class OddBroker:
    """Answers CONNECT with a return code, and SUBSCRIBE with a refusal or the end of the connection.

    MQTT 3.1.1, 2.2.1: packet types; 3.9.3: 0x80 refuses a subscription.
    """

    def __init__(self, code: int = 0, refuses: bool | tuple[bool, ...] = False, closed: bytes = b"") -> None:
        """refuses: each subscription, or all; closed: the topic whose publishing ends the connection (3.3.5)."""
        self._code, self._closed = code, closed
        self._refuses = (refuses,) * 3 if isinstance(refuses, bool) else refuses
        self.published: list[bytes] = []
        self.connections = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind, length, shift = (await reader.readexactly(1))[0], 0, 0
                while True:  # 2.2.3: seven bits in each octet
                    octet = (await reader.readexactly(1))[0]
                    length, shift = length | (octet & 0x7F) << shift, shift + 7
                    if not octet & 0x80:
                        break
                body = await reader.readexactly(length)
                if kind >> 4 == 1:
                    writer.write(bytes([0x20, 2, 0, self._code]))
                elif kind >> 4 == 8 and (any(self._refuses) or self._closed):
                    writer.write(bytes([0x90, 5, *body[:2], *(0x80 if one else 1 for one in self._refuses)]))
                elif kind >> 4 == 8:
                    break
                elif kind >> 4 == 3:
                    size = int.from_bytes(body[:2])
                    if self._closed == body[2 : 2 + size]:
                        break
                    self.published.append(body[2 : 2 + size])
                    writer.write(bytes([0x40, 2]) + body[2 + size : 4 + size])
        writer.close()

    @asynccontextmanager
    async def running(self) -> AsyncIterator[int]:
        server = await asyncio.start_server(self.serve, "127.0.0.1", 0)
        try:
            yield server.sockets[0].getsockname()[1]
        finally:
            server.close()


async def test_a_broker_that_ends_the_connection_when_it_is_asked_gets_everything_at_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "SHORTEST_RETRY_S", 0.02)
    odd = OddBroker()
    async with odd.running() as port:
        sender = MqttSender(house(port))
        sender.note(snapshot())
        async with sending(sender):
            await happens(lambda: odd.connections == 2 and sender.health()["ok"])
            await happens(lambda: "gave no answer when slotwatch asked for" in sender.health()["text"])
            sender.note(snapshot(incidents=(incident(9),)))
            await happens(lambda: f"{TOPIC}/incident".encode() in odd.published)
            assert odd.connections == 2, "it is not asked again while the connection holds"


async def test_a_broker_that_ends_the_connection_for_our_name_gets_everything_at_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Rights for the states alone: a server may close the connection for a message that it does not allow."""
    monkeypatch.setattr(module, "SHORTEST_RETRY_S", 0.02)
    odd = OddBroker(closed=f"{TOPIC}/listener".encode())
    async with odd.running() as port:
        sender = MqttSender(house(port))
        sender.note(snapshot())
        async with sending(sender):
            await happens(lambda: odd.connections == 2 and sender.health()["ok"])
            sender.note(snapshot(incidents=(incident(9),)))
            await happens(lambda: f"{TOPIC}/incident".encode() in odd.published)
            assert odd.connections == 2 and "gave no answer" in sender.health()["text"]


async def test_a_broker_that_refuses_a_part_is_said_to_refuse_that_part_alone() -> None:
    odd = OddBroker(refuses=(False, True, True))
    async with odd.running() as port:
        sender = MqttSender(house(port))
        sender.note(snapshot())
        async with sending(sender):
            await happens(lambda: f"read {TOPIC}/listener and {TOPIC}/status." in sender.health()["text"])
            assert "universes" not in sender.health()["text"]


async def test_a_broker_that_refuses_to_be_read_gets_everything() -> None:
    odd = OddBroker(refuses=True)
    async with odd.running() as port:
        sender = MqttSender(house(port))
        sender.note(snapshot())
        async with sending(sender):
            await happens(lambda: f"does not let slotwatch read {TOPIC}/universe/#" in sender.health()["text"])
            await happens(lambda: f"{TOPIC}/universe/e131/2".encode() in odd.published)
            assert sender.health()["ok"] and odd.connections == 1


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (3, "server unavailable."),
        (4, "it does not accept the user name or the password."),
        (5, "it does not accept the user name or the password."),
    ],
)
async def test_a_refusal_is_told_in_the_words_of_the_standard(code: int, words: str) -> None:
    """MQTT 3.1.1, table 3.1, in the words that MQTT 5.0, 2.4 has for the same. (After 1 and 2 the library tries an
    older version of the protocol by itself.)"""
    async with OddBroker(code).running() as port:
        sender = MqttSender(house(port))
        async with sending(sender):
            await happens(lambda: sender.health()["text"].endswith(words))
            assert not any(letter.isdigit() for letter in sender.health()["text"].partition(str(port))[2])


async def test_two_listeners_with_one_topic_notice_each_other(tmp_path: Path) -> None:
    port, shared = free_port(socket.SOCK_STREAM), f'publishes under the MQTT topic "{TOPIC}" too'
    with broker(tmp_path, port):
        one, two = MqttSender(house(port)), MqttSender(house(port))
        async with Hearer().hearing(port) as heard, sending(one):
            one.note(snapshot())
            await happens(lambda: f"{TOPIC}/listener" in heard.newest)
            assert one.health()["ok"]
            async with sending(two):
                await happens(lambda: shared in one.health()["text"] and shared in two.health()["text"])
                assert not one.health()["ok"] and not two.health()["ok"]
                assert f"on the computer {socket.gethostname()}, " in one.health()["text"]
            # The second one said `offline` of the topic that is the first one's alone again.
            await happens(lambda: one.health()["ok"])
            await happens(lambda: heard.newest[f"{TOPIC}/status"] == "online")
            said = [text for name, text in heard.every if name == f"{TOPIC}/listener"]
            assert len(said) <= 5, "each names itself when it connects and after `offline`, and answers once"


async def test_what_a_broker_retains_is_taken_up_to_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_RETAINED", 3)
    port = free_port(socket.SOCK_STREAM)
    old = [f"{TOPIC}/universe/e131/{number}" for number in range(70, 80)]
    with broker(tmp_path, port):
        async with aiomqtt.Client("127.0.0.1", port) as earlier:
            for topic in old:
                await earlier.publish(topic, "old", qos=1, retain=True)
        async with Hearer().hearing(port) as heard:
            await happens(lambda: len(heard.newest) == 10)
            sender = MqttSender(house(port))
            async with sending(sender):
                await happens(lambda: f"{TOPIC}/listener" in heard.newest)  # what was retained came before
                sender.note(snapshot())
                await happens(lambda: [heard.newest[topic] for topic in old].count("") == 3)
            async with sending(sender):
                await happens(lambda: [heard.newest[topic] for topic in old].count("") == 6)
