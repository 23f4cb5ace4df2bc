"""Words and numbers for people: the one owner of what kinds, measures, times, rates and counts are called.

Tables keep their own names (`miner.schema`). Whatever a person reads - terminal, page, report, workbook, overview -
takes its words from here, so that one thing has one name.
"""

from __future__ import annotations

from datetime import datetime, timedelta

__all__ = [
    "CAUTION",
    "KIND_MEANINGS",
    "MEASURE_MEANINGS",
    "MEASURE_NAMES",
    "PAGE_CAUTION",
    "QUALITY_NAMES",
    "RARE_PER_H",
    "RATE_ASSUMED",
    "SCATTER",
    "YOUR_VERDICT",
    "clock",
    "counted",
    "cylinder_name",
    "kind_name",
    "length",
    "measure_name",
    "of_many",
    "rate_name",
    "rate_number",
    "signed",
    "size_text",
    "time_of_day",
    "too_small_to_matter",
    "with_unit",
    "word_lists",
]

CAUTION = (
    "This list is evidence, not a verdict: confirm with an independent measurement before replacing a part. "
    "On the road a second person operates the equipment, never the driver."
)

PAGE_CAUTION = (
    "Evidence, not a verdict to buy parts on: confirm with a second test. Ignition systems carry dangerous high "
    "voltage; switch off before touching coils, wires or plugs."
)
"""The same at the top of the review page, where a person is about to go to the car."""

RARE_PER_H = 1.0
"""A suspect that a healthy engine shows less than so often an hour is called rare."""

YOUR_VERDICT = "your verdict"
"""What a person decided about a suspect; nothing that the program says is called a verdict."""

SCATTER = "\u03c3: the usual scatter of this value on a healthy engine"
"""What the unit of a distance means."""

KIND_MEANINGS = {
    "absent_command": "the command pulse was due and did not come",
    "absent_feedback": "the feedback pulse was due and did not come",
    "short_on_time": "the coil was switched on for too short a time",
    "long_on_time": "the coil was switched on for too long a time",
    "late_feedback": "the answer came late after the command",
    "early_feedback": "the answer came early after the command",
    "weak_command": "the command pulse was there but lower than usual",
    "distorted_command": "its edges, its top or its height were not as usual",
    "weak_feedback": "the feedback pulse was there but lower than usual",
    "odd_feedback_width": "the answer was too long or too short",
    "extra_pulse": "one pulse more than due",
    "uneven_interval": "the rhythm stumbled",
    "supply_sag": "the supply dipped",
    "unusual": "no single value stands out, but their mixture is rare",
}
"""Each kind of suspect in a few words."""

_BELIEVED = (
    "the rate rests on an assumption: a healthy engine is taken to show one such pulse in a million hours, more often "
    "where its place is unsure"
)

RATE_ASSUMED = dict.fromkeys(("absent_command", "absent_feedback", "extra_pulse"), _BELIEVED)
"""Kinds whose rate is not measured on the recording's healthy events, and what it rests on instead."""

MEASURE_NAMES = {
    "on_time_us": "on-time",
    "delay_us": "delay to the feedback",
    "feedback_width_us": "feedback width",
    "amplitude_v": "command amplitude",
    "feedback_amplitude_v": "feedback amplitude",
    "rise_us": "command rise",
    "fall_us": "command fall",
    "ripple_v": "ripple of the command's on-state",
    "quiet_ripple_v": "ripple of the command's on-state",
    "interval_us": "interval",
    "timing_residual_deg": "place in the cycle",
    "engine_rpm": "engine speed",
    "supply_v": "supply",
    "ground_v": "ground",
    "coil_current_peak_a": "coil current",
    "off_level_v": "command off-state",
    "feedback_rise_us": "feedback rise",
    "feedback_ripple_v": "ripple of the feedback",
}
"""Columns of the event table in words, without their units."""

MEASURE_MEANINGS = {
    "on_time_us": "how long the coil was switched on",
    "delay_us": "from the command's beginning to the feedback's",
    "feedback_width_us": "how long the feedback lasted",
    "amplitude_v": "from the command's off-state to its on-state",
    "feedback_amplitude_v": "from the feedback's off-state to its on-state",
    "interval_us": "since this cylinder's event before",
    "timing_residual_deg": "crank angle off the place that the events around it expect; positive is late",
    "engine_rpm": "from the length of the engine cycle",
    "supply_v": "mean over the pulse",
}
"""What is not clear from a measure's name."""

QUALITY_NAMES = {
    "clipped": "cut off at the recorder's limit",
    "near_gap": "next to a gap",
    "slow_sampling": "sampled too slowly for the edges",
    "cut_off": "cut off by the end of the recording",
    "no_speed": "engine speed not known",
}
"""Reasons to trust an event less, in words."""


_UNITS = {"us": " µs", "deg": "°"}
"""Units that a person reads otherwise than tables write them, with the space before them."""


def kind_name(kind: str) -> str:
    """Return a kind of suspect in words.

    Examples
    --------
    >>> kind_name("weak_feedback")
    'weak feedback'
    """
    return kind.replace("_", " ")


def measure_name(column: str) -> str:
    """Return a measure in words, without its unit.

    Examples
    --------
    >>> measure_name("on_time_us"), measure_name("jitter of delay_us")
    ('on-time', 'jitter of delay to the feedback')
    """
    before, _, name = column.rpartition(" of ")
    return f"{before} of {measure_name(name)}" if before else MEASURE_NAMES.get(name, name.replace("_", " "))


def cylinder_name(cylinder: int | None) -> str:
    """Return a cylinder in words; ``cyl ?`` where it cannot be told.

    Examples
    --------
    >>> cylinder_name(3), cylinder_name(None)
    ('cyl 3', 'cyl ?')
    """
    return "cyl ?" if cylinder is None else f"cyl {cylinder}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun in the right form.

    Examples
    --------
    >>> counted(1, "gap"), counted(2050, "gap"), counted(2, "of them", "of them")
    ('1 gap', '2,050 gaps', '2 of them')
    """
    return f"{n:,} {one if n == 1 else many or f'{one}s'}"


def of_many(shown: int, n: int) -> str:
    """Say how much of a list is shown, and nothing where that is all of it.

    Examples
    --------
    >>> of_many(5, 28), of_many(3, 3)
    (' (5 of 28 shown)', '')
    """
    return f" ({shown:,} of {n:,} shown)" if shown < n else ""


def clock(time_s: float, places: int = 3) -> str:
    """Return a place in the recording as hours, minutes and seconds since its first sample.

    Examples
    --------
    >>> clock(3725.25), clock(59.9996), clock(7.0, 0)
    ('1:02:05.250', '0:01:00.000', '0:00:07')
    """
    units = round(abs(time_s) * 10**places)
    whole, part = divmod(units, 10**places)
    fraction = f".{part:0{places}d}" if places else ""
    sign = "-" if time_s < 0 and units else ""
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}{fraction}"


def time_of_day(started_at: str | None, time_s: float) -> str:
    """Return the time of day of a place in the recording; empty where the start is not known.

    Parameters
    ----------
    started_at : str or None
        ISO 8601, as the recording has it; the hours are shown in its own offset from UTC.
    time_s : float
        Seconds since the first sample.

    Examples
    --------
    >>> time_of_day("2024-03-12T07:40:00+01:00", 3725.25), time_of_day("2024-03-12T23:59:59", 2.0)
    ('08:42:05', '2024-03-13 00:00:01')
    >>> time_of_day(None, 1.0), time_of_day("yesterday", 1.0)
    ('', '')
    """
    try:
        start = datetime.fromisoformat(started_at or "")
    except ValueError:
        return ""
    then = start + timedelta(seconds=time_s)
    return then.strftime("%H:%M:%S" if then.date() == start.date() else "%Y-%m-%d %H:%M:%S")


def length(seconds: float) -> str:
    """Return a length of time in words.

    Examples
    --------
    >>> length(16.2), length(600.0), length(3725.0), length(7200.0)
    ('16 s', '10 min', '1 h 2 min', '2 h')
    >>> length(0.25), length(0.00217)
    ('0.25 s', '2.2 ms')
    """
    if 0.0 < seconds < 0.1:
        return f"{1e3 * seconds:.2g} ms"
    if seconds < 10:
        return f"{seconds:.2g} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 600 and whole % 60:
        return f"{whole // 60} min {whole % 60} s"
    hours, minutes = divmod(round(whole / 60), 60)
    parts = [f"{hours} h"] if hours else []
    return " ".join([*parts, *([f"{minutes} min"] if minutes else [])])


def rate_number(per_hour: float) -> str:
    """Return a rate an hour with as many digits as it deserves.

    Examples
    --------
    >>> rate_number(0.0004), rate_number(0.123), rate_number(12.3), rate_number(3382.0)
    ('< 0.001', '0.12', '12', '3,382')
    """
    if per_hour < 0.001:
        return "< 0.001"
    return f"{per_hour:.2g}" if per_hour < 9.95 else f"{per_hour:,.0f}"


def rate_name(per_hour: float) -> str:
    """Return a rate of false alarms in words.

    Examples
    --------
    >>> rate_name(0.0004), rate_name(2.0)
    ('under 0.001 an hour', '2 an hour')
    """
    number = rate_number(per_hour)
    return f"{number.replace('< ', 'under ')} an hour"


def with_unit(value: float, unit: str) -> str:
    """Return a value with its unit, in the unit and with the digits a technician would use.

    Examples
    --------
    >>> with_unit(3174.2, "us"), with_unit(692.4, "us"), with_unit(0.0312, "V"), with_unit(-1.5, "deg")
    ('3.174 ms', '692.4 µs', '31 mV', '-1.50°')
    """
    size = abs(value)
    match unit:
        case "us":
            return f"{value / 1000:.3f} ms" if size >= 1000 else f"{value:.1f} µs"
        case "V":
            return f"{value:.2f} V" if size >= 0.1 else f"{value * 1000:.0f} mV"
        case "deg":
            return f"{value:.2f}°"
        case _:
            return f"{value:.2f} {unit}"


def size_text(size: float | None, unit: str) -> str:
    """Return the size of a fault with its unit; ``"-"`` where it is not known.

    Examples
    --------
    >>> size_text(0.034, "share"), size_text(1.0, "share"), size_text(0.25, "V"), size_text(None, "V")
    ('3.4 %', 'yes', '0.25 V', '-')
    """
    if size is None:
        return "-"
    if unit == "pulses" or (unit == "share" and size >= 1.0):
        return "yes"
    return f"{100 * size:.2g} %" if unit == "share" else f"{size:.2g}{_UNITS.get(unit, f' {unit}')}"


def signed(value: float, unit: str) -> str:
    """Return a difference with its sign and unit.

    Examples
    --------
    >>> signed(0.7635, "deg"), signed(-12.0, "us")
    ('+0.76°', '-12.0 µs')
    """
    return f"{'+' if value > 0 else ''}{with_unit(value, unit)}"


def too_small_to_matter(n: int) -> str:
    """Say how many events are left out for a difference that matters to nobody; empty for none.

    Examples
    --------
    >>> too_small_to_matter(0)
    ''
    >>> too_small_to_matter(1)
    '1 more event is rare, but its difference too small to matter in a workshop (the setup may say what matters).'
    """
    if not n:
        return ""
    which = "is rare, but its difference" if n == 1 else "are rare, but their differences"
    return f"{counted(n, 'more event')} {which} too small to matter in a workshop (the setup may say what matters)."


def word_lists() -> dict[str, dict[str, str]]:
    """Return the names of kinds, measures and qualities, for a page that has no Python."""
    return {
        "kinds": {kind: kind_name(kind) for kind in KIND_MEANINGS},
        "meanings": dict(KIND_MEANINGS),
        "assumed": dict(RATE_ASSUMED),
        "measures": dict(MEASURE_NAMES),
        "measure_meanings": dict(MEASURE_MEANINGS),
        "qualities": dict(QUALITY_NAMES),
    }
