"""Which gross faults, planted in the samples, are not listed: every engine, every set of leads.

``python -m tests.performance.bench_gross [turn ...]``; a turn moves the kinds on to the next places of the drive.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.mining.gross import ENGINES, LEADS, PLACES, mine_gross


def main() -> None:
    """Print each case, and what it missed."""
    turns = [int(turn) for turn in sys.argv[1:]] or list(range(len(PLACES)))
    n = n_listed = 0
    for engine in ENGINES:
        for leads in LEADS:
            for turn in turns:
                with tempfile.TemporaryDirectory() as folder:
                    faults, others = mine_gross(Path(folder), engine, leads, turn)
                missed = [fault for fault in faults if not fault.is_listed]
                n, n_listed = n + len(faults), n_listed + len(faults) - len(missed)
                print(  # noqa: T201
                    f"{engine}; {leads}; turn {turn}: {len(faults) - len(missed)} of {len(faults)}, "
                    f"{others} healthy events listed at one an hour",
                    *(f"    {fault}" for fault in missed),
                    sep="\n",
                )
    print(f"{n_listed:,} of {n:,} gross faults are listed at no more than one false alarm an hour")  # noqa: T201


if __name__ == "__main__":
    main()
