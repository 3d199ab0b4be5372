/** What the messages hold; the words of docs/notes/workbench-protocol.md as types. */

export interface Choice {
  choices: string[];
  default: string;
}

export interface CatalogueEntry {
  kind: string;
  title: string;
  options: Record<string, Choice>;
}

export interface Welcome {
  token: string;
  resume: string;
  version: string;
  folder: string;
  designs: string[];
  design: string | null;
  drop_limit_bytes: number;
  works: string[];
  pictures: CatalogueEntry[];
}

export interface Field {
  path: string;
  label: string;
  kind: "quantity" | "number" | "choice" | "flag" | "text";
  text: string;
  value?: number | null;
  unit?: string;
  step?: number;
  min?: number | null;
  max?: number | null;
  default?: string;
  choices?: string[];
  governing: boolean;
  optional?: boolean;
  given?: boolean;
  effect: string;
  quick?: string;
  help?: string;
}

export interface Section {
  key: string;
  label: string;
  group?: string;
  way?: string;
  note?: string;
  fields: Field[];
}

export interface FileState {
  state: "good" | "broken" | "gone";
  error?: string;
  line?: number | null;
}

export interface DesignState {
  design: string;
  name: string;
  title: string;
  revision: number;
  is_solved: boolean;
  solve_at_rest: boolean;
  can_undo: boolean;
  can_redo: boolean;
  file: FileState;
  sections: Section[];
  ways: string[];
}

export interface Revision {
  revision: number;
  when: number;
  who: string;
  what: string;
  note: string;
  state: "solved" | "unsolved" | "unknown";
  pinned: boolean;
  current: boolean;
  parent: number | null;
}

export interface Job {
  job: string;
  work: string;
  design: string;
  revision: number;
  state: "waiting" | "running" | "stopping" | "stopped" | "done" | "failed";
  done: number;
  total: number;
  what: string;
  seconds: number;
  left_s: number | null;
  options?: Record<string, unknown>;
  error?: string | null;
}

export interface Line {
  name: string;
  kind: "moves" | "walls" | "frame" | "cabinet";
  way: string | null;
  array: string;
}

export interface Handle {
  path: string;
  view: ViewName;
  at: [number, number];
  along: [number, number];
  per: number;
  label: string;
}

export type ViewName = "side" | "front" | "top";

export interface SearchStep {
  stage: string;
  start: number;
  number: number;
  value: number;
  taken: boolean;
  measures: Record<string, number>;
  section: number[][][];
}

export interface SearchKept {
  revision: number | null;
  options: Record<string, unknown>;
  ended: boolean;
  steps: SearchStep[];
}

export interface Geometry {
  revision: number;
  provisional: { seq: number } | null;
  views: Record<ViewName, Line[]>;
  size?: [number, number, number];
  handles: Handle[];
  body: boolean;
  parts?: string[];
}

export interface Provisional {
  seq: number;
  model: string;
  exact: boolean;
  from: number | null;
  band_hz: [number, number] | null;
  frequencies: number | null;
  ms: number;
  words: string;
}

export interface Axis {
  kind: "log" | "linear";
  label: string;
  unit: string;
  min: number;
  max: number;
}

export interface SeriesWords {
  key: string;
  label: string;
  role: string;
  way: number | null;
  x: string;
  y: string;
}

export interface BandWords {
  key: string;
  label: string;
  x: string;
  low: string;
  high: string;
  role: string;
}

export interface Panel {
  key: string;
  label: string;
  unit: string;
  min: number | null;
  max: number | null;
  height: number;
  series: SeriesWords[];
  bands: BandWords[];
  lines: { y: number; label: string }[];
  marks: { x: number; label: string; way: number | null }[];
}

export interface Figure {
  key: string;
  label: string;
  text: string;
  target: string;
  met: boolean | null;
}

export interface Crossover {
  hz: number;
  text?: string;
  changes: { path: string; hz: number }[];
  fixed?: string;
}

export interface PictureHead {
  id: string;
  kind: string;
  revision: number;
  current: boolean;
  pinned: boolean;
  provisional: Provisional | null;
  state: "solved" | "provisional" | "unsolved" | "refused";
  reason?: string;
  needs?: string;
  title: string;
  caption: string;
  family?: "panels" | "map" | "table";
  x?: Axis;
  panels?: Panel[];
  span?: [number, number];
  numbers?: Figure[];
  crossover?: Crossover;
  ways?: string[];
  y?: Omit<Axis, "kind"> & { kind?: string };
  range_db?: [number, number];
  band_db?: number;
  line_db?: number;
  columns?: { key: string; label: string; align: "left" | "right" }[];
  rows?: string[][];
  row_key?: string[];
  row_state?: string[];
  groups?: string[];
  summary?: string;
}

export interface Change {
  path?: string;
  label: string;
  before: string;
  after: string;
}

export interface Changes {
  from: number;
  to: number;
  what: Change[];
  lines: { group: string; name: string; before: string; after: string; verdict: string }[];
  numbers: { label: string; before: number | string | null; after: number | string | null; unit: string; text?: [string, string] }[];
  reason?: string;
}

export interface Proposal {
  work: string;
  revision: number;
  what: Change[];
  words: string[];
  notes?: string[];
}

export interface Refused {
  re?: number;
  seq?: number;
  path?: string;
  rule?: string;
  got?: string;
  nearest?: string | null;
  text: string;
}

export interface Conflict {
  disk: { what: Change[]; text?: string };
  page: { path: string; text: string }[];
}

export interface MeasuredSet {
  measured: string;
  name: string;
  words: string;
}
