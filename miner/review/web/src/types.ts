// What the server tells the page. Times are seconds since the recording's first sample.

export interface Lead {
  index: number;
  column: string;
  role: string;
  cylinder: number | null;
  unit: string;
  range: [number, number] | null; // where it lies but for rare spikes
}

export interface Typical {
  on_time_us: number | null;
  delay_us: number | null;
  feedback_width_us: number | null;
}

export interface EventRow {
  event_id: number;
  cylinder: number | null;
  time_s: number;
  command_seen: boolean | null;
  feedback_seen: boolean | null;
  on_time_us: number | null;
  delay_us: number | null;
  feedback_width_us: number | null;
  amplitude_v: number | null;
  feedback_amplitude_v: number | null;
  rise_us: number | null;
  fall_us: number | null;
  engine_rpm: number | null;
  supply_v: number | null;
  timing_residual_deg: number | null;
  interval_us: number | null;
  extra_pulses: number;
  operating_state: string;
  quality: string;
  slot: number;
  off_level_v: number | null;
}

export interface Suspect {
  rank: number;
  event_id: number;
  time_s: number;
  cylinder: number | null;
  kind: string;
  score: number;
  false_alarms_per_hour: number;
  reason: string;
  incident_id: number | null;
  window_start_s: number;
  window_end_s: number;
  measured: number | null;
  usual: number | null;
  distance_sigma: number | null;
  measure: string | null;
  event: EventRow;
  usual_measures: Record<string, [usual: number | null, distance_sigma: number | null]>;
}

export interface Incident {
  incident_id: number;
  start_s: number;
  end_s: number;
  n_events: number;
  cylinders: number[];
  kinds: string[];
  false_alarms_per_hour: number;
  best_rank: number | null; // null: no event is in it
  sentence: string;
  circuit: string;
  evidence_for: string;
  evidence_against: string;
  next_test: string;
  codes: string[];
}

/** One time the ignition fell silent: all of it, or one lead while the engine turned on. */
export interface Silence {
  start_s: number;
  stop_s: number | null; // null: to the end of the recording
  leads: string[];
  rpm_before: number | null;
  turns_to_silence: number | null;
  came_back: string;
  rpm_after: number | null;
  looks_like: string;
  sentence: string;
}

export interface Decision {
  revision: number;
  event_id: number;
  verdict: string;
  note: string;
  decided_at: string;
}

export type Arrays = Record<string, Float32Array | Float64Array | Int16Array | Int32Array>;

/** Names of the tables in words, by name. */
export interface Names {
  kinds: Record<string, string>;
  meanings: Record<string, string>;
  assumed: Record<string, string>;
  measures: Record<string, string>;
  measure_meanings: Record<string, string>;
  qualities: Record<string, string>;
}

export interface Opened {
  words: Names;
  caution: string;
  scatter: string;
  recording: {
    name: string;
    vehicle: string;
    started_at: string | null;
    rate_hz: number;
    duration_s: number;
    n_events: number;
    n_suspects: number;
    n_rare: number; // of them, shown by a healthy engine less than once an hour
    firing_order: number[];
  };
  leads: Lead[];
  typical: Record<string, Typical>; // by cylinder, "None" where it cannot be told
  suspects: Suspect[];
  incidents: Incident[];
  missing: string[];
  /** A sentence for each decision that is damaged or lost. */
  damaged_verdicts: string[];
  too_small: string; // how many events differ by too little to matter; empty for none
  silences: Silence[]; // in time order
  map: { states: [number, number, string][]; gaps: [number, number, number | null][]; supply_name: string | null };
  verdicts: Decision[];
  revision: number;
  made_at?: string;
}

export interface View {
  start_s: number;
  stop_s: number;
  step: number; // 1: true samples; else samples per block, values are min, max, min, max ...
  exact: boolean;
  partial: boolean;
  events: EventRow[] | null; // null: too many to draw
  time_s: Float64Array;
  values: Map<number, Float32Array>;
}

export interface Usual {
  found: boolean;
  rpm_low: number;
  rpm_high: number;
  n_events: number;
  start_us: number;
  step_us: number;
  bands: Map<number, { low: Float32Array; median: Float32Array; high: Float32Array }>;
}

export interface Bar {
  label: string;
  n_suspects: number;
  n_events: number;
  per_thousand: number;
  low: number;
  high: number;
}

export interface Smallest {
  kind: string;
  cylinder: number | null;
  size: number | null;
  unit: string;
  sentence: string;
}

/** What mining found out about the list as a whole; parts that it left out are missing. */
export interface Explained {
  conditions?: string[];
  standing?: string[];
  sensitivity?: {
    smallest_found: Smallest[];
    fault_rate_limits?: { n_suspects: number; n_events: number; per_1000_events: number; per_hour: number };
  };
  misfire_windows?: { note: string } & Record<string, unknown>;
}

export interface MisfireWindows {
  n_windows: number;
  n_above: number;
  worst_pct: number;
  threshold_pct: number;
}

/** How many listed events there are up to each rate, and how many a healthy engine is due in the time judged. */
export interface Rates {
  hours: number;
  up_to: number; // rates beyond it are not listed completely
}

export interface Figures {
  rates: Rates;
  cylinders: number[];
  explained: Explained;
  when: { speed: Bar[]; time: Bar[]; cylinder: Bar[] };
}

export type Saved = { kind: "saved"; decision: Decision } | { kind: "stale"; newest: Decision };

export interface Source {
  readonly frozen: boolean;
  open(): Promise<[Opened, Arrays]>;
  view(start_s: number, stop_s: number, pixels: number, quick: boolean, abort: AbortSignal): Promise<View>;
  usual(cylinder: number | null, rpm: number | null): Promise<Usual>;
  figures(): Promise<[Figures, Arrays]>;
  decide(event_id: number, verdict: string, note: string, seen_revision: number): Promise<Saved>;
  verdicts(since: number): Promise<{ verdicts: Decision[]; revision: number }>;
}
