// One session: what was understood of its recordings, what to compare, and its review.
import { call, cancel, el, inWords, lapTime, say, tell, units, work } from "./app.js";
import { drawLaps, pickLine } from "./session_drawing.js";

const name = decodeURIComponent(location.pathname.split("/").pop());
const at = (id) => document.getElementById(id);
let session = null;
let understood = null;
let columns = [];
let running = null;
let usable = false; // whether the recording can be reviewed as it is read now

const ROLES = { time: "time", lat: "latitude", lon: "longitude", x: "x (east)", y: "y (north)", speed: "speed", course: "course", altitude: "altitude" };
const same = (words) => words.map((one) => [one, one]);
const UNITS_OF = { time: ["s", "ms", "us", "ns"], speed: ["m/s", "km/h", "mph", "knots", "ft/s"] };
const AGAINST = [
  ["", "what fits best"],
  ["computed", "the computed lap"],
  ["shown_grip", "the computed lap at the grip you showed"],
  ["own_best", "your own best lap"],
  ["own_parts", "your best corners joined"],
];
const FILES = { "review.html": "page", "review.json": "all figures (JSON)", "corners.csv": "corners (CSV)" };

/** Start work and follow it, with its steps and a way to cancel on the page; null where it failed or was cancelled. */
async function run(path, first) {
  at("failure").hidden = true;
  at("work").hidden = false;
  at("step").textContent = first;
  at("review").disabled = true;
  const options = { begun: (job) => { running = job; }, onstep: (text) => { at("step").textContent = text; } };
  try {
    return await work(path, {}, options);
  } catch (failure) {
    tell(failure, at("failure"));
    return null;
  } finally {
    running = null;
    at("work").hidden = true;
    at("review").disabled = !usable;
  }
}

at("cancel").addEventListener("click", async () => {
  if (running === null) return;
  await cancel(running).catch(() => {});
  say("Cancelled. Nothing was changed.");
});

let saving = Promise.resolve(true);

/** Save what was typed, after what is being saved already: each save begins from the one before. */
function save(changes) {
  saving = saving.then(() => saveNow(changes));
  return saving;
}

async function saveNow(changes) {
  try {
    session = await call("PUT", `/api/sessions/${name}`, { ...changes, revision: session.revision });
    return true;
  } catch (failure) {
    if (failure.status === 409) {
      session = await call("GET", `/api/sessions/${name}`);
      await forms();
      tell({ what: "this session was changed in another window", remedy: "You now see what was saved there. Change it again if you still want to" }, at("failure"));
    } else tell(failure, at("failure"));
    return false;
  }
}

/** Save what changes how the recording is read, and read it again. */
async function reread(changes) {
  if (await save(changes)) await understand();
}

function choice(label, options, value, change) {
  const select = el("select", { onchange: () => change(select.value) }, ...options.map(([key, text]) => el("option", { value: key }, text)));
  select.value = value ?? "";
  return el("label", {}, label, select);
}

function typed(label, value, change, more = {}) {
  const input = el("input", { value: value ?? "", onchange: () => change(input.value.trim()), ...more });
  return el("label", {}, label, input);
}

function ticked(label, value, change) {
  const input = el("input", { type: "checkbox", checked: value, onchange: () => change(input.checked) });
  return el("label", { className: "tick" }, input, ` ${label}`);
}

const metres = (label, key) =>
  typed(`${label} [m]`, session[key], (text) => reread({ [key]: text === "" ? null : Number(text.replace(",", ".")) }), { inputMode: "decimal", placeholder: "assumed" });

function titled() {
  const track = understood?.track ?? session.found;
  const where = session.title || (!track || track.estimated ? session.recordings[0].name : track.title);
  at("title").textContent = session.driver ? `${where}, ${session.driver}` : where;
  document.title = `${at("title").textContent}, linelab`;
}

function readingForm() {
  const set = (kind, role, value) => {
    const changed = { ...session[kind] };
    if (value) changed[role] = /^\d+$/.test(value) ? Number(value) : value;
    else delete changed[role];
    return reread({ [kind]: changed });
  };
  const column = (role) => columns.length
    ? choice(`Column of ${ROLES[role]}`, [["", "as recognised"], ...same(columns)], session.columns[role], (value) => set("columns", role, value))
    : typed(`Column of ${ROLES[role]}`, session.columns[role], (value) => set("columns", role, value), { placeholder: "title or number" });
  at("reading").replaceChildren(
    ...Object.keys(ROLES).map(column),
    ...Object.entries(UNITS_OF).map(([role, known]) =>
      choice(`Unit of ${role}`, [["", "as recognised"], ...same(known)], session.units[role], (value) => set("units", role, value))),
    metres("Position error of the receiver", "position_error"),
    metres("Width of the road, where the track is estimated", "width"),
    ...(session.recordings.length > 1 ? [el("p", { className: "fine wide" }, `The ${session.recordings.length} files are read as one session in parts.`)] : []),
  );
}

async function forms() {
  const [tracks, karts, sessions] = await Promise.all(["tracks", "karts", "sessions"].map((kind) => call("GET", `/api/${kind}`)));
  const names = (list) => list.map((one) => [one.name, inWords(one.name)]);
  const others = sessions.filter((one) => one.name !== name);
  const about = (one) => [one.found?.title || one.track, one.driver, one.day].filter(Boolean).join(", ") || one.name;
  const laps = (understood?.laps ?? []).filter((lap) => lap.status === "complete");
  const own = session.against_lap === null ? "" : String(session.against_lap);
  const set = [session.weather, session.tyres, session.beside, session.notes].filter(Boolean).length;
  const seen = at("asking").querySelector("details")?.open ?? false; // as the user left it
  at("asking").replaceChildren(
    typed("Driver", session.driver, (value) => save({ driver: value }).then(titled), { autocomplete: "off", list: "drivers" }),
    el("datalist", { id: "drivers" }, ...[...new Set(others.map((one) => one.driver).filter(Boolean))].map((one) => el("option", { value: one }))),
    choice("Track", [["", "recognise it"], ["estimated", "estimate it from the laps"], ...names(tracks)], session.track, (value) => reread({ track: value })),
    choice("Kart", [["", "fit one to the laps"], ...names(karts)], session.kart, (value) => save({ kart: value })),
    choice("Compare the laps with", AGAINST, session.against, (value) => save({ against: value, against_lap: null }).then(forms)),
    ...(session.track && session.track !== "estimated" ? [ticked("Driven the other way round", session.reverse, (value) => reread({ reverse: value }))] : []),
    el("details", { className: "wide", open: seen },
      el("summary", {}, `Day, weather, tyres, one lap, another session, notes${set ? ` (${set} given)` : ""}`),
      el("div", { className: "form" },
        typed("Day", session.day, (value) => save({ day: value, day_typed: true }), { type: "date" }),
        typed("Weather", session.weather, (value) => save({ weather: value }), { placeholder: "dry, damp, 14 degrees" }),
        typed("Tyres", session.tyres, (value) => save({ tyres: value }), { placeholder: "new, used, pressures" }),
        choice("Compare with one lap of this session", [["", "no"], ...laps.map((lap) => [String(lap.number), `${lap.label}, ${lapTime(lap.time)} s`])],
          own, (value) => save({ against_lap: value === "" ? null : Number(value), against: "" }).then(forms)),
        choice("Beside somebody's session", [["", "no"], ...others.map((one) => [one.name, about(one)])], session.beside, (value) => save({ beside: value })),
        typed("Whose that is", session.beside_name, (value) => save({ beside_name: value }), { placeholder: "your team mate" }),
        el("label", { className: "wide" }, "Notes for the page", el("textarea", { value: session.notes, onchange: (event) => save({ notes: event.target.value }) })))),
  );
}

const line = (term, ...text) => [el("dt", {}, term), el("dd", {}, ...text)];

function showUnderstood() {
  const { file, track, notes, ground_notes: groundNotes, laps, drawing } = understood;
  const size = `${track.length_text}, ${track.corners} corners`;
  const rate = file.rate ? `, ${file.rate} a second` : "";
  at("facts").replaceChildren(
    ...line("Files", session.recordings.map((one) => one.name).join(", ")),
    ...line("Track", track.estimated ? `not known: estimated from the laps, ${size}` : `${track.title}, ${size}`),
    ...line("Recorded", `${file.samples} samples in ${(file.duration / 60).toFixed(1)} min${rate}`),
    ...line("Holds", file.channels.join(", ").replaceAll("_", " ")),
    ...line("Read and assumed", el("ul", {}, ...[...notes, ...groundNotes].map((one) => el("li", {}, one)))),
  );
  const complete = laps.filter((lap) => lap.status === "complete").map((lap) => lap.number);
  const chosen = new Set(session.laps.length ? session.laps : complete);
  const choose = () => {
    const marked = [...at("laps").querySelectorAll("input:checked")].map((one) => Number(one.value));
    at("review").disabled = !usable || marked.length === 0;
    if (marked.length) save({ laps: marked.length === complete.length ? [] : marked });
  };
  at("laps").tBodies[0].replaceChildren(...laps.map((lap) => {
    const usable = lap.status === "complete";
    const tick = el("input", { type: "checkbox", value: lap.number, checked: usable && chosen.has(lap.number), disabled: !usable, onchange: choose, ariaLabel: `Review ${lap.label}` });
    const time = lap.time === null ? "" : `${lapTime(lap.time)} ±${(1.96 * lap.sigma).toFixed(2)}`;
    return el("tr", {}, el("td", {}, tick), el("td", {}, lap.label), el("td", { className: "number" }, time), el("td", {}, lap.reason || lap.status));
  }));
  drawLaps(at("drawing"), drawing);
  at("drawing-says").textContent = track.estimated
    ? "The recorded laps, with edges estimated from them. Draw the track over a picture for better answers."
    : "The recorded laps between the track's edges.";
  at("new-line").hidden = !track.estimated;
  at("draw").hidden = !track.estimated;
  at("found").hidden = false;
  titled();
}

at("draw").addEventListener("click", async () => {
  const drawing = { laps: { session: name, shift: [0, 0] } };
  const made = await call("POST", "/api/drawings", { title: "New track", drawing }).catch((failure) => tell(failure, at("failure")));
  if (made) location.href = `/draw/${made.name}`;
});

at("new-line").addEventListener("click", async () => {
  at("drawing-says").textContent = "Click one end of the start line, then the other. Escape leaves it as it is.";
  const ends = await pickLine(at("drawing"));
  if (ends) await reread({ start_line: ends });
  else showUnderstood();
});

async function understand() {
  usable = false;
  const found = await run(`/api/sessions/${name}/understand`, "reading the recording");
  if (!found) at("understood").open = true; // a wrong column or unit may be the reason
  columns = await work(`/api/sessions/${name}/columns`, {}).catch(() => []) ?? [];
  if (found) {
    understood = found;
    if (found.file.day && !session.day_typed && found.file.day !== session.day) await save({ day: found.file.day });
    showUnderstood();
  } else at("found").hidden = true;
  readingForm();
  await forms();
  usable = found !== null;
  at("review").disabled = !usable;
}

function showReview() {
  at("reviewed").hidden = !session.results.includes("review.html");
  if (at("reviewed").hidden) return;
  const path = `/files/${name}`;
  const what = new URLSearchParams({ track: session.track, kart: session.kart });
  at("exports").replaceChildren(
    el("a", { href: `${path}/review.html`, target: "_blank" }, "Open by itself"),
    ...Object.entries(FILES).filter(([file]) => session.results.includes(file)).map(([file, words]) => el("a", { href: `${path}/${file}?save`, download: "" }, `Save ${words}`)),
    session.results.includes("review.pdf")
      ? el("a", { href: `${path}/review.pdf?save`, download: "" }, "Save PDF")
      : el("button", { type: "button", id: "pdf", onclick: () => review("print") }, "Make the PDF"),
    ...(session.track && session.kart ? [el("a", { href: `/what-if?${what}` }, "Try what-ifs"), el("a", { href: `/before?${what}` }, "Track sheet")] : []));
  at("page").src = `${path}/review.html?of=${Date.now()}`;
}

async function review(how) {
  if (session.shown_units !== units() && !(await save({ shown_units: units() }))) return;
  if (!(await run(`/api/sessions/${name}/${how}`, "starting"))) return;
  session = await call("GET", `/api/sessions/${name}`);
  usable = true;
  at("review").disabled = false;
  showReview();
  at("understood").open = false;
  at("reviewed").scrollIntoView();
}

at("review").addEventListener("click", () => review("review"));
at("again").addEventListener("click", understand);
document.addEventListener("units", () => reread({ shown_units: units() }));
at("understood").addEventListener("toggle", () => { if (at("understood").open && !understood && running === null) understand(); });

async function start() {
  try {
    session = await call("GET", `/api/sessions/${name}`);
  } catch (failure) {
    at("asked").hidden = at("understood").hidden = true;
    tell(failure, at("failure"));
    return;
  }
  titled();
  showReview();
  const jobs = await call("GET", "/api/jobs");
  usable = session.results.includes("review.html");
  if (jobs.some((one) => one.do === "review" && one.about === name && ["waiting", "running"].includes(one.state))) {
    await forms();
    await review("review"); // what runs already is followed
  } else if (session.results.includes("review.html")) {
    await forms();
    at("review").disabled = false;
  } else {
    at("understood").open = true;
    await understand();
  }
}
start();
