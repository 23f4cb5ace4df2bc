"""Ended at any moment and started again: the tables are the same bytes as of a run that nobody disturbed."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from tests.pipelines.fakes import tables_of, write_fake_tree

ROOT = Path(__file__).parents[2]
posix = pytest.mark.skipif(os.name == "nt", reason="kills with SIGKILL")


def command(folder: Path, out: Path, *options: object) -> list[str]:
    return [sys.executable, "-m", "tests.pipelines.crash_run", str(folder), str(out), *map(str, options)]


def crash_run(folder: Path, out: Path, *options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(folder, out, *options), cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
    )


def undisturbed(folder: Path, out: Path) -> tuple[dict[str, bytes], int]:
    done = crash_run(folder, out)
    assert done.returncode == 0, done.stderr
    return tables_of(out), int(done.stdout.split("boundaries ")[1].split()[0])


@posix
@pytest.mark.slow
def test_killed_at_every_boundary(tmp_path):
    folder = write_fake_tree(tmp_path / "in", 2)
    expected, n_boundaries = undisturbed(folder, tmp_path / "whole")
    # 2 recordings: 2 x (profile and finish) and 2 + 3 sections, each a step and an entry; and the run's two entries
    assert n_boundaries == 2 * (2 * (2 * 2 + 5) + 2)
    out = tmp_path / "out"
    for boundary in range(1, n_boundaries + 1):
        killed = crash_run(folder, out, "--boundary", boundary)
        assert killed.returncode == -9, (boundary, killed.stderr)
        finished = tables_of(out)
        assert finished.items() <= expected.items(), f"a half-written table after boundary {boundary}"
        again = crash_run(folder, out)
        assert again.returncode == 0, again.stderr
        assert tables_of(out) == expected, f"killed at boundary {boundary}"
        shutil.rmtree(out)


@posix
def test_what_was_finished_is_not_done_again(tmp_path):
    folder = write_fake_tree(tmp_path / "in", 2)
    _, n_boundaries = undisturbed(folder, tmp_path / "whole")
    steps_then_entries = []
    for boundary in (8, n_boundaries // 2, n_boundaries - 3):
        out = tmp_path / str(boundary)
        crash_run(folder, out, "--boundary", boundary)
        again = crash_run(folder, out)
        steps_then_entries.append(int(again.stdout.split("boundaries ")[1].split()[0]))
    # each later kill leaves less to do; two boundaries (begin_run) were passed without a step
    assert steps_then_entries == sorted(steps_then_entries, reverse=True)
    assert steps_then_entries[0] < n_boundaries
    assert steps_then_entries[-1] <= 12


@posix
@pytest.mark.slow
def test_killed_at_50_random_moments(tmp_path):
    folder = write_fake_tree(tmp_path / "in", 3)
    expected, _ = undisturbed(folder, tmp_path / "whole")
    moments = random.Random(20)
    runs = kills = 0
    out = tmp_path / "out-0"
    while kills < 50:
        assert runs < 200, "hardly a run was caught before its end"
        process = subprocess.Popen(
            command(folder, out, "--workers", 2, "--pause-s", 0.03),
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        process.stdout.readline()  # the lock is held: from here on it works
        # the workers must have gone with their starter before the next run, which would prove nothing otherwise
        try:
            process.wait(timeout=moments.uniform(0.0, 0.9))
        except subprocess.TimeoutExpired:
            workers = children_of(process.pid)
            process.kill()
            await_end(workers)
        process.communicate()
        runs += 1
        assert tables_of(out).items() <= expected.items()
        if process.returncode == 0:  # it was done before its moment came
            assert tables_of(out) == expected
            out = tmp_path / f"out-{runs}"
        else:
            kills += 1
    last = crash_run(folder, out)
    assert last.returncode == 0, last.stderr
    assert tables_of(out) == expected


def children_of(pid: int) -> list[psutil.Process]:
    with suppress(psutil.NoSuchProcess):
        return psutil.Process(pid).children(recursive=True)
    return []


def await_end(processes: list[psutil.Process]) -> None:
    """Wait until none of them runs; one that ended may stay listed until the system takes note of it."""
    until = time.monotonic() + 10
    while any(alive(p) for p in processes):
        assert time.monotonic() < until, "a worker outlived the run that started it"
        time.sleep(0.01)


def alive(process: psutil.Process) -> bool:
    try:
        return process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


@posix
@pytest.mark.parametrize("order", ["first holds", "both at once"])
def test_two_runs_at_once(tmp_path, order):
    folder, out = write_fake_tree(tmp_path / "in", 2), tmp_path / "out"
    expected, _ = undisturbed(folder, tmp_path / "whole")
    if order == "first holds":
        first = subprocess.Popen(command(folder, out, "--hold"), cwd=ROOT, stdout=subprocess.PIPE)
        assert first.stdout.readline() == b"locked\n"
        second = crash_run(folder, out)
        assert second.returncode == 2
        assert "another run works in this folder already" in second.stderr
        first.kill()  # nobody can unlock now but the operating system
        first.communicate()
        assert crash_run(folder, out).returncode == 0
    else:
        runs = [
            subprocess.Popen(
                command(folder, out, "--pause-s", 0.2), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE
            )
            for _ in range(3)
        ]
        for run in runs:
            run.communicate(timeout=60)
        assert sorted(run.returncode for run in runs) == [0, 2, 2]
    assert tables_of(out) == expected


@posix
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs root to mount a small disk")
def test_full_disk(tmp_path):
    folder = write_fake_tree(tmp_path / "in", 3)
    whole = crash_run(folder, tmp_path / "whole", "--bulk", 60_000)
    assert whole.returncode == 0, whole.stderr
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting is not allowed here")
    try:
        for workers, size in ((0, None), (2, "300k"), (2, "340k"), (0, "380k")):
            if size:
                subprocess.run(["mount", "-o", f"remount,size={size}", str(disk)], check=True)
            full = crash_run(folder, disk / "out", "--bulk", 60_000, "--workers", workers)
            assert full.returncode == 2, full.stdout + full.stderr
            assert "full" in full.stderr
            assert "start the same command again" in full.stderr
            assert "Traceback" not in full.stderr
            assert tables_of(disk / "out").items() <= tables_of(tmp_path / "whole").items()
        subprocess.run(["mount", "-o", "remount,size=8m", str(disk)], check=True)
        again = crash_run(folder, disk / "out", "--bulk", 60_000)
        assert again.returncode == 0, again.stderr
        assert tables_of(disk / "out") == tables_of(tmp_path / "whole")
    finally:
        time.sleep(0.1)
        subprocess.run(["umount", "-l", str(disk)], check=True)
