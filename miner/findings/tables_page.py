"""The page that documents every table, written from the declarations themselves."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow as pa

from miner.schema import EVENTS, INCIDENTS, KINDS, OPERATING_STATES, QUALITIES, SILENCES, SUSPECTS, Column, Table

__all__ = ["tables_page"]

INTRODUCTION = """\
# Tables

Written from `miner/schema.py` by `make tables`; change the declarations, not this page.

Time is seconds since the recording's first sample. A value that could not be measured is null, never 0 and never a
guess. Every column carries its unit and meaning in the Parquet field metadata as well. The last file of a finished
folder is `summary.json`; without it the folder is not finished.
"""


def tables_page() -> str:
    """Return the page as Markdown."""
    return "\n".join(
        [
            INTRODUCTION,
            *(line for table in (EVENTS, SUSPECTS, INCIDENTS, SILENCES) for line in _table(table)),
            *_words(),
        ]
    )


def _table(table: Table) -> Iterator[str]:
    yield f"## {table.name}.parquet\n\nOne row: {table.row}.\n"
    yield "| column | type | unit | meaning |\n| --- | --- | --- | --- |"
    yield from (_row(column) for column in table.columns)
    yield ""


def _row(column: Column) -> str:
    null = ", null" if column.nullable else ""
    return f"| {column.name} | {_type(column.type)}{null} | {column.unit} | {column.meaning} |"


def _type(kind: pa.DataType) -> str:
    return f"list of {kind.value_type}" if pa.types.is_list(kind) else str(kind)


def _words() -> Iterator[str]:
    yield "## Words in the tables\n"
    for column, words in (("kind", KINDS), ("operating_state", OPERATING_STATES), ("quality", QUALITIES)):
        yield f"- `{column}`: " + ", ".join(f"`{word}`" for word in words)
    yield ""
