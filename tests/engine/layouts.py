"""Engines and leads that the engine tests drive."""

from miner.engine.setup import parse_setup

ORDERS = {
    1: [1], 2: [1, 2], 3: [1, 2, 3], 4: [1, 3, 4, 2], 5: [1, 2, 4, 5, 3], 6: [1, 5, 3, 6, 2, 4],
    8: [1, 8, 4, 3, 6, 5, 7, 2], 10: [1, 10, 9, 4, 3, 6, 5, 8, 7, 2], 12: [1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10],
}  # fmt: skip


def engine(n, commands=(1,), *, feedback=True, **more):
    """Return a setup: command leads on the cylinders named, and a shared feedback lead."""
    channel = [{"column": f"command_{c}", "role": "command", "cylinder": c} for c in commands]
    if feedback:
        channel.append({"column": "feedback", "role": "feedback"})
    return parse_setup({"engine": {"cylinders": n, "firing_order": ORDERS[n], **more}, "channel": channel})


LAYOUTS = {f"{n} cylinders, one command and feedback": engine(n) for n in (2, 3, 4, 5, 6, 8, 10, 12)} | {
    "one cylinder": engine(1),
    "two commands and feedback": engine(8, (1, 6)),
    "two commands alone": engine(4, (1, 4), feedback=False),
    "all commands": engine(4, (1, 2, 3, 4), feedback=False),
    "twelve commands": engine(12, range(1, 13), feedback=False),
    "all commands and feedback": engine(6, range(1, 7)),
    "odd-fire six": engine(6, firing_angles_deg=[0, 150, 240, 390, 480, 630]),
    "cross-plane four": engine(4, firing_angles_deg=[0, 270, 450, 540]),
    "narrow twin": engine(2, firing_angles_deg=[0, 315]),
    "odd-fire ten": engine(10, firing_angles_deg=[0, 90, 144, 234, 288, 378, 432, 522, 576, 666]),
    "paired four": engine(4, layout="paired"),
    "paired four, two commands": engine(4, (1, 3), feedback=False, layout="paired"),
    "paired six": engine(6, layout="paired"),
    "two-stroke three": engine(3, strokes=2),
}
