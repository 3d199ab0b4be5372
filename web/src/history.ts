/** The list of revisions: lay any over the pictures, make one current again, note why. */

import type { Desk } from "./desk";
import { announce, clear, h } from "./dom";
import type { Revision } from "./messages";
import { W } from "./words";

const MOST_LAID = 8;
const MOST_LISTED = 50;

export class History {
  readonly element = h("aside", { class: "history", "aria-labelledby": "history-title", hidden: true });
  private list = h("ol", {});

  constructor(
    private desk: Desk,
    private compare: () => void,
  ) {
    const close = h("button", { type: "button", class: "icon", "aria-label": W.history.close, click: () => this.toggle(false) }, "×");
    const none = h("button", { type: "button", click: () => this.layNone() }, W.history.none);
    this.element.append(h("header", {}, h("h2", { id: "history-title" }, W.history.title), none, close), this.list);
    this.element.addEventListener("keydown", (event) => event.key === "Escape" && this.toggle(false));
    desk.revised.on(() => this.renew());
  }

  toggle(on: boolean = Boolean(this.element.hidden)): void {
    this.element.hidden = !on;
    document.documentElement.toggleAttribute("data-history", on);
    if (on) this.element.querySelector<HTMLElement>("button")?.focus();
  }

  private layNone(): void {
    for (const r of this.desk.revisions) if (r.pinned) this.desk.tell({ type: "unpin", revision: r.revision });
  }

  private renew(): void {
    const active = document.activeElement as HTMLElement | null;
    const focused = active && this.list.contains(active) ? active.dataset["key"] : undefined;
    if (active instanceof HTMLInputElement && active.type === "text" && this.list.contains(active)) return;
    const rows = this.desk.revisions.slice(0, MOST_LISTED).map((r) => this.row(r));
    clear(this.list, ...(rows.length ? rows : [h("li", {}, W.history.empty)]));
    if (focused) this.list.querySelector<HTMLElement>(`[data-key="${focused}"]`)?.focus();
  }

  private row(r: Revision): HTMLElement {
    const pin = h("input", { type: "checkbox", checked: r.pinned, "aria-label": W.history.pin(r.revision), "data-key": `pin-${r.revision}` });
    pin.addEventListener("change", () => this.pin(r, pin));
    const note = h("input", { type: "text", value: r.note, placeholder: W.history.note, "aria-label": W.history.noteFor(r.revision), "data-key": `note-${r.revision}` });
    note.addEventListener("change", () => this.desk.tell({ type: "note", revision: r.revision, text: note.value }));
    const when = new Date(r.when * 1000).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
    return h(
      "li", { class: r.current ? "current" : "", "data-revision": r.revision },
      h("div", { class: "line" }, h("b", {}, String(r.revision)), h("span", { class: "what", title: r.what }, r.what || "–"),
        r.current ? h("span", { class: "mark" }, W.history.current) : h("label", {}, pin, ` ${W.history.layOver}`)),
      h("div", { class: "line small" }, h("span", {}, `${when}, ${r.who} · ${r.state === "solved" ? W.history.solved : W.history.unsolved}`),
        r.current ? h("button", { type: "button", click: this.compare }, W.history.compare)
          : h("button", { type: "button", "data-key": `goto-${r.revision}`, click: () => this.desk.tell({ type: "goto", revision: r.revision }) }, W.history.goto)),
      note,
    );
  }

  private pin(r: Revision, box: HTMLInputElement): void {
    const laid = this.desk.revisions.filter((q) => q.pinned && !q.current).length;
    if (box.checked && laid >= MOST_LAID) {
      box.checked = false;
      return announce(W.history.limit);
    }
    this.desk.tell({ type: box.checked ? "pin" : "unpin", revision: r.revision });
  }
}
