"""What a scenario is: packets with a known truth, and the house it is played to."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from slotwatch.rehearse.stage import Item


@dataclass(frozen=True, slots=True)
class Truth:
    """What a listener may and must say of a scenario. With no rule: nothing more severe than a note."""

    rule: str = ""
    due_s: float = 0.0
    """When the rule's own time is over: the incident opens no later than 0.1 s after, and no sooner than `early_s`."""
    universes: tuple[str, ...] = ()
    """Empty: not checked (a rule that is about the whole network)."""
    cause: str = ""
    """Empty: not checked (rules without causes)."""
    severity: str = "warning"
    """The severity that the incident must have in the scenario's phase."""
    confidence: str = "certain"
    """The most that may be claimed from this vantage."""
    began_s: float = 0.0
    """Nothing may be reported before this."""
    also: tuple[str, ...] = ()
    """Rules that may be open beside it, since they are true as well."""
    instead: tuple[str, ...] = ()
    """Rules that are as good an answer."""
    causes: tuple[str, ...] = ()
    """Causes that are as good an answer."""
    explains: tuple[str, ...] = ()
    """Rules that must not be raised beside it, since it explains them."""
    early_s: float = 1.0
    """How long before that it may open: some rules are looked at once a second. More only where chance decides."""
    says: tuple[str, ...] = ()
    """Words that must be in its summary, evidence or what still works at the end."""
    unsaid: tuple[str, ...] = ()
    """Words that may be in no summary of any incident at any time."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A house as its files: the house file's text, and the files beside it."""

    toml: str
    files: tuple[tuple[str, str], ...] = ()
    """(name, text): patch and circuits."""
    joined: tuple[int, ...] = ()
    """E1.31 universes that are declared, and so joined."""
    networks: int = 1

    def on_loopback(self, e131_port: int, artnet_port: int) -> str:
        """The house file's text for a live rehearsal: on loopback, at ports of its own, with loopback addresses."""
        text = re.sub(r"(?m)^interfaces = .*$", 'interfaces = ["lo"]', self.toml, count=1)
        ports = f"e131_port = {e131_port}\nartnet_port = {artnet_port}\n"
        text = text.replace("protocols = ", f"{ports}protocols = ", 1)
        return re.sub(r'"\d+\.(\d+\.\d+\.\d+)"', r'"127.\1"', text)


@dataclass(frozen=True, slots=True)
class Scenario:
    name: str
    fault: str
    """`F02`, or empty: a healthy show that looks suspicious."""
    title: str
    """One line, as `rehearse --list` prints it."""
    items: Callable[[], Iterator[Item]]
    """Makes the packets and observations, in order of time, from 0."""
    seconds: float
    """How long it is watched."""
    paper: Paper
    truth: Truth = field(default_factory=Truth)
    lasting: Callable[[float], Iterator[Item]] | None = None
    """Makes them for another number of seconds."""
    live: bool = True
    """False: its evidence is not in packets (a link, a drop, a group, a second network), so it cannot be sent."""

    @property
    def is_healthy(self) -> bool:
        return not self.truth.rule
