"""Make the small recordings of this folder, or make them again: ``python demo_recordings/make.py``.

Each recording is a folder with its ``scenario.toml``; the same scenario gives the same recording. A new one is a new
folder with such a file.
"""

from pathlib import Path

from miner.synthetic.scenario import Scenario
from miner.synthetic.writer import write_recording

HERE = Path(__file__).parent


def main() -> None:
    """Draw every scenario into the folder it lies in."""
    for path in sorted(HERE.glob("*/scenario.toml")):
        made = write_recording(Scenario.from_toml(path), path.parent)
        print(f"{path.parent.name}: {made.plan.events.num_rows} events, {made.plan.faults.num_rows} of them faulty")


if __name__ == "__main__":
    main()
