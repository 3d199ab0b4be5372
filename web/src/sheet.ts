/** The sheet: the drawing, and around it the answers that were asked for; which, how large and in what order is the reader's. */

import { Card, type Tile } from "./card";
import type { Desk } from "./desk";
import { clear, h, once } from "./dom";
import { Drawing } from "./drawing";
import { keep, kept } from "./memory";
import { W } from "./words";

const FIRST: Tile[] = [
  { id: "handover", kind: "handover", options: {}, wide: 7, tall: 12, kept: true },
  { id: "polar", kind: "polar", options: {}, wide: 5, tall: 9, kept: true },
  { id: "verdict", kind: "verdict", options: {}, wide: 7, tall: 6, kept: true },
  { id: "curves", kind: "curves", options: {}, wide: 6, tall: 10, kept: true },
  { id: "fan", kind: "fan", options: {}, wide: 6, tall: 10, kept: false },
];
const ROWS_ON_SCREEN = 18;
const LEAST_ROW = 33;

export class Sheet {
  readonly element = h("main", { class: "sheet-place" });
  private bar = h("div", { class: "ask", role: "group", "aria-label": W.ask.label });
  private sheet = h("div", { class: "sheet" });
  private cards: Card[] = [];
  private drawing: Drawing;
  private tiles: Tile[] = kept<Tile[]>("sheet", FIRST);
  private dirty = new Set<string>();
  private paint = once(() => this.paintDirty());

  constructor(private desk: Desk) {
    this.drawing = new Drawing(desk);
    this.drawing.element.style.gridColumn = "span 5";
    this.drawing.element.style.gridRow = "span 9";
    this.sheet.append(this.drawing.element);
    this.element.append(this.bar, this.sheet);
    desk.welcomed.on(() => this.askBar());
    desk.stated.on(() => this.all());
    desk.revised.on(() => this.all());
    desk.dropped.on(() => this.all());
    desk.pictured.on((id) => this.touch(id));
    for (const tile of this.tiles) this.add(tile);
    this.subscribe();
    new ResizeObserver(() => this.rows()).observe(this.sheet);
  }

  /** For measuring: what each picture took to draw last, ms. */
  times(): Record<string, number> {
    return Object.fromEntries(this.cards.map((c) => [c.tile.id, c.drawnMs]));
  }

  ask(kind: string): void {
    const there = this.cards.find((c) => c.tile.kind === kind);
    if (there) return this.lead(there);
    const free = [...this.cards].reverse().find((c) => !c.tile.kept);
    const tile: Tile = { id: `${kind}-${Date.now().toString(36)}`, kind, options: {}, wide: free?.tile.wide ?? 6, tall: free?.tile.tall ?? 10, kept: false };
    const card = this.add(tile);
    if (free) {
      free.element.replaceWith(card.element);
      this.cards.splice(this.cards.indexOf(card), 1);
      this.cards.splice(this.cards.indexOf(free), 1, card);
      free.close();
    }
    this.changed();
    this.lead(card);
  }

  private lead(card: Card): void {
    const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
    card.element.scrollIntoView({ block: "nearest", behavior: calm ? "auto" : "smooth" });
    card.element.querySelector<HTMLElement>("[tabindex='0']")?.focus({ preventScroll: true });
  }

  private add(tile: Tile): Card {
    const card = new Card(this.desk, tile, {
      changed: () => this.changed(),
      remove: (c) => this.remove(c),
      move: (c, by) => this.move(c, by),
    });
    this.cards.push(card);
    this.sheet.append(card.element);
    card.show();
    return card;
  }

  private remove(card: Card): void {
    this.cards.splice(this.cards.indexOf(card), 1);
    card.close();
    this.changed();
    this.bar.querySelector<HTMLElement>(`[data-kind="${card.tile.kind}"]`)?.focus();
  }

  private move(card: Card, by: number): void {
    const from = this.cards.indexOf(card);
    const to = Math.min(Math.max(from + by, 0), this.cards.length - 1);
    this.cards.splice(from, 1);
    this.cards.splice(to, 0, card);
    for (const c of this.cards) this.sheet.append(c.element);
    this.changed();
  }

  private changed(): void {
    this.tiles = this.cards.map((c) => c.tile);
    keep("sheet", this.tiles);
    this.askBar();
    this.subscribe();
    for (const card of this.cards) card.show();
  }

  private subscribed = "";

  private subscribe(): void {
    const wanted = this.cards.filter((c) => c.tile.kind !== "changes" && c.tile.kind !== "search").map(({ tile }) => ({ id: tile.id, kind: tile.kind, options: tile.options }));
    const key = JSON.stringify(wanted);
    if (key === this.subscribed) return;
    this.subscribed = key;
    this.desk.want(wanted);
  }

  private askBar(): void {
    const kinds = [...(this.desk.welcome?.pictures.map((p) => p.kind) ?? []), "changes", "search"];
    const focused = (document.activeElement as HTMLElement | null)?.dataset?.["kind"];
    const on = new Set(this.cards.map((c) => c.tile.kind));
    clear(
      this.bar,
      h("span", { class: "ask-title", "aria-hidden": "true" }, W.ask.title),
      ...kinds.map((kind) => h("button", { type: "button", "data-kind": kind, "aria-pressed": String(on.has(kind)), title: W.ask.questions[kind] ?? kind, click: () => this.ask(kind) }, W.ask.short[kind] ?? kind)),
    );
    if (focused) this.bar.querySelector<HTMLElement>(`[data-kind="${focused}"]`)?.focus();
  }

  private all(): void {
    for (const card of this.cards) this.dirty.add(card.tile.id);
    this.paint();
  }

  private touch(id: string): void {
    this.dirty.add(id);
    this.paint();
  }

  private paintDirty(): void {
    for (const card of this.cards) if (this.dirty.has(card.tile.id)) card.show();
    this.dirty.clear();
    document.documentElement.dataset["painted"] = String(performance.now());
  }

  /** Rows so high that the first of the sheet fill the screen. */
  private rows(): void {
    const height = Math.max(LEAST_ROW, this.sheet.clientHeight / ROWS_ON_SCREEN);
    this.sheet.style.gridAutoRows = `${height}px`;
  }
}
