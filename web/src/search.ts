/** Looking for a shape: the aim, a first cut by rule or a search, every step as it is found, and the result, offered. */

import type { Desk } from "./desk";
import { clear, h, s } from "./dom";
import type { Change, Job, Proposal, SearchKept, SearchStep } from "./messages";
import { duration, W } from "./words";

const WORKS = ["search", "first-cut"];
const AIMS = ["horizontal", "vertical", "low", "high"] as const;
const MEASURES = ["step_db", "mismatch_db", "pattern_db", "coverage_db", "ripple_db"] as const;

export class SearchView {
  readonly element = h("div", { class: "table search", tabindex: "0", role: "group", "aria-label": W.ask.questions["search"]! });
  drawnMs = 0;
  private fields = new Map<string, HTMLInputElement | HTMLSelectElement>();
  private form = h("form", { class: "aims" });
  private acts = h("div", { class: "acts" });
  private state = h("p", { class: "caption" });
  private found = h("div", { class: "found" });
  private offer = h("div", { class: "offer" });
  private kept: SearchKept | null = null;
  private asked = "";
  private prefilled = "";
  private before = new Map<string, string>();
  private undo: (() => void)[];

  constructor(private desk: Desk) {
    this.build();
    this.element.append(this.form, this.acts, this.state, this.offer, this.found);
    this.undo = [desk.worked.on(() => this.worked()), desk.searched.on((step) => this.take(step))];
  }

  close(): void {
    for (const undo of this.undo) undo();
  }
  resize(): void {}
  whole(): void {}
  show(): void {}
  readings(): string {
    return "";
  }

  get stamp(): string {
    const number = this.kept?.steps.length ? this.kept.revision : null;
    return number === null || number === undefined ? "" : W.search.from(number);
  }

  /** Ask again when another design, or another revision, is open. */
  renew(): void {
    const key = `${this.desk.state?.design}|${this.desk.state?.revision}`;
    this.prefill();
    if (key === this.asked) return this.worked();
    this.asked = key;
    void this.ask();
  }

  private async ask(): Promise<void> {
    try {
      const frame = await this.desk.link.ask({ type: "search" });
      if (frame.header.type !== "search") return;
      this.kept = frame.header as unknown as SearchKept;
      this.draw();
      this.worked();
      for (const work of WORKS) if (await this.propose(work)) return;
    } catch {
      this.asked = "";
    }
  }

  // --- the aim ---

  private build(): void {
    const field = (name: string, words: string, attributes: Record<string, string> = {}) => {
      const input = h("input", { name, size: "9", autocomplete: "off", ...attributes });
      this.fields.set(name, input);
      return h("label", {}, `${words} `, input);
    };
    const way = h("select", { name: "way" });
    this.fields.set("way", way);
    const cut = h("input", { type: "checkbox", name: "first_cut" });
    this.fields.set("first_cut", cut);
    this.form.append(
      h("label", {}, `${W.search.way} `, way),
      ...AIMS.map((name) => field(name, W.search.aims[name]!)),
      field("further", W.search.further, { size: "18", placeholder: W.search.furtherExample }),
      field("hold", W.search.hold, { size: "12", placeholder: W.search.holdExample }),
      field("starts", W.search.starts, { type: "number", min: "1", max: "20", value: "3" }),
      field("minutes", W.search.minutes, { type: "number", min: "1", max: "1440", step: "any", value: "15" }),
      field("rounds", W.search.rounds, { type: "number", min: "0", max: "20", value: "3", title: W.search.roundsWhy }),
      h("label", {}, cut, ` ${W.search.cutFirst}`),
    );
    this.form.addEventListener("submit", (event) => event.preventDefault());
  }

  /** The brief's own coverage stands in the fields until something else is typed. */
  private prefill(): void {
    const { state } = this.desk;
    if (!state) return;
    const texts = AIMS.map((name) => this.desk.field(`brief.coverage.${name}`)).map((f) => f?.text || f?.default || "");
    const ways = state.ways.filter((w) => state.sections.some((sec) => sec.way === w && sec.fields.some((f) => f.path.startsWith(`ways.${w}.waveguide.`))));
    const key = JSON.stringify([state.design, texts, ways]);
    if (key === this.prefilled) return;
    this.prefilled = key;
    AIMS.forEach((name, i) => ((this.fields.get(name) as HTMLInputElement).value = texts[i]!));
    const listed = ways.length ? ways : state.ways;
    clear(this.fields.get("way")!, ...listed.map((w, i) => h("option", { value: w, selected: i === listed.length - 1 }, w)));
  }

  private options(): Record<string, unknown> {
    const value = (name: string) => this.fields.get(name)!.value.trim();
    const aim = [...AIMS.filter((n) => value(n)).map((n) => `${n}=${value(n)}`), value("further")].filter(Boolean).join(", ");
    const hold = value("hold").split(",").map((v) => v.trim()).filter(Boolean);
    const first = (this.fields.get("first_cut") as HTMLInputElement).checked;
    return { aim, way: value("way"), hold, starts: Number(value("starts")) || 3, minutes: Number(value("minutes")) || 15, rounds: Number(value("rounds")) || 0, first_cut: first };
  }

  // --- the work ---

  private get job(): Job | undefined {
    return this.desk.jobs.find((j) => WORKS.includes(j.work) && j.design === this.desk.state?.design);
  }

  private start(work: string, options: object, revision = this.desk.state?.revision): void {
    clear(this.offer);
    this.desk.answer({ type: "start", work, options, revision }).then((refused) => refused && (this.state.textContent = refused.text)).catch(() => null);
  }

  private worked(): void {
    const job = this.job;
    const busy = job && ["waiting", "running", "stopping"].includes(job.state);
    const button = (words: string, act: () => void, off = false) => h("button", { type: "button", disabled: off, click: act }, words);
    const kept = this.kept;
    const stopped = !busy && kept && kept.steps.length > 0 && !kept.ended && kept.revision !== null;
    const again = (extra: object) => this.start("search", { ...kept!.options, ...extra }, kept!.revision ?? undefined);
    const focused = this.acts.contains(document.activeElement);
    clear(
      this.acts,
      busy ? button(W.head.stop, () => this.desk.tell({ type: "stop", job: job.job }), job.state === "stopping") : button(W.search.cut, () => this.start("first-cut", this.options())),
      busy ? null : button(W.search.go, () => this.start("search", this.options())),
      stopped ? button(W.search.on, () => again({ minutes: Math.max(Number(kept.options["minutes"] ?? 15), Number(this.options()["minutes"])) })) : null,
      stopped ? button(W.search.take, () => again({ take: true })) : null,
    );
    if (focused) this.acts.querySelector<HTMLElement>("button")?.focus();
    this.say(job, Boolean(busy), Boolean(stopped));
    if (job) this.ended(job);
  }

  private say(job: Job | undefined, busy: boolean, stopped: boolean): void {
    const left = duration(job?.left_s);
    if (job && busy) this.state.textContent = [W.work[job.work], job.state === "running" ? job.what : W.work[job.state], left ? W.head.left(left) : ""].filter(Boolean).join(", ");
    else if (job?.state === "failed") this.state.textContent = `${W.work["failed"]}: ${job.error ?? ""}`;
    else if (stopped) this.state.textContent = W.search.stopped(this.kept!.steps.length);
    else this.state.textContent = W.search.words;
  }

  /** A search that went on takes up what it had; one that ended offers what it found. */
  private ended(job: Job): void {
    const was = this.before.get(job.job);
    this.before.set(job.job, job.state);
    if (job.state === "running" && was !== "running" && job.work === "search") this.asked = "";
    if (was && was !== job.state && ["done", "stopped", "failed"].includes(job.state)) {
      void this.ask().then(() => job.state === "done" && this.propose(job.work, job.revision));
    }
  }

  private take({ step, job }: { step: SearchStep; job: string }): void {
    if (this.job?.job !== job) return;
    const fresh = step.stage === "coarse" && step.start === 0 && step.number === 0 ? [] : (this.kept?.steps ?? []);
    const options = this.kept?.options ?? {};
    this.kept = { revision: this.job.revision, options: { ...options, ...this.job.options }, ended: false, steps: [...fresh, step] };
    this.draw();
  }

  // --- what was found ---

  private draw(): void {
    const begin = performance.now();
    const steps = this.kept?.steps ?? [];
    if (!steps.length) return clear(this.found);
    const keys = MEASURES.filter((k) => steps.some((st) => st.measures[k] !== undefined));
    const names = steps.map((st) => `${W.search.stage[st.stage] ?? st.stage} ${st.start + 1}.${st.number}`);
    const best = bestOf(steps);
    const rows = steps.map((st, i) =>
      h("tr", { "data-state": st === best ? "better" : "" }, h("th", { scope: "row" }, names[i]!), h("td", { class: "right" }, valueOf(st)),
        ...keys.map((k) => h("td", { class: "right" }, st.measures[k]?.toFixed(2) ?? "")), h("td", {}, st.taken ? (st === best ? W.search.best : "") : W.search.notTaken)));
    const head = h("tr", {}, h("th", { scope: "col" }, W.search.step), h("th", { scope: "col", class: "right" }, W.search.objective),
      ...keys.map((k) => h("th", { scope: "col", class: "right" }, W.search.measures[k]!)), h("td", {}, h("span", { class: "unseen" }, W.answer.state)));
    clear(this.found, h("div", { class: "pair" }, sectionOf(steps[0]!, best), fallOf(steps.filter((st) => st.stage !== "close"))), h("table", {}, h("thead", {}, head), h("tbody", {}, ...rows.reverse())));
    this.drawnMs = performance.now() - begin;
  }

  private async propose(work: string, revision?: number): Promise<boolean> {
    const frame = await this.desk.link.ask({ type: "proposal", work, quiet: true, ...(revision ? { revision } : {}) }).catch(() => null);
    if (frame?.header.type !== "proposal") return false;
    const found = frame.header as unknown as Proposal & { none?: boolean };
    if (found.none || !found.what.length) return false;
    const now = this.desk.state?.revision ?? found.revision;
    const adopt = () => this.desk.answer({ type: "adopt", work, revision: found.revision }).then((refused) => (refused ? (this.state.textContent = refused.text) : clear(this.offer)));
    clear(
      this.offer,
      h("h3", {}, work === "search" ? W.search.offer : W.search.offerCut),
      h("div", { class: "acts" }, h("button", { type: "button", class: "adopt", click: () => void adopt().catch(() => null) }, W.search.adopt), h("button", { type: "button", click: () => clear(this.offer) }, W.search.leave)),
      found.revision !== now ? h("p", { class: "warning" }, W.search.older(found.revision, now)) : null,
      h("details", { open: work !== "search" }, h("summary", {}, W.search.why), h("ul", {}, ...found.words.map((w) => h("li", {}, w)), ...(found.notes ?? []).map((w) => h("li", {}, w)))),
      h("table", {}, h("thead", {}, h("tr", {}, ...[W.changes.what, W.changes.before, W.changes.after].map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, ...found.what.map(rowOf))),
    );
    return true;
  }
}

function rowOf(c: Change): HTMLElement {
  return h("tr", {}, h("th", { scope: "row" }, c.label), h("td", {}, c.before || "–"), h("td", {}, c.after || "–"));
}

/** The closing counts in targets, the stages before it in the objective: the best is of the last that is there. */
function bestOf(steps: SearchStep[]): SearchStep {
  const closing = steps.filter((st) => st.stage === "close" && st.taken);
  return (closing.length ? closing : steps.filter((st) => st.stage !== "close")).reduce((a, b) => (b.value < a.value ? b : a));
}

function valueOf(st: SearchStep): string {
  return st.stage === "close" ? W.search.ofLimit(st.value.toFixed(2)) : st.value.toFixed(3);
}

/** The section now, over that of the first step. */
function sectionOf(first: SearchStep, best: SearchStep): SVGElement {
  const points = [...first.section, ...best.section].flat();
  if (!points.length) return s("svg", { class: "section" });
  const [xs, ys] = [points.map((p) => p[0]!), points.map((p) => p[1]!)];
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const d = (lines: number[][][]) => lines.map((line) => line.map(([x, y], i) => `${i ? "L" : "M"}${x!.toFixed(1)} ${(-y!).toFixed(1)}`).join("")).join("");
  const pad = 4;
  return s("svg", { class: "section", role: "img", "aria-label": W.search.section, viewBox: `${x0 - pad} ${-y1 - pad} ${x1 - x0 + 2 * pad} ${y1 - y0 + 2 * pad}`, preserveAspectRatio: "xMidYMid meet" },
    s("path", { class: "line ghost", d: d(first.section) }), s("path", { class: "line", d: d(best.section) }));
}

/** The objective, step by step; a ring marks a step that was not taken. */
function fallOf(steps: SearchStep[]): SVGElement {
  const [width, height, left] = [320, 120, 40];
  const values = steps.map((st) => st.value);
  const [low, high] = [Math.min(...values), Math.max(...values, Math.min(...values) + 1e-6)];
  const x = (i: number) => left + ((width - left - 8) * (steps.length > 1 ? i / (steps.length - 1) : 0.5));
  const y = (v: number) => 10 + (height - 30) * (1 - (v - low) / (high - low));
  const parts: SVGElement[] = [];
  steps.forEach((st, i) => {
    const before = steps[i - 1];
    if (before && before.stage === st.stage && before.start === st.start) parts.push(s("path", { class: "line", d: `M${x(i - 1)} ${y(before.value)}L${x(i)} ${y(st.value)}` }));
    parts.push(s("circle", { cx: x(i), cy: y(st.value), r: 3, class: st.taken ? "dot" : "dot ring" }));
    if (!before || before.stage !== st.stage || before.start !== st.start) parts.push(s("text", { x: x(i), y: height - 4, class: "view-name", "text-anchor": i ? "middle" : "start" }, `${W.search.stage[st.stage] ?? st.stage} ${st.start + 1}`));
  });
  parts.push(s("text", { x: left - 6, y: y(high) + 4, class: "view-name", "text-anchor": "end" }, high.toFixed(2)), s("text", { x: left - 6, y: y(low) + 4, class: "view-name", "text-anchor": "end" }, low.toFixed(2)));
  return s("svg", { class: "fall", role: "img", "aria-label": W.search.fall(high.toFixed(2), values[values.length - 1]!.toFixed(2)), viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "xMidYMid meet" }, ...parts);
}
