"""From recorded volts to the rare odd ignition events: one recording, stage by stage.

The library, for programs and notebooks (``docs/library.md``), each name loaded when it is first used:

>>> import miner
>>> setup = miner.load_setup("demo_recordings/uneven_twin_feedback_alone/setup.toml")
>>> setup.engine.cylinders
2
"""

from typing import TYPE_CHECKING

from miner.compiled import keep_compiled_code

if TYPE_CHECKING:
    from miner.engine.setup import Setup, load_setup, parse_setup
    from miner.errors import MinerError
    from miner.library.judge import FittedJudge, fit_judge
    from miner.library.mined import Mined
    from miner.library.mining import mine, open_findings
    from miner.library.window import UsualPulse, Window
    from miner.recording.reader import Recording, open_recording

__all__ = [
    "KEEPING_NOTE",
    "FittedJudge",
    "Mined",
    "MinerError",
    "Recording",
    "Setup",
    "UsualPulse",
    "Window",
    "fit_judge",
    "load_setup",
    "mine",
    "open_findings",
    "open_recording",
    "parse_setup",
]

KEEPING_NOTE = keep_compiled_code()
"""What the user must know of where compiled code is kept; mostly nothing."""

_HOMES = {
    "FittedJudge": "miner.library.judge",
    "Mined": "miner.library.mined",
    "MinerError": "miner.errors",
    "Recording": "miner.recording.reader",
    "Setup": "miner.engine.setup",
    "UsualPulse": "miner.library.window",
    "Window": "miner.library.window",
    "fit_judge": "miner.library.judge",
    "load_setup": "miner.engine.setup",
    "mine": "miner.library.mining",
    "open_findings": "miner.library.mining",
    "open_recording": "miner.recording.reader",
    "parse_setup": "miner.engine.setup",
}

if not TYPE_CHECKING:  # a type checker would let any name pass

    def __getattr__(name: str) -> object:
        """Load a name of the library when it is first used (PEP 562)."""
        if name not in _HOMES:
            raise AttributeError(f"module 'miner' has no attribute '{name}'")
        from importlib import import_module

        value = globals()[name] = getattr(import_module(_HOMES[name]), name)
        return value

    def __dir__() -> list[str]:
        """Return the names of the library besides those that are loaded."""
        return sorted({*globals(), *__all__})
