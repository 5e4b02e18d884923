"""An indicator's description as TOML text, for a file that `load_indicators` reads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from config.indicators import Indicator

_LENGTHS = ("resolution", "permissible_error", "range", "plunger_out", "step", "inch_step")


def indicator_toml(indicator: Indicator) -> str:
    """One ``[[indicator]]`` table that reads back to the same description."""
    content = indicator.model_dump(by_alias=True, exclude_none=True)
    tables = {key: content.pop(key) for key in ("link", "format")}
    lines = ["[[indicator]]", *_pairs(content)]
    for name, table in tables.items():
        lines += [f"[indicator.{name}]", *_pairs(table)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [
        f'{key} = "{value} nm"' if key in _LENGTHS else f"{key} = {_value(value)}"
        for key, value in table.items()
    ]


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        inside = ", ".join(f"{json.dumps(key)} = {_value(inner)}" for key, inner in value.items())
        return f"{{ {inside} }}"
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False)
