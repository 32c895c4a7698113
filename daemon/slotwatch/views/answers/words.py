"""Words and numbers that many answers share, each with what it means."""

from __future__ import annotations

from typing import Annotated, TypedDict

from msgspec import Meta

from slotwatch.wire.universe import Protocol


def one_of(*words: str) -> Meta:
    """A text that is one of a few words; the views take them from enumerations, which mypy sees as texts."""
    return Meta(extra_json_schema={"enum": list(words)})


Moment = Annotated[str, Meta(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$", description="ISO 8601, UTC.")]
UniverseName = Annotated[str, Meta(description="`e131/12`, `artnet/0` or `line/NAME`; `e131/12@A` on one network.")]
SourceKey = Annotated[str, Meta(description="CID of a source (E1.31), or its address and physical port (Art-Net).")]
Level = Annotated[int, Meta(ge=0, le=255)]
SlotNumber = Annotated[int, Meta(ge=1, le=512)]
Count = Annotated[int, Meta(ge=0)]

PhaseWord = Annotated[str, one_of("dark", "get-in", "rehearsal", "pre-show", "show", "post-show")]
SeverityWord = Annotated[str, one_of("note", "warning", "critical")]
ConfidenceWord = Annotated[str, one_of("certain", "high", "medium", "low")]
StateWord = Annotated[
    str,
    one_of(
        "steady",
        "at-rest",
        "on-backup",
        "not-sent",
        "not-visible",
        "not-judged",
        "faulty",
        "missing",
        "lost",
        "returning",
    ),
]
ProtocolWord = Annotated[str, one_of(*(protocol.word for protocol in Protocol))]


class ErrorAnswer(TypedDict):
    """Why a request was not carried out."""

    error: Annotated[str, Meta(description="One sentence.")]


class IntervalAnswer(TypedDict):
    """Percentiles of the intervals between frames, milliseconds; null where there are too few."""

    p50: float | None
    p95: float | None
    p99: float | None
    max: float | None
