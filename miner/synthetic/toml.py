"""TOML text of plain data: the standard library reads it but does not write it.

Not by tomli_w, which gives each number of a firing order a line of its own: people copy and edit these files.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

__all__ = ["toml_text"]


def toml_text(data: Mapping[str, Any]) -> str:
    """Return nested mappings, lists and plain values as TOML; ``None`` is left out.

    Examples
    --------
    >>> toml_text({"a": 1, "b": {"c": [1, 2]}, "d": [{"e": "x"}]}).split()
    ['a', '=', '1', '[b]', 'c', '=', '[1,', '2]', '[[d]]', 'e', '=', '"x"']
    """
    return "\n".join(_lines(data, "")).strip() + "\n"


def _lines(data: Mapping[str, Any], path: str) -> list[str]:
    present = {key: value for key, value in data.items() if value is not None}
    out = [f"{key} = {_value(value)}" for key, value in present.items() if not _is_table(value)]
    for key, value in present.items():
        name = f"{path}.{key}" if path else key
        if isinstance(value, Mapping):
            out += ["", f"[{name}]", *_lines(value, name)]
        elif _is_table(value):
            for item in value:
                out += ["", f"[[{name}]]", *_lines(item, name)]
    return out


def _is_table(value: object) -> bool:
    rows = isinstance(value, list | tuple) and bool(value) and isinstance(value[0], Mapping)
    return rows or isinstance(value, Mapping)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
