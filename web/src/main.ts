/** The page: takes the key from the address, joins its parts, opens the socket. */

import "uplot/dist/uPlot.min.css";
import "./style.css";
import { Desk } from "./desk";
import { h } from "./dom";
import { Head } from "./head";
import { History } from "./history";
import type { Keys } from "./link";
import { Notices } from "./notices";
import { Rail } from "./rail";
import { Sheet } from "./sheet";
import { W } from "./words";

const KEYS = "evenfield.keys";

function takeKeys(): { keys: Keys; design: string | null } {
  const given = new URLSearchParams(location.hash.slice(1));
  const kept = JSON.parse(sessionStorage.getItem(KEYS) ?? "{}") as Partial<Keys>;
  const keys = { token: given.get("token") ?? kept.token ?? "", resume: kept.resume ?? "" };
  keepKeys(keys);
  const design = given.get("design");
  if (location.hash) history.replaceState(null, "", location.pathname);
  return { keys, design };
}

/** In this tab only; gone with it. */
function keepKeys(keys: Keys): void {
  sessionStorage.setItem(KEYS, JSON.stringify(keys));
}

function start(): void {
  const page = document.getElementById("page")!;
  const { keys, design } = takeKeys();
  if (!keys.token && !keys.resume) {
    page.append(h("p", { class: "refused" }, W.link.refused));
    return;
  }
  const desk = new Desk(keys, keepKeys, design);
  const notices = new Notices(desk);
  const sheet = new Sheet(desk);
  const rail = new Rail(desk);
  const past = new History(desk, () => sheet.ask("changes"));
  const head = new Head(desk, { history: () => past.toggle(), keys: () => notices.keys() });
  notices.added.say = () => sheet.ask("measured");
  page.append(head.element, notices.line, h("div", { class: "below" }, rail.element, past.element, sheet.element));
  document.addEventListener("keydown", (event) => shortcut(event, desk, rail, past, notices));
  Object.assign(window, { evenfield: { desk, sheet } });
  desk.link.open();
}

function shortcut(event: KeyboardEvent, desk: Desk, rail: Rail, past: History, notices: Notices): void {
  const typing = event.target instanceof HTMLInputElement || event.target instanceof HTMLSelectElement || event.target instanceof HTMLTextAreaElement;
  const key = event.key.toLowerCase();
  if ((event.ctrlKey || event.metaKey) && !typing) {
    if (key === "z" && !event.shiftKey) desk.tell({ type: "undo" });
    else if (key === "y" || (key === "z" && event.shiftKey)) desk.tell({ type: "redo" });
    else return;
    event.preventDefault();
  } else if (!typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
    if (key === "/") rail.focusSearch();
    else if (key === "h") past.toggle();
    else if (key === "?") notices.keys();
    else return;
    event.preventDefault();
  }
}

start();
