/** Table pictures: rows of words, in groups, with what other revisions found beside. */

import type { Shown } from "./desk";
import { clear, h } from "./dom";
import type { PictureHead } from "./messages";
import { W } from "./words";

const STATE_SIGN: Record<string, string> = { met: "✓", "not met": "✗", "not judged": "–" };

export class TableView {
  readonly element = h("div", { class: "table", tabindex: "0", role: "group" });
  drawnMs = 0;

  constructor(private label: () => string) {}

  close(): void {}
  resize(): void {}
  whole(): void {}
  readings(): string {
    return "";
  }

  show(shown: Shown): void {
    const head = shown.current?.head;
    this.element.setAttribute("aria-label", this.label());
    if (!head?.columns || !head.rows) return clear(this.element);
    const begin = performance.now();
    const laid = [...shown.pinned.values()].map((p) => p.head).filter((p) => p.rows).sort((a, b) => a.revision - b.revision);
    clear(this.element, head.summary ? h("p", { class: "summary" }, head.summary) : null, table(head, laid));
    this.drawnMs = performance.now() - begin;
  }
}

function table(head: PictureHead, laid: PictureHead[]): HTMLTableElement {
  const columns = head.columns!.map((c, i) => ({ ...c, i })).filter(({ i }) => head.rows!.some((r) => r[i] !== ""));
  const found = columns.find((c) => c.key === "found" || c.key === "value");
  const th = (text: string, align: string) => (text ? h("th", { scope: "col", class: align }, text) : h("td", {}, h("span", { class: "unseen" }, W.answer.state)));
  const body = h("tbody");
  let group = "";
  head.rows!.forEach((row, k) => {
    const here = head.groups?.[k] ?? "";
    if (here !== group) {
      group = here;
      body.append(h("tr", { class: "group" }, h("th", { scope: "rowgroup", colspan: columns.length }, here)));
    }
    const state = head.row_state?.[k] ?? "";
    const line = h("tr", { "data-state": state.replace(" ", "-") });
    for (const c of columns) {
      const text = row[c.i] ?? "";
      if (c.key === "state") line.append(h("td", { class: `state ${c.align}` }, STATE_SIGN[state] ? `${STATE_SIGN[state]} ` : "", STATE_SIGN[state] ? h("span", { class: "unseen" }, text) : text));
      else if (c.i === 0) line.append(h("th", { scope: "row", class: c.align }, text));
      else line.append(h("td", { class: c.align }, text, ...(c === found ? laid.map((other) => laidOver(other, head.row_key?.[k] ?? "", c.key, text)) : [])));
    }
    body.append(line);
  });
  const titles: HTMLElement[] = [];
  for (const c of columns) {
    titles.push(th(c.label, c.align));
  }
  return h("table", {}, h("thead", {}, h("tr", {}, ...titles)), body);
}

/** What another revision says, under the current one: the table keeps its width however many are laid over. */
function laidOver(head: PictureHead, key: string, column: string, now: string): HTMLElement {
  const text = cellOf(head, key, column);
  return h("div", { class: "laid" }, h("span", { class: "number" }, `${head.revision} `), text === now ? W.answer.asNow : text || "–");
}

function cellOf(head: PictureHead, key: string, column: string): string {
  const row = head.row_key?.indexOf(key) ?? -1;
  const i = head.columns?.findIndex((c) => c.key === column) ?? -1;
  return row < 0 || i < 0 ? "" : (head.rows?.[row]?.[i] ?? "");
}
