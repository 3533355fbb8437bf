import { el, lapTime, say, svg, tell, units, work } from "./app.js";
import { chooseGround, chosenGround } from "./choose_ground.js";
import { drawCurves, shareAt } from "./curves.js";
import { drawGround, look } from "./road_map.js";

const at = (id) => document.getElementById(id);
/** What the library says of the track and the kart, the last answer, and what it was asked. */
let bench = null;
let last = null;
let answered = "";
/** Names to what is set; those with a corner have it beside. */
let set = {};
let busy = false;
let again = false;
let cursors = [];
let byHand = false;

const key = () => JSON.stringify(set);
const ground = () => ({ ...chosenGround(), units: units() });
const changes = () => bench.controls.some((one) => set[one.name] !== one.none);

/** Another window's question took this one's place in the queue: a moment later. */
const pause = () => new Promise((done) => setTimeout(done, 100));

/** Ask for what is set now; while one answer is on its way only the latest question after it is asked. */
async function ask() {
  if (busy) {
    again = true;
    return;
  }
  busy = true;
  do {
    again = false;
    const [asked, about] = [key(), bench];
    if (asked === answered) {
      stated("");
      break;
    }
    stated(last ? "Solving. Shown is the last answer." : "Solving.", true);
    try {
      const found = await work("/api/what-if/answer", { ...about.ground, set });
      if (about !== bench) again = true;
      else if (found === null) {
        await pause();
        again = true;
      } else show(found, asked);
    } catch (failure) {
      if (about === bench && !again) {
        const sentences = [(failure.where ? `${failure.where}: ` : "") + failure.what, failure.remedy, last && "Shown is the last answer"];
        stated(["No answer for this", ...sentences].filter(Boolean).map((text) => `${text[0].toUpperCase()}${text.slice(1).replace(/[.]$/, "")}.`).join(" "), true, true);
        at("answer").dataset.failed = asked;
      }
    }
  } while (again);
  busy = false;
}

function stated(text, old = false, failed = false) {
  at("state").textContent = text;
  at("state").classList.toggle("failed", failed);
  at("answer").classList.toggle("old", old && last !== null);
  if (!failed) delete at("answer").dataset.failed;
}

/** Solve ahead what the next answers will be solved from, as long as nothing else is asked. */
async function solveAhead(name) {
  const control = bench.controls.find((one) => one.name === name);
  const about = bench;
  const corner = set[`${name}_corner`];
  for (const share of [0.34, 0.67, 1]) {
    if (busy || about !== bench || set[`${name}_corner`] !== corner) return;
    const value = control.none + control.step * Math.round((share * (control.high - control.none)) / control.step);
    await work("/api/what-if/ready", { ...about.ground, set: { ...set, [name]: value } }).catch(() => {});
  }
}

const signed = (value, digits) => `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(digits)}`;

function show(found, asked) {
  last = found;
  answered = asked;
  at("time").textContent = lapTime(found.lap_time);
  const rounded = Math.abs(found.lost) < 0.0005 ? 0 : found.lost;
  at("against").textContent = asked === key() && !changes() ? "the computed lap" : `${signed(rounded, 3)} s to the computed lap, ${lapTime(found.before)} s`;
  at("says").replaceChildren(...found.words.map((text, k) => el("p", { className: k ? "fine" : "says" }, text)));
  at("corners").replaceChildren(...found.corners.map((one) => el("tr", {}, el("td", {}, one.label), el("td", { className: "number" }, signed(Math.abs(one.lost) < 0.0005 ? 0 : one.lost, 3)))));
  stated("");
  at("answer").dataset.answers = asked;
  drawLines();
  drawAll();
}

function drawLines() {
  const [before, after] = [bench.before, last?.after];
  bench.lines.replaceChildren(
    svg("path", { d: before.line, class: "line-before" }),
    ...(after ? [svg("path", { d: after.line, class: "line-after" })] : []),
    svg("circle", { class: "spot", r: 1 }));
  look(at("map"), boxOf(at("view").value));
}

function drawAll() {
  if (!bench) return;
  const after = last?.after;
  const marks = bench.marks;
  const show1 = drawCurves(at("speeds"), {
    x: bench.s, xTitle: bench.titles.s, yTitle: bench.titles.v, marks, least: 5,
    curves: [{ y: bench.before.v, name: "before" }, ...(after ? [{ y: after.v, name: "after" }] : [])],
  });
  const show2 = drawCurves(at("losses"), {
    x: bench.s, xTitle: bench.titles.s, yTitle: bench.titles.lost, marks, fromNone: true, least: 0.02,
    curves: [{ y: last ? last.lost_along : bench.s.map(() => 0), name: "gap" }],
  });
  cursors = [show1, show2];
  point(Number(at("place").value));
}

/** Show one place along the lap everywhere. */
function point(index) {
  for (const move of cursors) move(index);
  const spot = at("map").querySelector(".spot");
  const drawn = last?.after ?? bench.before;
  spot.setAttribute("cx", drawn.x[index]);
  spot.setAttribute("cy", drawn.y[index]);
  look(at("map"), at("map").getAttribute("viewBox").split(" ").map(Number));
  const [unit] = /\[(.*)\]/.exec(bench.titles.v).slice(1);
  const text = [`${bench.s[index].toFixed(0)} ${/\[(.*)\]/.exec(bench.titles.s)[1]}: before ${bench.before.v[index].toFixed(1)} ${unit}`];
  if (last) text.push(`after ${last.after.v[index].toFixed(1)} ${unit}`, `time lost so far ${signed(last.lost_along[index], 3)} s`);
  at("reads").textContent = text.join(", ");
}

const boxOf = (value) => bench.corners.find((one) => String(one.number) === value)?.box ?? bench.map.box;

function fieldOf(control) {
  const name = control.name;
  const digits = control.step < 0.1 ? 2 : control.step < 1 ? (control.step === 0.25 ? 2 : 1) : 0;
  const output = el("output", {});
  const input = el("input", { type: "range", id: `set-${name}`, min: control.low, max: control.high, step: control.step, value: set[name] });
  const field = el("div", { className: "slider" });
  const shown = () => {
    const value = set[name];
    const text = control.low < 0 ? signed(value, digits) : value.toFixed(digits);
    output.value = `${text} ${control.unit}`;
    input.setAttribute("aria-valuetext", output.value);
    field.classList.toggle("changed", value !== control.none);
  };
  const label = el("span", {}, el("label", { htmlFor: input.id }, control.label));
  if (control.at_corner) {
    const corner = el("select", { id: `corner-${name}`, ariaLabel: `${control.label}: at which corner` },
      ...bench.corners.map((one) => el("option", { value: one.number }, `corner ${one.label}`)));
    corner.value = set[`${name}_corner`];
    corner.addEventListener("change", () => {
      set[`${name}_corner`] = Number(corner.value);
      lookAt(corner.value);
      if (set[name] === control.none) solveAhead(name);
      else ask();
      kept();
    });
    label.append(" at ", corner);
  }
  input.addEventListener("input", () => {
    set[name] = Number(input.value);
    if (control.at_corner) lookAt(String(set[`${name}_corner`]));
    shown();
    ask();
  });
  input.addEventListener("change", kept);
  if (control.at_corner) input.addEventListener("pointerdown", () => solveAhead(name));
  shown();
  field.append(label, output, input);
  return field;
}

/** Look at a corner, unless the user has chosen what to look at. */
function lookAt(number) {
  if (byHand) return;
  at("view").value = number;
  look(at("map"), boxOf(number));
}

function showSliders() {
  const [driving, tuning] = [[], []];
  for (const control of bench.controls) (control.at_corner || control.name === "braking" ? driving : tuning).push(fieldOf(control));
  at("driving").replaceChildren(...driving);
  at("tuning").replaceChildren(...tuning);
}

/** Nothing changed, at the corners chosen. */
function nothing() {
  const found = Object.fromEntries(bench.controls.map((one) => [one.name, one.none]));
  for (const name of ["apex", "entry"]) found[`${name}_corner`] = set[`${name}_corner`] ?? bench.corners[0]?.number ?? 0;
  return found;
}

/** The address says what is set, so that it can be loaded again. */
function kept() {
  const { track, kart, reverse } = chosenGround();
  const address = new URLSearchParams({ track, kart, ...(reverse ? { reverse: "1" } : {}) });
  for (const one of bench.controls) {
    if (set[one.name] === one.none) continue;
    address.set(one.name, set[one.name]);
    if (one.at_corner) address.set(`${one.name}_corner`, set[`${one.name}_corner`]);
  }
  history.replaceState(null, "", `?${address}`);
}

/** What an address asks for, where it makes sense. */
function fromAddress(asked) {
  for (const one of bench.controls) {
    const value = Number(asked.get(one.name) ?? NaN);
    if (value >= one.low && value <= one.high) set[one.name] = value;
    const corner = Number(asked.get(`${one.name}_corner`) ?? asked.get("corner") ?? NaN);
    if (one.at_corner && bench.corners.some((each) => each.number === corner)) set[`${one.name}_corner`] = corner;
    if (one.at_corner && set[one.name] !== one.none) lookAt(String(set[`${one.name}_corner`]));
  }
}

at("reset").addEventListener("click", () => {
  const former = set;
  set = nothing();
  showSliders();
  kept();
  ask();
  if (JSON.stringify(former) !== key()) {
    say("Everything is set back.", () => {
      set = former;
      showSliders();
      kept();
      ask();
    });
  }
});
at("sliders").addEventListener("submit", (event) => event.preventDefault());
at("choosing").addEventListener("submit", (event) => event.preventDefault());
at("view").addEventListener("change", () => {
  byHand = true;
  look(at("map"), boxOf(at("view").value));
});
at("place").addEventListener("input", () => point(Number(at("place").value)));
for (const id of ["speeds", "losses"]) {
  at(id).addEventListener("pointermove", (event) => {
    at("place").value = Math.round(shareAt(at(id), event) * (bench.s.length - 1));
    point(Number(at("place").value));
  });
}
new ResizeObserver(() => drawAll()).observe(at("speeds"));

/** The library's view of a track and a kart; ``before`` is what was set in other units. */
async function prepare(asked, before) {
  at("failure").hidden = true;
  at("work").hidden = false;
  at("step").textContent = "computing the fastest lap";
  const wanted = ground();
  const about = JSON.stringify(wanted);
  let found = null;
  try {
    for (let k = 0; found === null && about === JSON.stringify(ground()); k += 1) {
      if (k) await pause();
      found = await work("/api/what-if/prepare", wanted, { onstep: (text) => { at("step").textContent = text; } });
    }
  } catch (failure) {
    if (about !== JSON.stringify(ground())) return;
    at("bench").hidden = true;
    tell(failure, at("failure"));
    return;
  } finally {
    if (about === JSON.stringify(ground())) at("work").hidden = true;
  }
  if (about !== JSON.stringify(ground())) return;
  const earlier = bench;
  bench = { ...found, ground: wanted };
  [last, answered, byHand] = [null, "", false];
  if (before) {
    for (const one of bench.controls) {
      const size = earlier.controls.find((each) => each.name === one.name).size / one.size;
      const value = one.step * Math.round((before[one.name] * size) / one.step);
      set[one.name] = size === 1 ? before[one.name] : Math.min(Math.max(value, one.low), one.high);
    }
  } else {
    set = {};
    set = nothing();
  }
  at("bench").hidden = false;
  at("view").replaceChildren(el("option", { value: "" }, "the whole track"), ...bench.corners.map((one) => el("option", { value: one.number }, `corner ${one.label}`)));
  bench.lines = drawGround(at("map"), bench.map);
  at("place").max = bench.s.length - 1;
  at("ground").textContent = `${bench.track} with ${bench.kart}. ${bench.survey}.`.replace("..", ".");
  showSliders();
  drawLines();
  drawAll();
  await ask();
  if (!asked || about !== JSON.stringify(ground())) return;
  fromAddress(asked);
  showSliders();
  await ask();
}

document.addEventListener("units", () => bench && prepare(null, set));
let first = new URLSearchParams(location.search);
chooseGround(() => {
  const asked = first;
  first = null;
  prepare(asked, null);
}).catch((failure) => tell(failure, at("failure")));
