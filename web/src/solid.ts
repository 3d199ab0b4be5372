/** The body in three dimensions; fetched with its library when first asked for. */

import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, EdgesGeometry, Group, LineBasicMaterial, LineSegments, Mesh,
  MeshLambertMaterial, PerspectiveCamera, Scene, WebGLRenderer,
} from "three";
import type { Drawn } from "./desk";
import { h, once } from "./dom";
import { ink, inked, wayColour } from "./ink";
import { W } from "./words";

export class SolidView {
  readonly element = h("div", { class: "solid", tabindex: "0", role: "group", "aria-label": W.drawing.solidLabel });
  private canvas = h("canvas", { "aria-hidden": "true" });
  private renderer: WebGLRenderer | null = null;
  private scene = new Scene();
  private camera = new PerspectiveCamera(28, 1, 0.01, 20);
  private body = new Group();
  private turn = { azimuth: 0.6, elevation: 0.25, distance: 1.6 };
  private drawn: Drawn | null = null;
  private ways: string[] = [];
  private paint = once(() => this.render());

  constructor() {
    try {
      this.renderer = new WebGLRenderer({ canvas: this.canvas, antialias: true, alpha: true });
    } catch {
      this.element.append(h("p", { class: "hint" }, W.drawing.noWebgl));
      return;
    }
    this.element.append(this.canvas);
    const sun = new DirectionalLight(0xffffff, 2.2);
    sun.position.set(2, 1.2, 2);
    this.scene.add(new AmbientLight(0xffffff, 1.1), sun, this.body);
    this.canvas.addEventListener("pointerdown", (event) => this.canvas.setPointerCapture(event.pointerId));
    this.canvas.addEventListener("pointermove", (event) => event.buttons && this.rotate(-event.movementX * 0.01, event.movementY * 0.01));
    this.canvas.addEventListener("wheel", (event) => this.zoom(event), { passive: false });
    this.element.addEventListener("keydown", (event) => this.key(event));
    inked.on(() => this.drawn && this.show(this.drawn, this.ways, true));
  }

  show(drawn: Drawn, ways: string[], again = false): void {
    if (!this.renderer) return;
    if (this.drawn === drawn && !again) return this.resize();
    this.drawn = drawn;
    this.ways = ways;
    for (const child of [...this.body.children]) {
      this.body.remove(child);
      if (child instanceof Mesh || child instanceof LineSegments) child.geometry.dispose();
    }
    const [vertices, triangles, part] = [drawn.arrays.get("vertices"), drawn.arrays.get("triangles"), drawn.arrays.get("part")];
    if (!vertices || !triangles) return;
    const names = drawn.head.parts ?? ["rigid"];
    names.forEach((name, number) => {
      const index: number[] = [];
      for (let t = 0; t * 3 < triangles.length; t++) if ((part?.[t] ?? 0) === number) index.push(triangles[3 * t]!, triangles[3 * t + 1]!, triangles[3 * t + 2]!);
      if (!index.length) return;
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(vertices as Float32Array, 3));
      geometry.setIndex(index);
      const flat = geometry.toNonIndexed();
      flat.computeVertexNormals();
      const way = ways.indexOf(name);
      const colour = new Color(number === 0 || way < 0 ? ink("edge") : wayColour(way));
      this.body.add(new Mesh(flat, new MeshLambertMaterial({ color: colour })));
      this.body.add(new LineSegments(new EdgesGeometry(flat, 35), new LineBasicMaterial({ color: new Color(ink("ink")), transparent: true, opacity: 0.55 })));
    });
    this.centre(vertices);
    this.resize();
  }

  resize(): void {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (!this.renderer || width < 20 || height < 20) return;
    this.renderer.setPixelRatio(devicePixelRatio || 1);
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / height;
    this.camera.updateProjectionMatrix();
    this.paint();
  }

  private centre(vertices: ArrayLike<number>): void {
    const low = [Infinity, Infinity, Infinity];
    const high = [-Infinity, -Infinity, -Infinity];
    for (let i = 0; i < vertices.length; i++) {
      low[i % 3] = Math.min(low[i % 3]!, vertices[i]!);
      high[i % 3] = Math.max(high[i % 3]!, vertices[i]!);
    }
    this.body.position.set(-(low[0]! + high[0]!) / 2, -(low[1]! + high[1]!) / 2, -(low[2]! + high[2]!) / 2);
    this.turn.distance = Math.hypot(high[0]! - low[0]!, high[1]! - low[1]!, high[2]! - low[2]!) * 2.3;
  }

  private render(): void {
    const { azimuth, elevation, distance } = this.turn;
    this.camera.up.set(0, 0, 1);
    this.camera.position.set(distance * Math.cos(elevation) * Math.cos(azimuth), distance * Math.cos(elevation) * Math.sin(azimuth), distance * Math.sin(elevation));
    this.camera.lookAt(0, 0, 0);
    this.renderer?.render(this.scene, this.camera);
  }

  private rotate(across: number, up: number): void {
    this.turn.azimuth += across;
    this.turn.elevation = Math.min(Math.max(this.turn.elevation + up, -1.4), 1.4);
    this.paint();
  }

  private zoom(event: WheelEvent): void {
    event.preventDefault();
    this.turn.distance *= Math.exp(event.deltaY * 0.001);
    this.paint();
  }

  private key(event: KeyboardEvent): void {
    if (event.key === "ArrowLeft") this.rotate(-0.1, 0);
    else if (event.key === "ArrowRight") this.rotate(0.1, 0);
    else if (event.key === "ArrowUp") this.rotate(0, 0.1);
    else if (event.key === "ArrowDown") this.rotate(0, -0.1);
    else if (event.key === "+") this.turn.distance *= 0.9;
    else if (event.key === "-") this.turn.distance /= 0.9;
    else return;
    event.preventDefault();
    this.paint();
  }
}
