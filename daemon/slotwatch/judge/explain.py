"""What explains what: a wide fault takes the narrow ones that it made into its own incident.

Listener faults come first and take everything that they may have caused. The table is read top down: the
first incident that may explain a case has it.
"""

from __future__ import annotations

from dataclasses import dataclass

_STREAM_TROUBLE = frozenset(
    {
        "packet-loss",
        "uneven-refresh",
        "slow-refresh",
        "out-of-order",
        "sync-missing",
        "slot-priority-faulty",
        "skewed-universes",
        "backup-differs",
    }
)
_ABSENCE = frozenset({"universe-lost", "universe-missing", "source-absent", "backup-absent"})
_SILENCE = _ABSENCE | {"backup-in-control", "receiver-silent", "short-frame", "preview-only", "level-stuck"}
_RIVALS = frozenset({"source-conflict", "unexpected-source", "backup-differs", "level-stuck"})

TIMED = frozenset({"link-down", "networks-swapped", "host-overrun", "universe-lost", "source-absent"})
"""Wide rules that begin at a moment: what was there and said before it is not theirs."""

BY_THEIR_END = frozenset({"flooded-groups"})
"""Wide rules whose end makes what they explain, so that it begins when they no longer hold."""

ANYWHERE, NETWORK, UNIVERSE, SOURCE, STREAM = "anywhere", "network", "universe", "source", "stream"
"""How near the explained case must lie: anywhere; on its networks; on its universes; of its sources; both."""


@dataclass(frozen=True, slots=True)
class Reach:
    rules: frozenset[str]
    nearness: str
    causes: frozenset[str] = frozenset()
    """Only if the wide one has one of these causes; empty: any."""
    only: frozenset[str] = frozenset()
    """Only what has one of these causes itself; empty: any."""


EXPLAINS: dict[str, tuple[Reach, ...]] = {
    "link-down": (
        Reach(
            _SILENCE | _STREAM_TROUBLE | {"join-failed", "querier-absent", "identity-changed", "fallback-address"},
            NETWORK,
        ),
    ),
    "networks-swapped": (
        Reach(
            _SILENCE
            | _STREAM_TROUBLE
            | _RIVALS
            | {"identity-changed", "undeclared-universe", "duplicate-identity", "flooded-groups", "wrong-group"}
            | {"querier-absent", "querier-changed", "fallback-address", "duplicate-address"},
            NETWORK,
        ),
    ),
    "host-overrun": (Reach(_ABSENCE | _STREAM_TROUBLE | {"backup-in-control", "preview-only"}, ANYWHERE),),
    "join-failed": (Reach(_SILENCE, UNIVERSE),),
    "duplicate-identity": (
        Reach(
            _STREAM_TROUBLE
            | {"source-conflict", "sequence-unusable", "unexpected-source", "fast-refresh", "echoed-universe"}
            | {"identity-changed", "repeated-packets"},
            UNIVERSE,
        ),
        Reach(frozenset({"duplicate-address"}), NETWORK),
    ),
    "repeated-packets": (Reach(_STREAM_TROUBLE | {"fast-refresh", "sequence-unusable"}, NETWORK),),
    "sequence-unusable": (
        Reach(frozenset({"packet-loss", "out-of-order", "universe-lost", "uneven-refresh"}), STREAM),
        # Receivers discard its frames, so its levels stand still for them, whatever the other sources send.
        Reach(frozenset({"backup-differs", "source-conflict"}), UNIVERSE),
    ),
    "preview-only": (Reach(_SILENCE, UNIVERSE),),
    "universe-missing": (
        Reach(
            frozenset({"universe-lost", "source-absent", "backup-absent", "receiver-silent", "short-frame"}), UNIVERSE
        ),
    ),
    "universe-lost": (
        Reach(_SILENCE - {"universe-missing"} | _STREAM_TROUBLE | {"sequence-unusable", "wrong-group"}, UNIVERSE),
        Reach(
            _SILENCE | _STREAM_TROUBLE,
            SOURCE,
            frozenset({"source-lost", "network-lost", "stream-terminated", "multicast-lost"}),
        ),
        Reach(frozenset({"querier-absent"}), NETWORK, frozenset({"multicast-lost"})),
    ),
    "source-absent": (
        Reach(_STREAM_TROUBLE | {"backup-in-control"}, UNIVERSE),
        Reach(_STREAM_TROUBLE | {"backup-absent"}, SOURCE),
    ),
    "backup-absent": (Reach(_STREAM_TROUBLE, STREAM),),
    # What came only because a switch flooded it ends with the flood: no loss.
    "flooded-groups": (Reach(frozenset({"universe-lost"}), UNIVERSE),),
    "echoed-universe": (Reach(_RIVALS | {"out-of-order", "backup-in-control"}, UNIVERSE),),
    "source-conflict": (
        Reach(frozenset({"unexpected-source", "level-stuck"}), UNIVERSE),
        Reach(frozenset({"backup-differs"}), SOURCE),
    ),
    # A stranger's per-address priority, or that it has none, makes the universe's mixed.
    "unexpected-source": (Reach(frozenset({"slot-priority-faulty"}), UNIVERSE, only=frozenset({"mixed"})),),
    "backup-in-control": (Reach(frozenset({"unexpected-source", "backup-differs"}), STREAM),),
    "slow-refresh": (Reach(frozenset({"uneven-refresh", "skewed-universes"}), SOURCE),),
    "packet-loss": (Reach(frozenset({"uneven-refresh", "slow-refresh", "out-of-order"}), SOURCE),),
    "uneven-refresh": (Reach(frozenset({"skewed-universes"}), SOURCE),),
}

ORDER: tuple[str, ...] = tuple(EXPLAINS)
"""Wide rules, the first word theirs."""
