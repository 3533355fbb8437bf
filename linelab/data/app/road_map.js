// The road from above, as the library draws it; lengths are the map's units, y downwards.

import { svg } from "./app.js";

/** Draw the ground into an SVG element; gives the group that lines and spots go into. */
export function drawGround(picture, ground) {
  const path = (d, name) => svg("path", { d, class: name });
  const lines = svg("g");
  const numbers = svg("g", {}, ...ground.numbers.map((one) => svg("text", { x: one.x, y: one.y, class: "road-number" }, one.label)));
  picture.replaceChildren(
    path(ground.surface, "road"),
    ...ground.kerbs.map((d) => path(d, "road-kerb")),
    ...ground.edges.map((d) => path(d, "road-edge")),
    ...ground.lines.map((d) => path(d, "road-line")),
    path(ground.arrow, "road-line"),
    path(ground.ties, "road-tie"),
    numbers, lines);
  look(picture, ground.box);
  return lines;
}

/** Show a part of the map: left, top, width, height; signs stay as large as they are to the eye. */
export function look(picture, [left, top, width, height]) {
  picture.setAttribute("viewBox", `${left} ${top} ${width} ${height}`);
  const shown = picture.getBoundingClientRect();
  const unit = Math.max(width / (shown.width || 600), height / (shown.height || 400));
  for (const text of picture.querySelectorAll("text")) text.setAttribute("font-size", 14 * unit);
  for (const spot of picture.querySelectorAll("circle")) spot.setAttribute("r", 6 * unit);
}

/** Path data through points, or a part of them. */
export const pathOf = (x, y, first = 0, last = x.length - 1) => {
  const parts = [];
  for (let k = first; k <= last; k += 1) parts.push(`${x[k]} ${y[k]}`);
  return `M${parts.join("L")}`;
};
