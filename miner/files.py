"""Files of ours: complete or not there at all, and never in the place of what was given to us."""

from __future__ import annotations

import errno
import hashlib
import os
import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from miner.errors import FindingsError

__all__ = ["digest_file", "refuse_inputs", "replacing", "same_file", "write_failure"]


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; rename it to ``path`` when the block ends well.

    Raises
    ------
    FindingsError
        If the file cannot be written; nothing is left of it and an older ``path`` is untouched.
    """
    temporary = path.with_name(f".{uuid.uuid4().hex[:16]}.partial")  # short: the name itself may be as long as allowed
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        _flush_to_disk(temporary)
        temporary.replace(path)
    except OSError as error:
        raise write_failure(path, error) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _flush_to_disk(path: Path) -> None:
    """Make the disk say now, not after the rename, that it is full."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def write_failure(path: Path, error: OSError) -> FindingsError:
    """Turn the system's complaint about writing ``path`` into a sentence with a remedy."""
    reason, remedy = _REMEDIES.get(
        error.errno or 0, (error.strerror or str(error), "check the folder, or choose another with --out")
    )
    return FindingsError(f"cannot be written ({reason})", remedy=remedy, file=path)


_FULL = ("the disk is full", "make room or choose another folder, then run the same command again")
_SHUT = (
    "access denied",
    "close the file where another program has it open, or choose a folder that you may write to",
)
_REMEDIES = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EACCES: _SHUT,
    errno.EPERM: _SHUT,
    errno.EROFS: ("the disk is read-only", "choose another folder"),
    errno.ENOTDIR: ("a part of the path is a file", "choose another folder"),
    errno.EEXIST: ("a file of that name is in the way", "choose another folder"),
    errno.EISDIR: ("a folder of that name is in the way", "choose another name"),
}


def digest_file(path: Path) -> str:
    """Return a short content digest of a file, or an empty string where there is none."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, lambda: hashlib.blake2b(digest_size=16)).hexdigest()
    except OSError:
        return ""


def same_file(one: str | Path, other: str | Path) -> bool:
    """Say whether two paths lead to one file or folder, by its number on the disk and not by how it is spelt.

    Links, capital letters, short names and detours (``a/../b``) therefore do not matter; what is not there is no file.
    """
    try:
        return Path(one).samefile(other)
    except (OSError, ValueError):
        return False


def refuse_inputs(targets: Iterable[Path], inputs: Iterable[str | Path]) -> None:
    """Refuse to write to a file, or into a folder, that is an input.

    Parameters
    ----------
    targets : iterable of path
        Everything that would be written, folders whose content is an input included.
    inputs : iterable of path
        Recording, its parts, setup, findings that are read.

    Raises
    ------
    FindingsError
        Names both, where they are one.
    """
    given = list(inputs)
    for target in targets:
        for source in given:
            if same_file(target, source):
                raise FindingsError(
                    f"this would be written over the input '{source}'",
                    remedy="choose another place for what is to be written",
                    file=target,
                )
