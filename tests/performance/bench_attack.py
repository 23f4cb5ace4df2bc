"""Thousands of bad recordings through the command line: how many were refused, how many mined, none otherwise.

usage: python -m tests.performance.bench_attack [--n 1000] [--first 0]

Ends at once, with the seed, where one is neither right nor refused in one sentence.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.attack.test_bad_recordings import attack


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    ended: Counter[str] = Counter()
    began = time.perf_counter()
    for seed in range(asked.first, asked.first + asked.n):
        folder = Path(tempfile.mkdtemp(prefix="attack-"))
        try:
            with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as said:
                ended[attack(folder, seed)] += 1
            if "Traceback" in said.getvalue() or said.getvalue().count("\n") > 1:
                raise AssertionError(f"seed {seed}: {said.getvalue()}")
        finally:
            shutil.rmtree(folder)
    sys.stdout.write(f"{asked.n} bad recordings in {time.perf_counter() - began:.0f} s: {dict(ended)}\n")


if __name__ == "__main__":
    main()
