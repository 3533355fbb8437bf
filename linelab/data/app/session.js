import { call, cancel, el, follow, lapTime, say, svg, tell, units, work } from "./app.js";

const name = decodeURIComponent(location.pathname.split("/").pop());
const at = (id) => document.getElementById(id);
let session = null;
let understood = null;
let running = null;

const UNITS_OF = {
  time: ["s", "ms", "us", "ns"],
  speed: ["m/s", "km/h", "mph", "knots", "ft/s"],
  position: ["deg", "m", "ft"],
};
const ROLES = ["time", "lat", "lon", "x", "y", "speed", "course", "altitude"];
const AGAINST = [
  ["", "what fits best"],
  ["computed", "the computed lap"],
  ["shown_grip", "the computed lap at the grip you showed"],
  ["own_best", "your own best lap"],
  ["own_parts", "your best corners joined"],
];

function busy(text) {
  at("work").hidden = false;
  at("step").textContent = text;
}

async function run(path, first) {
  at("failure").hidden = true;
  busy(first);
  at("review").disabled = true;
  try {
    return await work(path, {}, { begun: (job) => { running = job; }, onstep: (text) => { at("step").textContent = text; } });
  } catch (failure) {
    tell(failure, at("failure"));
    return null;
  } finally {
    running = null;
    at("work").hidden = true;
    at("review").disabled = false;
  }
}

at("cancel").addEventListener("click", async () => {
  if (running !== null) await cancel(running).catch(() => {});
  say("Cancelled. Nothing was changed.");
});

async function save(changes) {
  try {
    session = { ...session, ...(await call("PUT", `/api/sessions/${name}`, { ...changes, revision: session.revision })) };
    return true;
  } catch (failure) {
    if (failure.status === 409) {
      tell({ what: "this session was changed in another window", remedy: "This page now shows what was saved there; change it again if you still want to" }, at("failure"));
      session = await call("GET", `/api/sessions/${name}`);
      forms();
    } else tell(failure, at("failure"));
    return false;
  }
}

function choice(label, options, value, change, more = {}) {
  const select = el("select", { onchange: () => change(select.value), ...more },
    ...options.map(([key, text]) => el("option", { value: key }, text)));
  select.value = value ?? "";
  return el("label", {}, label, select);
}

function typed(label, value, change, more = {}) {
  const input = el("input", { value: value ?? "", onchange: () => change(input.value.trim()), ...more });
  return el("label", {}, label, input);
}

/** Save what changes how the recording is read, and read it again. */
async function reread(changes) {
  if (await save(changes)) await understand();
}

const number = (text) => (text === "" ? null : Number(text.replace(",", ".")));

function titled() {
  const driver = session.driver ? `, ${session.driver}` : "";
  at("title").textContent = `${understood?.track.title ?? session.track ?? "Session"}${driver}`;
  document.title = `${at("title").textContent}, linelab`;
}

function readingForm(known) {
  const columns = session.columns;
  const set = (kind, role, value) => {
    const changed = { ...session[kind] };
    if (value) changed[role] = /^\d+$/.test(value) ? Number(value) : value;
    else delete changed[role];
    return reread({ [kind]: changed });
  };
  const titles = el("datalist", { id: "titles" }, ...(known.columns ?? []).map((one) => el("option", { value: one })));
  at("reading").replaceChildren(
    titles,
    ...ROLES.map((role) => typed(`Column of ${role}`, columns[role], (value) => set("columns", role, value), { placeholder: "recognised", list: null })),
    choice("Unit of time", [["", "as recognised"], ...UNITS_OF.time.map((one) => [one, one])], session.units.time, (value) => set("units", "time", value)),
    choice("Unit of speed", [["", "as recognised"], ...UNITS_OF.speed.map((one) => [one, one])], session.units.speed, (value) => set("units", "speed", value)),
    typed("Position error of the receiver [m]", session.position_error, (value) => reread({ position_error: number(value) }), { inputMode: "decimal", placeholder: "assumed" }),
    typed("Width of the road, where the track is estimated [m]", session.width, (value) => reread({ width: number(value) }), { inputMode: "decimal", placeholder: "assumed" }),
  );
  for (const input of at("reading").querySelectorAll("input[placeholder=recognised]")) input.setAttribute("list", "titles");
}

async function forms() {
  const [tracks, karts, sessions] = await Promise.all([
    call("GET", "/api/tracks"), call("GET", "/api/karts"), call("GET", "/api/sessions")]);
  const others = sessions.filter((one) => one.name !== name);
  const laps = (understood?.laps ?? []).filter((lap) => lap.status === "complete");
  at("asking").replaceChildren(
    typed("Driver", session.driver, (value) => save({ driver: value }).then(titled)),
    choice("Track", [["", "recognise it"], ["estimated", "estimate it from the laps"], ...tracks.map((one) => [one.name, one.name])],
      session.track, (value) => reread({ track: value })),
    choice("Kart", [["", "fit one to the laps"], ...karts.map((one) => [one.name, one.name])], session.kart, (value) => save({ kart: value })),
    choice("Compare with", AGAINST, session.against, (value) => save({ against: value, against_lap: null }).then(forms)),
    choice("or with a lap of this session", [["", "no"], ...laps.map((lap) => [String(lap.number), `${lap.label}, ${lapTime(lap.time)} s`])],
      session.against_lap === null ? "" : String(session.against_lap),
      (value) => save({ against_lap: value === "" ? null : Number(value), against: "" }).then(forms)),
    choice("Beside somebody's session", [["", "no"], ...others.map((one) => [one.name, [one.found?.track || one.track, one.driver, one.day].filter(Boolean).join(", ") || one.name])],
      session.beside, (value) => save({ beside: value })),
    typed("Whose that is", session.beside_name, (value) => save({ beside_name: value }), { placeholder: "your team mate" }),
    el("label", { className: "wide" }, "Notes", el("textarea", { value: session.notes, onchange: (event) => save({ notes: event.target.value }) })),
  );
}

function factLine(term, ...text) {
  return [el("dt", {}, term), el("dd", {}, ...text)];
}

function showUnderstood() {
  const { file, track, notes, ground_notes: groundNotes, laps, drawing } = understood;
  const minutes = (file.duration / 60).toFixed(1);
  const where = track.estimated
    ? `not known: estimated from the laps, ${track.length.toFixed(0)} m, ${track.corners} corners`
    : `${track.title}, ${track.length.toFixed(0)} m, ${track.corners} corners`;
  at("facts").replaceChildren(
    ...factLine("Files", session.recordings.map((one) => one.name).join(", ")),
    ...factLine("Track", where),
    ...factLine("Recorded", `${file.samples} samples in ${minutes} min${file.rate ? `, ${file.rate} a second` : ""}`),
    ...factLine("Holds", file.channels.join(", ").replaceAll("_", " ")),
    ...factLine("Read and assumed", el("ul", {}, ...[...notes, ...groundNotes].map((one) => el("li", {}, one)))),
  );
  const chosen = new Set(session.laps.length ? session.laps : laps.filter((lap) => lap.status === "complete").map((lap) => lap.number));
  const choose = () => {
    const ticked = [...at("laps").querySelectorAll("input:checked")].map((one) => Number(one.value));
    const complete = laps.filter((lap) => lap.status === "complete").length;
    save({ laps: ticked.length === complete ? [] : ticked });
  };
  at("laps").tBodies[0].replaceChildren(...laps.map((lap) => {
    const tick = el("input", { type: "checkbox", value: lap.number, checked: chosen.has(lap.number), disabled: lap.status !== "complete", onchange: choose, ariaLabel: `Review ${lap.label}` });
    const time = lap.time === null ? "" : `${lapTime(lap.time)} ±${(1.96 * lap.sigma).toFixed(2)}`;
    return el("tr", {}, el("td", {}, tick), el("td", {}, lap.label), el("td", { className: "number" }, time), el("td", {}, lap.reason || lap.status));
  }));
  const points = drawing.driven.concat(...drawing.edges);
  const [xs, ys] = [points.map((p) => p[0]), points.map((p) => -p[1])];
  const [left, top] = [Math.min(...xs), Math.min(...ys)];
  at("drawing").setAttribute("viewBox", `${left - 8} ${top - 8} ${Math.max(...xs) - left + 16} ${Math.max(...ys) - top + 16}`);
  const path = (line) => `M${line.map(([x, y]) => `${x} ${-y}`).join("L")}`;
  at("drawing").replaceChildren(
    ...drawing.edges.map((edge) => svg("path", { class: "drawn-road", d: `${path(edge)}Z` })),
    svg("path", { class: "drawn-laps", d: path(drawing.driven) }));
  at("drawing-says").textContent = track.estimated
    ? "Every recorded lap, and the edges estimated from them. Draw the track over a picture for better answers."
    : "Every recorded lap between the track's edges.";
  at("understood").hidden = at("asked").hidden = false;
  titled();
}

async function understand() {
  const found = await run(`/api/sessions/${name}/understand`, "reading the recording");
  if (!found) {
    // The form stays: a wrong column or unit may be the reason.
    at("asked").hidden = false;
    at("correct").open = true;
    at("understood").hidden = false;
    readingForm({});
    await forms();
    return;
  }
  understood = found;
  showUnderstood();
  readingForm(found.file);
  await forms();
}

function showReview() {
  const files = session.results;
  at("reviewed").hidden = !files.includes("review.html");
  if (at("reviewed").hidden) return;
  const words = { "review.html": "Page", "review.pdf": "PDF", "review.json": "All figures (JSON)", "corners.csv": "Corners (CSV)" };
  at("exports").replaceChildren(
    el("a", { href: `/files/${name}/review.html`, target: "_blank" }, "Open by itself"),
    ...files.filter((file) => words[file]).map((file) => el("a", { href: `/files/${name}/${file}?save` }, `Save ${words[file]}`)));
  at("page").src = `/files/${name}/review.html?of=${Date.now()}`;
}

at("review").addEventListener("click", async () => {
  document.activeElement?.blur();
  if (session.shown_units !== units() && !(await save({ shown_units: units() }))) return;
  if (!(await run(`/api/sessions/${name}/review`, "starting"))) return;
  session = await call("GET", `/api/sessions/${name}`);
  showReview();
  at("reviewed").scrollIntoView();
});

async function start() {
  try {
    session = await call("GET", `/api/sessions/${name}`);
  } catch (failure) {
    tell(failure, at("failure"));
    return;
  }
  titled();
  showReview();
  const jobs = await call("GET", "/api/jobs");
  const reviewing = jobs.find((one) => one.do === "review" && one.about === name && ["waiting", "running"].includes(one.state));
  await understand();
  if (reviewing) at("review").click();
}
start();
