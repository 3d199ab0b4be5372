/** What stands over the sheet: lost server, conflict, keys, dropped files. */

import type { Desk } from "./desk";
import { announce, clear, h } from "./dom";
import type { Conflict } from "./messages";
import { W } from "./words";

const KINDS = /\.(sofa|csv|txt|wav|zip)$/i;

export class Notices {
  readonly line = h("div", { class: "notice", role: "status", hidden: true });
  private timer = 0;

  constructor(private desk: Desk) {
    desk.linked.on((state) => {
      if (state === "lost") this.say(W.link.lost, true);
      else if (state === "open" && !this.line.hidden) this.say(W.link.back);
    });
    desk.conflicted.on((conflict) => this.conflict(conflict));
    desk.refused.on((refused) => {
      if (!refused.path && refused.seq === undefined) this.say(refused.text);
    });
    desk.ready.on(({ url, name }) => this.open(url, name));
    this.dropping();
  }

  say(words: string, stays = false): void {
    window.clearTimeout(this.timer);
    clear(this.line, words);
    this.line.hidden = false;
    if (!stays) this.timer = window.setTimeout(() => (this.line.hidden = true), 6000);
  }

  keys(): void {
    const rows = W.keys.list.map(([key, words]) => h("tr", {}, h("th", { scope: "row" }, key!), h("td", {}, words!)));
    this.dialog(W.keys.title, h("table", {}, h("tbody", {}, ...rows)), [[W.history.close, () => {}]]);
  }

  private open(url: string, name: string): void {
    const link = h("a", { href: url, target: "_blank", rel: "noopener" }, name);
    window.clearTimeout(this.timer);
    clear(this.line, link);
    this.line.hidden = false;
    window.open(url, "_blank", "noopener");
  }

  private conflict(conflict: Conflict): void {
    const here = conflict.page.map((c) => h("li", {}, `${c.path}: ${c.text}`));
    const there = conflict.disk.what.map((c) => h("li", {}, `${c.path ?? c.label}: ${c.before || "–"} → ${c.after || "–"}`));
    const body = h("div", {}, h("p", {}, W.conflict.words), h("h3", {}, W.conflict.there), h("ul", {}, ...there), h("h3", {}, W.conflict.here), h("ul", {}, ...here));
    const resolve = (choice: string) => () => this.desk.tell({ type: "resolve", choice, changes: conflict.page });
    this.dialog(W.conflict.title, body, [[W.conflict.disk, resolve("disk")], [W.conflict.page, resolve("page")]]);
  }

  private dialog(title: string, body: HTMLElement, acts: [string, () => void][]): void {
    const dialog = h("dialog", { "aria-labelledby": "dialog-title" }, h("h2", { id: "dialog-title" }, title), body);
    const buttons = acts.map(([words, act]) => h("button", { type: "button", click: () => { act(); dialog.close(); } }, words));
    dialog.append(h("div", { class: "buttons" }, ...buttons));
    dialog.addEventListener("close", () => dialog.remove());
    document.body.append(dialog);
    dialog.showModal();
  }

  private dropping(): void {
    const place = h("div", { class: "drop", hidden: true, "aria-hidden": "true" }, W.drop.here);
    document.body.append(place);
    const carries = (event: DragEvent) => event.dataTransfer?.types.includes("Files") ?? false;
    document.addEventListener("dragover", (event) => {
      if (!carries(event)) return;
      event.preventDefault();
      place.hidden = false;
    });
    document.addEventListener("dragleave", (event) => {
      if (event.relatedTarget === null) place.hidden = true;
    });
    document.addEventListener("drop", (event) => {
      if (!carries(event)) return;
      event.preventDefault();
      place.hidden = true;
      for (const file of event.dataTransfer?.files ?? []) void this.upload(file);
    });
  }

  /** Too large or of no known kind: refused before a byte is read. */
  async upload(file: File): Promise<void> {
    const limit = this.desk.welcome?.drop_limit_bytes ?? 0;
    if (file.size > limit) return this.say(W.drop.big(file.name, Math.floor(limit / 1e6)));
    if (!KINDS.test(file.name)) return this.say(W.drop.kind(file.name));
    this.say(W.drop.reading(file.name), true);
    try {
      const answer = await fetch(`/drop?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file, headers: { Authorization: `Bearer ${this.desk.token}` } });
      const said = (await answer.json().catch(() => ({}))) as { error?: string };
      this.say(answer.ok ? W.drop.added(file.name) : W.drop.failed(file.name, said.error ?? answer.statusText));
      if (answer.ok) this.added.say();
    } catch {
      this.say(W.link.lost);
    }
    announce(this.line.textContent ?? "");
  }

  readonly added = { say: () => {} };
}
