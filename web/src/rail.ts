/** The design as an outline: groups in the order of the work, each with its few governing quantities first. */

import type { Desk } from "./desk";
import { clear, h } from "./dom";
import { FieldRow } from "./field";
import type { DesignState, Field, Section } from "./messages";
import { keep, kept } from "./memory";
import { W } from "./words";

const ORDER = Object.keys(W.rail.groups);
const CLOSED_FIRST = new Set(["motor", "other"]);

export class Rail {
  readonly element = h("nav", { class: "rail", "aria-label": W.rail.title });
  private rows = new Map<string, FieldRow>();
  private shape = "";
  private body = h("div", { class: "outline" });
  private warning = h("div", { class: "warning", role: "alert", hidden: true });
  private search = h("input", { type: "search", class: "find", placeholder: W.rail.find, "aria-label": W.rail.find });
  private open = new Set<string>(kept<string[]>("rail-open", []));
  private closed = new Set<string>(kept<string[]>("rail-closed", []));
  private sections: Section[] = [];

  constructor(private desk: Desk) {
    this.element.append(this.search, this.warning, this.body);
    this.search.addEventListener("input", () => this.build());
    desk.stated.on((state) => this.renew(state));
    desk.refused.on((refused) => {
      const path = refused.path ?? "";
      if (refused.re === undefined && path) this.rows.get(path)?.refuse(refused);
    });
  }

  focusSearch(): void {
    this.search.focus();
    this.search.select();
  }

  private renew(state: DesignState): void {
    const broken = state.file.state !== "good";
    this.warning.hidden = !broken;
    if (broken) {
      const head = state.file.state === "gone" ? W.rail.gone : state.sections.length ? W.rail.broken(state.file.line) : W.rail.never(state.file.line);
      clear(this.warning, h("p", {}, head), state.file.error ? h("p", { class: "why" }, state.file.error) : null);
    }
    this.sections = state.sections;
    const shape = JSON.stringify(state.sections.map((s) => [s.key, s.fields.map((f) => [f.path, f.kind, f.unit, f.governing])])) + state.design;
    if (shape !== this.shape) {
      this.shape = shape;
      this.build();
    } else for (const section of state.sections) for (const field of section.fields) this.rows.get(field.path)?.renew(field);
  }

  private build(): void {
    const focused = (document.activeElement as HTMLElement | null)?.dataset?.["path"];
    this.rows.clear();
    const wanted = this.search.value.trim().toLowerCase();
    const groups = ORDER.map((group) => ({ group, sections: this.sections.filter((s) => (s.group ?? "other") === group) }));
    clear(this.body, ...groups.filter((g) => g.sections.length).map((g) => this.group(g.group, g.sections, wanted)));
    if (focused) this.body.querySelector<HTMLElement>(`[data-path="${focused}"]`)?.focus();
  }

  private group(group: string, sections: Section[], wanted: string): HTMLElement {
    const title = W.rail.groups[group] ?? group;
    const single = sections.length === 1 && (group === "brief" || group === "rooms");
    const isOpen = wanted !== "" || (CLOSED_FIRST.has(group) ? this.open.has(group) : !this.closed.has(group));
    const parts = sections.map((section) => this.section(section, wanted, !single));
    if (wanted && parts.every((p) => p === null)) return h("div", { hidden: true });
    const body = h("div", { class: "group-body", hidden: !isOpen }, ...parts);
    const head = h("button", { type: "button", class: "group-head", "aria-expanded": String(isOpen) }, title);
    head.addEventListener("click", () => {
      body.hidden = !body.hidden;
      head.setAttribute("aria-expanded", String(!body.hidden));
      const [set, name] = CLOSED_FIRST.has(group) ? ([this.open, "rail-open"] as const) : ([this.closed, "rail-closed"] as const);
      if (body.hidden === CLOSED_FIRST.has(group)) set.delete(group);
      else set.add(group);
      keep(name, [...set]);
    });
    return h("section", { class: "group" }, h("h2", {}, head), body);
  }

  private section(section: Section, wanted: string, titled: boolean): HTMLElement | null {
    const match = (f: Field) => {
      const words = `${section.label} ${f.label} ${f.path}`.toLowerCase();
      return wanted.split(/\s+/).every((w) => words.includes(w));
    };
    const fields = wanted ? section.fields.filter(match) : section.fields;
    if (!fields.length) return null;
    const first = wanted ? fields : fields.filter((f) => f.governing);
    const rest = wanted ? [] : fields.filter((f) => !f.governing);
    const further = h("div", { class: "further", hidden: true });
    const isOpen = this.open.has(section.key);
    const button = h("button", { type: "button", class: "more", "aria-expanded": "false" }, W.rail.more(rest.length));
    const toggle = (on: boolean) => {
      if (on && !further.childElementCount) further.append(...this.list(rest));
      further.hidden = !on;
      button.setAttribute("aria-expanded", String(on));
      button.textContent = on ? W.rail.fewer : W.rail.more(rest.length);
    };
    button.addEventListener("click", () => {
      toggle(Boolean(further.hidden));
      if (further.hidden) this.open.delete(section.key);
      else this.open.add(section.key);
      keep("rail-open", [...this.open]);
    });
    if (isOpen && rest.length) toggle(true);
    return h("div", { class: "part", "data-key": section.key }, titled ? h("h3", {}, section.label) : null, ...this.list(first), further, wanted ? null : this.adder(section), rest.length ? button : null);
  }

  /** A filter's section: its number, and a way to take it out. */
  private itemHead(path: string, number: number): HTMLElement {
    const isSection = /\.filters\.sections\.\d+$/.test(path);
    const out = h("button", { type: "button", class: "icon", "aria-label": W.list.out(number), title: W.list.out(number), click: () => void this.desk.edit(path, "").catch(() => null) }, "×");
    return h("h4", {}, String(number), isSection ? out : null);
  }

  private adder(section: Section): HTMLElement | null {
    if (section.group !== "filters") return null;
    const add = () => void this.desk.edit(`${section.key}.sections.+`, W.list.first).catch(() => null);
    return h("button", { type: "button", class: "more", click: add }, W.list.add);
  }

  /** Rows, with a small heading before each item of a list (a filter's sections). */
  private list(fields: Field[]): HTMLElement[] {
    const found: HTMLElement[] = [];
    let item = "";
    for (const field of fields) {
      const at = /^(.*\.)(\d+)\.[^.]+$/.exec(field.path);
      const here = at ? `${at[1]}${at[2]}` : "";
      if (here && here !== item) found.push(this.itemHead(here, Number(at![2]) + 1));
      item = here;
      const row = new FieldRow(this.desk, field);
      this.rows.set(field.path, row);
      found.push(row.element);
    }
    return found;
  }
}
