/** The head line: which design, which revision, back and forth, the long work, how it looks. */

import type { Desk } from "./desk";
import { clear, h } from "./dom";
import { refresh } from "./ink";
import { keep, kept } from "./memory";
import type { Job } from "./messages";
import { duration, W } from "./words";

type Theme = "system" | "light" | "dark";

export class Head {
  readonly element = h("header", { class: "head" });
  private name = h("h1", {});
  private title = h("span", { class: "title" });
  private designs = h("select", { "aria-label": W.head.design });
  private stamp = h("span", { class: "stamp" });
  private back = h("button", { type: "button", title: W.head.backTitle }, W.head.back);
  private forth = h("button", { type: "button", title: W.head.forthTitle }, W.head.forth);
  private rest = h("input", { type: "checkbox" });
  private work = h("div", { class: "work", role: "group", "aria-label": W.work["title"]! });
  private theme = kept<Theme>("theme", "system");
  private look = h("button", { type: "button", class: "look", title: W.head.look });

  constructor(
    private desk: Desk,
    show: { history: () => void; keys: () => void },
  ) {
    const history = h("button", { type: "button", click: show.history }, W.head.history);
    const keys = h("button", { type: "button", click: show.keys }, W.head.help);
    const report = h("button", { type: "button", click: () => desk.tell({ type: "report", revision: desk.state?.revision }) }, W.head.report);
    this.element.append(
      h("div", { class: "naming" }, this.name, this.title, this.designs), this.stamp,
      h("div", { class: "tools" }, this.back, this.forth, this.work, h("label", { class: "rest", title: W.head.restTitle }, this.rest, ` ${W.head.rest}`), history, report, keys, this.look),
    );
    this.rest.addEventListener("change", () => desk.tell({ type: "rest", solve: this.rest.checked }));
    this.back.addEventListener("click", () => desk.tell({ type: "undo" }));
    this.forth.addEventListener("click", () => desk.tell({ type: "redo" }));
    this.look.addEventListener("click", () => this.turn());
    this.designs.addEventListener("change", () => desk.open(this.designs.value));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => refresh());
    this.put(this.theme);
    desk.welcomed.on(() => this.renew());
    desk.stated.on(() => this.renew());
    desk.worked.on(() => this.renewWork());
  }

  private renew(): void {
    const { welcome, state } = this.desk;
    const designs = welcome?.designs ?? [];
    const open = state?.design ?? welcome?.design ?? "";
    clear(this.designs, ...(state ? [] : [h("option", { value: "" }, W.head.none)]), ...designs.map((d) => h("option", { value: d, selected: d === open }, d)));
    this.name.textContent = state?.name ?? W.product;
    this.title.textContent = state?.title ?? "";
    this.title.title = state?.title ?? "";
    document.title = state ? `${state.name} – ${W.product}` : W.product;
    this.rest.checked = state?.solve_at_rest ?? false;
    this.back.disabled = !state?.can_undo;
    this.forth.disabled = !state?.can_redo;
    const words = !state?.sections.length ? "" : state.is_solved ? W.head.isSolved : W.head.notSolved;
    clear(this.stamp, state && state.sections.length ? h("b", {}, W.head.revision(state.revision)) : null, words ? ` ${words}` : null);
    this.renewWork();
  }

  private renewWork(): void {
    const busy = this.desk.jobs.filter((j) => j.state === "waiting" || j.state === "running" || j.state === "stopping");
    const { state } = this.desk;
    const shown = busy.slice(0, 2).map((job) => this.jobOf(job));
    const solve = h("button", { type: "button", class: "solve", click: () => this.desk.tell({ type: "start", work: "solve", options: {} }) }, W.head.solve);
    const wants = state && state.sections.length > 0 && !state.is_solved && !busy.some((j) => j.work === "solve");
    const failed = this.desk.jobs[0]?.state === "failed" ? this.desk.jobs[0] : null;
    const cool = this.desk.warm || !state?.is_solved ? null : h("span", { class: "title" }, W.head.cool);
    clear(this.work, cool, failed ? h("span", { class: "failed", role: "alert", title: failed.error ?? "" }, `${W.work[failed.work] ?? failed.work}: ${W.work["failed"]}. ${failed.error ?? ""}`) : null, wants ? solve : null, ...shown);
  }

  private jobOf(job: Job): HTMLElement {
    const name = W.work[job.work] ?? job.work;
    const share = job.total > 0 ? job.done / job.total : 0;
    const left = duration(job.left_s);
    const far = job.work === "search" ? `${Math.round(100 * share)} %` : W.head.of(job.done, job.total);
    const words = job.state !== "running" ? `${name} ${W.work[job.state]}` : `${name} ${far}${left ? `, ${W.head.left(left)}` : ""}`;
    const bar = h("progress", { max: 1, value: share, "aria-label": name });
    const stop = h("button", { type: "button", class: "stop", disabled: job.state === "stopping", click: () => this.desk.tell({ type: "stop", job: job.job }) }, W.head.stop);
    return h("div", { class: "job", "data-job": job.job, title: job.what }, bar, h("span", {}, words), stop);
  }

  private turn(): void {
    const dark = this.theme === "system" ? matchMedia("(prefers-color-scheme: dark)").matches : this.theme === "dark";
    this.put(dark ? "light" : "dark");
  }

  private put(theme: Theme): void {
    this.theme = theme;
    keep("theme", theme);
    if (theme === "system") delete document.documentElement.dataset["theme"];
    else document.documentElement.dataset["theme"] = theme;
    const dark = theme === "dark" || (theme === "system" && matchMedia("(prefers-color-scheme: dark)").matches);
    this.look.textContent = dark ? W.head.light : W.head.dark;
    refresh();
  }
}
