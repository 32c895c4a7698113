"""The half-hour call: whether the house is ready, judged as if in `show`."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the house is not ready."""

    rule: str
    text: str
    universes: tuple[str, ...] = ()
    """As they are written, `e131/12` or `e131/12@A`."""


@dataclass(frozen=True, slots=True)
class AcceptedReason:
    """What would be a reason, and why it is accepted."""

    rule: str
    text: str
    universes: tuple[str, ...]
    reason: str
    until: str | None
    """A date of the house file, or a moment in ISO 8601; None if it has no end."""
    by: str | None
    """The person who accepted it; None if the house file does."""


@dataclass(frozen=True, slots=True)
class ExceptionInForce:
    """An exception that holds now, whether it covers anything or not."""

    rule: str
    universes: tuple[str, ...]
    """Empty: all."""
    reason: str
    until: str | None
    by: str | None
    incident: int | None
    """The incident it was made from; None if the house file holds it."""


@dataclass(frozen=True, slots=True)
class SaidTrend:
    """A figure that grows worse from show to show. The house may be ready all the same."""

    universe: str
    figure: str
    text: str
    found_at: str
    """End of the show after which it was found, ISO 8601."""
    limit: float
    values: tuple[float, ...]
    """Of the shows it was found in, oldest first."""
    slope: float
    """A show."""
    p_value: float


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether the house is ready, the reasons if not, and what this vantage cannot know."""

    reasons: tuple[Reason, ...] = ()
    accepted: tuple[AcceptedReason, ...] = ()
    exceptions: tuple[ExceptionInForce, ...] = ()
    not_visible: tuple[str, ...] = ()
    """Universes that do not reach this port."""
    not_judged: tuple[str, ...] = ()
    """Universes that cannot be judged now, through this listener's own fault."""
    grows_worse: tuple[SaidTrend, ...] = ()
    """Found after the last show."""

    @property
    def ready(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.reasons

    def with_reasons(self, *more: Reason) -> Readiness:
        """Return the same call with further reasons."""
        return replace(self, reasons=(*self.reasons, *more))
