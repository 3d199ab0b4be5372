/** What a change did: values, verdict lines gained and lost, figures before and after. */

import type { Desk } from "./desk";
import { clear, h } from "./dom";
import type { Changes } from "./messages";
import { reading } from "./scale";
import { W } from "./words";

export class ChangesView {
  readonly element = h("div", { class: "table changes", tabindex: "0", role: "group", "aria-label": W.ask.questions["changes"]! });
  drawnMs = 0;
  private pair: [number, number] | null = null;
  private chosen: [number, number] | null = null;
  private asked = "";

  constructor(private desk: Desk) {}

  close(): void {}
  resize(): void {}
  whole(): void {}
  show(): void {}
  readings(): string {
    return "";
  }

  get stamp(): string {
    return this.pair ? `${W.changes.from} ${this.pair[0]} ${W.changes.to} ${this.pair[1]}` : "";
  }

  choose(from: number, to: number): void {
    this.chosen = [from, to];
    this.renew();
  }

  /** Ask again when the current revision, or what is known of it, is another. */
  renew(): void {
    const list = this.desk.revisions;
    const now = list.find((r) => r.current);
    const before = now ? (now.parent ?? list.find((r) => r.revision < now.revision)?.revision ?? null) : null;
    const pair = this.chosen ?? (now && before !== null ? [before, now.revision] : null);
    if (!pair) return clear(this.element, h("p", { class: "nothing" }, W.changes.need));
    const key = `${pair.join()}|${list.filter((r) => pair.includes(r.revision)).map((r) => r.state).join()}|${this.desk.state?.is_solved}`;
    if (key === this.asked) return;
    this.asked = key;
    this.pair = pair as [number, number];
    void this.ask(...this.pair);
  }

  private async ask(from: number, to: number): Promise<void> {
    try {
      const frame = await this.desk.link.ask({ type: "changes", from, to });
      if (frame.header.type === "changes") this.draw(frame.header as unknown as Changes);
    } catch {
      this.asked = "";
    }
  }

  private draw(found: Changes): void {
    const told = found.lines.filter((l) => l.verdict !== "same");
    const same = found.lines.length - told.length;
    const parts: (HTMLElement | null)[] = [
      found.reason ? h("p", { class: "summary" }, found.reason) : null,
      found.what.length ? rows(W.changes.what, ["", W.changes.before, W.changes.after], found.what.map((c) => [c.label, c.before || "–", c.after || "–"])) : h("p", { class: "summary" }, W.changes.none),
      told.length ? rows(W.changes.lines, ["", W.changes.before, W.changes.after, ""], told.map((l) => [`${l.group}: ${l.name}`, l.before, l.after, W.changes.verdicts[l.verdict] ?? l.verdict]), told.map((l) => l.verdict)) : null,
      same ? h("p", { class: "caption" }, W.changes.hidden(same)) : null,
      found.numbers.length ? rows(W.changes.numbers, ["", W.changes.before, W.changes.after], found.numbers.map((n) => [n.label, ...(n.text ?? [figure(n.before, n.unit), figure(n.after, n.unit)])])) : null,
    ];
    clear(this.element, ...parts);
  }
}

function figure(value: number | string | null, unit: string): string {
  if (value === null) return "–";
  return typeof value === "number" ? `${reading(value, unit)} ${unit}`.trim() : value;
}

function rows(title: string, head: string[], body: string[][], states: string[] = []): HTMLElement {
  return h(
    "table", {},
    h("thead", {}, h("tr", {}, ...head.map((t, i) => (i === 0 || t ? h("th", { scope: "col" }, i === 0 ? title : t) : h("td", {}))))),
    h("tbody", {}, ...body.map((row, k) => h("tr", { "data-state": states[k] ?? "" }, ...row.map((text, i) => (i === 0 ? h("th", { scope: "row" }, text) : h("td", {}, text)))))),
  );
}
