/** Curve pictures: panels one under the other over one axis, drawn by uPlot; other revisions laid over. */

import uPlot from "uplot";
import { clear, h, once } from "./dom";
import type { Picture, Shown } from "./desk";
import { ink, inked, laid, strokeOf, wayColour, type Stroke } from "./ink";
import type { Axis, Panel } from "./messages";
import { angleTicks, at, hertz, isLabelled, isWrap, linearTicks, logTicks, reading, ruler, tickLabel } from "./scale";
import { differenceOf } from "./difference";
import { LaidLayer, type LaidCurve } from "./layer";
import { sample } from "./swatch";

export interface Look {
  /** Full height of the level axis in dB; 0: as suggested. */
  span: number;
  shift: number;
  hidden: Set<string>;
  /** A revision that is taken off all curves. */
  less: number | null;
}

interface Curve {
  label: string;
  revision: number;
  stroke: Stroke;
}

type Column = (number | null | undefined)[];

const LEAST_PANEL = 48;
const AXIS_LEFT = 50;
const AXIS_BELOW = 24;

export class PanelsView {
  readonly element = h("div", { class: "panels", tabindex: "0", role: "group" });
  onLayout: (() => void) | null = null;
  private plots: Plot[] = [];
  private shape = "";
  private range: [number, number] | null = null;
  private size = { width: 0, height: 0 };
  private shown: Shown | null = null;
  private look: Look = { span: 0, shift: 0, hidden: new Set(), less: null };
  private undo: (() => void)[] = [];
  private redraw = once(() => this.rebuild());
  drawnMs = 0;
  private over: HTMLElement | null = null;

  constructor(private label: () => string) {
    this.undo.push(
      ruler.on(({ hz, from }) => from !== this && this.isLog && this.point(hz)),
      inked.on(() => this.redraw()),
    );
    this.element.addEventListener("keydown", (event) => this.key(event));
  }

  /** What lies over all panels and scrolls with them. */
  set overlay(element: HTMLElement) {
    this.over = element;
    if (element.parentElement !== this.element) this.element.append(element);
  }

  close(): void {
    for (const undo of this.undo) undo();
    for (const plot of this.plots) plot.close();
  }

  show(shown: Shown, look: Look): void {
    this.shown = shown;
    this.look = look;
    this.element.setAttribute("aria-label", this.label());
    this.begun = performance.now();
    const shape = this.shapeOf();
    if (shape === this.shape) for (const plot of this.plots) plot.renew(this.listed(), this.look);
    else this.build(shape);
    this.settle();
  }

  private begun = 0;

  /** Once uPlot has drawn, in a microtask of its own. */
  private settle(): void {
    queueMicrotask(() => {
      this.drawnMs = performance.now() - this.begun;
      this.onLayout?.();
    });
  }

  resize(width: number, height: number): void {
    if (Math.abs(width - this.size.width) < 1 && Math.abs(height - this.size.height) < 1) return;
    this.size = { width, height };
    if (this.plots.length) this.fit();
    else this.redraw();
  }

  /** Place of a frequency in px from the left of the element, and the first panel's top. */
  place(value: number): { x: number; top: number; bottom: number } | null {
    const first = this.plots[0]?.plot;
    const last = this.plots[this.plots.length - 1]?.plot;
    if (!first || !last) return null;
    const box = this.element.getBoundingClientRect();
    const over = first.over.getBoundingClientRect();
    const foot = last.over.getBoundingClientRect();
    return { x: over.left - box.left + first.valToPos(value, "x"), top: over.top - box.top + this.element.scrollTop, bottom: foot.bottom - box.top + this.element.scrollTop };
  }

  valueAt(clientX: number): number | null {
    const first = this.plots[0]?.plot;
    return first ? first.posToVal(clientX - first.over.getBoundingClientRect().left, "x") : null;
  }

  whole(): void {
    this.zoom(null);
  }

  /** For measuring: the next drawing makes everything anew. */
  cool(): void {
    for (const plot of this.plots) plot.cool();
  }

  get shownRange(): [number, number] | null {
    return this.range;
  }

  private get axis(): Axis | null {
    return this.shown?.current?.head.x ?? null;
  }

  private get isLog(): boolean {
    return this.axis?.kind === "log";
  }

  /** The current picture first, then those laid over it; less one of them in the difference view. */
  private listed(): Picture[] {
    if (!this.shown?.current) return [];
    const all = [this.shown.current, ...[...this.shown.pinned.values()].sort((a, b) => a.head.revision - b.head.revision)];
    if (this.look.less === null) return all;
    const base = all.find((p) => p.head.revision === this.look.less);
    return base ? all.filter((p) => p !== base).map((p) => differenceOf(p, base)) : all;
  }

  private visible(picture: Picture): Panel[] {
    return (picture.head.panels ?? []).filter((p) => !this.look.hidden.has(p.key));
  }

  private shapeOf(): string {
    const list = this.listed();
    const panels = list[0] ? this.visible(list[0]) : [];
    const parts = panels.map((p) => `${p.key}:${p.series.map((s) => s.key)}:${p.bands.map((b) => b.key)}`);
    return `${this.axis?.kind}|${parts.join(";")}`;
  }

  private rebuild(): void {
    this.begun = performance.now();
    this.build(this.shapeOf());
    this.settle();
  }

  private build(shape: string): void {
    for (const plot of this.plots) plot.close();
    this.plots = [];
    clear(this.element);
    const list = this.listed();
    const axis = this.axis;
    if (!list[0] || !axis || this.size.width < 40) return;
    this.shape = shape;
    const panels = this.visible(list[0]);
    panels.forEach((panel, i) => {
      const plot = new Plot(panel.key, axis, i === panels.length - 1, this.hooks());
      this.plots.push(plot);
      this.element.append(plot.element);
      plot.draw(list, this.look, this.size.width, this.heights(panels)[i] ?? LEAST_PANEL, this.range);
    });
    if (this.over) this.element.append(this.over);
  }

  private heights(panels: Panel[]): number[] {
    const total = panels.reduce((sum, p) => sum + (p.height || 1), 0) || 1;
    const room = this.size.height - AXIS_BELOW - 2;
    const heights = panels.map((p) => Math.max(LEAST_PANEL, Math.floor((room * (p.height || 1)) / total)));
    const over = heights.reduce((sum, v) => sum + v, 0) - room;
    const largest = heights.indexOf(Math.max(...heights));
    if (over > 0) heights[largest] = Math.max(LEAST_PANEL, heights[largest]! - over);
    return heights.map((v, i) => v + (i === panels.length - 1 ? AXIS_BELOW : 0));
  }

  private fit(): void {
    const first = this.listed()[0];
    if (!first) return;
    const heights = this.heights(this.visible(first));
    this.plots.forEach((plot, i) => plot.plot?.setSize({ width: this.size.width, height: heights[i] ?? LEAST_PANEL }));
    this.settle();
  }

  private hooks(): Hooks {
    return {
      moved: (value) => {
        this.point(value);
        if (this.isLog) ruler.say({ hz: value, from: this });
      },
      chosen: (range) => this.zoom(range),
      whole: () => this.zoom(null),
    };
  }

  private zoom(range: [number, number] | null): void {
    this.range = range;
    for (const plot of this.plots) plot.zoom(range);
    this.settle();
  }

  private ruled: number | null = null;

  private point(value: number | null): void {
    this.ruled = value;
    for (const plot of this.plots) plot.point(value);
  }

  /** The reading at the ruler in words. */
  readings(): string {
    if (this.ruled === null) return "";
    const axis = this.axis;
    const head = axis?.kind === "log" ? hertz(this.ruled) : `${reading(this.ruled, "")} ${axis?.unit ?? ""}`;
    return [head, ...this.plots.map((p) => p.words()).filter(Boolean)].join("; ");
  }

  onRead: (() => void) | null = null;

  private key(event: KeyboardEvent): void {
    if (event.target !== this.element) return;
    const axis = this.axis;
    if (!axis) return;
    const [low, high] = this.range ?? [axis.min, axis.max];
    const log = axis.kind === "log";
    const here = this.ruled ?? (log ? Math.sqrt(low * high) : (low + high) / 2);
    const steps = event.shiftKey ? 12 : 1;
    const move = (sign: number) => (log ? here * 2 ** ((sign * steps) / 24) : here + (sign * steps * (high - low)) / 200);
    const zoomed = (k: number): [number, number] => (log ? [Math.max(axis.min, here / (here / low) ** k), Math.min(axis.max, here * (high / here) ** k)] : [here - (here - low) * k, here + (high - here) * k]);
    if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
      const value = Math.min(Math.max(move(event.key === "ArrowLeft" ? -1 : 1), low), high);
      this.point(value);
      if (log) ruler.say({ hz: value, from: this });
      this.onRead?.();
    } else if (event.key === "+" || event.key === "=") this.zoom(zoomed(0.6));
    else if (event.key === "-") this.zoom(zoomed(1 / 0.6));
    else if (event.key === "0") this.zoom(null);
    else if (event.key === "Escape") this.point(null);
    else return;
    event.preventDefault();
  }
}

interface Hooks {
  moved: (value: number | null) => void;
  chosen: (range: [number, number]) => void;
  whole: () => void;
}

/** One panel. */
class Plot {
  readonly element = h("div", { class: "panel" });
  plot: uPlot | null = null;
  private title = h("div", { class: "panel-title" });
  private reads = h("div", { class: "reads", "aria-hidden": "true" });
  private curves: Curve[] = [];
  private laid: LaidCurve[] = [];
  private layer = new LaidLayer();
  private panel: Panel | null = null;
  private span: [number, number] | undefined;
  private quiet = false;
  private range: [number, number] | null = null;
  private look: Look | null = null;
  private value: number | null = null;

  constructor(
    private key: string,
    private axis: Axis,
    private isLast: boolean,
    private hooks: Hooks,
  ) {}

  close(): void {
    this.plot?.destroy();
    this.element.remove();
  }

  draw(list: Picture[], look: Look, width: number, height: number, range: [number, number] | null): void {
    const { data, series, bands } = this.take(list, look);
    this.range = range;
    this.plot = new uPlot(this.options(width, height, series, bands), data as uPlot.AlignedData, this.element);
    this.element.append(this.title, this.reads);
  }

  renew(list: Picture[], look: Look): void {
    const { data } = this.take(list, look);
    this.plot?.setData(data as uPlot.AlignedData, true);
    this.point(this.value);
  }

  zoom(range: [number, number] | null): void {
    this.range = range;
    const [min, max] = range ?? [this.axis.min, this.axis.max];
    this.plot?.setScale("x", { min, max });
  }

  point(value: number | null): void {
    this.value = value;
    const plot = this.plot;
    if (!plot) return;
    this.quiet = true;
    if (value === null) plot.setCursor({ left: -10, top: -10 });
    else plot.setCursor({ left: plot.valToPos(value, "x"), top: 1 });
    this.quiet = false;
    this.tell();
  }

  cool(): void {
    this.layer.forget();
  }

  words(): string {
    const unit = this.panel?.unit ?? "";
    const laid = new Set<Curve>(this.laid);
    const parts = this.values().map(({ curve, value }) => `${curve.label}${laid.has(curve) ? ` (${curve.revision})` : ""} ${reading(value, unit)} ${unit}`);
    return parts.length ? `${this.panel?.label}: ${parts.join(", ")}` : "";
  }

  private values(): { curve: Curve; value: number }[] {
    const value = this.value;
    const plot = this.plot;
    if (value === null || !plot) return [];
    const x = plot.data[0];
    const log = this.axis.kind === "log";
    const own = this.curves.map((curve, i) => ({ curve, value: known(x, plot.data[i + 1]!, value, log) }));
    return [...own, ...this.laid.map((curve) => ({ curve, value: known(curve.x, curve.y, value, log) }))];
  }

  private tell(): void {
    const found = this.values().filter((v) => Number.isFinite(v.value));
    if (!found.length || this.value === null) return clear(this.reads);
    const rows = new Map<number, HTMLElement>();
    const several = new Set(found.map((f) => f.curve.revision)).size > 1;
    for (const { curve, value } of found) {
      let row = rows.get(curve.revision);
      if (!row) {
        row = h("div", {}, several ? h("b", {}, `${curve.revision}`) : null);
        rows.set(curve.revision, row);
      }
      row.append(h("span", {}, sample(curve.stroke), reading(value, this.panel?.unit ?? "")));
    }
    clear(this.reads, ...rows.values());
  }

  /** Columns, curves and bands of this panel from all pictures. */
  private take(list: Picture[], look: Look): { data: Column[]; series: uPlot.Series[]; bands: uPlot.Band[] } {
    const tables: Column[][] = [];
    const series: uPlot.Series[] = [{}];
    const bands: uPlot.Band[] = [];
    const hidden: uPlot.Series[] = [];
    const hiddenTables: Column[][] = [];
    this.curves = [];
    this.look = look;
    this.laid = [];
    list.forEach((picture, place) => {
      const panel = picture.head.panels?.find((p) => p.key === this.key);
      if (!panel) return;
      if (place === 0) {
        this.panel = panel;
        this.span = picture.head.span;
      }
      panel.series.forEach((s, i) => {
        const base = strokeOf(s.role, s.way, i);
        const table = columns(picture, s.x, s.y, panel.key === "phase");
        const curve = { label: s.label, revision: picture.head.revision, stroke: place === 0 ? base : laid(base, place - 1) };
        if (place > 0) return this.laid.push({ ...curve, x: table[0]! as number[], y: table[1]! });
        tables.push(table);
        this.curves.push(curve);
        return series.push(drawnAs(base));
      });
      if (place > 0) return;
      for (const b of panel.bands) {
        hiddenTables.push(columns(picture, b.x, b.high), columns(picture, b.x, b.low));
        hidden.push({ stroke: "transparent", points: { show: false } }, { stroke: "transparent", points: { show: false } });
        bands.push({ series: [hidden.length - 2, hidden.length - 1], fill: bandFill(b.role) });
      }
    });
    this.layer.hold(this.laid);
    const offset = series.length;
    const placed = bands.map((b) => ({ ...b, series: b.series.map((i) => i + offset) as [number, number] }));
    const panel = this.panel;
    clear(this.title, panel ? `${panel.label}${panel.unit ? `, ${panel.unit}` : ""}` : "", ...this.ownKeys(list[0]));
    return { data: joined([...tables, ...hiddenTables]), series: [...series, ...hidden], bands: placed };
  }

  /** Names of curves that the picture's first panel, whose names stand above, does not have. */
  private ownKeys(picture: Picture | undefined): HTMLElement[] {
    const first = picture?.head.panels?.find((p) => !this.look?.hidden.has(p.key));
    const panel = this.panel;
    if (!first || !panel || first.key === panel.key) return [];
    const known = new Set(first.series.map((s) => s.label));
    return panel.series.flatMap((s, i) => (known.has(s.label) ? [] : [h("span", { class: "key" }, sample(strokeOf(s.role, s.way, i)), s.label)]));
  }

  private options(width: number, height: number, series: uPlot.Series[], bands: uPlot.Band[]): uPlot.Options {
    const font = `11px ${getComputedStyle(document.body).fontFamily}`;
    const log = this.axis.kind === "log";
    const grid = { stroke: () => ink("hair"), width: 1 };
    return {
      width,
      height,
      padding: [6, 12, this.isLast ? 0 : 4, 0],
      legend: { show: false },
      cursor: {
        y: false,
        points: { show: false },
        drag: { x: true, y: false, setScale: false },
        bind: { dblclick: () => () => (this.hooks.whole(), null) },
      },
      scales: {
        x: { time: false, distr: log ? 3 : 1, range: () => this.range ?? [this.axis.min, this.axis.max] },
        y: { range: (_u, low, high) => this.limits(low, high) },
      },
      axes: [
        {
          stroke: () => ink("soft"), font, grid, ticks: { show: false }, size: this.isLast ? AXIS_BELOW : 0, gap: 4,
          filter: (_u, splits) => splits,
          splits: (_u, _i, low, high) => (log ? logTicks(low, high) : linearTicks(low, high, width / 70)),
          values: (_u, splits) => splits.map((v) => (!this.isLast || (log && !isLabelled(v, width / 3.2)) ? "" : tickLabel(v))),
        },
        {
          stroke: () => ink("soft"), font, grid, ticks: { show: false }, size: AXIS_LEFT, gap: 5,
          splits: (_u, _i, low, high) => this.ticks(low, high, height),
          values: (_u, splits) => splits.map((v) => tickLabel(v)),
        },
      ],
      series,
      bands,
      hooks: {
        drawClear: [(u) => this.under(u)],
        drawAxes: [(u) => this.layer.draw(u)],
        draw: [(u) => this.over(u)],
        setCursor: [(u) => !this.quiet && this.hooks.moved(u.cursor.left !== undefined && u.cursor.left >= 0 ? u.posToVal(u.cursor.left, "x") : null)],
        setSelect: [(u) => this.selected(u)],
      },
    };
  }

  private selected(u: uPlot): void {
    const { left, width } = u.select;
    if (width < 6) return;
    const range: [number, number] = [u.posToVal(left, "x"), u.posToVal(left + width, "x")];
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.hooks.chosen(range);
  }

  private ticks(low: number, high: number, height: number): number[] {
    const most = Math.max(2, Math.floor(height / 26));
    return this.panel?.unit === "°" ? angleTicks(low, high, most) : linearTicks(low, high, most);
  }

  private limits(low: number | null, high: number | null): [number, number] {
    const panel = this.panel;
    [low, high] = this.layer.range(low, high);
    if (this.look?.less !== null) return around(low ?? -1, high ?? 1);
    let foot = panel?.min ?? low ?? 0;
    let top = panel?.max ?? high ?? 1;
    if (panel?.unit === "dB" && this.look && this.look.span > 0) foot = top - this.look.span;
    if (panel?.unit === "dB" && this.look) [foot, top] = [foot + this.look.shift, top + this.look.shift];
    return top > foot ? [foot, top] : [foot, foot + 1];
  }

  /** Beneath the curves: the judged part of the axis. */
  private under(u: uPlot): void {
    if (!this.span) return;
    const [a, b] = this.span.map((v) => u.valToPos(v, "x", true)) as [number, number];
    u.ctx.save();
    u.ctx.fillStyle = ink("hair");
    u.ctx.globalAlpha = 0.45;
    u.ctx.fillRect(a, u.bbox.top, b - a, u.bbox.height);
    u.ctx.restore();
  }

  /** Over the curves: level lines, marks, and the numbers of revisions laid over. */
  private over(u: uPlot): void {
    const { ctx, bbox } = u;
    const dpr = devicePixelRatio || 1;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.font = `${10 * dpr}px ${getComputedStyle(document.body).fontFamily}`;
    ctx.lineWidth = dpr;
    for (const line of this.look?.less === null ? (this.panel?.lines ?? []) : [{ y: 0, label: "" }]) {
      const y = u.valToPos(line.y, "y", true);
      stroke(ctx, [[bbox.left, y], [bbox.left + bbox.width, y]], ink("soft"), [4 * dpr, 3 * dpr]);
      ctx.fillStyle = ink("soft");
      ctx.textAlign = "left";
      if (line.label) ctx.fillText(line.label, bbox.left + 6 * dpr, y - 4 * dpr);
    }
    let row = 0;
    for (const mark of this.panel?.marks ?? []) {
      const x = u.valToPos(mark.x, "x", true);
      const colour = mark.way === null ? ink("soft") : wayColour(mark.way);
      stroke(ctx, [[x, bbox.top], [x, bbox.top + bbox.height]], colour, [dpr, 3 * dpr]);
      ctx.fillStyle = colour;
      ctx.textAlign = x > bbox.left + bbox.width * 0.6 ? "right" : "left";
      ctx.fillText(mark.label, x + (ctx.textAlign === "left" ? 4 : -4) * dpr, bbox.top + bbox.height - (6 + 12 * row++) * dpr);
    }
    this.tags(u, dpr);
    ctx.restore();
  }

  private tags(u: uPlot, dpr: number): void {
    const taken: number[] = [];
    const right = u.scales.x?.max ?? Infinity;
    for (const { x, y, stroke: drawn, revision } of this.laid) {
      let k = y.length - 1;
      while (k >= 0 && (y[k] === null || y[k] === undefined || (x[k] ?? 0) > right)) k--;
      if (k < 0) continue;
      const py = u.valToPos(y[k]!, "y", true);
      if (taken.some((t) => Math.abs(t - py) < 10 * dpr)) continue;
      taken.push(py);
      u.ctx.fillStyle = drawn.colour;
      u.ctx.textAlign = "right";
      u.ctx.fillText(String(revision), u.valToPos(x[k]!, "x", true) - 3 * dpr, py - 3 * dpr);
    }
  }
}

function drawnAs(stroke: Stroke): uPlot.Series {
  return { stroke: stroke.colour, width: stroke.width, dash: stroke.dash, points: { show: false }, spanGaps: false, pxAlign: 0 };
}

function bandFill(role: string): string {
  const name = role === "mismatch" ? "way-1" : role === "limit" ? "accent" : "soft";
  return `${ink(name)}${role === "mismatch" ? "55" : "26"}`;
}

function stroke(ctx: CanvasRenderingContext2D, points: [number, number][], colour: string, dash: number[]): void {
  ctx.strokeStyle = colour;
  ctx.setLineDash(dash);
  ctx.beginPath();
  points.forEach(([x, y], i) => (i ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
  ctx.stroke();
  ctx.setLineDash([]);
}

function around(low: number, high: number): [number, number] {
  const most = Math.max(Math.abs(low), Math.abs(high), 0.5) * 1.1;
  return [-most, most];
}

const made = new WeakMap<Picture, Map<string, Column[]>>();

/** x and y of a series as plain arrays, made once for each picture. */
function columns(picture: Picture, x: string, y: string, wraps = false): Column[] {
  let known = made.get(picture);
  if (!known) made.set(picture, (known = new Map()));
  const key = `${x}|${y}`;
  let found = known.get(key);
  if (!found) {
    const xs = picture.arrays.get(x);
    const ys = picture.arrays.get(y);
    const plain: Column[] = xs && ys ? [Array.from(xs), Array.from(ys, (v) => (Number.isFinite(v) ? v : null))] : [[], []];
    known.set(key, (found = wraps ? unwound(plain) : plain));
  }
  return found;
}

/** Phase is not drawn across the wrap at ±180°. */
function unwound([x, y]: Column[]): Column[] {
  return [x!, y!.map((v, i) => (i > 0 && isWrap(y![i - 1], v) ? null : v))];
}

/** All curves over one axis; where they share it, as they are. */
function joined(tables: Column[][]): Column[] {
  const first = tables[0]?.[0];
  if (!first) return [[]];
  const same = tables.every(([x]) => x!.length === first.length && x!.every((v, i) => v === first[i]));
  if (same) return [first, ...tables.map((t) => t[1]!)];
  return uPlot.join(tables as uPlot.AlignedData[], tables.map((t) => t.map(() => 1)) as uPlot.JoinNullMode[][]) as unknown as Column[];
}

/** A joined column's value at x, over its own points only. */
function known(x: ArrayLike<number>, y: ArrayLike<number | null | undefined>, where: number, log: boolean): number {
  let low = -1;
  let high = -1;
  for (let i = 0; i < x.length; i++) {
    if (y[i] === undefined) continue;
    if (x[i]! <= where) low = i;
    else {
      high = i;
      break;
    }
  }
  if (low >= 0 && x[low] === where) return y[low] ?? NaN;
  if (low < 0 || high < 0 || y[low] === null || y[high] === null) return NaN;
  return at([x[low]!, x[high]!], [y[low]!, y[high]!], where, log);
}
