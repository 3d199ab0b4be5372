/** What the page knows: the design, its revisions, the pictures on screen, and the wish that is being dragged. */

import { Signal } from "./dom";
import { Link, type Keys, type LinkState } from "./link";
import type {
  Conflict, DesignState, Field, Geometry, Job, MeasuredSet, PictureHead, Refused, Revision, SearchStep, Welcome,
} from "./messages";
import type { Frame, Numbers } from "./wire";

export interface Picture {
  head: PictureHead;
  arrays: Map<string, Numbers>;
  shapes: Map<string, number[]>;
}

export interface Drawn {
  head: Geometry;
  arrays: Map<string, Numbers>;
}

export interface Wanted {
  id: string;
  kind: string;
  options: Record<string, string>;
}

export interface Wish {
  path: string;
  value?: number;
  unit?: string;
  text?: string;
}

/** Pictures of one place on the sheet: the current one and those laid over it. */
export class Shown {
  current: Picture | null = null;
  pinned = new Map<number, Picture>();
}

export class Desk {
  welcome: Welcome | null = null;
  state: DesignState | null = null;
  revisions: Revision[] = [];
  jobs: Job[] = [];
  measured: MeasuredSet[] = [];
  geometry: Drawn | null = null;
  body: Drawn | null = null;
  conflict: Conflict | null = null;
  /** False while the quick model is made ready: a pull then waits. */
  warm = true;
  wishing: number | null = null;
  pictures = new Map<string, Shown>();
  private wanted: Wanted[] = [];
  private seq = 0;
  private pending: Wish[] | null = null;

  readonly welcomed = new Signal<Welcome>();
  readonly stated = new Signal<DesignState>();
  readonly drawn = new Signal<Drawn>();
  readonly pictured = new Signal<string>();
  readonly revised = new Signal<Revision[]>();
  readonly worked = new Signal<Job[]>();
  readonly searched = new Signal<{ step: SearchStep; job: string }>();
  readonly dropped = new Signal<MeasuredSet[]>();
  readonly linked = new Signal<LinkState>();
  readonly refused = new Signal<Refused>();
  readonly conflicted = new Signal<Conflict>();
  readonly ready = new Signal<{ url: string; name: string }>();
  readonly noticed = new Signal<string>();
  readonly link: Link;

  constructor(
    readonly keys: Keys,
    private keep: (keys: Keys) => void,
    private design: string | null,
  ) {
    const tab = Math.random().toString(36).slice(2, 10);
    this.link = new Link(
      keys,
      () => ({ type: "hello", page: "1", tab, ...(this.design ? { design: this.design } : {}) }),
      (frame) => this.hear(frame),
      (state) => this.linkChanged(state),
    );
  }

  field(path: string): Field | null {
    for (const section of this.state?.sections ?? []) {
      for (const field of section.fields) if (field.path === path) return field;
    }
    return null;
  }

  // --- what the page asks ---

  open(design: string): void {
    this.design = design;
    this.forget();
    this.link.send({ type: "open", design });
  }

  want(pictures: Wanted[]): void {
    this.wanted = pictures;
    const keep = new Set(pictures.map((p) => p.id));
    for (const id of [...this.pictures.keys()]) if (!keep.has(id)) this.pictures.delete(id);
    this.subscribe();
  }

  /** A wish in mid-drag; the newest of each frame is sent. */
  drag(changes: Wish[]): void {
    const first = this.pending === null;
    this.pending = changes;
    if (first) requestAnimationFrame(() => this.sendWish());
  }

  /** Write the wish: one revision. */
  async accept(note = ""): Promise<Refused | null> {
    this.sendWish();
    const seq = this.wishing;
    if (seq === null) return null;
    this.wishing = null;
    return this.answer({ type: "accept", seq, base: this.state?.revision, ...(note ? { note } : {}) });
  }

  release(): void {
    this.pending = null;
    if (this.wishing === null) return;
    this.wishing = null;
    this.link.send({ type: "release" });
  }

  edit(path: string, text: string): Promise<Refused | null> {
    this.pending = null;
    return this.answer({ type: "edit", path, text, base: this.state?.revision });
  }

  edits(changes: { path: string; text: string }[], note = ""): Promise<Refused | null> {
    return this.answer({ type: "edits", changes, base: this.state?.revision, ...(note ? { note } : {}) });
  }

  tell(header: object): void {
    this.link.send(header);
  }

  async answer(header: object): Promise<Refused | null> {
    const frame = await this.link.ask(header);
    return frame.header.type === "error" ? (frame.header as unknown as Refused) : null;
  }

  // --- what the server says ---

  private sendWish(): void {
    if (this.pending === null) return;
    this.seq += 1;
    this.wishing = this.seq;
    this.link.send({ type: "drag", seq: this.seq, changes: this.pending });
    this.pending = null;
  }

  private subscribe(): void {
    this.link.send({ type: "subscribe", pictures: this.wanted });
  }

  private forget(): void {
    for (const shown of this.pictures.values()) {
      shown.current = null;
      shown.pinned.clear();
    }
    this.geometry = this.body = null;
  }

  private linkChanged(state: LinkState): void {
    this.wishing = this.pending = null;
    this.linked.say(state);
  }

  private hear(frame: Frame): void {
    const { header } = frame;
    const said = header as unknown;
    switch (header.type) {
      case "welcome":
        this.welcome = said as Welcome;
        this.takeKeys(this.welcome);
        this.design = this.welcome.design ?? this.design;
        this.welcomed.say(this.welcome);
        this.subscribe();
        break;
      case "state":
        this.hearState(said as DesignState);
        break;
      case "geometry":
        this.hearGeometry(frame);
        break;
      case "picture":
        this.hearPicture(frame);
        break;
      case "revisions":
        this.hearRevisions((said as { list: Revision[] }).list);
        break;
      case "jobs":
        this.jobs = (said as { list: Job[] }).list;
        this.worked.say(this.jobs);
        break;
      case "progress":
        this.hearProgress(said as Job);
        break;
      case "search-step":
        this.searched.say(said as { step: SearchStep; job: string });
        break;
      case "measured":
        this.measured = (said as { list: MeasuredSet[] }).list;
        this.dropped.say(this.measured);
        break;
      case "conflict":
        this.conflict = said as Conflict;
        this.conflicted.say(this.conflict);
        break;
      case "error":
        this.refused.say(said as Refused);
        break;
      case "warm":
        this.warm = (said as { ready: boolean }).ready;
        this.worked.say(this.jobs);
        break;
      case "notice":
        this.noticed.say((said as { text: string }).text);
        break;
      case "file-ready":
        this.ready.say(said as { url: string; name: string });
        break;
    }
  }

  /** The keys are kept before the server hears that the old word may go. */
  private takeKeys({ token, resume }: Welcome): void {
    const before = this.keys.resume;
    Object.assign(this.keys, { token, resume });
    this.keep(this.keys);
    this.link.send({ type: "kept", before });
  }

  private hearState(state: DesignState): void {
    if (this.state && this.state.design !== state.design) this.forget();
    this.state = state;
    this.design = state.design;
    this.stated.say(state);
  }

  private hearGeometry(frame: Frame): void {
    const drawn = { head: frame.header as unknown as Geometry, arrays: frame.arrays };
    if (this.stale(drawn.head.provisional?.seq)) return;
    this.geometry = drawn;
    if (drawn.head.body) this.body = drawn;
    this.drawn.say(drawn);
  }

  private hearPicture(frame: Frame): void {
    const head = frame.header as unknown as PictureHead;
    const shown = this.pictures.get(head.id) ?? new Shown();
    this.pictures.set(head.id, shown);
    const picture = { head, arrays: frame.arrays, shapes: frame.shapes };
    if (head.current) {
      if (this.stale(head.provisional?.seq)) return;
      shown.current = picture;
      shown.pinned.delete(head.revision);
    } else if (this.isPinned(head.revision)) shown.pinned.set(head.revision, picture);
    this.pictured.say(head.id);
  }

  /** An answer to a wish that was given up, or an older one than is wished now and already drawn. */
  private stale(seq: number | undefined): boolean {
    return seq !== undefined && seq > 0 && this.wishing === null && this.pending === null && seq < this.seq;
  }

  private isPinned(revision: number): boolean {
    return this.revisions.length === 0 || this.revisions.some((r) => r.revision === revision && r.pinned);
  }

  private hearRevisions(list: Revision[]): void {
    this.revisions = list;
    const pinned = new Set(list.filter((r) => r.pinned && !r.current).map((r) => r.revision));
    for (const [id, shown] of this.pictures) {
      const gone = [...shown.pinned.keys()].filter((r) => !pinned.has(r));
      for (const revision of gone) shown.pinned.delete(revision);
      if (gone.length) this.pictured.say(id);
    }
    this.revised.say(list);
  }

  private hearProgress(job: Job): void {
    const place = this.jobs.findIndex((j) => j.job === job.job);
    if (place < 0) this.jobs.unshift(job);
    else this.jobs[place] = job;
    this.worked.say(this.jobs);
  }
}
