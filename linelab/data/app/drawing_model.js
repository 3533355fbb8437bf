// A drawing and its changes: every change can be taken back. Points are [x east, y north] in metres.

const MOST_STEPS = 200;

/** What can be drawn: the word on screen, whether it may be a ring, how many points end it, what a new one has. */
export const ROLES = {
  left_edge: { word: "Left edge", single: true, ring: true, fresh: {} },
  right_edge: { word: "Right edge", single: true, ring: true, fresh: {} },
  start_line: { word: "Start line", single: true, most: 2, fresh: {} },
  kerb: { word: "Kerb", fresh: { width_m: 0.6, grip: 1, name: "" } },
  grip_zone: { word: "Grip patch", ring: true, always: true, fresh: { factor: 0.9, name: "" } },
  corner: { word: "Corner name", most: 1, fresh: { name: "" } },
  timing_line: { word: "Timing line", most: 2, fresh: { name: "" } },
  finish_line: { word: "Finish line", single: true, most: 2, fresh: {} },
  groove: { word: "Rubbered groove", single: true, ring: true, fresh: { name: "" } },
};
export const EDGES = ["left_edge", "right_edge"];
/** Lines that end on an edge or run along one. */
export const ON_EDGES = ["start_line", "finish_line", "timing_line", "kerb"];

export class Model {
  constructor(drawing, onchange) {
    this.drawing = drawing;
    this.onchange = onchange;
    this.past = [];
    this.future = [];
  }

  get shapes() { return this.drawing.shapes; }
  shape(id) { return this.shapes.find((one) => one.id === id) ?? null; }
  of(role) { return this.shapes.filter((one) => one.role === role); }

  /** Change the drawing; with ``joined``, a change of the same thing just before is taken back together with it. */
  change(edit, joined = "") {
    const before = JSON.stringify(this.drawing);
    const now = performance.now();
    edit(this.drawing);
    if (JSON.stringify(this.drawing) === before) return;
    if (!(joined && joined === this.joined && now - this.at < 900)) this.past.push(before);
    [this.joined, this.at] = [joined, now];
    if (this.past.length > MOST_STEPS) this.past.shift();
    this.future = [];
    this.onchange();
  }

  /** A change that goes on for a while (a drag): ``change`` with what ``begin`` gave ends it. */
  begin() { this.joined = ""; return JSON.stringify(this.drawing); }
  end(before) {
    if (JSON.stringify(this.drawing) === before) return;
    this.past.push(before);
    this.future = [];
    this.onchange();
  }
  back(before) { this.drawing = JSON.parse(before); }

  undo() { this.#step(this.past, this.future); }
  redo() { this.#step(this.future, this.past); }
  #step(from, to) {
    if (!from.length) return;
    const saved = this.drawing.saved_as;
    to.push(JSON.stringify(this.drawing));
    this.drawing = JSON.parse(from.pop());
    this.drawing.saved_as = saved; // which file was saved last is no step of the drawing
    this.joined = "";
    this.onchange();
  }

  freshId() {
    const used = this.shapes.map((one) => Number(one.id.slice(1))).filter(Number.isFinite);
    return `s${Math.max(0, ...used) + 1}`;
  }
}

const away = ([x, y], [u, v]) => Math.hypot(u - x, v - y);

/** The nearest point of some shapes within a distance: {shape, index}, or null. */
export function pointNear(shapes, place, within) {
  let best = null;
  for (const shape of shapes) {
    shape.points.forEach((point, index) => {
      const distance = away(point, place);
      if (distance <= within && (!best || distance < best.distance)) best = { shape, index, distance };
    });
  }
  return best;
}

/** The nearest place on the lines of some shapes within a distance: {shape, index of the point before, place}, or null. */
export function lineNear(shapes, place, within) {
  let best = null;
  for (const shape of shapes) {
    const { points } = shape;
    const count = shape.ring ? points.length : points.length - 1;
    for (let index = 0; index < count; index += 1) {
      const [a, b] = [points[index], points[(index + 1) % points.length]];
      const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
      const share = Math.min(1, Math.max(0, ((place[0] - a[0]) * dx + (place[1] - a[1]) * dy) / (dx * dx + dy * dy || 1)));
      const at = [a[0] + share * dx, a[1] + share * dy];
      const distance = away(at, place);
      if (distance <= within && (!best || distance < best.distance)) best = { shape, index, share, place: at, distance };
    }
  }
  return best;
}

/** Put a point into a line after one of its points; an elevation is taken between its neighbours. */
export function insertPoint(shape, index, place) {
  const [a, b] = [shape.points[index], shape.points[(index + 1) % shape.points.length]];
  const point = [round(place[0]), round(place[1])];
  if (a.length > 2 && b.length > 2) {
    const share = away(a, place) / (away(a, place) + away(b, place) || 1);
    point.push(round(a[2] + share * (b[2] - a[2])));
  }
  shape.points.splice(index + 1, 0, point);
  return index + 1;
}

/** The points of a line between two places on it, the shorter way round a ring. */
export function stretch(shape, from, to) {
  const count = shape.points.length;
  const ahead = [];
  if (from.index === to.index) return [from.place, to.place];
  for (let k = (from.index + 1) % count; ; k = (k + 1) % count) {
    ahead.push(shape.points[k].slice(0, 2));
    if (k === to.index) break;
    if (ahead.length > count) break;
  }
  const back = [];
  for (let k = from.index; k !== to.index && back.length <= count; k = (k - 1 + count) % count) back.push(shape.points[k].slice(0, 2));
  const length = (points) => points.slice(1).reduce((sum, point, k) => sum + away(points[k], point), 0);
  const ways = [[from.place, ...ahead, to.place], [from.place, ...back, to.place]];
  const open = shape.ring ? ways : [from.index < to.index ? ways[0] : ways[1]];
  return open.sort((p, q) => length(p) - length(q))[0];
}

export const round = (value) => Math.round(value * 1000) / 1000;

/** Move everything that is drawn by a function of points. */
export function moveAll(drawing, move) {
  for (const shape of drawing.shapes) {
    shape.points = shape.points.map((point) => [...move(point).map(round), ...point.slice(2)]);
  }
}

/** Pixel of a picture to the drawing's plane, and back, by the six numbers of its place. */
export const toPlane = ([a, b, c, d, e, f], [u, v]) => [a * u + c * v + e, b * u + d * v + f];
export function toPixel([a, b, c, d, e, f], [x, y]) {
  const whole = a * d - b * c;
  return [(d * (x - e) - c * (y - f)) / whole, (a * (y - f) - b * (x - e)) / whole];
}
