/** Level over frequency and angle (or time): bands of equal level on our own canvas, the −6 dB line, other revisions' lines. */

import { contour } from "./contour";
import type { Picture, Shown } from "./desk";
import { differenceOf } from "./difference";
import { clear, h, once } from "./dom";
import { ink, inked, LAID_DASH, mapColour } from "./ink";
import type { PictureHead } from "./messages";
import type { Look } from "./panels";
import { angleTicks, hertz, isLabelled, linearTicks, logTicks, reading, ruler, tickLabel, trim } from "./scale";

export interface Frame {
  left: number;
  top: number;
  width: number;
  height: number;
}

const MARGIN = { left: 50, right: 58, top: 8, bottom: 24 };

/** Places of values on the two axes, as shares 0 … 1 from the lower left. */
export class MapAxes {
  constructor(
    readonly x: [number, number],
    readonly y: [number, number],
    readonly yLog: boolean,
  ) {}
  across(hz: number): number {
    return Math.log(hz / this.x[0]) / Math.log(this.x[1] / this.x[0]);
  }
  hz(share: number): number {
    return this.x[0] * (this.x[1] / this.x[0]) ** share;
  }
  up(value: number): number {
    const [low, high] = this.y;
    return this.yLog ? Math.log(value / low) / Math.log(high / low) : (value - low) / (high - low);
  }
  value(share: number): number {
    const [low, high] = this.y;
    return this.yLog ? low * (high / low) ** share : low + share * (high - low);
  }
}

export class MapView {
  readonly element = h("div", { class: "map", tabindex: "0", role: "group" });
  onRead: (() => void) | null = null;
  drawnMs = 0;
  private ground = h("canvas", { "aria-hidden": "true" });
  private top = h("canvas", { "aria-hidden": "true" });
  private reads = h("div", { class: "reads", "aria-hidden": "true" });
  private shown: Shown | null = null;
  private look: Look = { span: 0, shift: 0, hidden: new Set(), less: null };
  private size = { width: 0, height: 0 };
  private range: [number, number] | null = null;
  private axes: MapAxes | null = null;
  private picture: Picture | null = null;
  private pointed: { hz: number; value: number | null } | null = null;
  private undo: (() => void)[];
  private later = once(() => this.paint());

  constructor(private label: () => string) {
    this.element.append(this.ground, this.top, this.reads);
    this.undo = [
      inked.on(() => this.later()),
      ruler.on(({ hz, from }) => {
        if (from === this) return;
        this.pointed = hz === null ? null : { hz, value: null };
        this.paintTop();
      }),
    ];
    this.element.addEventListener("pointermove", (event) => this.move(event));
    this.element.addEventListener("pointerleave", () => this.point(null));
    this.element.addEventListener("keydown", (event) => this.key(event));
    this.element.addEventListener("dblclick", () => this.whole());
  }

  close(): void {
    for (const undo of this.undo) undo();
  }

  show(shown: Shown, look: Look): void {
    this.shown = shown;
    this.look = look;
    this.element.setAttribute("aria-label", this.label());
    const begin = performance.now();
    this.paint();
    this.drawnMs = performance.now() - begin;
  }

  resize(width: number, height: number): void {
    if (Math.abs(width - this.size.width) < 1 && Math.abs(height - this.size.height) < 1) return;
    this.size = { width, height };
    this.later();
  }

  whole(): void {
    this.range = null;
    this.paint();
  }

  readings(): string {
    return this.reads.textContent ?? "";
  }

  private get frame(): Frame {
    return { left: MARGIN.left, top: MARGIN.top, width: this.size.width - MARGIN.left - MARGIN.right, height: this.size.height - MARGIN.top - MARGIN.bottom };
  }

  private paint(): void {
    const current = this.shown?.current;
    if (!current || current.head.family !== "map" || this.size.width < 120 || this.size.height < 80) return;
    const base = this.look.less === null ? undefined : this.shown?.pinned.get(this.look.less);
    const picture = base ? differenceOf(current, base) : current;
    this.picture = picture;
    const axes = mapAxes(current.head, this.range);
    this.axes = axes;
    const ctx = sized(this.ground, this.size.width, this.size.height);
    const frame = this.frame;
    const bands = bandsOf(current.head, this.look, base !== undefined);
    ctx.drawImage(image(picture, axes, bands, frame), frame.left, frame.top, frame.width, frame.height);
    drawAxes(ctx, current.head, axes, frame);
    drawKey(ctx, bands, frame);
    if (!base) {
      drawLine(ctx, picture, axes, frame, { value: current.head.line_db ?? -6, colour: "#ffffff", under: "#000000", dash: [] });
      [...(this.shown?.pinned.values() ?? [])].sort((a, b) => a.head.revision - b.head.revision).forEach((laid, i) => {
        drawLine(ctx, laid, axes, frame, { value: current.head.line_db ?? -6, colour: "#ffffff", under: "#000000", dash: LAID_DASH[i % LAID_DASH.length] ?? [], thin: true });
      });
    }
    this.paintTop();
  }

  private paintTop(): void {
    if (!this.axes || this.size.width < 120) return;
    const ctx = sized(this.top, this.size.width, this.size.height);
    const { left, top, width, height } = this.frame;
    if (!this.pointed) return clear(this.reads);
    const x = left + this.axes.across(this.pointed.hz) * width;
    if (x < left || x > left + width) return clear(this.reads);
    ctx.strokeStyle = ink("accent");
    ctx.setLineDash([3, 3]);
    line(ctx, x, top, x, top + height);
    if (this.pointed.value !== null) {
      const y = top + (1 - this.axes.up(this.pointed.value)) * height;
      line(ctx, left, y, left + width, y);
    }
    this.tell();
  }

  private tell(): void {
    const { picture, pointed, axes } = this;
    if (!picture || !pointed || !axes || pointed.value === null) return clear(this.reads);
    const unit = picture.head.y?.unit ?? "";
    const rows = [picture, ...(this.look.less === null ? (this.shown?.pinned.values() ?? []) : [])].map((p) => {
      const level = sample(p, pointed.hz, pointed.value!, axes.yLog);
      return h("div", {}, `${p === picture ? "" : `${p.head.revision}: `}${reading(level, "dB")} dB`);
    });
    clear(this.reads, h("div", {}, `${hertz(pointed.hz)}, ${trim(Number(pointed.value.toPrecision(3)))} ${unit}`), ...rows);
  }

  private move(event: PointerEvent): void {
    if (!this.axes) return;
    const box = this.element.getBoundingClientRect();
    const { left, top, width, height } = this.frame;
    const [a, b] = [(event.clientX - box.left - left) / width, 1 - (event.clientY - box.top - top) / height];
    if (a < 0 || a > 1 || b < 0 || b > 1) return this.point(null);
    this.point({ hz: this.axes.hz(a), value: this.axes.value(b) });
  }

  private point(at: { hz: number; value: number } | null): void {
    this.pointed = at;
    this.paintTop();
    ruler.say({ hz: at?.hz ?? null, from: this });
  }

  private key(event: KeyboardEvent): void {
    if (event.target !== this.element || !this.axes) return;
    const { axes } = this;
    const here = { hz: this.pointed?.hz ?? Math.sqrt(axes.x[0] * axes.x[1]), value: this.pointed?.value ?? axes.value(0.5) };
    const steps = event.shiftKey ? 6 : 1;
    const sign = event.key === "ArrowLeft" || event.key === "ArrowDown" ? -1 : 1;
    if (event.key === "ArrowLeft" || event.key === "ArrowRight") here.hz = clamp(here.hz * 2 ** ((sign * steps) / 24), axes.x);
    else if (event.key === "ArrowUp" || event.key === "ArrowDown") here.value = axes.value(Math.min(Math.max(axes.up(here.value) + (sign * steps) / 72, 0), 1));
    else if (event.key === "+" || event.key === "=") return this.zoom(event, here.hz, 0.6);
    else if (event.key === "-") return this.zoom(event, here.hz, 1 / 0.6);
    else if (event.key === "0") return this.whole();
    else if (event.key === "Escape") return this.point(null);
    else return;
    event.preventDefault();
    this.point(here);
    this.onRead?.();
  }

  private zoom(event: KeyboardEvent, hz: number, k: number): void {
    event.preventDefault();
    const whole = mapAxes(this.shown!.current!.head, null).x;
    const [low, high] = this.axes!.x;
    this.range = [Math.max(whole[0], hz / (hz / low) ** k), Math.min(whole[1], hz * (high / hz) ** k)];
    this.paint();
  }
}

export interface Bands {
  low: number;
  high: number;
  step: number;
  difference: boolean;
}

export function bandsOf(head: PictureHead, look: Look, difference: boolean): Bands {
  const step = head.band_db ?? 3;
  if (difference) return { low: -4.5, high: 4.5, step: 1, difference };
  const [low, high] = head.range_db ?? [-30, 0];
  const top = high + look.shift;
  const count = Math.ceil((look.span > 0 ? look.span : high - low) / step - 1e-6); // whole bands, counted down from the top
  return { low: top - count * step, high: top, step, difference };
}

export function mapAxes(head: PictureHead, range: [number, number] | null): MapAxes {
  return new MapAxes(range ?? [head.x!.min, head.x!.max], [head.y!.min, head.y!.max], head.y!.kind === "log");
}

export function bandColour(level: number, bands: Bands): [number, number, number] {
  const count = Math.max(1, Math.round((bands.high - bands.low) / bands.step));
  const band = Math.min(Math.max(Math.floor((level - bands.low) / bands.step + 1e-6), 0), count - 1);
  return mapColour(count === 1 ? 1 : band / (count - 1), bands.difference);
}

/** The map's picture: one colour a band, levels interpolated between grid points. */
export function image(picture: Picture, axes: MapAxes, bands: Bands, frame: Frame): HTMLCanvasElement {
  const [w, t] = [Math.max(1, Math.round(frame.width)), Math.max(1, Math.round(frame.height))];
  const canvas = h("canvas", { width: w, height: t });
  const ctx = canvas.getContext("2d")!;
  const out = ctx.createImageData(w, t);
  const pixels = new Uint32Array(out.data.buffer);
  const grid = picture.arrays.get("level")!;
  const [xs, ys] = [picture.arrays.get("x")!, picture.arrays.get("y")!];
  const [columns, rows] = [places(xs, w, (i) => axes.hz((i + 0.5) / w), true), places(ys, t, (j) => axes.value(1 - (j + 0.5) / t), axes.yLog)];
  const count = Math.max(1, Math.round((bands.high - bands.low) / bands.step));
  const colours = Uint32Array.from({ length: count }, (_, k) => packed(mapColour(count === 1 ? 1 : k / (count - 1), bands.difference)));
  const scale = 1 / bands.step;
  for (let j = 0; j < t; j++) {
    const r = rows.index[j]!;
    if (r < 0) continue;
    const u = rows.share[j]!;
    const [one, two] = [r * xs.length, (r + 1 < ys.length ? r + 1 : r) * xs.length];
    for (let i = 0; i < w; i++) {
      const c = columns.index[i]!;
      if (c < 0) continue;
      const v = columns.share[i]!;
      const d = c + 1 < xs.length ? c + 1 : c;
      const level = (grid[one + c]! * (1 - v) + grid[one + d]! * v) * (1 - u) + (grid[two + c]! * (1 - v) + grid[two + d]! * v) * u;
      if (level !== level) continue;
      const band = Math.floor((level - bands.low) * scale + 1e-6);
      pixels[j * w + i] = colours[band < 0 ? 0 : band >= count ? count - 1 : band]!;
    }
  }
  ctx.putImageData(out, 0, 0);
  return canvas;
}

function packed([r, g, b]: [number, number, number]): number {
  return ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0;
}

/** For each pixel, the grid cell it lies in and how far along; −1 outside the data. */
function places(values: ArrayLike<number>, count: number, at: (i: number) => number, log: boolean): { index: Int32Array; share: Float32Array } {
  const index = new Int32Array(count).fill(-1);
  const share = new Float32Array(count);
  const n = values.length;
  const rising = values[n - 1]! >= values[0]!;
  for (let i = 0; i < count; i++) {
    const where = at(i);
    let low = 0;
    let high = n - 1;
    if (rising ? where < values[0]! * (log ? 0.97 : 1) || where > values[n - 1]! * (log ? 1.03 : 1) : false) continue;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (values[middle]! <= where === rising) low = middle;
      else high = middle;
    }
    const [a, b] = [values[low]!, values[high]!];
    const t = a === b ? 0 : log ? Math.log(where / a) / Math.log(b / a) : (where - a) / (b - a);
    index[i] = low;
    share[i] = Math.min(Math.max(t, 0), 1);
  }
  return { index, share };
}

function sample(picture: Picture, hz: number, value: number, yLog: boolean): number {
  const [xs, ys, grid] = [picture.arrays.get("x")!, picture.arrays.get("y")!, picture.arrays.get("level")!];
  const c = places(xs, 1, () => hz, true);
  const r = places(ys, 1, () => value, yLog);
  const [i, j] = [c.index[0]!, r.index[0]!];
  if (i < 0 || j < 0) return NaN;
  const [v, u] = [c.share[0]!, r.share[0]!];
  const cell = (a: number, b: number) => grid[Math.min(b, ys.length - 1) * xs.length + Math.min(a, xs.length - 1)]!;
  return (cell(i, j) * (1 - v) + cell(i + 1, j) * v) * (1 - u) + (cell(i, j + 1) * (1 - v) + cell(i + 1, j + 1) * v) * u;
}

/** The line of one level as places in the frame, px. */
export function levelLine(picture: Picture, axes: MapAxes, frame: Frame, value: number): [number, number, number, number][] {
  const [xs, ys, grid] = [picture.arrays.get("x")!, picture.arrays.get("y")!, picture.arrays.get("level")!];
  const px = Array.from(xs, (v) => frame.left + axes.across(v) * frame.width);
  const py = Array.from(ys, (v) => frame.top + (1 - axes.up(v)) * frame.height);
  const between = (list: number[], at: number) => {
    const i = Math.min(Math.floor(at), list.length - 1);
    const j = Math.min(i + 1, list.length - 1);
    return list[i]! + (list[j]! - list[i]!) * (at - i);
  };
  return contour(grid, xs.length, ys.length, value).map(([a, b, c, d]) => [between(px, a), between(py, b), between(px, c), between(py, d)]);
}

interface LineStyle {
  value: number;
  colour: string;
  under: string;
  dash: number[];
  thin?: boolean;
}

function drawLine(ctx: CanvasRenderingContext2D, picture: Picture, axes: MapAxes, frame: Frame, style: LineStyle): void {
  const path = polylines(levelLine(picture, axes, frame, style.value));
  ctx.save();
  ctx.beginPath();
  ctx.rect(frame.left, frame.top, frame.width, frame.height);
  ctx.clip();
  ctx.lineWidth = style.thin ? 2.4 : 3.6;
  ctx.strokeStyle = style.under;
  ctx.globalAlpha = 0.75;
  ctx.stroke(path);
  ctx.globalAlpha = 1;
  ctx.lineWidth = style.thin ? 1.2 : 1.8;
  ctx.strokeStyle = style.colour;
  ctx.setLineDash(style.dash);
  ctx.stroke(path);
  ctx.restore();
}

/** Segments joined end to end, so that dashes run on. */
function polylines(segments: [number, number, number, number][]): Path2D {
  const path = new Path2D();
  for (const chain of chains(segments)) chain.forEach(([x, y], i) => (i ? path.lineTo(x, y) : path.moveTo(x, y)));
  return path;
}

export function chains(segments: [number, number, number, number][]): [number, number][][] {
  const key = (x: number, y: number) => `${Math.round(x * 20)},${Math.round(y * 20)}`;
  const ends = new Map<string, number[]>();
  segments.forEach(([a, b, c, d], i) => {
    for (const k of [key(a, b), key(c, d)]) ends.set(k, [...(ends.get(k) ?? []), i]);
  });
  const used = new Uint8Array(segments.length);
  const next = (x: number, y: number): [number, number] | null => {
    const i = ends.get(key(x, y))?.find((n) => !used[n]);
    if (i === undefined) return null;
    used[i] = 1;
    const [a, b, c, d] = segments[i]!;
    return key(a, b) === key(x, y) ? [c, d] : [a, b];
  };
  const found: [number, number][][] = [];
  for (let i = 0; i < segments.length; i++) {
    if (used[i]) continue;
    used[i] = 1;
    const [a, b, c, d] = segments[i]!;
    const chain: [number, number][] = [[a, b], [c, d]];
    for (let p = next(c, d); p; p = next(...p)) chain.push(p);
    for (let p = next(a, b); p; p = next(...p)) chain.unshift(p);
    found.push(chain);
  }
  return found;
}

function drawAxes(ctx: CanvasRenderingContext2D, head: PictureHead, axes: MapAxes, frame: Frame): void {
  ctx.font = `11px ${getComputedStyle(document.body).fontFamily}`;
  ctx.fillStyle = ink("soft");
  ctx.strokeStyle = ink("soft");
  ctx.lineWidth = 1;
  ctx.strokeRect(frame.left + 0.5, frame.top + 0.5, frame.width, frame.height);
  ctx.textAlign = "center";
  ctx.textBaseline = "top";
  for (const tick of logTicks(...axes.x)) {
    const x = Math.round(frame.left + axes.across(tick) * frame.width) + 0.5;
    const labelled = isLabelled(tick, frame.width / Math.log10(axes.x[1] / axes.x[0]));
    line(ctx, x, frame.top + frame.height, x, frame.top + frame.height + (labelled ? 5 : 3));
    if (labelled) ctx.fillText(tickLabel(tick), x, frame.top + frame.height + 8);
  }
  ctx.textAlign = "right";
  ctx.textBaseline = "middle";
  for (const tick of yTicks(head, axes, frame.height)) {
    const y = Math.round(frame.top + (1 - axes.up(tick)) * frame.height) + 0.5;
    line(ctx, frame.left - 4, y, frame.left, y);
    ctx.fillText(yLabel(tick, head), frame.left - 7, y);
  }
}

export function yTicks(head: PictureHead, axes: MapAxes, height: number): number[] {
  const most = Math.max(2, height / 28);
  if (head.y?.unit === "°") return angleTicks(...axes.y, most);
  return axes.yLog ? logTicks(...axes.y).filter((v) => isLabelled(v)) : linearTicks(...axes.y, most);
}

export function yLabel(value: number, head: PictureHead): string {
  if (head.y?.unit === "s") return value < 1 ? `${trim(value * 1000)} ms` : `${trim(value)} s`;
  return `${trim(value)}${head.y?.unit === "°" ? "°" : ""}`;
}

/** The bands' colours with their levels, at the right. */
function drawKey(ctx: CanvasRenderingContext2D, bands: Bands, frame: Frame): void {
  const count = Math.max(1, Math.round((bands.high - bands.low) / bands.step));
  const each = frame.height / count;
  const x = frame.left + frame.width + 8;
  ctx.textAlign = "left";
  ctx.textBaseline = "middle";
  for (let i = 0; i < count; i++) {
    const [r, g, b] = bandColour(bands.low + (i + 0.5) * bands.step, bands);
    ctx.fillStyle = `rgb(${r} ${g} ${b})`;
    ctx.fillRect(x, frame.top + frame.height - (i + 1) * each, 10, each + 0.5);
  }
  ctx.fillStyle = ink("soft");
  const every = Math.max(1, Math.ceil(13 / each));
  for (let i = 0; i <= count; i += every) {
    const edge = Math.min(Math.max(frame.top + frame.height - i * each, frame.top + 5), frame.top + frame.height - 4);
    ctx.fillText(`${trim(bands.low + i * bands.step)}${i === count || i + every > count ? " dB" : ""}`, x + 14, edge);
  }
}

function sized(canvas: HTMLCanvasElement, width: number, height: number): CanvasRenderingContext2D {
  const dpr = devicePixelRatio || 1;
  canvas.width = Math.round(width * dpr);
  canvas.height = Math.round(height * dpr);
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const ctx = canvas.getContext("2d")!;
  ctx.scale(dpr, dpr);
  return ctx;
}

function line(ctx: CanvasRenderingContext2D, a: number, b: number, c: number, d: number): void {
  ctx.beginPath();
  ctx.moveTo(a, b);
  ctx.lineTo(c, d);
  ctx.stroke();
}

function clamp(value: number, [low, high]: [number, number]): number {
  return Math.min(Math.max(value, low), high);
}
