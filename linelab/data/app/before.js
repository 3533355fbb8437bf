import { call, el, svg, tell, units, work } from "./app.js";
import { chooseGround, chosenGround } from "./choose_ground.js";
import { drawGround, look, pathOf } from "./road_map.js";

const at = (id) => document.getElementById(id);
const still = matchMedia("(prefers-reduced-motion: reduce)");
const ground = () => ({ ...chosenGround(), units: units(), begin: at("begin").checked });
const about = () => JSON.stringify(ground());
/** A corner is shown so long after its last mark [s]. */
const LOOK_AHEAD = 0.4;
/** The walk as the library worked it out, with all marks corner by corner. */
let walk = null;
let marks = [];
/** Where in the walk we are [s], which mark was reached last, whether it plays, which corner is shown. */
let now = 0;
let reached = -1;
let playing = false;
let shown = null;

/** Which of the walk's moments a time is in, and the share of the way to the next one. */
function moment(time) {
  const k = Math.min(Math.max(Math.floor(time / walk.tick), 0), walk.t.length - 2);
  return [k, Math.min(Math.max((time - walk.t[k]) / (walk.t[k + 1] - walk.t[k]), 0), 1)];
}

/** The corner at a time: the one begun last or, a little after its last mark, the one that comes next. */
function cornerAt(time) {
  const { corners } = walk;
  const k = corners.findLastIndex((one) => one.begins <= time + 0.001);
  return k >= 0 && k + 1 < corners.length && time > corners[k].marks.at(-1).t + LOOK_AHEAD ? corners[k + 1] : corners[Math.max(k, 0)];
}

/** Show a time of the walk everywhere; at a mark that was stepped to, its corner. */
function show(time, step = null) {
  now = Math.min(Math.max(time, 0), walk.t.at(-1));
  const [k, share] = moment(now);
  const between = (values) => values[k] + share * (values[k + 1] - values[k]);
  const turn = (walk.heading[k + 1] - walk.heading[k] + 540) % 360 - 180;
  const place = `translate(${between(walk.x)} ${between(walk.y)}) rotate(${-(walk.heading[k] + share * turn)})`;
  for (const picture of ["close", "whole"]) {
    at(picture).querySelector(".kart").setAttribute("transform", `${place} scale(${sizeOf(at(picture))})`);
  }
  at("close").querySelector(".walked").setAttribute("d", pathOf(walk.x, walk.y, Math.max(0, k - 60), k));
  at("speed").textContent = `${between(walk.v).toFixed(0)} ${walk.speed_unit}`;
  at("gear").textContent = walk.gear ? `gear ${walk.gear[k]}` : "";
  at("pedal").textContent = walk.pedal[k];
  at("clock").textContent = `${now.toFixed(1)} s of ${walk.t.at(-1).toFixed(1)} s`;
  at("place").value = Math.round(now / walk.tick);
  at("place").setAttribute("aria-valuetext", at("clock").textContent);
  const corner = step?.corner ?? cornerAt(now);
  if (corner && corner !== shown) showCorner(corner);
  passMarks(step);
}

/** How large the kart is drawn: so that it can be seen, but never smaller than it is (units of the map). */
function sizeOf(picture) {
  const [, , width, height] = picture.getAttribute("viewBox").split(" ").map(Number);
  const box = picture.getBoundingClientRect();
  const eye = picture.id === "close" ? 11 : 7;
  return Math.max(Math.max(width / (box.width || 600), height / (box.height || 400)) * eye, 100);
}

function showCorner(corner) {
  shown = corner;
  const list = el("ol", {}, ...corner.marks.map((mark) => el("li", {},
    el("strong", {}, mark.name), `${mark.speed}${mark.gear ? `, gear ${mark.gear}` : ""}`,
    el("span", { className: "fine" }, mark.do),
    ...[mark.where, mark.caution, mark.later].filter(Boolean).map((text) => el("span", { className: "fine" }, text)))));
  at("corner").replaceChildren(
    el("h3", {}, `Corner ${corner.label}, ${corner.hand}`),
    ...corner.before.map((text) => el("p", {}, text)),
    list,
    el("p", { className: "fine" }, corner.about));
  const dots = corner.marks.map((mark) => svg("circle", { class: `mark ${mark.kind}`, cx: mark.x, cy: mark.y, r: 1 }));
  const names = corner.marks.map((mark) => svg("text", { class: "mark-name", x: mark.x, y: mark.y }, mark.name));
  at("close").querySelector(".marks").replaceChildren(...dots, ...names);
  look(at("close"), corner.box);
  const unit = at("close").querySelector("circle").getAttribute("r") / 6;
  spread(names, corner.marks, unit);
}

/** Names beside their marks, moved apart where they would lie over each other. */
function spread(names, places, unit) {
  const [left, top, width, height] = at("close").getAttribute("viewBox").split(" ").map(Number);
  const order = places.map((mark, k) => [mark.y, k]).sort((a, b) => a[0] - b[0]);
  let last = -Infinity;
  for (const [y, k] of order) {
    const wanted = Math.max(y + 4 * unit, last + 15 * unit);
    last = Math.min(wanted, top + height);
    names[k].setAttribute("y", last);
    const right = places[k].x > left + 0.62 * width;
    names[k].setAttribute("text-anchor", right ? "end" : "start");
    names[k].setAttribute("x", places[k].x + (right ? -12 : 12) * unit);
    names[k].setAttribute("font-size", 13 * unit);
  }
}

/** Marks come up as they are passed; the last one passed is the current one. */
function passMarks(step) {
  if (!shown) return;
  const passed = step ? step.corner.marks.indexOf(step.mark) + 1 : shown.marks.filter((mark) => mark.t <= now + 1e-6).length;
  reached = marks.findIndex((one) => one.corner === shown) + passed - 1;
  const items = at("corner").querySelectorAll("li");
  const drawn = at("close").querySelector(".marks");
  const count = shown.marks.length;
  items.forEach((item, k) => {
    item.classList.toggle("passed", k < passed);
    if (k === passed - 1) item.setAttribute("aria-current", "step");
    else item.removeAttribute("aria-current");
    for (const one of [drawn.children[k], drawn.children[count + k]]) one.style.visibility = k < passed ? "visible" : "hidden";
  });
  const mark = shown.marks[passed - 1];
  const words = mark ? `Corner ${shown.label}, ${mark.name}, ${mark.speed}. ${mark.do} ${mark.where}` : `On the way to corner ${shown.label}, ${shown.hand}.`;
  if (at("at-mark").textContent !== words) at("at-mark").textContent = words;
  if (step) at("spoken").textContent = words;
}

let before = 0;
function run(stamp) {
  if (!playing) return;
  const passed = before ? (stamp - before) / 1000 : 0;
  before = stamp;
  const next = now + Math.min(passed, 0.25) * Number(at("pace").value);
  const stop = at("stops").checked && marks.slice(reached + 1).find((one) => one.mark.t <= next);
  if (stop) {
    pause();
    show(stop.mark.t, stop);
  } else if (next >= walk.t.at(-1)) {
    if (walk.closed) show(0);
    else pause();
  } else show(next);
  if (playing) requestAnimationFrame(run);
}

function pause() {
  playing = false;
  at("play").textContent = still.matches ? "Next mark" : "Play";
}

function play() {
  if (still.matches) return toMark(1);
  if (playing) return pause();
  if (now >= walk.t.at(-1) - 0.01) show(0);
  playing = true;
  before = 0;
  at("play").textContent = "Stop";
  requestAnimationFrame(run);
}

/** To the next mark, or the one before. */
function toMark(way) {
  if (!marks.length) return;
  pause();
  const between = way < 0 && reached >= 0 && now > marks[reached].mark.t + 0.001;
  const step = marks[(reached + (between ? 0 : way) + marks.length) % marks.length];
  show(step.mark.t, step);
}

/** To just before the next corner, or the one before. */
function toCorner(way) {
  if (!walk.corners.length) return;
  pause();
  const k = walk.corners.indexOf(shown);
  const corner = walk.corners[(k + way + walk.corners.length) % walk.corners.length];
  show(Math.max(corner.begins - 0.5, 0), null);
  if (corner !== shown) showCorner(corner);
  passMarks(null);
  at("spoken").textContent = `Before corner ${corner.label}, ${corner.hand}`;
}

for (const [id, step] of [["mark-back", () => toMark(-1)], ["mark-on", () => toMark(1)], ["corner-back", () => toCorner(-1)], ["corner-on", () => toCorner(1)], ["play", play]]) {
  at(id).addEventListener("click", step);
}
at("place").addEventListener("input", () => {
  pause();
  show(Number(at("place").value) * walk.tick);
});
document.addEventListener("keydown", (event) => {
  if (!walk || at("walk").hidden || event.altKey || event.ctrlKey || event.metaKey) return;
  if (event.target.closest("select, textarea, input, summary, a")) return;
  const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (way) (event.shiftKey ? toCorner : toMark)(way);
  else if (event.key === " " && !event.target.closest("button")) play();
  else return;
  event.preventDefault();
});

/** Without motion there is nothing to play: the walk goes from mark to mark. */
function motion() {
  pause();
  for (const id of ["pace-choice", "mark-on"]) at(id).hidden = still.matches;
  at("stops").parentElement.hidden = still.matches;
}
still.addEventListener("change", motion);
new ResizeObserver(() => {
  if (!walk || !shown) return;
  look(at("whole"), walk.map.box);
  showCorner(shown);
  show(now);
}).observe(at("close"));

function draw() {
  for (const id of ["close", "whole"]) {
    const lines = drawGround(at(id), walk.map);
    lines.append(svg("path", { class: "line-before", d: walk.line }));
    if (id === "close") lines.append(svg("path", { class: "walked", d: "" }), svg("g", { class: "marks" }));
    lines.append(svg("path", { class: "kart", d: "M-.9 -.65L1.1 0L-.9 .65Z" }));
  }
}

async function prepare() {
  const asked = about();
  pause();
  at("failure").hidden = true;
  at("walk").hidden = at("sheet").hidden = true;
  at("work").hidden = false;
  try {
    const found = await work("/api/before", ground(), { onstep: (text) => { at("step").textContent = text; } });
    if (asked !== about() || found === null) return;
    walk = found;
  } catch (failure) {
    if (asked === about()) tell(failure, at("failure"));
    return;
  } finally {
    if (asked === about()) at("work").hidden = true;
  }
  shown = null;
  marks = walk.corners.flatMap((corner) => corner.marks.map((mark) => ({ corner, mark })));
  at("walk").hidden = at("sheet").hidden = false;
  at("walk-title").textContent = `Walk through the lap: ${walk.track}, ${walk.kart}`;
  at("caution").textContent = walk.caution;
  at("notes").replaceChildren(...walk.notes.map((text) => el("p", {}, /[.]$/.test(text) ? text : `${text}.`)));
  at("place").max = Math.round(walk.t.at(-1) / walk.tick);
  draw();
  show(0);
  await showSheet();
}

const sheetName = () => {
  const { track, kart, reverse } = chosenGround();
  return `${track}${reverse ? "--reverse" : ""}--${kart}${at("begin").checked ? "--begin" : ""}`;
};

async function showSheet() {
  const name = sheetName();
  const files = await call("GET", `/api/before/sheets/${encodeURIComponent(name)}`);
  if (name !== sheetName()) return;
  const address = (file) => `/sheets/${encodeURIComponent(name)}/${encodeURIComponent(file)}`;
  at("make").textContent = files.length ? "Make it again" : "Make the sheet";
  at("save").replaceChildren(...files.filter((file) => file.endsWith(".pdf")).map((file) => el("a", { href: `${address(file)}?save` }, "Save the PDF")));
  at("pages").replaceChildren(...files.filter((file) => file.endsWith(".png")).map((file, k) =>
    el("a", { href: address(file), target: "_blank" }, el("img", { src: `${address(file)}?of=${Date.now()}`, alt: `Track sheet, page ${k + 1}`, loading: "lazy" }))));
}

at("make").addEventListener("click", async () => {
  at("make").disabled = true;
  at("sheet-failure").hidden = true;
  at("making").hidden = false;
  try {
    await work("/api/before/sheet", ground(), { onstep: (text) => { at("making-step").textContent = text; } });
    await showSheet();
  } catch (failure) {
    tell(failure, at("sheet-failure"));
  }
  at("making").hidden = true;
  at("make").disabled = false;
});
at("choosing").addEventListener("submit", (event) => event.preventDefault());
document.addEventListener("units", prepare);
at("begin").addEventListener("change", prepare);
motion();
chooseGround(prepare).catch((failure) => tell(failure, at("failure")));
