"""The half-hour call as `slotwatch ready` gets it from a daemon, and the one line that it prints."""

from __future__ import annotations

import msgspec
from msgspec import Struct

from slotwatch.judge import wording

MOST_REASONS = 12
MOST_NAMES = 12
SCOPE = "Data only; no safety or emergency-lighting check."


class ReadyReason(Struct, frozen=True):
    """Why the house is not ready, or what is accepted."""

    text: str
    reason: str = ""
    """Why it is accepted; empty if it is not."""


class ReadyReport(Struct, frozen=True):
    """What a daemon says of its house. Keys that a newer daemon adds are ignored."""

    ready: bool
    reasons: tuple[ReadyReason, ...]
    accepted: tuple[ReadyReason, ...]
    not_visible: tuple[str, ...]
    not_judged: tuple[str, ...] = ()
    receivers_not_known: tuple[str, ...] = ()
    trouble: tuple[str, ...] = ()
    house: str = ""
    phase: str = ""


def read_report(text: bytes) -> ReadyReport:
    """Read a daemon's answer. ValueError if it is not a readiness."""
    try:
        return msgspec.json.decode(text, type=ReadyReport)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from None


def ready_text(report: ReadyReport) -> str:
    """Return the whole call as one line: ready or not, why not, what cannot be known here, what is not checked."""
    reasons = [" ".join(one.text.split()).rstrip(".") for one in report.reasons]
    where = ", ".join(part for part in (report.house, _phase(report.phase)) if part)
    parts = ["Ready" if report.ready else "Not ready", f" ({where})" if where else ""]
    if reasons:
        if len(reasons) > 1:
            reasons = [f"({number}) {text}" for number, text in enumerate(reasons, 1)]
        more = f"; and {len(reasons) - MOST_REASONS} more" if len(reasons) > MOST_REASONS else ""
        parts.append(": " + "; ".join(reasons[:MOST_REASONS]) + more)
    parts.append(".")
    if report.accepted:
        accepted = [one.reason or one.text for one in report.accepted]
        parts.append(f" Accepted: {'; '.join(accepted[:MOST_REASONS])}.")
    for names, words in ((report.not_visible, "Not visible from here"), (report.not_judged, "Not judged now")):
        if names:
            more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
            parts.append(f" {words}, so not known: {', '.join(names[:MOST_NAMES])}{more}.")
    if count := len(report.receivers_not_known):
        parts.append(
            f" It is not known whether {wording.count(count, 'receiver')} {'answers' if count == 1 else 'answer'}."
        )
    parts += [f" Of this listener: {text}" for text in report.trouble]
    parts.append(f" {SCOPE}")
    return "".join(parts)


def _phase(phase: str) -> str:
    return f"phase {phase}, judged as if in show" if phase and phase != "show" else "phase show" if phase else ""
