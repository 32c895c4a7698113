"""Asks one agent by SNMP: GET and GETBULK, one request at a time. Nothing that could change a switch is ever sent."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Protocol, SupportsInt

from pysnmp.carrier.asyncio.dgram import udp, udp6
from pysnmp.entity import config
from pysnmp.hlapi.v3arch import asyncio as snmp
from pysnmp.proto.rfc1905 import unSpecified

from slotwatch.edge.front.decoding_pace import DecodingPace
from slotwatch.edge.front.snmp_answers import LONGEST_BYTES, AgentAnswers
from slotwatch.edge.front.switch_credentials import Credentials
from slotwatch.wire.switch_tables import MOST_ROWS, Index, Value

ANSWER_WITHIN_S = 2.0
RETRIES = 1
"""One lost packet does not mean that the switch is silent."""
PORT = 161
VALUES_A_REQUEST = 48
"""Values asked for at once: they fit into one Ethernet frame."""
LONGEST_INDEX = 128
"""Numbers in an object identifier (RFC 2578 3.5)."""
LARGEST_NUMBER = 2**32 - 1
"""The largest in an object identifier (RFC 2578 3.5), and of any object that is read: they are of 32 bits."""
LEAST_NUMBER = -(2**31)
"""INTEGER (RFC 2578 7.1.1)."""
LONGEST_TEXT = 256
"""Bytes that are kept of a text: more than is read of any."""
_TOO_BIG, _NOT_AUTHORIZED = 1, 16
"""Error status (RFC 3416 3)."""
_AUTHENTICATION = {
    "SHA": snmp.USM_AUTH_HMAC96_SHA,
    "SHA-224": snmp.USM_AUTH_HMAC128_SHA224,
    "SHA-256": snmp.USM_AUTH_HMAC192_SHA256,
    "SHA-384": snmp.USM_AUTH_HMAC256_SHA384,
    "SHA-512": snmp.USM_AUTH_HMAC384_SHA512,
    "MD5": snmp.USM_AUTH_HMAC96_MD5,
}
_PRIVACY = {
    "AES": snmp.USM_PRIV_CFB128_AES,
    "AES-192": snmp.USM_PRIV_CFB192_AES,
    "AES-256": snmp.USM_PRIV_CFB256_AES,
    "DES": snmp.USM_PRIV_CBC56_DES,
}
_NOTHING = (snmp.NoSuchObject, snmp.NoSuchInstance, snmp.EndOfMibView)

Rows = list[tuple[Index, Value]]


class _Status(Protocol):
    """The error status of an answer; the library has no types of its own."""

    def __int__(self) -> int: ...

    def prettyPrint(self) -> str: ...


_Command = Callable[..., Awaitable[tuple[object, _Status, object, Sequence[tuple[Sequence[int], object]]]]]
"""Sends one request: what went wrong on the way, the agent's error status, its place, names and values."""


class NotAnswered(Exception):
    """Why an agent did not answer, as the end of a sentence."""


class Agent:
    """One agent with its credentials. `close` it when it is no longer asked."""

    def __init__(self, address: str, credentials: Credentials, pace: DecodingPace) -> None:
        """It takes a tenth of a second: call it in a thread."""
        self._address = address
        self._pace = pace
        # An engine of its own: one user name may have other passphrases at another switch.
        self._engine = snmp.SnmpEngine()
        self._auth = _auth_of(credentials)
        self._target: object = None
        self._answers: AgentAnswers | None = None

    def close(self) -> None:
        if self._answers is not None:
            self._answers.close()
        self._engine.close_dispatcher()

    async def get(self, objects: Mapping[str, str]) -> dict[str, Rows]:
        """Ask for single objects by name; what the agent does not have is left out. NotAnswered if it is silent."""
        found = await self._ask(snmp.get_cmd, list(objects.values()))
        rows = {name: _plain(value) for name, (_, value) in zip(objects, found, strict=False)}
        return {name: [((), value)] for name, value in rows.items() if value is not None}

    async def walk(self, columns: Mapping[str, str]) -> dict[str, Rows]:
        """Read whole columns side by side, each at most MOST_ROWS long. NotAnswered if it is silent."""
        rows: dict[str, Rows] = {name: [] for name in columns}
        bases = {name: tuple(map(int, text.split("."))) for name, text in columns.items()}
        last = dict(bases)
        values = VALUES_A_REQUEST
        while last:
            names = list(last)
            repetitions = max(1, values // len(names))
            wanted = [".".join(map(str, last[name])) for name in names]
            try:
                found = await self._ask(snmp.bulk_cmd, wanted, 0, repetitions)
            except _TooBig:
                if values <= len(names):
                    raise NotAnswered("its answer would be larger than it can send") from None
                values //= 2
                continue
            for name in _take(found, names, bases, last, rows):
                del last[name]
        return rows

    async def _open(self) -> AgentAnswers:
        is_v6 = ":" in self._address
        made = snmp.Udp6TransportTarget if is_v6 else snmp.UdpTransportTarget
        self._target = await made.create((self._address, PORT), timeout=ANSWER_WITHIN_S, retries=RETRIES)
        socket = udp6.Udp6AsyncioTransport() if is_v6 else udp.UdpAsyncioTransport()
        answers = AgentAnswers(socket, self._pace.decode)
        config.add_transport(self._engine, made.TRANSPORT_DOMAIN, socket.open_client_mode())
        return answers

    async def _ask(self, command: _Command, objects: Sequence[str], *numbers: int) -> list[tuple[Index, object]]:
        if self._answers is None:
            self._answers = await self._open()
        await self._pace.turn()
        too_long = self._answers.too_long
        wanted = [_Numbered(text) for text in objects]
        try:
            indication, status, _, found = await command(
                self._engine, self._auth, self._target, snmp.ContextData(), *numbers, *wanted, lookupMib=False
            )
        except OSError as error:
            raise NotAnswered(f"it cannot be reached ({error.strerror})") from None
        except Exception as error:  # the library raises many kinds of errors for bytes that are not SNMP
            raise NotAnswered(f"its answer is not understood ({type(error).__name__})") from None
        if self._answers.too_long > too_long:
            raise NotAnswered(f"its answer is longer than {LONGEST_BYTES >> 10} KiB")
        if indication and type(indication).__name__ == "RequestTimedOut" and self._answers.is_answered:
            raise NotAnswered("its answer is not understood")
        if indication:
            raise NotAnswered(_reason(indication))
        if int(status) == _TOO_BIG:
            raise _TooBig
        if int(status) == _NOT_AUTHORIZED:
            raise NotAnswered("its user may read nothing this way (authorizationError): it may ask for privacy")
        if int(status):
            raise NotAnswered(f"it refused the request ({status.prettyPrint()})")
        return [(tuple(name), value) for name, value in found]


class _Numbered(snmp.ObjectType):  # type: ignore[misc]
    """The name of an object in numbers. The library would look it up in its own tables: most of a request's cost."""

    def __init__(self, name: str) -> None:
        self._pair = (snmp.ObjectIdentifier(name), unSpecified)

    def __getitem__(self, place: int) -> object:
        return self._pair[place]

    def resolve_with_mib(self, *_tables: object, **_how: object) -> _Numbered:
        return self


class _TooBig(Exception):
    """The answer does not fit into what the agent may send."""


def _take(
    found: Sequence[tuple[Index, object]],
    names: Sequence[str],
    bases: Mapping[str, Index],
    last: dict[str, Index],
    rows: dict[str, Rows],
) -> set[str]:
    """Sort an answer, row by row, into its columns. Returns those that are read to their end."""
    if not found:
        return set(names)
    ended: set[str] = set()
    for place, (index, value) in enumerate(found):
        name = names[place % len(names)]
        base, plain = bases[name], _plain(value)
        # An agent whose numbers do not rise would be walked for ever.
        inside = index[: len(base)] == base and index > last[name] and _is_index(index)
        if name in ended or isinstance(value, _NOTHING) or not inside or len(rows[name]) >= MOST_ROWS:
            ended.add(name)
            continue
        last[name] = index
        if plain is not None:
            rows[name].append((index[len(base) :], plain))
    return ended


def _is_index(index: Index) -> bool:
    return len(index) <= LONGEST_INDEX and max(index) <= LARGEST_NUMBER


def _plain(value: object) -> Value | None:
    if isinstance(value, (*_NOTHING, snmp.ObjectIdentifier)):
        return None
    if isinstance(value, snmp.OctetString):
        return bytes(value.asOctets()[:LONGEST_TEXT])
    try:
        number = int(value) if isinstance(value, SupportsInt) else None
    except (TypeError, ValueError):
        return None
    return number if number is not None and LEAST_NUMBER <= number <= LARGEST_NUMBER else None


def _auth_of(made: Credentials) -> object:
    if made.community:
        return snmp.CommunityData(made.community)
    kinds: dict[str, object] = {}
    if made.authentication:
        kinds["authProtocol"] = _AUTHENTICATION[made.authentication_protocol]
    if made.privacy:
        kinds["privProtocol"] = _PRIVACY[made.privacy_protocol]
    return snmp.UsmUserData(made.user, made.authentication or None, made.privacy or None, **kinds)


def _reason(indication: object) -> str:
    kind = type(indication).__name__
    if kind == "RequestTimedOut":
        return f"no answer within {ANSWER_WITHIN_S:.0f} s: it is off, not reachable, or does not accept the credentials"
    if kind in ("WrongDigest", "UnknownUserName", "UnsupportedSecurityLevel", "DecryptionError", "AuthenticationError"):
        return f"it does not accept the credentials ({indication})"
    return f"it cannot be asked ({indication})"
