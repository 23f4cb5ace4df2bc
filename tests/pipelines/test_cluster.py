"""The same plan on a real Dask scheduler with two worker processes: the same bytes, also when a worker is killed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

import psutil
import pytest

from miner.errors import RunError
from miner.mining.look import Extent
from miner.mining.steps import MineSteps
from miner.signal import sections
from pipelines.overnight.journal import Journal
from pipelines.overnight.plan import make_plan
from pipelines.overnight.pool import LocalPool
from pipelines.overnight.run import run_plan
from pipelines.overnight.tasks import Outcome, Task
from tests.pipelines import small
from tests.pipelines.fakes import FakeSteps, SilentView, tables_of, write_fake, write_fake_tree

distributed = pytest.importorskip("distributed")
cluster = pytest.importorskip("pipelines.overnight.cluster")

ROOT = Path(__file__).parents[2]

# the library leaves sockets and loops to the collector when a client closes
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning:(distributed|dask|tornado|asyncio|zict|cloudpickle).*"),
    pytest.mark.skipif(os.name == "nt", reason="kills a worker with SIGKILL"),
]


class Cluster:
    """A scheduler and worker processes of our own."""

    def __init__(self, folder: Path, n_workers: int) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[bytes]] = []
        scheduler_file = folder / "scheduler.json"
        self._start("scheduler", "--port", "0", "--host", "127.0.0.1", "--no-dashboard",
                    "--scheduler-file", scheduler_file)  # fmt: skip
        for number in range(n_workers):
            self._start("worker", "--scheduler-file", scheduler_file, "--no-nanny", "--no-dashboard", "--nthreads", "1",
                        "--local-directory", folder / f"scratch-{number}")  # fmt: skip
        self.address = self._await(scheduler_file, n_workers)

    def _start(self, what: str, *options: object) -> None:
        command = [sys.executable, "-m", "distributed.cli.dask_" + what, *map(str, options)]
        log = (self.folder / f"{len(self.processes)}.log").open("wb")
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        with log:
            self.processes.append(subprocess.Popen(command, cwd=self.folder, stdout=log, stderr=log, env=environment))

    def _await(self, scheduler_file: Path, n_workers: int) -> str:
        until = time.monotonic() + 60
        while not scheduler_file.is_file() or not scheduler_file.read_text():
            assert time.monotonic() < until, self.logs()
            time.sleep(0.05)
        with distributed.Client(scheduler_file=str(scheduler_file), set_as_default=False) as client:
            client.wait_for_workers(n_workers, timeout=60)
            return str(client.scheduler.address)

    def logs(self) -> str:
        return "".join(p.read_text(errors="replace")[-2000:] for p in self.folder.glob("*.log"))

    def close(self) -> None:
        for process in self.processes:
            process.kill()
        for process in self.processes:
            process.wait()


class KillLater(threading.Thread):
    """Kills one worker as soon as so many sections are finished, and remembers how many were."""

    def __init__(self, pid: int, work: Path, *, n_sections: int) -> None:
        super().__init__(daemon=True)
        self._victim, self._work, self._n_sections = psutil.Process(pid), work, n_sections
        self.n_done = 0
        self.start()

    def run(self) -> None:
        until = time.monotonic() + 120
        while self.n_done < self._n_sections and time.monotonic() < until:
            time.sleep(0.01)
            self.n_done = len([p for p in self._work.rglob("section-*") if p.suffix != ".tmp"])
        self._victim.kill()


@dataclass(frozen=True, kw_only=True)
class ShortSections(MineSteps):
    """The real steps on sections of a few seconds instead of five minutes; keeps a diary of who begins what."""

    section_s: float
    pause_s: float = 0.0

    def look(self, recording: Path, setup: Path) -> Extent:
        with mock.patch.object(sections, "_SECTION_S", self.section_s):
            return super().look(recording, setup)

    def section(self, recording: Path, setup: str, index: int, profile: Path, out: Path, on_samples) -> None:
        if self.pause_s:
            (self._diary(recording.parent.parent) / f"{os.getpid()}-{index}-{time.monotonic_ns()}").touch()
        time.sleep(self.pause_s)
        with mock.patch.object(sections, "_SECTION_S", self.section_s):
            super().section(recording, setup, index, profile, out, on_samples)

    def diary(self, folder: Path) -> list[tuple[int, int]]:
        """Return (process, section) of every beginning."""
        return [(int(pid), int(index)) for pid, index, _ in (p.name.split("-") for p in self._diary(folder).iterdir())]

    def _diary(self, folder: Path) -> Path:
        place = folder.parent / "diary"
        place.mkdir(exist_ok=True)
        return place


@pytest.fixture
def two_workers(tmp_path):
    folder = tmp_path / "cluster"
    folder.mkdir()
    running = Cluster(folder, 2)
    yield running
    running.close()


def mine(folder: Path, out: Path, steps, executor):
    out.mkdir(exist_ok=True)
    with Journal(out / "overnight.sqlite") as journal:
        return run_plan(make_plan(folder, out, steps), journal, executor, SilentView())


def test_sections_are_spread_and_a_killed_worker_changes_nothing(two_workers, tmp_path):
    folder = write_fake_tree(tmp_path / "in", 2)
    write_fake(folder / "long.parquet", 5, rows=2000)
    mine(folder, tmp_path / "local", FakeSteps(), LocalPool(2, FakeSteps()))
    killer = KillLater(two_workers.processes[1].pid, tmp_path / "out" / ".work", n_sections=4)
    steps = FakeSteps(pause_s=0.1)
    results = mine(folder, tmp_path / "out", steps, cluster.ClusterExecutor(two_workers.address, steps))
    killer.join()
    assert 4 <= killer.n_done < 25
    assert [r.failure for r in results] == [None, None, None]
    assert tables_of(tmp_path / "out") == tables_of(tmp_path / "local")


def test_a_recording_that_kills_workers_fails_alone(two_workers, tmp_path):
    folder = write_fake_tree(tmp_path / "in", 2)
    write_fake(folder / "killer.parquet", 5, rows=100)
    executor = cluster.ClusterExecutor(two_workers.address, FakeSteps())
    # the killer takes both workers with it; fresh ones come, as a cluster's manager would start them
    stop = threading.Event()

    def replace_the_dead() -> None:
        while not stop.wait(0.3):
            if sum(p.poll() is None for p in two_workers.processes) < 3:
                two_workers._start("worker", "--scheduler-file", two_workers.folder / "scheduler.json", "--no-nanny",
                                   "--no-dashboard", "--nthreads", "1")  # fmt: skip

    thread = threading.Thread(target=replace_the_dead)
    thread.start()
    try:
        results = mine(folder, tmp_path / "out", FakeSteps(), executor)
    finally:
        stop.set()
        thread.join()
    assert {r.name: r.failure.kind for r in results if r.failure} == {"killer.parquet": "died"}
    assert len(results) == 3


@pytest.mark.slow
def test_a_long_recording_is_spread_over_workers_of_which_one_is_killed(two_workers, tmp_path):
    """Real steps on one recording of many sections; a section's file appears only when it is whole."""
    small.write(tmp_path / "in" / "van", small.leads(20.0, absent=(100, 700)))
    (tmp_path / "in" / "van" / "car.toml").rename(tmp_path / "in" / "setup.toml")
    steps = ShortSections(section_s=2.0)
    n_sections = make_plan(tmp_path / "in", tmp_path / "local", steps).jobs[0].look.n_sections
    assert n_sections == 11
    mine(tmp_path / "in", tmp_path / "local", steps, LocalPool(1, steps))
    slow = ShortSections(section_s=2.0, pause_s=1.0)
    pids = [process.pid for process in two_workers.processes[1:]]
    killer = KillLater(two_workers.processes[1].pid, tmp_path / "out" / ".work", n_sections=3)
    results = mine(tmp_path / "in", tmp_path / "out", slow, cluster.ClusterExecutor(two_workers.address, slow))
    killer.join()
    assert results[0].failure is None
    assert 3 <= killer.n_done < n_sections
    assert {pid for pid, _ in slow.diary(tmp_path / "in")} == set(pids), "both had sections of the one recording"
    begun = [index for _, index in slow.diary(tmp_path / "in")]
    assert set(begun) == set(range(n_sections))
    assert len(begun) > n_sections, "what the killed one had begun was done by the other"
    names = {name.split("/")[1] for name in tables_of(tmp_path / "local")}
    assert names >= {"events.parquet", "suspects.parquet", "sensitivity.parquet", "summary.json"}
    assert tables_of(tmp_path / "out") == tables_of(tmp_path / "local")


class LateFuture:
    """A result that comes only when it was asked for often enough; every asking ends at its limit."""

    def __init__(self, key: str, task: Task, *, after: int) -> None:
        self.key, self._task, self._after, self.cancelled = key, task, after, False

    def result(self, timeout: float | None = None) -> Outcome:
        assert timeout is not None, "nobody waits without a limit"
        self._after -= 1
        if self._after >= 0:
            raise TimeoutError
        return Outcome(task=self._task, digest="done")

    def add_done_callback(self, call: Callable[[LateFuture], None]) -> None:
        call(self)

    def cancel(self) -> None:
        self.cancelled = True


@pytest.mark.parametrize(("after", "kind"), [(0, None), (1, None), (11, None), (12, "died"), (10**6, "died")])
def test_a_worker_that_dies_before_it_hands_over(tmp_path, monkeypatch, after, kind):
    monkeypatch.setattr(
        cluster,
        "_connect",
        lambda _: SimpleNamespace(
            status="running", nthreads=dict, submit=lambda run, task, steps, key: LateFuture(key, task, after=after)
        ),
    )
    executor = cluster.ClusterExecutor("tcp://made.up:1", FakeSteps())
    write_fake_tree(tmp_path / "in", 1)
    executor.start(make_plan(tmp_path / "in", tmp_path / "out", FakeSteps()).jobs[0].task("profile"))
    outcomes = []
    for _ in range(30):
        outcomes += executor.wait(0.01, lambda *_: None)
    assert [o.failure and o.failure.kind for o in outcomes] == [kind]


def test_encryption_without_certificates_is_one_sentence(tmp_path, capfd):
    with pytest.raises(RunError, match="name no certificates"):
        cluster.ClusterExecutor("tls://127.0.0.1:1", FakeSteps())
    import dask

    settings = dict.fromkeys((f"distributed.comm.tls.{name}" for name in TLS), str(tmp_path / "none.pem"))
    with dask.config.set(settings), pytest.raises(RunError, match="cannot be read"):
        cluster.ClusterExecutor("tls://127.0.0.1:1", FakeSteps())
    assert capfd.readouterr() == ("", "")


TLS = ("ca-file", "client.cert", "client.key")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl to make certificates with")
def test_an_encrypted_scheduler_is_reached_by_dasks_own_settings(tmp_path, monkeypatch):
    import dask

    monkeypatch.setattr(cluster, "CONNECT_S", 5.0)
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=test"]
    subprocess.run([*made, "-keyout", key, "-out", certificate], check=True, capture_output=True, timeout=60)
    place = tmp_path / "scheduler.json"
    command = [
        sys.executable, "-m", "distributed.cli.dask_scheduler", "--protocol", "tls", "--host", "127.0.0.1", "--port",
        "0", "--no-dashboard", "--scheduler-file", place, "--tls-ca-file", certificate, "--tls-cert", certificate,
        "--tls-key", key,
    ]  # fmt: skip
    with (tmp_path / "log").open("wb") as log, subprocess.Popen(list(map(str, command)), stdout=log, stderr=log) as run:
        try:
            address = started(place)
            assert address.startswith("tls://")
            with pytest.raises(RunError, match="no scheduler answers"):
                cluster.ClusterExecutor(address.replace("tls:", "tcp:"), FakeSteps())
            paths = dict(zip(TLS, (certificate, certificate, key), strict=True))
            with dask.config.set({f"distributed.comm.tls.{name}": str(path) for name, path in paths.items()}):
                executor = cluster.ClusterExecutor(address, FakeSteps())
                assert executor._client.status == "running"
                executor.close()
        finally:
            run.kill()


def started(scheduler_file: Path) -> str:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            return str(json.loads(scheduler_file.read_text())["address"])
        except (OSError, ValueError):
            time.sleep(0.2)
    raise AssertionError("the scheduler does not start")


def test_no_scheduler_is_one_sentence(monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 0.5)
    with pytest.raises(RunError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"):
        cluster.ClusterExecutor("tcp://127.0.0.1:9", FakeSteps())


def test_a_cluster_that_lost_all_workers_is_given_up(two_workers, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "SILENCE_S", 1.0)
    folder = write_fake_tree(tmp_path / "in", 2)
    executor = cluster.ClusterExecutor(two_workers.address, FakeSteps(pause_s=0.3))
    threading.Timer(1.0, lambda: [p.kill() for p in two_workers.processes[1:]]).start()
    write_fake(folder / "long.parquet", 5, rows=9000)
    with pytest.raises(RunError, match="the cluster has no worker left"):
        mine(folder, tmp_path / "out", FakeSteps(pause_s=0.3), executor)
