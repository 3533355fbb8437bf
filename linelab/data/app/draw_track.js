// The page on which a track is drawn: tools, what is chosen, and how the drawing is kept and saved.
import { call, el, follow, say, tell, work } from "./app.js";
import { Answer } from "./drawing_answer.js";
import { Board } from "./drawing_board.js";
import { Laps } from "./drawing_laps.js";
import { EDGES, Model, ROLES, round } from "./drawing_model.js";
import { Picture } from "./drawing_picture.js";

const name = decodeURIComponent(location.pathname.split("/").pop());
const at = (id) => document.getElementById(id);
const KEEP_AFTER = 400; // milliseconds after a change
const AGAIN_AFTER = 5000;
const PARTING = 60000; // characters that a browser still sends from a page that is being left
const EVERYDAY = ["left_edge", "right_edge", "start_line", "kerb", "grip_zone", "corner"];
const HINTS = {
  choose: "Click a point to choose it, drag it to move it. Click on a line to put a point into it.",
  left_edge: "Click along the left edge, seen in driving direction. Close it with a click on its first point.",
  right_edge: "Click along the right edge, in driving direction. Close it with a click on its first point.",
  start_line: "Click where the start line meets one edge, then the other.",
  kerb: "Click where the kerb begins on an edge, then where it ends: it follows the edge.",
  grip_zone: "Click round the patch. Close it with a click on its first point.",
  corner: "Click into the corner, then type its name. The list of corners takes names, too.",
  timing_line: "Click where the timing line meets one edge, then the other.",
  finish_line: "Click where the finish line of an open track meets one edge, then the other.",
  groove: "Click along the dark band once round the lap. Close it with a click on its first point.",
  "known-0": "Click point A on the picture.",
  "known-1": "Click point B on the picture.",
  "move-picture": "Drag the picture, or press arrow keys.",
  "move-laps": "Drag the laps, or press arrow keys.",
};
let model;
let board;
let answer;
let picture;
let laps;
let revision = "";
let keeping = null;
let saving = null;
let unkept = false;
let failing = false;
let stopped = false;
let timer = 0;

function changed() {
  board.redraw();
  answer.soon();
  buttons();
  at("name").value = model.drawing.name;
  if (!at("about").contains(document.activeElement)) aboutForm();
  if (stopped) return;
  unkept = true;
  at("kept").textContent = "…";
  clearTimeout(timer);
  timer = setTimeout(keep, KEEP_AFTER);
}

/** Keep the drawing in the library; one request at a time, since each begins from the revision of the one before. */
async function keep() {
  while (keeping || saving) await (keeping ?? saving).catch(() => {});
  await keepNow();
}

async function keepNow() {
  if (!unkept || stopped) return;
  unkept = false;
  keeping = call("PUT", `/api/drawings/${name}`, { drawing: model.drawing, revision });
  try {
    ({ revision } = await keeping);
    failing = false;
    at("kept").textContent = `Kept at ${new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}`;
  } catch (failure) {
    unkept = true;
    if (failure.status === 409) other("This drawing was changed in another window.");
    else {
      failing = true;
      at("kept").textContent = `Not kept: ${failure.what}`;
      timer = setTimeout(keep, AGAIN_AFTER);
    }
  } finally {
    keeping = null;
  }
}

window.addEventListener("pagehide", () => {
  if (!unkept || stopped) return;
  const headers = { "X-Linelab-Key": document.querySelector('meta[name="linelab-key"]').content, "Content-Type": "application/json" };
  const body = JSON.stringify({ drawing: model.drawing, revision });
  fetch(`/api/drawings/${name}`, { method: "PUT", headers, body, keepalive: body.length < PARTING }).catch(() => {});
});
window.addEventListener("beforeunload", (event) => {
  if (unkept && !stopped && (keeping || failing || JSON.stringify(model.drawing).length > PARTING)) event.preventDefault();
});

/** Two versions: nothing is kept or saved here until somebody chooses. */
function other(what, file = false) {
  stopped = true;
  const anew = async () => {
    try {
      if (file) {
        const begun = await call("POST", "/api/drawings/of", { track: name, again: true });
        if (begun.job) await follow(begun.job);
      }
      location.reload();
    } catch (failure) {
      tell(failure, at("failure"));
    }
  };
  at("changed").replaceChildren(el("strong", {}, what), el("p", { className: "row" },
    el("button", { type: "button", onclick: anew }, file ? "Read the track file anew" : "Load what was kept there"),
    el("button", { type: "button", onclick: copy }, "Keep mine under another name")));
  at("changed").hidden = false;
  at("changed").scrollIntoView({ block: "nearest" });
}

async function copy() {
  try {
    const title = `${model.drawing.name || name} (copy)`;
    const made = await call("POST", `/api/drawings/${name}/copy`, { drawing: model.drawing, title });
    unkept = false;
    location.href = `/draw/${made.name}`;
  } catch (failure) {
    tell(failure, at("failure"));
  }
}

async function save() {
  at("saved").textContent = "Saving …";
  at("save").disabled = true;
  try {
    clearTimeout(timer);
    await keep();
    if (stopped) return;
    if (unkept) throw Object.assign(new Error(), { what: "the drawing could not be kept", remedy: "See that 'linelab app' still runs" });
    saving = work(`/api/drawings/${name}/save`, { revision }); // what changes meanwhile is kept afterwards
    const found = await saving;
    if (!found) throw Object.assign(new Error(), { what: "the work was cancelled", remedy: "Press Save again" });
    revision = found.revision;
    model.drawing.saved_as = found.saved_as;
    at("saved").textContent = `Saved: tracks/${found.file}. Sessions find it by themselves.`;
  } catch (failure) {
    at("saved").textContent = "";
    if (failure.what?.includes("another window")) other("The track file was changed since this drawing was begun.", true);
    else tell(failure, at("failure"));
  } finally {
    saving = null;
  }
  at("save").disabled = answer.last?.state !== "valid";
}

// Tools and what is chosen

function toolButton(tool, word) {
  return el("button", { type: "button", onclick: () => useTool(tool), ariaPressed: "false", id: `tool-${tool}` },
    ...(["left_edge", "right_edge", "kerb"].includes(tool) ? [el("i", { className: tool })] : []), word);
}

function tools() {
  const rest = Object.keys(ROLES).filter((role) => !EVERYDAY.includes(role));
  const more = el("select", { ariaLabel: "More to draw", onchange: () => { if (more.value) useTool(more.value); } },
    el("option", { value: "" }, "More …"), ...rest.map((role) => el("option", { value: role }, ROLES[role].word)));
  more.id = "tool-more";
  at("tools").replaceChildren(toolButton("choose", "Choose and move"), ...EVERYDAY.map((role) => toolButton(role, ROLES[role].word)), more);
}

function useTool(tool) {
  board.use(tool);
  for (const button of at("tools").querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.id === `tool-${tool}`));
  at("tool-more").value = EVERYDAY.includes(tool) || !ROLES[tool] ? "" : tool;
  const finished = EDGES.includes(tool) && model.of(tool)[0]?.ring;
  at("hint").textContent = finished ? `The ${ROLES[tool].word.toLowerCase()} is closed. ${HINTS.choose}` : HINTS[tool];
  buttons();
}

function buttons() {
  at("undo").disabled = !model.past.length;
  at("redo").disabled = !model.future.length;
  const shape = board.chosenShape();
  at("insert").disabled = at("drop-point").disabled = !board.chosenPoint() || Boolean(ROLES[shape.role].most);
  at("drop-shape").disabled = !shape;
  const adding = model.shape(board.adding);
  at("finish").hidden = !adding || Boolean(ROLES[adding.role].most);
}

/** What is chosen, for those who hear it. */
function spot(shape) {
  if (!shape) return "Nothing is chosen.";
  const point = board.chosenPoint();
  const place = point ? `, point ${board.chosen.index + 1} of ${shape.points.length}, east ${point[0].toFixed(1)}, north ${point[1].toFixed(1)}` : "";
  return `${ROLES[shape.role].word}${place}`;
}

/** On with the edge that is not finished. */
function next() {
  useTool(EDGES.find((role) => !model.of(role)[0]?.ring && model.drawing.closed) ?? "choose");
}

/** Fields of what is chosen; while it is dragged only the numbers follow. */
function showChosen(moving = false) {
  buttons();
  const shape = board.chosenShape();
  const form = at("chosen");
  form.hidden = !shape;
  at("spot").textContent = spot(shape);
  if (!shape) return;
  const point = board.chosenPoint();
  const numbers = [...form.querySelectorAll(".place")];
  if (moving && point && numbers.length) {
    numbers.forEach((input, axis) => { input.value = point[axis].toFixed(2); });
    return;
  }
  const set = (edit) => model.change(edit, "field");
  const field = (label, value, change, more = {}) => {
    const input = el("input", { value, onchange: () => change(input.value.trim()), ...more });
    return el("label", {}, label, input);
  };
  const number = (text) => { const value = Number(text.replace(",", ".")); return text === "" || !Number.isFinite(value) ? null : value; };
  const property = (label, key, more) => field(label, shape.properties[key] ?? "", (text) => set(() => { board.chosenShape().properties[key] = more ? number(text) : text; }), more ?? { maxLength: 60 });
  const fields = {
    kerb: () => [property("Usable width [m]", "width_m", { inputMode: "decimal" }), property("Grip, 1 as the asphalt", "grip", { inputMode: "decimal" }), property("Name", "name")],
    grip_zone: () => [property("Grip, 1 as around it", "factor", { inputMode: "decimal" }), property("Name", "name")],
    corner: () => [property("Name", "name")],
    timing_line: () => [property("Name", "name")],
  };
  const axes = ["East [m]", "North [m]"];
  form.replaceChildren(
    el("p", { className: "fine wide" }, `${ROLES[shape.role].word}, ${point ? `point ${board.chosen.index + 1} of ` : ""}${shape.points.length} ${shape.points.length === 1 ? "point" : "points"}`),
    ...(fields[shape.role]?.() ?? []),
    ...(point ? axes.map((label, axis) => field(label, point[axis].toFixed(2), (text) => {
      const value = number(text);
      if (value !== null) set(() => { board.chosenPoint()[axis] = round(value); });
    }, { className: "place", inputMode: "decimal" })) : []));
}

/** After a line or its last point was drawn. */
function drawn(shape, whole) {
  showChosen();
  if (!whole) return;
  if (shape.role === "corner") at("chosen").querySelector("input").focus();
  if (EDGES.includes(shape.role)) {
    const left = EDGES.find((role) => !model.of(role)[0]?.ring);
    say(left ? `Closed. Now the ${ROLES[left].word.toLowerCase()}.` : "Both edges are closed. Now the start line.");
    useTool(left ?? "start_line");
  } else if (ROLES[shape.role].single) useTool("choose");
}

function nameCorner(corner, text) {
  model.change((drawing) => {
    const known = drawing.shapes.find((shape) => shape.role === "corner"
      && (shape.points.length === 3 ? shape.properties.number === corner.number : corner.name && shape.properties.name === corner.name));
    if (known && (text || known.points.length === 3)) known.properties.name = text;
    else if (known) drawing.shapes = drawing.shapes.filter((shape) => shape !== known);
    else if (text) drawing.shapes.push({ id: model.freshId(), role: "corner", points: [corner.apex], ring: false, properties: { name: text } });
  });
}

/** A drag of the picture or the laps: one step to take back. */
let draggedFrom = null;
function dragged(dx, dy, state) {
  const thing = board.tool === "move-picture" ? picture : laps;
  if (!(board.tool === "move-picture" ? model.drawing.picture : model.drawing.laps)) return;
  if (state === "begin") draggedFrom = model.begin();
  thing.shift(dx, dy);
  board.drawPicture();
  board.drawLaps();
  if (state === "end") {
    model.end(draggedFrom);
    thing.show();
  }
}

function nudged(dx, dy) {
  const thing = board.tool === "move-picture" ? picture : laps;
  if (!(board.tool === "move-picture" ? model.drawing.picture : model.drawing.laps)) return;
  model.change(() => thing.shift(dx, dy), board.tool);
  thing.show();
}

function aboutForm() {
  const { drawing } = model;
  const set = (edit) => { model.change(edit, "about"); };
  const closed = el("select", { onchange: () => set((d) => { d.closed = closed.value === "yes"; if (!d.closed) d.shapes.forEach((s) => { if (EDGES.includes(s.role)) s.ring = false; }); }) },
    el("option", { value: "yes" }, "a circuit"), el("option", { value: "no" }, "a road from start to finish"));
  closed.value = drawing.closed ? "yes" : "no";
  const survey = el("select", { onchange: () => set((d) => { d.head.survey = survey.value; }) },
    el("option", { value: "" }, "as it lies: surveyed over a placed picture, else not"), el("option", { value: "surveyed" }, "surveyed: drawn from a picture, or measured"),
    el("option", { value: "widths" }, "a centre line with widths"), el("option", { value: "estimated" }, "not surveyed: drawn from laps or from memory"));
  survey.value = drawing.head.survey ?? "";
  const typed = (label, key, more = {}) => {
    const input = el("input", { value: drawing.head[key] ?? "", onchange: () => set((d) => { d.head[key] = more.inputMode ? Number(input.value.replace(",", ".")) || null : input.value.trim(); }), ...more });
    return el("label", { className: "wide" }, label, input);
  };
  const swap = () => set((d) => d.shapes.forEach((s) => { if (EDGES.includes(s.role)) s.role = EDGES.find((role) => role !== s.role); }));
  const turn = () => set((d) => d.shapes.forEach((s) => {
    if (EDGES.includes(s.role)) s.role = EDGES.find((role) => role !== s.role);
    if (EDGES.includes(s.role) || s.role === "groove" || s.role === "corner") s.points.reverse();
    if (s.properties.side) s.properties.side = s.properties.side === "left" ? "right" : "left";
  }));
  const fixed = drawing.shapes.filter((shape) => shape.role === "corner" && shape.points.length === 3);
  const find = () => {
    set((d) => {
      d.shapes = d.shapes.filter((s) => !(s.role === "corner" && s.points.length === 3 && !s.properties.name));
      for (const s of d.shapes) {
        if (s.role === "corner" && s.points.length === 3) Object.assign(s, { points: [s.points[1]], properties: { name: s.properties.name } });
      }
    });
    aboutForm();
  };
  at("about").replaceChildren(
    ...(fixed.length ? [el("p", { className: "fine wide" }, "The corners stand in the track's file. If you change the edges, find them anew; they keep their names."),
      el("p", { className: "wide" }, el("button", { type: "button", className: "plain", onclick: find }, "Find the corners anew"))] : []),
    el("label", { className: "wide" }, "It is", closed),
    el("label", { className: "wide" }, "Where the edges come from", survey),
    typed("A sentence on how they were made", "survey_note", { maxLength: 300, placeholder: "stands on every output" }),
    typed("How accurate, one standard deviation [m]", "survey_sigma_m", { inputMode: "decimal", placeholder: "0.3" }),
    el("p", { className: "row wide" }, el("button", { type: "button", className: "plain", onclick: swap }, "Swap left and right"),
      el("button", { type: "button", className: "plain", onclick: turn }, "Turn the driving direction round")));
}

function wire() {
  at("undo").onclick = () => { model.undo(); afterStep(); };
  at("redo").onclick = () => { model.redo(); afterStep(); };
  at("finish").onclick = () => { board.endLine(); buttons(); };
  at("insert").onclick = () => board.insertAfter();
  at("drop-point").onclick = () => board.removePoint();
  at("drop-shape").onclick = () => board.removeShape();
  at("closer").onclick = () => board.zoom(0.7);
  at("farther").onclick = () => board.zoom(1.4);
  at("whole").onclick = () => board.showAll();
  at("save").onclick = save;
  at("name").onchange = () => model.change((drawing) => { drawing.name = at("name").value.trim(); });
  at("chosen").onsubmit = at("about").onsubmit = (event) => event.preventDefault();
  document.addEventListener("keydown", (event) => {
    const typing = event.target.closest("input:not([type=range], [type=checkbox]), textarea");
    if (typing || !(event.ctrlKey || event.metaKey)) return;
    const key = event.key.toLowerCase();
    if (key !== "z" && key !== "y") return;
    event.preventDefault();
    if (key === "y" || event.shiftKey) model.redo();
    else model.undo();
    afterStep();
  });
}

function afterStep() {
  if (!model.shape(board.adding)) board.adding = null;
  const open = model.of(board.tool)[0];
  if (EDGES.includes(board.tool) && open && !open.ring) board.adding = open.id;
  const shape = board.chosenShape();
  if (!shape) board.chosen = null;
  else if (board.chosen.index >= shape.points.length) board.chosen.index = shape.points.length - 1;
  if (!model.drawing.picture) board.pictureAddress = "";
  board.redraw();
  showChosen();
  picture.show();
  laps.follow();
  aboutForm();
}

async function start() {
  let found;
  try {
    found = await call("GET", `/api/drawings/${name}`);
  } catch (failure) {
    tell(failure, at("failure"));
    return;
  }
  revision = found.revision;
  model = new Model(found.drawing, () => changed());
  board = new Board(at("board"), at("scale"), model, {
    chosen: showChosen, drawn, dragged, nudged,
    picked: (place) => picture.picked(Number(board.tool.slice(-1)), place),
  });
  answer = new Answer(name, model, board, { nameCorner });
  picture = new Picture(name, model, board, { useTool, next, changedPlane: () => { laps.session = ""; laps.follow(); } });
  laps = new Laps(name, model, board, { useTool, next });
  tools();
  wire();
  at("name").value = model.drawing.name;
  picture.load(model.drawing.picture && found.picture);
  picture.show();
  aboutForm();
  const { drawing } = model;
  at("picture-panel").open = !drawing.shapes.length;
  if (!drawing.picture && !drawing.shapes.length) useTool("choose");
  else next();
  if (!drawing.picture && !drawing.shapes.length) at("hint").textContent = "Begin with a picture from above, or with recorded laps: see the panels. Then draw the left edge.";
  board.showAll();
  if (found.track_revision && found.track_revision !== drawing.saved_as) other("The track file was changed since this drawing was begun.", true);
  at("kept").textContent = drawing.shapes.length ? "Kept" : "";
  answer.soon();
  buttons();
  await laps.start();
}
start();
