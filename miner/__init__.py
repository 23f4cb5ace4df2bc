"""From recorded volts to the rare odd ignition events: one recording, stage by stage."""

from miner.compiled import keep_compiled_code

KEEPING_NOTE = keep_compiled_code()
"""What the user must know of where compiled code is kept; mostly nothing."""
