"""The columns that rules see are the model's own, by name and type."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import get_type_hints

import numpy as np
import pytest

from slotwatch.house.schema import House
from slotwatch.judge import model_view
from slotwatch.judge.model_view import StreamColumns, UniverseColumns
from slotwatch.model.model import Model
from tests.shapes import element_type

JUDGE = Path(model_view.__file__ or "").parent
MODEL = Model(House(), 0)


@pytest.mark.parametrize(("columns", "table"), [(StreamColumns, MODEL.streams), (UniverseColumns, MODEL.universes)])
def test_each_column_is_the_models(columns: type, table: object) -> None:
    for name, hint in get_type_hints(columns).items():
        if name == "count":
            continue
        dtype = element_type(hint)
        assert dtype is not None
        assert getattr(table, name).dtype == np.dtype(dtype), name


def test_no_rule_sees_the_model_as_anything() -> None:
    """mypy checks what the Protocols name; an Any in a signature would let a misspelt column through."""
    for path in [*JUDGE.glob("rules/*.py"), JUDGE / "context.py", JUDGE / "model_view.py"]:
        names = [node.id for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Name)]
        assert "Any" not in names, path.name
