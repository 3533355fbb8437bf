// Two pictures of a kart, drawn from arrays that the library has computed: its g-g diagram and its forces by speed.
import { el, svg } from "./app.js";

const [WIDE, HIGH] = [400, 310];
const LOOKS = [["gg-slow", "slow"], ["gg-middle", "middle"], ["gg-fast", "fast"]];

/** A straight scale from values to places. */
const scale = (low, high, from, to) => (value) => from + ((value - low) / (high - low)) * (to - from);

/** Round steps that divide a range into some four to eight parts. */
function steps(low, high) {
  const size = 10 ** Math.floor(Math.log10((high - low) / 3));
  const step = [5, 2, 1].map((factor) => factor * size).find((one) => (high - low) / one >= 4) ?? size;
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k += 1) found.push(Number((k * step).toPrecision(10)));
  return found;
}

/** Halves of g within a range. */
const halves = (low, high) => Array.from({ length: 41 }, (_, k) => (k - 20) / 2).filter((g) => g >= low && g <= high);

const shown = (value) => String(value).replace("-", "−");

function line(x, y, xs, ys, className) {
  let pen = "M";
  const d = xs.map((value, k) => {
    if (ys[k] === null) { pen = "M"; return ""; }
    const part = `${pen}${x(value).toFixed(1)} ${y(ys[k]).toFixed(1)}`;
    pen = "L";
    return part;
  }).join("");
  return svg("path", { class: className, d });
}

function words(text, x, y, anchor = "middle", className = "axis") {
  const made = svg("text", { x, y, "text-anchor": anchor, class: className });
  made.textContent = text;
  return made;
}

function key(entries) {
  return el("p", { className: "key" }, ...entries.map(([className, text]) => el("span", {},
    svg("svg", { viewBox: "0 0 26 10", width: 26, height: 10, "aria-hidden": "true" }, svg("path", { class: className, d: "M1 5H25" })), text)));
}

/** What the kart can do at three speeds: left turns on the left, speeding up above. */
export function ggPicture(picture, before) {
  const all = [picture, before].filter(Boolean).flatMap((one) => one.gg.flatMap((ring) => ring.points));
  const most = Math.max(...all.map(([side]) => Math.abs(side))) * 1.08;
  const [low, high] = [Math.min(...all.map((one) => one[1])) * 1.12, Math.max(...all.map((one) => one[1])) + 0.2];
  const per = Math.min((WIDE - 60) / (2 * most), (HIGH - 46) / (high - low));
  const x = (side) => 30 + (WIDE - 40) / 2 - side * per;
  const y = (forward) => 12 + (high - forward) * per;
  const bottom = y(low);
  const [across, along] = [[-most, most], [low, high]].map(([from, to]) => halves(from, to));
  const ring = (one, className) => svg("path", { class: className, d: `M${one.points.map(([side, forward]) => `${x(side).toFixed(1)} ${y(forward).toFixed(1)}`).join("L")}Z` });
  const drawn = svg("svg", { viewBox: `0 0 ${WIDE} ${Math.ceil(bottom + 34)}`, role: "img", "aria-label": `The g-g diagram at ${picture.gg.map((one) => one.speed).join(", ")}` },
    ...across.map((g) => svg("path", { class: g === 0 ? "zero" : "grid", d: `M${x(g)} 12V${bottom}` })),
    ...along.map((g) => svg("path", { class: g === 0 ? "zero" : "grid", d: `M${x(most)} ${y(g)}H${x(-most)}` })),
    ...across.map((g) => words(shown(Math.abs(g)), x(g), bottom + 14)),
    ...along.map((g) => words(shown(g), x(most) - 5, y(g) + 4, "end")),
    words("left turn", x(most), bottom + 29, "start"), words("cornering [g]", x(0), bottom + 29), words("right turn", x(-most), bottom + 29, "end"),
    words("speeding up", x(-most), 22, "end"), words("braking", x(-most), bottom - 6, "end"),
    ...(before ? before.gg.map((one) => ring(one, "before")) : []),
    ...picture.gg.map((one, k) => ring(one, LOOKS[k][0])));
  return el("figure", { className: "kart-picture" }, el("h3", {}, "What the tyres and the engine hold"), drawn,
    key([...picture.gg.map((one, k) => [LOOKS[k][0], one.speed]), ...(before ? [["before", "as saved"]] : [])]));
}

/** Force at full throttle by speed, against what holds the kart back. */
export function drivePicture(picture, before) {
  const now = picture.drive;
  const speeds = [now.speed, ...(before ? [before.drive.speed] : [])].flat();
  const right = Math.max(...speeds) * 1.02;
  const strongest = Math.max(...now.drive, ...(before ? before.drive.drive : []));
  const gripShown = now.grip < strongest * 1.45;
  const top = Math.max(strongest, gripShown ? now.grip : 0) * 1.22;
  const x = scale(0, right, 44, WIDE - 8);
  const y = scale(0, top, HIGH - 40, 12);
  const gears = now.gears.map((force, k) => {
    const at = force.reduce((best, value, place) => ((value ?? 0) * now.speed[place] > (force[best] ?? 0) * now.speed[best] ? place : best), 0);
    return [line(x, y, now.speed, force, "gear"), words(String(k + 1), x(now.speed[at]), y(force[at] ?? 0) - 5)];
  });
  const drawn = svg("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": `Force at the wheels by speed; top speed ${now.top_says}` },
    ...steps(0, top).map((force) => svg("path", { class: force === 0 ? "zero" : "grid", d: `M44 ${y(force)}H${WIDE - 8}` })),
    ...steps(0, top).map((force) => words(shown(force), 39, y(force) + 4, "end")),
    ...steps(0, right).map((speed) => words(shown(speed), x(speed), HIGH - 24)),
    words(`speed [${now.speed_unit}]`, WIDE / 2 + 18, HIGH - 6), words(`[${now.force_unit}]`, 4, 9, "start"),
    ...(before ? [line(x, y, before.drive.speed, before.drive.drive, "before")] : []),
    ...gears.flat(),
    ...(gripShown ? [svg("path", { class: "hold", d: `M44 ${y(now.grip)}H${WIDE - 8}` })] : []),
    line(x, y, now.speed, now.resistance, "against"),
    line(x, y, now.speed, now.drive, "pull"),
    svg("path", { class: "top", d: `M${x(now.top)} ${y(0)}V24` }),
    words(now.top_says, Math.min(x(now.top), WIDE - 8), 20, "end", "axis strong"));
  return el("figure", { className: "kart-picture" }, el("h3", {}, "Force at the wheels, full throttle"), drawn,
    key([["pull", "drive"], ["against", "resistance"], ...(gripShown ? [["hold", "grip of the driven tyres"]] : []),
      ...(now.gears.length ? [["gear", "one gear"]] : []), ...(before ? [["before", "drive as saved"]] : [])]));
}
