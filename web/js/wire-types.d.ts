// The types of all that travels between page and server. Written by tests/web/wire_types.py from
// the models that check the messages: do not edit.

/** any: the models say no more of a value at a path of the recipe, or of a job's result. */
export type Value = any;

/** x0, y0, x1, y1, half open; in full-resolution pixels, a survey's in shares of the frame. */
export type Box = [number, number, number, number];

/** Three channels, in this order. */
export type RGB = [number, number, number];

export type Channel =
  | "colour"
  | "red"
  | "green"
  | "blue"
  | "luminance";

export type CombineName =
  | "max"
  | "min"
  | "union"
  | "multiply"
  | "subtract"
  | "difference"
  | "average";

export type JobKind =
  | "render"
  | "survey"
  | "suggest"
  | "prepare";

export type JobState =
  | "queued"
  | "running"
  | "done"
  | "failed"
  | "cancelled";

export type Role =
  | "operator"
  | "reviewer";

export type ScopeKind =
  | "histogram"
  | "waveform"
  | "vectorscope"
  | "hues";

export type ViewName =
  | "plate"
  | "denoised"
  | "clean_plate"
  | "matte"
  | "despilled"
  | "spill"
  | "foreground"
  | "composite"
  | "evenness"
  | "alpha_noise"
  | "alpha_error"
  | "deciding";

export interface Accepted {
  type: "accepted";
  client_seq: number;
  revision: number;
  undo: string | null;
  redo: string | null;
}

export interface Ack {
  type: "ack";
  sequence: number;
  latency_ms?: number | null;
}

export interface AckScopes {
  type: "ack_scopes";
  sequence: number;
}

export interface Assemble {
  edge_colour: EdgeColour;
  foreground_exposure_stops: number | Keys;
  foreground_gain: RGB;
  background: Background;
  screen_light: ScreenLight;
  light_wrap: LightWrap;
}

export interface Background {
  kind: "picture" | "colour" | "ramp" | "checker";
  path: string;
  colourspace: string;
  colour: RGB;
  move_x_px: number | Keys;
  move_y_px: number | Keys;
  scale: number | Keys;
  rotate_deg: number | Keys;
  time_offset: number;
  exposure_stops: number | Keys;
  defocus_px: number | Keys;
  regrain: number | Keys;
}

export interface Cached {
  type: "cached";
  ranges: [number, number][];
}

export interface Change {
  path: string;
  value: Value;
}

export interface Changed {
  type: "changed";
  revision: number;
  by: string;
  label: string;
  gesture: string;
  changes: Change[];
  undo: string | null;
  redo: string | null;
}

export interface ChannelSeparation {
  channel: string;
  space: "linear" | "log";
  a_mean: number;
  a_sigma: number;
  b_mean: number;
  b_sigma: number;
  separation: number;
}

export interface ChromaDistance {
  id: string;
  name: string;
  on: boolean;
  role: "core" | "edge";
  combine: CombineName | null;
  strength: number | Keys;
  inverted: boolean;
  key_from: "plate" | "denoised";
  shapes: Shape[];
  refine: Refine;
  kind: "chroma_distance";
  space: "linear" | "log";
  inner: number | Keys;
  outer: number | Keys;
  luminance_weight: number | Keys;
}

export interface ColourDifference {
  id: string;
  name: string;
  on: boolean;
  role: "core" | "edge";
  combine: CombineName | null;
  strength: number | Keys;
  inverted: boolean;
  key_from: "plate" | "denoised";
  shapes: Shape[];
  refine: Refine;
  kind: "colour_difference";
  space: "linear" | "log";
  excess: "lean" | "balance";
  lean: number | Keys;
  comparison_level: number | Keys;
  red_blue_balance: number | Keys;
  gain: number | Keys;
}

export interface ColourInfo {
  working: string;
  input: string;
  config: string;
  displays: Record<string, string[]>;
  colourspaces: string[];
}

export interface CurvePoint {
  hue_deg: number;
  value: number;
}

export interface DayOfTakes {
  day: string;
  here: number | null;
  days: string[];
  takes: KeptTake[];
  measures: TakeMeasure[];
  left_out: string;
}

export interface Denoise {
  strength: number | Keys;
  reach_frames: number;
  keep_luminance: number | Keys;
}

export interface Density {
  width: number;
  height: number;
  planes: string[];
}

export interface Despeckle {
  holes_px: number | Keys;
  specks_px: number | Keys;
}

export interface DespillPass {
  id: string;
  name: string;
  on: boolean;
  limit: "average" | "larger" | "smaller" | "weighted";
  weight: number | Keys;
  amount: number | Keys;
  spill_by_hue: HueCurve;
  fill: "none" | "grey" | "background";
  fill_amount: number | Keys;
  fill_blur_px: number | Keys;
  saturation_by_hue: HueCurve;
  shapes: Shape[];
  mask: string;
  mask_inverted: boolean;
}

export interface Device {
  device: string;
  name: string;
  role: Role;
  since: number;
  seen: number;
  connected: number;
}

export interface Devices {
  type: "devices";
  devices: Device[];
}

export interface Done {
  type: "done";
  id: string;
  message: string;
}

export interface EdgeColour {
  method: "multiply" | "subtract" | "unmix";
  settle: number | Keys;
  settle_by_noise: boolean;
  reach_px: number | Keys;
  hold: number | Keys;
  despill: number | Keys;
}

export interface EngineInfo {
  name: "cpu" | "cuda";
  description: string;
  reason: string;
}

export interface Follow {
  type: "follow";
  on: boolean;
}

export interface Following {
  type: "following";
  ports: Show[];
}

export interface Guide {
  radius_px: number | Keys;
  smoothness: number | Keys;
}

export interface Hello {
  type: "hello";
  protocol: number;
  client: string;
  name?: string;
}

export interface Hidden {
  type: "hidden";
  hidden: boolean;
}

export interface Histogram {
  low: number;
  high: number;
  counts: Record<string, number[]>;
}

export interface HistoryEntry {
  history: number;
  at: number;
  label: string;
}

export interface HueBand {
  id: string;
  name: string;
  on: boolean;
  role: "core" | "edge";
  combine: CombineName | null;
  strength: number | Keys;
  inverted: boolean;
  key_from: "plate" | "denoised";
  shapes: Shape[];
  refine: Refine;
  kind: "hue_band";
  space: "linear" | "log";
  hue_deg: number | Keys;
  spread_deg: number | Keys;
  fade_deg: number | Keys;
  saturation_floor: number | Keys;
  saturation_soft: number | Keys;
}

export interface HueCurve {
  points: CurvePoint[];
}

export interface InsertOp {
  op: "insert";
  path: string;
  item: Record<string, Value>;
  before?: string | null;
}

export interface JobCancel {
  type: "job_cancel";
  job: string;
}

export interface JobInfo {
  type: "job";
  id: string | null;
  job: string;
  kind: JobKind;
  state: JobState;
  done: number;
  total: number;
  seconds_left: number | null;
  message: string;
  files: string[];
  result: Value;
}

export interface JobStart {
  type: "job_start";
  id: string;
  kind: JobKind;
  options?: Record<string, Value>;
}

export interface Kept {
  type: "kept";
}

export interface KeptTake {
  id: number;
  name: string;
  at: string;
  verdict: string;
  score: number;
  note: string;
  open: boolean;
  reason: string;
  remedy: string;
  values: Record<string, number | null>;
}

export interface Key {
  frame: number;
  value: number;
}

export interface Keys {
  keys: Key[];
  between: "hold" | "linear" | "smooth";
}

export interface Levels {
  clear_below: number | Keys;
  solid_above: number | Keys;
}

export interface LightWrap {
  amount: number | Keys;
  reach_px: number | Keys;
}

export interface Link {
  type: "link";
  id: string;
  role: Role;
  url: string;
  qr: string;
}

export interface LinkAsk {
  type: "link";
  id: string;
  role?: Role;
}

export interface Look {
  exposure_stops: number | Keys;
  display: string;
  view: string;
  looks: string;
  lut_path: string;
  cdl_slope: RGB;
  cdl_offset: RGB;
  cdl_power: RGB;
  cdl_saturation: number;
}

export interface MapPicture {
  name: "evenness" | "alpha_noise";
  title: string;
  unit: string;
  low: number;
  high: number;
  png: string;
  width: number;
  height: number;
}

export interface MeasureLine {
  title: string;
  value: string;
  limits: string;
  state: string;
}

export interface Media {
  type: "media";
  id: string;
  root: string;
  under: string;
  entries: MediaEntry[];
}

export interface MediaAsk {
  type: "media";
  id: string;
  root?: string;
  under?: string;
}

export interface MediaEntry {
  name: string;
  label: string;
  kind: "folder" | "still" | "sequence" | "movie";
  first: number | null;
  last: number | null;
}

export interface MoveOp {
  op: "move";
  path: string;
  before?: string | null;
}

export interface Noise {
  gain: RGB;
  offset: RGB;
  correlation: RGB;
}

export interface Note {
  note: string;
  frame: number;
  x: number;
  y: number;
  text: string;
  by: string;
  device: string;
  role: Role;
  at: number;
  done: boolean;
}

export interface NoteAdd {
  type: "note_add";
  frame: number;
  x: number;
  y: number;
  text: string;
}

export interface NoteChanged {
  type: "note";
  note: Note;
}

export interface NoteEdit {
  type: "note_edit";
  note: string;
  text?: string | null;
  done?: boolean | null;
}

export interface NoteGone {
  type: "note_gone";
  note: string;
}

export interface NoteRemove {
  type: "note_remove";
  note: string;
}

export interface People {
  type: "people";
  people: Person[];
}

export interface Person {
  client: string;
  name: string;
  role: Role;
  following: boolean;
  hidden: boolean;
  frame: number;
}

export interface Ping {
  type: "ping";
  t: number;
}

export interface PlateDifference {
  id: string;
  name: string;
  on: boolean;
  role: "core" | "edge";
  combine: CombineName | null;
  strength: number | Keys;
  inverted: boolean;
  key_from: "plate" | "denoised";
  shapes: Shape[];
  refine: Refine;
  kind: "plate_difference";
  space: "linear" | "log";
  norm: "largest" | "euclidean" | "delta_e_2000";
  relative: boolean;
  floor_in: "value" | "sigma";
  floor: number | Keys;
  full: number | Keys;
}

export interface Playhead {
  type: "playhead";
  frame: number;
  playing: boolean;
  direction: 1 | -1;
  fps: number;
  loop: "loop" | "once" | "back_and_forth";
  first: number;
  last: number;
  dropped: number;
  own: boolean;
}

export interface Pong {
  type: "pong";
  t: number;
  server_time: number;
}

export interface Problem {
  type: "error";
  code: "protocol" | "role" | "invalid" | "missing" | "rate" | "revoked" | "media" | "job" | "server" | "superseded";
  message: string;
  about: string;
  fatal: boolean;
}

export interface ProtectEdges {
  distance_px: number | Keys;
  amount: number | Keys;
}

export interface Reason {
  measure: string;
  title: string;
  value: number;
  unit: string;
  threshold: number;
  severity: number;
  weight: number;
  text: string;
  remedy: string;
  source: string;
  box: Box | null;
}

export interface Recipe {
  format: "verdigris-recipe";
  version: number;
  name: string;
  source: Source;
  screen: Screen;
  extractors: Extractor[];
  garbage: Shape[];
  keep_solid: Shape[];
  refine: Refine;
  despill: DespillPass[];
  assemble: Assemble;
  look: Look;
  notes: Record<string, string>;
}

export interface RecipeLoad {
  type: "recipe_load";
  id: string;
  name?: string | null;
  history?: number | null;
}

export interface RecipeSaveAs {
  type: "recipe_save_as";
  id: string;
  name: string;
}

export interface Recipes {
  type: "recipes";
  id: string;
  saved: SavedRecipe[];
  history: HistoryEntry[];
}

export interface RecipesAsk {
  type: "recipes";
  id: string;
}

export interface Redo {
  client_seq: number;
  type: "redo";
}

export interface Refine {
  despeckle: Despeckle;
  guide: Guide;
  levels: Levels;
  protect_edges: ProtectEdges;
  choke_px: number | Keys;
  soften_px: number | Keys;
}

export interface Refused {
  type: "refused";
  client_seq: number;
  revision: number;
  reason: "conflict" | "invalid" | "role" | "nothing" | "locked";
  message: string;
  current: Change[];
}

export interface RemoveOp {
  op: "remove";
  path: string;
}

export interface Reset {
  type: "reset";
}

export interface Revoke {
  type: "revoke";
  device?: string | null;
  role?: Role | null;
}

export interface Sample {
  type: "sample";
  id: string;
  name?: ViewName;
  extractor?: string;
  frame?: number | null;
  box: Box;
}

export interface Sampled {
  type: "sampled";
  id: string;
  name: string;
  extractor: string;
  frame: number;
  revision: number;
  box: Box;
  pixels: number;
  linear: RGB;
  low: RGB;
  high: RGB;
  log: RGB;
  code: RGB | null;
  code_bits: number | null;
  display: RGB;
  hue_deg: number;
  saturation: number;
  luminance: number;
  alpha: number | null;
}

export interface SavedRecipe {
  name: string;
  at: number;
}

export interface Scope {
  type: "scope";
  sequence: number;
  name: string;
  extractor: string;
  frame: number;
  revision: number;
  kinds: ScopeKind[];
  histogram: Histogram | null;
  waveform: Density | null;
  vectorscope: Density | null;
  targets: Target[];
  hues: Density | null;
  hue_counts: number[];
}

export interface Scopes {
  type: "scopes";
  kinds: ScopeKind[];
  name?: ViewName;
  extractor?: string;
}

export interface Screen {
  primary: "red" | "green" | "blue";
  colour: RGB;
  clean_plate: "none" | "file";
  clean_plate_path: string;
  clean_plate_colourspace: string;
  noise: Noise;
}

export interface ScreenLight {
  shapes: Shape[];
  shadows: number | Keys;
  light: number | Keys;
  blur_px: number | Keys;
}

export interface Separate {
  type: "separate";
  id: string;
  frame?: number | null;
  box_a: Box;
  box_b: Box;
}

export interface Separated {
  type: "separated";
  id: string;
  frame: number;
  channels: ChannelSeparation[];
  suggestion: Record<string, Value>;
}

export interface SetOp {
  op: "set";
  path: string;
  value: Value;
}

export interface Shape {
  id: string;
  name: string;
  on: boolean;
  kind: "polygon" | "curve" | "rectangle" | "ellipse";
  poses: ShapePose[];
  feather_px: number | Keys;
  inverted: boolean;
}

export interface ShapePose {
  frame: number;
  points: [number, number][];
}

export interface ShotInfo {
  name: string;
  kind: "still" | "sequence" | "movie";
  width: number;
  height: number;
  pixel_aspect: number;
  fps: number;
  first: number;
  last: number;
  missing: number[];
  colourspace: string;
  colourspace_decided: string;
  remarks: string[];
  bits: number | null;
  chroma: string | null;
}

export interface ShotOpen {
  type: "shot_open";
  id: string;
  shot: string;
  keep_recipe?: boolean;
}

export interface ShowSent {
  type: "show";
  port?: 0 | 1;
  view_id?: number;
  name?: ViewName;
  extractor?: string;
  channel?: Channel;
  stress?: StressRequestSent;
  region?: Box | null;
  width?: number;
  wipe?: WipeSent | null;
}

export interface Show {
  type: "show";
  port: 0 | 1;
  view_id: number;
  name: ViewName;
  extractor: string;
  channel: Channel;
  stress: StressRequest;
  region: Box | null;
  width: number;
  wipe: Wipe | null;
}

export interface Source {
  colourspace: string;
  plate_alpha: "ignore" | "use";
  pixel_aspect: number | null;
  chroma: "4:4:4" | "4:2:2" | "4:2:0";
  denoised_path: string;
  denoised_colourspace: string;
  denoise: Denoise;
}

export interface State {
  revision: number;
  recipe: Recipe;
  undo: string | null;
  redo: string | null;
  shot: ShotInfo;
  engine: EngineInfo;
  playhead: Playhead;
  people: Person[];
  devices: Device[];
  notes: Note[];
  cached: [number, number][];
  jobs: JobInfo[];
  watched: WatchedShot[];
  following: Show[];
  colour: ColourInfo;
  roots: string[];
  views: ViewInfo[];
}

export interface StateAgain {
  type: "state";
  state: State;
}

export interface Status {
  type: "status";
  engine: EngineInfo;
  timing: Record<string, number>;
  store: Record<string, number>;
  message: string;
}

export interface StressRequestSent {
  preset?: "off" | "screen" | "core";
  gain?: number;
  gamma?: number;
}

export interface StressRequest {
  preset: "off" | "screen" | "core";
  gain: number;
  gamma: number;
}

export interface TakeMeasure {
  name: string;
  title: string;
  unit: string;
  rising: boolean;
  work: number;
  relight: number | null;
}

export interface TakeNote {
  type: "take_note";
  id: string;
  take: number;
  text: string;
  seen?: string | null;
}

export interface Target {
  name: string;
  level: number;
  cb: number;
  cr: number;
}

export interface Transport {
  type: "transport";
  frame?: number | null;
  step?: number | null;
  playing?: boolean | null;
  direction?: 1 | -1 | null;
  fps?: number | null;
  loop?: "loop" | "once" | "back_and_forth" | null;
  first?: number | null;
  last?: number | null;
}

export interface Undo {
  client_seq: number;
  type: "undo";
}

export interface Unmix {
  id: string;
  name: string;
  on: boolean;
  role: "core" | "edge";
  combine: CombineName | null;
  strength: number | Keys;
  inverted: boolean;
  key_from: "plate" | "denoised";
  shapes: Shape[];
  refine: Refine;
  kind: "unmix";
  reach_px: number | Keys;
  shading: number | Keys;
  solidity: number | Keys;
  noise_trust: number | Keys;
  clean_error: number | Keys;
  screen_level: number | Keys;
  see_through_colour: RGB | null;
}

export interface Unshow {
  type: "unshow";
  port: 0 | 1;
}

export interface ValueBand {
  id: string;
  name: string;
  on: boolean;
  role: "core" | "edge";
  combine: CombineName | null;
  strength: number | Keys;
  inverted: boolean;
  key_from: "plate" | "denoised";
  shapes: Shape[];
  refine: Refine;
  kind: "value_band";
  space: "linear" | "log";
  channel: "red" | "green" | "blue" | "luminance" | "largest" | "smallest" | "saturation";
  low_out: number | Keys | null;
  low_in: number | Keys | null;
  high_in: number | Keys | null;
  high_out: number | Keys | null;
}

export interface Verdict {
  name: "keyable" | "keyable with work" | "relight" | "no screen found";
  score: number;
  reasons: Reason[];
  caution: string;
}

export interface ViewInfo {
  name: ViewName;
  title: string;
  help: string;
  signal: boolean;
  marks: string[];
  scale: string;
}

export interface Watched {
  type: "watched";
  shots: WatchedShot[];
}

export interface WatchedShot {
  shot: string;
  name: string;
  at: number;
  frames: number;
  open: boolean;
  ready: boolean;
  verdict: string;
  problem: string;
}

export interface Welcome {
  type: "welcome";
  protocol: number;
  you: You;
  state: State;
}

export interface WholeTake {
  take: KeptTake;
  verdict: Verdict;
  sampling: string;
  frame: number | null;
  thumbnail: string;
  maps: MapPicture[];
  lines: MeasureLine[];
  facts: [string, string][];
}

export interface WipeSent {
  edge?: "vertical" | "horizontal";
  at?: number;
}

export interface Wipe {
  edge: "vertical" | "horizontal";
  at: number;
}

export interface Write {
  client_seq: number;
  type: "write";
  seen: number;
  ops: (SetOp | InsertOp | RemoveOp | MoveOp)[];
  label?: string;
  moving?: boolean;
  gesture?: string;
}

export interface You {
  client: string;
  device: string;
  name: string;
  role: Role;
}

export type Extractor =
  | ValueBand
  | HueBand
  | PlateDifference
  | ColourDifference
  | ChromaDistance
  | Unmix;

export type ClientMessage =
  | Hello
  | Write
  | Undo
  | Redo
  | ShowSent
  | Unshow
  | Ack
  | Hidden
  | Reset
  | Follow
  | Transport
  | Sample
  | Separate
  | Scopes
  | AckScopes
  | NoteAdd
  | NoteEdit
  | NoteRemove
  | RecipesAsk
  | RecipeSaveAs
  | RecipeLoad
  | MediaAsk
  | JobStart
  | JobCancel
  | ShotOpen
  | TakeNote
  | LinkAsk
  | Revoke
  | Ping;

export type ServerMessage =
  | Welcome
  | StateAgain
  | Accepted
  | Refused
  | Changed
  | Playhead
  | Following
  | People
  | Devices
  | NoteChanged
  | NoteGone
  | Cached
  | Status
  | Sampled
  | Separated
  | Scope
  | Recipes
  | Media
  | JobInfo
  | Watched
  | Kept
  | Link
  | Done
  | Pong
  | Problem;

export interface Answers {
  sample: Sampled;
  separate: Separated;
  recipes: Recipes;
  recipe_save_as: Recipes;
  recipe_load: Done;
  media: Media;
  job_start: JobInfo;
  shot_open: Done;
  take_note: Done;
  link: Link;
}
