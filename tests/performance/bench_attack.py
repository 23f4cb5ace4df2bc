"""Thousands of bad inputs: how many were refused, how many right, none otherwise.

usage: python -m tests.performance.bench_attack [recordings|setups|findings|requests ...] [--n 1000] [--first 0]

Through the command line and, for requests, the server of the review. Ends at once, with the seed, where one is neither
right nor refused in one sentence, where a warning was given, or where anything that was there before was changed.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path

from miner.review.page import is_page_built
from tests.attack import test_bad_recordings, test_findings, test_requests, test_setups
from tests.attack.test_bad_recordings import check_said
from tests.review.made import make_findings
from tests.review.serving import serving

Attack = Callable[[Path, int], str]
DEFAULTS = {"recordings": 1000, "setups": 1000, "findings": 1000, "requests": 2000}


class Streams:
    """What is said on both streams since it was asked last."""

    def __init__(self) -> None:
        self.out, self.err = io.StringIO(), io.StringIO()

    def __call__(self) -> tuple[str, str]:
        said = self.out.getvalue(), self.err.getvalue()
        for stream in (self.out, self.err):
            stream.seek(0)
            stream.truncate()
        return said


def by_command(attack: Attack) -> Callable[[Streams], Iterator[Attack]]:
    """Return what attacks the command line, each time in a folder of its own."""

    @contextmanager
    def ready(said: Streams) -> Iterator[Attack]:
        def one(folder: Path, seed: int) -> str:
            done = attack(folder, seed)
            check_said(done, said()[1])
            return done

        yield one

    return ready  # type: ignore[return-value]


@contextmanager
def on_findings(said: Streams) -> Iterator[Attack]:
    with tempfile.TemporaryDirectory() as made:
        whole, good = test_findings.whole(Path(made)), dict[int, dict[str, object]]()
        yield lambda folder, seed: test_findings.attack(whole, Path(made) / "work", seed, said, good)


@contextmanager
def on_the_server(said: Streams) -> Iterator[Attack]:
    if not is_page_built():
        raise SystemExit("build the page first: make web")
    with tempfile.TemporaryDirectory() as made:
        findings = make_findings(Path(made))
        before = test_requests.kept(findings)
        with serving(findings) as client:

            def one(_folder: Path, seed: int) -> str:
                done = test_requests.attack(client, findings, seed)
                assert said() == ("", ""), f"seed {seed}: the server said something"
                return done

            yield one
            assert client.get("/api/open").status == 200
        assert test_requests.kept(findings) == before


KINDS = {
    "recordings": by_command(test_bad_recordings.attack), "setups": by_command(test_setups.attack),
    "findings": on_findings, "requests": on_the_server,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kinds", nargs="*", choices=[*KINDS, []], default=[])
    parser.add_argument("--n", type=int)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    warnings.simplefilter("error")
    for kind in asked.kinds or KINDS:
        n, ended, said = asked.n or DEFAULTS[kind], Counter[str](), Streams()
        wall, cpu = time.perf_counter(), time.process_time()
        with redirect_stdout(said.out), redirect_stderr(said.err), KINDS[kind](said) as attack:  # type: ignore[attr-defined]
            for seed in range(asked.first, asked.first + n):
                with tempfile.TemporaryDirectory(prefix="attack-") as folder:
                    try:
                        ended[attack(Path(folder), seed)] += 1
                    except BaseException as error:
                        error.add_note(f"{kind}, seed {seed}")
                        raise
        took = f"{time.perf_counter() - wall:.0f} s, {time.process_time() - cpu:.0f} of the processor"
        sys.stdout.write(f"{kind}: {n} tried, {dict(ended)}, in {took}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
