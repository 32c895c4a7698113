"""Names of universes, kept from pass to pass: a fault of a whole house names thousands, several times a pass."""

from __future__ import annotations

from slotwatch.model.universes import Universes


class UniverseNames:
    """Names by row, as long as rows and house are the same."""

    def __init__(self) -> None:
        self._of: tuple[int, int] = (0, -1)
        self._names: dict[int, str] = {}

    def of(self, universes: Universes) -> dict[int, str]:
        """Give what earlier passes wrote; a pass adds to it."""
        of = (id(universes), universes.revision)
        if self._of != of:
            self._of, self._names = of, {}
        return self._names
