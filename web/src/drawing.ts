/** The drawing: side, front and top to one scale, with diamonds to pull; the solid body on request. */

import type { Desk, Drawn } from "./desk";
import { announce, h, once, s } from "./dom";
import type { Handle, Line, ViewName } from "./messages";
import { keep, kept } from "./memory";
import { W } from "./words";

type Tab = "sheet" | ViewName | "solid";
const TABS: Tab[] = ["sheet", "side", "front", "top", "solid"];
const PAD = 26;
const REST_MS = 600;
const REACH = 14;
const MOST_GHOSTS = 40;

interface Placed {
  view: ViewName;
  box: Box;
  /** px of the metre point (a, b) */
  at: (a: number, b: number) => [number, number];
}

interface Box {
  low: [number, number];
  high: [number, number];
}

export class Drawing {
  readonly element = h("section", { class: "tile drawing", "aria-labelledby": "drawing-title" });
  private tabs = h("div", { class: "tabs", role: "group", "aria-label": W.drawing.viewsLabel });
  private host = h("div", { class: "drawing-host" });
  private svg = s("svg", { class: "sheet-drawing", role: "group", "aria-label": W.drawing.title });
  private solid: { show(drawn: Drawn, ways: string[]): void; resize(): void; element: HTMLElement } | null = null;
  private tab: Tab = kept<Tab>("drawing-tab", "sheet");
  private knobs = new Map<string, SVGGElement>();
  private held: { handle: Handle; x: number; y: number; value: number; scale: number } | null = null;
  private wished = new Map<string, number>();
  private timer = 0;
  private ghosts = new Map<number, Drawn>();
  private scale = 1;
  private redraw = once(() => this.draw());

  constructor(private desk: Desk) {
    for (const tab of TABS) {
      this.tabs.append(h("button", { type: "button", "data-tab": tab, click: () => this.choose(tab) }, tab === "sheet" ? `${W.drawing.views["side"]} + ${W.drawing.views["front"]!.toLowerCase()}` : W.drawing.views[tab]!));
    }
    this.element.append(h("header", {}, h("h2", { id: "drawing-title" }, W.drawing.title), this.tabs), this.host);
    this.host.append(this.svg);
    desk.drawn.on((drawn) => {
      if (!drawn.head.provisional) this.remember(drawn);
      this.redraw();
    });
    desk.revised.on(() => this.redraw());
    new ResizeObserver(() => {
      this.redraw();
      this.solid?.resize();
    }).observe(this.host);
    this.svg.addEventListener("pointerdown", (event) => this.grab(event));
    this.svg.addEventListener("pointermove", (event) => this.pull(event));
    this.svg.addEventListener("pointerup", () => this.drop());
    this.svg.addEventListener("pointercancel", () => this.giveUp());
    this.choose(this.tab);
  }

  /** Lines of the last revisions seen, copied out of their message, to lay over the drawing. */
  private remember(drawn: Drawn): void {
    const lines = Object.values(drawn.head.views).flat().map((line) => line.array);
    const arrays = new Map(lines.map((name) => [name, (drawn.arrays.get(name) ?? new Float32Array()).slice()]));
    const { revision, provisional, views } = drawn.head;
    this.ghosts.delete(revision);
    this.ghosts.set(revision, { head: { revision, provisional, views, handles: [], body: false }, arrays });
    const pinned = new Set(this.desk.revisions.filter((r) => r.pinned).map((r) => r.revision));
    for (const old of this.ghosts.keys()) {
      if (this.ghosts.size <= MOST_GHOSTS) break;
      if (!pinned.has(old)) this.ghosts.delete(old);
    }
  }

  private choose(tab: Tab): void {
    this.tab = tab;
    keep("drawing-tab", tab);
    for (const button of this.tabs.querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset["tab"] === tab));
    this.svg.toggleAttribute("hidden", tab === "solid");
    if (this.solid) this.solid.element.hidden = tab !== "solid";
    if (tab === "solid" && !this.solid) void this.fetchSolid();
    this.redraw();
  }

  private async fetchSolid(): Promise<void> {
    const waiting = h("p", { class: "hint" }, W.drawing.loading);
    this.host.append(waiting);
    const { SolidView } = await import("./solid");
    waiting.remove();
    this.solid = new SolidView();
    this.host.append(this.solid.element);
    this.solid.element.hidden = this.tab !== "solid";
    this.redraw();
  }

  private get views(): ViewName[] {
    if (this.tab === "sheet") return ["side", "front"];
    return this.tab === "solid" ? [] : [this.tab];
  }

  private draw(): void {
    if (this.tab === "solid") {
      if (this.desk.body) this.solid?.show(this.desk.body, this.desk.state?.ways ?? []);
      return;
    }
    const drawn = this.desk.geometry;
    const { clientWidth: width, clientHeight: height } = this.host;
    if (!drawn || width < 40 || height < 40) return;
    const places = this.held ? this.places : this.layOut(drawn, width, height);
    this.places = places;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const lines = s("g", { class: "lines", "aria-hidden": "true" });
    const pinned = this.desk.revisions.filter((r) => r.pinned && !r.current);
    pinned.forEach((r, i) => {
      const ghost = this.ghosts.get(r.revision);
      if (ghost) for (const place of places) this.lines(lines, ghost, place, `ghost ghost-${i % 4}`);
    });
    for (const place of places) {
      this.lines(lines, drawn, place, drawn.head.provisional ? "wish" : "");
      const [x, y] = place.at((place.box.low[0] + place.box.high[0]) / 2, place.box.low[1]);
      lines.append(s("text", { x, y: y + 18, class: "view-name", "text-anchor": "middle" }, W.drawing.views[place.view]!));
    }
    lines.append(this.scaleBar(height));
    const old = this.svg.querySelector("g.lines");
    if (old) old.replaceWith(lines);
    else this.svg.prepend(lines);
    this.handles(drawn, places);
  }

  private places: Placed[] = [];

  private layOut(drawn: Drawn, width: number, height: number): Placed[] {
    const views = this.views.filter((v) => drawn.head.views[v]?.length);
    const boxes = views.map((v) => boxOf(drawn, drawn.head.views[v]));
    const wide = boxes.reduce((sum, b) => sum + b.high[0] - b.low[0], 0);
    const tall = Math.max(...boxes.map((b) => b.high[1] - b.low[1]), 0.01);
    const scale = Math.min((width - PAD * (views.length + 1)) / Math.max(wide, 0.01), (height - 2 * PAD - 10) / tall);
    this.scale = scale;
    let left = (width - wide * scale - PAD * (views.length - 1)) / 2;
    const top = Math.max(...boxes.map((b) => b.high[1]));
    const above = (height - 12 - tall * scale) / 2;
    return views.map((view, i) => {
      const box = boxes[i]!;
      const from = left - box.low[0] * scale;
      left += (box.high[0] - box.low[0]) * scale + PAD;
      return { view, box, at: (a, b) => [from + a * scale, above + (top - b) * scale] };
    });
  }

  private lines(into: SVGGElement, drawn: Drawn, place: Placed, extra: string): void {
    for (const line of drawn.head.views[place.view] ?? []) {
      const points = drawn.arrays.get(line.array);
      if (!points) continue;
      const way = line.way ? (this.desk.state?.ways.indexOf(line.way) ?? -1) : -1;
      into.append(s("path", { d: pathOf(points, place), class: `line ${line.kind} ${extra}${way >= 0 ? ` way-${way % 4}` : ""}` }));
    }
  }

  private scaleBar(height: number): SVGGElement {
    const mm = [200, 100, 50, 20, 10].find((v) => (v / 1000) * this.scale < 110) ?? 10;
    const length = (mm / 1000) * this.scale;
    return s("g", { class: "scale" }, s("path", { d: `M12 ${height - 10}h${length}m0 -4v8M12 ${height - 14}v8` }), s("text", { x: 12 + length + 6, y: height - 6 }, W.drawing.scale(mm)));
  }

  private handles(drawn: Drawn, places: Placed[]): void {
    const seen = new Set<string>();
    for (const handle of drawn.head.handles) {
      const place = places.find((p) => p.view === handle.view);
      if (!place) continue;
      const key = `${handle.view}:${handle.path}`;
      seen.add(key);
      const knob = this.knobs.get(key) ?? this.knob(key, handle);
      const [x, y] = place.at(...handle.at);
      knob.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
      const text = this.textOf(handle);
      const label = knob.querySelector("text")!;
      label.textContent = `${handle.label} ${text}`;
      const room = label.textContent.length * 6.4;
      const width = this.host.clientWidth;
      label.setAttribute("x", String(Math.max(6 - x, Math.min(12, width - 6 - room - x))));
      label.setAttribute("y", String(y < 30 ? 22 : -11));
      (knob as SVGGElement & { at?: [number, number] }).at = [x, y];
      knob.setAttribute("aria-label", `${handle.label}, ${handle.path.split(".").slice(0, -1).join(" ")}`);
      knob.setAttribute("aria-valuetext", text);
      knob.setAttribute("aria-valuenow", String(this.wished.get(handle.path) ?? this.desk.field(handle.path)?.value ?? 0));
      (knob as SVGGElement & { handle?: Handle }).handle = handle;
    }
    for (const [key, knob] of this.knobs) {
      if (seen.has(key)) continue;
      knob.remove();
      this.knobs.delete(key);
    }
  }

  private textOf(handle: Handle): string {
    const field = this.desk.field(handle.path);
    const value = this.wished.get(handle.path);
    return value === undefined ? (field?.text || field?.default || "") : `${Number(value.toPrecision(5))} ${field?.unit ?? ""}`;
  }

  private knob(key: string, first: Handle): SVGGElement {
    const knob = s("g", { class: "knob", tabindex: "0", role: "slider", "data-path": first.path }, s("circle", { r: 11, class: "reach" }), s("path", { d: "M-6 0L0 -6L6 0L0 6z" }), s("text", { y: -8 }));
    const handle = () => (knob as SVGGElement & { handle?: Handle }).handle ?? first;
    const along = Math.abs(first.along[0]) >= Math.abs(first.along[1]) ? "across" : "upright";
    knob.classList.add(along);
    knob.addEventListener("keydown", (event) => this.key(event, handle()));
    this.svg.append(knob);
    this.knobs.set(key, knob);
    return knob;
  }

  /** The diamond nearest to the pointer: they may stand close together. */
  private grab(event: PointerEvent): void {
    const box = this.svg.getBoundingClientRect();
    let best: { knob: SVGGElement & { handle?: Handle }; distance: number } | null = null;
    for (const knob of this.knobs.values()) {
      const at = (knob as SVGGElement & { at?: [number, number] }).at ?? [-99, -99];
      const distance = Math.hypot(event.clientX - box.left - at[0], event.clientY - box.top - at[1]);
      if (distance < REACH && (!best || distance < best.distance)) best = { knob, distance };
    }
    const handle = best?.knob.handle;
    const value = handle ? this.desk.field(handle.path)?.value : null;
    if (!best || !handle || typeof value !== "number") return;
    event.preventDefault();
    // drawn over the others; moved first, for an element that is moved loses the focus, and Escape with it
    this.svg.append(best.knob);
    best.knob.focus();
    this.svg.setPointerCapture(event.pointerId);
    best.knob.toggleAttribute("data-held", true);
    this.held = { handle, x: event.clientX, y: event.clientY, value, scale: this.scale };
  }

  private pull(event: PointerEvent): void {
    if (!this.held) return;
    const { handle, x, y, value, scale } = this.held;
    const metres = (((event.clientX - x) * handle.along[0] - (event.clientY - y) * handle.along[1]) / scale);
    const step = this.desk.field(handle.path)?.step ?? 1;
    const fine = step / (event.shiftKey ? 10 : 2);
    this.wish(handle, Math.round((value + metres / handle.per) / fine) * fine);
  }

  private wish(handle: Handle, value: number): void {
    const neat = Number(value.toPrecision(6));
    if (this.wished.get(handle.path) === neat) return;
    this.wished.set(handle.path, neat);
    this.desk.drag([{ path: handle.path, value: neat }]);
    this.redraw();
  }

  private drop(): void {
    if (!this.held) return;
    const moved = this.wished.size > 0;
    this.held = null;
    for (const knob of this.knobs.values()) knob.removeAttribute("data-held");
    if (moved) void this.accept();
  }

  private async accept(): Promise<void> {
    window.clearTimeout(this.timer);
    this.timer = 0;
    if ([...this.wished].every(([path, value]) => this.desk.field(path)?.value === value)) return this.giveUp();
    const refused = await this.desk.accept().catch(() => null);
    this.wished.clear();
    if (refused) {
      announce(refused.text);
      this.desk.tell({ type: "release" });
    }
    this.redraw();
  }

  private giveUp(): void {
    window.clearTimeout(this.timer);
    this.held = null;
    this.wished.clear();
    this.desk.release();
    this.redraw();
  }

  private key(event: KeyboardEvent, handle: Handle): void {
    const [right, up] = handle.along;
    const across = Math.abs(right) >= Math.abs(up);
    const signs: Record<string, number> = across ? { ArrowRight: Math.sign(right), ArrowLeft: -Math.sign(right), ArrowUp: 1, ArrowDown: -1 } : { ArrowUp: Math.sign(up), ArrowDown: -Math.sign(up), ArrowRight: 1, ArrowLeft: -1 };
    const sign = signs[event.key];
    if (event.key === "Escape") this.giveUp();
    else if (event.key === "Enter") void this.accept();
    else if (sign) {
      const field = this.desk.field(handle.path);
      const times = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      this.wish(handle, (this.wished.get(handle.path) ?? field?.value ?? 0) + sign * (field?.step ?? 1) * times);
      window.clearTimeout(this.timer);
      this.timer = window.setTimeout(() => void this.accept(), REST_MS);
    } else return;
    event.preventDefault();
  }
}

function boxOf(drawn: Drawn, lines: Line[]): Box {
  const box: Box = { low: [Infinity, Infinity], high: [-Infinity, -Infinity] };
  for (const line of lines) {
    const points = drawn.arrays.get(line.array);
    if (!points) continue;
    for (let i = 0; i + 1 < points.length; i += 2) {
      for (const k of [0, 1] as const) {
        const v = points[i + k]!;
        if (!Number.isFinite(v)) continue;
        box.low[k] = Math.min(box.low[k], v);
        box.high[k] = Math.max(box.high[k], v);
      }
    }
  }
  return box;
}

function pathOf(points: ArrayLike<number>, place: Placed): string {
  let d = "";
  let pen = false;
  for (let i = 0; i + 1 < points.length; i += 2) {
    const [a, b] = [points[i]!, points[i + 1]!];
    if (!Number.isFinite(a) || !Number.isFinite(b)) {
      pen = false;
      continue;
    }
    const [x, y] = place.at(a, b);
    d += `${pen ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`;
    pen = true;
  }
  return d;
}
