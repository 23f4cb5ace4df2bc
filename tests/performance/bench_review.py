"""Measure the review page in Chromium: first picture, next suspect, and every zoom and pan step.

usage: python -m tests.performance.bench_review FINDINGS [--steps 60]

FINDINGS is a findings folder beside its recording; the bounds are meant for an hour of 4 leads at 1 MS/s. A step
counts from the key to the moment the leads of the new view are on the screen (two animation frames after the answer
was drawn). Prints a Markdown table; run it when the machine has nothing else to do.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

BOUNDS_MS = {"first picture": 1000, "next suspect": 120, "zoom step": 150, "pan step": 150}

ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run", "--disable-sync"]

SERVE = """
import sys
from importlib.abc import MetaPathFinder
class NotThere(MetaPathFinder):
    def find_spec(self, name, *_):
        if name == "pandas":
            raise ModuleNotFoundError(name)
sys.meta_path.insert(0, NotThere())
from miner.review.app import serve_review
serve_review(sys.argv[1], open_browser=False, on_ready=print)
"""
"""The server as it is installed: pandas, which Arrow takes in where it finds it, is there for tests only."""

# Presses a key and waits until the picture that answers it has been drawn and shown.
STEP = """key => new Promise(done => {
  const zoom = document.querySelector('#zoom');
  const begin = performance.now();
  new MutationObserver((_, watch) => {
    watch.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - begin)));
  }).observe(zoom, { attributes: true, attributeFilter: ['data-drawn'] });
  document.body.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
})"""

FIRST = """() => new Promise(done => {
  const seen = () => document.querySelector('#zoom[data-drawn]')
    ? requestAnimationFrame(() => done(performance.now())) : requestAnimationFrame(seen);
  seen();
})"""


def _steps(page: Page, keys: list[str]) -> list[float]:
    out = []
    for key in keys:
        out.append(page.evaluate(STEP, key))
        page.wait_for_timeout(120)  # a person's pace; a sharper picture that follows must not count for the next step
    return out


def measure(address: str, n_steps: int) -> dict[str, list[float]]:
    """Return milliseconds per kind of step."""
    rng = random.Random(4)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium") or "/usr/bin/chromium", args=ARGS)
        context = browser.new_context(viewport={"width": 1366, "height": 768})
        out: dict[str, list[float]] = {"first picture": []}
        for _ in range(5):
            page = context.new_page()
            page.goto(address, wait_until="commit")
            out["first picture"].append(page.evaluate(FIRST))
            if len(out["first picture"]) < 5:
                page.close()
        out["next suspect"] = _steps(page, ["j"] * n_steps)
        zoom, pan = [], []
        for _ in range(max(n_steps // 20, 1)):
            for _ in range(rng.randint(0, 20)):
                page.keyboard.press("j")
            page.wait_for_timeout(400)
            zoom += _steps(page, ["-"] * 28 + ["+"] * 28)  # from one pulse to the whole hour and back
            for wider in (0, 4, 6, 6):
                _steps(page, ["-"] * wider)
                pan += _steps(page, ["ArrowRight", "ArrowRight", "ArrowLeft", "ArrowRight", "ArrowRight"])
        browser.close()
    return {**out, "zoom step": zoom, "pan step": pan}


def memory_of(process: int) -> str:
    """Return what a process holds and held at most, where the system tells it."""
    try:
        told = dict(line.split(":", 1) for line in Path(f"/proc/{process}/status").read_text().splitlines())
    except OSError:
        return "server memory: not told by this system"
    now, most = (int(told[name].split()[0]) // 1000 for name in ("VmRSS", "VmHWM"))
    return f"server memory: {now} MB, at most {most} MB"


def main() -> None:
    """Serve the findings in a process of their own, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("findings", type=Path)
    parser.add_argument("--steps", type=int, default=60)
    options = parser.parse_args()
    server = subprocess.Popen(
        [sys.executable, "-u", "-c", SERVE, str(options.findings)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert server.stdout is not None
        times = measure(server.stdout.readline().strip(), options.steps)
        memory = memory_of(server.pid)
    finally:
        server.terminate()
        server.wait(10)
    lines = ["| step | n | median ms | 95 % ms | worst ms | bound ms |", "| --- | --- | --- | --- | --- | --- |"]
    for name, values in times.items():
        figures = [np.median(values), np.percentile(values, 95), max(values)]
        lines.append(
            f"| {name} | {len(values)} | " + " | ".join(f"{v:.0f}" for v in figures) + f" | {BOUNDS_MS[name]} |"
        )
    sys.stdout.write("\n".join([*lines, memory]) + "\n")


if __name__ == "__main__":
    main()
