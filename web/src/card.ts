/** One answer on the sheet: its question, which revision it shows, its choices, the picture, its words. */

import type { Desk, Picture } from "./desk";
import { Shown } from "./desk";
import { announce, clear, h } from "./dom";
import { CrossoverHandle } from "./strip";
import { laid, strokeOf } from "./ink";
import { sample } from "./swatch";
import { MapView } from "./map";
import { copyTable, saveCsv, savePng, saveSvg } from "./files";
import { PanelsView, type Look } from "./panels";
import { hertz } from "./scale";
import { TableView } from "./tables";
import { ChangesView } from "./changes";
import { SearchView } from "./search";
import { W } from "./words";

export interface Tile {
  id: string;
  kind: string;
  options: Record<string, string>;
  wide: number;
  tall: number;
  kept: boolean;
  span?: number;
  shift?: number;
  hidden?: string[];
}

type View = PanelsView | MapView | TableView | ChangesView | SearchView;

export interface CardHost {
  changed(): void;
  remove(card: Card): void;
  move(card: Card, by: number): void;
}

const HIDDEN_FIRST: Record<string, string[]> = { handover: ["beamwidth-diagonal", "lobing"] };
const SPANS = [0, 10, 20, 30, 40, 60];

export class Card {
  readonly element: HTMLElement;
  private stamp = h("div", { class: "stamp" });
  private choices = h("div", { class: "choices" });
  private legend = h("div", { class: "legend" });
  private figures = h("dl", { class: "figures" });
  private stage = h("div", { class: "stage" });
  private caption = h("p", { class: "caption" });
  private menu = h("div", { class: "menu", hidden: true });
  private view: View | null = null;
  private handle: CrossoverHandle | null = null;
  private less: number | null = null;
  private family = "";
  private watch: ResizeObserver;
  private catalogued = "";

  constructor(
    private desk: Desk,
    readonly tile: Tile,
    private host: CardHost,
  ) {
    const title = W.ask.questions[tile.kind] ?? tile.kind;
    const name = `answer-${tile.id}`;
    const more = h("button", { type: "button", class: "icon", "aria-expanded": "false", "aria-label": `${W.answer.tools}: ${title}`, title: W.answer.tools }, "⋯");
    more.addEventListener("click", () => this.openMenu(more));
    const pin = h("button", { type: "button", class: "icon keep", "aria-pressed": String(tile.kept), "aria-label": `${W.answer.keep}: ${title}`, title: W.answer.kept }, "⚲");
    pin.addEventListener("click", () => {
      tile.kept = !tile.kept;
      pin.setAttribute("aria-pressed", String(tile.kept));
      host.changed();
    });
    const away = h("button", { type: "button", class: "icon", "aria-label": `${W.answer.away}: ${title}`, title: W.answer.away, click: () => host.remove(this) }, "×");
    this.element = h(
      "section",
      { class: "tile answer", "aria-labelledby": name, "data-kind": tile.kind, "data-id": tile.id },
      h("header", {}, h("h2", { id: name }, title), h("div", { class: "buttons" }, pin, more, away)),
      this.menu,
      h("div", { class: "words" }, this.stamp, this.choices, this.figures, this.legend),
      this.stage,
      this.caption,
      this.grip(),
    );
    tile.hidden ??= HIDDEN_FIRST[tile.kind] ?? [];
    this.size();
    this.watch = new ResizeObserver(() => this.fit());
    this.watch.observe(this.stage);
    this.menu.addEventListener("keydown", (event) => {
      if (event.key !== "Escape") return;
      this.closeMenu(more);
      more.focus();
    });
    this.element.addEventListener("focusout", (event) => {
      const to = event.relatedTarget as Node | null;
      if (!this.menu.hidden && to && !this.element.contains(to)) this.closeMenu(more);
    });
    document.addEventListener("pointerdown", (event) => {
      if (!this.menu.hidden && !this.menu.contains(event.target as Node) && event.target !== more) this.closeMenu(more);
    });
  }

  close(): void {
    this.watch.disconnect();
    this.view?.close();
    this.element.remove();
  }

  /** For measuring: the next drawing makes everything anew. */
  cool(): void {
    if (this.view instanceof PanelsView) this.view.cool();
  }

  get drawnMs(): number {
    return this.view?.drawnMs ?? 0;
  }

  /** The picture in hand, drawn anew. */
  show(): void {
    this.showChoices();
    if (this.tile.kind === "changes" || this.tile.kind === "search") return this.showOwn();
    const shown = this.desk.pictures.get(this.tile.id) ?? new Shown();
    const current = shown.current;
    if (this.less !== null && !shown.pinned.has(this.less)) this.less = null;
    this.element.toggleAttribute("aria-busy", !current);
    if (!current) return this.nothing(this.desk.state?.file.state === "broken" ? W.answer.mend : W.answer.waiting);
    this.showStamp(current, shown);
    if (!current.head.family) return this.nothing(current.head.reason ?? "", this.workFor());
    this.ready(current.head.family);
    this.caption.textContent = current.head.caption;
    this.caption.title = current.head.caption;
    this.showFigures(current);
    this.showLegend(current, shown);
    const work = this.workFor();
    if (work) this.legend.append(work);
    this.view!.show(shown, this.look);
    this.showHandle(current);
  }

  private showHandle(current: Picture): void {
    const { crossover, x } = current.head;
    if (!(this.view instanceof PanelsView) || !crossover || !x) return this.handle?.show(undefined, [20, 20000]);
    if (!this.handle) {
      this.handle = new CrossoverHandle(this.desk, this.view);
      const handle = this.handle;
      this.view.onLayout = () => handle.place();
    }
    this.view.overlay = this.handle.element;
    this.handle.show(this.look.less === null ? crossover : undefined, [x.min, x.max]);
  }

  private get look(): Look {
    return { span: this.tile.span ?? 0, shift: this.tile.shift ?? 0, hidden: new Set(this.tile.hidden), less: this.less };
  }

  private nothing(words: string, action: HTMLElement | null = null): void {
    this.view?.close();
    this.view = null;
    this.handle = null;
    this.family = "";
    clear(this.stage, h("div", { class: "nothing" }, h("p", {}, words), action));
    clear(this.legend);
    clear(this.figures);
    this.caption.textContent = "";
  }

  private workFor(): HTMLElement | null {
    const work = this.desk.pictures.get(this.tile.id)?.current?.head.needs ?? "";
    if (!work || !this.desk.welcome?.works.includes(work)) return null;
    return h("button", { type: "button", click: () => this.desk.tell({ type: "start", work, options: {} }) }, W.answer.start[work] ?? work);
  }

  private ready(family: string): void {
    if (this.family === family && this.view) return;
    this.view?.close();
    this.family = family;
    this.handle = null;
    const label = () => `${this.desk.pictures.get(this.tile.id)?.current?.head.title ?? ""}. ${this.stamp.textContent}. ${family === "table" ? "" : W.answer.readings}`;
    this.view = family === "map" ? new MapView(label) : family === "table" ? new TableView(label) : new PanelsView(label);
    if (this.view instanceof MapView || this.view instanceof PanelsView) {
      const view = this.view;
      view.onRead = () => announce(view.readings());
    }
    clear(this.stage, this.view.element);
    this.fit();
  }

  private fit(): void {
    this.view?.resize(this.stage.clientWidth, this.stage.clientHeight);
  }

  private showStamp(current: Picture, shown: Shown): void {
    const head = current.head;
    const now = this.desk.state?.revision ?? head.revision;
    const isOld = head.revision !== now && !head.provisional;
    const provisional = head.provisional;
    this.element.dataset["state"] = provisional ? (provisional.exact ? "exact" : "provisional") : isOld ? "old" : head.state;
    const parts: string[] = [];
    const isWish = provisional !== null && provisional.seq !== null && this.desk.wishing !== null;
    parts.push(isOld ? W.answer.old(head.revision, now) : isWish ? W.answer.wish(head.revision) : W.answer.current(head.revision));
    if (provisional) {
      const model = W.answer.models[provisional.model] ?? provisional.model;
      const on = provisional.from !== null && provisional.from !== undefined && !isWish ? ` ${W.answer.on(provisional.from)}` : "";
      const band = provisional.band_hz ? W.answer.band(hertz(provisional.band_hz[0]), hertz(provisional.band_hz[1]), provisional.frequencies) : "";
      parts.push(provisional.exact ? W.answer.exact : `${W.answer.provisional}: ${model}${on}${band ? `, ${band}` : ""}`);
    } else parts.push(head.state === "solved" ? W.history.solved : head.state === "unsolved" ? W.history.unsolved : "");
    const laidOver = [...shown.pinned.keys()].sort((a, b) => a - b);
    if (laidOver.length) parts.push(this.less === null ? W.answer.laid(laidOver.join(", ")) : W.answer.difference(this.less));
    this.stamp.textContent = parts.filter(Boolean).join(" · ");
    this.stamp.title = provisional?.words ?? this.stamp.textContent;
  }

  private showFigures(current: Picture): void {
    const numbers = (current.head.numbers ?? []).filter((n) => n.key !== "crossover");
    const rows = numbers.map((n) => {
      const sign = n.met === null ? "" : n.met ? " ✓" : " ✗";
      return h("div", { class: "figure", "data-met": String(n.met), title: n.target ? `${n.label}; ${W.answer.target}: ${n.target}` : n.label }, h("dt", {}, W.answer.figures[n.key] ?? n.label), h("dd", {}, `${n.text}${sign}`));
    });
    clear(this.figures, ...rows);
  }

  private showLegend(current: Picture, shown: Shown): void {
    const seen = new Set<string>();
    const items: HTMLElement[] = [];
    // what only a later panel shows is named there
    const first = (current.head.panels ?? []).find((p) => !this.tile.hidden?.includes(p.key));
    for (const panel of first ? [first] : []) {
      panel.series.forEach((s, i) => {
        if (seen.has(s.label)) return;
        seen.add(s.label);
        items.push(h("span", { class: "key" }, sample(strokeOf(s.role, s.way, i)), s.label));
      });
      for (const b of (current.head.panels ?? []).filter((p) => !this.tile.hidden?.includes(p.key)).flatMap((p) => p.bands)) {
        if (seen.has(b.label)) continue;
        seen.add(b.label);
        items.push(h("span", { class: "key" }, h("i", { class: `patch ${b.role}` }), b.label));
      }
    }
    if (items.length && this.look.less === null) {
      [...shown.pinned.keys()].sort((a, b) => a - b).forEach((r, i) => items.push(h("span", { class: "key" }, sample(laid(strokeOf("sum", null, 0), i)), String(r))));
    }
    clear(this.legend, ...items);
  }

  /** What the page makes itself: what a change did, and the search for a shape. */
  private showOwn(): void {
    if (!(this.view instanceof ChangesView || this.view instanceof SearchView)) {
      this.view = this.tile.kind === "search" ? new SearchView(this.desk) : new ChangesView(this.desk);
      clear(this.stage, this.view.element);
    }
    this.view.renew();
    this.stamp.textContent = this.view.stamp;
    this.element.dataset["state"] = "solved";
  }

  private showChoices(): void {
    const entry = this.desk.welcome?.pictures.find((p) => p.kind === this.tile.kind);
    const ways = this.desk.state?.ways ?? [];
    const key = JSON.stringify([entry, ways, this.tile.options, this.desk.measured.map((m) => m.measured)]);
    if (key === this.catalogued) return;
    this.catalogued = key;
    const selects = Object.entries(entry?.options ?? {}).map(([name, choice]) => {
      let choices = choice.choices;
      if (name === "of") choices = [...choices.filter((c) => !ways.includes(c)), ...ways];
      if (name === "way") choices = ways;
      if (name === "of") choices = [...choices, ...this.desk.measured.map((m) => `measured:${m.measured}`)];
      if (name === "pair") choices = choices.slice(0, Math.max(1, ways.length - 1));
      if (choices.length < 2) return null;
      const words = (c: string) => (name === "pair" ? W.answer.pairChoice(Number(c)) : (this.desk.measured.find((m) => `measured:${m.measured}` === c)?.name ?? W.answer.choice[c] ?? c));
      const now = this.tile.options[name] ?? (name === "way" ? ways[0] : choice.default);
      const select = h("select", { "data-option": name }, ...choices.map((c) => h("option", { value: c, selected: c === now }, words(c))));
      select.addEventListener("change", () => {
        this.tile.options = { ...this.tile.options, [name]: select.value };
        this.host.changed();
      });
      return h("label", {}, h("span", { class: "unseen" }, W.answer.option[name] ?? name), select);
    });
    clear(this.choices, ...selects);
  }

  // --- tools ---

  private openMenu(more: HTMLElement): void {
    if (!this.menu.hidden) return this.closeMenu(more);
    const button = (words: string, act: () => void, stay = false) =>
      h("button", { type: "button", click: () => { act(); if (!stay) this.closeMenu(more); } }, words);
    const sizes = [
      button(W.answer.wider, () => this.grow(1, 0), true), button(W.answer.narrower, () => this.grow(-1, 0), true),
      button(W.answer.taller, () => this.grow(0, 1), true), button(W.answer.lower, () => this.grow(0, -1), true),
      button(W.answer.earlier, () => this.host.move(this, -1), true), button(W.answer.later, () => this.host.move(this, 1), true),
    ];
    const picture = this.desk.pictures.get(this.tile.id)?.current ?? null;
    const files = picture?.head.family
      ? [
          picture.head.family === "table" ? null : button(W.answer.svg, () => void saveSvg(this.desk, this.tile, this.look)),
          picture.head.family === "table" ? null : button(W.answer.png, () => void savePng(this.desk, this.tile, this.look)),
          button(W.answer.csv, () => void saveCsv(this.desk, this.tile)),
          button(W.answer.copy, () => void copyTable(this.desk, this.tile)),
        ]
      : [];
    clear(this.menu, h("p", { class: "caption" }, picture?.head.caption ?? ""), h("div", { class: "menu-row" }, ...sizes), ...this.levels(picture), this.panels(picture), this.lessOf(), h("div", { class: "menu-row" }, ...files), this.sets(), this.fitting());
    this.menu.hidden = false;
    more.setAttribute("aria-expanded", "true");
    this.menu.querySelector<HTMLElement>("button")?.focus();
  }

  private sets(): HTMLElement | null {
    if (this.tile.kind !== "measured" || !this.desk.measured.length) return null;
    const off = (m: { measured: string; name: string }) => h("button", { type: "button", click: () => this.desk.tell({ type: "forget", measured: m.measured }) }, `${W.drop.forget}: ${m.name}`);
    return h("div", { class: "menu-row" }, ...this.desk.measured.map(off));
  }

  private fitting(): HTMLElement | null {
    if (this.tile.kind !== "filters" || !this.desk.welcome?.works.includes("filters")) return null;
    const button = (work: string) => h("button", { type: "button", click: () => this.desk.tell({ type: "start", work, options: {} }) }, W.answer.start[work]!);
    return h("div", { class: "menu-row" }, button("filters"), this.desk.state?.ways.length === 2 ? button("passive") : null);
  }

  private closeMenu(more: HTMLElement): void {
    this.menu.hidden = true;
    more.setAttribute("aria-expanded", "false");
  }

  private levels(picture: Picture | null): (HTMLElement | null)[] {
    const hasLevel = picture?.head.family === "map" || picture?.head.panels?.some((p) => p.unit === "dB");
    if (!hasLevel) return [];
    const span = h("select", {}, ...SPANS.map((v) => h("option", { value: v, selected: v === (this.tile.span ?? 0) }, v ? `${v} dB` : W.answer.auto)));
    span.addEventListener("change", () => this.set({ span: Number(span.value) }));
    const shift = (by: number) => this.set({ shift: (this.tile.shift ?? 0) + by });
    return [
      h("div", { class: "menu-row" }, h("label", {}, W.answer.span, " ", span),
        h("button", { type: "button", click: () => shift(-3) }, W.answer.shift.up), h("button", { type: "button", click: () => shift(3) }, W.answer.shift.down),
        h("button", { type: "button", click: () => { this.set({ shift: 0, span: 0 }); this.view?.whole(); } }, W.answer.whole)),
    ];
  }

  private panels(picture: Picture | null): HTMLElement | null {
    const panels = picture?.head.panels ?? [];
    if (panels.length < 2) return null;
    const boxes = panels.map((p) => {
      const box = h("input", { type: "checkbox", checked: !this.tile.hidden?.includes(p.key) });
      box.addEventListener("change", () => {
        const hidden = new Set(this.tile.hidden);
        if (box.checked) hidden.delete(p.key);
        else hidden.add(p.key);
        if (hidden.size < panels.length) this.set({ hidden: [...hidden] });
        else box.checked = true;
      });
      return h("label", {}, box, " ", p.label);
    });
    return h("fieldset", {}, h("legend", {}, W.answer.panels), ...boxes);
  }

  private lessOf(): HTMLElement | null {
    const laidOver = [...(this.desk.pictures.get(this.tile.id)?.pinned.keys() ?? [])].sort((a, b) => a - b);
    if (!laidOver.length || this.family === "table") return null;
    const select = h("select", { "data-option": "less" }, h("option", { value: "" }, W.answer.values), ...laidOver.map((r) => h("option", { value: r, selected: r === this.less }, W.answer.difference(r))));
    select.addEventListener("change", () => {
      this.less = select.value === "" ? null : Number(select.value);
      this.show();
    });
    return h("div", { class: "menu-row" }, h("label", {}, W.answer.show, " ", select));
  }

  private set(part: Partial<Tile>): void {
    Object.assign(this.tile, part);
    this.host.changed();
    this.show();
  }

  private grow(wide: number, tall: number): void {
    this.tile.wide = Math.min(Math.max(this.tile.wide + wide, 3), 12);
    this.tile.tall = Math.min(Math.max(this.tile.tall + tall, 5), 24);
    this.size();
    this.host.changed();
  }

  private size(): void {
    this.element.style.gridColumn = `span ${this.tile.wide}`;
    this.element.style.gridRow = `span ${this.tile.tall}`;
  }

  /** The corner: pull it to size the answer by whole steps of the sheet. */
  private grip(): HTMLElement {
    const grip = h("div", { class: "grip", "aria-hidden": "true" });
    let from: { x: number; y: number; wide: number; tall: number } | null = null;
    grip.addEventListener("pointerdown", (event) => {
      grip.setPointerCapture(event.pointerId);
      from = { x: event.clientX, y: event.clientY, wide: this.tile.wide, tall: this.tile.tall };
    });
    grip.addEventListener("pointermove", (event) => {
      if (!from) return;
      const step = { x: this.element.clientWidth / this.tile.wide, y: this.element.clientHeight / this.tile.tall };
      const wide = from.wide + Math.round((event.clientX - from.x) / step.x);
      const tall = from.tall + Math.round((event.clientY - from.y) / step.y);
      if (wide !== this.tile.wide || tall !== this.tile.tall) this.grow(wide - this.tile.wide, tall - this.tile.tall);
    });
    grip.addEventListener("pointerup", () => (from = null));
    return grip;
  }
}
