"""The API's objects as JSON schemas, and a check that reads like a sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema

_SCHEMAS = Path(__file__).parent / "schemas"


def fits(name: str, value: Any) -> None:
    """Fail unless the value, as JSON, fits the schema of that name."""
    schema = json.loads((_SCHEMAS / f"{name}.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(json.loads(json.dumps(value, allow_nan=False)))
