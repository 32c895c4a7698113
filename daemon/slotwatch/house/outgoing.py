"""Who gets messages, alerts and state, and which: part of the declared house."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NoticeTerms:
    """Which incidents a recipient gets messages about, and when."""

    severity: str = "critical"
    """The lowest that is sent."""
    phases: tuple[str, ...] = ()
    """Phases in which a message may begin; empty: all."""
    after_s: float = 0.0
    """How long an incident must have lasted."""
    repeat_min: float = 0.0
    """Minutes after which an open incident is sent again unless it is acknowledged; 0: never."""
    resolved: bool = True
    """Whether the end is sent too."""


@dataclass(frozen=True, slots=True)
class Notify:
    """A person who gets messages, through an Apprise address."""

    name: str
    url_file: str
    terms: NoticeTerms = NoticeTerms()
    line: int = 0


@dataclass(frozen=True, slots=True)
class Webhook:
    """A program that gets signed messages."""

    name: str
    url: str
    secret_file: str
    terms: NoticeTerms = NoticeTerms()
    line: int = 0


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """An address that raises the alarm when requests stop."""

    url_file: str = ""
    """Empty: not used."""
    every_min: float = 5.0


@dataclass(frozen=True, slots=True)
class Alerts:
    """Where alerts go: to Alertmanager's own API, which does grouping, silences and pagers."""

    alertmanager_urls: tuple[str, ...] = ()
    minimum_severity: str = "warning"
    labels: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Mqtt:
    """The broker that state and incidents are published to."""

    host: str = ""
    """Empty: MQTT is not used."""
    port: int = 1883
    topic: str = "slotwatch"
    username: str = ""
    password_file: str = ""
    tls: bool = False
