"""The terminal: one console, errors as one sentence, and a log file for what nobody expected."""

from __future__ import annotations

import sys
import tempfile
import traceback
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from miner.errors import MAX_SENTENCE, MinerError, RunError, plain_text, shortened

if TYPE_CHECKING:  # rich takes longer to load than --help takes to show
    from rich.console import Console

__all__ = ["ENDED_BY_USER", "SOME_FAILED", "USER_ERROR", "guarded", "open_console", "say"]

USER_ERROR = 2
"""Exit code of an error that the user can act on."""

SOME_FAILED = 3
"""Exit code of an overnight run that came to its end, but with recordings that could not be mined."""

DEFECT = 1
"""Exit code of an error that we have to act on."""

ENDED_BY_USER = 130
"""Exit code after Ctrl-C, as shells have it: 128 and the number of the signal."""


def open_console(*, stderr: bool = False) -> Console:
    """Return a console that also works on code pages without line-drawing characters, and in a pipe.

    A character that the terminal's encoding lacks becomes ``?`` instead of an error. Width in a pipe is fixed, so
    that tables are not squeezed to the 80 columns of no terminal at all. What a name holds cannot steer the terminal:
    only the console's own control characters reach it.
    """
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    class PlainConsole(Console):
        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
            for text, style, control in super().render(renderable, options):
                yield Segment(text if control else "\n".join(map(plain_text, text.split("\n"))), style, control)

    stream: TextIO = sys.stderr if stderr else sys.stdout
    with suppress(AttributeError, ValueError):  # a stream put in place by a test or an embedding program
        stream.reconfigure(errors="replace")  # type: ignore[attr-defined]
    return PlainConsole(stderr=stderr, highlight=False, width=None if stream.isatty() else 160)


def say(console: Console, sentence: str, *, style: str = "") -> None:
    """Print a sentence: words whole on a terminal, in one line where a program reads."""
    from rich.text import Text

    console.print(Text(sentence, style=style), soft_wrap=not console.is_terminal)


def guarded(run: Callable[[], object]) -> int:
    """Run the command line and return its exit code; nobody sees a traceback.

    Parameters
    ----------
    run : callable
        What to do. It may end with ``SystemExit``, whose code is kept.

    Returns
    -------
    int
        0, `USER_ERROR` after one sentence on standard error, `ENDED_BY_USER`, or `DEFECT` after one sentence that
        names a log file.
    """
    try:
        run()
    except MinerError as error:
        _say(str(error))
        return USER_ERROR
    except KeyboardInterrupt:
        _say("ended by Ctrl-C: what lay there before is as it was; the same command begins again, or goes on.")
        return ENDED_BY_USER
    except OSError as error:  # the system's own complaint, about a name too long or a disk that was pulled, say
        if error.filename is None:
            _say(_report(error))
            return DEFECT
        _say(str(RunError(error.strerror or str(error), remedy="check the path", file=error.filename)))
        return USER_ERROR
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except RuntimeError as error:
        if "no locator available" not in str(error):  # numba's word for: nowhere to keep compiled code
            _say(_report(error))
            return DEFECT
        _say(str(RunError("there is nowhere to keep compiled code", remedy="set NUMBA_CACHE_DIR to a folder for it")))
        return USER_ERROR
    except Exception as error:  # noqa: BLE001 - the outermost place, where a defect becomes a sentence
        _say(_report(error))
        return DEFECT
    return 0


def _say(sentence: str) -> None:
    words = shortened(plain_text(sentence), MAX_SENTENCE)
    say(open_console(stderr=True), words, style="bold")


def _report(error: Exception) -> str:
    """Keep the traceback in a file and return the sentence that points there."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    path = Path(tempfile.gettempdir()) / f"ignition-miner-{stamp}.log"
    text = "".join(traceback.format_exception(error))
    try:
        path.write_text(f"{sys.argv}\n{text}", encoding="utf-8")
    except OSError:
        return f"this is a defect of ignition-miner ({error!r}); please report it."
    return f"this is a defect of ignition-miner; please report it with the file {path}."
