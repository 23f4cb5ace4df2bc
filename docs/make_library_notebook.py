"""Make docs/library.ipynb from the code of docs/library.md, each block run and shown as a notebook shows it."""

from __future__ import annotations

import ast
import base64
import json
import os
import re
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
PAGE, NOTEBOOK = ROOT / "docs" / "library.md", ROOT / "docs" / "library.ipynb"

Json = dict[str, Any]


def main() -> None:
    """Run the page and write the notebook."""
    os.chdir(ROOT)
    parts = re.split(r"(?ms)^```python\n(.*?)^```\n", PAGE.read_text(encoding="utf-8"))
    names: Json = {}
    cells: list[Json] = []
    for at, text in enumerate(parts):
        if at % 2:
            cells += code_cells(text, names, len(cells))
        elif text.strip():
            cells.append({"id": f"c{len(cells)}", "cell_type": "markdown", "metadata": {}, "source": text.strip()})
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    book = {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    NOTEBOOK.write_text(json.dumps(book, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def code_cells(block: str, names: Json, first: int) -> list[Json]:
    """Run a block; it is cut after each line that shows something, as a notebook shows the last line of a cell only."""
    cells, begin, lines = [], 0, block.splitlines()
    nodes = ast.parse(block).body
    for node in nodes:
        end = node.end_lineno or 0
        shows = isinstance(node, ast.Expr)
        code = ast.get_source_segment(block, node) or ""
        value = eval(code, names) if shows else exec(code, names)  # noqa: S307, S102 - the page is ours
        if shows or node is nodes[-1]:
            source, number = "\n".join(lines[begin:end]).strip(), first + len(cells)
            cells.append({
                "id": f"c{number}", "cell_type": "code", "execution_count": number, "metadata": {},
                "source": source, "outputs": [] if value is None else [shown(value, number)],
            })  # fmt: skip
            begin = end
    return cells


def shown(value: object, number: int) -> Json:
    """Return a value as notebooks keep it: a picture, a table or text."""
    said: Json = {"text/plain": repr(value)}
    if hasattr(value, "_repr_png_"):
        said = {"image/png": base64.b64encode(value._repr_png_()).decode("ascii"), "text/plain": "<figure>"}
    elif hasattr(value, "_repr_html_"):
        said["text/html"] = value._repr_html_()
    return {"output_type": "execute_result", "execution_count": number, "metadata": {}, "data": said}


if __name__ == "__main__":
    main()
