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
    from miner.engine.checks.recording import CheckFinding, check_recording
    from miner.engine.leads.roles import LeadsFound, tell_leads_apart
    from miner.engine.leads.setup_text import setup_text
    from miner.engine.setup import Setup, load_setup, parse_setup
    from miner.errors import MinerError
    from miner.library.judge import FittedJudge, fit_judge
    from miner.library.mined import Mined
    from miner.library.mining import mine, open_findings
    from miner.library.window import UsualPulse, Window
    from miner.mining.finish import MineSettings
    from miner.mining.steps import MineSteps
    from miner.recording.importing import Imported, import_recording
    from miner.recording.reader import Recording, open_recording
    from miner.synthetic.scenario import Scenario
    from miner.synthetic.writer import write_recording

__all__ = [
    "KEEPING_NOTE",
    "CheckFinding",
    "FittedJudge",
    "Imported",
    "LeadsFound",
    "MineSettings",
    "MineSteps",
    "Mined",
    "MinerError",
    "Recording",
    "Scenario",
    "Setup",
    "UsualPulse",
    "Window",
    "check_recording",
    "fit_judge",
    "import_recording",
    "load_setup",
    "mine",
    "open_findings",
    "open_recording",
    "parse_setup",
    "setup_text",
    "tell_leads_apart",
    "write_recording",
]

KEEPING_NOTE = keep_compiled_code()
"""What the user must know of where compiled code is kept; mostly nothing."""

_HOMES = {
    "CheckFinding": "miner.engine.checks.recording",
    "FittedJudge": "miner.library.judge",
    "Imported": "miner.recording.importing",
    "LeadsFound": "miner.engine.leads.roles",
    "MineSettings": "miner.mining.finish",
    "MineSteps": "miner.mining.steps",
    "Mined": "miner.library.mined",
    "MinerError": "miner.errors",
    "Recording": "miner.recording.reader",
    "Scenario": "miner.synthetic.scenario",
    "Setup": "miner.engine.setup",
    "UsualPulse": "miner.library.window",
    "Window": "miner.library.window",
    "check_recording": "miner.engine.checks.recording",
    "fit_judge": "miner.library.judge",
    "import_recording": "miner.recording.importing",
    "load_setup": "miner.engine.setup",
    "mine": "miner.library.mining",
    "open_findings": "miner.library.mining",
    "open_recording": "miner.recording.reader",
    "parse_setup": "miner.engine.setup",
    "setup_text": "miner.engine.leads.setup_text",
    "tell_leads_apart": "miner.engine.leads.roles",
    "write_recording": "miner.synthetic.writer",
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
