/** Every English word of the page, in one place. */

export const W = {
  product: "evenfield",
  head: {
    back: "Back", forth: "Forth", backTitle: "Undo the last change (Ctrl+Z)", forthTitle: "Do it again (Ctrl+Y)",
    solve: "Solve in full", stop: "Stop", history: "History", help: "Keys", light: "Light", dark: "Dark", system: "As the system",
    report: "Print the report", look: "Light or dark", design: "Design file", none: "No design is open",
    revision: (n: number) => `Revision ${n}`,
    isSolved: "solved in full", notSolved: "not solved in full yet",
    rest: "solve at rest", restTitle: "Solve in full by itself when the design rests", left: (s: string) => `${s} left`, of: (a: number, b: number) => `${a} of ${b}`,
    saved: "written to the file",
  },
  link: {
    connecting: "Looking for the server…",
    lost: "The server does not answer. Nothing is lost; the page tries again.",
    back: "The server is back.",
    refused: "This page has no key to the server. Open it with the address that evenfield open prints.",
  },
  rail: {
    title: "The design", more: (n: number) => `${n} more`, fewer: "Fewer", find: "Find a quantity", least: "at least", most: "at most",
    step: (label: string, up: boolean) => `${label}: one step ${up ? "up" : "down"}`,
    use: (text: string) => `Use ${text}`, keep: "Keep as it was", pull: "Pull sideways to change", unset: "not set",
    broken: (line: number | null | undefined) => `The file on disk cannot be read${line ? ` (line ${line})` : ""}. Shown: its last good state; changes wait until it is mended.`,
    never: (line: number | null | undefined) => `The file cannot be read${line ? ` (line ${line})` : ""}. It is shown once it is mended.`,
    gone: "The file is gone from the disk. Shown: its last good state.",
    groups: {
      brief: "Brief", ways: "Ways", waveguide: "Waveguide", cabinet: "Cabinet", filters: "Filters", motor: "Motor", rooms: "Rooms", other: "Further",
    } as Record<string, string>,
  },
  drawing: {
    title: "Pull at it", views: { side: "Side", front: "Front", solid: "Solid" } as Record<string, string>,
    viewsLabel: "View of the drawing", none: "No drawing yet.", hint: "Pull a diamond, or choose it with Tab and press the arrow keys.",
    solidLabel: "The body in three dimensions; arrow keys turn it", scale: (mm: number) => `${mm} mm`, loading: "Fetching the solid view…",
    noWebgl: "This browser draws no solids (WebGL is off).", solidNone: "No body yet: it is drawn when the design is at rest.", laid: (n: number) => `revision ${n}`,
  },
  ask: {
    title: "Ask", label: "Questions",
    questions: {
      handover: "Does one way hand over to the next?",
      polar: "What goes out, where?",
      curves: "How even is it, on and off the axis?",
      directivity: "How does it gather the sound?",
      beamwidth: "How wide is it?",
      ways: "What does each way give?",
      filters: "What is each way fed?",
      impedance: "What does the amplifier see?",
      movement: "How far do the cones move?",
      limits: "How loud, and what stops it?",
      step: "How does it start?",
      decay: "How does it fall silent?",
      delay: "Does all of it come at once?",
      fan: "What will rooms make of it?",
      causes: "Why do rooms differ?",
      harmonics: "How does it distort?",
      motor: "How even are motor and spring?",
      loudest: "How loud when driven hard?",
      measured: "What was measured?",
      verdict: "Does it meet the brief?",
      cost: "What does it cost?",
      facts: "What is it made of?",
      changes: "What did this change do?",
    } as Record<string, string>,
    short: {
      handover: "Handover", polar: "Where", curves: "Even?", directivity: "DI", beamwidth: "Width", ways: "Each way", filters: "Feed",
      impedance: "Load", movement: "Movement", limits: "Loudness", step: "Start", decay: "Silence", delay: "Delay", fan: "Rooms", causes: "Why rooms", harmonics: "Distortion", motor: "Motor",
      loudest: "Driven hard", measured: "Measured", verdict: "Brief", cost: "Cost", facts: "Made of", changes: "This change",
    } as Record<string, string>,
  },
  answer: {
    keep: "Keep on the sheet", kept: "Kept; the next question takes another place", away: "Put away", larger: "Larger", smaller: "Smaller",
    wider: "Wider", narrower: "Narrower", taller: "Taller", lower: "Lower", earlier: "Earlier", later: "Later", tools: "More for this picture",
    waiting: "Waiting for the first answer…", mend: "Nothing to show until the file can be read.",
    current: (n: number) => `revision ${n}`, old: (n: number, now: number) => `revision ${n}, not the current ${now}`,
    laid: (list: string) => `laid over: ${list}`, wish: (n: number) => `pulled from ${n}`, provisional: "provisional",
    models: { "axisymmetric difference": "round model", circuit: "circuits", filters: "filters", phase: "phase only" } as Record<string, string>,
    on: (n: number) => `on ${n}`,
    band: (low: string, high: string, count: number | null) => `${low}–${high}${count ? `, ${count} points` : ""}`,
    exact: "exact, at twelfth octaves", difference: (n: number) => `difference from revision ${n}`,
    show: "Show", values: "values", span: "Span", shift: { up: "Raise", down: "Lower" }, auto: "as suggested", panels: "Panels",
    svg: "Save as SVG", png: "Save as PNG", csv: "Save data as CSV", copy: "Copy as table", copied: "Copied as a table.", whole: "Whole axis",
    saved: (name: string) => `Saved ${name}.`, readings: "Arrow keys move the ruler; plus and minus zoom, 0 shows all.",
    figures: {
      step_db: "Step", mismatch_db: "Mismatch", pattern_db: "Pattern", "ratio-horizontal": "Widths ↔", "ratio-vertical": "↕",
      "ratio-diagonal": "⤢", lobing_rms_db: "Lobing",
    } as Record<string, string>,
    option: {
      of: "of", plane: "plane", normalise: "relative to", smoothing: "smoothing", pair: "pair", ensemble: "rooms", way: "way", measured: "set",
    } as Record<string, string>,
    choice: {
      none: "level as it is", axis: "re the axis", window: "re listening window", "0": "not smoothed", "24": "1/24 octave", "12": "1/12 octave",
      "6": "1/6 octave", "3": "1/3 octave", system: "together", horizontal: "horizontal", vertical: "vertical", diagonal: "45°",
    } as Record<string, string>,
    pairChoice: (n: number) => `${n + 1}`,
    start: { rooms: "Reckon the rooms", motors: "Solve the motors", filters: "Fit the filters", solve: "Solve in full" } as Record<string, string>,
    group: { met: "met", "not met": "not met", "not judged": "not judged" } as Record<string, string>,
    state: "State", foundIn: (n: number) => `Found in ${n}`,
    below: "below", target: "target", crossover: (f: string) => `Crossover at ${f}; arrow keys move it`, fixed: "cannot be moved here",
  },
  history: {
    title: "History", close: "Close", pin: (n: number) => `Lay revision ${n} over the pictures`, layOver: "lay over", goto: "Make current",
    note: "Note", noteFor: (n: number) => `Note on revision ${n}`, current: "current", solved: "solved", unsolved: "not solved",
    compare: "What it did", empty: "No revisions yet.", none: "Lay none over", limit: "Eight at most are laid over; take one off first.",
  },
  changes: {
    from: "from", to: "to", what: "Changed", before: "Before", after: "After", lines: "Verdict", numbers: "Figures", none: "Nothing changed.",
    verdicts: { gained: "gained", lost: "lost", better: "better", worse: "worse", same: "as before", new: "new", gone: "gone" } as Record<string, string>,
    need: "There is only one revision yet: change something.",
    hidden: (n: number) => `${n} verdict lines as before`,
  },
  work: {
    solve: "full solve", rooms: "rooms", motors: "motors", filters: "filter fit", running: "running", waiting: "waits", stopping: "stopping…", stopped: "stopped",
    done: "done", failed: "failed", again: "Go on", title: "Work",
  } as Record<string, string>,
  conflict: {
    title: "Changed in two places", words: "The file was changed on disk while a value was changed here. Nothing was written. Which shall stand?",
    disk: "What the disk says", page: "What was typed here", here: "Changed here", there: "Changed on disk",
  },
  proposal: {
    title: "Proposed filters", adopt: "Take them over", leave: "Leave them", none: "The fit proposes nothing else.",
  },
  report: (names: string) => `The report: ${names}`,
  list: { add: "Add a section", out: (n: number) => `Take section ${n} out`, first: "{kind: peaking, frequency: 1 kHz, gain: 0 dB, q: 1}" },
  drop: {
    here: "Drop a measured set (SOFA, CSV, WAV) to see it beside the prediction", big: (name: string, mb: number) => `${name} is larger than the ${mb} MB that are accepted; it was not read.`,
    kind: (name: string) => `${name}: a SOFA, CSV, NetCDF or WAV file is expected.`, reading: (name: string) => `Reading ${name}…`,
    added: (name: string) => `${name} stands beside the prediction.`, forget: "Take off the table", failed: (name: string, why: string) => `${name}: ${why}`,
  },
  keys: {
    title: "Keys", list: [
      ["Ctrl+Z, Ctrl+Y", "back, forth"], ["/", "find a quantity"], ["H", "history"], ["Arrow up, down in a field", "one step; with Shift ten, with Alt a tenth"],
      ["Enter, Escape in a field", "take the value; leave it as it was"], ["Arrows on a diamond", "pull it"],
      ["Arrows on a picture", "move the ruler"], ["+  −  0 on a picture", "zoom in, out, show all"], ["?", "this list"],
    ],
  },
  time: { s: "s", min: "min" },
};

export function duration(seconds: number | null | undefined): string {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return "";
  return seconds < 90 ? `${Math.ceil(seconds)} ${W.time.s}` : `${Math.round(seconds / 60)} ${W.time.min}`;
}
