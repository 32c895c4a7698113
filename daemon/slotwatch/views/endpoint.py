"""What is known of one request that the HTTP API answers, and of a parameter of it."""

from __future__ import annotations

from dataclasses import dataclass

Schema = dict[str, object]


@dataclass(frozen=True, slots=True)
class Parameter:
    """A part of the path, or of the query."""

    name: str
    where: str
    """path | query."""
    sentence: str
    schema: Schema
    example: str | int | None = None


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One method of one path."""

    method: str
    path: str
    """As in OpenAPI: a universe's name is two parts of it."""
    summary: str
    answer: object = None
    """Type of the JSON answer; None where `media` says what it is."""
    media: tuple[str, ...] = ()
    parameters: tuple[Parameter, ...] = ()
    body: type | None = None
    status: int = 200
    refusals: tuple[int, ...] = ()
    """Beyond those that any request can have."""
    needs_judging: bool = True
    """Whether it is refused with 503 while judging has not published yet."""
    is_open: bool = False
    """Whether it needs no token even where reading does."""
