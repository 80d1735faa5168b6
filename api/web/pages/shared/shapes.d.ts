// Types of what the server answers and of what the scripts keep in the browser. Not a script: the
// type checker knows these names in every script. Where the server has a shape of that name, an
// interface is a part of it: tests/api/web/test_shapes_of_pages.py.

interface MachineOut {
  id: string;
  name: string;
  kind: string;
}

interface RenamedOut {
  id: string;
  name: string;
  still: string[];
}

interface StopHead {
  id: string;
  name: string;
}

interface StopStandingOut {
  stop: StopHead;
}

interface ListedMachine {
  id: string;
  name: string;
  kind: string;
  stops: StopStandingOut[];
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
  ways: Record<string, string[]>;
  closed_jaws: boolean;
  default_repeats: number;
  pieces: number | null;
  judges: "caliper" | "hand" | "machine";
}

interface SeriesHead {
  id: string;
  machine: MachineOut;
  stop: StopHead;
  method: string;
  bench: string;
  unit: "in" | "mm";
  readings_unit: "in" | "mm" | null;
  strip_side: "left" | "right";
  finished_at: string | null;
  work: string | null;
  strips: number | null;
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
  visit: number;
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
  rule: "each look" | "one look" | "not yet" | "earlier series" | null;
  statement: string;
  sentence: string;
  sentence_parts: SentencePartOut[];
}

interface ScoreOut {
  trials: number;
  quantities: Record<string, QuantityOut>;
  notes: string[];
}

interface AskedLengthOut {
  field: string;
  sentence: string;
  proposed: string[];
}

interface ProposedSettingsOut {
  method: string;
  baseline: string | null;
  thickness: string | null;
  unit: "in" | "mm";
  inset: string;
  strip_side: "left" | "right";
  repeats: number;
  pieces: number | null;
  tolerance_deg: string | null;
  tolerance_gap: string | null;
  tolerance_joint: string | null;
  tolerance_length: string | null;
  tolerance_nominal: string | null;
}

interface ProposedWorkOut {
  work: string | null;
  name: string;
  need: string;
  before: boolean;
  chosen: boolean;
}

interface PlannedStripsOut {
  strips: number | null;
  sentence: string;
}

interface ProposedOut {
  machine: MachineOut | null;
  stop: StopHead | null;
  series: string | null;
  same_stop: boolean;
  method: string | null;
  unit: "in" | "mm" | null;
  settings: ProposedSettingsOut | null;
  works: ProposedWorkOut[];
  strips: PlannedStripsOut;
}

interface NowOut {
  kind: string;
  trials: number[];
  sentence_parts: SentencePartOut[];
  acts: string[];
}

interface DoubtOut {
  now: NowOut | null;
}

interface ChangeOut {
  id: string;
  trial: number | null;
  field: string;
}

interface AsideOut {
  id: string;
}

interface ProgressOut {
  strips: number;
  planned: number | null;
  enough: boolean;
  sentence: string;
  sentence_parts: SentencePartOut[];
}

interface SeriesOut {
  progress: ProgressOut;
  bench: string;
  method: string;
  trials: TrialOut[];
  score: ScoreOut;
  doubts: DoubtOut[];
  aside: AsideOut[];
  corrections: ChangeOut[];
}

interface SinceChangeOut {
  answer: "came back" | "cannot tell" | "did not" | "helped" | "made it worse";
  quantity: "angle" | "length" | "tilt";
  sentence_parts: SentencePartOut[];
}

interface WorkVerdictOut {
  name: string | null;
  verdict: "cannot tell yet" | "good enough" | "needs adjusting" | null;
  urgency: "cannot tell yet" | "due" | "good enough" | "needs adjusting" | "not known";
  own: boolean;
}

interface LinksOut {
  series: string;
  mend: string;
}

interface NextActOut {
  work: string | null;
  verdict: "cannot tell yet" | "good enough" | "needs adjusting" | null;
  doubted: number[];
  act: "adjust" | "check again" | "decide" | "go on" | "measure again" | "measure more" | "none" | "say the need" | "see the later series";
  instruction_parts: SentencePartOut[];
  check_by: string | null;
  way: string | null;
  later: string | null;
  works: WorkVerdictOut[];
  since_change: SinceChangeOut[];
  links: LinksOut;
}

interface BegunOut {
  id: string;
  bench: string;
  setup_change: string | null;
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
  question?: string | null;
  asked?: string | null;
}

interface AwaitingOut {
  id: string;
  sent: string;
  question: string;
  asked: string;
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
  heard_as: string;
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
  awaiting: AwaitingOut | null;
  calipers: CaliperOut[];
  pretend: boolean;
  last_event: number;
}

interface BenchNowOut extends BenchOut {
  since_change: SinceChangeOut[];
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
  called: string;
  bench: string;
}

interface ForgottenOut {
  again: boolean;
}

interface MadeWorkOut {
  id: string;
  name: string;
  need: string;
  retired_at: string | null;
}

interface WrongField {
  field: string;
  message: string;
}

interface Problem {
  title: string;
  detail: string;
  errors: WrongField[];
}

/** What GET answers, by its address. */
interface Got {
  "/api/machines": ListedMachine[];
  [works: `/api/works?${string}`]: MadeWorkOut[];
  "/api/identify": IdentifyOut;
  "/api/access": AccessOut;
  [typed: `/api/length?${string}`]: LengthOut;
  [proposed: `/api/set-up/proposed?${string}`]: ProposedOut;
  [bench: `/api/benches/${string}`]: BenchNowOut;
  [series: `/api/series/${string}`]: SeriesOut;
}

interface MeOut {
  may: "read" | "press" | "run" | "admin" | null;
}

interface InvitationMadeOut {
  address: string;
  drawn: string;
  may: "read" | "press" | "run" | "admin";
  name: string | null;
  seconds_left: number;
}

interface PassOut {
  id: string;
  kind: "token" | "device";
  name: string;
  may: "read" | "press" | "run" | "admin";
  benches: string[] | null;
  made_at: string;
  last_used_at: string | null;
  ends_at: string | null;
  own: boolean;
  invited_by: string | null;
}

interface InvitationOut {
  id: string;
  name: string | null;
  may: "read" | "press" | "run" | "admin";
  until: string;
  invited_by: string | null;
}

interface AccessOut {
  passes: PassOut[];
  invitations: InvitationOut[];
}

interface LengthOut {
  mm: number;
  unit: "in" | "mm";
}

/** What POST answers, by its address; the answers of the others are not read. */
interface Posted {
  "/api/calipers": ListenedOut;
  "/api/machines": MachineOut;
  "/api/access/invitations": InvitationMadeOut;
  "/api/access/leave": MeOut;
  "/api/set-up": AskedLengthOut[];
  "/api/works": MadeWorkOut;
  "/api/identify/keep": IdentifyOut;
  "/api/identify/keys": IdentifyOut;
  "/api/identify/shown": IdentifyOut;
  [study: `/api/calipers/${string}/studies`]: SeriesHead;
  [again: `/api/series/${string}/again`]: BegunOut;
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
  | { kind: "score"; data: { series: string; score: ScoreOut; now: NowOut[]; progress: ProgressOut; since_change: SinceChangeOut[] } }
  | { kind: "caliper"; data: CaliperOut }
  | { kind: "refusal"; data: RefusalOut }
  | { kind: "bench"; data: BenchOut }
  | { kind: "store"; data: StoreOut };

/** What the server writes into the Bench page. */
interface BenchPageState {
  bench: BenchOut;
  series: SeriesOut | null;
  since: SinceChangeOut[];
  machines: ListedMachine[];
  works: MadeWorkOut[];
  proposed: ProposedOut | null;
  methods: MethodOut[];
  store: StoreOut;
}

type LengthUnit = "mm" | "in" | "thou";
type AngleUnit = "deg" | "arcmin" | "thou per foot" | "mm per 300 mm" | "gap";

/** The units a person chose. length: null for that of the caliper; joint: over which a gap is told. */
interface Chosen {
  length: LengthUnit | null;
  angle: AngleUnit;
  joint: { mm: number; unit: "mm" | "in" } | null;
}

/**
 * A unit as it is shown: how many of it are one mm or degree, its word, its usual decimals, and what
 * a sentence calls it. over: of a slope, the length over which it is told.
 */
interface ShownUnit {
  per: number;
  word: string;
  usual: number;
  said?: string;
  over?: number;
}

/** The units of the Bench page: of lengths, of small differences between them, of angles. */
interface Units extends Chosen {
  length: LengthUnit;
  deviation: LengthUnit;
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
  units: { length?: string; angle?: string; joint?: { mm: number; unit: string } };
  sounds: boolean;
  speech: boolean;
  bench: string;
  who: string;
  study: { unit?: string; person?: string };
  work: Record<string, string>;
  "leave alone": string[];
  "shown unit": string;
  [fence: `fence ${string}`]: Record<string, string>;
  [left: `left ${string}`]: string;
  [begun: `begun ${string}`]: { series: string; change: string | null; at: number };
  [outbox: `outbox ${string}`]: KeptEntry;
}
