"""The orchestrator: the only pure file that knows wire, model, judge and bridge together."""

from __future__ import annotations
