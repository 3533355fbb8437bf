// The board: the drawing from above, its view, and what mouse, fingers and keys do on it.
import { svg } from "./app.js";
import { EDGES, ON_EDGES, ROLES, insertPoint, lineNear, pointNear, round, stretch, toPlane } from "./drawing_model.js";

const NEAR = 12; // pixels within which a click means a point or line
const FINGER = 22;
const DENSE = 0.55; // share of that for the line that clicks add to: its points may lie close together
const APART = 6; // pixels between points that are shown
const STILL = 4; // pixels that a click may move
const STEP = [0.2, 2]; // metres of an arrow key, without and with Shift
const LAYERS = ["picture", "laps", "answer", "shapes", "points", "words", "marks"];
const path = (points, ring) => `M${points.map(([x, y]) => `${x.toFixed(3)} ${(-y).toFixed(3)}`).join("L")}${ring ? "Z" : ""}`;
const dots = (points) => points.map(([x, y]) => `M${x} ${-y}h0`).join("");

export class Board {
  /** ``on``: chosen(), drawn(shape), picked(place), nudged(dx, dy), dragged(dx, dy, state) are called by the board. */
  constructor(place, scale, model, on) {
    Object.assign(this, { place, scaleBar: scale, model, on });
    this.view = { x: 0, y: 0, perPixel: 0.25 };
    this.tool = "choose";
    this.chosen = null; // {id, index}
    this.adding = null; // id of the line that clicks add to
    this.cross = null; // the keyboard's cross while drawing
    this.answer = null;
    this.laps = [];
    this.marks = [];
    this.pointers = new Map();
    this.layer = Object.fromEntries(LAYERS.map((name) => [name, svg("g", { "data-layer": name })]));
    place.append(...LAYERS.map((name) => this.layer[name]));
    new ResizeObserver(() => this.redraw()).observe(place);
    for (const name of ["pointerdown", "pointermove", "pointerup", "pointercancel", "keydown", "focus"]) place.addEventListener(name, (event) => this[name](event));
    place.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    place.addEventListener("pointerleave", () => { this.hover = null; this.drawMarks(); });
  }

  // The view

  redraw() {
    const { clientWidth: wide, clientHeight: tall } = this.place;
    if (!wide) return;
    const { x, y, perPixel } = this.view;
    this.place.setAttribute("viewBox", `${x - (wide * perPixel) / 2} ${-y - (tall * perPixel) / 2} ${wide * perPixel} ${tall * perPixel}`);
    this.drawPicture();
    this.drawLaps();
    this.drawAnswer();
    this.drawShapes();
    this.drawMarks();
    this.drawScale();
  }

  drawScale() {
    const most = 110 * this.view.perPixel;
    const power = 10 ** Math.floor(Math.log10(most));
    const metres = [5, 2, 1].map((k) => k * power).find((value) => value <= most) ?? power;
    this.scaleBar.textContent = metres < 1 ? `${Math.round(metres * 100)} cm` : `${metres} m`;
    this.scaleBar.style.width = `${metres / this.view.perPixel}px`;
  }

  placeOf(event) {
    const box = this.place.getBoundingClientRect();
    const { x, y, perPixel } = this.view;
    return [x + (event.clientX - box.left - box.width / 2) * perPixel, y - (event.clientY - box.top - box.height / 2) * perPixel];
  }

  zoom(factor, about = [this.view.x, this.view.y]) {
    const perPixel = Math.min(20, Math.max(0.002, this.view.perPixel * factor));
    const share = perPixel / this.view.perPixel;
    this.view = { x: about[0] + (this.view.x - about[0]) * share, y: about[1] + (this.view.y - about[1]) * share, perPixel };
    this.redraw();
  }

  pan(dx, dy) {
    this.view.x += dx;
    this.view.y += dy;
    this.redraw();
  }

  lookAt([x, y], perPixel = 0.08) {
    this.view = { x, y, perPixel: Math.min(this.view.perPixel, perPixel) };
    this.redraw();
  }

  showAll() {
    const points = this.model.shapes.flatMap((shape) => shape.points).concat(this.shiftedLaps().flat());
    const { picture } = this.model.drawing;
    if (picture && !points.length) points.push(...[[0, 0], [1, 0], [0, 1], [1, 1]].map(([u, v]) => toPlane(picture.matrix, [u * picture.size[0], v * picture.size[1]])));
    if (!points.length) return;
    let [west, east, south, north] = [Infinity, -Infinity, Infinity, -Infinity];
    for (const [x, y] of points) [west, east, south, north] = [Math.min(west, x), Math.max(east, x), Math.min(south, y), Math.max(north, y)];
    const { clientWidth: wide, clientHeight: tall } = this.place;
    const perPixel = Math.max((east - west) / (wide - 60), (north - south) / (tall - 60), 0.01);
    this.view = { x: (west + east) / 2, y: (south + north) / 2, perPixel };
    this.redraw();
  }

  // Drawing

  drawPicture() {
    const { picture } = this.model.drawing;
    if (!picture || !this.pictureAddress) {
      this.layer.picture.replaceChildren();
      return;
    }
    const [a, b, c, d, e, f] = picture.matrix;
    let image = this.layer.picture.firstChild;
    if (!image) {
      image = svg("image", { preserveAspectRatio: "none" });
      this.layer.picture.append(image);
    }
    if (image.getAttribute("href") !== this.pictureAddress) image.setAttribute("href", this.pictureAddress);
    const values = { width: picture.size[0], height: picture.size[1], transform: `matrix(${a} ${-b} ${c} ${-d} ${e} ${-f})`, opacity: picture.opacity ?? 1 };
    for (const [name, value] of Object.entries(values)) image.setAttribute(name, value);
  }

  shiftedLaps() {
    const [dx, dy] = this.model.drawing.laps?.shift ?? [0, 0];
    return this.laps.map((line) => line.map(([x, y]) => [x + dx, y + dy]));
  }

  drawLaps() {
    this.layer.laps.replaceChildren(...this.shiftedLaps().map((line) => svg("path", { class: "lap", d: path(line) })));
  }

  drawAnswer() {
    const { answer } = this;
    for (const layer of [this.layer.answer, this.layer.words]) layer.classList.toggle("stale", Boolean(this.stale));
    if (!answer?.reference) {
      this.layer.answer.replaceChildren();
      this.layer.words.replaceChildren();
      return;
    }
    const across = answer.across.map(([x, y, u, v]) => `M${x} ${-y}L${u} ${-v}`).join("");
    this.layer.answer.replaceChildren(
      svg("path", { class: "across", d: across }),
      svg("path", { class: "pale", d: path(answer.reference) }),
      svg("path", { class: "reference", d: path(answer.reference) }));
    this.layer.words.replaceChildren(
      ...answer.corners.map((corner) => this.text(corner.label, [corner.number, corner.name].filter(Boolean).join(" "))),
      this.text(answer.narrowest.place, `narrowest ${answer.narrowest.text}`));
  }

  drawShapes() {
    const drawn = [];
    const spots = [];
    for (const shape of this.model.shapes) {
      const picked = this.chosen?.id === shape.id;
      const about = `line ${shape.role}${picked ? " picked-line" : ""}`;
      if (shape.role === "corner" && this.tool !== "corner" && !picked && this.answer) continue; // the answer shows corners
      if (shape.points.length > 1) {
        const d = path(shape.points, shape.ring);
        drawn.push(svg("path", { class: "under", d }), svg("path", { class: about, d }));
      }
      spots.push(svg("path", { class: `line ${shape.role} dots`, d: dots(this.worthShowing(shape.points)) }));
    }
    for (const role of EDGES) {
      const edge = this.model.of(role)[0];
      if (edge?.points.length) drawn.push(this.text(this.outside(edge), ROLES[role].word.split(" ")[0]));
    }
    this.layer.shapes.replaceChildren(...drawn);
    const one = this.chosenPoint();
    if (one) spots.push(svg("path", { class: "one", d: dots([one]) }), svg("path", { class: "one-in", d: dots([one]) }));
    this.layer.points.replaceChildren(...spots);
  }

  /** Points in view, those that would lie over each other left out. */
  worthShowing(points) {
    const { x, y, perPixel } = this.view;
    const [wide, tall] = [0.55 * this.place.clientWidth * perPixel, 0.55 * this.place.clientHeight * perPixel];
    let last = null;
    return points.filter((point) => {
      if (Math.abs(point[0] - x) > wide || Math.abs(point[1] - y) > tall) return false;
      if (last && Math.hypot(point[0] - last[0], point[1] - last[1]) < APART * perPixel) return false;
      last = point;
      return true;
    });
  }

  /** A place for an edge's word: beside its first point, away from the other edge. */
  outside(edge) {
    const [x, y] = edge.points[0];
    const near = lineNear(this.edges().filter((one) => one !== edge), [x, y], Infinity);
    const far = 22 * this.view.perPixel;
    if (!near?.distance) return [x, y + far];
    return [x + (far * (x - near.place[0])) / near.distance, y + (far * (y - near.place[1])) / near.distance];
  }

  text([x, y], words, kind = "", lines = 0) {
    const { perPixel } = this.view;
    return svg("text", { x, y: -y - 12 * lines * perPixel, class: kind, "font-size": 13 * perPixel, "stroke-width": 3 * perPixel }, words);
  }

  drawMarks() {
    const size = 9 * this.view.perPixel;
    const marks = [];
    const adding = this.model.shape(this.adding);
    const tip = this.cross ?? this.hover;
    if (adding?.points.length && tip) marks.push(svg("path", { class: "next", d: path([adding.points.at(-1), this.snapped(tip)]) }));
    if (this.cross) {
      const [x, y] = this.cross;
      marks.push(svg("path", { class: "cross", d: `M${x - size} ${-y}h${2 * size}M${x} ${-y - size}v${2 * size}` }));
    }
    const ring = ([x, y], kind) => svg("path", { class: kind, d: `M${x - 1.4 * size} ${-y}a${1.4 * size} ${1.4 * size} 0 1 0 ${2.8 * size} 0a${1.4 * size} ${1.4 * size} 0 1 0 ${-2.8 * size} 0` });
    for (const { place, kind, word } of this.marks) marks.push(ring(place, kind), this.text(place, word, kind, 1.8));
    this.layer.marks.replaceChildren(...marks);
  }

  // What is chosen, and the tool

  chosenShape() { return this.chosen ? this.model.shape(this.chosen.id) : null; }
  chosenPoint() { return this.chosenShape()?.points[this.chosen.index] ?? null; }

  choose(shape, index = -1) {
    this.chosen = shape ? { id: shape.id, index } : null;
    this.drawShapes();
    this.on.chosen();
  }

  use(tool) {
    this.endLine();
    this.tool = tool;
    this.cross = null;
    this.hover = null;
    this.place.classList.toggle("adding", tool !== "choose" && !tool.startsWith("move-"));
    if (ROLES[tool]?.single) {
      const known = this.model.of(tool)[0];
      if (known && !known.ring && !ROLES[tool].most) this.adding = known.id;
      if (known) this.chosen = { id: known.id, index: known.points.length - 1 };
    } else if (ROLES[tool]) this.chosen = null;
    this.redraw();
    this.on.chosen();
  }

  /** The line that clicks add to ends; what is too short to be one is dropped. */
  endLine() {
    const shape = this.model.shape(this.adding);
    this.adding = null;
    if (!shape) return;
    const least = shape.role === "grip_zone" ? 3 : ROLES[shape.role].most ?? 2;
    if (!EDGES.includes(shape.role) && shape.points.length < least) {
      this.model.change((drawing) => { drawing.shapes = drawing.shapes.filter((one) => one.id !== shape.id); });
      this.choose(null);
    } else if (ROLES[shape.role].always) {
      this.model.change(() => { shape.ring = true; });
    }
    this.drawMarks();
    this.on.chosen();
  }

  edges() { return this.model.shapes.filter((shape) => EDGES.includes(shape.role)); }

  /** A place as the tool takes it: on the nearest edge where what is drawn belongs there. */
  snapped(place, role = this.tool) {
    if (!ON_EDGES.includes(role)) return place;
    return lineNear(this.edges(), place, 1.4 * NEAR * this.view.perPixel)?.place ?? place;
  }

  /** Put a point where a click or the cross is, as the tool says. */
  put(place) {
    const role = this.tool;
    const about = ROLES[role];
    const known = about.single ? this.model.of(role)[0] : null;
    let shape = this.model.shape(this.adding);
    if (!shape && known && !about.most) {
      if (known.ring) return; // a finished edge: its points are dragged
      this.adding = known.id;
      shape = known;
    }
    const at = this.snapped(place).map(round);
    this.model.change((drawing) => {
      if (!shape) {
        if (known) drawing.shapes = drawing.shapes.filter((one) => one.id !== known.id);
        shape = { id: this.model.freshId(), role, points: [], ring: false, properties: { ...about.fresh } };
        drawing.shapes.push(shape);
        this.adding = shape.id;
      }
      const before = shape.points.at(-1);
      const flown = before && this.alongEdge(shape, before, at);
      if (flown) shape.points.push(...flown);
      else shape.points.push(before?.length > 2 ? [...at, before[2]] : at);
    });
    this.choose(shape, shape.points.length - 1);
    const full = shape.points.length >= (about.most ?? Infinity) || (role === "kerb" && this.between);
    this.between = false;
    if (full) this.endLine();
    this.on.drawn(shape, !this.adding);
  }

  /** Points of an edge between a kerb's two ends, where both lie on it. */
  alongEdge(shape, before, at) {
    if (shape.role !== "kerb" || shape.points.length !== 1) return null;
    for (const edge of this.edges()) {
      const [from, to] = [lineNear([edge], before, 0.02), lineNear([edge], at, 0.02)];
      if (from && to) {
        this.between = true;
        return stretch(edge, from, to).slice(1).map((point) => point.slice(0, 2).map(round));
      }
    }
    return null;
  }

  close(shape) {
    this.model.change(() => { shape.ring = true; });
    this.adding = null;
    this.choose(shape, 0);
    this.on.drawn(shape, true);
  }

  insertAfter() {
    const shape = this.chosenShape();
    if (!shape || this.chosen.index < 0 || ROLES[shape.role].most) return;
    const { index } = this.chosen;
    const next = shape.points[(index + 1) % shape.points.length];
    if (!next || (!shape.ring && index + 1 >= shape.points.length)) return;
    const here = shape.points[index];
    let made = 0;
    this.model.change(() => { made = insertPoint(shape, index, [(here[0] + next[0]) / 2, (here[1] + next[1]) / 2]); });
    this.choose(shape, made);
  }

  removePoint() {
    const shape = this.chosenShape();
    if (!shape || this.chosen.index < 0) return;
    const { index } = this.chosen;
    if (shape.points.length <= (shape.ring ? 3 : 1) || ROLES[shape.role].most) {
      this.removeShape();
      return;
    }
    this.model.change(() => { shape.points.splice(index, 1); });
    this.choose(shape, Math.min(Math.max(index - 1, 0), shape.points.length - 1));
  }

  removeShape() {
    const shape = this.chosenShape();
    if (!shape) return;
    if (this.adding === shape.id) this.adding = null;
    this.model.change((drawing) => { drawing.shapes = drawing.shapes.filter((one) => one.id !== shape.id); });
    this.choose(null);
  }

  // Mouse and fingers

  near(event) { return (event.pointerType === "touch" ? FINGER : NEAR) * this.view.perPixel; }

  /** Shapes that clicks mean with this tool. */
  meant() { return this.tool === "choose" ? this.model.shapes : ROLES[this.tool] ? this.model.of(this.tool) : []; }

  pointerdown(event) {
    if (event.button > 0 && event.button !== 1) return;
    this.place.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    this.cross = null;
    if (this.pointers.size > 1) {
      if (this.drag?.before) {
        this.model.back(this.drag.before);
        this.redraw();
      }
      this.drag = { pinch: true };
      return;
    }
    const place = this.placeOf(event);
    const meant = event.button === 1 ? [] : this.meant(); // the middle button always moves the view
    const adding = this.model.shape(this.adding);
    const near = this.near(event) * (adding ? DENSE : 1);
    const first = adding && ROLES[adding.role].ring && adding.points.length > 2 && event.button === 0
      && pointNear([{ ...adding, points: adding.points.slice(0, 1) }], place, this.near(event));
    const point = first ? { shape: adding, index: 0 } : pointNear(meant, place, near);
    const line = point ? null : lineNear(meant, place, 0.7 * near);
    this.drag = { from: [event.clientX, event.clientY], place, point, line, last: place };
  }

  pointermove(event) {
    const { drag } = this;
    if (!this.pointers.has(event.pointerId)) {
      this.hover = this.placeOf(event);
      if (this.adding) this.drawMarks();
      return;
    }
    const before = this.pointers.get(event.pointerId);
    if (drag?.pinch) {
      this.pinch(event, before);
      return;
    }
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    if (!drag) return;
    if (!drag.moved && Math.hypot(event.clientX - drag.from[0], event.clientY - drag.from[1]) < STILL) return;
    const place = this.placeOf(event);
    if (this.tool.startsWith("move-")) {
      this.on.dragged(place[0] - drag.last[0], place[1] - drag.last[1], drag.moved ? "on" : "begin");
      drag.last = place;
    } else if (drag.point || (drag.line && !ROLES[drag.line.shape.role].most)) this.dragPoint(drag, place);
    else this.pan((before[0] - event.clientX) * this.view.perPixel, (event.clientY - before[1]) * this.view.perPixel);
    drag.moved = true;
  }

  dragPoint(drag, place) {
    if (!drag.before) {
      drag.before = this.model.begin();
      if (drag.line) drag.point = { shape: drag.line.shape, index: insertPoint(drag.line.shape, drag.line.index, drag.line.place) };
      this.choose(drag.point.shape, drag.point.index);
    }
    const point = drag.point.shape.points[drag.point.index];
    [point[0], point[1]] = this.snapped(place, drag.point.shape.role).map(round);
    this.drawShapes();
    this.on.chosen(true);
  }

  pointerup(event) {
    const { drag } = this;
    const alone = this.pointers.size === 1;
    this.pointers.delete(event.pointerId);
    if (!alone) {
      if (!this.pointers.size) this.drag = null;
      return;
    }
    this.drag = null;
    if (!drag || drag.pinch) return;
    if (drag.before) this.model.end(drag.before);
    else if (drag.moved && this.tool.startsWith("move-")) this.on.dragged(0, 0, "end");
    else if (!drag.moved && event.button === 0) this.click(drag);
  }

  pointercancel(event) {
    this.pointers.delete(event.pointerId);
    if (this.drag?.before) {
      this.model.back(this.drag.before);
      this.redraw();
    }
    this.drag = null;
  }

  click({ point, line, place }) {
    const shape = this.model.shape(this.adding);
    if (ROLES[this.tool]) {
      const closes = shape && point?.shape.id === shape.id && point.index === 0 && shape.points.length > 2 && ROLES[shape.role].ring;
      if (closes) this.close(shape);
      else if (point && !(shape && shape.id !== point.shape.id)) this.choose(point.shape, point.index);
      else if (line && !ROLES[line.shape.role].most && !shape?.points.length) this.insertAt(line);
      else if (line && shape && line.shape.id === shape.id) this.insertAt(line);
      else this.put(place);
    } else if (this.tool === "choose") {
      if (point) this.choose(point.shape, point.index);
      else if (line && !ROLES[line.shape.role].most) this.insertAt(line);
      else this.choose(line?.shape ?? null);
    } else if (!this.tool.startsWith("move-")) this.on.picked(place);
  }

  insertAt(line) {
    let index = 0;
    this.model.change(() => { index = insertPoint(line.shape, line.index, line.place); });
    this.choose(line.shape, index);
  }

  pinch(event, before) {
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
    const here = [event.clientX, event.clientY];
    this.pointers.set(event.pointerId, here);
    const apart = (one) => Math.hypot(one[0] - others[0][0], one[1] - others[0][1]);
    const middle = { clientX: (here[0] + others[0][0]) / 2, clientY: (here[1] + others[0][1]) / 2 };
    const { perPixel } = this.view;
    this.view.x -= ((here[0] - before[0]) / 2) * perPixel;
    this.view.y += ((here[1] - before[1]) / 2) * perPixel;
    this.zoom(apart(before) / Math.max(apart(here), 1), this.placeOf(middle));
  }

  wheel(event) {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 20 : 1;
    this.zoom(Math.exp(Math.max(-120, Math.min(120, event.deltaY * lines)) * 0.0022), this.placeOf(event));
  }

  // Keys

  focus() { this.leaving = false; }

  keydown(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    const shift = event.shiftKey ? 1 : 0;
    let used = true;
    if (event.key in arrows) this.arrow(arrows[event.key], shift);
    else if (event.key === "Tab") used = this.nextPoint(shift ? -1 : 1);
    else if (event.key === "Enter" || event.key === " ") this.enter();
    else if (event.key === "Escape") this.escape();
    else if (event.key === "Delete" || event.key === "Backspace") this.removePoint();
    else if (event.key === "i" || event.key === "I" || event.key === "Insert") this.insertAfter();
    else if (event.key === "+" || event.key === "=") this.zoom(0.8);
    else if (event.key === "-") this.zoom(1.25);
    else if (event.key === "0") this.showAll();
    else used = false;
    if (used) event.preventDefault();
  }

  arrow([x, y], shift) {
    const point = this.tool === "choose" ? this.chosenPoint() : null;
    if (point) {
      const shape = this.chosenShape();
      this.model.change(() => {
        point[0] = round(point[0] + x * STEP[shift]);
        point[1] = round(point[1] + y * STEP[shift]);
      }, `point ${shape.id} ${this.chosen.index}`);
      this.follow(point);
      this.on.chosen(true);
    } else if (this.tool.startsWith("move-")) {
      this.on.nudged(x * STEP[shift], y * STEP[shift]);
    } else if (this.tool !== "choose") {
      const by = (shift ? 40 : 6) * this.view.perPixel;
      this.cross ??= this.model.shape(this.adding)?.points.at(-1)?.slice(0, 2) ?? [this.view.x, this.view.y];
      this.cross = [this.cross[0] + x * by, this.cross[1] + y * by];
      this.follow(this.cross);
      this.drawMarks();
    } else this.pan(x * (shift ? 240 : 60) * this.view.perPixel, y * (shift ? 240 : 60) * this.view.perPixel);
  }

  /** Keep a place in view. */
  follow([x, y]) {
    const { clientWidth: wide, clientHeight: tall } = this.place;
    const [right, up] = [(wide / 2 - 40) * this.view.perPixel, (tall / 2 - 40) * this.view.perPixel];
    const dx = Math.max(0, x - this.view.x - right) + Math.min(0, x - this.view.x + right);
    const dy = Math.max(0, y - this.view.y - up) + Math.min(0, y - this.view.y + up);
    if (dx || dy) this.pan(dx, dy);
    else this.drawShapes();
  }

  /** The next point, or false where Tab is to leave the board. */
  nextPoint(way) {
    const all = this.meant().flatMap((shape) => shape.points.map((_, index) => [shape, index]));
    if (this.leaving || !all.length) return false;
    const now = all.findIndex(([shape, index]) => shape.id === this.chosen?.id && index === this.chosen.index);
    const next = now < 0 ? (way > 0 ? 0 : all.length - 1) : now + way;
    if (next < 0 || next >= all.length) return false;
    const [shape, index] = all[next];
    this.choose(shape, index);
    this.follow(shape.points[index]);
    return true;
  }

  enter() {
    if (this.tool === "choose" || this.tool.startsWith("move-")) return;
    const at = this.cross ?? [this.view.x, this.view.y];
    if (!ROLES[this.tool]) {
      this.on.picked(at);
      return;
    }
    const shape = this.model.shape(this.adding);
    const first = shape && shape.points.length > 2 && ROLES[shape.role].ring && pointNear([{ ...shape, points: shape.points.slice(0, 1) }], at, 1.5 * NEAR * this.view.perPixel);
    if (first) this.close(shape);
    else this.put(at);
    this.cross = this.tool === "choose" ? null : at;
    this.drawMarks();
  }

  escape() {
    if (this.adding && this.tool !== "choose") {
      this.endLine();
      return;
    }
    this.leaving = true;
    this.cross = null;
    this.choose(null);
    this.drawMarks();
  }
}
