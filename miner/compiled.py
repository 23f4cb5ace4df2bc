"""Where compiled code is kept, so that it is compiled once and not at every start; loads nothing heavy.

Numba keeps it beside the modules. Where these lie read-only (an installation by an administrator, a container) it goes
to the user's cache folder, and where there is none either, to a folder of this user among the temporary files.
"""

from __future__ import annotations

import atexit
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

__all__ = ["keep_compiled_code"]

VARIABLE = "NUMBA_CACHE_DIR"


def keep_compiled_code(package: Path = Path(__file__).parent) -> str:
    """Choose where compiled code goes, before any of it is loaded; this process and its workers keep to it.

    Parameters
    ----------
    package : path
        Where the modules lie.

    Returns
    -------
    str
        A sentence for the user where it will not be kept for long; empty otherwise.
    """
    if os.environ.get(VARIABLE) or os.access(package, os.W_OK):
        return ""
    for folder in _lasting():
        if _is_usable(folder):
            os.environ[VARIABLE] = str(folder)
            return ""
    with suppress(OSError):
        folder = Path(tempfile.gettempdir()) / f"ignition-miner-{_user()}"
        if not _is_usable(folder):
            folder = Path(tempfile.mkdtemp(prefix="ignition-miner-"))
            atexit.register(shutil.rmtree, folder, ignore_errors=True)
        os.environ[VARIABLE] = str(folder)
        return (
            f"Neither the installation nor the home folder may be written to: compiled code is kept in {folder}; "
            f"set {VARIABLE} to a folder that lasts, or the next start may take a minute longer."
        )
    return f"Nothing may be written to for compiled code: set {VARIABLE} to a folder that may."


def _lasting() -> Iterator[Path]:
    """Yield the user's cache folders, the usual one of the system first."""
    places = [os.environ.get("LOCALAPPDATA" if os.name == "nt" else "XDG_CACHE_HOME", "")]
    with suppress(RuntimeError):  # a user without a home
        home = Path.home()
        places.append(str(home / ("Library/Caches" if sys.platform == "darwin" else ".cache")))
    yield from (Path(place) / "ignition-miner" for place in places if place)


def _is_usable(folder: Path) -> bool:
    """Make a folder; say whether it can be written to, and by nobody else: what lies in it will be run."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        state = folder.lstat()
        if os.name != "nt" and (state.st_uid != _user() or not stat.S_ISDIR(state.st_mode) or state.st_mode & 0o022):
            return False
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _user() -> int:
    return os.getuid() if hasattr(os, "getuid") else 0
