// Types of what the server answers and of what the scripts keep in the browser. Not a script: the
// type checker knows these names in every script. Where the server has a shape of that name, an
// interface is a part of it: tests/api/web/test_shapes_of_pages.py.

interface MachineOut {
  id: string;
  name: string;
  kind: string;
}

interface PlaceOut {
  key: string;
  label: string;
}

interface MethodOut {
  key: string;
  title: string;
  places: PlaceOut[];
  baseline: string | null;
  optional_baseline: string | null;
  needs_thickness: boolean;
  sided: boolean;
  noun: string;
  reveals: string[];
  closed_jaws: boolean;
  default_repeats: number;
  pieces: number | null;
}

interface SeriesHead {
  id: string;
  machine: MachineOut;
  method: string;
  bench: string;
  unit: "in" | "mm";
  strip_side: "left" | "right";
  finished_at: string | null;
}

interface TrialReadingOut {
  id: string;
  place: string;
  sent: string;
  unit: "in" | "mm";
  mm: number;
}

interface TrialOut {
  id: string;
  series: string;
  number: number;
  state: "complete" | "gone" | "left out" | "open";
  flags: string[];
  readings: TrialReadingOut[];
  deviation_mm: number | null;
  angle_deg: number | null;
  tilt_deg: number | null;
  length_mm: number | null;
  expanded_uncertainty_deg: number | null;
}

interface MeasureOut {
  value: number;
  uncertainty: number | null;
  unit: "degrees" | "in" | "mm" | "mm per 300 mm" | "thou" | "thou per foot";
  decimals: number;
}

interface SentencePartOut {
  text: string;
  measure: MeasureOut | null;
}

interface QuantityOut {
  unit: "deg" | "mm";
  trials: number;
  mean: number | null;
  expanded_uncertainty: number | null;
  verdict: "cannot tell yet" | "good enough" | "needs adjusting" | null;
  statement: string;
  sentence: string;
  sentence_parts: SentencePartOut[];
}

interface ScoreOut {
  quantities: Record<string, QuantityOut>;
  notes: string[];
}

interface AsideOut {
  id: string;
}

interface SeriesOut {
  method: string;
  trials: TrialOut[];
  score: ScoreOut;
  aside: AsideOut[];
}

interface NextOut {
  trial: number;
  place: string;
  label: string;
  repeat: number;
  repeats: number;
}

interface ReadingOut {
  id: string;
  bench: string;
  caliper: string;
  sent: string;
  unit: "in" | "mm";
  mm: number;
  outcome: string;
  trial: number | null;
  place: string | null;
  next: NextOut | null;
}

interface RefusalOut {
  id: string;
  bench: string;
  caliper: string;
  text: string;
  reason: string;
}

interface CaliperOut {
  name: string;
  bench: string;
  state: string;
  message: string;
}

interface BenchOut {
  name: string;
  series: SeriesHead | null;
  ended: SeriesHead | null;
  next: NextOut | null;
  last_reading: ReadingOut | null;
  calipers: CaliperOut[];
  pretend: boolean;
  last_event: number;
}

interface StoreOut {
  message: string;
  kept_beside: number;
  last: ReadingOut | null;
}

interface KeysOut {
  kept: boolean;
  sent: string;
  reason: string | null;
}

interface PortOut {
  device: string;
  words: string;
}

interface LeftOutOut {
  device: string;
  why: string;
}

interface IdentifiedOut {
  spec: string | null;
  sent: string;
  sentence: string;
}

interface IdentifyOut {
  state: "given up" | "listening" | "none" | "identified";
  ports: PortOut[];
  left_out: LeftOutOut[];
  shown: string | null;
  heard_keys: string | null;
  identified: IdentifiedOut | null;
  seconds_left: number;
  message: string;
}

interface ListenedOut {
  name: string;
  bench: string;
}

interface ForgottenOut {
  again: boolean;
}

interface Problem {
  title: string;
  detail: string;
  errors: Record<string, string>[];
}

/** What GET answers, by its address. */
interface Got {
  "/api/machines": MachineOut[];
  "/api/identify": IdentifyOut;
  [bench: `/api/benches/${string}`]: BenchOut;
  [series: `/api/series/${string}`]: SeriesOut;
}

/** What POST answers, by its address; the answers of the others are not read. */
interface Posted {
  "/api/calipers": ListenedOut;
  "/api/machines": MachineOut;
  "/api/identify/keep": IdentifyOut;
  "/api/identify/keys": IdentifyOut;
  "/api/identify/shown": IdentifyOut;
  [study: `/api/calipers/${string}/studies`]: SeriesHead;
  [other: string]: unknown;
}

/** What DELETE answers, by its address. */
interface Deleted {
  "/api/identify": IdentifyOut;
  [caliper: `/api/calipers/${string}`]: ForgottenOut;
}

/** The live events: each kind with its data. */
type LiveEvent =
  | { kind: "reading"; data: ReadingOut }
  | { kind: "trial"; data: TrialOut }
  | { kind: "score"; data: { series: string; score: ScoreOut } }
  | { kind: "caliper"; data: CaliperOut }
  | { kind: "refusal"; data: RefusalOut }
  | { kind: "bench"; data: BenchOut }
  | { kind: "store"; data: StoreOut };

/** What the server writes into the Bench page. */
interface BenchPageState {
  bench: BenchOut;
  series: SeriesOut | null;
  machines: MachineOut[];
  methods: MethodOut[];
  store: StoreOut;
}

type LengthUnit = "mm" | "in" | "thou";
type AngleUnit = "deg" | "arcmin";

/** A unit as it is shown: how many of it are one mm or degree, its word, its usual decimals. */
interface ShownUnit {
  per: number;
  word: string;
  usual: number;
}

/** The units of the Bench page: of lengths, of small differences between them, of angles. */
interface Units {
  length: LengthUnit;
  deviation: LengthUnit;
  angle: AngleUnit;
}

/** A key as it was struck. */
interface StrokeIn {
  key: string;
  code: string;
  shift: boolean;
  at_ms: number;
}

interface ReadingIn {
  id: string;
  bench: string;
  caliper: string;
  sent: string;
  unit: "in" | "mm";
  taken_at: string;
  origin: "typed";
}

interface KeysIn {
  id: string;
  strokes: StrokeIn[];
  taken_at: string;
  unit?: "in" | "mm";
  broken_at?: number;
}

interface TakeBackIn {
  reading: string;
}

/** What the page recorded: readings, a burst of keys, or the taking back of a part of one. */
type Taken = ReadingIn[] | KeysIn | TakeBackIn;

/** `why`: what the server said, where it was set aside. */
interface KeptEntry {
  path: string;
  body: Taken;
  why?: string;
}

type Entry = KeptEntry & { name: `outbox ${string}` };

/** What is kept in this browser, by its key. A page of another version may have written it. */
interface Kept {
  units: { length?: string; angle?: string };
  sounds: boolean;
  speech: boolean;
  setup: Record<string, string>;
  machine: string;
  study: { unit?: string; person?: string };
  work: Record<string, string>;
  "leave alone": string[];
  "shown unit": string;
  [fence: `fence ${string}`]: Record<string, string>;
  [left: `left ${string}`]: string;
  [outbox: `outbox ${string}`]: KeptEntry;
}
