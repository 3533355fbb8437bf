// Curves over the distance along the lap, drawn as wide as there is room.

import { svg } from "./app.js";

const [LEFT, RIGHT, TOP, BOTTOM] = [46, 8, 8, 34];

/** A round step that divides a range into about so many parts. */
function roundStep(range, parts) {
  const raw = range / parts;
  const power = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((one) => one * power).find((step) => step >= raw);
}

/**
 * Draw curves into an SVG element.
 * @param picture the element
 * @param what {x, curves: [{y, name}], xTitle, yTitle, marks: [{s, label}], fromNone: fill between the curve and none}
 * @returns a function that shows a cursor at an index of x
 */
export function drawCurves(picture, { x, curves, xTitle, yTitle, marks = [], fromNone = false, least = 0 }) {
  const width = Math.max(picture.clientWidth, 200);
  const height = Math.max(picture.clientHeight, 120);
  picture.setAttribute("viewBox", `0 0 ${width} ${height}`);
  const all = curves.flatMap((one) => one.y).concat(fromNone ? [0] : []);
  let [low, high] = [Math.min(...all), Math.max(...all)];
  if (high - low < least) [low, high] = fromNone ? [Math.min(low, -least / 2), Math.max(high, least / 2)] : [low - least / 2, high + least / 2];
  const pad = 0.06 * (high - low);
  [low, high] = [low - pad, high + pad];
  const end = x[x.length - 1];
  const px = (value) => LEFT + ((width - LEFT - RIGHT) * value) / end;
  const py = (value) => TOP + ((height - TOP - BOTTOM) * (high - value)) / (high - low);
  const parts = [];
  const step = roundStep(high - low, 4);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  for (let k = Math.ceil(low / step); k * step <= high; k += 1) {
    const y = py(k * step);
    parts.push(svg("line", { class: k === 0 && fromNone ? "none" : "axis", x1: LEFT, x2: width - RIGHT, y1: y, y2: y }));
    parts.push(svg("text", { x: LEFT - 6, y: y + 4, "text-anchor": "end" }, (k * step + 0).toFixed(digits)));
  }
  const across = roundStep(end, width / 110);
  for (let k = 0; k * across <= end; k += 1) {
    parts.push(svg("text", { x: px(k * across), y: height - BOTTOM + 15, "text-anchor": "middle" }, String(k * across)));
  }
  parts.push(svg("text", { x: width - RIGHT, y: height - 4, "text-anchor": "end" }, xTitle));
  parts.push(svg("text", { x: LEFT, y: height - 4 }, yTitle));
  let last = -Infinity;
  for (const mark of marks) {
    const at = px(mark.s);
    parts.push(svg("line", { class: "axis", x1: at, x2: at, y1: TOP, y2: height - BOTTOM }));
    if (at - last > 18) {
      parts.push(svg("text", { x: at, y: TOP + 9, "text-anchor": "middle" }, mark.label));
      last = at;
    }
  }
  const trace = (y) => `M${y.map((value, k) => `${px(x[k]).toFixed(1)} ${py(value).toFixed(1)}`).join("L")}`;
  if (fromNone) {
    for (const [name, part] of [["lost", Math.max], ["gained", Math.min]]) {
      const d = `${trace(curves[0].y.map((value) => part(value, 0)))}L${px(end)} ${py(0)}L${px(0)} ${py(0)}Z`;
      parts.push(svg("path", { class: name, d }));
    }
  }
  parts.push(...curves.map((one) => svg("path", { class: one.name, d: trace(one.y) })));
  const here = svg("line", { class: "here", x1: LEFT, x2: LEFT, y1: TOP, y2: height - BOTTOM });
  picture.replaceChildren(...parts, here);
  return (index) => {
    here.setAttribute("x1", px(x[index]));
    here.setAttribute("x2", px(x[index]));
  };
}

/** The share of the lap that a pointer over a picture of curves is at. */
export function shareAt(picture, event) {
  const box = picture.getBoundingClientRect();
  return Math.min(Math.max((event.clientX - box.left - LEFT) / (box.width - LEFT - RIGHT), 0), 1);
}
