"""A read-only installation and a home that cannot be written to: compiled code still has a place."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from miner.compiled import VARIABLE, keep_compiled_code

ROOT = Path(__file__).parents[1]


@pytest.fixture
def closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a package that cannot be written to, and a home beside it."""
    for name in ("package", "home", "tmp"):
        (tmp_path / name).mkdir()
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path / "tmp"))
    really = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: "package" not in str(path) and really(path, mode))
    return tmp_path


def test_a_package_that_can_be_written_to_keeps_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert keep_compiled_code(tmp_path) == ""
    assert VARIABLE not in os.environ


def test_what_the_user_chose_is_kept(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "/somewhere")
    assert keep_compiled_code(closed / "package") == ""
    assert os.environ[VARIABLE] == "/somewhere"


def test_the_home_comes_first(closed: Path) -> None:
    assert keep_compiled_code(closed / "package") == ""
    assert Path(os.environ[VARIABLE]).is_relative_to(closed / "home")
    assert stat.S_IMODE(Path(os.environ[VARIABLE]).stat().st_mode) == 0o700


def test_without_a_home_it_is_said(closed: Path) -> None:
    (closed / "home").rmdir()
    (closed / "home").touch()  # a file: nothing can be made below it, not even by root
    said = keep_compiled_code(closed / "package")
    assert said.startswith("Neither the installation nor the home folder may be written to")
    assert Path(os.environ[VARIABLE]).parent == closed / "tmp"
    assert keep_compiled_code(closed / "package") == "", "the workers keep to it"


@pytest.mark.skipif(os.name == "nt", reason="owners and modes")
def test_a_folder_that_somebody_else_may_write_to_is_not_used(closed: Path) -> None:
    (closed / "home").rmdir()
    (closed / "home").touch()
    open_to_all = closed / "tmp" / f"ignition-miner-{os.getuid()}"
    open_to_all.mkdir()
    open_to_all.chmod(0o777)
    keep_compiled_code(closed / "package")
    chosen = Path(os.environ[VARIABLE])
    assert chosen != open_to_all
    assert stat.S_IMODE(chosen.stat().st_mode) == 0o700
    shutil.rmtree(chosen)


def test_kernels_load_where_nothing_else_can_be_written_to(closed: Path) -> None:
    """The same in a process of its own: the kernels are compiled and kept in the temporary folder."""
    code = (
        "import os\n"
        "os.access = lambda path, mode, really=os.access: 'miner' not in str(path) and really(path, mode)\n"
        "import miner\n"
        "import numba\n"
        "from miner.synthetic.coil import __doc__\n"
        "print(numba.config.CACHE_DIR)\n"
    )
    (closed / "home").rmdir()
    (closed / "home").touch()
    environment = {**os.environ, "TMPDIR": str(closed / "tmp"), "PYTHONPATH": str(ROOT)}
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False)
    assert ran.returncode == 0, ran.stderr
    assert Path(ran.stdout.strip()).parent == closed / "tmp"
