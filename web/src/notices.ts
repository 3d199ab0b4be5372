/** What stands over the sheet: lost server, conflict, keys, dropped files. */

import type { Desk } from "./desk";
import { clear, h } from "./dom";
import type { Conflict, Job, Proposal } from "./messages";
import { W } from "./words";

const KINDS = /\.(sofa|csv|nc|wav)$/i;

export class Notices {
  readonly line = h("div", { class: "notice", role: "status", hidden: true });
  private timer = 0;
  private fits = new Map<string, string>();

  constructor(private desk: Desk) {
    desk.linked.on((state) => {
      if (state === "lost") this.say(W.link.lost, true);
      else if (state === "refused") this.say(W.link.again, true);
      else if (state === "open" && !this.line.hidden) this.say(W.link.back);
    });
    desk.noticed.on((text) => this.say(text, true));
    desk.conflicted.on((conflict) => this.conflict(conflict));
    desk.refused.on((refused) => {
      if (!refused.path && refused.seq === undefined) this.say(refused.text);
    });
    desk.worked.on((jobs) => {
      for (const job of jobs.filter((j) => j.work === "filters" || j.work === "passive")) {
        const before = this.fits.get(job.job);
        this.fits.set(job.job, job.state);
        if (before && before !== "done" && job.state === "done") void this.propose(job);
      }
    });
    desk.ready.on(({ url, name }) => this.open(url, name));
    this.dropping();
  }

  say(words: string, stays = false): void {
    window.clearTimeout(this.timer);
    const away = h("button", { type: "button", class: "icon", "aria-label": W.history.close, click: () => (this.line.hidden = true) }, "×");
    clear(this.line, h("span", {}, words), away);
    this.line.hidden = false;
    if (!stays) this.timer = window.setTimeout(() => (this.line.hidden = true), 6000);
  }

  keys(): void {
    const rows = W.keys.list.map(([key, words]) => h("tr", {}, h("th", { scope: "row" }, key!), h("td", {}, words!)));
    this.dialog(W.keys.title, h("table", {}, h("tbody", {}, ...rows)), [[W.history.close, () => {}]]);
  }

  /** Links to what was made: the report comes as a page and as a PDF. */
  private open(url: string, name: string): void {
    const links = [...this.line.querySelectorAll("a")];
    links.push(h("a", { href: url, target: "_blank", rel: "noopener" }, name));
    this.say(W.report(""), true);
    this.line.querySelector("span")!.after(...links);
  }

  /** A fit that ended: what it would change, to be taken over or left. */
  private async propose(job: Job): Promise<void> {
    const frame = await this.desk.link.ask({ type: "proposal", work: job.work, revision: job.revision }).catch(() => null);
    if (!frame || frame.header.type !== "proposal") return;
    const found = frame.header as unknown as Proposal;
    const rows = found.what.map((c) => h("tr", {}, h("th", { scope: "row" }, c.label), h("td", {}, c.before || "–"), h("td", {}, c.after || "–")));
    const body = h("div", {}, ...found.words.map((w) => h("p", {}, w)), ...(found.notes ?? []).map((w) => h("p", { class: "caption" }, w)),
      rows.length ? h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, W.changes.what), h("th", { scope: "col" }, W.changes.before), h("th", { scope: "col" }, W.changes.after))), h("tbody", {}, ...rows)) : h("p", {}, W.proposal.none));
    const leave: [string, () => void] = [W.proposal.leave, () => {}];
    this.dialog(job.work === "passive" ? W.proposal.passive : W.proposal.title, body, rows.length ? [[W.proposal.adopt, () => this.desk.tell({ type: "adopt", work: job.work, revision: job.revision })], leave] : [leave]);
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
      void this.upload([...(event.dataTransfer?.files ?? [])]);
    });
  }

  /** Too large or of no known kind: refused before a byte is read. */
  async upload(files: File[]): Promise<void> {
    const limit = this.desk.welcome?.drop_limit_bytes ?? 0;
    for (const file of files) {
      if (file.size > limit) return this.say(W.drop.big(file.name, Math.floor(limit / 2 ** 20)), true);
      if (!KINDS.test(file.name)) return this.say(W.drop.kind(file.name), true);
    }
    const name = files[0]?.name ?? "";
    this.say(W.drop.reading(name), true);
    try {
      const answer = await this.post(files);
      const said = (await answer.json().catch(() => ({}))) as { error?: string };
      this.say(answer.ok ? W.drop.added(name) : W.drop.failed(name, said.error ?? answer.statusText), !answer.ok);
      if (answer.ok) this.added.say();
    } catch {
      this.say(W.link.lost);
    }
  }

  /** One file by itself; several as one set, closed by a request without a name. */
  private async post(files: File[]): Promise<Response> {
    const headers = { Authorization: `Bearer ${this.desk.keys.token}` };
    if (files.length === 1) return fetch(`/drop?name=${encodeURIComponent(files[0]!.name)}`, { method: "POST", body: files[0]!, headers });
    const word = Math.random().toString(36).slice(2, 12);
    for (const file of files) {
      const answer = await fetch(`/drop?set=${word}&name=${encodeURIComponent(file.name)}`, { method: "POST", body: file, headers });
      if (!answer.ok) return answer;
    }
    return fetch(`/drop?set=${word}`, { method: "POST", body: "", headers });
  }

  readonly added = { say: () => {} };
}
