"""Import files spoilt at random: ``python -m tests.performance.fuzz_import [COUNT] [FIRST]``; 100,000 take hours."""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.recording.formats.fuzzing import good_files, try_one


def main(count: int = 100_000, first: int = 0) -> None:
    with tempfile.TemporaryDirectory() as folder:
        files = good_files(Path(folder))
        outcomes: Counter[str] = Counter()
        for number in range(first, first + count):
            try:
                outcomes[try_one(number, files, Path(folder))] += 1
            except BaseException:
                print(f"number {number}")  # noqa: T201
                raise
        for outcome, n in sorted(outcomes.items()):
            print(f"{outcome:24s} {n}")  # noqa: T201


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
