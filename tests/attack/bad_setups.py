"""Setups that are wrong on purpose: values of every kind at every place, and texts damaged letter by letter."""

from __future__ import annotations

import random
import string

from tests.pipelines.small import SETUP

HEAD = "[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
NUMBERS = [
    "nan", "-nan", "inf", "-inf", "1e308", "-1e308", "5e-324", "0", "-1", "1" * 4300, "1" * 5000, "0x" + "f" * 5000,
    "true", '""', "[]", "{}", "1979-05-27T07:32:00Z", '"' + "x" * 5000 + '"', "[" * 3000 + "]" * 3000,
]  # fmt: skip
PLACES = [
    "[engine]\ncylinders = {}\nfiring_order = [1, 3, 4, 2]\n",
    "[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, {}]\n",
    "[engine]\ncylinders = 4\nfiring_order = {}\n",
    HEAD + "strokes = {}\n",
    HEAD + "firing_angles_deg = [0, 180, 360, {}]\n",
    HEAD + "firing_angles_deg = [{}, 180, 360, 540]\n",
    HEAD + "firing_angles_deg = {}\n",
    HEAD + "layout = {}\n",
    "sample_rate_hz = {}\n" + HEAD,
    HEAD + '[[channel]]\ncolumn = {}\nrole = "feedback"\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = {}\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = "command"\ncylinder = {}\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = "feedback"\ncylinders = [{}]\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = "feedback"\nactive = {}\n',
    "channel = {}\n" + HEAD,
    "engine = {}\n",
]


def damaged_text(seed: int) -> bytes:
    """Return a good setup of which some letters were taken out or replaced."""
    draw = random.Random(seed)
    text = list(SETUP)
    for _ in range(draw.randint(1, 6)):
        at = draw.randrange(len(text))
        text[at : at + draw.choice((0, 1, 5))] = draw.choice((*string.printable, "\x00", "é", "\u202e", "[[", '"""'))
    return "".join(text).encode("utf-8", "surrogatepass")


def other_lines(seed: int) -> bytes:
    """Return a setup whose lines are those of a good one, some of them with another value, left out or doubled."""
    draw = random.Random(seed)
    lines = SETUP.splitlines()
    for _ in range(draw.randint(1, 3)):
        at = draw.randrange(len(lines))
        match draw.randrange(4):
            case 0:
                lines[at] = lines[at].partition("=")[0] + "= " + draw.choice(NUMBERS)
            case 1:
                del lines[at]
            case 2:
                lines.insert(draw.randrange(len(lines)), lines[at])
            case _:
                lines.insert(at, draw.choice(MORE_LINES))
    return "\n".join(lines).encode()


MORE_LINES = (
    "strokes = 2", "strokes = 4", 'layout = "paired"', "firing_angles_deg = [0, 90, 360, 450]", 'active = "low"',
    'active = "high"', "cylinders = 6", "firing_order = [1, 2, 3, 4]", "cylinder = 3", "cylinders = [1, 3, 4, 2]",
    "sample_rate_hz = 1000.0", "sample_rate_hz = 100000.0", 'vehicle = "\\u001b[31m"', 'role = "supply"',
    'role = "crank"', 'column = "lead_2"', 'column = "lead_9"', "[[channel]]", "[engine]", "more = 1",
)  # fmt: skip


def bad_setup(seed: int) -> bytes:
    """Return the setup of this seed: of every three, one damaged, one with other lines, one with an odd value."""
    match seed % 3:
        case 0:
            return damaged_text(seed)
        case 1:
            return other_lines(seed)
    draw = random.Random(seed)
    return draw.choice(PLACES).format(draw.choice(NUMBERS)).encode()
