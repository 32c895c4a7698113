"""Turns what TOML holds into what the house means, or says what would be right.

Each converter takes the value and its key and raises ValueError with the "wanted" half of a Problem.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date, datetime, time
from ipaddress import ip_address
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from slotwatch.house.keys import Key, Kind
from slotwatch.printable import visible
from slotwatch.wire import universe as universes
from slotwatch.wire.universe import ON_NETWORK, Protocol, UniverseId

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MAX_TEXT = 4096

Located = tuple[UniverseId, str | None]


class Converter:
    """Converts values; knows the names of declared lines, so that `line/NAME` can be a universe."""

    def __init__(self, lines: dict[str, int] | None = None) -> None:
        self.lines = lines or {}

    def convert(self, key: Key, value: Any) -> Any:
        """The value as the house means it. ValueError with what would be right."""
        return _CONVERTERS[key.kind](self, key, value)

    def universe(self, text: Any) -> Located:
        """A universe and the network that is named with it. ValueError if the text is not a universe."""
        if not isinstance(text, str):
            raise ValueError('write a universe in quotes, such as "e131/1" or "artnet/0"')
        if text.startswith("line/"):
            name, _, network = text[5:].partition("@")
            if name in self.lines:
                return UniverseId(Protocol.LINE, self.lines[name]), network or None
            known = ", ".join(f"line/{line}" for line in self.lines) or "none is declared"
            raise ValueError(f"no such line under [[lines]]; known: {known}")
        try:
            return universes.parse(text)
        except ValueError as error:
            raise ValueError(str(error).partition("; ")[2] or str(error).partition("is ")[2]) from None


def _text(_: Converter, key: Key, value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError('write a text in quotes: "…"')
    if len(value) > MAX_TEXT or any(ord(c) < 32 for c in value):
        raise ValueError(f"one line of at most {MAX_TEXT} characters is expected")
    # Names in packets and patch lists are read so too: with a hidden sign, two names that look the same would differ.
    text = visible(value)
    if key.required and not text.strip():
        raise ValueError("it may not be empty")
    return text


def _whole(_: Converter, key: Key, value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"a whole number{_range(key)} is expected")
    return int(_in_range(key, value))


def _number(_: Converter, key: Key, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"a number{_range(key)} is expected")
    return float(_in_range(key, value))


def _in_range(key: Key, value: float) -> float:
    if (key.low is not None and value < key.low) or (key.high is not None and value > key.high):
        raise ValueError(f"a value{_range(key)} is expected")
    return value


def _range(key: Key) -> str:
    unit = f" {key.unit}" if key.unit else ""
    return f" from {key.low:g} to {key.high:g}{unit}" if key.low is not None and key.high is not None else ""


def _yes_no(_: Converter, key: Key, value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError("true or false is expected, without quotes")
    return value


def _choice(_: Converter, key: Key, value: Any) -> str:
    if value not in key.choices or not isinstance(value, str):
        raise ValueError("one of these is expected: " + ", ".join(key.choices))
    return value


def _texts(self: Converter, key: Key, value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise ValueError('a list of texts is expected: ["…", "…"]')
    if key.required and not value:
        raise ValueError("it may not be empty")
    return tuple(_text(self, key, item) for item in value)


def _choices(self: Converter, key: Key, value: Any) -> tuple[Any, ...]:
    if not isinstance(value, list) or not value or any(item not in key.choices for item in value):
        raise ValueError("a list is expected, of " + " and ".join(key.choices))
    if len(set(value)) < len(value):
        raise ValueError("each may be listed once")
    return tuple(value)


def _numbers(self: Converter, key: Key, value: Any) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two numbers are expected: [lowest, highest]")
    return _number(self, key, value[0]), _number(self, key, value[1])


def _slots(self: Converter, key: Key, value: Any) -> tuple[int, int]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("the first and the last slot are expected: [1, 512]")
    first, last = _whole(self, key, value[0]), _whole(self, key, value[1])
    if last < first:
        raise ValueError("the last slot may not be below the first")
    return first, last


def _universe(self: Converter, key: Key, value: Any) -> UniverseId:
    universe, network = self.universe(value)
    if network is not None:
        raise ValueError("write the universe without a network here")
    return universe


def _universe_on_network(self: Converter, key: Key, value: Any) -> Located:
    return self.universe(value)


def _universes_on_networks(self: Converter, key: Key, value: Any) -> tuple[Located, ...]:
    if not isinstance(value, list):
        raise ValueError('a list of universes is expected: ["e131/1", "e131/2@A"]')
    return tuple(self.universe(item) for item in value)


def _target(self: Converter, key: Key, value: Any) -> UniverseId | str:
    if isinstance(value, str) and value.startswith("serial:"):
        port = value[7:]
        if not port.startswith("/"):
            raise ValueError("write the serial port with its whole path, such as serial:/dev/ttyUSB0")
        return port
    universe = _universe(self, key, value)
    if not universe.protocol.facts.is_sent:
        sent = " or ".join(protocol.word for protocol in ON_NETWORK if protocol.facts.is_sent)
        raise ValueError(f"{value} is only listened to; routes send {sent}, or to serial:/dev/…")
    return universe


def _universe_table(self: Converter, key: Key, value: Any) -> dict[str, UniverseId]:
    if not isinstance(value, dict):
        raise ValueError('a table is expected: { 1 = "e131/1", 2 = "e131/2" }')
    return {name: _universe(self, key, item) for name, item in value.items()}


def _labels(self: Converter, key: Key, value: Any) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, dict) or not all(isinstance(item, str) for item in value.values()):
        raise ValueError('a table of texts is expected: { name = "…" }')
    return tuple(value.items())


def _cid(_: Converter, key: Key, value: Any) -> bytes:
    try:
        cid = UUID(value)
    except (ValueError, AttributeError, TypeError):
        raise ValueError('a UUID is expected: "6f1c2a70-…", 32 hexadecimal digits') from None
    if not cid.int:
        raise ValueError("no component has the CID of all zeros")
    return cid.bytes


def _address(_: Converter, key: Key, value: Any) -> str:
    try:
        if not isinstance(value, str):
            raise ValueError
        return str(ip_address(value.strip()))
    except ValueError:
        raise ValueError('an IP address is expected: "10.20.0.10" or "fd00::1"') from None


def _addresses(self: Converter, key: Key, value: Any) -> tuple[str, ...]:
    if isinstance(value, list) and not value:
        raise ValueError("a list without an address means nothing: leave it out")
    return tuple(_address(self, key, each) for each in (value if isinstance(value, list) else [value]))


def _host_port(_: Converter, key: Key, value: Any) -> tuple[str, int]:
    found = (
        re.fullmatch(r"(?:\[([0-9A-Fa-f:.%\w]+)\]|([^\s:/\[\]]+)):(\d{1,5})", value) if isinstance(value, str) else None
    )
    if not found or not 0 < int(found[3]) < 65536:
        raise ValueError('an address and a port are expected: "127.0.0.1:8580" or "[::1]:8580"')
    return found[1] or found[2], int(found[3])


_URL = r"https?://[^\s/]+\S*"


def _url(self: Converter, key: Key, value: Any) -> str:
    url = _text(self, key, value)
    if not re.fullmatch(_URL, url):
        raise ValueError('a URL is expected: "https://building.example/alarms"')
    return url


def _urls(self: Converter, key: Key, value: Any) -> tuple[str, ...]:
    urls = _texts(self, key, value)
    if not all(re.fullmatch(_URL, url) for url in urls):
        raise ValueError('URLs are expected: ["http://alerts.example:9093"]')
    return urls


def _date(_: Converter, key: Key, value: Any) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value)
    except (ValueError, TypeError):
        raise ValueError("a date is expected: 2027-01-31") from None


def _moment(_: Converter, key: Key, value: Any) -> datetime:
    if isinstance(value, datetime):
        return value
    try:
        return datetime.fromisoformat(value)
    except (ValueError, TypeError):
        raise ValueError("a date and time are expected: 2027-01-31T18:00:00") from None


def _clock(_: Converter, key: Key, value: Any) -> time:
    if isinstance(value, time):
        return value
    found = re.fullmatch(r"(\d{1,2}):(\d\d)(?::(\d\d))?", value) if isinstance(value, str) else None
    try:
        if found:
            return time(int(found[1]), int(found[2]), int(found[3] or 0))
    except ValueError:
        pass
    raise ValueError('a time of day is expected: "18:55"')


def _days(_: Converter, key: Key, value: Any) -> tuple[int, ...]:
    words = [value] if isinstance(value, str) else value
    if words == ["daily"]:
        return tuple(range(7))
    if not isinstance(words, list) or not words or any(word not in DAYS for word in words):
        raise ValueError(f'a list of days is expected, of {", ".join(DAYS)}, or "daily"')
    return tuple(sorted({DAYS.index(word) for word in words}))


def _order(_: Converter, key: Key, value: Any) -> str | tuple[int, ...]:
    if value in ("in-turn", "blocks"):
        return str(value)
    if isinstance(value, list) and value and all(type(item) is int and 1 <= item <= 3 for item in value):
        return tuple(value)
    raise ValueError(
        'one of these is expected: "in-turn", "blocks", or a list with the supply number (1 to 3) of each way'
    )


def _time_zone(_: Converter, key: Key, value: Any) -> str:
    try:
        return ZoneInfo(value).key
    except Exception:  # zoneinfo raises many kinds for a bad name, by what the name looks like as a path
        raise ValueError('a time zone is expected, such as "Europe/London" or "UTC"') from None


_CONVERTERS: dict[Kind, Callable[[Converter, Key, Any], Any]] = {
    Kind.TEXT: _text,
    Kind.WHOLE: _whole,
    Kind.NUMBER: _number,
    Kind.YES_NO: _yes_no,
    Kind.CHOICE: _choice,
    Kind.TEXTS: _texts,
    Kind.CHOICES: _choices,
    Kind.NUMBERS: _numbers,
    Kind.SLOTS: _slots,
    Kind.UNIVERSE: _universe,
    Kind.UNIVERSE_ON_NETWORK: _universe_on_network,
    Kind.UNIVERSES_ON_NETWORKS: _universes_on_networks,
    Kind.TARGET: _target,
    Kind.UNIVERSE_TABLE: _universe_table,
    Kind.LABELS: _labels,
    Kind.CID: _cid,
    Kind.ADDRESS: _address,
    Kind.ADDRESSES: _addresses,
    Kind.HOST_PORT: _host_port,
    Kind.URL: _url,
    Kind.URLS: _urls,
    Kind.DATE: _date,
    Kind.MOMENT: _moment,
    Kind.CLOCK: _clock,
    Kind.DAYS: _days,
    Kind.ORDER: _order,
    Kind.TIME_ZONE: _time_zone,
}
