// The recorded laps from above, and a line across the road picked on them.
import { svg } from "./app.js";

const MARGIN = 8;
const path = (points) => `M${points.map(([x, y]) => `${x} ${-y}`).join("L")}`;

/** Draw edges and laps (x east, y north [m]) into an SVG element. */
export function drawLaps(place, { driven, edges }) {
  const points = driven.concat(...edges);
  const xs = points.map((point) => point[0]);
  const ys = points.map((point) => -point[1]);
  const [left, top] = [Math.min(...xs) - MARGIN, Math.min(...ys) - MARGIN];
  place.setAttribute("viewBox", `${left} ${top} ${Math.max(...xs) - left + MARGIN} ${Math.max(...ys) - top + MARGIN}`);
  place.replaceChildren(
    ...edges.map((edge) => svg("path", { class: "drawn-road", d: `${path(edge)}Z` })),
    svg("path", { class: "drawn-laps", d: path(driven) }));
}

/** Two clicks on a drawing: [[x, y], [x, y]] [m], or null after Escape. */
export function pickLine(place) {
  return new Promise((resolve) => {
    const ends = [];
    const done = (value) => {
      place.removeEventListener("click", click);
      document.removeEventListener("keydown", key);
      place.classList.remove("picking");
      resolve(value);
    };
    const key = (event) => event.key === "Escape" && done(null);
    const click = (event) => {
      const seen = new DOMPoint(event.clientX, event.clientY).matrixTransform(place.getScreenCTM().inverse());
      ends.push([seen.x, -seen.y]);
      place.append(svg("circle", { class: "picked", cx: seen.x, cy: seen.y, r: 3 }));
      if (ends.length === 2) done(ends);
    };
    place.classList.add("picking");
    place.addEventListener("click", click);
    document.addEventListener("keydown", key);
  });
}
