"""Columns, types, units and meaning of every table: the one place.

``docs/tables.md`` is written from here, every stage validates what it hands on against it.
Time is seconds since the recording's first sample; a value that could not be measured is null.
"""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

__all__ = [
    "CONDITIONS",
    "CRANK",
    "EVENTS",
    "GAPS",
    "INCIDENTS",
    "KINDS",
    "MISFIRE_WINDOWS",
    "OPERATING_STATES",
    "PULSES",
    "QUALITIES",
    "ROLES",
    "SENSITIVITY",
    "SILENCES",
    "STANDING",
    "SUSPECTS",
    "TABLES",
    "Column",
    "Table",
]

ROLES = (
    "command", "feedback", "supply", "ground", "coil_current", "coil_primary", "crank", "cam", "other",
)  # fmt: skip
"""What a lead can be clipped to."""

PULSE_ROLES = ("command", "feedback")
"""Roles whose leads carry the two-level pulses that are mined."""

KINDS = (
    "absent_command", "absent_feedback", "short_on_time", "long_on_time", "late_feedback", "early_feedback",
    "weak_command", "distorted_command", "weak_feedback", "odd_feedback_width", "extra_pulse",
    "uneven_interval", "supply_sag", "unusual",
)  # fmt: skip
"""Kinds of suspect; ``unusual`` is the forest alone."""

OPERATING_STATES = ("cranking", "idle", "steady", "accelerating", "decelerating", "unknown")

QUALITIES = ("clipped", "near_gap", "slow_sampling", "cut_off", "no_speed")
"""Reasons to trust a row less; several are joined with ``,``."""


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a table: name, Arrow type, unit (``""`` for none) and meaning."""

    name: str
    type: pa.DataType
    unit: str
    meaning: str
    nullable: bool = True


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table: its file stem, what a row is, and its columns in order."""

    name: str
    row: str
    columns: tuple[Column, ...]

    @property
    def schema(self) -> pa.Schema:
        """The Arrow schema, columns in declared order."""
        return pa.schema([pa.field(c.name, c.type, c.nullable) for c in self.columns])

    def validate(self, table: pa.Table) -> pa.Table:
        """Return ``table`` with exactly the declared columns and types, or raise ``ValueError``.

        A failure here is a defect of the stage that made the table, never the user's.
        """
        if table.column_names != [c.name for c in self.columns]:
            raise ValueError(f"{self.name}: columns {table.column_names} are not the declared ones")
        out = table.cast(self.schema)
        for column in self.columns:
            if not column.nullable and out[column.name].null_count:
                raise ValueError(f"{self.name}.{column.name}: null in a column that has none")
        return out

    def empty(self) -> pa.Table:
        """Return the table with no rows."""
        return self.schema.empty_table()


def _must(name: str, kind: pa.DataType, unit: str, meaning: str) -> Column:
    return Column(name=name, type=kind, unit=unit, meaning=meaning, nullable=False)


def _may(name: str, kind: pa.DataType, unit: str, meaning: str) -> Column:
    return Column(name=name, type=kind, unit=unit, meaning=meaning)


_F, _I, _I16, _S, _B = pa.float64(), pa.int64(), pa.int16(), pa.string(), pa.bool_()

PULSES = Table(
    name="pulses",
    row="one pulse on one command or feedback lead (internal to a run)",
    columns=(
        _must("lead", _I16, "", "index of the lead in the setup's channel list"),
        _must("start_sample", _F, "samples", "turn-on at the 50 % reference level, interpolated sample index"),
        _must("start_s", _F, "s", "the same in seconds since the first sample"),
        _must("stop_s", _F, "s", "turn-off at the 50 % reference level"),
        _must("duration_us", _F, "us", "pulse duration, 50 % to 50 %"),
        _may("amplitude_v", _F, "V", "on-state level minus off-state level, positive"),
        _may("off_level_v", _F, "V", "off-state level just before the pulse"),
        _may("rise_us", _F, "us", "duration of the asserting transition, 10 % to 90 %"),
        _may("fall_us", _F, "us", "duration of the releasing transition, 10 % to 90 %"),
        _may("ripple_v", _F, "V", "standard deviation of the on-state, edges left out"),
        _may("quiet_ripple_v", _F, "V", "the same without spikes of a few samples"),
        _may("supply_v", _F, "V", "mean of the supply lead over the pulse"),
        _may("ground_v", _F, "V", "mean of the ground lead over the pulse"),
        _may("coil_currents_a", pa.list_(_F), "A", "largest value of each current lead over the pulse, in setup order"),
        _may(
            "coil_charges",
            pa.list_(_F),
            "",
            "for each current lead in setup order: charging slope (A/ms), time "
            "constant (us), slope at the end over that at the start, flat top (us), rise of the current (A)",
        ),
        _may("supply_droop_v", _F, "V", "supply in the first tenth of the pulse less that in the last"),
        _may("ground_rise_v", _F, "V", "ground in the last tenth of the pulse less that in the first"),
        _may("wheel_on_deg", _F, "deg", "crank angle of the turn-on behind the wheel's reference; null: no wheel read"),
        _may("wheel_off_deg", _F, "deg", "the same of the turn-off"),
        _must("quality", _S, "", "empty, or why to trust the row less"),
    ),
)

GAPS = Table(
    name="gaps",
    row="one stretch in which a lead, or every lead, was not recorded",
    columns=(
        _may("lead", _I16, "", "index of the lead in the setup's channel list; null: all leads (time gap)"),
        _must("start_s", _F, "s", "last good sample before the gap"),
        _must("stop_s", _F, "s", "first good sample after the gap"),
    ),
)

CRANK = Table(
    name="crank",
    row="one mark of the crank wheel: every 30 degrees, or every tooth of a coarser wheel (internal to a run)",
    columns=(
        _must("time_s", _F, "s", "when the crank passed it"),
        _may("rpm", _F, "rpm", "mean speed since the mark before; null: the crank stood between, or a gap"),
        _may("angle_deg", _F, "deg", "crank angle behind the wheel's reference; null: the wheel shows none"),
        _must("n_missing", _I16, "", "teeth that did not come since the mark before"),
        _must("n_extra", _I16, "", "teeth too many since the mark before"),
    ),
)

EVENTS = Table(
    name="events",
    row="one ignition event that happened or was due",
    columns=(
        _must("event_id", _I, "", "running number in time order"),
        _must("cycle", _I, "", "running engine cycle"),
        _may("cylinder", _I16, "", "cylinder from the firing order; null where it cannot be told"),
        _must("time_s", _F, "s", "command turn-on (50 % level); without a command lead, feedback's asserting edge; "
              "for an absent pulse, when it was due"),
        _may("command_seen", _B, "", "null: no such lead for this cylinder, or a gap"),
        _may("feedback_seen", _B, "", "null: no such lead for this cylinder, or a gap"),
        _may("on_time_us", _F, "us", "command pulse duration (dwell)"),
        _may("delay_us", _F, "us", "command turn-on to the feedback's asserting edge"),
        _may("feedback_width_us", _F, "us", "feedback pulse duration"),
        _may("amplitude_v", _F, "V", "command: distance between on-state and off-state level, positive"),
        _may("feedback_amplitude_v", _F, "V", "the same for the feedback pulse, positive"),
        _may("rise_us", _F, "us", "command: duration of the asserting transition, 10 % to 90 %"),
        _may("fall_us", _F, "us", "command: duration of the releasing transition, 10 % to 90 %"),
        _may("ripple_v", _F, "V", "standard deviation of the command's on-state, edges left out"),
        _may("interval_us", _F, "us", "since this cylinder's (paired coils: this coil's) previous event; null over a "
             "gap or a stop"),
        _may("engine_rpm", _F, "rpm", "engine speed from the cycle length"),
        _may("timing_residual_deg", _F, "deg", "crank degrees off the place where the cycle expects this event; "
             "positive is late"),
        _may("supply_v", _F, "V", "mean over the command's on-time (no command lead: over the feedback pulse)"),
        _may("ground_v", _F, "V", "mean over the command's on-time (no command lead: over the feedback pulse)"),
        _may("coil_current_peak_a", _F, "A", "largest coil current over the command's on-time, where recorded"),
        _must("extra_pulses", _I16, "", "further pulses in the same slot"),
        _must("operating_state", _S, "", "cranking, idle, steady, accelerating, decelerating, unknown"),
        _must("quality", _S, "", "empty, or why the row is to be trusted less, joined with ','"),
        _must("slot", _I16, "", "place in the engine cycle, counted from 0 in firing order; tracked also where the "
              "cylinder cannot be told"),
        _may("cylinder_confidence", _F, "", "chance that the place in the cycle, and so the cylinder, is right"),
        _may("feedback_rise_us", _F, "us", "feedback: duration of the asserting transition, 10 % to 90 %"),
        _may("feedback_ripple_v", _F, "V", "standard deviation of the feedback's on-state, edges left out"),
        _may("off_level_v", _F, "V", "command: off-state level just before the pulse"),
        _may("quiet_ripple_v", _F, "V", "ripple_v without the spikes of a few microseconds that neighbouring coils "
             "leave on a line: they make no pulse, and no distortion either"),
        _may("timing_from_before_deg", _F, "deg", "crank degrees off the place that the four slots before alone "
             "expect; positive is late"),
        _may("timing_from_after_deg", _F, "deg", "the same for the four slots after: where all timing steps, as at a "
             "gear change, an event agrees with one side"),
        _must("segment", _I, "", "number of the uninterrupted stretch; changes over a stop, a pause of all cylinders "
              "or a gap of all leads"),
        _may("coil_slope_a_per_ms", _F, "A/ms", "charging slope at turn-on, V/L, of the law of a coil and a resistance "
             "fitted to the current"),
        _may("coil_tau_us", _F, "us", "time constant L/R of the fitted law; null where the current bends up"),
        _may("coil_resistance_ohm", _F, "ohm", "supply over the current that the fitted law ends at: coil, wiring and "
             "switch; null without a supply lead"),
        _may("coil_end_slope_ratio", _F, "", "slope between 80 % and 95 % of the peak over that at turn-on: below 1 on "
             "a sound coil, above 1 where the core saturates or turns are shorted"),
        _may("coil_flat_top_us", _F, "us", "time from 97 % of the peak to the turn-off; long where the current is "
             "limited"),
        _may("supply_droop_v", _F, "V", "supply in the first tenth of the on-time less that in the last"),
        _may("ground_rise_v", _F, "V", "ground in the last tenth of the on-time less that in the first"),
        _may("supply_resistance_ohm", _F, "ohm", "droop of the supply over the rise of the coil current"),
        _may("ground_resistance_ohm", _F, "ohm", "rise of the ground over the rise of the coil current"),
        _may("turn_on_deg", _F, "deg", "crank angle of the command's turn-on behind the crank wheel's reference (first "
             "tooth after the gap, or the one mark a turn)"),
        _may("turn_off_deg", _F, "deg", "the same of the command's turn-off"),
        _may("speed_change_rpm", _F, "rpm", "crank speed in the firing interval that this event drives less the one "
             "before; where it fell, combustion was lost or the engine was braked"),
    ),
)  # fmt: skip

SUSPECTS = Table(
    name="suspects",
    row="one suspicious event, worst first",
    columns=(
        _must("rank", _I, "", "1 is the most suspicious"),
        _must("event_id", _I, "", "of the event"),
        _must("time_s", _F, "s", "of the event"),
        _may("cylinder", _I16, "", "of the event"),
        _must("kind", _S, "", "one of the kinds"),
        _must("score", _F, "", "higher is more suspicious"),
        _must("false_alarms_per_hour", _F, "1/h", "how many events at least this suspicious a healthy recording like "
              "this one would show in an hour"),
        _must("reason", _S, "", "measured value, usual value for this cylinder at this speed and supply, difference"),
        _may("incident_id", _I, "", "events that belong together"),
        _must("window_start_s", _F, "s", "what to look at in the review"),
        _must("window_end_s", _F, "s", "what to look at in the review"),
        _may("measured", _F, "as measure", "value of the measure that decided the kind"),
        _may("usual", _F, "as measure", "what is usual for this cylinder under these conditions"),
        _may("distance_sigma", _F, "sigma", "robust distance between the two, signed"),
        _may("measure", _S, "", "column of the event table that decided the kind"),
    ),
)  # fmt: skip

INCIDENTS = Table(
    name="incidents",
    row="suspects that belong together",
    columns=(
        _must("incident_id", _I, "", "1 is the worst"),
        _must("start_s", _F, "s", "first event"),
        _must("end_s", _F, "s", "last event"),
        _must("n_events", _I, "", "suspects in it; 0: an ignition that fell silent at speed, out of the blue"),
        _must("cylinders", pa.list_(_I16), "", "cylinders concerned, ascending"),
        _must("kinds", pa.list_(_S), "", "kinds in it, most frequent first"),
        _must("false_alarms_per_hour", _F, "1/h", "of its most suspicious event"),
        _may("best_rank", _I, "", "rank of its most suspicious event; null: no event is in it"),
        _must("sentence", _S, "", "what happened, in plain words"),
        _must("circuit", _S, "", "which circuit the evidence points to"),
        _must("evidence_for", _S, "", "what points to it"),
        _must("evidence_against", _S, "", "what points elsewhere, or what was not recorded"),
        _must("next_test", _S, "", "next test to make; common practice, no source"),
        _must("codes", pa.list_(_S), "", "generic SAE J2012 codes a control unit may set for such an incident"),
    ),
)

STANDING = Table(
    name="standing",
    row="one measure of one cylinder against the others, over the whole recording",
    columns=(
        _may("cylinder", _I16, "", "null where it cannot be told"),
        _must("slot", _I16, "", "place in the engine cycle"),
        _must("measure", _S, "", "column of the event table; 'jitter of' one, or 'share of' absent pulses"),
        _must("unit", _S, "", "of value, others, difference and its limits"),
        _must("value", _F, "as unit", "median of this cylinder; for shares, absent per 1,000 events"),
        _must("others", _F, "as unit", "median of the other cylinders"),
        _must("difference", _F, "as unit", "this cylinder minus the others, matched at the same moment"),
        _may("low", _F, "as unit", "lower 95 % limit of the difference; null: too little recorded for one"),
        _may("high", _F, "as unit", "upper 95 % limit of the difference"),
        _must("p_adjusted", _F, "", "exact p-value of no difference, false-discovery adjusted over the table"),
        _must("practical", _F, "as unit", "difference from which on it matters; common practice, no source"),
        _must("notable", _B, "", "beyond chance, and the whole interval beyond the practical size"),
        _must("n_events", _I, "", "events of this cylinder it rests on"),
        _must("sentence", _S, "", "the same in plain words"),
    ),
)

CONDITIONS = Table(
    name="conditions",
    row="how often suspects occur in one band of one condition, against the rest of the recording",
    columns=(
        _must("kind", _S, "", "kind of suspect, 'any command' and the like for the kinds of one circuit, or 'all'"),
        _must("condition", _S, "", "speed, supply, time since start or first start, operating state, cylinder; "
              "with 'range': the stretch of it that suspects crowd in most"),
        _must("band", _S, "", "in words"),
        _may("low", _F, "as condition", "lower edge of the band"),
        _may("high", _F, "as condition", "upper edge of the band"),
        _must("n_suspects", _I, "", "suspects in the band"),
        _must("n_occurrences", _I, "", "the same, those of one burst counted once"),
        _must("n_occurrences_all", _I, "", "occurrences in the whole recording"),
        _must("n_events", _I, "", "events in the band, the exposure"),
        _must("events_pct", _F, "%", "share of all events"),
        _must("time_pct", _F, "%", "share of the running time"),
        _may("rate_ratio", _F, "", "occurrences per event in the band over the same in the rest; infinite: none in "
             "the rest"),
        _must("ratio_low", _F, "", "exact lower 95 % limit"),
        _must("ratio_high", _F, "", "exact upper 95 % limit"),
        _must("p_value", _F, "", "exact, two-sided"),
        _must("p_adjusted", _F, "", "false-discovery adjusted over the table"),
        _must("notable", _B, "", "more often than elsewhere, at a false-discovery rate of 5 %"),
    ),
)  # fmt: skip

MISFIRE_WINDOWS = Table(
    name="misfire_windows",
    row="absent ignition events in one window of crank revolutions",
    columns=(
        _must("revolutions", _I, "", "length of the window: 200 or 1,000"),
        _must("start_s", _F, "s", "first event"),
        _must("end_s", _F, "s", "last event"),
        _must("n_due", _I, "", "events due, pauses of all cylinders left out"),
        _must("n_absent", _I, "", "of them without command or without feedback"),
        _must("n_paused", _I, "", "events of pauses of all cylinders together (fuel cut), left out"),
        _must("absent_pct", _F, "%", "absent of due"),
        _may("worst_cylinder", _I16, "", "the one with most absent events; null: none, or it cannot be told"),
        _must("above", _B, "", "at or above the smallest threshold of the regulation for this window"),
    ),
)

SILENCES = Table(
    name="silences",
    row="one time the ignition fell silent: all of it, or one lead while the engine turned on",
    columns=(
        _must("silence_id", _I, "", "running number in time order, from 1"),
        _must("start_s", _F, "s", "last event before; of a single lead, the last one it could have shown; before the "
              "first event, when the crank began to turn"),
        _may("stop_s", _F, "s", "first event after; null: silent to the end of the recording"),
        _must("leads", pa.list_(_S), "", "columns of the leads that fell silent"),
        _may("rpm_before", _F, "rpm", "speed half a second before the last event; null: a single lead, or no speed"),
        _may("turns_to_silence", _F, "", "turns of the crank from where the speed began to fall to the last event; "
             "0: a sudden end"),
        _must("came_back", _S, "", "'by the starter', 'still turning', 'not told', or 'none': not until the end of the "
              "recording"),
        _may("rpm_after", _F, "rpm", "speed when it came back"),
        _must("looks_like", _S, "", "stop, pause (at low speed, the engine turned on), overrun, limiter, cut_out (at "
              "speed, out of the blue), clip_off (one lead alone), no_ignition (the crank turned before the first "
              "event)"),
        _must("sentence", _S, "", "the same in plain words"),
        _may("crank_turned", _B, "", "whether the crank turned on; false: it stood at last; null: no crank wheel read"),
        _may("crank_turns", _F, "", "turns of the crank in the silence"),
    ),
)  # fmt: skip

SENSITIVITY = Table(
    name="sensitivity",
    row="what the list would have found of one kind of fault on one cylinder",
    columns=(
        _must("kind", _S, "", "planted kind"),
        _may("cylinder", _I16, "", "null where it cannot be told"),
        _must("slot", _I16, "", "place in the engine cycle"),
        _must("size", _F, "as unit", "size of the planted change, positive"),
        _must("unit", _S, "", "share of usual, V, deg or pulses"),
        _must("n_planted", _I, "", "events changed by this size"),
        _must("n_found", _I, "", "of them listed at no more than one false alarm an hour"),
        _must("found_low", _F, "", "exact lower 95 % limit of the share found"),
        _must("found_high", _F, "", "exact upper 95 % limit of the share found"),
        _must("smallest", _B, "", "the smallest size from which on at least 9 of 10 are found"),
    ),
)

TABLES = {
    table.name: table
    for table in (
        PULSES, GAPS, EVENTS, SUSPECTS, INCIDENTS, STANDING, CONDITIONS, MISFIRE_WINDOWS, SENSITIVITY, SILENCES,
    )
}  # fmt: skip
